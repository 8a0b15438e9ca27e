"""Figures that set several parts beside one another: sisters, groups, left/right dimensions."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
import pandas as pd

from benchlab.quantities import unit_of
from benchlab.report import text
from benchlab.report.figures.base import Drawing, Figure, add_limit, axis, dots, finish, line
from benchlab.report.look import HEAT, LIGHT
from benchlab.results import Estimate, GroupResult, PartResult, Trend

_HALF = 10
"""Servos whose mismatch matrix still fits half the page's width."""
_SISTERS = ("hysteresis_deg", "transit_ref_s_per_60deg", "moving_current_ref_a", "idle_current_a", "jitter_deg")


def sister_figures(parts: Sequence[PartResult]) -> Iterator[Figure]:
    """Yield one figure per quantity that at least two servos were measured for: settled values side by side."""
    servos = [p for p in parts if p.kind == "servo"]
    for name in _SISTERS:
        raw = name.replace("_ref", "")
        there = [(p, e) for p in servos if (e := _settled(p, name) or _settled(p, raw)) is not None]
        if len(there) >= 2:
            yield _sister_figure(name, there)


def _sister_figure(name: str, there: list[tuple[PartResult, Estimate]]) -> Figure:
    labels = [text.plot_label(p.id) for p, _ in there]
    values = np.array([e.value for _, e in there], dtype=float)
    reach = np.array([_half_width(e) for _, e in there])
    fig = Drawing(
        dots(
            values, np.arange(len(labels)), colour="fit", size=9, error_x={"array": reach, "thickness": 1.4},
            hovertemplate="%{x:.4g}<extra></extra>",
        ),
        xaxis=axis(f"{text.title(name)}, {text.unit(unit_of(name))}"), yaxis=_rows(labels),
    )  # fmt: skip
    fig.data[0]["marker"]["symbol"] = ["x" if p.verdict == "reject" else "circle" for p, _ in there]
    middle = float(np.median(values))
    fig.shape(type="line", x0=middle, x1=middle, y0=0, y1=1, yref="paper", line={"color": LIGHT["faint"], "width": 1.2})
    for bound in _upper_limits([p for p, _ in there], name):
        if bound < values.max() + 3 * np.ptp(values):
            add_limit(fig, bound, f"limit {text.number(bound)}", ref="x")
    far = labels[int(np.argmax(np.abs(values - middle)))]
    return Figure(
        title=f"{text.title(name)}, servos side by side",
        conclusion=f"Median {text.number(middle, 3)} {text.unit(unit_of(name))}; farthest from it: {far}.",
        look_for="Look for: one servo far from the others. Bars: 95 % intervals; upright line: median; "
        "dashed: limit; cross: a rejected servo.",
        json=finish(fig), height=110 + 24 * len(labels),
    )  # fmt: skip


def group_figure(group: GroupResult, differences: pd.DataFrame | None) -> Figure | None:
    """Draw by how much each follower's position differs from the leader's at the same command, with and without trim.

    ``differences`` is the table ``pair_differences`` of the matching.
    """
    if differences is None or not len(own := differences[differences["group"] == group.name]):
        return None
    fig = Drawing()
    for i, (follower, rows) in enumerate(own.groupby("follower", sort=False)):
        label = text.plot_label(f"{follower} − {rows['leader'].iloc[0]}")
        for when, dash, symbol, word in (
            ("before", "dash", "circle-open", "without trim"),
            ("after", "solid", "circle", "with trim"),
        ):
            colour = ("second", "outlier", "data")[i % 3] if when == "before" else ("fit", "ink", "limit")[i % 3]
            both = rows[[f"{when}_up_deg", f"{when}_down_deg"]].to_numpy(dtype=np.float64)
            command = rows["command_us"].to_numpy(dtype=np.float64)
            fig.add(
                line(
                    np.concatenate([command, [np.nan], command]), np.concatenate([both[:, 0], [np.nan], both[:, 1]]),
                    colour=colour, mode="lines+markers", name=f"{label}, {word}", showlegend=True, dash=dash,
                    marker={"symbol": symbol, "size": 5}, hovertemplate="%{x:.0f} µs: %{y:.3g}°<extra></extra>",
                )
            )  # fmt: skip
    tolerance = next((f.upper for f in group.findings if f.quantity == "stroke_mismatch_deg" and f.upper), None)
    for bound in (-tolerance, tolerance) if tolerance else ():
        add_limit(fig, bound, f"tolerance {text.number(bound)}")
    fig.layout |= {"xaxis": axis("command, µs"), "yaxis": axis("difference, °"), "showlegend": True}
    before, after = (
        float(np.nanmax(np.abs(own[[f"{w}_up_deg", f"{w}_down_deg"]].to_numpy(dtype=np.float64))))
        for w in ("before", "after")
    )
    # what lies beyond a follower's end stop cannot be trimmed and is not judged: the finding's figure is told
    judged = [abs(f.value) for f in group.findings if f.quantity == "stroke_mismatch_deg" and f.value is not None]
    return Figure(
        title=f"{group.name}: difference to the leader",
        conclusion=f"Largest difference {text.number(before, 2)}° without trim, "
        f"{text.number(max(judged, default=after), 2)}° with it over the stroke that both can reach.",
        look_for="Look for: the full lines inside the dashed tolerance over the whole stroke. Each direction of "
        "approach has its own line; what lies between the two is hysteresis and stays.",
        json=finish(fig), height=300,
    )  # fmt: skip


def matrix_figure(table: pd.DataFrame | None, coupling: str) -> Figure | None:
    """Draw how well every two servos match, as a share of the tolerance; ``table`` is a mismatch matrix."""
    if table is None or len(table) < 2:
        return None
    names = [text.plot_label(str(n)) for n in table.index]
    z = np.where(np.eye(len(table), dtype=bool), np.nan, table.to_numpy(dtype=np.float64))
    heat = {
        "type": "heatmap", "x": names, "y": names, "z": z, "colorscale": HEAT, "zmin": 0, "zmax": 2,
        "texttemplate": "%{z:.2f}", "showscale": False, "hoverongaps": False,
        "hovertemplate": "%{y} and %{x}: %{z:.2f} of the tolerance<extra></extra>",
    }  # fmt: skip
    fig = Drawing(
        heat,
        xaxis=axis("servo", type="category", showgrid=False, side="top"),
        yaxis=axis("servo", type="category", showgrid=False, autorange="reversed"),
        margin={"t": 48, "b": 8},
    )
    upper = np.triu(np.where(np.isfinite(z), z, np.inf), 1) + np.tril(np.full(z.shape, np.inf))
    i, j = divmod(int(np.argmin(upper)), len(z))
    best = f"Best pair: {table.index[i]} and {table.columns[j]}." if np.isfinite(upper[i, j]) else "No pair measured."
    return Figure(
        title=f"How well every two servos match ({coupling})", conclusion=best,
        look_for="Look for: numbers below 1 (largest difference within its tolerance). Empty: not measured or not of "
        "one type.",
        json=finish(fig), height=110 + 34 * len(names), wide=len(names) > _HALF,
    )  # fmt: skip


def dimension_figure(parts: Sequence[PartResult]) -> Figure | None:
    """Draw left/right differences as shares of their tolerance, with 95 % intervals."""
    rows = [
        (p.id, f.value / f.upper, (f.u or 0) / f.upper)
        for p in parts
        for f in p.findings[:1]
        if f.value is not None and f.upper
    ]
    if not rows:
        return None
    share = np.array([r[1] for r in rows])
    fig = Drawing(
        dots(share, np.arange(len(rows)), colour="fit", size=9, error_x={"array": [1.96 * r[2] for r in rows]}),
        xaxis=axis("left − right, in tolerances", zeroline=True, zerolinecolor=LIGHT["faint"]),
        yaxis=_rows([text.plot_label(r[0]) for r in rows]),
    )
    for bound in (-1, 1):
        add_limit(fig, bound, "tolerance" if bound > 0 else "", ref="x")
    widest = rows[int(np.argmax(np.abs(share)))]
    return Figure(
        title="Left against right",
        conclusion=f"Widest: {widest[0]}, {text.number(widest[1], 2)} of its tolerance.",
        look_for="Look for: dots, with their 95 % intervals, between the dashed lines.",
        json=finish(fig), height=110 + 26 * len(rows), wide=True,
    )  # fmt: skip


def _rows(labels: list[str]) -> dict[str, Any]:
    """Return an axis with one row per label, the first on top."""
    places = list(range(len(labels)))
    return {
        "tickvals": places, "ticktext": labels, "range": [len(labels) - 0.5, -0.5], "showgrid": False,
        "automargin": True,
    }  # fmt: skip


def _settled(part: PartResult, name: str) -> Estimate | None:
    trend = part.quantities.get(name)
    return trend.settled if isinstance(trend, Trend) and trend.settled.value is not None else None


def _half_width(e: Estimate) -> float:
    return (e.hi - e.lo) / 2 if e.hi is not None and e.lo is not None else 0.0


def _upper_limits(parts: Sequence[PartResult], name: str) -> list[float]:
    found = {f.upper for p in parts for f in p.findings if f.quantity == name and f.aspect == "settled"}
    return sorted(u for u in found if u is not None)
