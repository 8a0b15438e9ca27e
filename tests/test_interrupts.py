"""Ctrl-C waits until a block has ended, and is not lost."""

from __future__ import annotations

import signal
import threading

import pytest

from benchlab.interrupts import held


def test_ctrl_c_waits_until_the_block_has_ended() -> None:
    done = []

    def block() -> None:
        with held():
            signal.raise_signal(signal.SIGINT)
            done.append("the rest of the block")

    with pytest.raises(KeyboardInterrupt):
        block()
    assert done
    with pytest.raises(KeyboardInterrupt):
        signal.raise_signal(signal.SIGINT)


def test_an_error_in_the_block_is_not_hidden_and_the_old_way_is_restored() -> None:
    before = signal.getsignal(signal.SIGINT)
    with pytest.raises(ValueError, match="of its own"), held():
        raise ValueError("of its own")
    assert signal.getsignal(signal.SIGINT) is before


def test_a_thread_that_nobody_interrupts_is_left_alone() -> None:
    ran = []

    def work() -> None:
        with held():
            ran.append(1)

    thread = threading.Thread(target=work)
    thread.start()
    thread.join()
    assert ran == [1]
