"""The same part then and now: what changed between two results, and whether the change is real."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from benchlab.errors import BenchlabError
from benchlab.matching.equivalence import difference
from benchlab.results import Estimate
from benchlab.stats.uncertainty import coverage_factor


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One quantity then and now; ``real`` is None where an uncertainty is not known, ``why`` then says so."""

    part: str
    quantity: str
    then: Estimate
    now: Estimate
    change: Estimate
    real: bool | None
    why: str


def compare_part(then: Mapping[str, Any], now: Mapping[str, Any], part: str, *, k: float | None = None) -> list[Change]:
    """Compare one part in two ``results.json`` dictionaries, quantity by quantity in the order of the newer one.

    A trend is compared where it has settled. A change is real if it exceeds ``k`` times its combined standard
    uncertainty; by default ``k`` is the two-sided 95 % factor (Student t where degrees of freedom are known). Both
    uncertainties count in full although the error of one and the same instrument would cancel: small changes of a
    part tested twice on one bench may be missed. Of twenty unchanged quantities one will look changed.

    Raises
    ------
    BenchlabError
        If a result is not of the known schema or does not hold the part.
    """
    old, new = _part(then, part, "earlier"), _part(now, part, "newer")
    changes = []
    for name, value in new["quantities"].items():
        before, after = _estimate(old["quantities"].get(name)), _estimate(value)
        if before is None or after is None:
            continue
        gap = difference(after, before)
        changes.append(_change(part, name, before, after, gap, k))
    return changes


def _change(part: str, name: str, before: Estimate, after: Estimate, gap: Estimate, k: float | None) -> Change:
    real, why = None, ""
    if before.unit != after.unit:
        gap = Estimate(value=None, unit=after.unit)
        why = f"units differ: {before.unit} then, {after.unit} now"
    elif gap.value is None:
        why = "not measured " + ("then" if before.value is None else "now")
    elif gap.u is None:
        why = "uncertainty not known " + ("then" if before.u is None else "now")
    else:
        factor = coverage_factor(gap.dof) if k is None else k
        real = abs(gap.value) > factor * gap.u
        why = f"|{gap.value:.3g}| {'exceeds' if real else 'is within'} {factor:.3g} x {gap.u:.2g} {gap.unit}"
    return Change(part=part, quantity=name, then=before, now=after, change=gap, real=real, why=why)


def _part(result: Mapping[str, Any], part: str, which: str) -> Mapping[str, Any]:
    if not str(result.get("schema", "")).startswith("benchlab/results/"):
        raise BenchlabError(f"the {which} result is not a results.json of this program", do="name another file")
    held = {p["id"]: p for p in result["parts"]}
    if part not in held:
        raise BenchlabError(f"the {which} result has no part {part!r}", do=f"it holds: {', '.join(held)}")
    found: Mapping[str, Any] = held[part]
    return found


def _estimate(raw: Any) -> Estimate | None:
    """Read an estimate from its JSON form; of a trend the settled one."""
    if not isinstance(raw, Mapping):
        return None
    raw = raw.get("settled", raw)
    if not isinstance(raw, Mapping) or "value" not in raw:
        return None
    numbers = {key: raw.get(key) for key in ("value", "u", "lo", "hi")}
    dof = raw.get("dof")
    finite = dof if isinstance(dof, int | float) and math.isfinite(dof) else None
    return Estimate(**numbers, unit=str(raw.get("unit", "1")), dof=finite)
