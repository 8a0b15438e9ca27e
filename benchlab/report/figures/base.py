"""What all figures have in common: the `Figure` itself, its JSON, and the marks that mean the same everywhere."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import plotly.graph_objects as go
from numpy.typing import ArrayLike, NDArray
from plotly.io.json import to_json_plotly

from benchlab.report.look import LIGHT
from benchlab.report.text import plot_label

ALLOWED_TRACES = frozenset({"scatter", "bar", "heatmap"})
"""Trace types of the bundle that figures may use; one that the bundle lacks would silently be drawn as a scatter."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """A figure with its words.

    ``conclusion`` is what the figure shows (the alternative text), ``look_for`` what a reader should look for in it.
    """

    title: str
    conclusion: str
    look_for: str
    json: str
    height: int
    wide: bool = False
    """Takes the whole width of the page."""
    over_cycles: bool = False
    """One of a servo's many small figures, of which only the first are open at once."""


def finish(fig: go.Figure) -> str:
    """Return a figure as JSON without the template (the page holds that once), safe inside a script element.

    Raises
    ------
    ValueError
        If a trace type is not one the page's plotly bundle can draw.
    """
    spec = fig.to_dict()
    for trace in spec["data"]:
        if trace["type"] not in ALLOWED_TRACES:
            msg = f"trace type {trace['type']!r} is not in the report's plotly bundle"
            raise ValueError(msg)
    spec.get("layout", {}).pop("template", None)
    # the json engine is named: plotly takes another one where it is installed, whose digits differ
    text = str(to_json_plotly(spec, engine="json"))
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def axis(title: str, **more: Any) -> dict[str, Any]:
    """Return an axis with its title (name and unit)."""
    return {"title": {"text": plot_label(title)}, **more}


def f4(values: ArrayLike) -> NDArray[Any]:
    """Return values as float32: seven digits are more than any plot shows, at half the bytes."""
    return np.asarray(values, dtype=np.float32)


def whole(values: ArrayLike) -> NDArray[Any]:
    """Return whole numbers as the smallest integers that hold them, others as float32."""
    array = np.asarray(values, dtype=np.float64)
    if len(array) == 0 or not np.isfinite(array).all() or (array != np.rint(array)).any():
        return f4(array)
    return array.astype(np.int16 if np.abs(array).max() < 2**15 else np.int32)


def band(x: ArrayLike, lo: ArrayLike, hi: ArrayLike, *, colour: str = "band", **more: Any) -> go.Scatter:
    """Return the area between two curves."""
    x_, lo_, hi_ = (np.asarray(v, dtype=np.float64) for v in (x, lo, hi))
    ok = np.isfinite(lo_) & np.isfinite(hi_)
    x_, lo_, hi_ = x_[ok], lo_[ok], hi_[ok]
    return go.Scatter(
        x=whole(np.concatenate([x_, x_[::-1]])), y=f4(np.concatenate([hi_, lo_[::-1]])), fill="toself",
        fillcolor=LIGHT[colour], line={"width": 0}, mode="lines", hoverinfo="skip", showlegend=False, **more,
    )  # fmt: skip


def line(x: ArrayLike, y: ArrayLike, *, colour: str = "fit", width: float = 1.6, **more: Any) -> go.Scatter:
    """Return a curve; extra keywords go to the trace (``name``, ``yaxis``, ``line_dash`` ...)."""
    return go.Scatter(**_x(x), y=f4(y), line_color=LIGHT[colour], line_width=width, **({"mode": "lines"} | more))


def dots(x: ArrayLike, y: ArrayLike, *, colour: str = "data", size: float = 3, **more: Any) -> go.Scatter:
    """Return single readings."""
    return go.Scatter(**_x(x), y=f4(y), mode="markers", marker={"color": LIGHT[colour], "size": size}, **more)


def _x(values: ArrayLike) -> dict[str, Any]:
    """Abscissae; cycles that follow one another need no more than the first."""
    x = np.asarray(values, dtype=np.float64)
    return {"x0": int(x[0]), "dx": 1} if len(x) > 2 and (np.diff(x) == 1).all() else {"x": whole(x)}


def add_limit(fig: go.Figure, y: float, label: str, *, yref: str = "y") -> None:
    """Draw a limit: a dashed line with its value written at it."""
    fig.add_shape(
        type="line", x0=0, x1=1, xref="paper", y0=y, y1=y, yref=yref,
        line={"color": LIGHT["limit"], "width": 1.6, "dash": "dash"},
    )  # fmt: skip
    fig.add_annotation(
        x=1, xref="paper", xanchor="right", y=y, yref=yref, yanchor="bottom", text=plot_label(label), showarrow=False,
        font={"color": LIGHT["limit"], "size": 11}, borderpad=1,
    )  # fmt: skip


def add_moment(fig: go.Figure, x: float, label: str, lo: float | None = None, hi: float | None = None) -> None:
    """Draw a moment: a dotted upright line with its name, and its interval as a shade where it has one."""
    if lo is not None and hi is not None and hi > lo:
        fig.add_shape(
            type="rect", x0=lo, x1=hi, y0=0, y1=1, yref="paper", layer="below", line_width=0,
            fillcolor=LIGHT["left_out"],
        )  # fmt: skip
    fig.add_shape(
        type="line", x0=x, x1=x, y0=0, y1=1, yref="paper", line={"color": LIGHT["ink"], "width": 1.2, "dash": "dot"}
    )
    fig.add_annotation(
        x=x, y=1, yref="paper", yanchor="top", xanchor="left", text=plot_label(label), showarrow=False,
        font={"size": 11}, bgcolor=LIGHT["paper"], borderpad=1,
    )  # fmt: skip


def two_panels(fig: go.Figure, upper: str, lower: str, x_title: str, *, split: float = 0.46) -> None:
    """Lay a figure out as two panels over one x axis; traces of the lower one carry ``yaxis="y2"``."""
    fig.update_layout(
        xaxis=axis(x_title, anchor="y2"),
        yaxis=axis(upper, domain=[split + 0.06, 1]),
        yaxis2=axis(lower, domain=[0, split - 0.04], anchor="x"),
    )
