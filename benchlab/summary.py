"""The result of a run as a short text for the terminal."""

from __future__ import annotations

from pathlib import Path

from benchlab.report.advice import deciding_words, not_judged, worst_finding
from benchlab.results import AirframeResult, GroupResult, PartResult, Verdict

_WORD: dict[Verdict, str] = {"accept": "accept", "retest": "RETEST", "reject": "REJECT"}


def summary_text(result: AirframeResult, report: Path, width: int = 80) -> str:
    """Return airframe, parts and groups with their verdicts, one line each, and where the report lies."""
    lines = [f"{result.airframe}: {_WORD[result.verdict]}"]
    lines += [f"  {note}" for note in result.notes]
    names = [p.id for p in result.parts] + [g.name for g in result.groups]
    name_width = min(max(map(len, names), default=4), 24)
    lines += [_line(p.id, p, name_width, width) for p in result.parts]
    lines += [_line(g.name, g, name_width, width) for g in result.groups]
    return "\n".join([*lines, f"report: {report}"])


def _line(name: str, item: PartResult | GroupResult, name_width: int, width: int) -> str:
    text = f"  {name:<{name_width}.{name_width}}  {_WORD[item.verdict]:<6}  {_why(item)}".rstrip()
    return text if len(text) <= width else text[: width - 3] + "..."


def _why(item: PartResult | GroupResult) -> str:
    """What decides a verdict that is not accept; what an accepted part rests on or lacks."""
    if worst_finding(item.findings) is not None or isinstance(item, GroupResult):
        return deciding_words(item) if item.verdict != "accept" else ""
    if not_judged(item):
        return "described, not judged"
    missing = ", ".join(n.quantity for n in item.not_measured)
    return f"not measured: {missing}" if missing else ""
