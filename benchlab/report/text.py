"""Numbers, units and names as a reader meets them: rounded to their uncertainty, in words, safe in plot labels."""

from __future__ import annotations

import math
import re

from benchlab.quantities import QUANTITIES, unit_of
from benchlab.results import Estimate, Finding

NONE = "–"
"""Stands where there is no number."""
_TIE = "\u00a0"
_BEFORE_UNIT = re.compile(r"(?<=\d) (?=[°%])")

_UNITS = {
    "1": "", "deg": "°", "C": "°C", "ohm": "Ω", "us": "µs", "um": "µm", "Pa m3/s": "Pa·m³/s", "s/60 deg": "s/60°",
    "mL/min (0 C, 101.325 kPa)": "mL/min at 0 °C, 101.325 kPa",
}  # fmt: skip
_ASPECTS = {
    "value": "",
    "count": "",
    "read": "",
    "events": "number of events",
    "complete": "",
    "settled": "settled value",
    "start": "at the first cycle",
    "end": "at the last cycle",
    "change": "change from first to last cycle",
    "drift": "drift per 1000 cycles",
    "drift_percent": "drift per 1000 cycles",
    "step": "largest step",
    "step_percent": "largest step",
    "sister": "above the batch median",
    "sister_percent": "above the batch median",
}
_FOUND = {"events", "step", "step_percent"}
"""Aspects of which zero means that nothing was found."""


def unit(name: str) -> str:
    """Return the unit as printed; "" for a pure number."""
    head, mark, tail = name.partition("/1000 cycles")
    shown = _UNITS.get(head, head)
    return f"{shown} per 1000 cycles" if mark and not tail else shown


def title(quantity: str) -> str:
    """Return the glossary's title of a quantity or event, else the bare name in words."""
    if quantity in QUANTITIES:
        return QUANTITIES[quantity].title
    words = quantity.replace("_", " ")
    return words[:1].upper() + words[1:]


def aspect(name: str) -> str:
    """Return what of a quantity was judged, in words; "" where it is the quantity itself."""
    return _ASPECTS.get(name, name.replace("_", " "))


def event(kind: str) -> str:
    """Return an event's kind in words."""
    words = title(kind)
    return words[:1].lower() + words[1:]


def _minus(text: str) -> str:
    return text.replace("-", "−")


def number(value: float | None, digits: int = 4) -> str:
    """Return a number that has no uncertainty, with ``digits`` significant digits and no superfluous zeros."""
    if value is None or not math.isfinite(value):
        return NONE
    if value == int(value) and abs(value) < 1e6:
        return _minus(f"{int(value)}")
    text = f"{value:.{digits}g}"
    if "e" not in text:
        return _minus(text)
    mantissa, exponent = text.split("e")
    return f"{_minus(mantissa)} × 10{_superscript(int(exponent))}"


def signed(value: float | None, decimals: int = 0) -> str:
    """Return a correction with its sign, so that nobody has to guess which way it goes."""
    if value is None or not math.isfinite(value):
        return NONE
    text = f"{value:+.{decimals}f}"
    return _minus(text if float(text) else text[1:])


def measured(value: float | None, u: float | None) -> str:
    """Return ``value ± u`` with two significant digits of ``u`` and the value to the same place (JCGM 100, 7.2.6)."""
    if value is None or not math.isfinite(value):
        return NONE
    if u is None or not math.isfinite(u) or u <= 0:
        return number(value)
    place = _place(u)
    largest = max(abs(value), u)
    if 1e-3 <= largest < 1e5 and place >= -7:
        return _minus(f"{_round(value, place)} ± {_round(u, place)}")
    exponent = math.floor(math.log10(largest))
    scaled, scaled_u, place = value / 10**exponent, u / 10**exponent, place - exponent
    return f"({_minus(_round(scaled, place))} ± {_round(scaled_u, place)}) × 10{_superscript(exponent)}"


def interval(e: Estimate) -> str:
    """Return the 95 % interval, rounded like the value."""
    if e.lo is None or e.hi is None or e.u is None or e.u <= 0:
        return NONE
    place = _place(e.u)
    if max(abs(e.lo), abs(e.hi)) < 1e-3 or place < -6:
        return f"{number(e.lo, 3)} to {number(e.hi, 3)}"
    return _minus(f"{_round(e.lo, place)} to {_round(e.hi, place)}")


def estimate(e: Estimate | None) -> str:
    """Return ``value ± u unit``."""
    return NONE if e is None or e.value is None else f"{measured(e.value, e.u)} {unit(e.unit)}".strip()


def finding_value(f: Finding) -> str:
    """Return a finding's ``value ± u unit``; yes or no where only completeness was asked."""
    if f.value is None:
        return NONE if f.quantity == "part" else "not measured"  # an empty or wrongly filled place is no number
    if f.aspect == "complete":
        return "complete" if f.value else "not complete"
    if f.u is None and f.value == 0 and f.aspect in _FOUND:
        return "none"
    return f"{measured(f.value, f.u)} {_short_unit(f)}".strip()


def limit(lower: float | None, upper: float | None, unit_name: str = "1") -> str:
    """Return a limit in words and signs; "–" where there is none."""
    tail = f" {unit(unit_name)}".rstrip()
    if lower is None and upper is None:
        return NONE
    if lower is None:
        return f"≤ {number(upper)}{tail}"
    if upper is None:
        return f"≥ {number(lower)}{tail}"
    if lower == -upper:
        return f"within ±{number(upper)}{tail}"
    return f"{number(lower)} to {number(upper)}{tail}"


def finding_limit(f: Finding) -> str:
    """Return a finding's limit in words."""
    if f.aspect == "events" and f.lower is None and f.upper == 0:
        return "none allowed"
    return "complete" if f.aspect == "complete" else limit(f.lower, f.upper, _short_unit(f))


def stated_limit(quantity: str, aspect_name: str, lower: float | None, upper: float | None) -> str:
    """Return a limit as a procedure states it, with the unit of what of the quantity it binds."""
    if aspect_name == "complete":
        return "complete"
    if aspect_name == "events" and lower is None and upper == 0:
        return "none allowed"
    counted = aspect_name in {"count", "events"}
    return limit(lower, upper, "%" if aspect_name.endswith("percent") else "1" if counted else unit_of(quantity))


def _short_unit(f: Finding) -> str:
    """Unit of a finding without the "per 1000 cycles" that its aspect already says."""
    return unit(f.unit).removesuffix(" per 1000 cycles") if f.aspect.startswith("drift") else unit(f.unit)


def probability(p: float | None) -> str:
    """Return a probability of conformity in per cent, without claiming 0 or 1."""
    if p is None:
        return NONE
    return "> 99.9 %" if p > 0.999 else "< 0.1 %" if p < 0.001 else f"{100 * p:.1f} %"


def duration(seconds: float | None) -> str:
    """Return a time span in the unit a reader would use."""
    if seconds is None or not math.isfinite(seconds):
        return NONE
    if abs(seconds) >= 7200:
        return f"{number(seconds / 3600, 3)} h"
    return f"{number(seconds / 60, 3)} min" if abs(seconds) >= 180 else f"{number(seconds, 3)} s"


def plain(sentence: str) -> str:
    """Put the titles of quantities in place of their canonical names in a sentence."""
    names = re.sub(r"[a-z][a-z0-9_]*_[a-z0-9_]+", lambda m: _in_sentence(m.group()), sentence)
    return names[:1].upper() + names[1:]


def _in_sentence(name: str) -> str:
    found = QUANTITIES.get(name)
    return name if found is None else f"{found.title[:1].lower()}{found.title[1:]}"


def unbroken(sentence: str) -> str:
    """Tie a number to its uncertainty, sign and unit, so that no line ends between them."""
    if " " not in sentence:  # most of what a page holds are single words and numbers
        return sentence
    tied = sentence.replace(" ± ", f"{_TIE}±{_TIE}").replace("≤ ", f"≤{_TIE}").replace("≥ ", f"≥{_TIE}")
    return _BEFORE_UNIT.sub(_TIE, tied)


def untied(sentence: str) -> str:
    """Put plain spaces back, for text that is searched or piped."""
    return sentence.replace(_TIE, " ")


def plot_label(text: str) -> str:
    """Make text from a log or register harmless where plotly would take it for markup."""
    flat = " ".join(text.split())
    return flat.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


def calibration(formula: str) -> str:
    """Return "scale x reading + offset" with true signs and without a part that changes nothing."""
    found = re.fullmatch(r"(\S+) x reading \+ (\S+)", formula.partition(";")[0].strip())
    if found is None:
        return formula
    scale, offset = float(found[1]), float(found[2])
    times = "reading" if scale == 1 else f"{_minus(found[1])} × reading"
    return times if offset == 0 else f"{times} {'+' if offset > 0 else '−'} {found[2].removeprefix('-')}"


def listed(words: list[str]) -> str:
    """Join words as a sentence does: "a, b and c"."""
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}" if words else ""


def _place(u: float) -> int:
    """Decimal place (power of ten) of the second significant digit of ``u``."""
    place = math.floor(math.log10(u)) - 1
    return place + 1 if round(u / 10**place) >= 100 else place  # 0.0997 rounds to 0.10, not to 0.100


def _round(value: float, place: int) -> str:
    text = f"{round(value, -place) + 0.0:.{max(0, -place)}f}"
    return text.removeprefix("-") if float(text) == 0 else text


def _superscript(exponent: int) -> str:
    return str(exponent).translate(str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹"))
