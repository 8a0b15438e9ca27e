"""Figures of circuits, and of a pack's own log."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from benchlab.report import text
from benchlab.report.figures.base import (
    Drawing,
    Figure,
    add_limit,
    axis,
    band,
    dots,
    finish,
    line,
    numbers,
    two_panels,
)  # fmt: skip
from benchlab.report.look import LIGHT
from benchlab.results import Analysis, Estimate, PartResult


def power_figures(analysis: Analysis) -> Iterator[Figure]:
    """Yield the figures of a log of current: load over time, histogram, load-duration, source line."""
    result, tables = analysis.result, analysis.tables
    found = [
        load_figure(result, tables["load"]) if _there(tables.get("load")) else None,
        histogram_figure(tables["load_histogram"]) if _there(tables.get("load_histogram")) else None,
        duration_figure(tables["load_duration"]) if _there(tables.get("load_duration")) else None,
        source_figure(result, tables["source_line"]) if _there(tables.get("source_line")) else None,
    ]
    yield from (f for f in found if f is not None)


def load_figure(result: PartResult, load: pd.DataFrame) -> Figure:
    """Draw current (and voltage) over time: mean line, and the area between the extremes of each stretch."""
    time = numbers(load, "time_s")
    scale, unit = (3600.0, "h") if np.ptp(time) > 7200 else (60.0, "min") if np.ptp(time) > 300 else (1.0, "s")
    x = time / scale
    volts = "voltage_mean_v" in load and load["voltage_mean_v"].notna().any()
    fig = Drawing()
    edge = {"width": 0.6, "color": LIGHT["data"]}  # a peak of one reading stays visible
    fig.add(band(x, numbers(load, "current_min_a"), numbers(load, "current_max_a"), colour="data", line=edge))
    hover = "%{x:.4g} " + unit + ": %{y:.4g}<extra></extra>"
    fig.add(line(x, numbers(load, "current_mean_a"), width=1.2, hovertemplate=hover))
    if volts:
        fig.add(
            band(
                x, numbers(load, "voltage_min_v"), numbers(load, "voltage_max_v"), colour="data", line=edge, yaxis="y2"
            )
        )
        fig.add(line(x, numbers(load, "voltage_mean_v"), colour="second", width=1.2, yaxis="y2", hovertemplate=hover))
        two_panels(fig, "current, A", "voltage, V", f"time, {unit}")
    else:
        fig.layout |= {"xaxis": axis(f"time, {unit}"), "yaxis": axis("current, A")}
    _limit(fig, result, "peak_current_a", "y", "most allowed")
    if volts:
        _limit(fig, result, "voltage_min_v", "y2", "least allowed")
    return Figure(
        title="Load over time", conclusion=_values(result, ("mean_current_a", "peak_current_a", "voltage_min_v")),
        look_for="Look for: peaks that reach a dashed limit, voltage that falls more than the load explains. The line "
        "is the mean of each stretch, the shade its least to greatest reading: no peak is lost.",
        json=finish(fig), height=360 if volts else 260, wide=True,
    )  # fmt: skip


def histogram_figure(table: pd.DataFrame) -> Figure:
    """Draw how long each current flowed."""
    lo, hi, seconds = (numbers(table, c) for c in ("current_lo_a", "current_hi_a", "seconds"))
    bars = {
        "type": "bar", "x": (lo + hi) / 2, "y": seconds, "width": hi - lo,
        "marker": {"color": LIGHT["fit"], "line": {"width": 0.5, "color": LIGHT["paper"]}},
        "hovertemplate": "%{x:.3g} A: %{y:.3g} s<extra></extra>",
    }  # fmt: skip
    fig = Drawing(bars, xaxis=axis("current, A"), yaxis=axis("time, s"))
    top = int(np.argmax(seconds))
    return Figure(
        title="Load histogram",
        conclusion=f"Most often between {text.number(float(lo[top]), 3)} and {text.number(float(hi[top]), 3)} A.",
        look_for="Look for: a second hump far right (a surface that works against a stop or its twin).",
        json=finish(fig), height=250,
    )  # fmt: skip


def duration_figure(table: pd.DataFrame) -> Figure:
    """Draw during what share of the time the current is above a value."""
    current, share = numbers(table, "current_a"), 100 * numbers(table, "share_of_time")
    fig = Drawing(
        line(share, current, hovertemplate="above %{y:.3g} A during %{x:.3g} %<extra></extra>"),
        xaxis=axis("share of the time, %"), yaxis=axis("current exceeded, A"),
    )  # fmt: skip
    order = np.argsort(share)
    tenth = float(np.interp(10, share[order], current[order]))
    return Figure(
        title="Load duration", conclusion=f"Above {text.number(tenth, 3)} A during 10 % of the time.",
        look_for="Look for: how far right the high part reaches; wires are sized by it, packs by the area.",
        json=finish(fig), height=250,
    )  # fmt: skip


def source_figure(result: PartResult, table: pd.DataFrame) -> Figure:
    """Draw voltage against current with the line whose slope is the source resistance."""
    current, voltage, fit = (numbers(table, c) for c in ("current_a", "voltage_v", "fit_v"))
    fig = Drawing()
    fig.add(dots(current, voltage, hovertemplate="%{x:.3g} A: %{y:.4g} V<extra></extra>"))
    ends = np.array([np.nanargmin(current), np.nanargmax(current)])
    resistance = result.quantities.get("source_resistance_ohm")
    if isinstance(resistance, Estimate) and resistance.u:
        # the slope is what was measured: the band turns about the middle of the readings
        reach = 1.96 * resistance.u * np.abs(current[ends] - np.nanmean(current))
        corners = np.array([current[ends[0]], np.nanmean(current), current[ends[1]]])
        middle = np.interp(corners, current[ends], fit[ends])
        off = np.array([reach[0], 0.0, reach[1]])
        fig.data.insert(0, band(corners, middle - off, middle + off))
    fig.add(line(current[ends], fit[ends], hoverinfo="skip"))
    fig.layout |= {"xaxis": axis("current, A"), "yaxis": axis("voltage, V")}
    return Figure(
        title="Voltage against current", conclusion=_values(result, ("source_resistance_ohm",)),
        look_for="Look for: points far below the line (a contact that fails under load). The line has the slope of the "
        "source resistance, found from sample to sample; a discharging pack scatters the points downwards. "
        "Shade: the line's 95 % band.",
        json=finish(fig), height=250,
    )  # fmt: skip


def _limit(fig: Drawing, result: PartResult, quantity: str, yref: str, word: str) -> None:
    for f in result.findings:
        bound = f.upper if f.upper is not None else f.lower
        if f.quantity == quantity and bound is not None:
            add_limit(fig, bound, f"{word}: {text.number(bound)} {text.unit(f.unit)}", ref=yref)
            return


def _values(result: PartResult, names: tuple[str, ...]) -> str:
    words = []
    for name in names:
        e = result.quantities.get(name)
        if isinstance(e, Estimate) and e.value is not None:
            words.append(f"{text.title(name)} {text.estimate(e)}")
    return f"{'; '.join(words)}." if words else "Not measured."


def _there(table: pd.DataFrame | None) -> bool:
    return table is not None and len(table) > 0
