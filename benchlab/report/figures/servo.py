"""Figures of one servo: quantities over cycles, first against last cycles, the current map, the stroke curve."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import pandas as pd

from benchlab.report import text
from benchlab.report.figures.base import Drawing, Figure, axis, finish, line, numbers, two_panels
from benchlab.report.figures.trend import trend_figures
from benchlab.report.look import HEAT, LIGHT
from benchlab.results import Analysis


def servo_figures(analysis: Analysis) -> Iterator[Figure]:
    """Yield the figures of one servo in reading order: quantities over cycles, waveforms, current map, stroke curve."""
    yield from trend_figures(analysis)
    for make in (waveform_figure, current_map_figure, stroke_figure):
        if (figure := make(analysis.tables)) is not None:
            yield figure


def waveform_figure(tables: Any) -> Figure | None:
    """Draw position and current over the time in a cycle, the first against the last cycles."""
    wave: pd.DataFrame | None = tables.get("waveform")
    if wave is None or not len(wave):
        return None
    there = [c for c in ("position_deg", "current_a") if c in wave and wave[c].notna().any()]
    if not there:
        return None
    fig = Drawing()
    halves = {which: wave[wave["which"] == which] for which in ("first", "last")}
    for row, column in enumerate(there):
        ref = "y" if row == 0 else "y2"
        for (which, part), colour, dash in zip(halves.items(), ("second", "fit"), ("dash", "solid"), strict=True):
            fig.add(
                line(
                    numbers(part, "time_in_cycle_s"), numbers(part, column), colour=colour, dash=dash,
                    yaxis=ref, name=f"{which} 20 cycles", legendgroup=which, showlegend=row == 0,
                    hovertemplate="%{x:.3g} s: %{y:.4g}<extra>" + which + "</extra>",
                )
            )  # fmt: skip
    names = {"position_deg": "position, °", "current_a": "current, A"}
    if len(there) == 2:
        two_panels(fig, names[there[0]], names[there[1]], "time in the cycle, s")
    else:
        fig.layout |= {"xaxis": axis("time in the cycle, s"), "yaxis": axis(names[there[0]])}
    fig.layout["showlegend"] = True
    return Figure(
        title="First against last cycles", conclusion=_wave_words(halves, there),
        look_for="Look for: last strokes later or slower than the first, a rest position that moved, new spikes of "
        "current. Medians of the first and the last 20 cycles.",
        json=finish(fig), height=360 if len(there) == 2 else 250,
    )  # fmt: skip


def current_map_figure(tables: Any) -> Figure | None:
    """Draw the current over time in the cycle (across) and cycle (upwards) as a heat map."""
    wide: pd.DataFrame | None = tables.get("current_map")
    if wide is None or wide.empty:
        return None
    current = wide.to_numpy(dtype=np.float64)
    time, cycle = np.asarray(wide.columns, dtype=np.float64), np.asarray(wide.index, dtype=np.float64)
    heat = {
        "type": "heatmap", "x": time, "y": cycle, "z": current * 1e3, "colorscale": HEAT, "zsmooth": False,
        "colorbar": {"title": {"text": "mA", "side": "top"}, "thickness": 12, "len": 1, "outlinewidth": 0},
        "hovertemplate": "cycle %{y:.0f}, %{x:.3g} s: %{z:.0f} mA<extra></extra>",
    }  # fmt: skip
    fig = Drawing(heat, xaxis=axis("time in the cycle, s"), yaxis=axis("cycle"))
    early, late = current[: max(1, len(current) // 10)], current[-max(1, len(current) // 10) :]
    return Figure(
        title="Current, cycle by cycle",
        conclusion=f"Mean current of the first tenth of the cycles {text.number(float(np.nanmean(early)), 3)} A, "
        f"of the last tenth {text.number(float(np.nanmean(late)), 3)} A; "
        f"highest {text.number(float(np.nanmax(current)), 3)} A.",
        look_for="Look for: an upright streak that begins at some cycle (a spike at one angle: tooth), strokes that "
        "lean to the right (slower), a colour that goes on changing upwards (run-in not done). Darker is more on "
        "paper, lighter on a dark screen.",
        json=finish(fig), height=360,
    )  # fmt: skip


def stroke_figure(tables: Any) -> Figure | None:
    """Draw how far the rest positions lie off a straight line of the command, approached from both sides."""
    curve: pd.DataFrame | None = tables.get("stroke_curve")
    if curve is None or len(curve) < 2:
        return None
    command = numbers(curve, "command_us")
    up, down, u = (numbers(curve, c) for c in ("position_up_deg", "position_down_deg", "u_deg"))
    both = np.nanmean(np.array([up, down]), axis=0)
    ok = np.isfinite(both)
    slope, offset = np.polyfit(command[ok], both[ok], 1)
    straight = slope * command + offset
    fig = Drawing()
    for y, name, colour, symbol, dash in (
        (up, "command rising", "fit", "triangle-up", "solid"),
        (down, "command falling", "second", "triangle-down", "dash"),
    ):
        fig.add(
            line(
                command, y - straight, colour=colour, mode="lines+markers", name=name, dash=dash,
                marker={"symbol": symbol, "size": 7 if len(command) < 40 else 4}, error_y={"array": 1.96 * u},
                hovertemplate="%{x} µs: %{y:.3g}°<extra>" + name + "</extra>",
            )
        )  # fmt: skip
    fig.layout |= {
        "xaxis": axis("command, µs"), "showlegend": True,
        "yaxis": axis("off the straight line, °", zeroline=True, zerolinecolor=LIGHT["faint"]),
    }  # fmt: skip
    gap = down - up
    widest = float(gap[np.nanargmax(np.abs(gap))]) if np.isfinite(gap).any() else float("nan")
    bend = float(np.nanmax(np.abs(both - straight)))
    return Figure(
        title="Stroke curve",
        conclusion=f"{text.number(1000 * float(slope), 4)}° per 1000 µs; widest gap between the two directions "
        f"{text.number(widest, 2)}°; bent by at most {text.number(bend, 2)}°.",
        look_for="Look for: the gap between the two directions (backlash and dead band) and how much the curve bends; "
        "twins on one surface should bend alike. Bars: 95 % intervals.",
        json=finish(fig), height=300,
    )  # fmt: skip


def _wave_words(halves: dict[str, pd.DataFrame], columns: list[str]) -> str:
    parts = []
    for column in columns:
        a, b = (numbers(half, column) for half in halves.values())
        a, b = a[np.isfinite(a)], b[np.isfinite(b)]
        if not len(a) or not len(b):
            continue
        if column == "current_a":
            parts.append(
                f"Mean current {text.number(float(a.mean()), 3)} A first, {text.number(float(b.mean()), 3)} A last."
            )
        else:
            parts.append(
                f"Position spans {text.number(float(np.ptp(a)), 3)}° first, {text.number(float(np.ptp(b)), 3)}° last."
            )
    return " ".join(parts)
