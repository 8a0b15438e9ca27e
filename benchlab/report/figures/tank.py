"""Figures of a tank's pressure hold."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from benchlab.report import text
from benchlab.report.figures.base import (
    Array,
    Drawing,
    Figure,
    add_shade,
    axis,
    band,
    dots,
    finish,
    line,
    numbers,
    two_panels,
)  # fmt: skip
from benchlab.results import Analysis, Estimate, PartResult

_BY_HAND = 60
"""Up to so many readings are drawn large and on top of the fit."""


def tank_figures(analysis: Analysis) -> Iterator[Figure]:
    """Yield the figures of one tank: the hold, what the weather did."""
    if (hold := analysis.tables.get("hold")) is None or not len(hold):
        return
    columns = {c: numbers(hold, c) for c in hold.columns if c != "used"}
    used = hold["used"].to_numpy(dtype=bool)
    yield hold_figure(analysis.result, columns, used)
    if (figure := weather_figure(columns)) is not None:
        yield figure


def hold_figure(result: PartResult, columns: dict[str, Array], used: NDArray[np.bool_]) -> Figure:
    """Draw raw and corrected pressure, fit with its 95 % band, spans left out, and the slowest decay still allowed."""
    hours = columns["time_s"] / 3600
    fig = Drawing()
    for lo, hi in _spans(hours, ~used):
        add_shade(fig, lo, hi)
    number = columns.get("hold", np.ones(len(hours)))
    for n in np.unique(number[used]):
        own = number == n
        fig.add(band(hours[own], columns["fit_lo_kpa"][own], columns["fit_hi_kpa"][own]))
    fig.add(line(hours, columns["pressure_kpa"], colour="data", width=1, name="gauge as logged", showlegend=True))
    readings = dots(
        hours[used], columns["corrected_kpa"][used], colour="second", size=3.5, name="corrected", showlegend=True,
        hovertemplate="%{x:.3g} h: %{y:.4g} kPa<extra>corrected</extra>",
    )  # fmt: skip
    fit = line(hours, columns["fit_kpa"], name="fit, 95 % band", showlegend=True)
    by_hand = int(used.sum()) <= _BY_HAND
    if by_hand:
        readings["marker"]["size"] = 8
    for trace in (fit, readings) if by_hand else (readings, fit):
        fig.add(trace)
    for n, slowest in enumerate(_limit_curves(result, columns, hours, used, number)):
        fig.add(
            line(*slowest, colour="limit", name="least allowed", showlegend=n == 0, dash="dash", hoverinfo="skip")
        )  # fmt: skip
    fig.layout |= {
        "xaxis": axis("time since the log began, h"), "yaxis": axis("gauge pressure, kPa"), "showlegend": True,
    }  # fmt: skip
    return Figure(
        title="Pressure hold", conclusion=_hold_words(result),
        look_for="Look for: a fit that stays above the dashed curve, and corrected readings that follow it without "
        "kinks (a fitting that was touched). Shaded spans were left out. Long logs are drawn by the least and greatest "
        "reading of each stretch.",
        json=finish(fig), height=360, wide=True,
    )  # fmt: skip


def weather_figure(columns: dict[str, Array]) -> Figure | None:
    """Draw the temperature and the barometer that the pressure was corrected for."""
    there = [c for c in ("temperature_c", "barometer_kpa") if c in columns and np.isfinite(columns[c]).any()]
    if not there:
        return None
    hours = columns["time_s"] / 3600
    names = {"temperature_c": "temperature, °C", "barometer_kpa": "barometer, kPa"}
    fig = Drawing()
    for row, column in enumerate(there):
        fig.add(
            line(
                hours, columns[column], colour="fit" if row == 0 else "second", yaxis="y" if row == 0 else "y2",
                hovertemplate="%{x:.3g} h: %{y:.5g}<extra></extra>",
            )
        )  # fmt: skip
    if len(there) == 2:
        two_panels(fig, names[there[0]], names[there[1]], "time since the log began, h")
    else:
        fig.layout |= {"xaxis": axis("time since the log began, h"), "yaxis": axis(names[there[0]])}
    words = [
        f"{names[c].split(',')[0].capitalize()} moved by {text.number(float(np.nanmax(v) - np.nanmin(v)), 2)} "
        f"{'K' if c == 'temperature_c' else 'kPa'}."
        for c, v in ((c, columns[c]) for c in there)
    ]
    return Figure(
        title="What the pressure was corrected for", conclusion=" ".join(words),
        look_for="One kelvin changes the gauge by about 0.35 kPa, the barometer one for one. Look for: sun on the "
        "tank, a sensor that does not feel the gas.",
        json=finish(fig), height=300 if len(there) == 2 else 220, wide=True,
    )  # fmt: skip


def _limit_curves(
    result: PartResult, columns: dict[str, Array], hours: Array, used: NDArray[np.bool_], number: Array
) -> list[tuple[Array, Array]]:
    """For each hold the decay from its start that would just keep the least allowed share over the required hold.

    The longest starts at its fitted start, the others as far above or below it as their fits do.
    """
    limit = next((f.lower for f in result.findings if f.quantity == "retained_fraction" and f.lower), None)
    start, required_h = _value(result, "start_pressure_kpa"), _required_h(result, columns)
    if limit is None or start is None or required_h is None or not used.any():
        return []
    holds = [hours[used & (number == n)] for n in np.unique(number[used])]
    longest = max(holds, key=np.ptp)
    at = {float(h[0]): float(columns["fit_kpa"][np.searchsorted(hours, h[0])]) for h in holds}
    curves = []
    for inner in holds:
        t = np.linspace(inner[0], inner[-1], 60)
        begin = start + (at[float(inner[0])] - at[float(longest[0])] if inner is not longest else 0.0)
        curves.append((t, begin * np.exp(np.log(limit) * (t - inner[0]) / required_h)))
    return curves


def _required_h(result: PartResult, columns: dict[str, Array]) -> float | None:
    """The required hold: told by the table, else it follows from retained = exp(-required / tau)."""
    if "required_h" in columns:
        return float(columns["required_h"][0])
    retained, tau = _value(result, "retained_fraction"), _value(result, "time_constant_h")
    return -tau * math.log(retained) if tau is not None and retained is not None and 0 < retained < 1 else None


def _hold_words(result: PartResult) -> str:
    words = []
    for name, what in (("retained_fraction", "Retained fraction"), ("leak_rate_sml_min", "leak"), ("hold_h", "hold")):
        estimate = result.quantities.get(name)
        if isinstance(estimate, Estimate) and estimate.value is not None:
            words.append(f"{what} {text.estimate(estimate)}")
    return f"{'; '.join(words)}." if words else "No leak could be fitted."


def _value(result: PartResult, name: str) -> float | None:
    estimate = result.quantities.get(name)
    return estimate.value if isinstance(estimate, Estimate) else None


def _spans(x: Array, mask: NDArray[np.bool_]) -> list[tuple[float, float]]:
    """Stretches of ``x`` where ``mask`` holds."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(int), [0]])))
    last = len(x) - 1
    return [(float(x[max(a - 1, 0)]), float(x[min(b, last)])) for a, b in zip(edges[::2], edges[1::2], strict=True)]
