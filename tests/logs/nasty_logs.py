"""The collection of logs of our own that are hard to read, and the check of what was read against their truth."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from benchlab.errors import LogError
from benchlab.logs.reader import read_log
from benchlab.procedure import Procedures
from tests.logs import nasty_clocks, nasty_text
from tests.logs.nasty_tools import ALL, Nasty


def fault(log: Nasty, path: Path, procedures: Procedures) -> str | None:
    """Return the first thing that was read wrong, None if all is right."""
    try:
        found = read_log(path, name="log.csv", procedures=procedures, kind=log.asked)  # type: ignore[arg-type]
    except LogError as error:
        return f"refused: {error}"
    if found.kind != log.kind:
        return f"kind {found.kind}"
    wrong = {k: getattr(found, k) for k, v in log.dialect.items() if getattr(found, k) != v}
    if wrong:
        return f"{wrong} instead of {log.dialect}"
    if (lines := tuple(found.rejected["line"].to_list())) != log.rejected:
        rules = found.rejected["rule"].to_list()[:1]
        return f"{found.rows_rejected} rows rejected ({lines[:5]}: {rules}) instead of {log.rejected}"
    for key, true in log.columns.items():
        part, _, channel = key.rpartition(":")
        if part not in found.tables or channel not in found.tables[part]:
            return f"no {key}; columns {[(c.name, c.channel, c.part) for c in found.columns][:6]}"
        values = found.tables[part][channel].to_numpy()
        if len(values) != len(true):
            return f"{len(values)} rows of {key} instead of {len(true)}"
        if not np.allclose(values, true, rtol=0, atol=log.tolerance, equal_nan=True):
            return f"{key}: {values[:3]} instead of {np.asarray(true)[:3]}"
    if (kinds := tuple(e.kind for e in found.events)) != log.events:
        return f"events {kinds} instead of {log.events}"
    return None


def nasty() -> list[Nasty]:
    """Return all logs."""
    if not ALL:
        nasty_text.add_all()
        nasty_clocks.add_all()
    return list(ALL)
