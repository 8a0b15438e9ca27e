"""Writing tables and texts for other programs."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import TYPE_CHECKING

from benchlab.errors import BenchlabError

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


def write_text(path: Path, text: str) -> None:
    """Write a text file for the user, UTF-8 with its line ends as they are.

    Raises
    ------
    BenchlabError
        If it cannot be written.
    """
    try:
        path.write_text(text, encoding="utf-8", newline="")
    except OSError as error:
        raise BenchlabError(f"cannot be written ({error.strerror})", path=str(path), do="name another file") from None
