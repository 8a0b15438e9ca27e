"""Ctrl-C at a bad moment: while modules are loaded or processes forked it waits until that is done."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def held() -> Iterator[None]:
    """Let Ctrl-C wait until the block has ended.

    Within a module that is being loaded it may turn into another error or be lost, and between two processes that are
    being forked it would leave one without the other.

    Raises
    ------
    KeyboardInterrupt
        At the end of the block, if Ctrl-C was pressed in it.
    """
    if threading.current_thread() is not threading.main_thread():  # only that one is interrupted
        yield
        return
    pressed: list[int] = []
    before = signal.signal(signal.SIGINT, lambda number, _: pressed.append(number))
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
    if pressed:
        raise KeyboardInterrupt
