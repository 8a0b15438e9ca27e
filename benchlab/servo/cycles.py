"""Cycles: where each complete repeat of the command pattern begins and ends, and what that was read from."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial
from typing import Literal

import numpy as np

from benchlab.procedure import ServoProcedure
from benchlab.servo import periodicity, repeats
from benchlab.servo.dwells import (
    Dwells,
    longest,
    number_cycles,
    random_times,
)
from benchlab.servo.samples import WHOLE, Read, Samples, spread
from benchlab.servo.standing import clean_command, command_dwells, position_rests
from benchlab.servo.windows import Rows

_FOLLOWS = 0.4
"""Less than this correlation of the position over the command's cycles: it moves to another rhythm."""
_NO_ANSWER = "the position does not answer the command (servo, sensor or wiring?)"
_TIMED = 200
"""Cycles of a long record whose duration is looked at."""
_FEWEST = 16
"""Rows in which two cycles of the shortest pattern could just be told apart."""

Shape = Literal["step", "ramp", "sine"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Cycles:
    """Complete cycles of a servo's record, in order."""

    source: Literal["command", "cycle", "position", "current", "none"]
    """What told the cycles apart."""
    shape: Shape | None
    """How the command moves; None without a command."""
    number: Rows
    """The log's own numbers, else counted from 1."""
    start: Rows
    stop: Rows
    dwells: Dwells | None = None
    """Rests of the command, or of the position where there is no command; None on a ramp or sine without rests."""
    middle: Read | None = None
    """On a ramp or sine: the signal that was cut, as share of its span about its neutral (-0.5 .. 0.5)."""
    notes: tuple[str, ...] = ()
    doubt: str | None = None
    """Why it is not certain that so many cycles were made."""

    def __len__(self) -> int:
        return len(self.number)


def usual_duration(samples: Samples, cycles: Cycles, most: int) -> tuple[float, int]:
    """Usual duration of a cycle (s), and how many points, at most ``most``, show its rows."""
    some = spread(len(cycles), len(cycles) if len(samples) <= WHOLE else _TIMED)
    rows = np.median(cycles.stop - cycles.start)
    last, first = (samples.at("time_s", row[some]) for row in (cycles.stop - 1, cycles.start))
    return float(np.median(last - first)), int(np.clip(rows, 2, most))


def find_cycles(samples: Samples, procedure: ServoProcedure) -> Cycles:
    """Cut the record into complete cycles: by command, else position, else current; numbered by the log's counter."""
    if len(samples) < _FEWEST:
        return _nothing(f"The log holds {len(samples)} rows: no cycle can be seen in so few.")
    found = _by_signal(samples, procedure)
    return _by_counter(samples, found) if "cycle" in samples.channels else found


def _by_signal(samples: Samples, procedure: ServoProcedure) -> Cycles:
    notes: tuple[str, ...] = ()
    if samples.varies("command_us"):
        found = _by_command(samples, procedure)
        if len(found):
            return _by_own_movement(samples, found, procedure)
        notes = found.notes
    if samples.varies("position_deg"):
        found = _by_position(samples, procedure)
        if len(found):
            return replace(found, notes=(*notes, *found.notes))
        notes = (*notes, *found.notes)
    elif "current_a" in samples.channels and "cycle" not in samples.channels:
        found = _from_current(samples)
        return replace(found, notes=(*notes, *found.notes))
    return _nothing(*(notes or ("The log shows neither a command nor a movement that repeats.",)))


def _by_command(samples: Samples, procedure: ServoProcedure) -> Cycles:
    dwells = command_dwells(samples, procedure)
    if dwells is not None and dwells.pattern:
        return _from_dwells(dwells, "command", ())
    return _from_waves(samples, clean_command(samples), "command", procedure)


def _by_position(samples: Samples, procedure: ServoProcedure) -> Cycles:
    note = "No command that repeats is logged: the cycles were found by the periodicity of the position."
    rests = position_rests(samples, procedure)
    if rests is not None and rests.pattern:
        return _from_dwells(rests, "position", (note,))
    cut = _from_waves(samples, partial(samples.filled, "position_deg"), "position", procedure)
    return replace(cut, notes=(note, *cut.notes)) if len(cut) else cut


def _by_own_movement(samples: Samples, found: Cycles, procedure: ServoProcedure) -> Cycles:
    """Cut by the position instead, where it repeats but not with the command: that belongs to something else."""
    if "position_deg" not in samples.channels:
        return found
    if not samples.varies("position_deg"):
        return replace(found, doubt=_NO_ANSWER)
    position = partial(samples.filled, "position_deg")
    if repeats.likeness(position, len(samples), found.start, found.stop) >= _FOLLOWS:
        return found
    own = _by_position(samples, procedure)
    if not len(own):
        return replace(found, doubt=_NO_ANSWER)
    note = "The position does not follow the logged command: the command was left out."
    return replace(own, notes=(note, *own.notes))


def _nothing(*notes: str) -> Cycles:
    none = np.zeros(0, dtype=np.intp)
    return Cycles(source="none", shape=None, number=none, start=none, stop=none, notes=notes)


def _from_dwells(dwells: Dwells, source: Literal["command", "position"], notes: tuple[str, ...]) -> Cycles:
    if random_times(dwells):
        return _nothing(f"The {source} changes at random times between its levels: no pattern that repeats, no cycles.")
    dwells, n = number_cycles(dwells, disturbed=source == "position")
    member = np.flatnonzero(dwells.cycle >= 0)
    first = member[np.diff(dwells.cycle[member], prepend=-1) > 0]
    last = member[np.diff(dwells.cycle[member], append=n) > 0]
    # the way to the first dwell belongs to the cycle
    before = np.where(dwells.follows[first], dwells.stop[first - 1], dwells.start[first])
    # a cycle with a pause far longer than all other dwells is looked at until then only
    seen = dwells.start + 2 * longest(dwells.stop - dwells.start)
    paused = member[seen[member] < dwells.stop[member]]
    stop = dwells.stop[last]
    np.minimum.at(stop, dwells.cycle[paused], seen[paused])
    shape: Shape | None = None
    if source == "command":
        way = (dwells.start[1:] - dwells.stop[:-1])[dwells.follows[1:]]
        shape = "step" if np.median(way) <= 1 else "ramp"
    return Cycles(
        source=source, shape=shape, number=np.arange(1, n + 1), start=before, stop=stop, dwells=dwells,
        notes=(*notes, *_set_aside(dwells, n), *_cut(len(paused))),
    )  # fmt: skip


def _set_aside(dwells: Dwells, n: int) -> tuple[str, ...]:
    left = int((dwells.cycle < 0).sum())
    if not left or not n:
        return ()
    return (f"{left} dwells outside complete cycles (begin, end or breaks of the pattern) were set aside.",)


def _cut(pauses: int) -> tuple[str, ...]:
    return (f"{pauses} pauses far longer than the others were not looked at to their end.",) if pauses else ()


def _from_waves(
    samples: Samples, signal: Read, source: Literal["command", "position"], procedure: ServoProcedure
) -> Cycles:
    wave = periodicity.waves(signal, samples, procedure.cutting.edge_low, procedure.cutting.edge_high)
    if wave is None:
        return _nothing(f"The {source} does not repeat.")
    alike = repeats.likeness(signal, len(samples), wave.start, wave.stop)
    if alike < repeats.SURELY or not repeats.even(wave.period):
        # several swings may make one repeat, whose pieces are then far more alike
        longer = _by_period(samples, signal, source, 1 - (1 - alike) / 4)
        if len(longer) or alike < repeats.ALIKE:
            return longer
    if not repeats.even(wave.period):
        low, high = np.quantile(wave.period, [0.05, 0.95]) * samples.sampling_s
        return _nothing(
            f"The {source} swings with a period that changes from {low:.3g} to {high:.3g} s (a sweep?): such waves "
            "cannot be compared with each other, none was counted as a cycle."
        )
    shape: Shape | None = periodicity.shape(samples, wave) if source == "command" else None
    return Cycles(
        source=source, shape=shape, number=np.arange(1, len(wave.start) + 1), start=wave.start, stop=wave.stop,
        middle=wave.share,
    )  # fmt: skip


def _by_period(samples: Samples, signal: Read, source: Literal["command", "position"], least: float) -> Cycles:
    """Cycles of a signal with several swings in one repeat; none where nothing repeats."""
    cut = periodicity.by_autocorrelation(signal, samples)
    if cut is None or repeats.likeness(signal, len(samples), *cut) < max(repeats.ALIKE, least):
        return _nothing(f"The {source} moves, but no pattern in it repeats (random excitation?): no cycles to count.")
    start, stop = cut
    low, high = np.quantile(samples.scattered(signal), [0.005, 0.995])
    return Cycles(
        source=source, shape="sine" if source == "command" else None, number=np.arange(1, len(start) + 1), start=start,
        stop=stop, middle=lambda a, b: (signal(a, b) - low) / (high - low) - 0.5,
    )  # fmt: skip


def _from_current(samples: Samples) -> Cycles:
    current = partial(samples.filled, "current_a")
    cut = periodicity.by_autocorrelation(current, samples)
    if cut is None or repeats.likeness(current, len(samples), *cut) < repeats.ALIKE_CURRENT:
        return _nothing("Neither command nor position is logged, and the current does not repeat.")
    start, stop = cut
    sure = repeats.every_other_differs(current, len(samples), start, stop)
    if sure:
        start, stop = start[: len(start) // 2 * 2 : 2], stop[1::2]
    else:
        sure = _two_strokes(current, len(samples), start, stop)
    period = float(np.median(stop - start) * samples.sampling_s)
    note = (
        f"Neither command nor position is logged: the cycles were found by the periodicity of the current "
        f"({period:.3g} s)."
    )
    doubt = "a cycle counted here may be one stroke only, if strokes draw the same current"
    return Cycles(
        source="current", shape=None, number=np.arange(1, len(start) + 1), start=start, stop=stop, notes=(note,),
        doubt=None if sure else doubt,
    )  # fmt: skip


def _two_strokes(current: Read, rows: int, start: Rows, stop: Rows) -> bool:
    """Whether each piece is two alike halves that yet differ for certain: a stroke there and one back."""
    middle = (start + stop) // 2
    begin, end = np.column_stack([start, middle]).ravel(), np.column_stack([middle, stop]).ravel()
    alike = repeats.likeness(current, rows, begin, end) >= repeats.ALIKE_CURRENT
    return alike and repeats.every_other_differs(current, rows, begin, end)


# --- the log's own counter --------------------------------------------------------------------------------------------


def _by_counter(samples: Samples, found: Cycles) -> Cycles:
    """Use the log's cycle column, after checking it against the cycles found in the signals."""
    start, stop, value, notes = _counter_runs(samples)
    if len(start) < 2:
        note = "The cycle column does not count: it was not used."
        return replace(found, notes=(*found.notes, note))
    if len(found):
        # a cycle found in the signals lies in the counted one that holds its middle
        held = np.searchsorted(start, (found.start + found.stop) // 2, side="right") - 1
        each = np.bincount(held[held >= 0], minlength=len(start))
        usual = int(np.median(each))
        if usual == 0:
            note = f"The cycle column changes faster than the {found.source} repeats: it was not used."
            return replace(found, notes=(*found.notes, note))
        if usual != 1:
            notes.append(f"The cycle column counts once in {usual} repeats of the {found.source}.")
        elif (wrong := int((each[1:-1] != 1).sum())) > 0.02 * len(each):
            notes.append(f"{wrong} counted cycles do not hold exactly one repeat of the {found.source}.")
    dwells = found.dwells
    if dwells is not None:
        middle = (dwells.start + dwells.stop) // 2
        inside = np.searchsorted(start, middle, side="right") - 1
        ok = (inside >= 0) & (middle < stop[np.maximum(inside, 0)])
        dwells = replace(dwells, cycle=np.where(ok, inside, -1))
    seen = np.minimum(stop, start + 4 * longest(stop - start))
    notes += _cut(int((seen < stop).sum()))
    return replace(
        found, source="cycle", number=value, start=start, stop=seen, dwells=dwells,
        notes=tuple(dict.fromkeys((*(n for n in found.notes if found.source != "none"), *notes))),
    )  # fmt: skip


def _counter_runs(samples: Samples) -> tuple[Rows, Rows, Rows, list[str]]:
    """Rows and number of each counted cycle; numbers that come again and incomplete ends are set aside."""
    notes: list[str] = []
    starts, values = [], []
    last = np.nan
    for a, b in samples.blocks():
        counter = samples.read("cycle", a, b)
        change = np.concatenate([[True], counter[1:] != counter[:-1]])
        change[samples.begins(a, b)] = True
        row = np.flatnonzero(change)
        whole = np.rint(np.where(np.isfinite(counter[row]), counter[row], -np.inf))
        new = (np.concatenate([[last], whole[:-1]]) != whole) | np.isin(row + a, samples.first)
        starts.append(row[new] + a)
        values.append(whole[new])
        last = whole[-1]
    start, counted = np.concatenate(starts), np.concatenate(values)
    stop = np.append(start[1:], len(samples))
    real = np.isfinite(counted)
    start, stop, value = start[real], stop[real], counted[real].astype(np.intp)
    if not len(value):
        return start, stop, value, notes
    value = _running_on(value, samples.log_of(start), notes)
    keep = np.zeros(len(value), dtype=bool)
    keep[np.unique(value, return_index=True)[1]] = True
    if (again := int((~keep).sum())) > 0:
        notes.append(f"The cycle counter steps back: {again} runs of rows whose number had come before were set aside.")
    keep &= _complete(stop - start)
    start, stop, value = start[keep], stop[keep], value[keep]
    missing = int(value.max() - value.min() + 1 - len(value)) if len(value) else 0
    if missing:
        notes.append(f"The cycle counter misses {missing} numbers between {value.min()} and {value.max()}.")
    return start, stop, value, notes


def _running_on(value: Rows, log: Rows, notes: list[str]) -> Rows:
    """Let the numbers run on over the logs where a later log begins again."""
    out = value.copy()
    for one in np.unique(log)[1:]:
        before, here = out[log < one], log == one
        if value[here].min() <= before.max():
            out[here] = value[here] - value[here].min() + 1 + before.max()
            notes.append(f"Log {one + 1} counts its cycles anew: their numbers run on from {before.max()}.")
    return out


def _complete(length: Rows) -> np.ndarray:
    """First and last run are complete if they are no shorter than nearly all others (cycles vary by a tenth)."""
    keep = np.ones(len(length), dtype=bool)
    if len(length) > 4:
        usual = 0.9 * np.quantile(length[1:-1], 0.05)
        keep[0], keep[-1] = length[0] >= usual, length[-1] >= usual
    return keep
