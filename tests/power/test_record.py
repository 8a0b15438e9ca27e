from __future__ import annotations

import numpy as np
import pytest

from benchlab.power.load import describe
from benchlab.power.record import prepare


def test_a_gap_is_reported_and_not_bridged(procedure, make_log):
    t = np.concatenate([np.arange(0, 10, 0.1), np.arange(20, 30, 0.1)])
    r = prepare([make_log(t, np.ones(len(t)))], procedure)
    assert [(e.time_s, e.size_s) for e in r.gaps] == [(pytest.approx(9.9), pytest.approx(10.1))]
    assert describe(r)["charge_mah"].value == pytest.approx(2 * 9.9 / 3.6)


def test_rows_without_current_make_a_gap(procedure, make_log):
    i = np.ones(200)
    i[50:100] = np.nan
    r = prepare([make_log(np.arange(200) * 0.1, i)], procedure)
    assert r.rows_missing == 50
    assert len(r.gaps) == 1


def test_an_event_driven_log_is_integrated_over_its_long_quiet_intervals(procedure, make_log):
    # a row a minute at rest, ten a second in a pulse; the pulse's begin is written at once
    t, i = [0.0], [1.0]
    for _ in range(20):
        for _ in range(3):
            t.append(t[-1] + 60)
            i.append(1.0)
        for k in range(60):
            t.append(t[-1] + 0.1)
            i.append(5.0 if k < 59 else 1.0)
    r = prepare([make_log(t, i)], procedure)
    assert r.event_driven
    assert not r.gaps
    assert r.duration_s == pytest.approx(t[-1])


def test_in_an_event_driven_log_a_change_at_an_unknown_moment_is_a_gap(procedure, make_log):
    # the pulse's last row, then nothing for a minute, then rest: when it ended is unknown
    t, i = [0.0], [0.0]
    for _ in range(20):
        for _ in range(3):
            t.append(t[-1] + 60)
            i.append(0.0)
        for _ in range(60):
            t.append(t[-1] + 0.5)
            i.append(10.0)
    r = prepare([make_log(t, i)], procedure)
    assert len(r.gaps) == 19
    # 20 pulses of 59 intervals of 0.5 s, and the half interval in which each rises
    assert describe(r)["charge_mah"].value == pytest.approx(20 * (59 * 0.5 + 0.25) * 10 / 3.6)


def test_two_logs_run_on_but_nothing_is_integrated_between(procedure, make_log):
    one = make_log([0, 1, 2], [1, 1, 1])
    r = prepare([one, one], procedure)
    assert r.duration_s == 4
    assert (np.diff(r.time_s) >= 0).all()


def test_too_little_to_use(procedure, make_log):
    assert prepare([make_log([0.0], [1.0])], procedure) is None
    assert prepare([make_log([0, 1], [np.nan, np.nan])], procedure) is None
    assert prepare([make_log([0, 1], [1, 1]).drop(columns="current_a")], procedure) is None
