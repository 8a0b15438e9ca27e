"""Matching as text for the terminal: who goes where, how every group stands, what to trim."""

from __future__ import annotations

import math
import textwrap

import numpy as np
import pandas as pd

from benchlab.matching.groups import Matching
from benchlab.results import Assignment, Finding, GroupResult

_VERDICT = {"accept": "accept", "retest": "RETEST", "reject": "REJECT"}
_RANKS = ("fitted", "best", "second best")
_COLUMNS = (
    "command_us", "correction_us", "correction_percent", "before_deg", "left_over_deg", "load_before_nm",
    "load_after_nm",
)  # fmt: skip


def matching_text(matching: Matching, width: int = 80) -> str:
    """Return placements with their cost, what stands in the way, groups with their worst finding, trim tables."""
    if not matching.groups:
        return "The register names no groups: there is nothing to match."
    blocks = [_placement(matching.assignment, matching.tables.get("placements"), width)]
    blocks += [_group(g, width) for g in matching.groups]
    trim = matching.tables.get("trim")
    if trim is not None:
        blocks += [_trim(rows) for _, rows in trim.groupby(["group", "leader", "follower"], sort=False)]
    return "\n\n".join(b for b in blocks if b)


def _placement(assignment: Assignment, table: pd.DataFrame | None, width: int) -> str:
    if table is None:
        return ""
    ranks = [rows.set_index("position") for _, rows in table.groupby("rank", sort=True)]
    costs = [(float(r["worst_mismatch"].iloc[0]), float(r["sum_mismatch"].iloc[0])) for r in ranks]
    positions = [p.position for p in assignment.positions]
    first = min(max(len("worst mismatch"), *map(len, positions)), width - 3 * 16 - 2)
    lines = ["Placement of the servos; mismatch as a share of the tolerance"]
    lines.append(_row("", first, _RANKS[: len(ranks)]))
    for p in positions:
        parts = [r.at[p, "part"] for r in ranks]
        marks = ["" if i == 0 or _same(part, parts[0]) else " *" for i, part in enumerate(parts)]
        lines.append(_row(p, first, [("-" if _none(x) else str(x)) + m for x, m in zip(parts, marks, strict=True)]))
    lines.append(_row("worst mismatch", first, [_share(w) for w, _ in costs]))
    lines.append(_row("sum of groups", first, [_share(s) for _, s in costs]))
    if len(ranks) > 1 and any(not _same(p.part, p.fitted) for p in assignment.positions):
        lines.append("  * another part than is fitted")
    return "\n".join([*lines, *_notes(assignment.notes, width)])


def _row(head: str, first: int, cells: tuple[str, ...] | list[str]) -> str:
    return f"  {head[:first]:<{first}}" + "".join(f"  {c[:14]:<14}" for c in cells).rstrip()


def _none(x: object) -> bool:
    return x is None or (isinstance(x, float) and math.isnan(x))


def _same(a: object, b: object) -> bool:
    return (_none(a) and _none(b)) or a == b


def _share(x: float) -> str:
    return "not measured" if math.isnan(x) else f"{x:.2f}"


def _group(g: GroupResult, width: int) -> str:
    mismatch = "not measured" if g.mismatch is None else f"{g.mismatch:.2f} of the tolerance"
    head = f"{g.name} ({g.coupling}; {', '.join(g.members) or 'no parts'})"
    lines = [*_wrapped(head, width, ""), f"  {_VERDICT[g.verdict]}, mismatch {mismatch}"]
    if (f := _worst(g.findings)) is not None:
        lines += _wrapped(f"{f.aspect}, {f.quantity}: {f.reason}", width, "  ")
    return "\n".join([*lines, *_notes(g.notes, width)])


def _worst(findings: tuple[Finding, ...]) -> Finding | None:
    """Return the finding that decides: the worst verdict, of those the largest share of its tolerance."""

    def rank(f: Finding) -> tuple[int, float]:
        share = 0.0 if f.value is None or not f.upper else abs(f.value) / f.upper
        return ("accept", "retest", "reject").index(f.verdict), share

    return max(findings, key=rank, default=None)


def _notes(notes: tuple[str, ...], width: int) -> list[str]:
    return [line for n in notes for line in _wrapped(n, width, "  ")]


def _wrapped(text: str, width: int, indent: str) -> list[str]:
    return textwrap.wrap(text, width, initial_indent=indent, subsequent_indent=indent + "  ")


def _trim(rows: pd.DataFrame) -> str:
    group, leader, follower = rows.iloc[0][["group", "leader", "follower"]]
    loads = bool(np.isfinite(rows["load_before_nm"].to_numpy(dtype=np.float64)).any())
    lines = [
        *textwrap.wrap(f"Trim of {follower} against {leader} ({group}): add to {follower}'s command", 80),
        "  command  correction         mismatch, deg" + ("      fighting load, N m" if loads else ""),
        "       us      us       %     before   after" + ("       before   after" if loads else ""),
    ]
    for command, us, percent, *rest in rows[list(_COLUMNS)].to_numpy(dtype=np.float64):
        before, after, load_before, load_after = map(_fixed, rest)
        line = f"  {command:7.0f} {us:+7.1f} {percent:+7.2f}   {before} {after}"
        lines.append(line + (f"     {load_before} {load_after}" if loads else ""))
    return "\n".join(lines)


def _fixed(x: float) -> str:
    return f"{'-':>8}" if math.isnan(x) else f"{x:8.3f}"
