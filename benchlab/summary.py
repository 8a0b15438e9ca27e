"""The result of a run as a short text for the terminal."""

from __future__ import annotations

from pathlib import Path

from benchlab.results import AirframeResult, Finding, GroupResult, PartResult, Verdict

_WORD: dict[Verdict, str] = {"accept": "accept", "retest": "RETEST", "reject": "REJECT"}


def worst_finding(findings: tuple[Finding, ...]) -> Finding | None:
    """Return the finding that decides the verdict, None where nothing was judged or all was accepted."""
    bad = [f for f in findings if f.verdict != "accept"]
    return next((f for f in bad if f.verdict == "reject"), bad[0] if bad else None)


def summary_text(result: AirframeResult, report: Path, width: int = 80) -> str:
    """Return airframe, parts and groups with their verdicts, one line each, and where the report lies."""
    lines = [f"{result.airframe}: {_WORD[result.verdict]}"]
    lines += [f"  {note}" for note in result.notes]
    name_width = max([len(p.id) for p in result.parts] + [len(g.name) for g in result.groups] + [4])
    name_width = min(name_width, 24)
    lines += [_line(p.id, p, name_width, width) for p in result.parts]
    lines += [_line(g.name, g, name_width, width) for g in result.groups]
    lines += [f"report: {report}"]
    return "\n".join(lines)


def _line(name: str, item: PartResult | GroupResult, name_width: int, width: int) -> str:
    finding = worst_finding(item.findings)
    if finding is not None:
        why = f"{finding.quantity} {finding.aspect}: {finding.reason}"
    elif isinstance(item, PartResult) and not item.judged_on and item.verdict == "accept" and item.kind == "circuit":
        why = "described, not judged"
    else:
        missing = ", ".join(n.quantity for n in item.not_measured) if isinstance(item, PartResult) else ""
        why = f"not measured: {missing}" if missing else ""
    text = f"  {name:<{name_width}.{name_width}}  {_WORD[item.verdict]:<6}  {why}".rstrip()
    return text if len(text) <= width else text[: width - 3] + "..."
