"""Left/right bench measurements (distances, throws, angles) that should be equal."""

from __future__ import annotations

import math
from dataclasses import replace

import pandas as pd

from benchlab.airframe import Dimension
from benchlab.judgement import judge, not_measured
from benchlab.logs.table import ReadLog
from benchlab.procedure import DimensionProcedure, Limit
from benchlab.results import Analysis, Estimate, Finding, PartResult, Trend
from benchlab.stats.uncertainty import combine, estimate

# one of the unit in mm; exact by definition (inch: NIST SP 811, appendix B)
_MM = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4, "inch": 25.4}
_ANGLE = {"deg", "degree", "degrees", "°"}
_LEFT, _RIGHT = {"left", "l", "links"}, {"right", "r", "rechts"}


def judge_dimension(entry: Dimension, procedure: DimensionProcedure, *, source: str = "register") -> Analysis:
    """Judge one left/right measurement: ``difference`` = left - right against its tolerance.

    The standard uncertainty is sqrt(2) times that of one reading: both sides are read once with the same instrument.
    An entry's own ``u`` and ``tolerance`` win over the procedure's, which are converted to the entry's unit;
    ``source`` is where the entry stands.
    """
    tolerance, u, stated = _defaults(entry.unit, procedure)
    if entry.tolerance is not None:
        tolerance, stated = entry.tolerance, source
    u = u if entry.u is None else entry.u
    gap = estimate(entry.left - entry.right, None if u is None else math.sqrt(2) * u, entry.unit)
    if tolerance is None or u is None:
        lacking = " and ".join(w for w, x in (("'tolerance'", tolerance), ("'u'", u)) if x is None)
        why = f"no default for the unit {entry.unit!r}; give {lacking} for this item"
        finding = not_measured("difference", "value", entry.unit, why)
    else:
        limit = Limit(lower=-tolerance, upper=tolerance, source=stated)
        finding = judge("difference", "value", gap, limit, procedure.rule)
    note = f"left {entry.left:g} {entry.unit}, right {entry.right:g} {entry.unit}"
    return _analysis(entry.item, finding, {"difference": gap}, (note,))


def judge_dimension_log(read: ReadLog, procedure: DimensionProcedure) -> dict[str, Analysis]:
    """Judge the items of a log of the kind ``paired_dimensions``.

    Its table has the columns item, side, value, line and, where the log has them, unit, tolerance and instrument_u
    (NaN: the procedure's). Several readings of one side are averaged; their scatter adds to the uncertainty.

    Returns
    -------
    dict
        item -> Analysis in the order of the log, with its rows as table ``readings``. An item with a row that cannot be
        used, or without a pair, is to be retested; the reason names the line.
    """
    table = read.tables.get("")
    if table is None or not {"item", "side", "value", "line"} <= set(table.columns):
        return {}
    header_unit = next((c.unit for c in read.columns if c.channel == "value"), None) or ""
    unit = table["unit"].str.strip() if "unit" in table else pd.Series("", index=table.index, dtype="str")
    table = table.assign(item=table["item"].str.strip(), unit=unit.where(unit != "", header_unit))
    lost = "".join(f"; line {r.line} was rejected ({r.rule}: {r.value!r:.40})" for r in read.rejected.itertuples())
    found = (_judge_rows(str(i), rows, procedure, read.path, lost) for i, rows in table.groupby("item", sort=False))
    return {a.result.id: a for a in found}


def _judge_rows(item: str, rows: pd.DataFrame, procedure: DimensionProcedure, log: str, lost: str) -> Analysis:
    left, right = (
        rows.loc[rows["side"].str.strip().str.casefold().isin(words), "value"].dropna() for words in (_LEFT, _RIGHT)
    )
    if (why := _unusable(item, rows)) or left.empty or right.empty:
        why = why or f"no reading of the {'left' if left.empty else 'right'} side{lost}"
        found = _analysis(item, not_measured("difference", "value", str(rows["unit"].iloc[0]), why), {}, ())
    else:
        unit = str(rows["unit"].iloc[0])
        u = _column(rows, "instrument_u")
        u = _defaults(unit, procedure)[1] if u is None else u
        scatter = [float(s.std(ddof=1)) / math.sqrt(len(s)) for s in (left, right) if len(s) > 1]
        entry = Dimension(
            item=item,
            left=float(left.mean()),
            right=float(right.mean()),
            unit=unit,
            # judge_dimension multiplies by sqrt(2): the scatter of both sides enters as its root mean square
            u=None if u is None else combine(u, *(s / math.sqrt(2) for s in scatter)),
            tolerance=_column(rows, "tolerance"),
        )
        found = judge_dimension(entry, procedure, source=log)
    return replace(found, result=replace(found.result, logs=(log,)), tables={"readings": rows.reset_index(drop=True)})


def _unusable(item: str, rows: pd.DataFrame) -> str | None:
    """Say which row of an item cannot be used and what would be right; None where all can."""
    first = str(rows["unit"].iloc[0])
    checks = [
        (pd.Series(not item, index=rows.index), "no item is named; name what was measured"),
        (~rows["side"].str.strip().str.casefold().isin(_LEFT | _RIGHT), 'side {side!r} is neither "left" nor "right"'),
        (rows["value"].isna(), "no value; enter the reading or leave the line away"),
        (rows["unit"] == "", "no unit; add a column unit, or the unit to the header of the values"),
        (rows["unit"] != first, "unit {unit!r} where the item began with {first!r}; use one unit for an item"),
    ]
    for name, may_be_zero in (("tolerance", False), ("instrument_u", True)):
        if name in rows:
            bad = rows[name] < 0 if may_be_zero else rows[name] <= 0
            checks.append((bad, f"{name} {{{name}:g}} must be {'0 or more' if may_be_zero else 'above 0'}"))
    for bad, what in checks:
        if bad.any():
            row = {str(k): v for k, v in rows[bad].iloc[0].items()}
            return f"line {row['line']}: " + what.format(**row, first=first)
    return None


def _column(rows: pd.DataFrame, name: str) -> float | None:
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
        id=item or "(no item named)", kind="dimension", verdict=finding.verdict,
        judged_on=("difference",) if quantities else (), quantities=quantities, findings=(finding,), notes=notes,
    )  # fmt: skip
    return Analysis(result=result)
