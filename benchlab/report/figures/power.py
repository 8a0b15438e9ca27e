"""Figures of circuits and packs."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd
import plotly.graph_objects as go
from numpy.typing import NDArray

from benchlab.report import text
from benchlab.report.figures.base import Figure, add_limit, axis, band, dots, f4, finish, line, two_panels
from benchlab.report.look import LIGHT
from benchlab.results import Analysis, Estimate, PartResult

Array = NDArray[np.float64]


def power_figures(analysis: Analysis) -> Iterator[Figure]:
    """Yield the figures of a circuit or pack: budget, load over time, histogram, load-duration, source line."""
    result, tables = analysis.result, analysis.tables
    found = [
        budget_figure(result),
        load_figure(result, tables["load"]) if _there(tables.get("load")) else None,
        histogram_figure(tables["load_histogram"]) if _there(tables.get("load_histogram")) else None,
        duration_figure(tables["load_duration"]) if _there(tables.get("load_duration")) else None,
        source_figure(result, tables["source_line"]) if _there(tables.get("source_line")) else None,
    ]
    yield from (f for f in found if f is not None)


def load_figure(result: PartResult, load: pd.DataFrame) -> Figure:
    """Draw current (and voltage) over time: mean line, and the area between the extremes of each stretch."""
    time = _numbers(load, "time_s")
    scale, unit = (3600.0, "h") if np.ptp(time) > 7200 else (60.0, "min") if np.ptp(time) > 300 else (1.0, "s")
    x = time / scale
    volts = "voltage_mean_v" in load and load["voltage_mean_v"].notna().any()
    fig = go.Figure()
    fig.add_trace(band(x, _numbers(load, "current_min_a"), _numbers(load, "current_max_a")))
    hover = "%{x:.4g} " + unit + ": %{y:.4g}<extra></extra>"
    fig.add_trace(line(x, _numbers(load, "current_mean_a"), width=1.2, hovertemplate=hover))
    if volts:
        fig.add_trace(band(x, _numbers(load, "voltage_min_v"), _numbers(load, "voltage_max_v"), yaxis="y2"))
        fig.add_trace(
            line(x, _numbers(load, "voltage_mean_v"), colour="second", width=1.2, yaxis="y2", hovertemplate=hover)
        )
        two_panels(fig, "current, A", "voltage, V", f"time, {unit}")
    else:
        fig.update_layout(xaxis=axis(f"time, {unit}"), yaxis=axis("current, A"))
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
    lo, hi, seconds = (_numbers(table, c) for c in ("current_lo_a", "current_hi_a", "seconds"))
    fig = go.Figure(
        go.Bar(
            x=f4((lo + hi) / 2), y=f4(seconds), width=f4(hi - lo), marker_color=LIGHT["fit"],
            marker_line={"width": 0.5, "color": LIGHT["paper"]},
            hovertemplate="%{x:.3g} A: %{y:.3g} s<extra></extra>",
        ),
        layout={"xaxis": axis("current, A"), "yaxis": axis("time, s")},
    )  # fmt: skip
    top = int(np.argmax(seconds))
    return Figure(
        title="Load histogram",
        conclusion=f"Most often between {text.number(float(lo[top]), 3)} and {text.number(float(hi[top]), 3)} A.",
        look_for="Look for: a second hump far right (a surface that works against a stop or its twin).",
        json=finish(fig), height=250,
    )  # fmt: skip


def duration_figure(table: pd.DataFrame) -> Figure:
    """Draw during what share of the time the current is above a value."""
    current, share = _numbers(table, "current_a"), 100 * _numbers(table, "share_of_time")
    fig = go.Figure(
        line(share, current, hovertemplate="above %{y:.3g} A during %{x:.3g} %<extra></extra>"),
        layout={"xaxis": axis("share of the time, %"), "yaxis": axis("current exceeded, A")},
    )
    order = np.argsort(share)
    tenth = float(np.interp(10, share[order], current[order]))
    return Figure(
        title="Load duration", conclusion=f"Above {text.number(tenth, 3)} A during 10 % of the time.",
        look_for="Look for: how far right the high part reaches; wires are sized by it, packs by the area.",
        json=finish(fig), height=250,
    )  # fmt: skip


def source_figure(result: PartResult, table: pd.DataFrame) -> Figure:
    """Draw voltage against current with the line whose slope is the source resistance."""
    current, voltage, fit = (_numbers(table, c) for c in ("current_a", "voltage_v", "fit_v"))
    fig = go.Figure()
    fig.add_trace(dots(current, voltage, hovertemplate="%{x:.3g} A: %{y:.4g} V<extra></extra>"))
    ends = np.array([np.nanargmin(current), np.nanargmax(current)])
    fig.add_trace(line(current[ends], fit[ends], hoverinfo="skip"))
    fig.update_layout(xaxis=axis("current, A"), yaxis=axis("voltage, V"))
    return Figure(
        title="Voltage against current", conclusion=_values(result, ("source_resistance_ohm",)),
        look_for="Look for: points far below the line (a contact that fails under load). The line has the slope of the "
        "source resistance, found from sample to sample; a discharging pack scatters the points downwards.",
        json=finish(fig), height=250,
    )  # fmt: skip


def budget_figure(result: PartResult) -> Figure | None:
    """Draw what one flight takes from a pack, against its usable capacity and the reserve to be kept."""
    charge, reserve = result.quantities.get("flight_charge_mah"), result.quantities.get("reserve_fraction")
    if not isinstance(charge, Estimate) or not isinstance(reserve, Estimate):
        return None
    if charge.value is None or reserve.value is None or reserve.value >= 1:
        return None
    usable = charge.value / (1 - reserve.value)
    fig = go.Figure(
        go.Bar(
            x=f4([charge.value]), y=["flight"], orientation="h", width=0.5, marker_color=LIGHT["fit"],
            error_x={"array": f4([1.96 * (charge.u or 0)]), "color": LIGHT["ink"], "thickness": 1.6},
            hovertemplate="%{x:.4g} mAh<extra>one flight</extra>",
        )
    )  # fmt: skip
    kept = next((f.lower for f in result.findings if f.quantity == "reserve_fraction"), None)
    marks = [(usable, "usable", "ink", "dot")]
    if kept is not None:
        marks.append((usable * (1 - kept), f"most allowed (reserve {text.number(100 * kept)} %)", "limit", "dash"))
    for x, label, colour, dash in marks:
        fig.add_shape(
            type="line", x0=x, x1=x, y0=0, y1=1, yref="paper", line={"color": LIGHT[colour], "width": 1.6, "dash": dash}
        )
        fig.add_annotation(
            x=x, y=1, yref="paper", xanchor="right", yanchor="top" if dash == "dash" else "bottom", text=f"{label} ",
            showarrow=False, font={"color": LIGHT[colour], "size": 11},
        )  # fmt: skip
    top = max(usable, charge.value + 2 * (charge.u or 0)) * 1.04
    fig.update_layout(
        xaxis=axis("charge, mAh", range=[0, top]), yaxis={"showticklabels": False, "showgrid": False},
        margin={"t": 24},
    )  # fmt: skip
    return Figure(
        title="One flight against the pack",
        conclusion=f"One flight takes {text.estimate(charge)} of {text.number(usable, 3)} mAh usable; "
        f"reserve {text.estimate(reserve)}.",
        look_for="Look for: a bar, with its 95 % interval, that ends left of the dashed limit.",
        json=finish(fig), height=170, wide=True,
    )  # fmt: skip


def _limit(fig: go.Figure, result: PartResult, quantity: str, yref: str, word: str) -> None:
    for f in result.findings:
        bound = f.upper if f.upper is not None else f.lower
        if f.quantity == quantity and bound is not None:
            add_limit(fig, bound, f"{word}: {text.number(bound)} {text.unit(f.unit)}", yref=yref)
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


def _numbers(frame: pd.DataFrame, column: str) -> Array:
    return frame[column].to_numpy(dtype=np.float64, na_value=np.nan)
