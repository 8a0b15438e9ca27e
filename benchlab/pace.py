"""How far long work has come: the share of it that is done, and the time it may still take."""

from __future__ import annotations

from typing import Protocol


class Progress(Protocol):
    """Told before each piece of work what it is, and which share of the whole is done (None: not known)."""

    def __call__(self, what: str, share: float | None = None) -> None:
        """Tell what is being done now."""


def silent(what: str, share: float | None = None) -> None:
    """Tell nobody."""


def words(what: str, share: float | None, elapsed_s: float) -> str:
    """Say what is being done and, once a guess is worth telling, about how long the rest takes."""
    if share is None or share < 0.05 or elapsed_s < 1.0:
        return what
    left = elapsed_s * (1 - share) / share
    if left < 1:
        return what
    return f"{what} (about {left:.0f} s left)" if left < 90 else f"{what} (about {left / 60:.0f} min left)"
