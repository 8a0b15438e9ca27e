"""A servo that follows any command: for logs whose command is none of the bench patterns of ``simulate.servo``.

A speed-limited second-order follower with backlash and friction, stepped in time. It is not what the analysis fits.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.signal import lfilter

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Follower:
    """How the servo moves and what it draws."""

    speed_deg_s: float = 400.0
    bandwidth_hz: float = 8.0
    damping: float = 0.7
    backlash_deg: float = 0.3
    dead_band_deg: float = 0.0
    """Error below which friction holds the servo where it is."""
    idle_a: float = 0.03
    friction_a: float = 0.35
    per_acceleration_a: float = 2e-5
    """Current per deg/s2 of acceleration."""
    stall_a: float = 1.6
    inductance_s: float = 0.008
    """Time constant with which the current follows what the motor asks for (winding and buffering)."""
    uneven: float = 0.0
    """Relative difference of friction between the two directions."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """How the log shows it."""

    sampling_hz: float = 50.0
    position_noise_deg: float = 0.05
    position_step_deg: float = 0.1
    current_noise_a: float = 0.01
    current_step_a: float = 0.001


def drive_servo(
    rng: np.random.Generator,
    time_s: Array,
    target_deg: Array,
    servo: Follower | None = None,
    seen: Seen | None = None,
    blocked: Sequence[tuple[float, float, float]] = (),
) -> pd.DataFrame:
    """Return a canonical servo log (``time_s``, ``segment``, ``position_deg``, ``current_a``) without a command.

    Parameters
    ----------
    time_s, target_deg
        Evenly spaced fine times (milliseconds apart) and where the command sends the servo.
    blocked
        ``(from_s, to_s, stop_deg)``: spells in which an obstacle keeps the servo below ``stop_deg``.
    """
    servo, seen = servo or Follower(), seen or Seen()
    dt = float(time_s[1] - time_s[0])
    stop = np.full(len(time_s), np.inf)
    for begin, end, at in blocked:
        stop[(time_s >= begin) & (time_s < end)] = at
    position, velocity, pushing = _follow(servo, dt, target_deg, stop)
    acceleration = np.gradient(velocity, dt)
    rub = servo.friction_a * (1 + servo.uneven * np.sign(velocity)) * np.clip(np.abs(velocity) / 20, 0, 1)
    current = servo.idle_a + rub + servo.per_acceleration_a * np.maximum(acceleration * np.sign(velocity), 0)
    current = np.where(pushing, servo.stall_a, current)
    keep = np.exp(-dt / servo.inductance_s)
    current = np.asarray(lfilter([1 - keep], [1, -keep], current, zi=[keep * current[0]])[0])
    every = max(1, round(1 / (seen.sampling_hz * dt)))
    row = slice(None, None, every)
    return pd.DataFrame({
        "time_s": time_s[row], "segment": 0,
        "position_deg": _shown(rng, position[row], seen.position_noise_deg, seen.position_step_deg),
        "current_a": _shown(rng, current[row], seen.current_noise_a, seen.current_step_a),
    })  # fmt: skip


def _follow(s: Follower, dt: float, target: Array, stop: Array) -> tuple[Array, Array, NDArray[np.bool_]]:
    omega = 2 * np.pi * s.bandwidth_hz
    x, v = float(target[0]), 0.0
    out, play = float(target[0]), s.backlash_deg / 2
    xs, vs, pushing = np.empty(len(target)), np.empty(len(target)), np.zeros(len(target), dtype=bool)
    for i, (u, top) in enumerate(zip(target.tolist(), stop.tolist(), strict=True)):
        error = u - x
        if abs(error) < s.dead_band_deg and abs(v) < 5.0:
            v = 0.0
        else:
            v += dt * (omega**2 * error - 2 * s.damping * omega * v)
            v = min(max(v, -s.speed_deg_s), s.speed_deg_s)
        x += dt * v
        if x > top:
            pushing[i] = u > top + 0.5
            x, v = top, 0.0
        out = min(max(out, x - play), x + play)
        xs[i], vs[i] = out, v
    return xs, vs, pushing


def _shown(rng: np.random.Generator, true: Array, noise: float, step: float) -> Array:
    shown = true + noise * rng.standard_normal(len(true))
    return np.rint(shown / step) * step if step else shown
