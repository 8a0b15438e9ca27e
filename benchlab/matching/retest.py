"""The same part then and now: what changed between an earlier result and this one, and whether the change is real."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import ndtr, stdtr

from benchlab.errors import BenchlabError
from benchlab.matching.equivalence import difference
from benchlab.results import Analysis, Estimate, Trend
from benchlab.stats.uncertainty import coverage_factor

RISK = 0.05
"""Chance that even one of all changes called real is none."""
EARLIER_COLUMNS = ("part", "quantity", "aspect", "then", "now", "difference", "u", "unit", "changed")

# What belongs to the part. Left out: conditions of the test (temperature, supply, start pressure, length), and what is
# the same thing in other words (leak rate, time constant: the retained fraction does not depend on the start pressure).
_SERVO = (
    "centre_deg", "hysteresis_deg", "end_high_deg", "end_low_deg", "travel_deg", "transit_ref_s_per_60deg",
    "transit_s_per_60deg", "overshoot_deg", "jitter_deg", "moving_current_ref_a", "moving_current_a", "idle_current_a",
)  # fmt: skip
_COMPARED: dict[str, tuple[str, ...]] = {
    "servo": _SERVO,
    "tank": ("retained_fraction",),
    "pack": ("capacity_mah", "source_resistance_ohm"),
}
_PLACES = ("results.json", "data/results/results.json")
"""Where results lie in an output folder and in an evidence archive."""


def read_earlier(path: Path) -> dict[str, Any]:
    """Read the results of an earlier run: an evidence archive (a folder), an output folder or a ``results.json``.

    Raises
    ------
    BenchlabError
        If there are none, or they are not of this program.
    """
    file = next((path / p for p in _PLACES if (path / p).is_file()), None) if path.is_dir() else path
    try:
        if file is None:
            raise FileNotFoundError
        found = json.loads(file.read_text(encoding="utf-8"))
    except FileNotFoundError:
        do = "name an evidence archive, an output folder or a results.json"
        raise BenchlabError("holds no earlier results", path=str(path), do=do) from None
    except (OSError, ValueError) as error:
        msg = f"the earlier results cannot be read ({error})"
        raise BenchlabError(msg, path=str(file), do="verify the archive, or name another") from None
    if not isinstance(found, dict) or not str(found.get("schema", "")).startswith("benchlab/results/"):
        raise BenchlabError("is no results.json of this program", path=str(file), do="name another file")
    return found


def compare_earlier(earlier: Mapping[str, Any], analyses: Mapping[str, Analysis]) -> pd.DataFrame:
    """Compare every servo, tank and pack with the part of the same id and kind in an earlier ``results.json``.

    A trend is compared where it has settled (aspect ``settled``) and in its drift per 1000 cycles (``drift``). Whether
    a difference (now - then) is real is a two-sided test on its standard uncertainty, with Holm's step-down over the
    whole table: the chance that even one change called real is none is ``RISK`` at most, however the figures hang
    together. Both uncertainties count in full, although the error of one and the same instrument would cancel: small
    changes of a part tested twice on one bench may be missed.

    Returns
    -------
    DataFrame
        ``EARLIER_COLUMNS``; NaN where not known, ``changed`` <NA> where that cannot be told.
    """
    rows, p_values = [], []
    for part, quantity, aspect, then, now in _matched(earlier, analyses):
        gap = None
        if then is not None and now is not None and then.unit == now.unit:
            gap = difference(now, then)
        numbers = [None if e is None else e.value for e in (then, now, gap)] + [None if gap is None else gap.u]
        unit = next(e.unit for e in (now, then) if e is not None)
        rows.append((part, quantity, aspect, *(math.nan if x is None else x for x in numbers), unit))
        p_values.append(_p_value(gap))
    table = pd.DataFrame(rows, columns=list(EARLIER_COLUMNS[:-1]))
    return table.assign(changed=_holm(np.array(p_values, dtype=np.float64)))


def earlier_text(table: pd.DataFrame, width: int = 80) -> str:
    """Return what ``compare_earlier`` found as text: a line for each part, and one for each change that is real."""
    if not len(table):
        return "Compared with the earlier result: no servo, tank or pack is in both."
    lines = ["Compared with the earlier result:"]
    name_width = min(max(len(p) for p in table["part"]), 24)
    for part, rows in table.groupby("part", sort=False):
        told = rows["changed"].notna()
        changed = rows[rows["changed"].fillna(value=False)]
        count = f"{len(changed)} of {int(told.sum())} figures changed" if told.any() else "nothing to compare"
        apart = "" if told.all() else f", {int((~told).sum())} measured or sure only once"
        lines.append(f"  {part:<{name_width}.{name_width}}  {count}{apart}"[:width])
        for r in changed.itertuples():
            unit = "" if r.unit == "1" else f" {r.unit}"
            what = f"{r.quantity} {r.aspect}".removesuffix(" value")
            lines.append(f"    {what}: {r.then:.4g} then, {r.now:.4g} now"[:width])
            lines.append(f"      change {r.difference:+.3g}{unit}, standard uncertainty {r.u:.2g}{unit}"[:width])
    told_all = int(table["changed"].notna().sum())
    lines.append(f"  Chance that a change called so is none: {100 * RISK:g} % at most, of all {told_all} figures.")
    return "\n".join(lines)


# --- what is compared -------------------------------------------------------------------------------------------------

Aspects = dict[str, Estimate]
"""Aspect -> estimate of one quantity."""


def _matched(
    earlier: Mapping[str, Any], analyses: Mapping[str, Analysis]
) -> Iterator[tuple[str, str, str, Estimate | None, Estimate | None]]:
    """Yield part, quantity, aspect, then and now of whatever was measured at least once."""
    old = {(p.get("id"), p.get("kind")): p.get("quantities", {}) for p in earlier.get("parts", [])}
    for part, analysis in analyses.items():
        kind, new = analysis.result.kind, analysis.result.quantities
        if (before := old.get((part, kind))) is None:
            continue
        for name in _COMPARED.get(kind, ()):
            corrected = _corrected(name)
            if corrected != name and corrected in before and corrected in new:
                continue
            then, now = _earlier_aspects(before.get(name)), _aspects(new.get(name))
            for aspect in dict.fromkeys([*then, *now]):
                yield part, name, aspect, then.get(aspect), now.get(aspect)


def _corrected(name: str) -> str:
    """Return the name of the same quantity at reference conditions, or the name itself."""
    known = {"transit_s_per_60deg": "transit_ref_s_per_60deg", "moving_current_a": "moving_current_ref_a"}
    return known.get(name, name)


def _aspects(q: Trend | Estimate | None) -> Aspects:
    if isinstance(q, Trend):
        found = {"settled": q.settled, "drift": q.drift_per_1000}
    else:
        found = {} if q is None else {"value": q}
    return {aspect: e for aspect, e in found.items() if e.value is not None}


def _earlier_aspects(raw: Any) -> Aspects:
    """Read one quantity of a results.json."""
    if not isinstance(raw, Mapping):
        return {}
    parts = {"settled": raw.get("settled"), "drift": raw.get("drift_per_1000"), "value": raw}
    return {aspect: e for aspect, x in parts.items() if (e := _earlier_estimate(x)) is not None}


def _earlier_estimate(raw: Any) -> Estimate | None:
    if not isinstance(raw, Mapping) or not isinstance(raw.get("value"), int | float):
        return None
    value, u, lo, hi = (raw.get(key) for key in ("value", "u", "lo", "hi"))
    dof = None if not u or lo is None or hi is None else _dof((hi - lo) / (2 * u))
    return Estimate(value=value, u=u, lo=lo, hi=hi, unit=str(raw.get("unit", "1")), dof=dof)


def _dof(factor: float) -> float | None:
    """Degrees of freedom behind a 95 % interval of +- ``factor`` u, which results.json does not hold; None: many."""
    if not coverage_factor(1e3) < factor:  # no longer told from the normal distribution
        return None
    if factor >= coverage_factor(1.0):
        return 1.0
    from scipy.optimize import brentq  # rarely needed, slow to load

    return float(brentq(lambda nu: coverage_factor(nu) - factor, 1.0, 1e3))


# --- whether it is real -----------------------------------------------------------------------------------------------


def _p_value(gap: Estimate | None) -> float:
    """Two-sided p-value of no change; NaN where the uncertainty is not known."""
    if gap is None or gap.value is None or gap.u is None:
        return math.nan
    if gap.u == 0:
        return float(gap.value == 0)
    z = -abs(gap.value) / gap.u
    return 2 * float(ndtr(z) if gap.dof is None else stdtr(gap.dof, z))


def _holm(p: np.ndarray[Any, np.dtype[np.float64]]) -> pd.arrays.BooleanArray:
    """Tell which hypotheses Holm's step-down rejects (S. Holm, Scand. J. Statist. 6 (1979) 65); <NA> where p is NaN."""
    known = np.flatnonzero(np.isfinite(p))
    order = known[np.argsort(p[known], kind="stable")]
    small = p[order] <= RISK / np.arange(order.size, 0, -1)
    real = np.zeros(p.size, dtype=bool)
    real[order] = np.logical_and.accumulate(small)
    return pd.arrays.BooleanArray(real, ~np.isfinite(p))
