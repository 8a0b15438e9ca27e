"""Figures that set several parts beside one another: sisters, groups, left/right dimensions."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np
import plotly.graph_objects as go

from benchlab.quantities import unit_of
from benchlab.report import text
from benchlab.report.figures.base import Figure, axis, dots, f4, finish
from benchlab.report.look import LIGHT
from benchlab.results import Analysis, Estimate, GroupResult, PartResult, Trend

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
    fig = go.Figure(
        go.Scatter(
            x=f4(values), y=list(range(len(labels))), mode="markers", error_x={"array": f4(reach), "thickness": 1.4},
            marker={
                "size": 9,
                "color": LIGHT["fit"],
                "symbol": ["x" if p.verdict == "reject" else "circle" for p, _ in there],
            },
            hovertemplate="%{x:.4g}<extra></extra>",
        )
    )  # fmt: skip
    middle = float(np.median(values))
    fig.add_shape(
        type="line", x0=middle, x1=middle, y0=0, y1=1, yref="paper", line={"color": LIGHT["faint"], "width": 1.2}
    )
    for bound in sorted(
        {f.upper for p, _ in there for f in p.findings if _is_level(f.quantity, f.aspect, name)} - {None}
    ):
        if bound < values.max() + 3 * np.ptp(values):
            fig.add_shape(
                type="line", x0=bound, x1=bound, y0=0, y1=1, yref="paper",
                line={"color": LIGHT["limit"], "width": 1.6, "dash": "dash"},
            )  # fmt: skip
    fig.update_layout(
        xaxis=axis(f"{text.title(name)}, {text.unit(unit_of(name))}"),
        yaxis={
            "tickvals": list(range(len(labels))),
            "ticktext": labels,
            "range": [len(labels) - 0.5, -0.5],
            "showgrid": False,
        },
    )
    far = labels[int(np.argmax(np.abs(values - middle)))]
    return Figure(
        title=f"{text.title(name)}, servos side by side",
        conclusion=f"Median {text.number(middle, 3)} {text.unit(unit_of(name))}; farthest from it: {far}.",
        look_for="Look for: one servo far from the others. Bars: 95 % intervals; upright line: median; "
        "dashed: limit; cross: a rejected servo.",
        json=finish(fig), height=110 + 24 * len(labels),
    )  # fmt: skip


def group_figure(group: GroupResult, analyses: Mapping[str, Analysis]) -> Figure | None:
    """Draw by how much each follower's position differs from the leader's at the same command, before and after trim."""
    tolerance = next((f.upper for f in group.findings if f.quantity == "stroke_mismatch_deg" and f.upper), None)
    leader, *followers = group.members or ("",)
    fig = go.Figure()
    names: list[str] = []
    for i, follower in enumerate(followers):
        points = [p for p in group.trim if p.follower == follower]
        before = _difference(analyses.get(leader), analyses.get(follower))
        if before is None or not points:
            continue
        colour = ("fit", "second", "outlier")[i % 3]
        label = text.plot_label(f"{follower} − {leader}")
        for (x, y), when, dash, symbol in (
            (before, "before", "dash", "circle-open"),
            (([p.command_us for p in points], [p.left_over_deg for p in points]), "after trim", "solid", "circle"),
        ):
            fig.add_trace(
                go.Scatter(
                    x=f4(x), y=f4(y), mode="lines+markers", name=f"{label}, {when}", showlegend=True,
                    line={"color": LIGHT[colour], "dash": dash, "width": 1.6}, marker={"symbol": symbol, "size": 6},
                    hovertemplate="%{x:.0f} µs: %{y:.3g}°<extra></extra>",
                )
            )  # fmt: skip
        names.append(follower)
    if not names:
        return None
    for bound in (-tolerance, tolerance) if tolerance else ():
        fig.add_shape(
            type="line", x0=0, x1=1, xref="paper", y0=bound, y1=bound,
            line={"color": LIGHT["limit"], "dash": "dash", "width": 1.6},
        )  # fmt: skip
    fig.update_layout(xaxis=axis("command, µs"), yaxis=axis("difference, °"))
    left = max(abs(p.left_over_deg) for p in group.trim)
    return Figure(
        title=f"{group.name}: difference to the leader",
        conclusion=f"After trim at most {text.number(left, 2)}° are left.",
        look_for="Look for: the full line inside the dashed tolerance over the whole stroke.",
        json=finish(fig), height=280, wide=True,
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
    fig = go.Figure(
        dots(share, np.arange(len(rows)), colour="fit", size=9, error_x={"array": f4([1.96 * r[2] for r in rows])})
    )
    for bound in (-1, 1):
        fig.add_shape(
            type="line", x0=bound, x1=bound, y0=0, y1=1, yref="paper",
            line={"color": LIGHT["limit"], "dash": "dash", "width": 1.6},
        )  # fmt: skip
    fig.update_layout(
        xaxis=axis("left − right, in tolerances", zeroline=True, zerolinecolor=LIGHT["faint"]),
        yaxis={
            "tickvals": list(range(len(rows))),
            "ticktext": [text.plot_label(r[0]) for r in rows],
            "range": [len(rows) - 0.5, -0.5],
            "showgrid": False,
        },
    )
    widest = rows[int(np.argmax(np.abs(share)))]
    return Figure(
        title="Left against right",
        conclusion=f"Widest: {widest[0]}, {text.number(widest[1], 2)} of its tolerance.",
        look_for="Look for: dots, with their 95 % intervals, between the dashed lines.",
        json=finish(fig), height=110 + 26 * len(rows), wide=True,
    )  # fmt: skip


def _settled(part: PartResult, name: str) -> Estimate | None:
    trend = part.quantities.get(name)
    return trend.settled if isinstance(trend, Trend) and trend.settled.value is not None else None


def _half_width(e: Estimate) -> float:
    return (e.hi - e.lo) / 2 if e.hi is not None and e.lo is not None else 0.0


def _is_level(quantity: str, aspect: str, name: str) -> bool:
    return quantity == name and aspect == "settled"


def _difference(leader: Analysis | None, follower: Analysis | None) -> tuple[list[float], list[float]] | None:
    """Follower minus leader, both directions averaged, at the leader's commands that both know.

    A follower that turns the other way (opposed group) has its angles negated first, as the matching does.
    """
    if leader is None or follower is None:
        return None
    a, b = leader.tables.get("stroke_curve"), follower.tables.get("stroke_curve")
    if a is None or b is None or len(a) < 2 or len(b) < 2:
        return None
    xa, xb = (f["command_us"].to_numpy(dtype=np.float64) for f in (a, b))
    ya, yb = (f[["position_up_deg", "position_down_deg"]].mean(axis=1).to_numpy(dtype=np.float64) for f in (a, b))
    if np.ptp(ya) and np.ptp(yb) and np.sign(ya[-1] - ya[0]) != np.sign(yb[-1] - yb[0]):
        yb = -yb
    inside = (xa >= xb.min()) & (xa <= xb.max())
    return list(xa[inside]), list(np.interp(xa[inside], xb, yb) - ya[inside])
