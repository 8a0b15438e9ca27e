"""Tools of the collection of nasty logs: what one is, and how numbers and tables are written."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

N = 40
T = np.round(np.arange(N) * 0.1, 1)
I = np.round(1.2 + 0.8 * np.sin(np.arange(N) / 5), 3)  # noqa: E741 - the symbol of current
U = np.round(7.4 - 0.002 * np.arange(N), 3)
P = np.round(12.5 - 0.01 * np.arange(N), 2)
C = np.round(21 + 0.5 * np.sin(np.arange(N) / 7), 1)
POS = np.round(30 * np.sin(np.arange(N) / 3), 2)
CMD = np.where(np.arange(N) // 5 % 2, 1900, 1100)


@dataclass(frozen=True, kw_only=True)
class Nasty:
    """A log and its truth. ``columns``: channel or part:channel -> values in canonical units."""

    name: str
    content: bytes
    columns: dict[str, Any]
    kind: str | None = "current_draw"
    asked: str | None = None
    """Kind that the register asks for; None: to be found out."""
    rejected: tuple[int, ...] = ()
    """Lines that must be rejected."""
    events: tuple[str, ...] = ()
    tolerance: float = 1e-6
    """Values are written with a few decimals and read as binary floats: this is far below the last digit."""
    dialect: dict[str, Any] = field(default_factory=dict)


def n(x: float, digits: int, decimal: str = ".", group: str = "") -> str:
    """Write a number."""
    text = f"{x:,.{digits}f}"
    return text.replace(",", "\0").replace(".", decimal).replace("\0", group)


def table(header: Iterable[str], columns: Sequence[Iterable[str]], sep: str = ",", end: str = "\n") -> str:
    """Write header lines and columns of cells."""
    return end.join([*header, *(sep.join(r) for r in zip(*columns, strict=True))]) + end


def cells(values: Iterable[float], digits: int, decimal: str = ".", group: str = "") -> list[str]:
    """Write a column of numbers."""
    return [n(float(x), digits, decimal, group) for x in values]


def plain(header: str = "t_s,current_A,voltage_V", sep: str = ",", decimal: str = ".") -> str:
    """Write the plain log: time, current, voltage."""
    return table([header], [cells(T, 1, decimal), cells(I, 3, decimal), cells(U, 3, decimal)], sep)


TIU = {"time_s": T, "current_a": I, "voltage_v": U}
TI = {"time_s": T, "current_a": I}
ALL: list[Nasty] = []


def log(name: str, content: str | bytes, columns: dict[str, Any], encoding: str = "utf-8", **truth: Any) -> None:
    """Add a log to the collection."""
    data = content if isinstance(content, bytes) else content.encode(encoding)
    ALL.append(Nasty(name=name, content=data, columns=columns, **truth))
