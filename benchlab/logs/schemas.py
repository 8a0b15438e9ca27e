"""Schemas of the canonical tables, built from the procedures: types and physical bounds, checked batch by batch."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from benchlab.procedure import Channel

if TYPE_CHECKING:
    import pandas as pd
    import pandera.pandas as pa

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
    frame: pd.DataFrame, schema: pa.DataFrameSchema, channels: Mapping[str, Channel]
) -> dict[str, np.ndarray[Any, np.dtype[np.bool_]]]:
    """Validate a batch lazily; return for each column that fails which of its rows lie outside the bounds.

    Raises
    ------
    TypeError
        If a column has the wrong type: a fault of the program, never of the log.
    """
    import pandera.errors

    try:
        schema.validate(frame, lazy=True)
    except pandera.errors.SchemaErrors as error:
        cases = error.failure_cases
        wrong = cases[~cases["check"].astype("str").str.startswith("in_range")]
        if len(wrong):
            raise TypeError(str(wrong.iloc[0].to_dict())) from None
        failed = {}
        for column in dict.fromkeys(cases["column"].astype("str")):
            bounds = channels[channel_of(column)].bounds
            assert bounds is not None
            x = frame[column].to_numpy()
            with np.errstate(invalid="ignore"):
                failed[column] = (x < bounds[0]) | (x > bounds[1])
        return failed
    return {}
