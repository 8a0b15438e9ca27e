"""Figures of a quantity over a servo's cycles: readings, fit with its band, limits, steps and outliers."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from benchlab.quantities import unit_of
from benchlab.report import text
from benchlab.report.figures.base import (
    Array,
    Drawing,
    Figure,
    Trace,
    add_limit,
    add_moment,
    axis,
    band,
    dots,
    finish,
    line,
    numbers,
)  # fmt: skip
from benchlab.report.look import LIGHT
from benchlab.report.reduce import corner_rows, min_max_rows
from benchlab.results import Analysis, Event, Finding, PartResult, Trend

_LEVELS = ("settled", "start", "end", "value")
"""Aspects whose limit is a level of the quantity itself and can be drawn as a line."""
_BINS = 500
"""Stretches of which each keeps its least and greatest reading: more than a small figure has pixels across."""

MAIN = (
    "centre_deg", "hysteresis_deg", "travel_deg", "transit_ref_s_per_60deg", "transit_s_per_60deg", "jitter_deg",
    "moving_current_ref_a", "moving_current_a", "idle_current_a", "peak_current_a",
)  # fmt: skip
"""Quantities shown first; the others follow behind "more quantities"."""
Curve = dict[str, Array]
"""A fitted trend: cycle, fit, lo, hi."""


def trend_figures(analysis: Analysis) -> Iterator[Figure]:
    """Yield a figure for every quantity that was measured per cycle."""
    columns, curves = _columns(analysis), _curves(analysis)
    for name in shown_quantities(analysis, columns):
        yield trend_figure(analysis, name, columns, curves)


def shown_quantities(analysis: Analysis, columns: Mapping[str, Array] | None = None) -> list[str]:
    """Return the quantities measured per cycle: those not accepted first, then the main ones, then the others.

    Of a quantity and its corrected twin (``_ref``) only the corrected one is drawn: it is the one that is judged.
    """
    columns = _columns(analysis) if columns is None else columns
    there = [c for c, v in columns.items() if c not in {"cycle", "time_s"} and np.isfinite(v).sum() >= 2]
    raw = {c for c in there if _corrected(c) in there}
    ordered = [c for c in MAIN if c in there] + [c for c in there if c not in MAIN]
    return sorted((c for c in ordered if c not in raw), key=lambda c: not _failed(analysis.result, c))


def trend_figure(
    analysis: Analysis, quantity: str, columns: Mapping[str, Array] | None = None,
    curves: Mapping[str, Curve] | None = None,
) -> Figure:  # fmt: skip
    """Draw one quantity over the cycles: readings, fit with its 95 % band, limits, steps and outliers.

    ``columns`` and ``curves`` are what every cycle measured and the fitted curves, where they were taken out of the
    analysis's tables already.
    """
    columns = _columns(analysis) if columns is None else columns
    curve = (_curves(analysis) if curves is None else curves).get(quantity)
    result, cycle, value = analysis.result, columns["cycle"], columns[quantity]
    outliers = sorted({e.cycle for e in result.events if e.kind == "outlier" and e.quantity == quantity and e.cycle})
    is_out = np.isin(cycle, outliers)
    inside = np.where(is_out, np.nan, value)
    levels, wedges = _limits(result, quantity), _wedges(result, quantity, cycle)
    lo, hi = _range(inside, curve, [y for y, _ in levels], [end[1] for _, end, _ in wedges])

    fig = Drawing()
    if curve is not None:
        keep = corner_rows(curve["cycle"], [curve["fit"], curve["lo"], curve["hi"]], (hi - lo) / 400)
        curve = {k: v[keep] for k, v in curve.items()}
        fig.add(band(curve["cycle"], curve["lo"], curve["hi"]))
    rows = min_max_rows(inside, _BINS)
    fig.add(dots(cycle[rows], inside[rows], hovertemplate="cycle %{x:.0f}: %{y:.4g}<extra></extra>"))
    if is_out.any():
        fig.add(_outlier_marks(cycle[is_out], value[is_out], lo, hi))
    if curve is not None:
        fig.add(line(curve["cycle"], curve["fit"], hovertemplate="fit, cycle %{x:.0f}: %{y:.4g}<extra></extra>"))
    beyond = [f"limit ({text.number(y)})" for y, _ in levels if not lo <= y <= hi]
    for y, label in levels:
        if lo <= y <= hi:
            add_limit(fig, y, label, left=bool(wedges))
    for start, end, label in wedges:
        if not _add_wedge(fig, start, end, label, lo, hi):
            beyond.append(f"{label} limit")
    for e in _steps(result, quantity):
        size = "" if e.size is None else f" {'+' if e.size > 0 else ''}{text.number(e.size, 2)}"
        add_moment(fig, e.cycle or 0, f"step{size}", e.lo, e.hi)
    fig.layout |= {"xaxis": axis("cycle"), "yaxis": {"range": [lo, hi]}, "margin": {"l": 52, "r": 12, "t": 24, "b": 36}}
    fig.note(  # above the axis: level words read faster, and no tick label is long enough to meet them
        _axis_title(quantity), x=0, xref="paper", xanchor="left", xshift=-48, y=1, yref="paper", yanchor="bottom",
        font={"size": 12},
    )  # fmt: skip
    off = f" Beyond the plot: {text.listed(beyond)}." if beyond else ""
    reduced = " Each stretch of cycles is drawn by its least and greatest reading." if len(rows) < len(value) else ""
    return Figure(
        title=f"{text.title(quantity)} over the cycles", conclusion=trend_words(result, quantity, outliers),
        look_for=_look_for(quantity) + off + reduced, json=finish(fig), height=220, over_cycles=True,
        printed=quantity in MAIN[:8] or _failed(result, quantity),
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
    steps = _steps(result, quantity)
    if steps:
        words.append(f"Step at cycle {text.listed([str(e.cycle) for e in steps])}.")
    if outliers:
        some = f"cycle {outliers[0]}" if len(outliers) == 1 else f"{len(outliers)} cycles"
        words.append(f"Outlying: {some}, left out of the fit.")
    return " ".join(words)


def _failed(result: PartResult, quantity: str) -> bool:
    return any(f.quantity == quantity and f.verdict != "accept" for f in result.findings)


def _steps(result: PartResult, quantity: str) -> list[Event]:
    return [e for e in result.events if e.kind == "step" and e.quantity == quantity and e.cycle is not None]


def _columns(analysis: Analysis) -> dict[str, Array]:
    """What every cycle measured, by quantity."""
    table = analysis.tables.get("cycles")
    if table is None:
        return {}
    values = table.to_numpy(dtype=np.float64, na_value=np.nan)  # all at once: pandas is slow at single columns
    return dict(zip(table.columns, np.ascontiguousarray(values.T), strict=True))


def _curves(analysis: Analysis) -> dict[str, Curve]:
    """The fitted curves by quantity, as far as two points or more are known."""
    table = analysis.tables.get("trend_curves")
    if table is None:
        return {}
    names = ("cycle", "fit", "lo", "hi")
    values = np.array([numbers(table, c) for c in names])
    out: dict[str, Curve] = {}
    for quantity, rows in table.groupby("quantity", sort=False).indices.items():
        own = values[:, rows]
        own = own[:, np.isfinite(own).all(axis=0)]
        if own.shape[1] >= 2:
            out[str(quantity)] = dict(zip(names, own, strict=True))
    return out


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


Wedge = tuple[tuple[float, float], tuple[float, float], str]
"""A limit of drift: where it starts and ends (cycle, value), and its name."""


def _wedges(result: PartResult, quantity: str, cycle: Array) -> list[Wedge]:
    """Limits of drift as lines that part from where the quantity started, apart from run-in and steps."""
    trend = result.quantities.get(quantity)
    if not isinstance(trend, Trend) or trend.settled.value is None or trend.drift_per_1000.value is None:
        return []
    first, last = float(np.nanmin(cycle)), float(np.nanmax(cycle))
    span = (last - first) / 1000
    stepped = sum(e.size or 0.0 for e in _steps(result, quantity))
    base = trend.settled.value - trend.drift_per_1000.value * span - stepped
    out: list[Wedge] = []
    for f in result.findings:
        if f.quantity != quantity or f.aspect not in {"drift", "drift_percent"}:
            continue
        for bound in (f.lower, f.upper):
            if bound is not None:
                slope = _slope(f, bound, trend.settled.value)
                label = f"drift {'+' if bound > 0 else '−'}{text.number(abs(bound))}{' %' if '%' in f.unit else ''}"
                out.append(((first, base), (last, base + slope * span), label))
    return out


def _slope(f: Finding, bound: float, settled: float) -> float:
    return bound * abs(settled) / 100 if f.aspect == "drift_percent" else bound


def _add_wedge(
    fig: Drawing, start: tuple[float, float], end: tuple[float, float], label: str, lo: float, hi: float
) -> bool:
    """Draw a limit of drift if its end lies within the plot; say whether it does."""
    if not (lo <= start[1] <= hi and lo <= end[1] <= hi):
        return False
    fig.shape(
        type="line", x0=start[0], y0=start[1], x1=end[0], y1=end[1],
        line={"color": LIGHT["limit"], "width": 1.2, "dash": "dash"},
    )  # fmt: skip
    up = end[1] > start[1]
    fig.note(
        label, x=start[0] + 0.6 * (end[0] - start[0]), y=start[1] + 0.6 * (end[1] - start[1]), xanchor="right",
        yanchor="bottom" if up else "top", font={"color": LIGHT["limit"], "size": 11},
    )  # fmt: skip
    return True


def _range(value: Array, curve: Curve | None, levels: list[float], ends: list[float]) -> tuple[float, float]:
    """Axis range: all readings that are not outliers and the fit; limits too, unless they would squash the readings."""
    seen = [value[np.isfinite(value)]] + ([curve["fit"]] if curve is not None else [])
    shown = np.concatenate(seen)
    lo, hi = float(shown.min()), float(shown.max())
    span = (hi - lo) or abs(hi) * 0.1 or 1.0
    for y in levels + ends:
        if lo - 8 * span <= y <= hi + 8 * span:
            lo, hi = min(lo, y), max(hi, y)
    pad = 0.08 * ((hi - lo) or span)
    return lo - pad, hi + pad


def _outlier_marks(cycle: Array, value: Array, lo: float, hi: float) -> Trace:
    """Rings at the outlying cycles; one beyond the plot stands at its edge as a triangle and tells its true value."""
    edge = 0.03 * (hi - lo)
    symbol = np.where(value > hi, "triangle-up", np.where(value < lo, "triangle-down", "circle-open"))
    return {
        "type": "scatter", "x": cycle, "y": np.clip(value, lo + edge, hi - edge), "customdata": value,
        "mode": "markers",
        "marker": {"symbol": symbol.tolist(), "size": 9, "color": LIGHT["outlier"], "line": {"width": 1.6}},
        "hovertemplate": "outlier, cycle %{x:.0f}: %{customdata:.4g}<extra></extra>",
    }  # fmt: skip


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
