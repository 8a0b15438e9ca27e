"""Figures of packs: what one flight takes, by circuit and phase; the open-circuit curve."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from benchlab.report import text
from benchlab.report.figures.base import Drawing, Figure, Trace, add_limit, axis, band, finish, line, numbers
from benchlab.report.figures.power import power_figures
from benchlab.report.look import LIGHT
from benchlab.results import Analysis, Estimate, PartResult

_COLOURS = (("band", "fit"), ("left_out", "second"), ("room", "outlier"), ("grid", "ink"))
"""Fill and edge, circuit by circuit."""
_LABELLED = 0.07
"""Share of the drawn width from which a piece of the bar bears its phase's name."""


def pack_figures(analysis: Analysis) -> Iterator[Figure]:
    """Yield the figures of a pack: the budget of a flight, the open-circuit curve, then those of its own log."""
    tables = analysis.tables
    found = (budget_figure(analysis.result, tables.get("budget")), open_circuit_figure(tables.get("open_circuit")))
    yield from (f for f in found if f is not None)
    yield from power_figures(analysis)


def budget_figure(result: PartResult, budget: pd.DataFrame | None = None) -> Figure | None:
    """Draw what one flight takes from a pack, against its usable capacity and the reserve to be kept.

    ``budget`` has a row for each circuit and phase with its ``charge_mah``; without it the bar is one piece.
    """
    charge, reserve = result.quantities.get("flight_charge_mah"), result.quantities.get("reserve_fraction")
    if not isinstance(charge, Estimate) or not isinstance(reserve, Estimate):
        return None
    if charge.value is None or reserve.value is None or reserve.value >= 1:
        return None
    usable = charge.value / (1 - reserve.value)
    reach = 1.96 * (charge.u or 0)
    top = max(usable, charge.value + reach) * 1.04
    parted = budget is not None and len(budget) > 0
    fig = Drawing(*(_pieces(budget, top) if parted and budget is not None else [_piece(charge.value, "one flight")]))
    fig.add({
        "type": "scatter", "mode": "markers", "x": [charge.value], "y": ["flight"], "hoverinfo": "skip",
        "marker": {"size": 1, "color": LIGHT["ink"]},
        "error_x": {"array": [reach], "color": LIGHT["ink"], "thickness": 1.6, "width": 5}, "showlegend": False,
    })  # fmt: skip
    fig.shape(
        type="line", x0=usable, x1=usable, y0=0, y1=1, yref="paper",
        line={"color": LIGHT["ink"], "width": 1.6, "dash": "dot"},
    )  # fmt: skip
    fig.note("usable ", x=usable, y=1, yref="paper", xanchor="right", yanchor="bottom")
    kept = next((f.lower for f in result.findings if f.quantity == "reserve_fraction"), None)
    if kept is not None:
        add_limit(fig, usable * (1 - kept), f"most allowed (reserve {text.number(100 * kept)} %) ", ref="x")
        fig.layout["annotations"][-1]["yanchor"] = "top"
    fig.layout |= {
        "xaxis": axis("charge, mAh", range=[0, top]), "yaxis": {"showticklabels": False, "showgrid": False},
        "margin": {"t": 24 if not parted else 44, "l": 12, "r": 12, "b": 40}, "barmode": "stack", "showlegend": parted,
    }  # fmt: skip
    return Figure(
        title="One flight against the pack",
        conclusion=f"One flight takes {text.estimate(charge)} of {text.number(usable, 3)} mAh usable; "
        f"reserve {text.estimate(reserve)}.{_largest(budget) if parted and budget is not None else ''}",
        look_for="Look for: a bar, with its 95 % interval, that ends left of the dashed limit"
        + ("; the longest piece is where to save." if parted else "."),
        json=finish(fig), height=190 if parted else 170, wide=True,
    )  # fmt: skip


def _pieces(budget: pd.DataFrame, width: float) -> Iterator[Trace]:
    """One piece per circuit and phase, one colour per circuit."""
    circuits = list(dict.fromkeys(budget["circuit"].astype(str)))
    for i, circuit in enumerate(circuits):
        own = budget[budget["circuit"].astype(str) == circuit]
        for row, (phase, charge) in enumerate(zip(own["phase"].astype(str), numbers(own, "charge_mah"), strict=True)):
            label = text.plot_label(f"{circuit}, {phase}")
            yield _piece(charge, label, _COLOURS[i % len(_COLOURS)]) | {
                "name": text.plot_label(circuit), "legendgroup": str(i), "showlegend": row == 0,
                "text": [text.plot_label(phase) if charge > _LABELLED * width else ""],
                "textposition": "inside", "insidetextanchor": "middle", "textangle": 0,
            }  # fmt: skip


def _piece(charge: float, label: str, colours: tuple[str, str] = _COLOURS[0]) -> Trace:
    fill, edge = (LIGHT[c] for c in colours)
    return {
        "type": "bar", "x": [charge], "y": ["flight"], "orientation": "h", "width": 0.5,
        "marker": {"color": fill, "line": {"color": edge, "width": 1.2}},
        "insidetextfont": {"color": LIGHT["ink"]},
        "hovertemplate": f"%{{x:.4g}} mAh<extra>{label}</extra>",
    }  # fmt: skip


def _largest(budget: pd.DataFrame) -> str:
    charge = numbers(budget, "charge_mah")
    if not np.isfinite(charge).any() or len(charge) < 2:
        return ""
    top = budget.iloc[int(np.nanargmax(charge))]
    share = 100 * float(np.nanmax(charge)) / float(np.nansum(charge))
    return f" Largest piece: {top['circuit']}, {top['phase']}, {text.number(share, 2)} % of it."


def open_circuit_figure(table: pd.DataFrame | None) -> Figure | None:
    """Draw the pack's voltage without load against the charge taken from it."""
    if table is None or len(table) < 2:
        return None
    charge, voltage = numbers(table, "charge_mah"), numbers(table, "voltage_v")
    fig = Drawing(
        line(charge, voltage, hovertemplate="%{x:.4g} mAh: %{y:.4g} V<extra></extra>"),
        xaxis=axis("charge taken, mAh"), yaxis=axis("open-circuit voltage, V"),
    )  # fmt: skip
    if "u_v" in table:
        reach = 1.96 * numbers(table, "u_v")
        fig.data.insert(0, band(charge, voltage - reach, voltage + reach))
    return Figure(
        title="Voltage without load over the charge taken",
        conclusion=f"From {text.number(float(voltage[0]), 3)} V to {text.number(float(voltage[-1]), 3)} V over "
        f"{text.number(float(np.ptp(charge)), 3)} mAh.",
        look_for="Shade: 95 % band. Look for: where the curve bends down; a flight should end well before. Found from "
        "the log by taking the drop over the source resistance off.",
        json=finish(fig), height=250,
    )  # fmt: skip
