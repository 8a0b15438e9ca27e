"""The result of a run as a short text for the terminal."""

from __future__ import annotations

import textwrap
from pathlib import Path

from benchlab.report import text
from benchlab.report.advice import actions, deciding_words, not_judged, worst_finding
from benchlab.results import AirframeResult, GroupResult, PartResult, Verdict

_WORD: dict[Verdict, str] = {"accept": "accept", "retest": "RETEST", "reject": "REJECT"}
_NAME_WIDTH = 18


def summary_text(result: AirframeResult, report: Path, width: int = 80) -> str:
    """Return airframe, parts and groups with their verdicts, what to do next, and where the report lies.

    No line is longer than ``width``, but for a path or a word that is longer itself.
    """
    lines = [f"{result.airframe}: {_WORD[result.verdict]}"]
    for note in result.notes:
        lines += _wrapped(note, width, "  ", "  ")
    names = [p.id for p in result.parts] + [g.name for g in result.groups]
    name_width = min(max(map(len, names), default=4), _NAME_WIDTH)
    for part in result.parts:
        lines += _lines(part.id, part, name_width, width)
    for group in result.groups:
        lines += _lines(group.name, group, name_width, width)
    if todo := actions(result):
        lines += ["", "What to do next:"]
        for n, action in enumerate(todo, 1):
            lines += _wrapped(f"{action.what}.", width, f"{n:3}. ", "     ")
        lines.append("")
    return "\n".join([*lines, f"report: {report}"])


def _lines(name: str, item: PartResult | GroupResult, name_width: int, width: int) -> list[str]:
    """One part or group: name, verdict and why; a name that is too long keeps its begin and its end."""
    shown = name if len(name) <= name_width else f"{name[: name_width - 9]}...{name[-6:]}"
    head = f"  {shown:<{name_width}}  {_WORD[item.verdict]:<6}  "
    return _wrapped(_why(item), width, head, " " * len(head)) or [head.rstrip()]


def _wrapped(words: str, width: int, first: str, later: str) -> list[str]:
    tied = text.unbroken(words)
    lines = textwrap.wrap(tied, width, initial_indent=first, subsequent_indent=later, break_on_hyphens=False)
    return [text.untied(line) for line in lines]


def _why(item: PartResult | GroupResult) -> str:
    """What decides a verdict that is not accept; what an accepted part rests on or lacks."""
    if worst_finding(item.findings) is not None or isinstance(item, GroupResult):
        return deciding_words(item) if item.verdict != "accept" else ""
    if not_judged(item):
        return "described, not judged"
    missing = ", ".join(text.title(n.quantity).lower() for n in item.not_measured)
    return f"not measured: {missing}" if missing else ""
