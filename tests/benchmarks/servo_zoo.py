"""Servo logs of many kinds through the analysis: are the cycles right, or honestly not counted? Nothing may crash.

Run: ``python tests/benchmarks/servo_zoo.py [seed]``. Own simulation (``benchlab.simulate.drive``): every kind states
how many cycles it truly holds (None: nothing repeats, none may be counted) and which events it truly has; stalls and
short strokes told of any other log are false.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from benchlab.airframe import Servo
from benchlab.procedure import load_procedures
from benchlab.servo.analyse import analyse_servo
from benchlab.simulate.drive import Follower, Seen, drive_servo

PROCEDURE = load_procedures().servo
DT = 0.002
EVENTS = ("stall", "short_stroke", "tooth", "binding", "supply_dip")


@dataclass(frozen=True)
class Kind:
    """One log and what is true of it."""

    frames: list[pd.DataFrame]
    cycles: tuple[int, int] | None
    """Fewest and most cycles that may be counted; None: none at all."""
    events: dict[str, int] = field(default_factory=dict)
    uncertain: bool = False
    """The number of cycles cannot be told: the finding ``cycles count`` must not be accepted on it."""


def times(duration: float) -> np.ndarray:
    return np.arange(0, duration, DT)


def levels(values, dwells) -> np.ndarray:
    """Command on the fine grid: levels held for their dwells (s)."""
    return np.repeat(np.asarray(values, dtype=float), np.rint(np.asarray(dwells) / DT).astype(int))


def shown(rng, target, *, unit=None, keep=("command_us", "position_deg", "current_a"), servo=None, blocked=(), **seen):
    """Log of a servo on a target (deg); command as ``unit(target)``, in microseconds by default."""
    t = np.arange(len(target)) * DT
    look = Seen(**seen)
    frame = drive_servo(rng, t, target, servo, look, blocked)
    every = max(1, round(1 / (look.sampling_hz * DT)))
    command = target[::every]
    frame["command_us"] = unit(command) if unit else np.rint(1500 + 10 * command)
    return frame[["time_s", "segment", *keep]]


def square(n=30, low=-45.0, high=45.0, dwells=(1.0, 1.0)):
    return levels([high, low] * n, [*dwells] * n)


def neutral(n=30, dwell=0.6, spread=None):
    pattern = [45.0, 0.0, -45.0, 0.0] * n
    return levels(pattern, np.full(len(pattern), dwell) if spread is None else spread)


def sine(n=30, period=2.0, amplitude=45.0):
    t = times(n * period)
    return amplitude * np.sin(2 * np.pi * t / period)


def triangle(n=30, period=2.0):
    return 45 * 2 / np.pi * np.arcsin(np.sin(2 * np.pi * times(n * period) / period))


def trapezoid(n=30):
    t = times(n * 3.0) % 3.0
    return np.interp(t, [0, 0.5, 1.5, 2.0, 3.0], [-45, 45, 45, -45, -45])


def chirp(duration=60.0, f0=0.2, f1=4.0):
    t = times(duration)
    return 40 * np.sin(2 * np.pi * (f0 * t + (f1 - f0) / (2 * duration) * t**2))


def multisine(rng, periods=6, period=10.0):
    t = times(period)
    phase = rng.uniform(0, 2 * np.pi, 9)
    one = sum(np.sin(2 * np.pi * k * t / period + p) for k, p in enumerate(phase, start=1))
    return np.tile(40 * one / np.abs(one).max(), periods)


def prbs(rng, bits=300, clock=0.3):
    return levels(40 * (2 * rng.integers(0, 2, bits) - 1), np.full(bits, clock))


def wander(rng, duration=60.0, smooth_s=0.4):
    n = round(duration / DT)
    width = round(smooth_s / DT)
    x = np.convolve(rng.standard_normal(n + width), np.hanning(width), mode="valid")[:n]
    return 40 * x / np.abs(x).max()


def calm(rng, duration=60.0):
    return np.zeros(round(duration / DT))


P, C, K = "position_deg", "current_a", "command_us"


def _counter(frame, seconds):
    return frame.assign(cycle=1.0 + np.floor(frame["time_s"] / seconds + 1e-9))


def _unrelated(rng, frame):
    return frame.assign(command_us=1500 + 30 * rng.standard_normal(len(frame)))


def _pause(rng, **more):
    return shown(rng, np.concatenate([square(15), np.zeros(round(30 / DT)), square(15)]), **more)


def _gap(rng):
    frame = shown(rng, square(30))
    frame.loc[frame["time_s"] > 31.0, "time_s"] += 40.0
    return frame


def _counts(rng, noise=2.0):
    frame = shown(rng, square(30), position_noise_deg=0.0, position_step_deg=0.0)
    counts = 512 + 3.1 * frame[P] + noise * rng.standard_normal(len(frame))
    return frame.assign(position_deg=np.rint(counts))


def _jittery_clock(rng):
    frame = shown(rng, neutral())
    return frame.assign(time_s=frame["time_s"] + rng.uniform(-0.006, 0.006, len(frame)))


def _stalls(rng, hz, **more):
    # cycles 5, 12 and 20 (2 s each, the high end first) are held back at 10 deg for their high dwell
    blocked = [(2.0 * (c - 1), 2.0 * (c - 1) + 1.0, 10.0) for c in (5, 12, 20)]
    return shown(rng, square(30), sampling_hz=hz, blocked=blocked, **more)


def _amplitudes(rng):
    return np.concatenate([square(10, -15, 15), square(10, -30, 30), square(10)])


def _soft(n=12):
    t = times(n * 2.0)
    return 45 * np.minimum(t / 12, 1) * np.sin(np.pi * t)


ZOO: dict[str, Callable[[np.random.Generator], Kind]] = {
    "neutral dwells, 100 Hz": lambda r: Kind([shown(r, neutral(), sampling_hz=100)], (30, 30)),
    "neutral dwells, 25 Hz": lambda r: Kind([shown(r, neutral(), sampling_hz=25)], (30, 30)),
    "neutral dwells, 10 Hz": lambda r: Kind([shown(r, neutral(dwell=1.0), sampling_hz=10)], (30, 30)),
    "square, 50 Hz": lambda r: Kind([shown(r, square())], (30, 30)),
    "square, 10 Hz": lambda r: Kind([shown(r, square(), sampling_hz=10)], (30, 30)),
    "square, unequal dwells": lambda r: Kind([shown(r, square(dwells=(0.8, 2.4)))], (29, 30)),
    "square, very unequal dwells": lambda r: Kind([shown(r, square(dwells=(0.4, 4.0)))], (29, 30)),
    "square, overshooting servo": lambda r: Kind([shown(r, square(), servo=Follower(damping=0.3))], (30, 30)),
    "square, overshooting, 20 Hz": lambda r: Kind(
        [shown(r, square(), servo=Follower(damping=0.25), sampling_hz=20)], (30, 30)
    ),
    "square, position only": lambda r: Kind([shown(r, square(), keep=(P,))], (29, 30)),
    "square, overshooting, position only": lambda r: Kind(
        [shown(r, square(), servo=Follower(damping=0.3), keep=(P,))], (29, 30)
    ),
    "square, noisy potentiometer": lambda r: Kind([shown(r, square(), position_noise_deg=1.5)], (30, 30)),
    "square, noisy potentiometer, position only": lambda r: Kind(
        [shown(r, square(), position_noise_deg=1.5, keep=(P,))], (29, 30)
    ),
    "square, raw counts": lambda r: Kind([_counts(r)], (30, 30)),
    "square, raw counts, position only": lambda r: Kind([_counts(r)[["time_s", "segment", P]]], (29, 30)),
    "square, begins and ends inside": lambda r: Kind([shown(r, square())[30:-35]], (28, 29)),
    "square, pause in the middle": lambda r: Kind([_pause(r)], (29, 30)),
    "square, pause, position only": lambda r: Kind([_pause(r, keep=(P,))], (28, 30)),
    "square, gap in the clock": lambda r: Kind([_gap(r)], (29, 30)),
    "square, amplitude changed": lambda r: Kind([shown(r, _amplitudes(r))], (29, 30)),
    "square, amplitude changed, position only": lambda r: Kind([shown(r, _amplitudes(r), keep=(P,))], (28, 30)),
    "square, reversed servo": lambda r: Kind([shown(r, square()).assign(**{P: lambda f: -f[P]})], (30, 30)),
    "square, signed current": lambda r: Kind(
        [shown(r, square()).assign(current_a=lambda f: f[C] * np.sign(np.gradient(f[P]) + 1e-9))], (30, 30)
    ),
    "square, command as measured": lambda r: Kind(
        [shown(r, square()).assign(command_us=lambda f: f[K] + r.normal(0, 3, len(f)))], (30, 30)
    ),
    "square, command in percent": lambda r: Kind([shown(r, square(), unit=lambda d: 50 + d / 0.9)], (30, 30)),
    "square, command -1 .. 1": lambda r: Kind([shown(r, square(), unit=lambda d: d / 45)], (30, 30)),
    "square, command in degrees": lambda r: Kind([shown(r, square(), unit=lambda d: d)], (30, 30)),
    "square in two logs": lambda r: Kind([shown(r, square(15)), shown(r, square(15))], (28, 30)),
    "square, 3 cycles": lambda r: Kind([shown(r, square(3))], (2, 3)),
    "square, three stalls, 50 Hz": lambda r: Kind([_stalls(r, 50)], (30, 30), {"stall": 3}),
    "square, three stalls, 10 Hz": lambda r: Kind([_stalls(r, 10)], (30, 30), {"stall": 3}),
    "square, three stalls, position only": lambda r: Kind([_stalls(r, 50, keep=(P,))], (29, 30), {"short_stroke": 3}),
    "square, three stalls, current only": lambda r: Kind([_stalls(r, 50, keep=(K, C))], (30, 30), {"stall": 3}),
    "square, dwells too short to arrive": lambda r: Kind(
        [shown(r, square(60, dwells=(0.3, 0.3)), servo=Follower(speed_deg_s=150))], (59, 60)
    ),
    "square, friction holds early": lambda r: Kind([shown(r, square(), servo=Follower(dead_band_deg=3))], (30, 30)),
    "square, current only, strokes alike": lambda r: Kind([shown(r, square(), keep=(C,))], (0, 60), uncertain=True),
    "square, current only, strokes differ": lambda r: Kind(
        [shown(r, square(), keep=(C,), servo=Follower(uneven=0.15))], (28, 30)
    ),
    "square, counter and current only": lambda r: Kind([_counter(shown(r, square(), keep=(C,)), 2.0)], (29, 30)),
    "square, counter and position only": lambda r: Kind([_counter(shown(r, square(), keep=(P,)), 2.0)], (29, 30)),
    "dwells random by half": lambda r: Kind([shown(r, neutral(spread=r.uniform(0.4, 1.2, 120)))], (29, 30)),
    "dwells random by half, position only": lambda r: Kind(
        [shown(r, neutral(spread=r.uniform(0.4, 1.2, 120)), keep=(P,))], (28, 30)
    ),
    "square, random dwells 0.5 to 3 s": lambda r: Kind(
        [shown(r, levels([45, -45] * 30, r.uniform(0.5, 3, 60)))], (29, 30)
    ),
    "square, random dwells, position only": lambda r: Kind(
        [shown(r, levels([45, -45] * 30, r.uniform(0.5, 3, 60)), keep=(P,))], (28, 30)
    ),
    "staircase of five levels": lambda r: Kind(
        [shown(r, levels([-40, -20, 0, 20, 40, 20, 0, -20] * 15, np.full(120, 0.6)))], (14, 15)
    ),
    "staircase of nine levels, position only": lambda r: Kind(
        [shown(r, levels([*range(-40, 41, 10), *range(30, -31, -10)] * 10, np.full(160, 0.6)), keep=(P,))], (9, 10)
    ),
    "triangle": lambda r: Kind([shown(r, triangle())], (29, 30)),
    "triangle, position only": lambda r: Kind([shown(r, triangle(), keep=(P,))], (29, 30)),
    "triangle, current only": lambda r: Kind([shown(r, triangle(), keep=(C,))], (0, 60), uncertain=True),
    "ramps with rests": lambda r: Kind([shown(r, trapezoid())], (29, 30)),
    "ramps with rests, position only": lambda r: Kind([shown(r, trapezoid(), keep=(P,))], (28, 30)),
    "sine": lambda r: Kind([shown(r, sine())], (29, 30)),
    "sine, 10 Hz": lambda r: Kind([shown(r, sine(), sampling_hz=10)], (29, 30)),
    "sine, noisy potentiometer, position only": lambda r: Kind(
        [shown(r, sine(), keep=(P,), position_noise_deg=2.0)], (29, 30)
    ),
    "sine, begins and ends inside": lambda r: Kind([shown(r, sine())[30:-55]], (27, 29)),
    "sine, amplitude growing": lambda r: Kind([shown(r, _soft(30))], (24, 30)),
    "sine, two amplitudes": lambda r: Kind([shown(r, np.concatenate([sine(15), sine(15, amplitude=20)]))], (28, 30)),
    "sine, pause": lambda r: Kind([shown(r, np.concatenate([sine(15), calm(r, 20), sine(15)]))], (28, 30)),
    "sine, faster than the servo": lambda r: Kind([shown(r, sine(60, 0.4), servo=Follower(speed_deg_s=200))], (58, 60)),
    "sine, current only": lambda r: Kind([shown(r, sine(), keep=(C,))], (0, 60), uncertain=True),
    "sine, command constant": lambda r: Kind([shown(r, sine()).assign(command_us=1500.0)], (29, 30)),
    "square, command constant": lambda r: Kind([shown(r, square()).assign(command_us=1500.0)], (29, 30)),
    "square, command unrelated noise": lambda r: Kind([_unrelated(r, shown(r, square()))], (29, 30)),
    "clock jitter": lambda r: Kind([_jittery_clock(r)], (29, 30)),
    "multi-sine of 10 s": lambda r: Kind([shown(r, multisine(r))], (5, 6)),
    "multi-sine of 10 s, position only": lambda r: Kind([shown(r, multisine(r), keep=(P,))], (4, 6)),
    "multi-sine, one period": lambda r: Kind([shown(r, multisine(r, 1, 60.0))], None),
    "chirp": lambda r: Kind([shown(r, chirp())], None),
    "chirp, position only": lambda r: Kind([shown(r, chirp(), keep=(P,))], None),
    "chirp, current only": lambda r: Kind([shown(r, chirp(), keep=(C,))], None),
    "random binary": lambda r: Kind([shown(r, prbs(r))], None),
    "random binary, position only": lambda r: Kind([shown(r, prbs(r), keep=(P,))], None),
    "random levels": lambda r: Kind([shown(r, levels(r.uniform(-40, 40, 80), np.full(80, 0.8)))], None),
    "random levels, position only": lambda r: Kind(
        [shown(r, levels(r.uniform(-40, 40, 80), np.full(80, 0.8)), keep=(P,))], None
    ),
    "smooth random": lambda r: Kind([shown(r, wander(r))], None),
    "smooth random, position only": lambda r: Kind([shown(r, wander(r), keep=(P,))], None),
    "smooth random, current only": lambda r: Kind([shown(r, wander(r), keep=(C,))], None),
    "noise as position": lambda r: Kind([shown(r, calm(r), keep=(P,), position_noise_deg=1.0)], None),
    "noise as position and current": lambda r: Kind([shown(r, calm(r), keep=(P, C))], None),
    "noise as current": lambda r: Kind([shown(r, calm(r), keep=(C,))], None),
    "servo that does not move": lambda r: Kind([shown(r, square()).assign(position_deg=0.1)], (30, 30)),
    "one step": lambda r: Kind([shown(r, levels([-45, 45], [2, 2]))], None),
    "one step, position only": lambda r: Kind([shown(r, levels([-45, 45], [2, 2]), keep=(P,))], None),
}


def main(seed: int, only: str = "") -> None:
    """Print one line per kind that is not as it should be, and the totals."""
    wrong = 0
    for i, (name, make) in enumerate(ZOO.items()):
        if only not in name:
            continue
        kind = make(np.random.default_rng([seed, i]))
        complaints = judge(kind)
        wrong += bool(complaints)
        if complaints or only:
            print(f"{name}: {'; '.join(complaints)}")
    print(f"{len(ZOO)} kinds, {wrong} not as they should be")


def judge(kind: Kind) -> list[str]:
    """What is not as it should be, in words."""
    result = analyse_servo(kind.frames, Servo(id="S"), PROCEDURE).result
    low, high = kind.cycles or (0, 0)
    out = [] if low <= result.cycles <= high else [f"{result.cycles} cycles, true {low} to {high}: {result.notes}"]
    hidden = {n.quantity for n in result.not_measured}
    for event in EVENTS:
        told, true = sum(e.kind == event for e in result.events), kind.events.get(event, 0)
        if told != true:
            out.append(f"{told} x {event}, true {true}" + (" (not measured)" if event in hidden else ""))
    count = next((f for f in result.findings if f.quantity == "cycles"), None)
    if (
        kind.uncertain
        and result.cycles
        and count is not None
        and count.value is not None
        and not any("stroke" in n for n in result.notes)
    ):
        out.append("the doubt about the count is not told")
    if result.verdict == "accept":
        out.append("accepted on so few cycles")
    return out


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1, sys.argv[2] if len(sys.argv) > 2 else "")
