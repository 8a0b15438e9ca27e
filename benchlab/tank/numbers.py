"""The numbers of a tank from its measured holds, each with its uncertainty."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc

from benchlab.airframe import Tank
from benchlab.procedure import TankProcedure
from benchlab.results import Estimate, NotMeasured
from benchlab.stats.uncertainty import combine, estimate
from benchlab.tank import leak
from benchlab.tank.decay import DecayFit
from benchlab.tank.measure import Measured

Array = NDArray[np.float64]

_CONSISTENT = 0.01
"""Holds of one tank contradict each other if chance makes them differ so much less often than this."""
SETTLING = "settling not told from a leak"
_MOST_EXPONENT = 300.0
"""Beyond this a retained fraction says nothing any more, and its square would not fit a number."""
_SAME_IN_EVERY_HOLD = {SETTLING, "accuracy of the gauge", "level of the atmosphere assumed"}
_SML = "mL/min (0 C, 101.325 kPa)"


@dataclass(frozen=True, slots=True, kw_only=True)
class Rate:
    """Decay rate (1/s) of a tank from all its holds."""

    value: float
    u: float
    lo: float
    hi: float
    holds: int = 1
    consistent: bool = True
    spread: str = ""
    parts: Mapping[str, float] = field(default_factory=dict)
    """Contributions to ``u`` by source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Numbers:
    """Quantities of a tank, what could not be had, and what is to be told."""

    quantities: Mapping[str, Estimate]
    missing: tuple[NotMeasured, ...]
    notes: tuple[str, ...]
    rate: Rate
    main: Measured
    required_h: float


def numbers_of(measured: Sequence[Measured], part: Tank, procedure: TankProcedure, required_h: float) -> Numbers:
    """Compute the quantities of DESIGN section 7 from one or more measured holds of one tank."""
    main = max(measured, key=lambda m: m.hold_s)
    rate = combined_rate(measured)
    quantities: dict[str, Estimate] = {}
    missing: list[NotMeasured] = []
    notes = [rate.spread] if rate.spread else []
    quantities["retained_fraction"] = retained(rate, main, required_h)
    _times(rate, quantities, missing, notes)
    fit = main.fit
    quantities["start_pressure_kpa"] = estimate(fit.p1, fit.p1_u, "kPa")
    # a wall that has crept settles less: where there is a choice, the first hold of a log tells how much it does
    first = max([m for m in measured if m.hold.fresh] or [main], key=lambda m: m.hold_s).fit
    share = first.settling / first.p1
    quantities["settling_fraction"] = estimate(share, combine(first.settling_u, share * first.p1_u) / first.p1, "1")
    quantities["hold_h"] = estimate(main.hold_s / 3600, 0.0, "h")
    if part.volume_ml is None:
        why = "the register gives no volume_ml; weigh the tank empty and full of water, 1 g is 1 mL"
        missing += [
            NotMeasured(quantity=q, why=why)
            for q in ("leak_rate_pa_m3_s", "leak_rate_sml_min", "liquid_weep_ml_h", "equivalent_bore_um")
        ]
        notes.append("Without the tank's volume there is no leak rate; what the tank retains is judged all the same.")
    else:
        quantities["volume_ml"] = estimate(part.volume_ml, part.volume_u_ml, "mL")
        _leak(rate, main, part, procedure, quantities, notes)
    return Numbers(
        quantities=quantities, missing=tuple(missing), notes=tuple(notes), rate=rate, main=main, required_h=required_h
    )  # fmt: skip


def combined_rate(measured: Sequence[Measured]) -> Rate:
    """Weighted mean of the rates of several holds; where they contradict each other its u grows (Birge ratio).

    What is the same in every hold (the wall, the gauge's own error) does not average out: it is taken as fully
    correlated, the rest as independent (JCGM 100, 5.2.2). The weights make the variance least, none below zero.
    """
    fits = [m.fit for m in measured]
    if len(fits) == 1:
        f = fits[0]
        return Rate(value=f.rate, u=f.rate_u, lo=f.rate_lo, hi=f.rate_hi, parts=_scaled_parts(f))
    values, us = np.array([f.rate for f in fits]), np.array([f.rate_u for f in fits])
    parts = [_scaled_parts(f) for f in fits]
    by_source = {s: np.array([p.get(s, 0.0) for p in parts]) for s in dict.fromkeys(s for p in parts for s in p)}
    covariance = sum(
        (np.outer(c, c) if s in _SAME_IN_EVERY_HOLD else np.diag(c**2) for s, c in by_source.items()),
        np.zeros((len(fits), len(fits))),
    )
    weights = _weights(covariance)
    mean = float(weights @ values)
    excess = float((((values - mean) / us) ** 2).sum())
    consistent = bool(chdtrc(len(fits) - 1, excess) >= _CONSISTENT)
    birge = 1.0 if consistent else max(1.0, math.sqrt(excess / (len(fits) - 1)))
    u = float(np.sqrt(weights @ covariance @ weights)) * birge
    text = ", ".join(f"{v * 3600:.3g} ± {s * 3600:.2g}" for v, s in zip(values, us, strict=True))
    spread = f"{len(fits)} holds, decay per hour {text}: " + (
        "consistent, combined."
        if consistent
        else "they contradict each other; the leak comes and goes, or a hold was disturbed."
    )
    shares = {
        s: float(weights @ c if s in _SAME_IN_EVERY_HOLD else np.hypot.reduce(weights * c)) * birge
        for s, c in by_source.items()
    }
    return Rate(
        value=mean, u=u, lo=mean - 1.96 * u, hi=mean + 1.96 * u, holds=len(fits), consistent=consistent, spread=spread,
        parts=shares,
    )  # fmt: skip


def _scaled_parts(fit: DecayFit) -> dict[str, float]:
    """Contributions to the uncertainty of a rate, scaled so that their squares add up to it."""
    scale = fit.rate_u / combine(*fit.parts.values())
    return {source: u * scale for source, u in fit.parts.items()}


def _weights(covariance: Array) -> Array:
    """Weights (n,), none below zero and 1 in all, that make the variance of a weighted mean least."""
    from scipy.optimize import nnls  # slow to load, and most tanks are held once

    scale = float(np.sqrt(np.diag(covariance).min()))
    root = np.linalg.cholesky(covariance / scale**2 + 1e-9 * np.eye(len(covariance)))
    stiff = 1e4
    rows, aim = np.vstack([root.T, stiff * np.ones(len(covariance))]), np.append(np.zeros(len(covariance)), stiff)
    weights, _ = nnls(rows, aim)
    return np.asarray(weights / weights.sum())


def hold_notes(
    logs: Sequence[Sequence[Measured]], names: Sequence[str], part: Tank, procedure: TankProcedure, required_h: float
) -> list[str]:
    """Name each hold with its start, length and leak rate where there are several, and what is assumed of the later."""
    several = sum(len(log) for log in logs)
    if several < 2:
        return []
    notes: list[str] = []
    for n, log in enumerate(logs):
        where = "" if len(logs) == 1 else f" in {names[n] if len(names) == len(logs) else f'log {n + 1}'}"
        for one in log:
            own = numbers_of([one], part, procedure, required_h).quantities
            q = own.get("leak_rate_pa_m3_s", own["retained_fraction"])
            what = "leak rate" if "leak_rate_pa_m3_s" in own else f"retained after {required_h:g} h"
            unit = "" if q.unit == "1" else f" {q.unit}"
            notes.append(
                f"Hold {len(notes) + 1} of {several}{where}: sealed {one.hold.sealed_s / 3600:.3g} h after the log "
                f"began, held {one.hold_s / 3600:.3g} h, {what} {q.value:.3g} ± {q.u:.2g}{unit}."
            )
    if any(not m.hold.fresh for log in logs for m in log):
        later = [m.settling for log in logs for m in log if not m.hold.fresh]
        shares = ", ".join(f"{s.slow_share:.2g} ± {s.slow_share_u:.2g}" for s in later)
        notes.append(
            "Pressurised again, a wall is taken to creep on as it did and anew only for what was pumped in: expected "
            f"for the later holds are {shares} of the start pressure."
        )
    return notes


def retained(rate: Rate, main: Measured, required_h: float) -> Estimate:
    """``exp(-required_hold / tau_leak)``, with the laminar law's departure from an exponential in its uncertainty."""
    seconds = required_h * 3600
    value, lo, hi = (math.exp(min(-r * seconds, _MOST_EXPONENT)) for r in (rate.value, rate.hi, rate.lo))
    # a laminar leak eases off a little faster than in proportion to the gauge pressure: from rest to p1 by
    # p1 / (2 p_atm); over the share that is lost, about half of that
    law = abs(value * rate.value * seconds) * abs(1 - value) * main.fit.p1 / (4 * main.atmosphere_kpa)
    u = combine(value * rate.u * seconds, law)
    return Estimate(
        value=value, u=u, unit="1",
        lo=value - combine(value - lo, 1.96 * law), hi=value + combine(hi - value, 1.96 * law),
    )  # fmt: skip


def _times(rate: Rate, quantities: dict[str, Estimate], missing: list[NotMeasured], notes: list[str]) -> None:
    if rate.lo > 0:
        tau = 1 / rate.value / 3600
        whole = Estimate(value=tau, u=tau * rate.u / rate.value, lo=1 / rate.hi / 3600, hi=1 / rate.lo / 3600, unit="h")
        ln2 = math.log(2)
        quantities["time_constant_h"] = whole
        quantities["half_life_h"] = Estimate(
            value=tau * ln2, u=(whole.u or 0) * ln2, lo=(whole.lo or 0) * ln2, hi=(whole.hi or 0) * ln2, unit="h"
        )  # fmt: skip
        return
    least = f"; at least {1 / rate.hi / 3600:.3g} h (95 %)" if rate.hi > 0 else ""
    why = f"the leak cannot be told from none{least}"
    missing += [NotMeasured(quantity=q, why=why) for q in ("time_constant_h", "half_life_h")]
    notes.append(f"The leak cannot be told from none: time constant{least.removeprefix(';') or ' not limited'}.")


def leak_contributions(rate: Rate, main: Measured, part: Tank, procedure: TankProcedure) -> dict[str, float]:
    """Standard uncertainties of the leak rate (Pa m3/s) by source, the holds' own statistics as "decay"."""
    value, scale = _leak_rate(rate, main, part)
    temperature = procedure.unknown.temperature_wander_k if not main.temperature_measured else 1.0
    return {
        "decay": scale * _loss_u(rate, main),
        "volume": abs(value) * (part.volume_u_ml or 0.0) / (part.volume_ml or math.inf),
        "gas temperature": abs(value) * temperature / main.gas_k,
    }


def _leak_rate(rate: Rate, main: Measured, part: Tank) -> tuple[float, float]:
    """Leak rate (Pa m3/s at 20 C) and what one kPa/s lost is of it; of several holds the mean rate at the main's p1."""
    scale = leak.throughput((part.volume_ml or 0.0) * 1e-6, 1e3, main.gas_k)
    return scale * main.fit.loss * (rate.value / main.fit.rate if rate.holds > 1 else 1.0), scale


def _loss_u(rate: Rate, main: Measured) -> float:
    fit = main.fit
    if rate.holds == 1:
        return fit.loss_u
    p1 = fit.p1 * (1 + fit.wall)
    return combine(rate.u * p1, rate.value * fit.p1_u, rate.value * fit.p1 * fit.wall_u)


def _leak(
    rate: Rate, main: Measured, part: Tank, procedure: TankProcedure, quantities: dict[str, Estimate], notes: list[str]
) -> None:
    fit = main.fit
    value, _ = _leak_rate(rate, main, part)
    parts = leak_contributions(rate, main, part, procedure)
    other = combine(*[u for name, u in parts.items() if name != "decay"])
    down = up = 1.96 * parts["decay"]
    if rate.holds == 1:
        down, up = (parts["decay"] / fit.loss_u * x for x in (fit.loss - fit.loss_lo, fit.loss_hi - fit.loss))
    lo, hi = value - combine(down, 1.96 * other), value + combine(up, 1.96 * other)
    q = Estimate(value=value, u=combine(*parts.values()), lo=lo, hi=hi, unit="Pa m3/s")
    quantities["leak_rate_pa_m3_s"] = q
    quantities["leak_rate_sml_min"] = _scaled(q, leak.standard_ml_min(1.0), _SML)
    inside, outside = (fit.p1 + main.atmosphere_kpa) * 1e3, main.atmosphere_kpa * 1e3
    most = max(hi, 0.0)
    weep, bore = leak.liquid_weep_ml_h(most, inside, outside), leak.equivalent_bore_um(most, inside, outside)
    quantities["liquid_weep_ml_h"] = Estimate(value=weep, hi=weep, unit="mL/h")
    quantities["equivalent_bore_um"] = Estimate(value=bore, hi=bore, unit="um")
    notes.append(
        f"Upper bounds, indicative: the same path would pass at most {weep:.2g} mL/h of a thin fuel at this "
        f"pressure, or is a round bore of at most {bore:.2g} um, 10 mm long "
        f"(laminar flow; surface tension often stops the liquid)."
    )


def _scaled(e: Estimate, factor: float, unit: str) -> Estimate:
    values = {k: None if (v := getattr(e, k)) is None else v * factor for k in ("value", "u", "lo", "hi")}
    return replace(e, unit=unit, **values)
