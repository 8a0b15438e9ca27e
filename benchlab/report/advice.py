"""What the reader should know and do first: worst findings, what to do next in order, what may be fitted."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from benchlab.report import text
from benchlab.results import AirframeResult, Finding, GroupResult, PartResult, Verdict

_REPLACE = {
    "servo": "Do not fit {}: replace it",
    "tank": "Do not fit {}: repair or replace it, then test it again",
    "pack": "Do not fly on {} as planned: larger pack, less load or a shorter flight",
    "circuit": "Do not use {} as wired: find the cause, then log it again",
    "dimension": "Set {} again",
}
_AGAIN = {
    "servo": "Test {} again",
    "tank": "Test {} again",
    "pack": "Log {} again",
    "circuit": "Log {} again",
    "dimension": "Measure {} again",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Action:
    """One thing to do: what, why, and the part or group it concerns (for the link)."""

    what: str
    why: str
    verdict: Verdict
    part: str | None = None
    group: str | None = None


def worst_finding(findings: Sequence[Finding]) -> Finding | None:
    """Return the finding that decides a verdict: the least likely to conform among the worst; None if all accepted."""
    for verdict in ("reject", "retest"):
        bad = [f for f in findings if f.verdict == verdict]
        if bad:
            return min(bad, key=_weight)
    return None


def _weight(f: Finding) -> tuple[float, bool, float]:
    """Order of findings of one verdict: what cannot be measured away first, then the farthest outside its limit.

    Probabilities below a thousandth say the same: then a part's own limit goes before its sisters, and how many times
    the value is its limit decides.
    """
    if f.p_conform is None:
        return -1.0, False, 0.0
    return round(f.p_conform, 3), f.aspect.startswith("sister"), -_share_used(f)


def deciding_words(item: PartResult | GroupResult) -> str:
    """Say in one line what decides the verdict of a part or group."""
    finding = worst_finding(item.findings)
    if finding is not None:
        return brief(finding)
    if item.verdict == "accept":
        return "described, not judged: no limit is set" if not item.findings else closest_words(item.findings)
    return "; ".join(item.notes[:1])


def brief(f: Finding) -> str:
    """Say a finding in a line: value against limit where there is a probability, else its own reason."""
    if f.p_conform is None or f.value is None:
        reason = text.plain(f.reason)
        return (
            reason
            if f.quantity == "part" or reason.startswith(text.title(f.quantity))
            else f"{finding_name(f)}: {reason}"
        )
    return f"{finding_name(f)} {text.finding_value(f)}, limit {text.finding_limit(f)}{_after_probability(f)}"


def closest_words(findings: Sequence[Finding]) -> str:
    """Say which accepted finding came closest to its limit."""
    judged = [f for f in findings if f.p_conform is not None]
    if not judged:
        return "all findings within their limits"
    near = max(judged, key=_share_used)
    return f"closest to its limit: {finding_name(near)} ({text.finding_value(near)}, limit {text.finding_limit(near)})"


def _share_used(f: Finding) -> float:
    """Share of its limit that a value uses up: 1 at the limit, less inside."""
    value = f.value or 0.0
    shares = [value / f.upper] if f.upper else []
    if f.lower is not None and f.lower < 0:
        shares.append(value / f.lower)
    elif f.lower and value > 0:
        shares.append(f.lower / value)
    return max(shares, default=0.0)


def finding_name(f: Finding) -> str:
    """Return quantity and aspect in words: "Centre, drift per 1000 cycles"."""
    what = "" if f.aspect == "events" else text.aspect(f.aspect)
    return f"{text.title(f.quantity)}, {what}" if what else text.title(f.quantity)


def worst_first(findings: Sequence[Finding]) -> list[Finding]:
    """Order findings as they decide: rejects before retests before accepted, the farthest outside first."""
    ranks = {"reject": 0, "retest": 1, "accept": 2}
    return sorted(findings, key=lambda f: (ranks[f.verdict], *_weight(f)))


def more_reason(f: Finding) -> str:
    """Return what a finding's reason says beyond its value, limit and probability; "" if nothing."""
    if f.verdict == "accept":
        return ""
    if f.p_conform is None:
        return text.plain(f.reason)
    tail = _after_probability(f)
    return text.plain(tail.removeprefix(";").strip())


def _after_probability(f: Finding) -> str:
    _, mark, more = f.reason.partition("(probability of conformity")
    return more.partition(")")[2] if mark else ""


def not_judged(part: PartResult) -> bool:
    """Whether a part was only described, because nothing sets a limit for it."""
    return part.verdict == "accept" and not part.findings


def actions(result: AirframeResult) -> list[Action]:
    """List what to do next, the most pressing first: unread logs, rejects, moves, retests, trim."""
    return [
        *_unread_logs(result),
        *_rejected(result),
        *_moves(result),
        *_retests(result),
        *_groups(result),
        *_trims(result),
    ]


def _unread_logs(result: AirframeResult) -> Iterator[Action]:
    for log in result.logs:
        if log.status == "failed":
            yield Action(
                what=f"Mend or repeat the log {log.path}", why=log.error or "could not be read", verdict="retest"
            )


def _rejected(result: AirframeResult) -> Iterator[Action]:
    for p in result.parts:
        if p.verdict == "reject":
            yield Action(what=_what(p, _REPLACE[p.kind]), why=deciding_words(p), verdict="reject", part=p.id)


def _what(part: PartResult, general: str) -> str:
    """Say what to do with a part: what its analysis says, else the general wording."""
    if part.next_step is None:
        return general.format(name(part))
    return f"{name(part)}: {part.next_step.removesuffix('.')}"


def _moves(result: AirframeResult) -> Iterator[Action]:
    assignment = result.assignment
    moved = [m for m in assignment.positions if m.part != m.fitted and m.part is not None]
    if moved:
        gain = _gain(assignment.fitted_worst_mismatch, assignment.worst_mismatch)
        where = text.listed([f"{m.part} to {m.position}" for m in moved])
        yield Action(what=f"Move {where}", why=f"The groups then match better{gain}.", verdict="retest")
    if assignment.empty:
        what = f"Find a part for {text.listed(list(assignment.empty))}"
        yield Action(what=what, why="No sound, matching part is left for it.", verdict="retest")


def _gain(before: float | None, after: float | None) -> str:
    if after is None:
        return ""
    now = f"{text.number(after, 2)} of the tolerance"
    return f": worst mismatch {now}" + (f" instead of {text.number(before, 2)}" if before is not None else "")


def _retests(result: AirframeResult) -> Iterator[Action]:
    for p in result.parts:
        if p.verdict != "retest":
            continue
        general = f"Cycle {{}} for {p.cycles_needed} more cycles" if p.kind == "servo" and p.cycles_needed else ""
        what = _what(p, general or _AGAIN[p.kind])
        yield Action(what=what, why=deciding_words(p), verdict="retest", part=p.id)


def _groups(result: AirframeResult) -> Iterator[Action]:
    bad = {p.id for p in result.parts if p.verdict != "accept"}
    for g in result.groups:
        if g.verdict != "accept" and not bad & set(g.members):
            yield Action(
                what=f"Match {g.name} ({', '.join(g.members)}) again",
                why=deciding_words(g),
                verdict=g.verdict,
                group=g.name,
            )


def _trims(result: AirframeResult) -> Iterator[Action]:
    bad = {p.id for p in result.parts if p.verdict != "accept"}  # a part that will change is not trimmed yet
    for g in result.groups:
        ready = g.verdict != "reject" and not bad & set(g.members)
        if ready and any(abs(t.correction_us) >= 0.5 for t in g.trim):
            left = max(abs(t.left_over_deg) for t in g.trim)
            followers = text.listed(list(dict.fromkeys(t.follower for t in g.trim)))
            yield Action(
                what=f"Enter the trim table of {g.name} for {followers}",
                why=f"At most {text.number(left, 2)}° of mismatch are then left.", verdict=g.verdict, group=g.name,
            )  # fmt: skip


def name(part: PartResult) -> str:
    """Return a part's id with its position."""
    return f"{part.id} ({part.position})" if part.position else part.id
