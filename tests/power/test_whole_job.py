"""An airframe of packs, circuits and servos through the whole job: register and log files in, results out."""

from __future__ import annotations

import json

import numpy as np
import pytest

from benchlab.run import run_airframe
from benchlab.simulate.power import LoadPhase, Logger, Source, simulate_load

REGISTER = """
[airframe]
id = "E-1"

[[pack]]
id = "P1"
position = "left"
capacity_mah = 500
log = "p1.csv"

[[pack]]
id = "P2"
position = "right"
capacity_mah = 500
log = "p2.csv"

[[group]]
name = "packs"
positions = ["left", "right"]
coupling = "mirrored"

[[circuit]]
id = "receiver"
packs = [{ id = "P1", share = 0.6 }, { id = "P2", share = 0.4 }]
log = "receiver.csv"
min_voltage_v = 6.0
max_current_a = 12
servos = ["S1"]

[[servo]]
id = "S1"
log = "s1.csv"

[[flight]]
phase = "cruise"
minutes = 5
"""


def write_load(path, seed, ohmic_ohm, capacity_mah=4000):
    phases = (LoadPhase(name="taxi", seconds=40, pulses_per_s=0.2), LoadPhase(name="cruise", seconds=260))
    source = Source(capacity_mah=capacity_mah, ohmic_ohm=ohmic_ohm)
    frame, truth = simulate_load(phases, source, Logger(), np.random.default_rng(seed))
    columns = {"time_s": "Time [s]", "current_a": "Current [A]", "voltage_v": "Voltage [V]", "phase": "Phase"}
    frame[list(columns)].rename(columns=columns).to_csv(path, index=False, float_format="%.3f")
    return truth


@pytest.fixture(scope="module")
def job(tmp_path_factory):
    folder = tmp_path_factory.mktemp("airframe")
    (folder / "airframe.toml").write_text(REGISTER, encoding="utf-8")
    write_load(folder / "p1.csv", 1, 0.05)
    write_load(folder / "p2.csv", 2, 0.12)
    truth = write_load(folder / "receiver.csv", 3, 0.06)
    t = np.arange(0, 60, 0.1)
    amps = np.where((t % 2) < 0.4, 1.2, 0.05)
    rows = "\n".join(f"{a:.1f},{b:.2f},{int(a // 2)}" for a, b in zip(t, amps, strict=True))
    (folder / "s1.csv").write_text(f"time [s],current [A],cycle\n{rows}\n", encoding="utf-8")
    outcome = run_airframe(folder, folder / "out")
    return json.loads((outcome.folder / "results.json").read_text(encoding="utf-8")), truth


def part(job, name):
    (found,) = [p for p in job[0]["parts"] if p["id"] == name]
    return found


def test_a_circuit_fed_by_two_packs_takes_its_share_of_each(job):
    mean = job[1].phase_charge_mah["cruise"] * 3.6 / 260
    for name, share in (("P1", 0.6), ("P2", 0.4)):
        charge = part(job, name)["quantities"]["flight_charge_mah"]
        # trapezoids and point readings of pulses: some tenths of a per cent
        assert charge["value"] == pytest.approx(share * mean * 5 / 60 * 1e3, rel=0.01)


def test_the_budget_names_load_and_capacity(job):
    lines = [b for b in part(job, "P1")["budget"] if b["quantity"] == "reserve_fraction"]
    assert [b["source"] for b in lines] == ["mean current of receiver, cruise (other minutes of the load)",
                                           "usable capacity"]  # fmt: skip


def test_twins_of_unlike_resistance_are_told(job):
    (group,) = job[0]["groups"]
    finding = {f["quantity"]: f for f in group["findings"]}["source_resistance_ohm"]
    assert finding["verdict"] == "reject"


def test_the_servo_on_the_circuit_is_said_beside_it(job):
    (note,) = [n for n in part(job, "receiver")["notes"] if n.startswith("Cross-check")]
    # 0.4 s of 2 s at 1.2 A, else 0.05 A: 0.28 A on average
    assert "S1, cycled one by one on the bench, draw 0.28" in note
