"""From a header to what it may mean: channel, part, unit. Names come from the procedures, units from a closed table."""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping, Sequence, Set
from dataclasses import dataclass
from functools import lru_cache

from benchlab.logs import units
from benchlab.procedure import Channel
from benchlab.quantities import unit_of

ID_CHANNEL: dict[str, str] = {"servo_cycling": "servo", "current_draw": "circuit", "tank_pressure": "tank"}
"""The channel whose values tell the parts of a long log apart, by kind."""
SHARED = frozenset({"time_s", "cycle", "phase", *ID_CHANNEL.values()})
"""Channels that all parts of a log have in common."""

_BRACKETS = re.compile(r"[\[({<]([^\[\](){}<>]*)[\])}>]")
_SLASH = re.compile(r"^(.*\S)\s*(?:/|,|;|\bin\b)\s*([^\s/,;]+(?: [A-Za-z]+)?)\s*$")
_CAMEL = re.compile(r"(?<=[a-zäöüß])(?=[A-Z])")
_DIGITS = re.compile(r"(?<=[A-Za-zäöüßµμ°])(?=\d)|(?<=\d)(?=[A-Za-zµμ°])")
_APART = re.compile(r"[\s_\-.:/\\#@,;|*]+")
# words that say nothing about which channel or which part is meant
_FILLERS = frozenset(
    "servo ch chan channel motor joint axis actuator part tank circuit kanal sensor probe measured meas actual value "  # noqa: SIM905
    "reading signal data mean avg average smp the of no nr dc".split()
)
_PLACES = frozenset(
    "left right inner outer upper lower top bottom front rear centre center port starboard links rechts".split()  # noqa: SIM905
)
_HUMPED = re.compile(r"[a-z]+(?:[A-Z][a-z]+)+\d*")
_NUMBERED = re.compile(r"[a-z]?(\d{1,4})")


@dataclass(frozen=True, slots=True, kw_only=True)
class Claim:
    """One reading of a header: this channel, of this part (None: no part is named), logged in this unit."""

    channel: str
    part: str | None
    unit: str | None
    """Spelling found, None where the header states none."""
    strength: int
    """3 said in the register, 2 a whole word, 1 a symbol of one letter, 0 nothing but a unit."""
    why: str


def units_misfit(claim: Claim) -> bool:
    """Tell whether the stated unit cannot be converted to the channel's."""
    needed = unit_of(claim.channel)
    return claim.unit is not None and needed != "1" and units.convert(claim.channel, claim.unit) is None


def read_header(name: str, units_cell: str, channels: Mapping[str, Channel], *, letters: bool = False) -> list[Claim]:
    """Return every reading that the accepted names allow, the best first; empty if none does.

    ``letters``: single letters stand for parts (``current_a`` beside ``current_b``), not for units. A reading whose
    stated unit does not fit is kept, for the caller to report; only a symbol of one letter then means something else.
    """
    clean = name.strip().strip('"').lstrip("#%").strip()
    text, unit = _split_unit(clean)
    if units.bare(units_cell) not in {"-", ""}:
        unit = units.bare(units_cell)
    unit = _unshout(unit, clean)
    words = _words(text)
    lower = [w.lower() for w in words]
    claims = _claims(lower, unit, channels, letters)
    if unit is None or not claims:
        for at in range(len(words) - 1, 0, -1):  # t_ms, current_mA_1, I1_mA
            stated = _unshout(words[at], clean) or ""
            if units.known(stated) and not (letters and stated in "aA"):
                rest = _claims(lower[:at] + lower[at + 1 :], unit or stated, channels, letters)
                fitting = [c for c in rest if units.convert(c.channel, unit or stated)]
                claims = fitting if not claims or fitting else claims
                break
    if not claims:
        claims = _by_unit(lower, words, unit, channels)
    claims = [c for c in claims if c.part is None or c.channel not in SHARED]
    return sorted(claims, key=lambda c: -c.strength)


def _unshout(unit: str | None, name: str) -> str | None:
    """Where capitals only part the words, the case of a unit tells nothing: CURRENT_MA and currentMa are in mA."""
    if unit and not units.known(unit) and units.known(unit.lower()) and (name.isupper() or _HUMPED.fullmatch(name)):
        return unit.lower()
    return unit


def _words(text: str) -> list[str]:
    """Cut a name into words at marks, at digits and at capitals, but never inside a unit (kPa, mA)."""
    out: list[str] = []
    for token in _APART.split(text):
        for piece in [token] if units.known(token) else _DIGITS.sub(" ", token).split():
            out += [piece] if units.known(piece) else _CAMEL.sub(" ", piece).split()
    return out


def _split_unit(name: str) -> tuple[str, str | None]:
    """Cut a header into its words and the unit in brackets, after a slash or after "in"; None where none is stated."""
    found = [f.strip() for f in _BRACKETS.findall(name)]
    known = [f for f in found if units.known(f)]
    labels = [f for f in found if f not in known and _is_label(f)]
    text = " ".join([_BRACKETS.sub(" ", name).strip(), *labels]).strip()
    if known:
        return text or name, known[-1]
    other = [f for f in found if f not in labels and f]
    match = _SLASH.match(text)
    if match and units.known(match[2]):
        return match[1], match[2]
    if other and text:
        return text, other[-1]
    return text or name, None


def _is_label(text: str) -> bool:
    words = [w.lower() for w in _words(text)]
    if text.lstrip("# ").isdecimal():
        return True
    return bool(words) and isinstance(_label(words, set(), letters=False), str) and not units.looks_like_unit(text)


def _claims(words: Sequence[str], unit: str | None, channels: Mapping[str, Channel], letters: bool) -> list[Claim]:
    out = [c for channel, s in channels.items() if (c := _claim(words, unit, channel, s, letters)) is not None]
    fitting = [c for c in out if not units_misfit(c)]
    return fitting or out


def _claim(words: Sequence[str], unit: str | None, channel: str, settings: Channel, letters: bool) -> Claim | None:
    """Return the reading of a header as this channel by the longest accepted name that fits."""
    accepted_names, vocabulary = _accepted(channel, tuple(settings.names))
    for accepted, name in accepted_names:
        if name[0] not in words:
            continue
        at = next((i for i in range(len(words) - len(name) + 1) if list(words[i : i + len(name)]) == name), None)
        if at is None:
            continue
        symbol = len(accepted) == 1
        rest = [*words[:at], *words[at + len(name) :]]
        part = _label(rest, frozenset() if symbol else vocabulary, letters=letters)
        if part is None or (symbol and unit is not None and units.convert(channel, unit) is None):
            continue
        why = f'name "{accepted}"'
        return Claim(channel=channel, part=part or None, unit=unit, strength=1 if symbol else 2, why=why)
    return None


@lru_cache(maxsize=200)
def _accepted(channel: str, names: tuple[str, ...]) -> tuple[list[tuple[str, list[str]]], frozenset[str]]:
    """Return the accepted names of a channel with their words, the longest first, and all words in them."""
    own = channel.removesuffix("_" + channel.rsplit("_", 1)[-1]).replace("_", " ")
    ordered = sorted({*names, own}, key=lambda n: (-len(n), n))
    return [(n, n.split()) for n in ordered], frozenset(w for n in names for w in n.split())


def _label(rest: Sequence[str], vocabulary: Set[str], *, letters: bool) -> str | None:
    """Return the part that the words beside a channel's name give, "" for none, None if they mean something else."""
    words = [w for w in rest if w not in _FILLERS and w not in vocabulary]
    if not words:
        return ""
    if len(words) == 1:
        match = _NUMBERED.fullmatch(words[0])
        if match:
            return str(int(match[1]))
        return words[0] if words[0] in _PLACES or (letters and words[0] in "abcdefgh") else None
    if len(words) == 2 and len(words[0]) == 1 and words[0].isalpha() and re.fullmatch(r"\d{1,4}", words[1]):
        return str(int(words[1]))
    return " ".join(words) if all(w in _PLACES for w in words) else None


def _by_unit(
    lower: Sequence[str], words: Sequence[str], unit: str | None, channels: Mapping[str, Channel]
) -> list[Claim]:
    """Read a header that is nothing but a unit ("mA"), or a symbol or number beside one ("T [°C]", "CH1 (A)")."""
    if unit is None and len(words) == 1 and units.known(words[0]):
        unit, rest = words[0], []
    else:
        rest = [w for w in lower if not (len(w) == 1 and w.isalpha())]
    part = _label(rest, set(), letters=False)
    if unit is None or part is None:
        return []
    hidden = {"pressure_abs_kpa", "barometer_kpa"}
    fitting = [c for c in channels if c not in hidden and unit_of(c) != "1" and units.convert(c, unit) is not None]
    if "time_s" in fitting:
        fitting = ["time_s"] if not rest else []
    if len(fitting) != 1:
        return []
    why = "its unit alone"
    return [Claim(channel=fitting[0], part=part or None, unit=unit, strength=0, why=why)]


def nearest(name: str, channels: Mapping[str, Channel]) -> str | None:
    """Return the channel whose accepted names come nearest to a header that was not understood."""
    return _nearest(name, tuple((channel, tuple(settings.names)) for channel, settings in channels.items()))


@lru_cache(maxsize=2000)
def _nearest(name: str, channels: tuple[tuple[str, tuple[str, ...]], ...]) -> str | None:
    words = [w.lower() for w in _words(_split_unit(name)[0])]
    known = {n: channel for channel, names in channels for n in names if len(n) > 2}
    inside = [n for n in known if n in words]
    found = inside[:1] or difflib.get_close_matches(" ".join(words), list(known), 1, cutoff=0.7)
    return known[found[0]] if found else None


_OVERRIDE = re.compile(r"\s*([a-z_]+)\s*(?::\s*([^\[\]]*?))?\s*(?:\[(.*)\])?\s*")


def read_override(text: str) -> tuple[str, str | None, str | None] | None:
    """Read ``channel:part [unit]`` of a register; None if it is not of that form."""
    match = _OVERRIDE.fullmatch(text)
    return (match[1], match[2] or None, (match[3] or "").strip() or None) if match else None
