"""Schemas of the canonical tables, built from the procedures: types and physical bounds, checked batch by batch."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from benchlab.procedure import Channel

if TYPE_CHECKING:
    import pandera.pandas as pa

Array = np.ndarray[Any, Any]
Bools = np.ndarray[Any, np.dtype[np.bool_]]

LABELS = frozenset({"servo", "circuit", "tank", "phase", "item", "side", "unit"})
"""Channels that hold words, not numbers."""
_CASES = 20
"""Failure cases that pandera is to list; rows are counted from masks of our own (listing all is ruinously slow)."""


def channel_of(column: str) -> str:
    """Return the channel of a batch's column (``current_a:1`` is ``current_a`` of part 1)."""
    return column.split(":", 1)[0]


def canonical_schema(columns: Iterable[str], channels: Mapping[str, Channel]) -> pa.DataFrameSchema:
    """Return the schema of a table with these columns (``channel`` or ``channel:part``), all of them nullable.

    Numbers are float64 within the procedure's bounds, labels are strings.
    """
    import pandera.pandas as pa

    fields: dict[str, pa.Column] = {}
    for column in columns:
        channel = channel_of(column)
        if channel in LABELS:
            fields[column] = pa.Column("str", nullable=True)
            continue
        bounds = channels[channel].bounds if channel in channels else None
        checks = [] if bounds is None else [pa.Check.in_range(*bounds, n_failure_cases=_CASES)]
        fields[column] = pa.Column("float64", checks, nullable=True)
    return pa.DataFrameSchema(fields, coerce=False)


def out_of_bounds(
    columns: Mapping[str, Array],
    channels: Mapping[str, Channel],
    spans: Mapping[str, tuple[float, float]] | None = None,
) -> dict[str, Bools]:
    """Return for each column of a batch that fails the schema which of its rows lie outside the bounds.

    That is told by comparing arrays, which is what the schema's checks come to (a test holds one against the other)
    without a third of a second for loading it. Only a batch with numbers of the wrong type is put to the schema itself,
    to say what is wrong. ``spans`` are least and greatest values where they are known already (NaN: not known).

    Raises
    ------
    TypeError
        If a column has the wrong type: a fault of the program, never of the log.
    """
    known = spans or {}
    masks = {c: m for c, x in columns.items() if (m := _outside(x, c, channels, known.get(c))) is not None}
    if all(x.dtype == np.float64 for c, x in columns.items() if channel_of(c) not in LABELS):
        return masks
    import pandas as pd
    import pandera.errors

    frame = pd.DataFrame({c: pd.array(x, dtype="str") if channel_of(c) in LABELS else x for c, x in columns.items()})
    try:
        canonical_schema(columns, channels).validate(frame, lazy=True)
    except pandera.errors.SchemaErrors as error:
        raise TypeError(str(error.failure_cases.iloc[0].to_dict())) from None
    return masks


def _outside(x: Array, column: str, channels: Mapping[str, Channel], span: tuple[float, float] | None) -> Bools | None:
    """Return which values lie outside the channel's bounds, None if none does."""
    channel = channel_of(column)
    bounds = channels[channel].bounds if channel in channels and channel not in LABELS else None
    if bounds is None or (span is not None and bounds[0] <= min(span) and max(span) <= bounds[1]):
        return None
    with np.errstate(invalid="ignore"):
        mask: Bools = (x < bounds[0]) | (x > bounds[1])
    return mask if mask.any() else None
