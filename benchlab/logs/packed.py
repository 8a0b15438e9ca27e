"""Numbers of few decimals as whole numbers of two or four bytes, from which they come back to the last bit."""

from __future__ import annotations

from typing import Any

import numpy as np

from benchlab.logs.compiled import compiled

Floats = np.ndarray[Any, np.dtype[np.float64]]
Ints = np.ndarray[Any, np.dtype[np.int32]] | np.ndarray[Any, np.dtype[np.int16]]

_MOST_PLACES = 6
_SHORT = 2**15 - 1
_LARGEST = 2.0**31 - 1


def pack(x: Floats, places: int) -> tuple[Ints, int] | None:
    """Return numbers as whole multiples of a power of ten, and how many decimal places these are.

    Every one of them, divided by that power, is its number again, bit for bit. None where no power up to 10**6 does
    it, or a number is missing.

    Parameters
    ----------
    x
        The numbers.
    places
        The first number of decimal places to try.
    """
    out = np.empty(len(x), dtype=np.int32)
    for k in range(places, _MOST_PLACES + 1):
        most = _multiples(x, 10.0**k, out)
        if most >= 0:
            return (out.astype(np.int16) if most <= _SHORT else out), k
    return None


def unpack(whole: Ints, places: int, out: Floats) -> None:
    """Fill ``out`` with the numbers that were packed."""
    np.divide(whole, np.float64(10.0**places), out=out)


def _fill(x: Floats, power: float, out: np.ndarray[Any, np.dtype[np.int32]]) -> float:
    """Fill ``out`` with the multiples and return the largest size, -1 where one does not give back its number."""
    most = 0.0
    for i in range(len(x)):
        multiple = np.rint(x[i] * power)
        # a zero with a sign would lose it
        if not abs(multiple) <= _LARGEST or multiple / power != x[i] or (multiple == 0 and np.signbit(x[i])):
            return -1.0
        out[i] = np.int32(multiple)
        if abs(multiple) > most:
            most = abs(multiple)
    return most


_multiples = compiled(_fill)
