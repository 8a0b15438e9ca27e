import dataclasses

import numpy as np
import pytest

from benchlab.airframe import Servo
from benchlab.procedure import Limit, load_procedures
from benchlab.servo.analyse import analyse_servo
from benchlab.servo.sisters import compare_sisters
from benchlab.simulate.servo import Bench, Fault, Traits, simulate_servo

PROCEDURE = load_procedures().servo


def result(*faults, cycles=990, limits=None, seed=3, drop=(), hz=50.0):
    bench = Bench(cycles=cycles, sampling_hz=hz, period_s=2.4)
    made = simulate_servo(np.random.default_rng(seed), bench, Traits(), faults)
    part = Servo(id="S1", limits=limits or {})
    return analyse_servo([made.frame.drop(columns=list(drop))], part, PROCEDURE).result


def verdict_of(r, quantity, aspect):
    return next(f.verdict for f in r.findings if (f.quantity, f.aspect) == (quantity, aspect))


def test_a_sound_servo_is_accepted_after_990_cycles():
    r = result()
    assert (r.verdict, r.cycles, r.run_in_complete) == ("accept", 990, True)
    assert r.judged_on == ("position", "current")


def test_too_few_cycles_are_a_retest():
    assert verdict_of(result(cycles=100), "cycles", "count") == "retest"


@pytest.mark.parametrize(
    ("fault", "quantity", "aspect"),
    [
        (Fault(kind="centre_drift", size=1.0), "centre_deg", "drift"),
        (Fault(kind="hysteresis_growth", size=0.6), "hysteresis_deg", "drift"),
        (Fault(kind="centre_step", size=0.8, cycles=(500,)), "centre_deg", "step"),
        (Fault(kind="jitter_growth", size=0.3), "jitter_deg", "drift"),
        (Fault(kind="current_drift", size=0.25), "moving_current_ref_a", "drift_percent"),
        (Fault(kind="slowing", size=0.22), "transit_ref_s_per_60deg", "drift_percent"),
        (Fault(kind="stall", size=5.0, cycles=(400,)), "stall", "events"),
        (Fault(kind="short_stroke", size=0.6, cycles=(400,)), "short_stroke", "events"),
    ],
)
def test_a_fault_at_twice_its_limit_is_rejected(fault, quantity, aspect):
    assert verdict_of(result(fault), quantity, aspect) == "reject"


def test_binding_is_found_and_only_looked_for_where_strokes_have_samples_enough():
    assert verdict_of(result(Fault(kind="binding", size=0.12), hz=100.0), "binding", "events") == "reject"
    assert "binding" in {n.quantity for n in result(cycles=200, hz=50.0).not_measured}


def test_a_tooth_that_breaks_is_found():
    r = result(Fault(kind="tooth", size=0.12, cycles=(200,)), cycles=400, hz=100.0)
    assert verdict_of(r, "tooth", "events") == "reject"


def test_a_dip_of_the_supply_asks_for_a_retest_of_the_bench():
    r = result(Fault(kind="brown_out", size=1.0, cycles=(100,)), cycles=200)
    assert verdict_of(r, "supply_dip", "events") == "retest"


def test_single_glitches_change_no_finding():
    glitches = [
        Fault(kind="glitch", size=size, channel=channel, cycles=(70, 130))
        for channel, size in (("position_deg", 40.0), ("current_a", 6.0), ("voltage_v", -3.0), ("command_us", 300.0))
    ]
    clean, dirty = result(cycles=200), result(*glitches, cycles=200)
    assert [(f.quantity, f.aspect, f.verdict) for f in dirty.findings] == [
        (f.quantity, f.aspect, f.verdict) for f in clean.findings
    ]


def test_without_position_nothing_is_claimed_of_teeth():
    r = result(cycles=100, drop=["position_deg"])
    assert {"tooth", "binding", "short_stroke"} <= {n.quantity for n in r.not_measured}
    assert "tooth" not in {f.quantity for f in r.findings}


def test_a_limit_of_the_register_wins():
    limits = {"hysteresis_deg": {"settled": Limit(upper=0.1)}}
    assert verdict_of(result(cycles=100, limits=limits), "hysteresis_deg", "settled") == "reject"


@pytest.mark.parametrize("quantity", ["hysterese_deg", "centre_deg"])
def test_a_limit_that_cannot_be_applied_is_reported(quantity):
    r = result(cycles=60, limits={quantity: {"wobble": Limit(upper=1.0)}})
    finding = next(f for f in r.findings if f.aspect == "wobble")
    assert finding.verdict == "retest"
    assert "cannot be applied" in finding.reason


def test_an_empty_log_is_a_retest_without_a_crash():
    made = simulate_servo(np.random.default_rng(1), Bench(cycles=1)).frame
    assert analyse_servo([made.iloc[:0]], Servo(id="S"), PROCEDURE).result.verdict == "retest"
    assert analyse_servo([made.iloc[:1]], Servo(id="S"), PROCEDURE).result.verdict == "retest"


def batch(friction):
    rng = np.random.default_rng(8)
    out = {}
    for i, amps in enumerate(friction):
        made = simulate_servo(rng, Bench(cycles=100, sampling_hz=50), Traits(friction_a=amps))
        out[f"S{i}"] = analyse_servo([made.frame], Servo(id=f"S{i}", type="A"), PROCEDURE)
    return out


def of_one_type(n, limits=None):
    return [Servo(id=f"S{i}", type="A", limits=limits or {}) for i in range(n)]


def test_a_sister_limit_of_the_register_wins():
    wide = {"moving_current_ref_a": {"sister_percent": Limit(upper=90.0, robust_z=3.5)}}
    done = compare_sisters(batch([0.35, 0.36, 0.34, 0.55]), of_one_type(4, wide), PROCEDURE)
    assert verdict_of(done["S3"].result, "moving_current_ref_a", "sister_percent") == "accept"


def test_a_servo_without_a_type_is_told_that_it_was_not_compared():
    done = compare_sisters(batch([0.35] * 4), [Servo(id=f"S{i}") for i in range(4)], PROCEDURE)
    assert any("states no type" in note for note in done["S0"].result.notes)


def test_a_hungry_sister_is_rejected_and_the_others_are_not():
    done = compare_sisters(batch([0.35, 0.36, 0.34, 0.55]), of_one_type(4), PROCEDURE)
    got = {n: verdict_of(a.result, "moving_current_ref_a", "sister_percent") for n, a in done.items()}
    assert got == {"S0": "accept", "S1": "accept", "S2": "accept", "S3": "reject"}


def test_three_sisters_are_no_batch():
    done = compare_sisters(batch([0.35, 0.36, 0.7]), of_one_type(3), PROCEDURE)
    assert not any(f.aspect.startswith("sister") for a in done.values() for f in a.result.findings)


def test_accuracy_counts_in_settled_but_cancels_in_drift():
    channels = PROCEDURE.channels
    rough = PROCEDURE.model_copy(
        update={"channels": channels | {"current_a": channels["current_a"].model_copy(update={"accuracy": 0.1})}}
    )
    limits = {"idle_current_a": {"settled": Limit(upper=1.0), "change": Limit(upper=1.0)}}
    made = simulate_servo(np.random.default_rng(1), Bench(cycles=60), Traits()).frame
    findings = {
        f.aspect: f
        for f in analyse_servo([made], Servo(id="S", limits=limits), rough).result.findings
        if f.quantity == "idle_current_a"
    }
    assert findings["settled"].u == pytest.approx(0.1 / np.sqrt(3), rel=1e-3)  # rectangular, JCGM 100 4.3.7
    assert findings["change"].u < 0.001


def test_results_are_deterministic():
    assert dataclasses.asdict(result(cycles=60)) == dataclasses.asdict(result(cycles=60))
