import numpy as np

from benchlab.simulate.servo import Bench, Fault, Traits, healthy_traits, simulate_bench, simulate_servo


def test_the_same_seed_gives_the_same_log():
    a, b = (simulate_servo(np.random.default_rng(7), Bench(cycles=3)).frame for _ in range(2))
    assert a.equals(b)


def test_friction_runs_in_towards_its_plateau():
    truth = simulate_servo(np.random.default_rng(7), Bench(cycles=990), Traits(wander_share=0.0)).truth
    assert truth["friction_a"].iloc[0] > 1.2 * 0.35
    assert abs(truth["friction_a"].iloc[-1] - 0.35) < 1e-3  # e^-8 of the run-in is left


def test_a_planted_centre_step_is_in_the_truth():
    fault = Fault(kind="centre_step", size=2.0, cycles=(11,))
    truth = simulate_servo(np.random.default_rng(7), Bench(cycles=20), Traits(wander_deg=0.0), [fault]).truth
    assert truth["centre_deg"].tolist() == [0.0] * 10 + [2.0] * 10


def test_several_servos_share_one_log():
    rng = np.random.default_rng(7)
    wide, made = simulate_bench(rng, Bench(cycles=2), {str(i): (healthy_traits(rng), ()) for i in (1, 2)})
    assert list(made) == ["1", "2"]
    assert "current 2 [A]" in wide
