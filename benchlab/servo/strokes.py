"""Strokes and rests: what position and current did on the way to each dwell and during it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchlab.procedure import ServoProcedure
from benchlab.servo.cycles import Cycles
from benchlab.servo.dwells import HIGH, LOW, Dwells, longest
from benchlab.servo.windows import Array, Rows

_SPEED_S = 0.01
"""Half-width of the difference that speed is taken over, if the sampling is finer."""
_MAJOR = 0.2
"""A stroke counts for transit and overshoot if it is at least this share of the longest."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Legs:
    """Where the strokes and rests of a record lie, one row per dwell."""

    dwells: Dwells
    begin: Rows
    """Row at which the stroke begins: end of the dwell before; the dwell's own start where that was not seen."""
    rest_begin: Rows
    """Row from which the servo is taken to be at rest."""
    rest_end: Rows
    """One past the last row of the rest that is looked at: the dwell's end, but for a pause far longer than others."""
    came_from: NDArray[np.intp]
    """LOW or HIGH: the dwell before was lower or higher; 9 where it was not seen."""
    kind: NDArray[np.intp]
    """Strokes of one kind go the same way: the dwell's place in the pattern, -1 outside cycles or not seen to begin."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Strokes(Legs):
    """And what the servo did: one row per dwell, the stroke that led to it and the rest in it. NaN where not seen."""

    rest_deg: Array
    rest_sd_deg: Array
    rest_n: Array
    creep_deg: Array
    """Second half of the rest minus its first half."""
    rest_a: Array
    rest_sd_a: Array
    from_deg: Array
    """Rest position before the stroke."""
    transit_s: Array
    """From 10 % to 90 % of the stroke."""
    transit_noise_s: Array
    """Standard deviation of ``transit_s`` per degree of noise in a reading."""
    transit_bend_s: Array
    """The same from the way's bending between two samples."""
    overshoot_deg: Array
    moving_n: Array
    """Number of samples in which the servo moves."""
    moving_a: Array
    """Mean current in them."""
    first_row: Rows
    last_row: Rows
    """First and last row in which the servo moves, -1 where it does not."""
    first_a: Array
    last_a: Array
    """Current in them."""
    change_a2: Array
    """Sum of what the current between two samples may be wrong by, squared, from the first to the last row."""

    @property
    def way_deg(self) -> Array:
        """Signed length of each stroke."""
        return self.rest_deg - self.from_deg


MEASURED = (
    "rest_deg", "rest_sd_deg", "rest_n", "creep_deg", "rest_a", "rest_sd_a", "from_deg", "transit_s", "transit_noise_s",
    "transit_bend_s", "overshoot_deg", "moving_n", "moving_a", "first_row", "last_row", "first_a", "last_a",
    "change_a2",
)  # fmt: skip


def find_legs(cycles: Cycles, procedure: ServoProcedure) -> Legs | None:
    """Return where strokes and rests lie in a record whose cycles have dwells, else None."""
    d = cycles.dwells
    if d is None or not len(d):
        return None
    before = np.concatenate([[0], d.stop[:-1]])
    rises = np.diff(d.level, prepend=d.level[0]) > 0
    most = longest(d.stop - d.start)
    rest_begin = _rest_begin(d, procedure.cutting.settle_fraction, most)
    return Legs(
        dwells=d, begin=np.where(d.follows, before, d.start), rest_begin=rest_begin,
        rest_end=np.minimum(d.stop, rest_begin + most), came_from=np.where(d.follows, np.where(rises, LOW, HIGH), 9),
        kind=np.where(d.follows & (d.cycle >= 0), d.place, -1),
    )  # fmt: skip


def _rest_begin(d: Dwells, settle_fraction: float, most: int) -> Rows:
    settling = np.minimum(np.ceil(settle_fraction * (d.stop - d.start)).astype(np.intp), most)
    return np.asarray(np.minimum(d.start + settling, d.stop - 1))


def assemble(legs: Legs, measured: Mapping[str, NDArray[Any]]) -> Strokes:
    """Put together what was measured of each stroke; only those of a good length are timed and said to move."""
    way = measured["rest_deg"] - measured["from_deg"]
    if np.isfinite(way).any():
        with np.errstate(invalid="ignore"):
            minor = ~(np.abs(way) >= _MAJOR * np.nanmax(np.abs(way)))
        measured = dict(measured)
        for name in ("transit_s", "overshoot_deg", "moving_a", "first_a", "last_a", "change_a2"):
            measured[name] = np.where(minor, np.nan, measured[name])
        for name, none in (("moving_n", 0), ("first_row", -1), ("last_row", -1)):
            measured[name] = np.where(minor, none, measured[name])
    return Strokes(
        dwells=legs.dwells, begin=legs.begin, rest_begin=legs.rest_begin, rest_end=legs.rest_end,
        came_from=legs.came_from, kind=legs.kind,
        **{name: measured[name] for name in MEASURED},
    )  # fmt: skip


def speed_reach(sampling_s: float) -> int:
    """Rows to either side that speed is taken over: about 10 ms, at least one."""
    return max(1, round(_SPEED_S / sampling_s))


def speed(x: Array, sampling_s: float) -> Array:
    """Slope of a signal at each row, over ``speed_reach`` rows to either side; it stands still beyond its ends."""
    m, out = speed_reach(sampling_s), np.empty(len(x))
    np.subtract(x[2 * m :], x[: -2 * m], out=out[m:-m])
    for row in (np.arange(min(m, len(x))), np.arange(max(len(x) - m, 0), len(x))):
        out[row] = x[np.minimum(row + m, len(x) - 1)] - x[np.maximum(row - m, 0)]
    out /= 2 * m * sampling_s
    return out
