"""Comparing archived results with recomputed ones, figure by figure."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

# results.json holds 9 significant digits; other processors and libraries may round the last ones otherwise
_RELATIVE = 1e-6
# a thousandth of the standard uncertainty changes no statement
_SHARE_OF_U = 1e-3
_NAMES = ("id", "name", "path", "position", "follower", "pattern")


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """One figure or word that came out otherwise. ``size`` is recomputed minus archived, None for words."""

    where: str
    archived: object
    recomputed: object
    size: float | None = None
    unit: str = ""
    negligible: bool = False
    """Rounding: within 1e-6 of the figure or a thousandth of its standard uncertainty."""


_ABSENT = "(absent)"


def compare_results(archived: Mapping[str, Any], recomputed: Mapping[str, Any]) -> list[Difference]:
    """List every difference between two parsed ``results.json``; versions of software are left to the caller.

    Changed verdicts come first, then all else in the order of the file.
    """
    old, new = (dict(_leaves({k: v for k, v in r.items() if k != "software"})) for r in (archived, recomputed))
    found = []
    for where in dict.fromkeys([*old, *new]):
        before, after = old.get(where), new.get(where)
        a, b = (_ABSENT if leaf is None else leaf.value for leaf in (before, after))
        if a != b:
            found.append(_difference(where, a, b, before or after))
    return sorted(found, key=lambda d: not d.where.endswith("verdict"))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Leaf:
    value: object
    u: float | None
    unit: str


def _leaves(x: object, where: str = "", u: float | None = None, unit: str = "") -> Iterator[tuple[str, _Leaf]]:
    """Yield every figure and word of parsed JSON under a name that does not depend on its place in a list."""
    if isinstance(x, Mapping):
        for key, value in x.items():
            yield from _leaves(value, f"{where}, {key}" if where else str(key), x.get("u"), str(x.get("unit", "")))
    elif isinstance(x, list):
        seen: dict[str, int] = {}
        for number, entry in enumerate(x, 1):
            label = _label(entry) or str(number)
            seen[label] = seen.get(label, 0) + 1
            again = f" ({seen[label]})" if seen[label] > 1 else ""
            yield from _leaves(entry, f"{where} {label}{again}", u, unit)
    else:
        yield where, _Leaf(value=x, u=u, unit=unit)


def _label(entry: object) -> str | None:
    if not isinstance(entry, Mapping):
        return None
    if "quantity" in entry and "aspect" in entry:
        return f"{entry['quantity']} {entry['aspect']}"
    if "command_us" in entry:
        return f"{entry.get('follower')} at {entry['command_us']} us"
    if "kind" in entry and "id" not in entry:
        return " ".join(str(entry[k]) for k in ("kind", "quantity", "cycle") if k in entry)
    return next((str(entry[k]) for k in _NAMES if k in entry), None)


def _difference(where: str, a: object, b: object, leaf: _Leaf | None) -> Difference:
    unit = leaf.unit if leaf else ""
    if not (_is_number(a) and _is_number(b)):
        return Difference(where=where, archived=a, recomputed=b)
    x, y = float(a), float(b)  # type: ignore[arg-type]
    near = math.isclose(x, y, rel_tol=_RELATIVE) and not (isinstance(a, int) and isinstance(b, int))
    if leaf and leaf.u and where.rsplit(", ", 1)[-1] in ("value", "lo", "hi", "u"):
        near = near or abs(y - x) <= _SHARE_OF_U * leaf.u
    return Difference(where=where, archived=a, recomputed=b, size=y - x, unit=unit, negligible=near)


def _is_number(x: object) -> bool:
    return isinstance(x, int | float) and not isinstance(x, bool)


def compare_cycles(archived: pd.DataFrame, recomputed: pd.DataFrame) -> list[Difference]:
    """Compare two tables of per-cycle quantities; of every part and column the largest difference is listed."""
    if list(archived.columns) != list(recomputed.columns):
        lost, new = (set(a.columns) - set(b.columns) for a, b in ((archived, recomputed), (recomputed, archived)))
        words = (", ".join(sorted(lost)) or _ABSENT, ", ".join(sorted(new)) or _ABSENT)
        return [Difference(where="cycles, columns", archived=words[0], recomputed=words[1])]
    keys = ["part", "cycle"]
    if not archived[keys].equals(recomputed[keys]):
        size = float(len(recomputed) - len(archived))
        return [Difference(where="cycles, rows", archived=len(archived), recomputed=len(recomputed), size=size)]
    found = []
    for part, rows in archived.groupby("part", sort=False):
        again = recomputed.loc[rows.index]
        for name in archived.columns.drop(keys):
            if (difference := _column(f"cycles {part}, {name}", rows["cycle"], rows[name], again[name])) is not None:
                found.append(difference)
    return found


def _column(where: str, cycle: pd.Series, a: pd.Series, b: pd.Series) -> Difference | None:
    x, y = a.to_numpy(dtype=float, na_value=np.nan), b.to_numpy(dtype=float, na_value=np.nan)
    off = np.where(np.isnan(x) & np.isnan(y), 0.0, np.abs(y - x))
    off[np.isnan(off)] = np.inf  # measured in one, not in the other
    if not off.any():
        return None
    worst = int(np.argmax(off))
    scale = float(np.nanmax(np.abs(x))) if np.isfinite(x).any() else 0.0
    return Difference(
        where=f"{where}, cycle {cycle.iloc[worst]} (largest of {int((off > 0).sum())})",
        archived=float(x[worst]), recomputed=float(y[worst]), size=float(y[worst] - x[worst]),
        negligible=bool(off[worst] <= _RELATIVE * scale),
    )  # fmt: skip
