"""How evenly the fuel lies on both sides: twin tanks summed over all pairs, and which twins to swap."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence

from benchlab.airframe import Group, Tank
from benchlab.matching.distances import Member
from benchlab.stats.uncertainty import combine

_MOST_PAIRS = 12
"""All ways to swap are tried: 4096 at most."""


def side_notes(
    groups: Sequence[Group], shown: Mapping[str, Sequence[str | None]], members: Mapping[str, Member]
) -> dict[str, str]:
    """Note on the volumes of both sides for every mirrored pair of tanks: group name -> text; none for a single pair.

    ``shown`` tells which parts stand in a group's positions; the first position of each pair counts as one side, the
    second as the other. The volumes are those of the register, their uncertainties taken as independent.
    """
    pairs = {g.name: pair for g in groups if g.coupling == "mirrored" and (pair := _twins(shown[g.name], members))}
    if not 2 <= len(pairs) <= _MOST_PAIRS:
        return {}
    names, difference = list(pairs), [(a.volume_ml or 0.0) - (b.volume_ml or 0.0) for a, b in pairs.values()]
    u = combine(*(t.volume_u_ml or 0.0 for pair in pairs.values() for t in pair))
    # to swap all is to swap none: the first pair stays
    ways = [(1, *signs) for signs in itertools.product((1, -1), repeat=len(names) - 1)]
    left = {way: abs(sum(s * d for s, d in zip(way, difference, strict=True))) for way in ways}
    now, best = left[ways[0]], min(ways, key=lambda way: (left[way], way.count(-1)))
    sums = [" + ".join(f"{pair[side].volume_ml:g}" for pair in pairs.values()) for side in (0, 1)]
    told = f"Fuel sides, over all twin tanks: {sums[0]} mL against {sums[1]} mL, {now:.3g} mL apart (u {u:.2g} mL)"
    if now - left[best] > u:
        swaps = [f"{a.id} and {b.id}" for (a, b), s in zip(pairs.values(), best, strict=True) if s < 0]
        told += f"; swapping {', '.join(swaps)} would leave {left[best]:.3g} mL, if they fit either side."
    else:
        told += "; swapping twins makes them no more even, as far as the volumes are known."
    return dict.fromkeys(names, told)


def _twins(ids: Sequence[str | None], members: Mapping[str, Member]) -> tuple[Tank, Tank] | None:
    parts = [members[i].part for i in ids if i is not None]
    tanks = [p for p in parts if isinstance(p, Tank) and p.volume_ml is not None]
    return (tanks[0], tanks[1]) if len(ids) == 2 and len(tanks) == 2 else None
