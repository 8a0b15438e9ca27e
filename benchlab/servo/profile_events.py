"""Faults that show in the current along the travel: a damaged tooth, and binding towards an end."""

from __future__ import annotations

import numpy as np

from benchlab.procedure import ServoProcedure
from benchlab.results import Event
from benchlab.servo.binding import find_rise
from benchlab.servo.course import Cells, Course, cells_of, course
from benchlab.servo.cycles import Cycles
from benchlab.servo.quantities import Measured
from benchlab.servo.samples import Samples
from benchlab.servo.sweep import Swept
from benchlab.servo.tooth import Spike, find_spikes

_BLOCKS = 6
"""The log is looked at in so many blocks of cycles, so that a fault that came late is seen."""
_APART_DEG = 4.0
"""Spikes closer together are one."""


def find(
    samples: Samples, cycles: Cycles, swept: Swept, measured: Measured, procedure: ServoProcedure
) -> tuple[list[Event], dict[str, str]]:
    """Return teeth and binding, and which of them the log cannot show, and why."""
    if why := _hidden(samples, swept, measured):
        return [], {"tooth": why, "binding": why}
    assert swept.strokes is not None
    least = procedure.events.samples_in_stroke
    c = course(swept.strokes, swept.kept, measured)
    if c is None or c.per_stroke < least:
        why = f"sampled too coarsely ({samples.sampling_s:.3g} s): fewer than {least} samples in a stroke"
        return [], {"tooth": why, "binding": why}
    blocks, cells = _blocks(c, len(cycles))
    teeth, no_tooth = _teeth(c, blocks, cells, cycles, procedure)
    bound, no_binding = _binding(c, blocks, cells, cycles, procedure)
    return [*teeth, *bound], {k: why for k, why in (("tooth", no_tooth), ("binding", no_binding)) if why}


def _hidden(samples: Samples, swept: Swept, measured: Measured) -> str | None:
    if "position_deg" not in samples.channels:
        return "no position channel: a current cannot be tied to an angle"
    if "current_a" not in samples.channels:
        return "no current channel"
    if swept.strokes is None or not swept.moves:
        return "only looked for where the command steps"
    if "end_high_deg" in measured.missing:
        return "the ends of the travel are not known"
    return None


def _blocks(c: Course, n: int) -> tuple[list[int], list[Cells]]:
    """First cycle and cells of all samples, then of each block of cycles."""
    count = min(_BLOCKS, max(n // 20, 1))
    first, block = c.cycles * count // n, c.cycle * count // n
    chosen = [(int(c.cycles[first == b].min()), block == b) for b in range(count) if (block == b).any()]
    everything = (int(c.cycles.min()), np.ones(len(c.cycle), dtype=bool))
    chosen = [everything] if count == 1 else [everything, *chosen]
    return [cycle for cycle, _ in chosen], [cells_of(c, x) for _, x in chosen]


def _teeth(
    c: Course, since: list[int], cells: list[Cells], cycles: Cycles, procedure: ServoProcedure
) -> tuple[list[Event], str | None]:
    """One event per place, with the first block of cycles that shows it; or why none can be seen."""
    found: dict[float, tuple[int, float]] = {}

    def add(spikes: list[Spike], first: int) -> None:
        for s in spikes:
            if all(abs(s.angle_deg - at) > _APART_DEG for at in found):
                found[s.angle_deg] = (first, s.height_a)

    # a tooth that broke later shows against the first block, with the texture of the sound gear taken away
    for first, later in zip(since[2:], cells[2:], strict=True):
        least = procedure.events.tooth_grown_share * c.scale
        add(find_spikes(c, _difference(later, cells[1]), least_a=least, textured=False)[0], first)
    spikes, unseen = find_spikes(c, cells[0], least_a=procedure.events.tooth_share * c.scale, textured=True)
    add(spikes, since[0])
    return [
        Event(kind="tooth", quantity="moving_current_a", cycle=int(cycles.number[first]), size=height, unit="A",
              text=f"current spike at {at:.0f} deg")
        for at, (first, height) in sorted(found.items())
    ], unseen  # fmt: skip


def _binding(
    c: Course, since: list[int], cells: list[Cells], cycles: Cycles, procedure: ServoProcedure
) -> tuple[list[Event], str | None]:
    """One event per end, with the first block of cycles that shows it."""
    e = procedure.events
    found: dict[str, tuple[int, float]] = {}
    rise, unseen = find_rise(c, cells[0], least_a=e.binding_share * c.scale, eccentric_a=e.eccentricity_share * c.scale)
    differences = [_difference(later, cells[1]) for later in cells[2:]]
    grown = [find_rise(c, d, least_a=e.binding_share * c.scale, eccentric_a=0.0)[0] for d in differences]
    for first, r in zip([since[0], *since[2:]], [rise, *grown], strict=True):
        for end in r.ends if r else ():
            found.setdefault(end, (first, r.height_a if r else 0.0))
    return [
        Event(kind="binding", quantity="moving_current_a", cycle=int(cycles.number[first]), size=height, unit="A",
              text=f"current rises towards the {end} end")
        for end, (first, height) in sorted(found.items())
    ], unseen  # fmt: skip


def _difference(later: Cells, first: Cells) -> Cells:
    """Later minus first, in the cells that both have."""
    _, i, j = np.intersect1d(later.cell, first.cell, assume_unique=True, return_indices=True)
    return Cells(
        cell=later.cell[i], kind=later.kind[i], done=later.done[i], angle_deg=later.angle_deg[i],
        mean=later.mean[i] - first.mean[j], count=1 / (1 / later.count[i] + 1 / first.count[j]),
    )  # fmt: skip
