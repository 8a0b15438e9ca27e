"""What to add to a follower's command so that it moves with its leader, and how much fighting is left."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from benchlab.matching.stroke import Array, Stroke
from benchlab.procedure import ServoProcedure
from benchlab.results import Estimate
from benchlab.stats.uncertainty import estimate

# Exact matching at the command points is kept while no other setting of the same points would leave less than this
# share of its mismatch; beyond, the points are set for the least largest mismatch in between.
_NEAR_BEST = 1.05
_PLACES = 6
"""Places between two command points at which the mismatch is made least, besides the measured levels."""
# The trim sets the middle to zero as measured, so its error m and that of the half width, w, both pass into the true
# mismatch: with a difference of two readings uncertain by u, true - measured is max(m - w, -m - w), the larger of two
# independent errors of u. The larger of k such errors exceeds Phi^-1(0.95^(1/k)) u once in twenty; divided by the
# Phi^-1(0.95) of one: 1.19 for k = 2. With few levels both ends, reached from one side, count as well: 1.36 for k = 4.
_U_DENSE = 1.19
_U_SPARSE = 1.36
_SHIFT_US = 50.0
"""Farthest that a point is shifted from exact matching: a twentieth of the usual stroke of 1000 us."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Trim:
    """Trim of one follower against its leader.

    At each command point (k,): ``curve_us``, what to enter in the follower's curve, its pulses being limited to
    ``stops_us``; ``correction_us``, what this adds to the follower's command there; ``before_deg`` and
    ``left_over_deg``, the larger mismatch of both directions without and with it (a direction that was not measured
    there taken to lie as far off the middle as nearby). At each place compared (n,):
    ``at_us`` and the mismatch ``up_deg``, ``down_deg`` (follower minus leader) after trim; NaN where one was not
    measured; ``u_deg`` is the standard uncertainty of the largest of them. ``reach_us`` is the range of leader commands
    that the follower can follow within its measured range; ``short_deg`` how much it falls short of the leader's ends
    at most; ``travel_deg`` the leader's stroke.
    """

    command_us: Array
    curve_us: Array
    correction_us: Array
    before_deg: Array
    left_over_deg: Array
    at_us: Array
    up_deg: Array
    down_deg: Array
    reach_us: tuple[float, float]
    stops_us: tuple[float, float]
    short_deg: float
    travel_deg: float
    u_deg: float

    @property
    def percent(self) -> Array:
        """Corrections in percent of half the leader's stroke of command."""
        return 200 * self.correction_us / float(self.command_us[-1] - self.command_us[0])

    @property
    def common(self) -> npt.NDArray[np.bool_]:
        """Mask over ``at_us``: the common stroke, which the follower can reach."""
        return (self.at_us >= self.reach_us[0] - 1e-9) & (self.at_us <= self.reach_us[1] + 1e-9)  # rounding only

    @property
    def worst(self) -> tuple[float, float, str]:
        """Largest mismatch over the common stroke, deg; the command where, us; and the direction of the command."""
        both = np.abs(np.vstack([self.up_deg, self.down_deg])[:, self.common])
        if not np.isfinite(both).any():
            return math.nan, math.nan, ""
        row, col = np.unravel_index(np.nanargmax(both), both.shape)
        return float(both[row, col]), float(self.at_us[self.common][col]), ("rising", "falling")[int(row)]


def trim(leader: Stroke, follower: Stroke, points: int = 9) -> Trim:
    """Compute the follower's trim: a curve of ``points`` evenly spaced command points, straight in between.

    The middle of both directions is matched at every point (monotone interpolation, PCHIP). The follower's pulses are
    limited to the commands at which it was measured, beyond which it may meet an end stop. Where straight lines
    between the points leave clearly more than need be, the points are shifted for the least largest mismatch (a linear
    program).
    """
    low, high = leader.command_us[[0, -1]]
    knots = np.linspace(low, high, points)
    # a sparse curve is known at its levels only; a dense one is compared everywhere
    sparse = leader.sparse or follower.sparse
    at = leader.levels_us if sparse else np.union1d(leader.command_us, knots)
    reach, short = _reach(leader, follower)
    inside = at[(at >= reach[0]) & (at <= reach[1])]
    curve = follower.command_for(leader.mid(knots)) - knots
    if inside.size and not sparse:
        places = np.union1d(leader.levels_us, np.linspace(low, high, _PLACES * (points - 1) + 1))
        curve = _least_worst(leader, follower, knots, curve, places[(places >= reach[0]) & (places <= reach[1])])
    stops = (float(follower.command_us[0]), float(follower.command_us[-1]))
    up, down = _mismatch(leader, follower, at, np.interp(at, knots, curve))
    return Trim(
        command_us=knots,
        curve_us=curve,
        correction_us=np.clip(knots + curve, *stops) - knots,
        before_deg=_at_knots(leader, follower, knots, np.zeros(points)),
        left_over_deg=_at_knots(leader, follower, knots, curve),
        at_us=at,
        up_deg=up,
        down_deg=down,
        reach_us=reach,
        stops_us=stops,
        short_deg=short,
        travel_deg=float(np.ptp(leader.mid_deg)),
        u_deg=(_U_SPARSE if sparse else _U_DENSE) * math.hypot(leader.u_deg, follower.u_deg),
    )


def _larger(up: Array, down: Array) -> Array:
    return np.fmax(np.abs(up), np.abs(down))


def _mismatch(leader: Stroke, follower: Stroke, at: Array, correction: Array) -> tuple[Array, Array]:
    """Follower minus leader in both directions; the follower's pulses are limited to its measured commands."""
    command = np.clip(at + correction, follower.command_us[0], follower.command_us[-1])
    return follower.up(command) - leader.up(at), follower.down(command) - leader.down(at)


def _at_knots(leader: Stroke, follower: Stroke, knots: Array, curve: Array) -> Array:
    """Larger mismatch of both directions at the command points; a direction not measured there has the usual width."""
    own = leader.both(knots)
    other = follower.both(np.clip(knots + curve, follower.command_us[0], follower.command_us[-1]))
    return _larger(other[0] - own[0], other[1] - own[1])


def _reach(leader: Stroke, follower: Stroke) -> tuple[tuple[float, float], float]:
    """Range of leader commands whose positions the follower reaches, and by how much it misses the leader's ends."""
    lowest, highest = float(follower.mid_deg.min()), float(follower.mid_deg.max())
    within = (leader.mid_deg >= lowest) & (leader.mid_deg <= highest)
    short = float(np.max(np.maximum(lowest - leader.mid_deg, leader.mid_deg - highest)))
    if not within.any():
        return (math.inf, -math.inf), short
    held = leader.command_us[within]
    return (float(held[0]), float(held[-1])), max(short, 0.0)


def _least_worst(leader: Stroke, follower: Stroke, knots: Array, exact: Array, at: Array) -> Array:
    """Set the command points for the least largest mismatch, if exact matching leaves clearly more than need be.

    A linear program: close to where the middles match, a shift of the follower's command moves it by the slope of its
    middle. Where several settings leave as little, the one nearest to exact matching is taken. ``exact`` (k,) is the
    correction at the command points as read; both it and the half widths are averaged first.
    """
    ideal = follower.command_for(leader.mid(at)) - at
    slope = np.interp(at + ideal, follower.command_us, np.gradient(follower.mid_deg, follower.command_us))
    half = follower.half(at + ideal) - leader.half(at)
    levels = np.isin(at, leader.levels_us)
    u_deg = math.hypot(leader.u_deg, follower.u_deg)
    shift = _noise(at[levels], ideal[levels], knots, u_deg / max(float(np.median(np.abs(slope))), 1e-9))
    width = np.abs(half - np.interp(at, at[levels], _noise(at[levels], half[levels], knots, u_deg)))
    ideal, exact = ideal - np.interp(at, at[levels], shift), exact - np.interp(knots, at[levels], shift)

    def largest(curve: Array) -> float:
        return float(np.max(np.abs(slope * (np.interp(at, knots, curve) - ideal)) + width))

    # matching the middle leaves half the difference of the two hysteresis widths; no trim can do better
    enough = _NEAR_BEST * float(np.max(width))
    if largest(exact) <= enough:
        return exact
    wanted = slope * ideal
    found = _program(_hat(knots, at) * slope[:, None], wanted - width, wanted + width, exact, enough)
    return found if largest(found) < largest(exact) else exact


def _noise(at: Array, y: Array, knots: Array, most: float) -> Array:
    """Return what of ``y`` (n,), read at ``at``, is finer than a trim with these command points could follow.

    The residuals of a cubic spline with its knots at the command points: averaging over the readings between two of
    them. Zero where there are too few readings, and where more than ``most`` (rms) would be taken for noise.
    """
    nothing = np.zeros(at.size)
    inner = knots[(knots > at[0]) & (knots < at[-1])] if at.size else knots
    if at.size < 2 * (inner.size + 4) or np.histogram(at, np.r_[at[0], inner, at[-1]])[0].min() < 2:
        return nothing
    from scipy.interpolate import make_lsq_spline  # slow to load, and most airframes have no ganged servos

    spline = make_lsq_spline(at, y, np.r_[[at[0]] * 4, inner, [at[-1]] * 4], k=3)
    rest = y - spline(at)
    return np.asarray(rest) if np.sqrt(np.mean(rest**2)) <= most else nothing


def _program(effect: Array, above: Array, below: Array, exact: Array, enough: float) -> Array:
    """Solve for the command points c (k,): ``effect c`` at most ``above + t`` and at least ``below - t``.

    Least ``t``, but no less than is ``enough``, in deg; ``effect`` (n, k) in deg/us. Then least change from ``exact``:
    a microsecond costs so little that it adds at most a twentieth to ``t``.
    """
    from scipy.optimize import linprog  # slow to load

    n, k = effect.shape
    dear = 0.05 * float(np.median(np.abs(effect).sum(axis=1))) / k
    t, none, one, still = np.full((n, 1), -1.0), np.zeros((n, k)), np.eye(k), np.zeros((k, 1))
    matrix = np.block([[effect, none, t], [-effect, none, t], [one, -one, still], [-one, -one, still]])
    bounds = [(float(x) - _SHIFT_US, float(x) + _SHIFT_US) for x in exact]
    found: Any = linprog(
        np.r_[np.zeros(k), np.full(k, dear), 1.0],
        A_ub=matrix,
        b_ub=np.concatenate([above, -below, exact, -exact]),
        bounds=[*bounds, *[(0.0, math.inf)] * k, (enough, math.inf)],
    )
    return np.asarray(found.x[:k]) if found.status == 0 else exact


def _hat(knots: Array, at: Array) -> Array:
    """Weights (n, k) of linear interpolation between ``knots`` at ``at``."""
    return np.column_stack([np.interp(at, knots, unit) for unit in np.eye(knots.size)])


# --- fighting load ----------------------------------------------------------------------------------------------------


def stiffness(settings: ServoProcedure.Trim) -> Estimate | None:
    """Return the stiffness of one servo in N m per degree: measured, else stated, else None.

    Measured: least-squares slope of torque over deflection through the origin, with the standard uncertainty of that
    slope (one reading alone has none).
    """
    if not settings.stiffness_readings:
        stated = settings.stiffness_nm_per_deg
        return None if stated is None else estimate(stated, settings.stiffness_u_nm_per_deg, "N m/deg")
    torque, deflection = np.array(settings.stiffness_readings, dtype=np.float64).T
    n, weight = torque.size, float(deflection @ deflection)
    if weight == 0:
        return None
    slope = float(torque @ deflection) / weight
    if n < 2:
        return estimate(slope, None, "N m/deg")
    rest = torque - slope * deflection
    return estimate(slope, math.sqrt(float(rest @ rest) / (n - 1) / weight), "N m/deg", n - 1)


def fighting_load_nm(mismatch_deg: Array, stiffness_nm_per_deg: float) -> Array:
    """Torque with which two equal servos on one rigid surface hold against each other.

    Two springs in series take half the mismatch each: torque = stiffness x mismatch / 2.
    """
    return stiffness_nm_per_deg * np.abs(mismatch_deg) / 2
