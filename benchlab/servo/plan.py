"""How many cycles a run-in needs: to show that a drift keeps its limit, and for the settling to be done."""

from __future__ import annotations

import math
from dataclasses import dataclass

from scipy.special import ndtri

from benchlab.procedure import Limit, Rule
from benchlab.results import Trend


@dataclass(frozen=True, slots=True, kw_only=True)
class CyclePlan:
    """Cycles needed, and why."""

    for_drift: int | None
    """Cycles after which a servo that truly drifts by ``expected_per_1000`` is accepted with the wanted probability;
    None where its true drift does not leave that to any number of cycles."""
    for_run_in: int | None
    """Cycles until the settling is done to the wanted share; None without a time constant."""
    total: int | None
    """The larger of the two, none below ``at_least``."""
    reason: str


def drift_uncertainty(cycles: float, sd: float, rho: float) -> float:
    """Standard uncertainty of a drift per 1000 cycles from ``cycles`` values with AR(1) noise.

    ``1000 sd sqrt(12 / n^3) sqrt((1 + rho) / (1 - rho))``: the slope of a straight line over n equally spaced values,
    with the variance of correlated noise at low frequency in place of ``sd^2`` (large n).
    """
    return 1000 * sd * math.sqrt(12 / cycles**3) * math.sqrt((1 + rho) / (1 - rho))


def plan_cycles(
    *,
    sd: float,
    rho: float,
    limit: Limit,
    rule: Rule,
    expected_per_1000: float = 0.0,
    probability: float = 0.95,
    tau_cycles: float | None = None,
    settled_share: float = 0.95,
    at_least: int = 0,
    settling: bool = True,
) -> CyclePlan:
    """Return the cycles needed to show a drift within its limit and to complete the run-in.

    Parameters
    ----------
    sd, rho
        Standard deviation of one cycle's value about the trend, and its lag-1 correlation.
    limit
        Limit on the drift per 1000 cycles, in the unit of ``sd`` per 1000 cycles.
    rule
        Decision rule: accepted at a probability of conformity of ``rule.accept`` or more.
    expected_per_1000
        Drift that a sound servo is expected to have.
    probability
        Wanted probability that such a servo is accepted.
    tau_cycles
        Time constant of the run-in, from a pilot log; ``settled_share`` of it has to be done.
    settling
        The trend has a settling part as well: telling the two apart costs uncertainty, counted as half of the cycles.

    Raises
    ------
    ValueError
        If ``sd`` is negative or ``rho`` not between -1 and 1.
    """
    if sd < 0 or not -1 < rho < 1:
        msg = f"need sd >= 0 and -1 < rho < 1, not sd {sd!r} and rho {rho!r}"
        raise ValueError(msg)
    margin = min(
        limit.upper - expected_per_1000 if limit.upper is not None else math.inf,
        expected_per_1000 - limit.lower if limit.lower is not None else math.inf,
    )
    run_in = None if tau_cycles is None else math.ceil(-tau_cycles * math.log(1 - settled_share))
    if margin <= 0:
        why = "the expected drift lies outside the limit: no number of cycles would show it within"
        return CyclePlan(for_drift=None, for_run_in=run_in, total=None, reason=why)
    # accepted if the estimate stays z_a u inside the limit; it scatters by u itself, so z_p u more are needed
    wanted = margin / (float(ndtri(rule.accept)) + float(ndtri(probability)))
    bare = (1000 * sd / wanted) ** (2 / 3) * 12 ** (1 / 3) * ((1 + rho) / (1 - rho)) ** (1 / 3)
    drift = math.ceil(max(bare, 10) + ((run_in or 0) + bare if settling else 0))
    total = max(drift, run_in or 0, at_least)
    reason = f"standard uncertainty of the drift must come down to {wanted:.3g} per 1000 cycles"
    return CyclePlan(for_drift=drift, for_run_in=run_in, total=total, reason=reason)


def noise_of(trend: Trend, sigma: float) -> tuple[float, float, float | None]:
    """Return sd, rho and time constant of a pilot log's trend, as ``plan_cycles`` takes them."""
    tau = trend.tau_cycles.value if trend.tau_cycles is not None else None
    return sigma, min(max(trend.rho or 0.0, -0.95), 0.95), tau
