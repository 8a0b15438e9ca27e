"""How long a tank must be held: the shortest hold after which a sound one is accepted with the wanted probability.

Nothing is derived a second time here: tanks as they are expected are simulated (``benchlab.simulate.tank``: gas amount,
laminar leak, cooling, creep, weather) with the gauge and the channels at hand, and analysed as a log would be. What the
analysis says of its own uncertainty gives the chance that a sound tank is accepted; the hold is then sought.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtri

from benchlab.airframe import Tank
from benchlab.procedure import TankProcedure
from benchlab.simulate.tank import Scenario, leak_rate_for, simulate_hold
from benchlab.tank.advise import SOUND_SHARE, WANTED
from benchlab.tank.analyse import analyse_tank

LEAST_H, MOST_H = 0.25, 72.0
"""Shortest and longest hold that is planned."""
_SEEDS, _FEWER = range(11, 41), 12
_BEYOND = 8.0
_REFINED, _CLOSE = 2, 1.1
"""Times that the bracket is narrowed, and how close its ends need be."""
_MOST_ROWS = 4000
"""Rows of a simulated log: more readings than this no longer make a hold shorter."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """The tank and the instruments at hand."""

    volume_ml: float
    start_pressure_kpa: float
    resolution_kpa: float = 0.01
    noise_kpa: float = 0.0
    """Standard deviation of a single reading besides the resolution."""
    sampling_s: float = 10.0
    temperature: bool = False
    """Logged, by a thermometer beside the tank."""
    barometer: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class HoldPlan:
    """The shortest hold for a bench, and what other instruments would make of it."""

    bench: Bench
    hold_h: float | None
    """None where not even ``MOST_H`` would do."""
    u: float | None
    """Standard uncertainty of the retained fraction to be expected after ``hold_h``."""
    limit: float
    required_h: float
    expected: float
    probability: float
    others: tuple[tuple[str, float | None], ...] = ()
    """What is changed, and the hold in hours then."""


def plan_hold(
    bench: Bench,
    procedure: TankProcedure,
    *,
    limit: float | None = None,
    required_h: float | None = None,
    expected: float | None = None,
    probability: float = WANTED,
    progress: Callable[[str], None] = lambda _: None,
) -> HoldPlan:
    """Plan the hold of a tank.

    Parameters
    ----------
    limit, required_h
        Least retained fraction after the required hold; the procedure's if not given.
    expected
        Retained fraction of a sound tank after the required hold: a quarter of the allowed loss if not given.
    probability
        Wanted probability that such a tank is accepted.

    Raises
    ------
    ValueError
        If the expected fraction does not lie above the limit, or a size of the bench is not positive.
    """
    if limit is None:
        limit = procedure.limits["retained_fraction"]["value"].lower or 0.8
    expected = 1 - SOUND_SHARE * (1 - limit) if expected is None else expected
    required_h = required_h or procedure.required_hold_h
    if not limit < expected < 1:
        msg = f"a sound tank must be expected above the limit {limit:g} and below 1, not at {expected:g}"
        raise ValueError(msg)
    if min(bench.volume_ml, bench.start_pressure_kpa, bench.resolution_kpa, bench.sampling_s) <= 0:
        msg = "volume, start pressure, resolution and sampling must be positive"
        raise ValueError(msg)
    case = _Case(procedure=procedure, limit=limit, required_h=required_h, expected=expected, probability=probability)
    progress("planning with the instruments at hand")
    hold, u = _shortest(bench, case, _SEEDS, first_h=4.0)
    others = []
    for what, better in _better(bench):
        progress(f"planning with {what}")
        others.append((what, _shortest(better, case, _SEEDS[:_FEWER], first_h=hold or MOST_H)[0]))
    return HoldPlan(
        bench=bench, hold_h=hold, u=u, limit=limit, required_h=required_h, expected=expected,
        probability=probability, others=tuple(others),
    )  # fmt: skip


def _better(bench: Bench) -> list[tuple[str, Bench]]:
    out = []
    if not bench.temperature:
        out.append(("a thermometer logged as well", replace(bench, temperature=True)))
    if not bench.barometer:
        out.append(("a barometer logged as well", replace(bench, barometer=True)))
    if not bench.temperature and not bench.barometer:
        out.append(("both logged as well", replace(bench, temperature=True, barometer=True)))
    finer = replace(bench, resolution_kpa=bench.resolution_kpa / 10, noise_kpa=bench.noise_kpa / 10)
    return [*out, ("a gauge ten times finer", finer)]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Case:
    procedure: TankProcedure
    limit: float
    required_h: float
    expected: float
    probability: float


def _shortest(bench: Bench, case: _Case, seeds: Sequence[int], first_h: float) -> tuple[float | None, float | None]:
    """Seek the hold at which the chance of being accepted is the wanted one; return it with its uncertainty."""
    wanted = float(ndtri(case.probability))
    tried: dict[float, tuple[float, float]] = {}

    def enough(hold_h: float) -> bool:
        tried[hold_h] = _score(bench, case, hold_h, seeds)
        return tried[hold_h][0] >= wanted

    hold_h = min(max(first_h, LEAST_H), MOST_H)
    factor = 0.5 if enough(hold_h) else 2.0
    while LEAST_H < hold_h < MOST_H or len(tried) == 1:
        hold_h = min(max(hold_h * factor, LEAST_H), MOST_H)
        if hold_h in tried or enough(hold_h) == (factor > 1):
            break
    for _ in range(_REFINED):
        low, high = _bracket(tried, wanted)
        if low is None or high is None or high / low < _CLOSE:
            break
        enough(_between(low, high, tried, wanted))
    low, high = _bracket(tried, wanted)
    if high is None:
        return None, None
    found = high if low is None else _between(low, high, tried, wanted)
    return float(f"{found:.2g}"), tried[high][1]


def _bracket(tried: Mapping[float, tuple[float, float]], wanted: float) -> tuple[float | None, float | None]:
    """Longest hold tried that is too short, and shortest that is enough and longer."""
    short = max((h for h, (score, _) in tried.items() if score < wanted), default=None)
    return short, min((h for h, (score, _) in tried.items() if score >= wanted and h > (short or 0.0)), default=None)


def _between(low: float, high: float, tried: Mapping[float, tuple[float, float]], wanted: float) -> float:
    """Interpolate the score in the logarithm of the hold, not quite to either end."""
    share = (wanted - tried[low][0]) / (tried[high][0] - tried[low][0])
    return float(low * (high / low) ** min(max(share, 0.1), 0.9))


def _score(bench: Bench, case: _Case, hold_h: float, seeds: Sequence[int]) -> tuple[float, float]:
    """Probit of the chance that a sound tank is accepted after a hold, and the uncertainty to be expected."""
    kept, u = np.array([_outcome(bench, case, hold_h, seed) for seed in seeds]).T
    if not np.isfinite(u).all():
        return -_BEYOND, math.inf
    # accepted where this is positive; a normal law is put through it, for counting would take many more tanks
    margin = (kept - case.limit) / u - float(ndtri(case.procedure.rule.accept))
    score = float(margin.mean() / max(float(margin.std(ddof=1)), 1e-9))
    return min(max(score, -_BEYOND), _BEYOND), float(np.median(u))


def _outcome(bench: Bench, case: _Case, hold_h: float, seed: int) -> tuple[float, float]:
    """Retained fraction and its uncertainty that one simulated hold comes to; inf where it comes to none."""
    scenario = scenario_of(bench, case.procedure, hold_h)
    scenario = replace(scenario, leak_rate_pa_m3_s=leak_rate_for(scenario, case.expected, case.required_h))
    frame = simulate_hold(scenario, np.random.default_rng(seed)).frame
    part = Tank(id="planned", volume_ml=bench.volume_ml, required_hold_h=case.required_h)
    found = analyse_tank([frame], part, case.procedure).result.quantities.get("retained_fraction")
    value, u = getattr(found, "value", None), getattr(found, "u", None)
    return (value, u) if value is not None and u else (0.0, math.inf)


def scenario_of(bench: Bench, procedure: TankProcedure, hold_h: float) -> Scenario:
    """Return the simulated hold of a bench, in the weather that the procedure expects where nothing is logged."""
    unknown = procedure.unknown
    hours = procedure.unknown.over_h
    return Scenario(
        volume_ml=bench.volume_ml, start_pressure_kpa=bench.start_pressure_kpa, hold_h=hold_h,
        sampling_s=max(bench.sampling_s, hold_h * 3600 / _MOST_ROWS),
        room_wander_k=unknown.temperature_wander_k * math.sqrt(4.0 / hours),
        barometer_wander_kpa=unknown.barometer_wander_kpa * math.sqrt(4.0 / hours), tide_kpa=0.0,
        noise_kpa=bench.noise_kpa, resolution_kpa=bench.resolution_kpa,
        temperature=bench.temperature, barometer=bench.barometer,
        readings=None if bench.sampling_s < 600 else max(2, round(hold_h * 3600 / bench.sampling_s)),
    )  # fmt: skip


def plan_text(plan: HoldPlan) -> str:
    """Say the plan in lines for the terminal."""
    b = plan.bench
    logged = " and ".join(w for w, there in (("temperature", b.temperature), ("barometer", b.barometer)) if there)
    lines = [
        f"Tank of {b.volume_ml:g} mL at {b.start_pressure_kpa:g} kPa; gauge in steps of {b.resolution_kpa:g} kPa"
        + (f", noise {b.noise_kpa:g} kPa" if b.noise_kpa else "") + f", every {b.sampling_s:g} s",
        f"Logged beside it: {logged or 'neither temperature nor barometer'}",
        f"Wanted: a tank that retains {plan.expected:.3g} after {plan.required_h:g} h is accepted (limit",
        f"  {plan.limit:g}) with a probability of {100 * plan.probability:g} %",
        "",
        f"Shortest hold: {_hours(plan.hold_h)}"
        + (f" (the retained fraction then has u of about {plan.u:.2g})" if plan.u else ""),
    ]  # fmt: skip
    lines += [f"  with {what}: {_hours(hold)}" for what, hold in plan.others]
    lines += [
        "",
        "From simulated tanks (laminar leak, cooling, creeping wall, weather).",
        "Pressurise gently, never from an unregulated line, stay below the tank's",
        "stated limit, wear eye protection.",
    ]
    return "\n".join(lines)


def _hours(hold_h: float | None) -> str:
    return f"more than {MOST_H:g} h" if hold_h is None else f"{hold_h:g} h"
