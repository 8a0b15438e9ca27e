"""The dialect of a log: how its lines are cut into cells, and where header, units row and data lie."""

from __future__ import annotations

import csv
import re
from collections.abc import Sequence
from dataclasses import dataclass, field

DELIMITERS = ("\t", ";", ",", "|", " ", "")
"""In order of preference where two explain a log equally well; "" is a log of one column."""
_COMMENT = re.compile(r"\s*(?:#|%|//)")
_RUNS = re.compile(r"[ \t]+")


@dataclass(frozen=True, slots=True, kw_only=True)
class Dialect:
    """How a log's lines are cut into cells and where its parts lie. Line numbers are physical, from 1."""

    delimiter: str
    """One of DELIMITERS; " " stands for runs of blanks, "" for a single column."""
    decimal: str
    width: int
    """Fields in a data row."""
    names: tuple[str, ...]
    """One for each column; "" where the header names none."""
    units: tuple[str, ...]
    """From the units row or the cells; "" where there is none."""
    types: tuple[str, ...]
    """Per column what most of its sample cells are (see ``cells.cell_type``), or ``e`` where all are missing."""
    header_line: int | None
    units_line: int | None
    first_data_line: int | None
    header_cells: tuple[str, ...] = ()
    """As split by the data's own delimiter, to know repeats by."""
    units_cells: tuple[str, ...] = ()
    comments: bool = True
    """Lines that begin with #, % or // are comments."""
    metadata: dict[str, str] = field(default_factory=dict)
    unit_columns: dict[int, int] = field(default_factory=dict)
    """Columns whose unit stands in another column, row by row."""
    groups: tuple[str, ...] = ()
    """What a line above the header says of each column, where only that tells them apart ("Servo 1")."""
    doubt: str = ""
    """Why the log must not be read without being asked about, "" where it may."""
    sample: tuple[tuple[str, ...], ...] = ()
    """The first data rows, cut into cells."""


def split(line: str, delimiter: str) -> list[str]:
    """Cut a line into cells; quotes are honoured and dropped."""
    if delimiter == "":
        return [line.strip().strip('"')]
    if delimiter == " ":
        line = _RUNS.sub(" ", line.strip())
    if '"' not in line:
        return line.split(delimiter)
    try:
        return next(csv.reader([line], delimiter=delimiter, skipinitialspace=True))
    except (csv.Error, StopIteration):
        return line.split(delimiter)


def is_blank(cells: Sequence[str]) -> bool:
    """Tell whether a line holds nothing: no cell with anything but blanks."""
    text = "".join(cells)
    return not text or text.isspace()


def is_comment(line: str) -> bool:
    """Tell whether a line begins like a comment."""
    return _COMMENT.match(line) is not None
