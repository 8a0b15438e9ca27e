"""Verification and index as text for the terminal."""

from __future__ import annotations

from collections.abc import Iterable

from benchlab.evidence.check import shown
from benchlab.evidence.compare import Difference
from benchlab.evidence.index import ArchivedAirframe, with_part
from benchlab.evidence.verify import Verification


def verification_text(verification: Verification) -> str:
    """Return what verifying came to: the seal, the signature, and every difference of the recomputed results."""
    v = verification
    lines = [f"{shown(str(v.bag))}: {_summary(v)}"]
    lines += [f"  broken: {problem}" for problem in v.problems]
    lines += [f"  remark: {warning}" for warning in v.check.warnings]
    if not v.problems:
        lines.append(f"  files: {len(v.check.payload)} in the payload, all with the checksums that were sealed")
    lines.append(f"  signature: {shown(v.signature.text)}")
    if v.not_recomputed is not None:
        lines.append(f"  results: not recomputed: {shown(v.not_recomputed)}")
    else:
        lines += _recomputed(v)
    return "\n".join(lines)


def _summary(v: Verification) -> str:
    if not v.whole:
        return "NOT AS SEALED"
    if v.not_recomputed is not None:
        return "as sealed; results not recomputed"
    return "as sealed, and the results follow from its logs" if v.reproduced else "as sealed, but RESULTS DIFFER"


def _recomputed(v: Verification) -> list[str]:
    lines = [f"  version: {c.name} {c.archived or 'none'} then, {c.now or 'none'} now" for c in v.versions]
    small = sum(d.negligible for d in v.differences)
    if not v.differences:
        return [*lines, "  results: recomputed, every figure and verdict the same"]
    counted = f"{len(v.differences)} differences, {small} of them mere rounding"
    lines.append(f"  results: recomputed with {counted} (archived -> recomputed)")
    return lines + [f"    {_difference(d)}" for d in v.differences]


def _difference(d: Difference) -> str:
    text = f"{shown(d.where)}: {_value(d.archived)} -> {_value(d.recomputed)}"
    if d.size is None:
        return text
    unit = f" {d.unit}" if d.unit else ""
    share = f", {100 * d.size / abs(float(str(d.archived))):+.2g} %" if d.archived else ""
    return f"{text}{unit} ({d.size:+.3g}{unit}{share}){' rounding' if d.negligible else ''}"


def _value(x: object) -> str:
    return f"{x:.9g}" if isinstance(x, float) else shown(str(x)) if x is not None else "none"


def index_text(archives: Iterable[ArchivedAirframe], part: str | None = None) -> str:
    """Return one line per archive - airframe, date, verdict, folder - with its parts below.

    With ``part`` only the archives in which that part was tested are listed, and only that part of each.
    """
    archives = tuple(archives)
    chosen = archives if part is None else with_part(archives, part)
    lines = [line for archive in chosen for line in _archive_lines(archive, part)]
    if part is not None:
        lines += _archive_problems(archives)
    nothing = (
        "no archives here" if part is None else f"part {shown(part)} is in none of the {len(archives)} archives here"
    )
    return "\n".join(lines if chosen else [*lines, nothing])


def _archive_lines(archive: ArchivedAirframe, part: str | None) -> list[str]:
    if archive.problem:
        return _archive_problems([archive])
    head = f"{archive.airframe}  {archive.date}  {archive.verdict}  {archive.path}"
    wanted = None if part is None else part.strip().casefold()
    parts = [p for p in archive.parts if wanted is None or p.id.casefold() == wanted]
    width = max((len(p.id) for p in parts), default=0)
    body = [f"  {p.id:<{width}}  {p.kind:<9}  {p.verdict:<6}  {p.position or ''}".rstrip() for p in parts]
    return [shown(line) for line in (head, *body)]


def _archive_problems(archives: Iterable[ArchivedAirframe]) -> list[str]:
    return [shown(f"{a.path}: {a.problem}") for a in archives if a.problem]
