"""From a header cell to what it may mean: channel, part and unit. Names come from the procedures, units from a closed table."""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping
from dataclasses import dataclass

from benchlab.logs import units
from benchlab.procedure import Channel
from benchlab.quantities import unit_of

_BRACKETS = re.compile(r"[\[({<]([^\[\](){}<>]*)[\])}>]")
_SLASH = re.compile(r"^(.*\S)\s*(?:/|,|\bin\b)\s*([^\s/,]+(?: [A-Za-z]+)?)\s*$")
_CAMEL = re.compile(r"(?<=[a-zäöüß])(?=[A-Z])")
_DIGITS = re.compile(r"(?<=[A-Za-zäöüß°])(?=\d)|(?<=\d)(?=[A-Za-zµμ°])")
_APART = re.compile(r"[\s_\-.:/\\#@,;|*]+")
_FILLERS = frozenset(
    [
        "servo",
        "ch",
        "chan",
        "channel",
        "motor",
        "joint",
        "axis",
        "actuator",
        "part",
        "tank",
        "circuit",
        "kanal",
        "sensor",
        "probe",
        "measured",
        "meas",
        "actual",
        "value",
        "reading",
        "signal",
        "data",
        "mean",
        "avg",
        "average",
        "smp",
        "the",
        "of",
        "no",
        "nr",
    ]
)
_PLACES = frozenset(
    [
        "left",
        "right",
        "inner",
        "outer",
        "upper",
        "lower",
        "top",
        "bottom",
        "front",
        "rear",
        "centre",
        "center",
        "port",
        "starboard",
        "links",
        "rechts",
    ]
)
_LABEL = re.compile(r"[a-z]?(\d{1,4})")


@dataclass(frozen=True, slots=True, kw_only=True)
class Claim:
    """One reading of a header: this channel, of this part (None: no part is named), logged in this unit."""

    channel: str
    part: str | None
    unit: str | None
    """Spelling found, None where the header states none."""
    strength: int
    """2 for a whole word, 1 for a single letter (a symbol) or a unit standing alone."""
    why: str


def read_header(name: str, units_cell: str, channels: Mapping[str, Channel]) -> list[Claim]:
    """Return every reading that the accepted names allow, the best first; empty if none does.

    A reading whose unit is known but does not fit the channel is kept (its misfit is for the caller to report), unless
    the name is a one-letter symbol, which then simply means something else.
    """
    text, unit = _split_unit(name.strip().strip('"').lstrip("#%").strip())
    if units_cell.strip() and units.bare(units_cell) not in {"-", ""}:
        unit = units.bare(units_cell)
    words = _words(text)
    claims = _claims([w.lower() for w in words], unit, channels)
    if unit is None:
        for at in range(len(words) - 1, 0, -1):  # t_ms, current_mA_1, I1_mA
            if units.known(words[at]) and not words[at].isdigit():
                rest = [w.lower() for w in words[:at] + words[at + 1 :]]
                with_unit = [
                    c for c in _claims(rest, words[at], channels) if units.convert(c.channel, words[at]) is not None
                ]
                if not claims or (with_unit and with_unit[0].strength >= claims[0].strength):
                    claims = with_unit + claims
                break
    if not claims and (unit is None) and len(words) == 1:
        claims = _unit_alone(words[0], channels)
    return sorted(claims, key=lambda c: -c.strength)


def _words(text: str) -> list[str]:
    """Cut a name into words at marks, at digits and at capitals, but never inside a unit (kPa, mA)."""
    out: list[str] = []
    for token in _APART.split(text):
        for piece in [token] if units.known(token) else _DIGITS.sub(" ", token).split():
            out += [piece] if units.known(piece) else _CAMEL.sub(" ", piece).split()
    return out


def _split_unit(name: str) -> tuple[str, str | None]:
    """Cut a header into its words and the unit in brackets, after a slash or after "in"; None where none is stated."""
    found = _BRACKETS.findall(name)
    text = _BRACKETS.sub(" ", name).strip()
    known = [f.strip() for f in found if units.known(f)]
    if known:
        return text or name, known[-1]
    if found and text:
        return text, found[-1].strip() or None
    match = _SLASH.match(name)
    if match and units.known(match[2]):
        return match[1], match[2]
    return name, None


def _claims(words: list[str], unit: str | None, channels: Mapping[str, Channel]) -> list[Claim]:
    out = []
    for channel, settings in channels.items():
        best: Claim | None = None
        vocabulary = {w for n in settings.names for w in n.split()}
        for accepted in sorted({*settings.names, channel.rsplit("_", 1)[0].replace("_", " ")}, key=len, reverse=True):
            name = accepted.split()
            at = next((i for i in range(len(words) - len(name) + 1) if words[i : i + len(name)] == name), None)
            if at is None:
                continue
            rest = words[:at] + words[at + len(name) :]
            part = _label(rest, vocabulary if len(accepted) > 1 else set())
            if part is False:
                continue
            strength = 2 if len(accepted) > 1 else 1
            fits = unit is None or units.convert(channel, unit) is not None
            if strength == 1 and not fits:
                continue
            best = Claim(
                channel=channel,
                part=part or None,
                unit=unit,
                strength=strength,
                why=f'"{accepted}" is an accepted name',
            )
            break
        if best is not None:
            out.append(best)
    exact = [c for c in out if not units_misfit(c)]
    return exact or out


def units_misfit(claim: Claim) -> bool:
    """Tell whether the stated unit cannot be converted to the channel's."""
    return claim.unit is not None and unit_of(claim.channel) != "1" and units.convert(claim.channel, claim.unit) is None


def _label(rest: list[str], vocabulary: set[str]) -> str | bool:
    """Return the part that the words beside a channel's name give, "" for none, False if they mean something else."""
    words = [w for w in rest if w not in _FILLERS and w not in vocabulary]
    if not words:
        return ""
    if len(words) == 1:
        match = _LABEL.fullmatch(words[0])
        return str(int(match[1])) if match else words[0] if words[0] in _PLACES else False
    if len(words) == 2 and len(words[0]) == 1 and words[0].isalpha() and words[1].isdigit():
        return str(int(words[1]))
    if all(w in _PLACES for w in words):
        return " ".join(words)
    return False


def _unit_alone(word: str, channels: Mapping[str, Channel]) -> list[Claim]:
    """Read a header that is nothing but a unit ("ms", "mA"), if only one channel is measured in it."""
    fitting = [
        c for c in channels
        if units.convert(c, word) is not None and unit_of(c) != "1" and c not in {"pressure_abs_kpa", "barometer_kpa"}
    ]  # fmt: skip
    if "time_s" in fitting:
        fitting = ["time_s"]
    if len(fitting) != 1:
        return []
    return [
        Claim(channel=fitting[0], part=None, unit=word, strength=1, why="only a unit, which fits this channel alone")
    ]


def nearest(name: str, channels: Mapping[str, Channel]) -> str | None:
    """Return the channel whose accepted names come nearest to a header that was not understood."""
    text = " ".join(w.lower() for w in _words(_split_unit(name)[0]))
    known = {n: channel for channel, settings in channels.items() for n in settings.names if len(n) > 1}
    found = difflib.get_close_matches(text, list(known), 1, cutoff=0.6)
    if not found:
        inside = [n for n in known if len(n) > 2 and n in text.split()]
        found = inside[:1]
    return known[found[0]] if found else None


_OVERRIDE = re.compile(r"\s*([a-z_]+)\s*(?::\s*([^\[\]]*?))?\s*(?:\[(.*)\])?\s*")


def read_override(text: str) -> tuple[str, str | None, str | None] | None:
    """Read ``channel:part [unit]`` of a register; None if it is not of that form."""
    match = _OVERRIDE.fullmatch(text)
    return (match[1], match[2] or None, (match[3] or "").strip() or None) if match else None
