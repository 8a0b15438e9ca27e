"""Left/right bench measurements (distances, throws, angles) that should be equal."""

from __future__ import annotations

import math
from collections.abc import Hashable
from typing import TYPE_CHECKING

from benchlab.airframe import Dimension
from benchlab.judgement import judge, not_measured
from benchlab.procedure import DimensionProcedure, Limit
from benchlab.results import Analysis, Estimate, Finding, PartResult, Trend
from benchlab.stats.uncertainty import combine, estimate

if TYPE_CHECKING:
    import pandas as pd

# one of the unit in mm; exact by definition (inch: NIST SP 811, appendix B)
_MM = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4, "inch": 25.4}
_ANGLE = {"deg", "degree", "degrees", "°"}
_LEFT, _RIGHT = {"left", "l", "links"}, {"right", "r", "rechts"}


def judge_dimension(entry: Dimension, procedure: DimensionProcedure) -> Analysis:
    """Judge one left/right measurement: ``difference`` = left - right against its tolerance.

    The standard uncertainty is sqrt(2) times that of one reading: both sides are read once with the same instrument.
    An entry's own ``u`` and ``tolerance`` win over the procedure's, which are converted to the entry's unit.
    """
    tolerance, u, source = _defaults(entry.unit, procedure)
    if entry.tolerance is not None:
        tolerance, source = entry.tolerance, "register"
    u = u if entry.u is None else entry.u
    gap = estimate(entry.left - entry.right, None if u is None else math.sqrt(2) * u, entry.unit)
    if tolerance is None or u is None:
        lacking = " and ".join(w for w, x in (("'tolerance'", tolerance), ("'u'", u)) if x is None)
        why = f"no default for the unit {entry.unit!r}; give {lacking} for this item"
        finding = not_measured("difference", "value", entry.unit, why)
    else:
        limit = Limit(lower=-tolerance, upper=tolerance, source=source)
        finding = judge("difference", "value", gap, limit, procedure.rule)
    note = f"left {entry.left:g} {entry.unit}, right {entry.right:g} {entry.unit}"
    return _analysis(entry.item, finding, {"difference": gap}, (note,))


def judge_dimension_table(table: pd.DataFrame, procedure: DimensionProcedure) -> dict[str, Analysis]:
    """Judge the items of a ``paired_dimensions`` table.

    Parameters
    ----------
    table
        Columns item, side, value, unit and, where given, tolerance and instrument_u (NaN: the procedure's). Several
        readings of one side are averaged; their scatter adds to the uncertainty.

    Returns
    -------
    dict
        item -> Analysis in the order of the table; an item that cannot be paired is to be retested.
    """
    return {str(item): _judge_rows(str(item), rows, procedure) for item, rows in table.groupby("item", sort=False)}


def _judge_rows(item: str, rows: pd.DataFrame, procedure: DimensionProcedure) -> Analysis:
    side = rows["side"].astype(str).str.strip().str.casefold()
    left, right = rows[side.isin(_LEFT)]["value"].dropna(), rows[side.isin(_RIGHT)]["value"].dropna()
    units = list(dict.fromkeys(rows["unit"].astype(str).str.strip()))
    strange = sorted(set(side) - _LEFT - _RIGHT)
    why = (
        f"side {strange[0]!r} is neither left nor right"
        if strange
        else f"units differ: {', '.join(units)}"
        if len(units) > 1
        else "no reading of the left side"
        if left.empty
        else "no reading of the right side"
        if right.empty
        else None
    )
    if why is not None:
        return _analysis(item, not_measured("difference", "value", units[0], why), {}, ())
    u = _column(rows, "instrument_u")
    u = _defaults(units[0], procedure)[1] if u is None else u
    scatter = [float(s.std(ddof=1)) / math.sqrt(len(s)) for s in (left, right) if len(s) > 1]
    entry = Dimension(
        item=item,
        left=float(left.mean()),
        right=float(right.mean()),
        unit=units[0],
        # judge_dimension multiplies by sqrt(2): the scatter of both sides enters as its root mean square
        u=None if u is None else combine(u, *(s / math.sqrt(2) for s in scatter)),
        tolerance=_column(rows, "tolerance"),
    )
    return judge_dimension(entry, procedure)


def _column(rows: pd.DataFrame, name: Hashable) -> float | None:
    """Return the largest stated value of an optional column for uncertainty, the smallest for a tolerance."""
    if name not in rows:
        return None
    stated = rows[name].dropna()
    if stated.empty:
        return None
    return float(stated.max() if name == "instrument_u" else stated.min())


def _defaults(unit: str, procedure: DimensionProcedure) -> tuple[float | None, float | None, str]:
    """Return tolerance, uncertainty of one reading and their source in ``unit``; None where there is no default."""
    word = unit.strip().casefold()
    if word in _ANGLE:
        return procedure.tolerance_deg, procedure.instrument_u_deg, procedure.source
    if word not in _MM:
        return None, None, procedure.source
    return procedure.tolerance / _MM[word], procedure.instrument_u / _MM[word], procedure.source


def _analysis(item: str, finding: Finding, quantities: dict[str, Trend | Estimate], notes: tuple[str, ...]) -> Analysis:
    result = PartResult(
        id=item, kind="dimension", verdict=finding.verdict, judged_on=("difference",) if quantities else (),
        quantities=quantities, findings=(finding,), notes=notes,
    )  # fmt: skip
    return Analysis(result=result)
