import numpy as np
import pandas as pd
import pytest

from benchlab.procedure import load_procedures
from benchlab.servo.cycles import find_cycles
from benchlab.servo.samples import join
from benchlab.simulate.servo import Bench, simulate_servo

PROCEDURE = load_procedures().servo


def cut(frame: pd.DataFrame, *more: pd.DataFrame):
    return find_cycles(join([frame, *more], PROCEDURE), PROCEDURE)


def log(pattern: str = "step_neutral", cycles: int = 20, **bench: float) -> pd.DataFrame:
    return simulate_servo(np.random.default_rng(5), Bench(pattern=pattern, cycles=cycles, **bench)).frame


@pytest.mark.parametrize("pattern", ["step_neutral", "step", "ramp", "sine"])
@pytest.mark.parametrize("hz", [10, 100])
def test_every_whole_cycle_of_a_clean_log_is_counted(pattern, hz):
    assert len(cut(log(pattern, sampling_hz=hz))) == 20


@pytest.mark.parametrize("pattern", ["step_neutral", "step"])
def test_a_log_without_command_is_cut_by_position_and_says_so(pattern):
    found = cut(log(pattern).drop(columns="command_us"))
    assert (len(found), found.source) == (20, "position")
    assert "No command" in found.notes[0]


def test_a_log_that_begins_and_ends_inside_a_dwell_loses_the_cut_cycles():
    whole = log("sine")  # 400 rows a cycle
    assert len(cut(whole.iloc[160:-160])) == 18


def test_random_dwell_lengths_do_not_matter():
    assert len(cut(log(dwell_spread=0.3))) == 20


def test_a_single_wrong_command_sample_makes_no_cycle():
    frame = log()
    frame.loc[1234, "command_us"] = 1900.0
    assert len(cut(frame)) == 20


def test_the_logs_own_numbers_are_used():
    frame = log().assign(cycle=lambda f: 101 + (f["time_s"] // 4.0))
    found = cut(frame)
    assert found.source == "cycle"
    assert found.number.tolist() == list(range(101, 121))


def test_a_counter_that_begins_anew_in_a_second_log_runs_on():
    frame = log().assign(cycle=lambda f: 1 + (f["time_s"] // 4.0))
    assert cut(frame, frame).number.tolist() == list(range(1, 41))


def test_cycles_run_on_over_several_logs():
    assert len(cut(log(), log())) == 40


def test_a_constant_command_has_no_cycles():
    frame = log()[["time_s", "segment", "command_us"]].assign(command_us=1500.0, current_a=0.1)
    assert len(cut(frame)) == 0
