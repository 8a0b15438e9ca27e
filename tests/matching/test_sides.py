"""Fuel lies as evenly on both sides as the twin tanks allow: which twins to swap is said, and when it makes no odds."""

import pytest

from benchlab.airframe import Group, Tank
from benchlab.matching.distances import Member
from benchlab.matching.sides import side_notes
from benchlab.results import Analysis, PartResult


def said(*pairs: tuple[float, float], u: float = 2.0, coupling: str = "mirrored") -> dict[str, str]:
    """Notes on pairs of tanks with these volumes (mL), left and right."""
    groups, shown, members = [], {}, {}
    for n, pair in enumerate(pairs):
        name = f"pair {n}"
        groups.append(Group(name=name, positions=[f"left {n}", f"right {n}"], coupling=coupling))
        ids = [f"T{2 * n + 1}", f"T{2 * n + 2}"]
        shown[name] = ids
        for i, volume in zip(ids, pair, strict=True):
            result = Analysis(result=PartResult(id=i, kind="tank", verdict="accept"))
            part = Tank(id=i, volume_ml=volume, volume_u_ml=u)
            members[i] = Member(part=part, analysis=result, stroke=None)
    return side_notes(groups, shown, members)


def test_the_swap_that_leaves_the_sides_most_even_is_named():
    notes = said((1450, 1480), (620, 650), (300, 298))
    assert set(notes) == {"pair 0", "pair 1", "pair 2"}
    (note,) = set(notes.values())
    assert "1450 + 620 + 300 mL against 1480 + 650 + 298 mL, 58 mL apart (u 4.9 mL)" in note
    # 30 - 30 and 2 left: the second pair swapped, the third as it is
    assert "swapping T3 and T4 would leave 2 mL" in note


def test_sides_that_no_swap_makes_more_even_beyond_doubt_are_left():
    (note,) = set(said((1450, 1451), (620, 623)).values())
    assert "4 mL apart" in note
    assert "no more even" in note


@pytest.mark.parametrize("pairs", [[(1450, 1480)], []])
def test_one_pair_has_nothing_to_swap(pairs):
    assert said(*pairs) == {}


def test_ganged_tanks_are_no_sides():
    assert said((1450, 1480), (620, 650), coupling="ganged") == {}
