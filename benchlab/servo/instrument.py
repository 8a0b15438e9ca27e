"""The instrument's part of a trend's uncertainty: step and accuracy of the sensor, and of the corrections made."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Literal

from benchlab.results import Estimate
from benchlab.stats.trend import TrendFit
from benchlab.stats.uncertainty import combine, estimate, from_resolution, rectangular

if TYPE_CHECKING:
    from benchlab.servo.findings import Case

Aspect = Literal["settled", "change", "drift"]

# quantity -> its channel, and how many readings' steps enter its value
_CHANNEL = {
    "centre_deg": ("position_deg", 1), "hysteresis_deg": ("position_deg", 2), "end_high_deg": ("position_deg", 1),
    "end_low_deg": ("position_deg", 1), "travel_deg": ("position_deg", 2), "overshoot_deg": ("position_deg", 2),
    "moving_current_a": ("current_a", 1), "moving_current_ref_a": ("current_a", 1),
    "peak_current_a": ("current_a", 1), "idle_current_a": ("current_a", 1), "voltage_min_v": ("voltage_v", 1),
    "temperature_c": ("temperature_c", 1),
}  # fmt: skip
_DIFFERENCES = ("hysteresis_deg", "overshoot_deg")
"""Differences of two readings close together: an error of accuracy cancels."""


def with_instrument(e: Estimate, name: str, aspect: Aspect, case: Case) -> Estimate:
    """Return the estimate with the instrument's uncertainty added by root sum of squares.

    A quantised mean is wrong by up to half a step unless noise carries it over the steps: the error shrinks as
    ``exp(-2 pi^2 (sigma / step)^2)`` (B. Widrow and I. Kollar, Quantization Noise, 2008). An error of accuracy is the
    same in the whole log: it stays in ``settled`` and cancels in ``change`` and ``drift``.
    """
    if e.value is None or e.u is None:
        return e
    extra = combine(
        _step_part(name, aspect, case), _accuracy_part(name, aspect, case), _correction_part(name, aspect, case)
    )
    if extra == 0:
        return e
    u = combine(e.u, extra)
    # the instrument's part has no degrees of freedom to lose (JCGM 100, G.4.1, Welch-Satterthwaite)
    dof = None if e.dof is None or e.u == 0 else e.dof * (u / e.u) ** 4
    return estimate(e.value, u, e.unit, dof)


def _span_1000(fit: TrendFit) -> float:
    """Thousands of cycles that a drift was seen over."""
    first, last = float(fit.curve["cycle"].iloc[0]), float(fit.curve["cycle"].iloc[-1])
    return max(last - first, 1.0) / 1000


def _step_part(name: str, aspect: Aspect, case: Case) -> float:
    if name not in _CHANNEL:
        return 0.0
    channel, readings = _CHANNEL[name]
    step = case.observed.steps.get(channel, 0.0)
    if step == 0:
        return 0.0
    noise = case.observed.noise.get(channel, 0.0)
    one = from_resolution(step) * math.exp(-2 * (math.pi * noise / step) ** 2)
    u = one * math.sqrt(readings)
    return (
        u
        if aspect == "settled"
        else u * math.sqrt(2) / (_span_1000(case.observed.trends[name]) if aspect == "drift" else 1.0)
    )


def _accuracy_part(name: str, aspect: Aspect, case: Case) -> float:
    if aspect != "settled" or name not in _CHANNEL or name in _DIFFERENCES:
        return 0.0
    channel = _CHANNEL[name][0]
    accuracy = case.procedure.channels[channel].accuracy if channel in case.procedure.channels else 0.0
    return rectangular(accuracy)


def _correction_part(name: str, aspect: Aspect, case: Case) -> float:
    if name == "moving_current_ref_a":
        return _temperature_part(name, aspect, case)
    return _supply_part(name, aspect, case) if name == "transit_ref_s_per_60deg" else 0.0


def _supply_part(name: str, aspect: Aspect, case: Case) -> float:
    """Uncertainty of the exponent with which transit goes with the supply: it matters as the supply is off nominal."""
    if "transit_s_per_60deg" not in case.observed.trends:
        return 0.0
    c = case.procedure.correction
    fit, raw = case.observed.trends[name].trend, case.observed.trends["transit_s_per_60deg"].trend
    pairs = [(fit.start.value, raw.start.value), (fit.end.value, raw.end.value)]
    if c.supply_exponent == 0 or any(not a or not b or a / b <= 0 for a, b in pairs):
        return 0.0
    # logarithm of the supply over nominal, at the first and the last cycle
    first, last = (math.log(a / b) / c.supply_exponent for a, b in pairs if a and b)
    away = last if aspect == "settled" else last - first
    per_1000 = _span_1000(case.observed.trends[name]) if aspect == "drift" else 1.0
    return abs(fit.settled.value or 0.0) * c.supply_exponent_u * abs(away) / per_1000


def _temperature_part(name: str, aspect: Aspect, case: Case) -> float:
    """Uncertainty of the temperature coefficient: the warmer the case, the less sure the correction to 25 C."""
    if "temperature_c" not in case.observed.trends:
        return 0.0
    heat = case.observed.trends["temperature_c"].trend
    c = case.procedure.correction
    fit = case.observed.trends[name]
    level, end, change, drift = fit.trend.settled.value, heat.end.value, heat.change.value, heat.drift_per_1000.value
    if level is None or end is None or change is None or drift is None:
        return 0.0
    if aspect == "settled":
        away = end - c.reference_temperature_c
    elif aspect == "change":
        away = change
    else:
        # without a settling term the whole warming tilts the line, not only its steady part
        away = drift if "settling" in fit.trend.model else max(abs(drift), abs(change) / _span_1000(fit))
    return abs(level) * c.current_per_kelvin_u * abs(away)
