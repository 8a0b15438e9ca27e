"""Whole runs on logs of real instruments (tests/real_logs/SOURCE.md); expected values are what their sources state."""

from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from benchlab.airframe import load_airframe
from benchlab.bundles import Job, read_one
from benchlab.logs.table import ReadLog
from benchlab.procedure import load_procedures
from benchlab.results import AirframeResult, PartResult
from benchlab.run import run_airframe

LOGS = Path(__file__).parent / "real_logs"


def run(name: str, out: Path) -> AirframeResult:
    outcome = run_airframe(LOGS / name, out)
    assert outcome.faults == ()
    return outcome.result


def tables_of(name: str, log: str) -> Mapping[str, pd.DataFrame]:
    read = read_one(Job(airframe=load_airframe(LOGS / name), procedures=load_procedures(), kept=None), log)
    assert isinstance(read, ReadLog)
    return read.tables


def part(result: AirframeResult, name: str) -> PartResult:
    return next(p for p in result.parts if p.id == name)


@pytest.fixture(scope="module")
def arm(tmp_path_factory):
    out = tmp_path_factory.mktemp("arm")
    return run("arm", out), pd.read_parquet(out / "arm" / "cycles.parquet")


class TestArm:
    """Six actuators in one wide log: a servo log with a cycle counter, currents and temperatures only."""

    def test_rows_and_the_one_long_gap_are_as_stated(self, arm):
        log = arm[0].logs[0]
        assert (log.rows, log.rows_rejected) == (7409, 0)
        assert max(e.size_s for e in log.events if e.kind == "gap") == pytest.approx(18814, abs=1)

    def test_each_actuator_has_its_240_counted_cycles(self, arm):
        for p in arm[0].parts:
            assert p.cycles == 240
            assert any("steps back" in note for note in p.notes)  # 233 to 224, as stated

    def test_mean_currents_are_as_stated(self):
        stated = {"0": 0.37, "1": 2.31, "2": 1.23, "3": 0.68, "4": 0.31, "5": 0.10}
        tables = tables_of("arm", "joint_cycles.csv.xz")
        found = {label: table["current_a"].abs().mean() for label, table in tables.items()}
        assert found == pytest.approx(stated, abs=0.0051)  # stated to 0.01 A

    def test_warming_is_seen(self, arm):
        temperature = arm[1].set_index("part")["temperature_c"]
        assert temperature["J0"].min() == pytest.approx(27.9, abs=0.3)
        assert temperature["J0"].max() == pytest.approx(37.2, abs=0.3)

    def test_too_few_cycles_is_a_retest_and_what_was_not_logged_is_named(self, arm):
        for p in arm[0].parts:
            assert p.verdict == "retest"
            assert "position" not in p.judged_on
            assert {"centre_deg", "travel_deg", "hysteresis_deg"} <= {n.quantity for n in p.not_measured}


@pytest.fixture(scope="module")
def chambers(tmp_path_factory):
    return run("chambers", tmp_path_factory.mktemp("chambers"))


class TestChambers:
    """Three pressure holds without volume and temperature."""

    def test_the_leaking_print_is_rejected_and_the_tight_ones_are_not(self, chambers):
        assert part(chambers, "filament_020").verdict == "reject"
        assert part(chambers, "machined").verdict != "reject"
        assert part(chambers, "resin_print").verdict != "reject"

    def test_no_leak_rate_is_invented_without_a_volume(self, chambers):
        for p in chambers.parts:
            assert "leak_rate_pa_m3_s" not in p.quantities
            assert "leak_rate_pa_m3_s" in {n.quantity for n in p.not_measured}

    def test_start_and_end_pressures_are_as_stated(self):
        stated = {"machined": (731.6, 728.5), "resin_print": (764.5, 754.8), "filament_020": (767.1, 3.5)}
        for name, (start, end) in stated.items():
            pressure = tables_of("chambers", f"chamber_{name}.csv")[""]["pressure_kpa"].to_numpy()
            # stated in bar to three decimals, means of 20 samples
            np.testing.assert_allclose([pressure[:20].mean(), pressure[-20:].mean()], [start, end], atol=0.06)


@pytest.fixture(scope="module")
def cell(tmp_path_factory):
    return run("cell", tmp_path_factory.mktemp("cell"))


class TestCell:
    """Event-driven current logs, discharge negative."""

    def test_discharged_charge_is_as_stated(self, cell):
        def discharged(name: str) -> float:
            return part(cell, name).quantities["discharged_mah"].value

        assert discharged("pulses") == pytest.approx(31_200, rel=0.002)  # 31.2 Ah, stated to 0.1
        assert discharged("one C") == pytest.approx(121_300, rel=0.001)  # 121.3 Ah, stated to 0.1

    def test_source_resistance_is_that_of_the_pulses(self, cell):
        truth = pd.read_csv(LOGS / "cell" / "pulses_25C_truth.csv")
        found = part(cell, "pulses").quantities["source_resistance_ohm"].value * 1000
        # the ten pulses give 1.5 to 1.8 mOhm, resolution 0.033 mOhm (1 mV / 30 A)
        assert truth["R0_mohm"].min() - 0.05 < found < truth["R0_mohm"].max() + 0.05
