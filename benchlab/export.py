"""Writing tables and texts for other programs."""

from __future__ import annotations

import json
import re
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd

_NUMBER = re.compile(r"[+-]?(\d+[.,]?\d*|[.,]\d+)([eE][+-]?\d+)?")


def harmless(cell: object) -> object:
    """Put an apostrophe before text that a spreadsheet would run as a formula; numbers stay as they are."""
    if isinstance(cell, str) and cell[:1] in ("=", "+", "-", "@", "\t", "\r") and not _NUMBER.fullmatch(cell):
        return "'" + cell
    return cell


def csv_text(frame: pd.DataFrame) -> str:
    """Return a frame as CSV text (comma, decimal point, LF) that is safe to open in a spreadsheet."""
    safe = frame.copy()
    for name in safe.columns:
        if safe[name].dtype.kind not in "biuf":
            safe[name] = safe[name].map(harmless)
    safe.columns = [harmless(str(c)) for c in safe.columns]
    return safe.to_csv(index=False, lineterminator="\n")


def toml_string(text: str) -> str:
    """Return a text as a TOML basic string."""
    # JSON's escapes are TOML's; only DEL must be escaped as well
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
