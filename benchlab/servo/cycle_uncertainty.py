"""Standard uncertainty of one cycle's quantities from the noise, the step and the sampling of the readings.

What a servo truly does differently from cycle to cycle is not in it: that is what the trends are fitted to.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from benchlab.servo import windows
from benchlab.servo.cycles import Cycles
from benchlab.servo.dwells import HIGH, LOW, NEUTRAL
from benchlab.servo.quantities import Measured
from benchlab.servo.samples import Samples
from benchlab.servo.strokes import Strokes
from benchlab.servo.sweep import Kept, Swept
from benchlab.servo.windows import Array, Rows
from benchlab.stats.uncertainty import combine, from_resolution

_TIMED = 5.0
"""With fewer samples between the crossings their uncertainty depends on where in the stroke they happen to lie."""


def typical_u(samples: Samples, cycles: Cycles, swept: Swept, measured: Measured) -> dict[str, float]:
    """Return quantity -> typical standard uncertainty of one cycle's value, for those where it can be told.

    Rests and means: ``s / sqrt(n)`` of white noise, and what is left of the reading's step when noise does not carry
    the mean over it. Transit: both crossings, each interpolated between two noisy readings, and the bend of the way
    between them. Moving current: which part of the course the samples happen to meet as well, and how the edges of the
    movement fall between them. Not told: extremes (overshoot, peak, lowest supply), whose scatter depends on the
    servo's own course.
    """
    if not len(cycles):
        return {}
    out: dict[str, float] = {}
    if swept.strokes is not None:
        out |= _rests(samples, swept.strokes)
        out |= _ways(samples, swept.strokes, swept.kept, len(cycles))
    if "temperature_c" in samples.channels:
        rows = float(np.median(cycles.stop - cycles.start))
        out["temperature_c"] = mean_u(samples.noise["temperature_c"], samples.steps.get("temperature_c", 0.0), rows)
    c = measured.cycles
    for reference, raw in (
        ("moving_current_ref_a", "moving_current_a"),
        ("transit_ref_s_per_60deg", "transit_s_per_60deg"),
    ):
        factor = windows.middle((c[reference] / c[raw]).to_numpy())
        if raw in out and math.isfinite(factor):
            out[reference] = out[raw] * abs(factor)
    return {name: u for name, u in out.items() if name not in measured.missing and math.isfinite(u)}


def mean_u(noise: float, step: float, n: float) -> float:
    """Standard uncertainty of the mean of ``n`` readings of white noise, rounded to ``step``.

    The rounding's own error is the same in all readings unless noise carries them over the steps. Its Fourier series
    over the true value has amplitudes ``step / (pi k)``, of which noise of ``sigma`` leaves the share
    ``exp(-2 pi^2 k^2 (sigma / step)^2)`` (B. Widrow and I. Kollar, Quantization Noise, 2008); without noise they add up
    to ``step / sqrt 12``.
    """
    white = noise / math.sqrt(max(n, 1.0))
    if step <= 0:
        return white
    # readings that hop between two steps are noise already; only what rounding hides is added
    before = math.sqrt(max(noise**2 - step**2 / 12, 0.0))
    k = np.arange(1, 200)
    left = step / (math.pi * k) * np.exp(-2 * (math.pi * k * before / step) ** 2)
    return combine(white, math.sqrt(float((left**2).sum()) / 2))


def _rests(samples: Samples, s: Strokes) -> dict[str, float]:
    out: dict[str, float] = {}
    d = s.dwells
    inside = d.cycle >= 0
    if "position_deg" in samples.channels:
        step = samples.steps.get("position_deg", 0.0)
        sd = float(np.sqrt(_mean(s.rest_sd_deg[inside] ** 2)))
        n = windows.middle(s.rest_n[inside])
        if math.isfinite(sd):
            rest = mean_u(sd, step, n)
            high, low, mid = (max(_each(d.kind, d.cycle, kind), 1.0) for kind in (HIGH, LOW, NEUTRAL))
            out |= {"end_high_deg": rest / math.sqrt(high), "end_low_deg": rest / math.sqrt(low)}
            out["travel_deg"] = rest * math.sqrt(1 / high + 1 / low)
            out |= {"centre_deg": rest / math.sqrt(mid), "hysteresis_deg": 2 * rest / math.sqrt(mid)}
            dof = (n - 1) * inside.sum() / max(len(np.unique(d.cycle[inside])), 1)
            if sd > 0.5 * step:  # else jitter is what the steps make of it
                out["jitter_deg"] = sd / math.sqrt(2 * max(dof, 1.0))
    if "current_a" in samples.channels:
        rows = windows.middle((s.rest_end - s.rest_begin)[inside].astype(float))
        per_cycle = inside.sum() / max(len(np.unique(d.cycle[inside])), 1)
        out["idle_current_a"] = mean_u(_current_noise(s), samples.steps.get("current_a", 0.0), rows * per_cycle)
    return out


def _each(kind: np.ndarray, cycle: np.ndarray, wanted: int) -> float:
    """How many dwells of a kind a cycle has."""
    held = cycle[(kind == wanted) & (cycle >= 0)]
    return len(held) / max(len(np.unique(held)), 1)


def _mean(x: Array) -> float:
    finite = x[np.isfinite(x)]
    return float(finite.mean()) if len(finite) else math.nan


def _ways(samples: Samples, s: Strokes, kept: Kept, n: int) -> dict[str, float]:
    out: dict[str, float] = {}
    timed = np.isfinite(s.transit_s) & (s.dwells.cycle >= 0)
    if timed.any() and windows.middle(s.transit_s[timed]) >= _TIMED * samples.sampling_s:
        noise = combine(samples.noise["position_deg"], _rounding(samples, "position_deg"))
        each = np.hypot(noise * s.transit_noise_s, 0.0 if _in_step(s) else s.transit_bend_s)[timed]
        per_60 = 60 / (0.8 * np.abs(s.way_deg[timed]))
        kinds = max(timed.sum() / n, 1.0)
        out["transit_s_per_60deg"] = float(np.sqrt(_mean((each * per_60) ** 2) / kinds))
    if "current_a" in samples.channels and (moving := (s.kind >= 0) & (s.moving_n > 0)).any():
        out["moving_current_a"] = _moving_u(samples, s, kept, moving, n)
    return out


def _rounding(samples: Samples, channel: str) -> float:
    """Rounding as noise of its own, as far as the noise seen at rest does not hold it already."""
    step, noise = samples.steps.get(channel, 0.0), samples.noise[channel]
    return from_resolution(step) if step > 0 and noise < from_resolution(step) else 0.0


def _current_noise(s: Strokes) -> float:
    return float(np.sqrt(_mean(s.rest_sd_a[s.dwells.cycle >= 0] ** 2)))


def _moving_u(samples: Samples, s: Strokes, kept: Kept, moving: NDArray[np.bool_], n: int) -> float:
    """Noise, and which part of the course the samples meet; ``moving``: strokes that do and are of a kind."""
    first, last = s.first_row[moving], s.last_row[moving]
    count = windows.middle((last - first + 1).astype(float))
    strokes = max(len(first) / n, 1.0)
    noise = mean_u(_current_noise(s), samples.steps.get("current_a", 0.0), count * strokes)
    level = windows.middle(kept.current)
    sampling = [0.0 if _in_step(s) else _between(s.change_a2[moving], first, last, _current_noise(s))]
    for edge, amps in ((first, s.first_a[moving]), (last, s.last_a[moving])):
        # a sample more or less at an edge moves the mean by its difference over the number of samples
        away = float(np.quantile(np.abs(amps - level), 0.9)) / count
        sampling.append(away * max(_moves_about(s, edge, moving), 0.0 if _in_step(s) else 12**-0.5))
    return combine(noise, combine(*sampling) / math.sqrt(strokes))


def _between(change: Array, first: Rows, last: Rows, noise: float) -> float:
    """Scatter of a stroke's mean where its samples meet the course at a random phase.

    In the mean over the strokes, noise taken away: squared differences of neighbours / 12 (each sample stands for an
    interval over which the course changes evenly by about such a difference) and, for spikes narrower than an interval
    (met or missed as a whole: variance of the square of their height), 5/36 of the squared second differences; both
    summed up in ``Strokes.change_a2``.
    """
    change = change - (2 / 12 + 6 * 5 / 36) * noise**2 * (last - first)
    count = (last - first + 1).astype(float)
    return math.sqrt(max(_mean(change / count**2), 0.0))


def _in_step(s: Strokes) -> bool:
    """Whether a dwell has the same number of samples in (nearly) every cycle."""
    length, place = (s.dwells.stop - s.dwells.start).astype(float), s.dwells.place
    usual = windows.group_median(length, np.maximum(place, 0), int(place.max()) + 1)[np.maximum(place, 0)]
    return bool((length == usual)[place >= 0].mean() > 0.9)


def _moves_about(s: Strokes, edge: Rows, moving: NDArray[np.bool_]) -> float:
    """Standard deviation (rows) of where the movement begins or ends after its command, over strokes of one kind."""
    since, kind = (edge - s.begin[moving]).astype(float), s.kind[moving]
    square = [float(np.var(np.clip(x - np.median(x), -2, 2))) for k in np.unique(kind) if len(x := since[kind == k])]
    return math.sqrt(float(np.mean(square))) if square else 0.0
