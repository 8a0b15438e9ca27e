"""Figures of one servo: quantities over cycles, first against last cycles, the current map, the stroke curve."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import pandas as pd
import plotly.graph_objects as go
from numpy.typing import NDArray

from benchlab.quantities import unit_of
from benchlab.report import text
from benchlab.report.figures.base import (
    Figure,
    add_limit,
    add_moment,
    axis,
    band,
    dots,
    f4,
    finish,
    line,
    two_panels,
    whole,
)  # fmt: skip
from benchlab.report.look import HEAT, LIGHT
from benchlab.report.reduce import corner_rows, min_max_rows
from benchlab.results import Analysis, PartResult, Trend

Array = NDArray[np.float64]

_LEVELS = ("settled", "start", "end", "value")
"""Aspects whose limit is a level of the quantity itself and can be drawn as a line."""

MAIN = (
    "centre_deg", "hysteresis_deg", "travel_deg", "transit_ref_s_per_60deg", "transit_s_per_60deg", "jitter_deg",
    "moving_current_ref_a", "moving_current_a", "idle_current_a", "peak_current_a",
)  # fmt: skip
"""Quantities shown first; the others follow behind "more quantities"."""


def servo_figures(analysis: Analysis) -> Iterator[Figure]:
    """Yield the figures of one servo in reading order: main quantities, waveforms, current map, stroke curve."""
    tables = analysis.tables
    for name in shown_quantities(analysis):
        yield trend_figure(analysis, name)
    for make in (waveform_figure, current_map_figure, stroke_figure):
        if (figure := make(tables)) is not None:
            yield figure


def shown_quantities(analysis: Analysis) -> list[str]:
    """Return the quantities that were measured per cycle, the main ones first, then the table's order.

    Of a quantity and its corrected twin (``_ref``) only the corrected one is drawn: it is the one that is judged.
    """
    cycles = analysis.tables.get("cycles")
    if cycles is None:
        return []
    there = [c for c in cycles.columns if c not in {"cycle", "time_s"} and np.isfinite(_numbers(cycles, c)).sum() >= 2]
    raw = {c for c in there if _corrected(c) in there}
    ordered = [c for c in MAIN if c in there] + [c for c in there if c not in MAIN]
    return [c for c in ordered if c not in raw]


def trend_figure(analysis: Analysis, quantity: str) -> Figure:
    """Draw one quantity over the cycles: readings, fit with its 95 % band, limits, steps and outliers."""
    result, cycles = analysis.result, analysis.tables["cycles"]
    cycle, value = _numbers(cycles, "cycle"), _numbers(cycles, quantity)
    outliers = sorted({e.cycle for e in result.events if e.kind == "outlier" and e.quantity == quantity and e.cycle})
    is_out = np.isin(cycle, outliers)
    curve = _curve(analysis, quantity)
    limits = _limits(result, quantity)
    lo, hi = _range(np.where(is_out, np.nan, value), curve, [y for y, _ in limits])

    fig = go.Figure()
    if curve is not None:
        keep = corner_rows(curve["cycle"], [curve["fit"], curve["lo"], curve["hi"]], (hi - lo) / 400)
        curve = {k: v[keep] for k, v in curve.items()}
        fig.add_trace(band(curve["cycle"], curve["lo"], curve["hi"]))
    inside = np.where(is_out, np.nan, value)
    rows = min_max_rows(inside, 700)
    fig.add_trace(dots(cycle[rows], inside[rows], hovertemplate="cycle %{x}: %{y:.4g}<extra></extra>"))
    if is_out.any():
        fig.add_trace(_outlier_marks(cycle[is_out], value[is_out], lo, hi))
    if curve is not None:
        fig.add_trace(line(curve["cycle"], curve["fit"], hovertemplate="fit, cycle %{x}: %{y:.4g}<extra></extra>"))
    for y, label in limits:
        if lo <= y <= hi:
            add_limit(fig, y, label)
    for e in result.events:
        if e.kind == "step" and e.quantity == quantity and e.cycle is not None:
            size = "" if e.size is None else f" {'+' if e.size > 0 else ''}{text.number(e.size, 2)}"
            add_moment(fig, e.cycle, f"step{size}", e.lo, e.hi)
    fig.update_layout(xaxis=axis("cycle"), yaxis=axis(_axis_title(quantity), range=[lo, hi]))
    reduced = " Each stretch of cycles is drawn by its least and greatest reading." if len(rows) < len(value) else ""
    beyond = [text.limit(None, y) for y, _ in limits if not lo <= y <= hi]
    off = f" The limit ({', '.join(y.removeprefix('≤ ') for y in beyond)}) lies beyond the plot." if beyond else ""
    return Figure(
        title=f"{text.title(quantity)} over the cycles", conclusion=trend_words(result, quantity, outliers),
        look_for=_look_for(quantity) + off + reduced, json=finish(fig), height=230, over_cycles=True,
    )  # fmt: skip


def trend_words(result: PartResult, quantity: str, outliers: list[int]) -> str:
    """Say in a sentence or two how the quantity went."""
    trend = result.quantities.get(quantity)
    if not isinstance(trend, Trend):
        return f"{text.title(quantity)} per cycle; no trend was fitted."
    where = f"Settled at {text.estimate(trend.settled)}" if "settling" in trend.model else "Level at the last cycle "
    if "settling" not in trend.model:
        where = f"{text.estimate(trend.settled)} at the last cycle"
    words = [f"{where}; drift {text.estimate(trend.drift_per_1000)}."]
    if trend.settled_at_cycle is not None:
        words.append(f"Run-in 95 % done at cycle {trend.settled_at_cycle}.")
    steps = [e for e in result.events if e.kind == "step" and e.quantity == quantity and e.cycle is not None]
    if steps:
        words.append(f"Step at cycle {text.listed([str(e.cycle) for e in steps])}.")
    if outliers:
        some = f"cycle {outliers[0]}" if len(outliers) == 1 else f"{len(outliers)} cycles"
        words.append(f"Outlying: {some}, left out of the fit.")
    return " ".join(words)


def waveform_figure(tables: Any) -> Figure | None:
    """Draw position and current over the time in a cycle, the first against the last cycles."""
    wave: pd.DataFrame | None = tables.get("waveform")
    if wave is None or not len(wave):
        return None
    there = [c for c in ("position_deg", "current_a") if c in wave and wave[c].notna().any()]
    if not there:
        return None
    fig = go.Figure()
    for row, column in enumerate(there):
        ref = "y" if row == 0 else "y2"
        for which, colour, dash in (("first", "second", "dash"), ("last", "fit", "solid")):
            part = wave[wave["which"] == which]
            fig.add_trace(
                line(
                    _numbers(part, "time_in_cycle_s"), _numbers(part, column), colour=colour, line_dash=dash,
                    yaxis=ref, name=f"{which} 20 cycles", legendgroup=which, showlegend=row == 0,
                    hovertemplate="%{x:.3g} s: %{y:.4g}<extra>" + which + "</extra>",
                )
            )  # fmt: skip
    names = {"position_deg": "position, °", "current_a": "current, A"}
    if len(there) == 2:
        two_panels(fig, names[there[0]], names[there[1]], "time in the cycle, s")
    else:
        fig.update_layout(xaxis=axis("time in the cycle, s"), yaxis=axis(names[there[0]]))
    fig.update_layout(showlegend=True)
    return Figure(
        title="First against last cycles", conclusion=_wave_words(wave, there),
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
    milli = current * 1e3
    z = milli.round().astype(np.int16) if np.isfinite(milli).all() and np.abs(milli).max() < 2**15 else f4(milli)
    fig = go.Figure(
        go.Heatmap(
            x=f4(time), y=whole(cycle), z=z, colorscale=HEAT, zsmooth=False,
            colorbar={"title": {"text": "mA", "side": "top"}, "thickness": 12, "len": 1, "outlinewidth": 0},
            hovertemplate="cycle %{y}, %{x:.3g} s: %{z:.0f} mA<extra></extra>",
        ),
        layout={"xaxis": axis("time in the cycle, s"), "yaxis": axis("cycle")},
    )  # fmt: skip
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
    command = _numbers(curve, "command_us")
    up, down, u = (_numbers(curve, c) for c in ("position_up_deg", "position_down_deg", "u_deg"))
    both = np.nanmean(np.array([up, down]), axis=0)
    ok = np.isfinite(both)
    slope, offset = np.polyfit(command[ok], both[ok], 1)
    straight = slope * command + offset
    fig = go.Figure()
    for y, name, colour, symbol, dash in (
        (up, "command rising", "fit", "triangle-up", "solid"),
        (down, "command falling", "second", "triangle-down", "dash"),
    ):
        fig.add_trace(
            line(
                command, y - straight, colour=colour, mode="lines+markers", name=name, line_dash=dash,
                marker={"symbol": symbol, "size": 7 if len(command) < 40 else 4}, error_y={"array": f4(1.96 * u)},
                hovertemplate="%{x} µs: %{y:.3g}°<extra>" + name + "</extra>",
            )
        )  # fmt: skip
    fig.update_layout(
        xaxis=axis("command, µs"), yaxis=axis("off the straight line, °", zeroline=True, zerolinecolor=LIGHT["faint"]),
        showlegend=True,
    )  # fmt: skip
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


def _curve(analysis: Analysis, quantity: str) -> dict[str, Array] | None:
    curves = analysis.tables.get("trend_curves")
    if curves is None:
        return None
    own = curves[curves["quantity"] == quantity]
    arrays = {c: _numbers(own, c) for c in ("cycle", "fit", "lo", "hi")}
    ok = np.all([np.isfinite(a) for a in arrays.values()], axis=0)
    return {k: v[ok] for k, v in arrays.items()} if ok.sum() >= 2 else None


def _limits(result: PartResult, quantity: str) -> list[tuple[float, str]]:
    """Limits that are levels on the quantity's axis: of the level itself, or of its change, counted from the start."""
    out: list[tuple[float, str]] = []
    trend = result.quantities.get(quantity)
    for f in result.findings:
        bounds = [b for b in (f.lower, f.upper) if b is not None]
        if f.quantity != quantity:
            continue
        if f.aspect in _LEVELS:
            out += [(b, f"limit {text.number(b)}") for b in bounds]
        elif f.aspect == "change" and isinstance(trend, Trend) and trend.start.value is not None:
            start = trend.start.value
            out += [(start + b, f"start {'+' if b > 0 else '−'} {text.number(abs(b))}") for b in bounds]
    return out


def _range(value: Array, curve: dict[str, Array] | None, limits: list[float]) -> tuple[float, float]:
    """Axis range: all readings that are not outliers and the fit; limits too, unless they would squash the readings."""
    seen = [value[np.isfinite(value)]] + ([curve["fit"]] if curve is not None else [])
    shown = np.concatenate(seen)
    lo, hi = float(shown.min()), float(shown.max())
    span = (hi - lo) or abs(hi) * 0.1 or 1.0
    for y in limits:
        if lo - 8 * span <= y <= hi + 8 * span:
            lo, hi = min(lo, y), max(hi, y)
    pad = 0.08 * ((hi - lo) or span)
    return lo - pad, hi + pad


def _outlier_marks(cycle: Array, value: Array, lo: float, hi: float) -> go.Scatter:
    """Rings at the outlying cycles; one beyond the plot stands at its edge as a triangle and tells its true value."""
    edge = 0.03 * (hi - lo)
    symbol = np.where(value > hi, "triangle-up", np.where(value < lo, "triangle-down", "circle-open"))
    return go.Scatter(
        x=whole(cycle), y=f4(np.clip(value, lo + edge, hi - edge)), customdata=f4(value), mode="markers",
        marker={"symbol": list(symbol), "size": 9, "color": LIGHT["outlier"], "line": {"width": 1.6}},
        hovertemplate="outlier, cycle %{x}: %{customdata:.4g}<extra></extra>",
    )  # fmt: skip


def _look_for(quantity: str) -> str:
    hint = {
        "centre_deg": "a slope that goes on (drift), a jump (slipped arm or spline).",
        "hysteresis_deg": "a rise (wear or a loose arm).",
        "jitter_deg": "a rise (wear of the feedback element).",
        "temperature_c": "whether it has levelled off.",
    }
    if quantity in hint:
        return f"Look for: {hint[quantity]}"
    if quantity.endswith(("current_a", "current_ref_a")):
        return "Look for: a fall to a plateau (normal run-in), a rise (binding), a jump."
    return "Look for: a slope that goes on after run-in, a jump."


def _wave_words(wave: pd.DataFrame, columns: list[str]) -> str:
    parts = []
    first, last = wave[wave["which"] == "first"], wave[wave["which"] == "last"]
    for column in columns:
        a, b = _numbers(first, column), _numbers(last, column)
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


def _axis_title(quantity: str) -> str:
    title, unit = text.title(quantity), text.unit(unit_of(quantity))
    if len(title) > 20:  # longer than the axis of a small figure; the caption has the whole name
        title = title.split(" at ")[0]
    return f"{title[:1].lower()}{title[1:]}, {unit}" if unit else title


def _corrected(name: str) -> str:
    """Name of the quantity corrected to reference conditions."""
    for tail in ("_s_per_60deg", "_a"):
        if name.endswith(tail):
            return f"{name.removesuffix(tail)}_ref{tail}"
    return ""


def _numbers(frame: pd.DataFrame, column: str) -> Array:
    return frame[column].to_numpy(dtype=np.float64, na_value=np.nan)
