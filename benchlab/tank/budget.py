"""Uncertainty budgets in table form (JCGM 100:2008): source, value, distribution, u, sensitivity, contribution."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from benchlab.airframe import Tank
from benchlab.procedure import TankProcedure
from benchlab.results import BudgetLine
from benchlab.tank.numbers import Numbers, leak_contributions

_DISTRIBUTION = {
    "temperature not logged": "normal (assumed)",
    "barometer not logged": "normal (assumed)",
    "level of the atmosphere assumed": "normal (assumed)",
    "accuracy of the gauge": "rectangular",
    "steps of the gauge": "rectangular",
    "steps of the thermometer": "rectangular",
    "steps of the barometer": "rectangular",
}


def line(
    quantity: str, source: str, value: float | None, unit: str, distribution: str, u: float, sensitivity: float
) -> BudgetLine:
    """One line; its contribution is ``|sensitivity| u`` (JCGM 100, 5.1.3)."""
    return BudgetLine(
        quantity=quantity, source=source, value=value, unit=unit, distribution=distribution, u=u,
        sensitivity=sensitivity, contribution=abs(sensitivity) * u,
    )  # fmt: skip


def combined(lines: Sequence[BudgetLine], correlation: Mapping[tuple[str, str], float] | None = None) -> float:
    """Combined standard uncertainty of the lines of one quantity (JCGM 100, 5.1.2 and 5.2.2).

    Parameters
    ----------
    correlation
        Correlation coefficients of pairs of sources, by name; pairs that are not named are uncorrelated.

    Raises
    ------
    ValueError
        If a pair names a source that has no line.
    """
    signed = {x.source: x.sensitivity * x.u for x in lines}
    variance = sum(x.contribution**2 for x in lines)
    for (a, b), r in (correlation or {}).items():
        if a not in signed or b not in signed:
            msg = f"the correlation of {a!r} and {b!r} names a source that has no line in the budget"
            raise ValueError(msg)
        variance += 2 * r * signed[a] * signed[b]
    return math.sqrt(max(variance, 0.0))


def budget_of(numbers: Numbers, part: Tank, procedure: TankProcedure) -> tuple[BudgetLine, ...]:
    """Budgets of ``retained_fraction`` and, where the volume is known, of ``leak_rate_pa_m3_s``.

    The decay is split by source; of several holds what they have in common and what averages out is told apart.
    """
    retained = numbers.quantities["retained_fraction"]
    rate, main = numbers.rate, numbers.main
    value = retained.value or 0.0
    sources = _decay_sources(numbers)
    lines = [
        line("retained_fraction", name, rate.value * 3600, "1/h", kind, u * 3600, -numbers.required_h * value)
        for name, kind, u in sources
    ]
    law = math.sqrt(max((retained.u or 0.0) ** 2 - combined(lines) ** 2, 0.0))
    lines.append(
        line("retained_fraction", "leak law (laminar, not quite exponential)", None, "1", "rectangular", law, 1.0)
    )
    if part.volume_ml is None:
        return tuple(lines)
    parts = leak_contributions(rate, main, part, procedure)
    q = numbers.quantities["leak_rate_pa_m3_s"].value or 0.0
    # the decay's contribution, split in proportion to the squares of its sources
    per_rate = parts["decay"] / rate.u
    lines += [line("leak_rate_pa_m3_s", name, rate.value, "1/s", kind, u, per_rate) for name, kind, u in sources]
    volume_m3 = part.volume_ml * 1e-6
    u_volume = (part.volume_u_ml or 0.0) * 1e-6
    u_gas = parts["gas temperature"] / abs(q) * main.gas_k if q else 0.0
    lines += [
        line("leak_rate_pa_m3_s", "volume of the tank", volume_m3, "m3", "normal", u_volume, q / volume_m3),
        line(
            "leak_rate_pa_m3_s",
            "mean temperature of the gas",
            main.gas_k,
            "K",
            "normal (assumed)",
            u_gas,
            -q / main.gas_k,
        ),
    ]
    return tuple(lines)


def _decay_sources(numbers: Numbers) -> list[tuple[str, str, float]]:
    return [(name, _DISTRIBUTION.get(name, "normal"), u) for name, u in numbers.rate.parts.items()]
