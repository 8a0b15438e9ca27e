from __future__ import annotations

import numpy as np
import pytest

from benchlab.power.events import clipped_rows, find_clipping, find_dips, find_inrush, runs
from benchlab.power.record import prepare
from benchlab.power.source import fit_source
from benchlab.simulate.power import LoadPhase, Logger, Source, simulate_load

LOAD = (LoadPhase(name="cruise", seconds=120),)


def record(procedure, logger, seed=5):
    return prepare([simulate_load(LOAD, Source(), logger, np.random.default_rng(seed))[0]], procedure)


@pytest.mark.parametrize("rows", [1, 2])
def test_dips_shorter_than_three_rows_are_found(procedure, rows):
    r = record(procedure, Logger(ripple_v=0.005, dips=((60.0, 0.6, rows),)))
    (dip,) = find_dips(r, fit_source(r), 0.05, None)
    assert dip.time_s == pytest.approx(60.0, abs=0.051)  # one interval
    assert dip.rows == rows
    assert dip.depth_v == pytest.approx(0.6, abs=0.05)  # noise, ripple and step of the log


def test_what_the_load_explains_is_no_dip(procedure):
    r = record(procedure, Logger())
    assert find_dips(r, fit_source(r), 0.05, None) == []


def test_below_the_lowest_voltage_allowed_is_a_dip_whatever_the_cause(procedure, make_log):
    v = [7.0] * 50 + [5.8] * 2 + [7.0] * 50
    (dip,) = find_dips(prepare([make_log(np.arange(102) * 0.05, [1.0] * 102, v)], procedure), None, 0.5, 6.0)
    assert (dip.rows, dip.lowest_v) == (2, 5.8)


def test_a_flat_top_is_clipping(procedure):
    clip = find_clipping(record(procedure, Logger(clip_a=4.0)))
    assert clip.size == pytest.approx(4.0)


@pytest.mark.parametrize("seed", range(5))
def test_an_unclipped_load_is_not(procedure, seed):
    assert find_clipping(record(procedure, Logger(), seed)) is None


def test_a_constant_load_is_not(procedure, make_log):
    i = [0.0] * 50 + [30.0] * 100 + [0.0] * 50 + [30.0] * 100
    assert find_clipping(prepare([make_log(range(300), i)], procedure)) is None


def test_inrush_after_switching_on(procedure, make_log):
    i = [0.0] * 10 + [9.0, 4.0] + [1.0] * 200
    assert find_inrush(prepare([make_log(np.arange(212) * 0.02, i)], procedure)) == (9.0, pytest.approx(0.2))


def test_no_inrush_where_the_log_begins_switched_on(procedure, make_log):
    assert "switched off" in find_inrush(prepare([make_log(range(20), [1.0] * 20)], procedure))


def test_runs():
    assert runs(np.array([True, False, True, True])) == [(0, 1), (2, 4)]


def plateau(seed=2):
    """Load in steps with 0.5 A of scatter, read to 0.1 A by a sensor that ends at 40 A."""
    level = np.repeat([0.0, 20.0, 45.0, 25.0], 200)
    amps = level + 0.5 * np.random.default_rng(seed).standard_normal(len(level)) * (level > 0)
    return np.round(np.minimum(amps, 40.0), 1)


def test_one_long_flat_top_amid_scatter_is_clipping(procedure, make_log):
    clip = find_clipping(prepare([make_log(np.arange(800) * 0.1, plateau())], procedure))
    assert (clip.size, clip.size_s) == (40.0, pytest.approx(20.0))


def test_a_load_regulated_at_two_levels_is_no_clipping(procedure, make_log):
    # as still at 25 A as at 40 A: it is the load that is steady, not the sensor at its end
    amps = plateau()
    amps[600:] = 25.0
    assert find_clipping(prepare([make_log(np.arange(800) * 0.1, amps)], procedure)) is None


def test_a_negative_load_that_rests_at_zero_is_no_clipping(procedure, make_log):
    assert find_clipping(prepare([make_log(np.arange(800) * 0.1, -plateau())], procedure)) is None


def test_clipped_rows_do_not_pull_the_source_resistance(procedure):
    frame, truth = simulate_load(LOAD, Source(), Logger(clip_a=3.0), np.random.default_rng(5))
    r = prepare([frame], procedure)
    with_them, without = fit_source(r), fit_source(r, clipped_rows(r, find_clipping(r)))
    off = [abs(f.resistance.value - truth.source_resistance_ohm) for f in (with_them, without)]
    assert off[1] < 4 * without.resistance.u < off[0]
