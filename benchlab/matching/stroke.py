"""Position of a servo against its command, in both directions, as a curve that can be evaluated anywhere."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    import pandas as pd

Array = npt.NDArray[np.float64]

# Curves are kept on this many evenly spaced commands: with 1000 us of travel that is 2.5 us, the step of a good
# receiver; linear interpolation in between is then far below any sensor's resolution.
FINE = 401
SPARSE = 9
"""Fewer measured command levels than this: the curve between them is not known, only at them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stroke:
    """One servo's stroke.

    ``levels_us`` (m,) are the measured commands, ``command_us`` (n,) the fine ones; ``up_deg``, ``down_deg`` (n,) the
    positions approached with rising and falling command (NaN where not known), ``mid_deg`` (n,) their monotone middle
    and ``half_deg`` (n,) half their difference, up - down, of the nearest level approached from both sides.
    ``u_deg`` is the largest standard uncertainty of a position. ``hysteresis`` says whether any level was approached
    from both sides, ``falling`` whether the angle falls with rising command.
    """

    levels_us: Array
    command_us: Array
    up_deg: Array
    down_deg: Array
    mid_deg: Array
    half_deg: Array
    u_deg: float
    hysteresis: bool
    falling: bool

    @property
    def sparse(self) -> bool:
        """True where the curve was measured at a few command levels only."""
        return self.levels_us.size < SPARSE

    def up(self, command_us: Array) -> Array:
        """Position with rising command; NaN outside the measured range."""
        return np.interp(command_us, self.command_us, self.up_deg, np.nan, np.nan)

    def down(self, command_us: Array) -> Array:
        """Position with falling command; NaN outside the measured range."""
        return np.interp(command_us, self.command_us, self.down_deg, np.nan, np.nan)

    def mid(self, command_us: Array) -> Array:
        """Mean of both directions; NaN outside the measured range."""
        return np.interp(command_us, self.command_us, self.mid_deg, np.nan, np.nan)

    def half(self, command_us: Array) -> Array:
        """Half the difference of both directions, up - down; the nearest known one outside the measured range."""
        return np.interp(command_us, self.command_us, self.half_deg)

    def both(self, command_us: Array) -> tuple[Array, Array]:
        """Position with rising and with falling command; what was not measured from the middle and the half width."""
        up, down, mid, half = (f(command_us) for f in (self.up, self.down, self.mid, self.half))
        return np.where(np.isfinite(up), up, mid + half), np.where(np.isfinite(down), down, mid - half)

    def command_for(self, position_deg: Array) -> Array:
        """Command at which the middle of the stroke is at ``position_deg``.

        Outside the measured range the stroke is thought to go on with its mean slope; whether it does is not known.
        """
        order = slice(None, None, -1) if self.falling else slice(None)
        mid, command = self.mid_deg[order], self.command_us[order]
        # a plateau (dead band, end stop) has no inverse: its first command stands for it
        rising = np.concatenate(([True], np.diff(np.maximum.accumulate(mid)) > 0))
        mid, command = mid[rising], command[rising]
        inside = np.interp(position_deg, mid, command)
        if mid.size < 2:
            return inside
        per_deg = (command[-1] - command[0]) / (mid[-1] - mid[0])
        beyond = np.maximum(position_deg - mid[-1], 0) + np.minimum(position_deg - mid[0], 0)
        return np.asarray(inside + per_deg * beyond)


def stroke_of(tables: Mapping[str, pd.DataFrame]) -> Stroke | str:
    """Build the stroke from a servo's table ``stroke_curve``, or say why there is none.

    The table has the columns command_us, position_up_deg, position_down_deg, u_deg, one row per command level.
    """
    table = tables.get("stroke_curve")
    if table is None or not {"command_us", "position_up_deg", "position_down_deg"} <= set(table.columns):
        return "no position against command in its log"
    table = table.sort_values("command_us").drop_duplicates("command_us")
    command, up, down = (
        table[c].to_numpy(dtype=np.float64) for c in ("command_us", "position_up_deg", "position_down_deg")
    )
    known = np.isfinite(command) & (np.isfinite(up) | np.isfinite(down))
    command, up, down = command[known], up[known], down[known]
    if command.size < 2:
        return "position known at fewer than two command levels"
    from scipy.interpolate import PchipInterpolator  # slow to load, here and below

    u = table["u_deg"].to_numpy(dtype=np.float64)[known] if "u_deg" in table else np.array([np.nan])
    fine = np.linspace(command[0], command[-1], FINE)
    half = _half_width(command, up, down)
    mid, falling = _middle(up, down, half)
    return Stroke(
        levels_us=command,
        command_us=fine,
        up_deg=_curve(command, up, fine),
        down_deg=_curve(command, down, fine),
        mid_deg=PchipInterpolator(command, mid)(fine),
        half_deg=np.interp(fine, command, half),
        # the largest: a pair is judged by the worst place of the stroke
        u_deg=float(np.nanmax(u)) if np.isfinite(u).any() else float("nan"),
        hysteresis=bool((np.isfinite(up) & np.isfinite(down)).any()),
        falling=falling,
    )


def _curve(command: Array, position: Array, fine: Array) -> Array:
    """Interpolate one direction monotonically (PCHIP) over the commands at which it was measured."""
    from scipy.interpolate import PchipInterpolator

    known = np.isfinite(position)
    if known.sum() < 2:
        out = np.full(fine.size, np.nan)
        if known.any():
            out[np.argmin(np.abs(fine - command[known][0]))] = position[known][0]
        return out
    return np.asarray(PchipInterpolator(command[known], position[known], extrapolate=False)(fine))


def _half_width(command: Array, up: Array, down: Array) -> Array:
    """Return half of up - down at every level; one reached from one side only (the ends are) takes its neighbour's."""
    both = np.isfinite(up) & np.isfinite(down)
    return np.interp(command, command[both], (up[both] - down[both]) / 2) if both.any() else np.zeros(command.size)


def _middle(up: Array, down: Array, half: Array) -> tuple[Array, bool]:
    """Return the mean of both directions, made monotone, and whether it falls."""
    from scipy.optimize import isotonic_regression

    both = np.isfinite(up) & np.isfinite(down)
    mid = np.where(both, (up + down) / 2, np.where(np.isfinite(up), up - half, down + half))
    falling = bool(mid[-1] < mid[0])
    fitted = isotonic_regression(mid, increasing=not falling).x
    return np.asarray(fitted, dtype=np.float64), falling


def negated(stroke: Stroke) -> Stroke:
    """Return the stroke with its angles negated: the counterpart on an opposed mounting."""
    up, down, mid, half = (-x for x in (stroke.up_deg, stroke.down_deg, stroke.mid_deg, stroke.half_deg))
    return replace(stroke, up_deg=up, down_deg=down, mid_deg=mid, half_deg=half, falling=not stroke.falling)


def reversed_channel(stroke: Stroke) -> Stroke:
    """Return the stroke as driven by a reversed channel: commands mirrored about the middle of its range."""
    total = stroke.command_us[0] + stroke.command_us[-1]
    return replace(
        stroke,
        levels_us=total - stroke.levels_us[::-1],
        command_us=total - stroke.command_us[::-1],
        up_deg=stroke.down_deg[::-1],
        down_deg=stroke.up_deg[::-1],
        mid_deg=stroke.mid_deg[::-1],
        half_deg=-stroke.half_deg[::-1],
        falling=not stroke.falling,
    )
