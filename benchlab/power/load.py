"""Time-weighted statistics of a load: means, quantiles, peak, charge, energy, each with its uncertainty.

Three uncertainties are kept apart. *Instrument*: what all readings share (accuracy) and the step of the log.
*Sampling*: what happened between two rows; it counts for what this log drew (charge, energy). *Load*: what other
minutes of the same load would have shown; it counts for what the log stands for (mean, rms, quantiles) and rests on the
effective number of independent readings, for successive readings are alike.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from benchlab.power.record import Array, Mask, Record, Sensor, still_noise
from benchlab.power.sampling import sampling_uncertainty
from benchlab.results import Estimate
from benchlab.stats.uncertainty import combine, estimate, from_resolution

_BATCHES = 20
QUANTILES: Mapping[str, float] = {"p95_current_a": 0.95, "p99_current_a": 0.99, "p999_current_a": 0.999}


@dataclass(frozen=True, slots=True, kw_only=True)
class MeanOf:
    """A time-weighted mean, its standard uncertainty as a mean of the load, and what that rests on."""

    value: float
    u: float
    dof: float
    n_effective: float


def describe(record: Record, rows: Mask | None = None) -> dict[str, Estimate]:
    """Statistics of the whole record, or of the rows of one phase.

    Returns
    -------
    dict
        Quantity name -> estimate; quantities that need a voltage are absent without one.
    """
    rows = np.ones(len(record.time_s), dtype=bool) if rows is None else rows
    w, i = record.seconds * rows, record.current_a
    total = float(w.sum())
    if total <= 0:
        return {}
    sensor = record.current
    bias = combine(sensor.u_bias, step_uncertainty(i, w, sensor))
    mean, square = batch_mean(i, w), batch_mean(i**2, w)
    rms = math.sqrt(square.value)
    rms_u = square.u / (2 * rms) if rms > 0 else 0.0
    out = {
        "mean_current_a": estimate(mean.value, combine(mean.u, bias), "A", mean.dof),
        "rms_current_a": estimate(rms, combine(rms_u, bias), "A", square.dof),
    }
    spreads = weighted_quantiles(i[rows], w[rows], list(QUANTILES.values()), mean.n_effective)
    for name, (value, spread) in zip(QUANTILES, spreads, strict=True):
        out[name] = estimate(value, combine(spread, sensor.u_bias, from_resolution(sensor.step)), "A")
    out["peak_current_a"] = estimate(float(i[rows].max()), sensor.u_reading, "A")
    charge = float(w @ i)
    u_charge = combine(_between_rows(record, i, rows), bias * total)
    out["charge_mah"] = estimate(charge / 3.6, u_charge / 3.6, "mAh")
    return out | _with_voltage(record, rows, w)


def mean_current(record: Record) -> Estimate | None:
    """Mean current over the whole record, as :func:`describe` has it; None where no time was recorded."""
    w = record.seconds
    if w.sum() <= 0:
        return None
    bias = combine(record.current.u_bias, step_uncertainty(record.current_a, w, record.current))
    mean = batch_mean(record.current_a, w)
    return estimate(mean.value, combine(mean.u, bias), "A", mean.dof)


def _with_voltage(record: Record, rows: Mask, w: Array) -> dict[str, Estimate]:
    v, i = record.voltage_v, record.current_a
    if v is None or record.voltage is None:
        return {}
    known = rows & np.isfinite(v)
    if not known.any():
        return {}
    power = np.where(known, v * i, 0.0)
    w = w * known
    total = float(w.sum())
    u_bias = combine(
        record.voltage.u_bias * float(w @ np.abs(i)),
        combine(record.current.u_bias, step_uncertainty(i, w, record.current)) * float(w @ np.where(known, v, 0.0)),
        step_uncertainty(v[known], w[known], record.voltage) * abs(float(w @ i)),
    ) if total > 0 else 0.0  # fmt: skip
    u = combine(u_bias, _between_rows(record, power, known), _product_of_means(record, v, known))
    return {
        "energy_wh": estimate(float(w @ power) / 3600, u / 3600, "Wh"),
        "voltage_min_v": estimate(float(v[known].min()), record.voltage.u_reading, "V"),
        "voltage_mean_v": estimate(
            *_mean_voltage(v[known], w[known], record.voltage),
        ),
    }


def _between_rows(record: Record, x: Array, rows: Mask) -> float:
    """Standard uncertainty of the integral of ``x`` (current, power) from what happened between the rows."""
    noise = record.current.noise if x is record.current_a else still_noise(np.diff(x)[record.interval_s > 0], 0.0)
    return sampling_uncertainty(x, record.interval_s, rows, noise, record.edges)


def _product_of_means(record: Record, v: Array, rows: Mask) -> float:
    """Standard uncertainty of the energy from readings that may be means over their intervals, W s.

    A mean of the current times a mean of the voltage is not the mean of their product where an edge lies inside the
    interval: for an edge D at a share f of it they differ by R D^2 f (1 - f), which the rows beside it show. A log does
    not tell a logger that averages from a load that rises slowly, so the whole difference counts.
    """
    step, answer = np.diff(record.current_a), np.diff(v)
    linked = (record.interval_s > 0) & rows[1:] & rows[:-1]
    sure = linked & (np.abs(step) > 3 * math.sqrt(2) * record.current.noise)
    inside = sure[1:] & sure[:-1] & (step[1:] * step[:-1] > 0)
    each = (step[:-1] * answer[1:] + step[1:] * answer[:-1]) / 2 * record.seconds[1:-1]
    return record.edges.smooth * abs(float(np.where(inside, each, 0.0).sum()))


def _mean_voltage(v: Array, w: Array, sensor: Sensor) -> tuple[float, float, str, float]:
    mean = batch_mean(v, w) if w.sum() > 0 else MeanOf(value=float(v.mean()), u=math.nan, dof=math.inf, n_effective=1)
    return mean.value, combine(mean.u, sensor.u_bias, step_uncertainty(v, w, sensor)), "V", mean.dof


def batch_mean(x: Array, w: Array) -> MeanOf:
    """Time-weighted mean; its uncertainty from the means of 20 stretches of equal time (batch means).

    Stretches are far longer than the memory of the load, so their means scatter independently: the uncertainty holds
    for correlated readings. ``n_effective`` = variance of the readings / variance of the mean.
    Method of batch means (standard in the analysis of simulation output; from memory).
    """
    total = float(w.sum())
    value = float(w @ x) / total
    n = int(np.count_nonzero(w))
    batches = min(_BATCHES, n)
    if batches < 2:
        return MeanOf(value=value, u=math.inf, dof=1.0, n_effective=1.0)
    # the batch in which each row's middle falls
    place = np.minimum((np.cumsum(w) - w / 2) / total * batches, batches - 1).astype(int)
    time = np.bincount(place, w, batches)
    used = time > 0
    means = np.bincount(place, w * x, batches)[used] / time[used]
    share = time[used] / total
    m = len(means)
    variance = float(share**2 @ (means - value) ** 2) * m / (m - 1) if m > 1 else math.inf
    spread = float(w @ (x - value) ** 2) / total
    n_effective = min(spread / variance, float(n)) if variance > 0 else float(n)
    return MeanOf(
        value=value, u=math.sqrt(max(variance, spread / n)), dof=float(max(m - 1, 1)), n_effective=max(n_effective, 1.0)
    )


def weighted_quantiles(x: Array, w: Array, shares: Sequence[float], n_effective: float) -> list[tuple[float, float]]:
    """For each share p of the time the value not exceeded during it, and its standard uncertainty.

    The uncertainty is half the distance between the quantiles at p -+ sqrt(p (1 - p) / n_effective): the order
    statistics that bound the quantile one standard deviation either way.
    """
    order = np.argsort(x, kind="stable")
    ranked = np.cumsum(w[order])
    ranked /= ranked[-1]
    ascending, out = x[order], []
    for p in shares:
        half = math.sqrt(p * (1 - p) / n_effective)
        at = np.searchsorted(ranked, [p - 1e-12, max(p - half, 0.0), min(p + half, 1.0)])
        value, lo, hi = ascending[np.minimum(at, len(x) - 1)]
        out.append((float(value), float(hi - lo) / 2))
    return out


def step_uncertainty(x: Array, w: Array, sensor: Sensor) -> float:
    """Standard uncertainty of a mean from the step of the log.

    Every level read carries its own rounding error, uniform over the step and blurred away by noise s as
    exp(-2 (pi s / step)^2) (first term of the Fourier series of the rounding error); levels average out with the
    squares of their shares of the time (a constant reading without noise keeps step / sqrt(12)).
    """
    total = float(w.sum())
    if sensor.step <= 0 or total <= 0:
        return 0.0
    level = np.rint((x - x.min()) / sensor.step).astype(np.int64)
    if level.max() < 4 * len(x) + 1000:
        share = np.bincount(level, w) / total
    else:  # finer than any step a logger would have
        share = np.bincount(np.unique(level, return_inverse=True)[1], w) / total
    blurred = math.exp(-2 * (math.pi * sensor.noise / sensor.step) ** 2)
    return from_resolution(sensor.step) * blurred * math.sqrt(float(share @ share))


def times_above(record: Record, threshold: float) -> tuple[Estimate, Estimate]:
    """Longest time in one go, and time in all, with the current above a threshold, s.

    Each end of a stretch lies somewhere in the interval before or after: uniform, 1 / sqrt(12) of it.
    """
    above = record.current_a > threshold
    # a stretch ends where the current falls below or where nothing was recorded
    joined = above[1:] & above[:-1] & (record.interval_s > 0)
    group = np.concatenate([[0], np.cumsum(~joined)])
    seconds = np.bincount(group, record.seconds * above)
    ends = record.sampling_s / math.sqrt(6)
    count = int((seconds > 0).sum())
    return estimate(float(seconds.max()), ends, "s"), estimate(float(seconds.sum()), ends * max(count, 1) ** 0.5, "s")


def gap_charge(record: Record) -> Estimate | None:
    """Charge that the gaps took if the load went on as in the rest of the log (of the phase around them); else None.

    The mean over a gap of length L scatters more than that over the log of length T: as sqrt(T / L) times its
    uncertainty; the mean itself is shared by all gaps.
    """
    charge = shared = own = 0.0
    for event in record.gaps:
        k = int(np.searchsorted(record.time_s, event.time_s or 0.0))
        rows: Mask = np.ones(len(record.time_s), dtype=bool)
        if record.phase is not None and record.phase[k] and record.phase[k] == record.phase[k + 1]:
            rows = record.phase == record.phase[k]
        w, seconds = record.seconds * rows, event.size_s or 0.0
        if w.sum() <= 0:
            return None
        mean = batch_mean(record.current_a, w)
        charge += mean.value * seconds
        shared += mean.u * seconds
        own = combine(own, mean.u * math.sqrt(float(w.sum()) * seconds))
    return estimate(charge / 3.6, combine(shared, own) / 3.6, "mAh") if record.gaps else None


def both_ways(record: Record) -> tuple[Estimate, Estimate]:
    """Charge that flowed out (positive current) and in (negative), both as positive mAh."""
    i = record.current_a
    piece = (i[1:] + i[:-1]) / 2 * record.interval_s / 3.6
    every = np.ones(len(i), dtype=bool)
    found = []
    for sign in (1.0, -1.0):
        flowing = record.seconds * (sign * i > 0)
        u = combine(
            _between_rows(record, np.maximum(sign * i, 0.0), every),
            combine(record.current.u_bias, step_uncertainty(i, flowing, record.current)) * float(flowing.sum()),
        )
        found.append(estimate(float(np.maximum(sign * piece, 0.0).sum()), u / 3.6, "mAh"))
    return found[0], found[1]
