"""What a quantity means, as text for the terminal: definition, formula, source, unit and the limits in force."""

from __future__ import annotations

import difflib
import textwrap
from collections.abc import Iterator

from benchlab.errors import BenchlabError
from benchlab.procedure import Procedure, Procedures, Tolerance
from benchlab.quantities import QUANTITIES, Quantity
from benchlab.report import text

_KINDS = {
    "servo": "Servo, per cycle", "tank": "Tank", "circuit": "Circuit", "pack": "Pack", "group": "Group",
    "dimension": "Left and right", "log": "Log", "event": "Events", "channel": "Channels of the logs",
}  # fmt: skip
"""Kinds of part in reading order, with the heading of each."""


def explain(word: str, procedures: Procedures, width: int = 80) -> str:
    """Explain the quantity, event or channel that ``word`` names.

    ``word`` may be the canonical name, the name without its unit, or the title; case and separators do not count.

    Raises
    ------
    BenchlabError
        If nothing goes by that name, or several things do; it says what is near.
    """
    return "\n\n".join(_one(q, procedures, width) for q in _found(word))


def listed(width: int = 80) -> str:
    """List everything that can be explained, by kind of part."""
    name_width = max(map(len, QUANTITIES))
    lines: list[str] = []
    for kind, heading in _KINDS.items():
        lines += ["", heading] if lines else [heading]
        for q in (q for q in QUANTITIES.values() if q.kind == kind):
            unit = "" if q.unit == "1" else f", {text.unit(q.unit)}"
            line = f"  {q.name:<{name_width}}  {q.title}{unit}"
            lines.append(line if len(line) <= width else f"{line[: width - 3]}...")
    return "\n".join(lines)


def _found(word: str) -> list[Quantity]:
    """Everything that goes by ``word``: the exact name alone, else all whose short name or title it is."""
    key = _key(word)
    exact = [q for q in QUANTITIES.values() if _key(q.name) == key]
    by_other_name = [q for q in QUANTITIES.values() if key in _other_names(q)]
    if found := exact or by_other_name:
        return found
    names = {n: q.name for q in QUANTITIES.values() for n in (_key(q.name), *_other_names(q))}
    near = difflib.get_close_matches(key, names, 3, 0.6)
    near += [n for n in names if len(key) >= 3 and key in n and n not in near]
    told = list(dict.fromkeys(names[n] for n in near))[:4]
    do = f"did you mean {text.listed(told)}?" if told else "benchlab explain without a name lists them all"
    raise BenchlabError(f"no quantity goes by the name {word!r}", do=do)


def _key(word: str) -> str:
    return " ".join(word.casefold().replace("_", " ").replace("-", " ").split())


def _other_names(q: Quantity) -> set[str]:
    """The name without its unit, without the mark of a corrected twin, and the title."""
    tails = ("_s_per_60deg", "_pa_m3_s", "_sml_min", "_ml_h", "_per_h", f"_{q.name.rsplit('_', 1)[-1]}")
    bare = next((q.name.removesuffix(t) for t in tails if q.unit != "1" and q.name.endswith(t)), q.name)
    return {_key(n) for n in (bare, bare.removesuffix("_ref"), bare.removesuffix("_fraction"), q.title)}


def _one(q: Quantity, procedures: Procedures, width: int) -> str:
    unit = "" if q.unit == "1" else f", in {text.unit(q.unit)}"
    lines = textwrap.wrap(f"{q.title} ({q.name}){unit}; {_KINDS[q.kind].lower()}", width, subsequent_indent="  ")
    lines += _wrapped(q.definition, width)
    if q.formula:
        lines += _wrapped(f"Formula: {q.formula}", width)
    lines += _wrapped(f"Source: {q.source}.", width)
    for procedure in (procedures.servo, procedures.tank, procedures.current, procedures.dimension):
        lines += [line for words in _limits(q, procedure) for line in _wrapped(words, width)]
        lines += [line for words in _tolerances(q, procedure) for line in _wrapped(words, width)]
        if q.kind == "channel" and q.name in procedure.channels:
            names = ", ".join(procedure.channels[q.name].names)
            lines += _wrapped(f"Headers accepted in {procedure.kind}: {names}", width)
    return "\n".join(lines)


def _limits(q: Quantity, procedure: Procedure) -> Iterator[str]:
    for aspect, limit in procedure.limits.get(q.name, {}).items():
        bounds = text.stated_limit(q.name, aspect, limit.lower, limit.upper)
        what = f", {text.aspect(aspect)}" if text.aspect(aspect) else ""
        also = "" if limit.robust_z is None else f" (only with a robust z > {text.number(limit.robust_z)} as well)"
        yield f"Limit{what}: {bounds}, else {limit.otherwise}{also}. Source: {limit.source}."


def _tolerances(q: Quantity, procedure: Procedure) -> Iterator[str]:
    for coupling, tolerances in procedure.match.items():
        if (found := tolerances.get(q.name)) is not None:
            yield f"Largest difference in {coupling} groups: {_width(found, q.unit)}. Source: {found.source}."


def _width(tolerance: Tolerance, unit: str) -> str:
    parts = [text.limit(None, tolerance.absolute, unit)] if tolerance.absolute is not None else []
    parts += [text.limit(None, tolerance.percent, "%")] if tolerance.percent is not None else []
    return " or ".join(p.removeprefix("≤ ") for p in parts)


def _wrapped(words: str, width: int) -> list[str]:
    tied = text.unbroken(words)
    lines = textwrap.wrap(tied, width, initial_indent="  ", subsequent_indent="    ", break_on_hyphens=False)
    return [text.untied(line) for line in lines]
