"""Loops that are compiled when they are first needed; importing this takes 0.1 s, which pays for long logs only."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numba


def compiled(function: Callable[..., Any]) -> Callable[..., Any]:
    """Return a loop as machine code, kept for the next time where there is a folder for it."""
    try:
        made: Callable[..., Any] = numba.njit(cache=True, nogil=True)(function)
    except RuntimeError:  # there is no such folder
        made = numba.njit(nogil=True)(function)
    return made
