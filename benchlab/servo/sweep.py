"""One pass over the rows of a servo's logs, block by block: what each stroke and each cycle comes to.

A block takes the strokes and cycles that end in it, each whole; what is computed of one depends on its own rows and
their neighbours alone, so that no result depends on where blocks begin. Memory is that of a block, or of the longest
stroke or cycle where that is longer.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlab.procedure import ServoProcedure
from benchlab.servo import wave_quantities, ways, windows
from benchlab.servo.current_map import CurrentMap
from benchlab.servo.cycles import Cycles
from benchlab.servo.samples import WHOLE, Samples, spread
from benchlab.servo.strokes import MEASURED, Legs, Strokes, assemble, find_legs, speed_reach
from benchlab.servo.supply_events import Lowest, level_of, source_ohm, usual_levels, widths
from benchlab.servo.view import View
from benchlab.servo.windows import Array, Rows


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """Samples of the strokes while they move, one after another; of a long log those of some cycles only."""

    stroke: Rows
    current: Array
    position: Array
    """NaN where there is no position channel."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Swept:
    """What the rows came to."""

    strokes: Strokes | None
    kept: Kept
    of_cycle: Mapping[str, Array]
    """Per cycle, where the channel is there. ``time_s``: of its first row; ``peak_current_a``, ``mean_current_a``,
    ``voltage_min_v``, ``temperature_c``; ``moving_current_a``: mean while moving, of a command that does not rest;
    ``under_load_v``: mean supply while moving; ``command_low`` and ``command_high``; and those of
    ``supply_events.usual_levels`` and ``wave_quantities.of_cycles``."""
    moves: bool
    """Whether any sample is known to move."""
    ohm: float
    """Resistance of the source."""
    current_map: CurrentMap | None
    lowest: Lowest | None
    """Level of the supply; None without cycles."""


def sweep(samples: Samples, cycles: Cycles, procedure: ServoProcedure) -> Swept:
    """Read all rows once and measure every stroke and every cycle."""
    legs, ohm = find_legs(cycles, procedure), source_ohm(samples)
    collected = _Collected(samples, cycles, legs, procedure, ohm)
    edges = np.arange(0, len(samples) + samples.block, samples.block)
    none = np.zeros(0, dtype=np.intp)
    leg_stop = legs.rest_end if legs is not None else none
    leg_of, cycle_of = (np.searchsorted(stop, edges, side="right") for stop in (leg_stop, cycles.stop))
    margin = max(speed_reach(samples.sampling_s) + 2, *widths(samples.sampling_s)) if len(cycles) else 0
    for k in range(1, len(edges)):
        some_legs, some_cycles = slice(leg_of[k - 1], leg_of[k]), slice(cycle_of[k - 1], cycle_of[k])
        begin = np.concatenate([legs.begin[some_legs] if legs is not None else none, cycles.start[some_cycles]])
        end = np.concatenate([leg_stop[some_legs], cycles.stop[some_cycles]])
        if not len(begin):
            continue
        view = View(samples, int(begin.min()) - margin, int(end.max()) + margin)
        collected.strokes(view, some_legs)
        collected.cycles(view, some_cycles)
    return collected.swept()


class _Collected:
    """What the blocks gave so far."""

    def __init__(
        self, samples: Samples, cycles: Cycles, legs: Legs | None, procedure: ServoProcedure, ohm: float
    ) -> None:
        self.samples, self.all, self.legs, self.procedure, self.ohm = samples, cycles, legs, procedure, ohm
        self.chosen = _chosen(samples, cycles, legs)
        self.map = CurrentMap.of(samples, cycles)
        self.wave = wave_quantities.prepare(samples, cycles) if legs is None else None
        self.of_stroke: dict[str, list[Array]] = {name: [] for name in MEASURED}
        self.of_cycle: dict[str, list[Array]] = {}
        self.kept: list[tuple[Rows, Array, Array]] = []
        self.loaded: list[tuple[Rows, Rows, Array, Array]] = []
        self.lowest = Lowest(samples) if len(cycles) else None
        self.before = ways.Before()

    def strokes(self, v: View, of: slice) -> None:
        """Measure some strokes, in order of time."""
        legs = self.legs
        if legs is None or of.start == of.stop:
            return
        s = ways.some_of(legs, of, v)
        n = len(s.stop)
        out = ways.at_rest(v, s, self.before)
        way = dict.fromkeys(("transit_s", "transit_noise_s", "transit_bend_s", "overshoot_deg"), np.full(n, np.nan))
        moving = ways.Moving(row=np.zeros(0, dtype=np.intp), stroke=np.zeros(0, dtype=np.intp))
        if "position_deg" in self.samples.channels:
            fraction = self.procedure.cutting.moving_fraction
            way, moving = ways.on_the_way(v, s, out["rest_deg"], out["from_deg"], self.before, fraction)
        elif "current_a" in self.samples.channels and self.all.source in ("command", "cycle"):
            moving = ways.moving_by_current(v, s, out["rest_a"], out["rest_sd_a"])
        out |= way | ways.currents(v, moving, n)
        for name in MEASURED:
            self.of_stroke[name].append(out[name])
        self._keep(v, moving, of.start)
        self._load(v, moving, of.start)
        last = slice(of.stop - 1, of.stop)
        came, rest = out["from_deg"][-1], out["rest_deg"][-1]
        self.before = ways.Before(
            begin=int(legs.begin[last][0]), stop=int(legs.dwells.stop[last][0]), came=came,
            span=rest - came if rest != came else np.nan, rest=rest,
        )  # fmt: skip

    def _keep(self, v: View, m: ways.Moving, first: int) -> None:
        if "current_a" not in self.samples.channels:
            return
        held = self.chosen[m.stroke + first]
        row, stroke = m.row[held], m.stroke[held] + first
        has = "position_deg" in self.samples.channels
        position = v.smooth("position_deg")[row] if has else np.full(len(row), np.nan)
        self.kept.append((stroke, v.raw("current_a")[row], position))

    def _load(self, v: View, m: ways.Moving, first: int) -> None:
        """Sum up the supply over the moving samples, for each stroke and cycle that they belong to."""
        if "voltage_v" not in self.samples.channels or not len(m.row) or not len(self.all):
            return
        row = m.row + v.start
        cycle = windows.window_of(row, self.all.start) - 1
        inside = (cycle >= 0) & (row < self.all.stop[np.maximum(cycle, 0)])
        stroke, cycle, x = m.stroke[inside] + first, cycle[inside], v.raw("voltage_v")[m.row[inside]]
        new = np.flatnonzero((np.diff(stroke, prepend=-1) != 0) | (np.diff(cycle, prepend=-1) != 0))
        total, count = windows.total_and_count(x, new, np.append(new[1:], len(x)))
        self.loaded.append((stroke[new], cycle[new], total, count))

    def cycles(self, v: View, of: slice) -> None:
        """Measure some cycles."""
        if of.start == of.stop:
            return
        start, stop = self.all.start[of] - v.start, self.all.stop[of] - v.start
        out = {"time_s": v.raw("time_s")[start]}
        has = self.samples.channels
        if "current_a" in has:
            x, whole = v.raw("current_a"), v.whole("current_a")
            out["peak_current_a"] = windows.quantile(x, start, stop, 0.999, whole=whole)
            out["mean_current_a"] = windows.mean(x, start, stop, whole=whole)
            if self.map is not None:
                self.map.add(v, start, stop, of.start)
        if "voltage_v" in has:
            out["voltage_min_v"] = windows.lowest(v.raw("voltage_v"), start, stop, whole=v.whole("voltage_v"))
            level = level_of(v, self.ohm)
            out |= usual_levels(v, level, start, stop)
            if self.lowest is not None:
                self.lowest.add(v, level)
        if "temperature_c" in has:
            out["temperature_c"] = windows.mean(v.raw("temperature_c"), start, stop)
        if "command_us" in has:
            out["command_low"], out["command_high"] = windows.quantiles(v.raw("command_us"), start, stop, (0.02, 0.98))
        if self.wave is not None:
            out |= wave_quantities.of_cycles(v, start, stop, self.wave, self.procedure.cutting.moving_fraction)
        for name, x in out.items():
            self.of_cycle.setdefault(name, []).append(x)

    def swept(self) -> Swept:
        """Put everything together."""
        of_cycle = {name: np.concatenate(x) for name, x in self.of_cycle.items()}
        none = (np.zeros(0, dtype=np.intp), np.zeros(0), np.zeros(0))
        stroke, current, position = (np.concatenate(x) for x in zip(*self.kept, none, strict=True))
        if self.legs is None:
            kept = Kept(stroke=stroke, current=current, position=position)
            return self._swept(None, kept, of_cycle, bool(of_cycle.get("moving_n", np.zeros(0)).any()))
        strokes = assemble(self.legs, {name: np.concatenate(x) for name, x in self.of_stroke.items()})
        moves = strokes.moving_n > 0
        held = moves[stroke]
        kept = Kept(stroke=stroke[held], current=current[held], position=position[held])
        if "voltage_v" in self.samples.channels:
            of_cycle["under_load_v"] = self._under_load(moves)
        return self._swept(strokes, kept, of_cycle, bool(moves.any()))

    def _under_load(self, moves: NDArray[np.bool_]) -> Array:
        none = (np.zeros(0, dtype=np.intp), np.zeros(0, dtype=np.intp), np.zeros(0), np.zeros(0))
        stroke, cycle, total, count = (np.concatenate(x) for x in zip(*self.loaded, none, strict=True))
        held, n = moves[stroke], len(self.all)
        total, count = (np.bincount(cycle[held], weights=x[held], minlength=n).astype(float) for x in (total, count))
        return windows.ratio(total, count)

    def _swept(self, strokes: Strokes | None, kept: Kept, of_cycle: Mapping[str, Array], moves: bool) -> Swept:
        return Swept(
            strokes=strokes, kept=kept, of_cycle=of_cycle, moves=moves, ohm=self.ohm, current_map=self.map,
            lowest=self.lowest,
        )  # fmt: skip


def _chosen(samples: Samples, cycles: Cycles, legs: Legs | None) -> NDArray[np.bool_]:
    """Strokes whose moving samples are kept: those of all cycles, or of some evenly spread where they are too many."""
    if legs is None:
        return np.zeros(0, dtype=bool)
    inside = legs.kind >= 0
    end = legs.rest_begin if "position_deg" in samples.channels else legs.rest_end
    rows = int((end - legs.begin)[inside].sum())
    if rows <= WHOLE:
        return inside
    some = spread(len(cycles), len(cycles) * WHOLE // rows)
    return np.asarray(inside & np.isin(legs.dwells.cycle, some))
