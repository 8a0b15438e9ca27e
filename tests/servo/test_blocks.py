"""Rows are read block by block: no result may depend on the blocks, and memory may not grow with the log."""

import dataclasses
import itertools
import tracemalloc

import numpy as np
import pandas as pd
import pytest

from benchlab.airframe import Servo
from benchlab.logs.record import Record, Scratch
from benchlab.procedure import load_procedures
from benchlab.servo import supply_events
from benchlab.servo.analyse import judge_servo
from benchlab.servo.cycles import find_cycles
from benchlab.servo.observe import observe_rows
from benchlab.servo.samples import BLOCK, WHOLE, join, pieces
from benchlab.servo.standing import _running, command_dwells
from benchlab.servo.sweep import sweep
from benchlab.simulate.servo import Bench, Fault, Traits, simulate_servo

PROCEDURE = load_procedures().servo


def log(*faults, seed=1, **bench):
    made = simulate_servo(
        np.random.default_rng(seed), Bench(**({"sampling_hz": 50, "cycles": 40} | bench)), Traits(), faults
    )
    return made.frame


def holed(frame):
    """Readings missing one by one, and once a long stretch of them."""
    rng = np.random.default_rng(9)
    out = frame.copy()
    for channel in ("command_us", "position_deg", "current_a", "voltage_v"):
        out.loc[rng.random(len(out)) < 0.05, channel] = np.nan
    out.loc[1000:1900, "position_deg"] = np.nan
    out.loc[:30, "command_us"] = np.nan
    return out


LOGS = {
    "steps": lambda: [log(Fault(kind="brown_out", size=0.5, cycles=(20,)), Fault(kind="stall", size=3.0, cycles=(9,)))],
    "two logs, one without current": lambda: [log(), log(seed=2).drop(columns="current_a")],
    "readings missing": lambda: [holed(log())],
    "counter out of step with the command": lambda: [log().assign(cycle=lambda f: 1 + (f["time_s"] + 1.3) // 4.0)],
    "no command": lambda: [log().drop(columns="command_us")],
    "no position": lambda: [log().drop(columns="position_deg")],
    "current only": lambda: [log()[["time_s", "segment", "current_a"]]],
    "sine": lambda: [log(pattern="sine")],
    "ramp without command": lambda: [log(pattern="ramp").drop(columns="command_us")],
}  # fmt: skip


def everything(frames, block):
    """All numbers of a servo: its results.json without trends, and its tables, as text."""
    seen = observe_rows(join(frames, PROCEDURE, block), 7.4, PROCEDURE)
    result = judge_servo(seen, Servo(id="S"), PROCEDURE).result
    tables = [seen.cycles, *seen.tables.values()]
    return repr(dataclasses.asdict(result)), [t.to_csv() for t in tables], dict(seen.u_one_cycle)


@pytest.mark.parametrize("name", LOGS)
def test_results_are_the_same_to_the_byte_whatever_the_blocks(name):
    frames = LOGS[name]()
    whole = everything(frames, BLOCK)
    assert everything(frames, 997) == whole
    assert everything(frames, 64) == whole


def record(frame, times):
    """The rows so many times over, in scratch files, as those of a long log are."""
    columns = {name: Scratch(frame[name].to_numpy().dtype) for name in frame.columns}
    for i in range(times):
        later = frame.assign(time_s=frame["time_s"] + i * len(frame) / 1000)
        for name, column in columns.items():
            column.add(later[name].to_numpy())
    return Record(columns=columns)


def test_memory_does_not_grow_with_the_log():
    frame, peaks = log(cycles=150, sampling_hz=1000, period_s=2.0), []
    for times in (2, 6):  # 0.6 and 1.8 million rows
        rows = record(frame, times)
        assert len(rows) > WHOLE
        tracemalloc.start()
        seen = observe_rows(join([rows], PROCEDURE), 7.4, PROCEDURE)
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
        assert len(seen.cycles) == 150 * times
    assert peaks[1] < 1.2 * peaks[0]
    assert peaks[1] < 100e6


@pytest.fixture(scope="module")
def long():
    faults = (
        Fault(kind="brown_out", size=0.2, cycles=(100,)), Fault(kind="stall", size=3.0, cycles=(50,)),
        Fault(kind="tooth", size=0.1, angle_deg=22.0),
    )  # fmt: skip
    frame = log(*faults, cycles=160, sampling_hz=1000, period_s=2.0, voltage_noise_v=0.03)
    assert len(frame) > WHOLE
    return frame, observe_rows(join([frame], PROCEDURE), 7.4, PROCEDURE)


def test_what_is_estimated_from_a_sample_of_a_long_log_finds_its_cycles_and_faults(long):
    _, seen = long
    assert len(seen.cycles) == 160
    assert {(e.kind, e.cycle) for e in seen.events} >= {("supply_dip", 100), ("stall", 50)}
    assert "tooth" in {e.kind for e in seen.events}
    assert seen.steps["position_deg"] == pytest.approx(0.1)


def test_a_long_log_gives_the_same_whether_it_comes_as_one_log_or_as_two_halves(long):
    frame, seen = long
    half = len(frame) // 2
    two = observe_rows(join([frame.iloc[:half], frame.iloc[half:]], PROCEDURE), 7.4, PROCEDURE)
    # the cycle at the cut is whole in both halves or set aside
    assert len(two.cycles) >= 159
    for name in ("centre_deg", "travel_deg", "moving_current_a", "idle_current_a", "jitter_deg"):
        assert two.cycles[name].mean() == pytest.approx(seen.cycles[name].mean(), rel=1e-3, abs=1e-3)


@pytest.fixture(scope="module")
def quiet():
    return log(Fault(kind="brown_out", size=0.2, cycles=(100,)), cycles=160, sampling_hz=1000, period_s=2.0)


@pytest.mark.parametrize(("block", "holes"), [(BLOCK, False), (30_011, False), (BLOCK, True)])
def test_no_dip_is_lost_where_the_rows_are_not_read_again(quiet, block, holes):
    frame = quiet.iloc[: 312 * 1024 + 40].copy()
    depth = np.zeros(len(frame))
    for first, rows, volts in (
        (40, 300, 1.5), (2**17 - 30, 31, 0.9), (200 * 1024 - 100, 150, 0.9), (250_000, 60, 0.7), (312 * 1024, 60, 2),
    ):  # fmt: skip
        depth[first : first + rows] = volts
    frame["voltage_v"] -= depth
    samples = join([holed(frame) if holes else frame], PROCEDURE, block)
    cycles = find_cycles(samples, PROCEDURE)
    swept = sweep(samples, cycles, PROCEDURE)
    found, everywhere = (
        supply_events.find(samples, cycles, swept.of_cycle, lowest, swept.ohm, PROCEDURE)[0]
        for lowest in (swept.lowest, supply_events.Lowest(samples))
    )
    assert len(found) == 6
    assert found == everywhere


def test_only_the_rows_about_a_dip_are_read_again(quiet):
    samples = join([quiet], PROCEDURE)
    cycles = find_cycles(samples, PROCEDURE)
    swept = sweep(samples, cycles, PROCEDURE)
    filters = supply_events._filters(
        samples, cycles, swept.of_cycle, swept.ohm, PROCEDURE.events.supply_dip_share * 7.4
    )
    again = swept.lowest.suspect(filters)
    assert any(start <= cycles.start[99] < stop for start, stop in again)
    assert sum(stop - start for start, stop in again) < 0.1 * len(samples)


def test_the_sample_of_a_long_log_meets_every_phase_of_a_pattern_in_step_with_it():
    n = 64 * 250_000
    assert sum(b - a for a, b in pieces(n)) < WHOLE
    phase = np.array([a % 250_000 for a, _ in pieces(n)]) / 250_000
    # evenly spread pieces alone would all lie at phase 0
    assert np.diff(np.sort(phase)).max() < 0.05


def test_a_long_gap_is_bridged_by_one_straight_line_in_whatever_block_it_lies():
    frame = log()
    frame["position_deg"] = np.arange(len(frame), dtype=float)
    frame.loc[500:2500, "position_deg"] = np.nan
    samples = join([frame], PROCEDURE)
    for start, stop in ((400, 600), (700, 710), (2400, 2600), (499, 501)):
        assert samples.filled("position_deg", start, stop) == pytest.approx(np.arange(start, stop))


def test_a_pause_far_longer_than_all_dwells_is_not_looked_at_to_its_end_and_loses_no_cycle():
    frame = log(cycles=60, sampling_hz=1000, period_s=2.0)
    at = len(frame) // 2 - 2  # neutral, between two cycles
    pause = frame.iloc[np.full(150_000, at)]
    paused = frame.iloc[[*range(at), *pause.index, *range(at, len(frame))]].assign(
        time_s=lambda f: np.arange(len(f)) / 1000
    )
    seen = observe_rows(join([paused], PROCEDURE), 7.4, PROCEDURE)
    assert len(seen.cycles) == 60
    assert "1 pauses far longer than the others were not looked at to their end." in seen.notes


@pytest.mark.parametrize("step", [1.0, 0.1])
@pytest.mark.parametrize("total", [0.0, 7.0, 0.3, 2.0**53])
@pytest.mark.parametrize("row", [[], [0], [5, 6, 999], [0, 400]])
def test_sums_before_rows_are_those_made_one_by_one(step, total, row):
    x = np.random.default_rng(4).integers(-2000, 2000, 1000) * step
    one_by_one = list(itertools.accumulate(x.tolist(), initial=total))
    assert _running(total, x, np.array(row, dtype=np.intp)).tolist() == [one_by_one[i] for i in (*row, 1000)]


def test_levels_held_for_longer_than_a_piece_of_the_sample_get_their_share():
    # a staircase up and down at 1 kHz: it is at either end for 10 % of the time, 8 % are needed
    steps = np.repeat([0, 2, 4, 6, 8, 10, 8, 6, 4, 2], 20_000)
    command = np.tile(1000.0 + 100 * steps, 10)
    frame = pd.DataFrame({"time_s": np.arange(len(command)) / 1000, "segment": 0, "command_us": command})
    # the pieces alone would give an end 6.5 %
    dwells = command_dwells(join([frame], PROCEDURE), PROCEDURE)
    assert sorted(set(dwells.level)) == [1000.0 + 100 * i for i in range(0, 11, 2)]
