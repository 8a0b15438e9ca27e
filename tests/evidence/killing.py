"""Kill -9 a piece of work just before or just after one of its calls of the operating system, chosen by number."""

import os
import signal
import sys
from collections.abc import Callable

_SYSTEM = {"posix", "_io"}


def count_calls(work: Callable[[], object]) -> int:
    """Do the work and return at how many places ``kill_at`` can strike."""
    count = 0

    def counting(_frame: object, event: str, function: object) -> None:
        nonlocal count
        count += _strikes(event, function)

    sys.setprofile(counting)
    try:
        work()
    finally:
        sys.setprofile(None)
    return count


def kill_at(number: int, work: Callable[[], object]) -> None:
    """Do the work in a child process that gets SIGKILL at its ``number``-th place; return when it is gone."""
    child = os.fork()
    if child:
        os.waitpid(child, 0)
        return
    left = number

    def counting(_frame: object, event: str, function: object) -> None:
        nonlocal left
        left -= _strikes(event, function)
        if left < 0:
            os.kill(os.getpid(), signal.SIGKILL)

    sys.setprofile(counting)
    work()
    os._exit(0)


def _strikes(event: str, function: object) -> bool:
    if event not in ("c_call", "c_return"):
        return False
    owner = getattr(function, "__self__", None)
    return getattr(function, "__module__", None) in _SYSTEM or type(owner).__module__ in _SYSTEM
