"""What all figures have in common: the `Figure` itself, its JSON, and the marks that mean the same everywhere."""

from __future__ import annotations

import base64
import json
import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from benchlab.report.look import LIGHT
from benchlab.report.text import plot_label

ALLOWED_TRACES = frozenset({"scatter", "bar", "heatmap"})
"""Trace types of the bundle that figures may use; one that the bundle lacks would silently be drawn as a scatter."""
Trace = dict[str, Any]
Array = NDArray[np.float64]
_SHORT = 24
"""Arrays up to this length are written as plain numbers."""


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
    printed: bool = True
    """False: not on paper, where the figures that decide are enough."""


class Drawing:
    """A figure while it is drawn: plotly's traces and layout as plain dicts.

    plotly's own figure objects check every value and cost a hundred times as much; the tests put every figure through
    them instead.
    """

    def __init__(self, *traces: Trace, **layout: Any) -> None:
        self.data: list[Trace] = list(traces)
        self.layout: dict[str, Any] = {"shapes": [], "annotations": []} | layout

    def add(self, trace: Trace) -> None:
        """Put a trace on top of those that are there."""
        self.data.append(trace)

    def shape(self, **shape: Any) -> None:
        """Add a shape: a line or a shade."""
        self.layout["shapes"].append(shape)

    def note(self, text: str, **place: Any) -> None:
        """Write words into the figure; they may come from a log."""
        self.layout["annotations"].append(
            {"text": plot_label(text), "showarrow": False, "borderpad": 1, "font": {"size": 11}} | place
        )


def finish(drawing: Drawing) -> str:
    """Return a figure as JSON without the template (the page holds that once), safe inside a script element.

    Raises
    ------
    ValueError
        If a trace type is not one the page's plotly bundle can draw.
    """
    for trace in drawing.data:
        if trace["type"] not in ALLOWED_TRACES:
            msg = f"trace type {trace['type']!r} is not in the report's plotly bundle"
            raise ValueError(msg)
    layout = {k: v for k, v in drawing.layout.items() if v != []}
    text = json.dumps({"data": drawing.data, "layout": layout}, default=packed, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def packed(values: Any) -> Any:
    """Return an array in the form that the page unpacks: a list if it is short, else steps of its span as integers.

    Readings become 65 534 steps of their span (two bytes each), a heat map 254 steps (one byte): both far below what a
    plot shows. The lowest step of all stands for a missing value.
    """
    if isinstance(values, np.generic):
        return values.item()
    if values.ndim == 2 and values.size <= _SHORT**2:
        return [packed(row) for row in values]
    flat = np.asarray(values, dtype=np.float64).ravel()
    if values.ndim == 1 and len(flat) <= _SHORT:
        return [None if not math.isfinite(v) else float(f"{v:.6g}") if v != int(v) else int(v) for v in flat.tolist()]
    kind, steps = ("u1", 254) if values.ndim == 2 else ("u2", 65534)
    known = np.isfinite(flat)
    finite = flat[known]
    low, high = (float(finite.min()), float(finite.max())) if len(finite) else (0.0, 0.0)
    if (finite == np.rint(finite)).all() and high - low < steps:
        steps = max(1, int(high - low))
    step = (high - low) / steps or 1.0
    codes = np.where(known, np.rint((np.where(known, flat, low) - low) / step) + 1, 0)
    out: dict[str, Any] = {
        kind: base64.b64encode(codes.astype(f"<{kind}").tobytes()).decode("ascii"),
        "step": float(f"{step:.9g}"), "low": float(f"{low - step:.9g}"),
    }  # fmt: skip
    return out | {"width": values.shape[1]} if values.ndim == 2 else out


def axis(title: str, **more: Any) -> dict[str, Any]:
    """Return an axis with its title (name and unit)."""
    return {"title": {"text": plot_label(title)}, **more}


def numbers(frame: pd.DataFrame, column: str) -> Array:
    """Return a column as floats, NaN where it is missing."""
    return frame[column].to_numpy(dtype=np.float64, na_value=np.nan)


def band(x: ArrayLike, lo: ArrayLike, hi: ArrayLike, *, colour: str = "band", **more: Any) -> Trace:
    """Return the area between two curves."""
    x_, lo_, hi_ = (np.asarray(v, dtype=np.float64) for v in (x, lo, hi))
    ok = np.isfinite(lo_) & np.isfinite(hi_)
    x_, lo_, hi_ = x_[ok], lo_[ok], hi_[ok]
    return {
        "type": "scatter", "x": np.concatenate([x_, x_[::-1]]), "y": np.concatenate([hi_, lo_[::-1]]),
        "fill": "toself", "fillcolor": LIGHT[colour], "line": {"width": 0}, "mode": "lines", "hoverinfo": "skip",
        "showlegend": False, **more,
    }  # fmt: skip


def line(
    x: ArrayLike, y: ArrayLike, *, colour: str = "fit", width: float = 1.6, dash: str = "solid", **more: Any
) -> Trace:
    """Return a curve; extra keywords go to the trace (``name``, ``yaxis`` ...)."""
    return {
        "type": "scatter", **_x(x), "y": np.asarray(y, dtype=np.float64), "mode": "lines",
        "line": {"color": LIGHT[colour], "width": width, "dash": dash}, **more,
    }  # fmt: skip


def dots(x: ArrayLike, y: ArrayLike, *, colour: str = "data", size: float = 3, **more: Any) -> Trace:
    """Return single readings."""
    return {
        "type": "scatter", **_x(x), "y": np.asarray(y, dtype=np.float64), "mode": "markers",
        "marker": {"color": LIGHT[colour], "size": size}, **more,
    }  # fmt: skip


def _x(values: ArrayLike) -> dict[str, Any]:
    """Abscissae; cycles that follow one another need no more than the first."""
    x = np.asarray(values, dtype=np.float64)
    return {"x0": int(x[0]), "dx": 1} if len(x) > 2 and (np.diff(x) == 1).all() else {"x": x}


def add_limit(drawing: Drawing, at: float, label: str, *, ref: str = "y", left: bool = False) -> None:
    """Draw a limit: a dashed line across with its value written at its end (``ref`` names the axis; "x": upright)."""
    upright = ref.startswith("x")
    own, other = ("x", "y") if upright else ("y", "x")
    ends = {f"{own}0": at, f"{own}1": at, f"{own}ref": ref, f"{other}0": 0, f"{other}1": 1, f"{other}ref": "paper"}
    drawing.shape(type="line", line={"color": LIGHT["limit"], "width": 1.6, "dash": "dash"}, **ends)
    end = {"x": 0, "xanchor": "left"} if left else {"x": 1, "xanchor": "right"}
    place: dict[str, Any] = {**end, "xref": "paper", "y": at, "yref": ref, "yanchor": "bottom"}
    if upright:
        place = {"x": at, "xref": ref, "xanchor": "right", "y": 1, "yref": "paper", "yanchor": "bottom"}
    if label:
        drawing.note(label, font={"color": LIGHT["limit"], "size": 11}, **place)


def add_moment(drawing: Drawing, x: float, label: str, lo: float | None = None, hi: float | None = None) -> None:
    """Draw a moment: a dotted upright line with its name, and its interval as a shade where it has one."""
    if lo is not None and hi is not None and hi > lo:
        add_shade(drawing, lo, hi)
    drawing.shape(
        type="line", x0=x, x1=x, y0=0, y1=1, yref="paper", line={"color": LIGHT["ink"], "width": 1.2, "dash": "dot"}
    )
    drawing.note(label, x=x, y=1, yref="paper", yanchor="top", xanchor="left", bgcolor=LIGHT["paper"])


def add_shade(drawing: Drawing, lo: float, hi: float) -> None:
    """Shade a stretch of the x axis."""
    drawing.shape(
        type="rect", x0=lo, x1=hi, y0=0, y1=1, yref="paper", layer="below", line={"width": 0},
        fillcolor=LIGHT["left_out"],
    )  # fmt: skip


def two_panels(drawing: Drawing, upper: str, lower: str, x_title: str, *, split: float = 0.46) -> None:
    """Lay a figure out as two panels over one x axis; traces of the lower one carry ``yaxis="y2"``."""
    drawing.layout |= {
        "xaxis": axis(x_title, anchor="y2"),
        "yaxis": axis(upper, domain=[split + 0.06, 1]),
        "yaxis2": axis(lower, domain=[0, split - 0.04], anchor="x"),
    }
