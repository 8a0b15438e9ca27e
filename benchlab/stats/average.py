"""Averages over what the data leave open: settling or not, its time constant, the correlation of the noise.

Given tau and rho every number of a trend has a Student t distribution; the data weigh these against each other
(marginal likelihood, flat priors on the linear parameters), and the weighted mixture is what is reported. So the
uncertainty of a drift contains what an undetected settling could have done to it, and holds after the choice of a model
(C. Hjort and G. Claeskens, J. Am. Stat. Assoc. 98, 2003, on why intervals of the chosen model alone do not).
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, stdtrit

from benchlab.results import Estimate
from benchlab.stats.surface import Design, Surface, surface
from benchlab.stats.uncertainty import coverage_factor

Array = NDArray[np.float64]

_RHO_NODES = np.linspace(np.arctanh(-0.6), np.arctanh(0.97), 15)
"""Correlations to begin with, as artanh(rho)."""
_LONG = 0.3
"""Share of the log's length above which a settling time becomes unlikely beforehand."""
_DEPTH = 10.0
"""Log likelihood below the top at which the surface counts for nothing (e^-10 = 5e-5)."""
_ROUNDS = 6
_HALVINGS = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class Posterior:
    """Weights over the nodes of the surface; ``without`` (R,) and ``settling`` (R, m) sum to 1 together."""

    surface: Surface
    without: Array
    settling: Array
    deviance: dict[str, float]
    """-2 log maximum likelihood of each model, up to a common constant."""

    @property
    def settling_share(self) -> float:
        """Probability that there is settling."""
        return float(self.settling.sum())

    @property
    def rho(self) -> float:
        """Mean correlation of values one cycle apart."""
        return float(self.surface.rho @ (self.without + self.settling.sum(axis=1)))


def explore(d: Design, tau_range: tuple[float, float] | None, *, settling_known: bool = False) -> Posterior:
    """Weigh the surface, refining the grid where the weight lies.

    ``tau_range`` None leaves settling out; ``settling_known`` leaves out that there might be none.
    """
    z, log_tau = _RHO_NODES, _tau_nodes(*tau_range) if tau_range else np.empty(0)
    width = np.log(tau_range[1] / tau_range[0]) if tau_range else 1.0
    deviance: dict[str, float] = {}
    for last in [False] * (_ROUNDS - 1) + [True]:
        s = surface(d, np.tanh(z), np.exp(log_tau))
        _lower_deviances(deviance, s, len(d.rest))
        without, settling = _log_weights(s, len(d.rest), d.cycle[-1] - d.cycle[0])
        if settling_known:
            without = np.full_like(without, -np.inf)
        new_z, fine_z = _refine(z, np.maximum(without, settling.max(axis=1, initial=-np.inf)), 9)
        new_tau, fine_tau = _refine(log_tau, settling.max(axis=0), 16) if tau_range else (log_tau, True)
        if last or (fine_z and fine_tau):
            break
        z, log_tau = new_z, new_tau
    without = without + np.log(np.gradient(z))
    if tau_range:
        settling = settling + np.log(np.gradient(z))[:, None] + np.log(np.gradient(log_tau) / width)
    top = max(without.max(), settling.max(initial=-np.inf))
    without, settling = np.exp(without - top), np.exp(settling - top)
    total = without.sum() + settling.sum()
    return Posterior(surface=s, without=without / total, settling=settling / total, deviance=deviance)


@functools.lru_cache(maxsize=4)  # the quantities of one servo have the same
def _tau_nodes(shortest: float, longest: float) -> Array:
    return np.asarray(np.log(np.geomspace(shortest, longest, 30)), dtype=float)


def _log_weights(s: Surface, n: int, span: float) -> tuple[Array, Array]:
    """Log marginal likelihoods without (R,) and with settling (R, m), as densities over artanh(rho) and log(tau).

    The factor ``1 - rho^2`` turns a flat prior on rho into one on artanh(rho); ``1 + rho`` makes it rise with rho,
    because wear and warmth carry over from one cycle to the next: it matters below some 30 values only. A settling
    that lasts as long as the log is drift but for its name: the flat prior on log(tau) falls off there, as slowly as
    keeps the intervals of a run-in cut off at its time constant covering. Amplitudes of about one standard deviation
    of the noise are expected: expecting larger ones would disregard weak settling and leave its bias in the drift.
    """
    diagonal = np.diagonal(s.lower, axis1=1, axis2=2)
    dof = n - diagonal.shape[1]
    common = -0.5 * s.log_det - np.log(diagonal).sum(axis=1) + np.log1p(-(s.rho**2)) + np.log1p(s.rho)
    without = common - 0.5 * dof * np.log(s.rss)
    occam = 0.5 * np.log1p(s.see) + np.log1p((s.tau / (_LONG * span)) ** 3)
    settling = common[:, None] - 0.5 * dof * np.log(s.rss_settling) - occam
    return without, settling


def _lower_deviances(deviance: dict[str, float], s: Surface, n: int) -> None:
    """Take over the deviances of the models where this surface reaches below those known so far."""
    found = {"constant": s.rss_no_drift, "drift": s.rss}
    if len(s.tau):
        found |= {"settling": s.rss_settling_no_drift.min(axis=1), "settling+drift": s.rss_settling.min(axis=1)}
    for model, rss in found.items():
        deviance[model] = min(deviance.get(model, np.inf), float((n * np.log(rss) + s.log_det).min()))


def _refine(nodes: Array, log_weight: Array, enough: int) -> tuple[Array, bool]:
    """New nodes over the range that counts, and whether ``enough`` nodes lie in it already."""
    counts = np.flatnonzero(log_weight > log_weight.max() - _DEPTH)
    low, high = max(counts[0] - 1, 0), min(counts[-1] + 1, len(nodes) - 1)
    return np.linspace(nodes[low], nodes[high], len(nodes)), len(counts) >= enough


@dataclass(frozen=True, slots=True, kw_only=True)
class Mixture:
    """Weighted Student t distributions of several numbers: (F, K) centres and scales, (K,) weights and dof."""

    weight: Array
    centre: Array
    scale: Array
    dof: Array

    @property
    def mean(self) -> Array:
        """(F,) means."""
        return self.centre @ self.weight

    @property
    def u(self) -> Array:
        """(F,) standard uncertainties: spread within and between the components."""
        between = (self.centre - self.mean[:, None]) ** 2
        return np.sqrt((self.scale**2 + between) @ self.weight)

    @property
    def scaled_mean(self) -> Array:
        """(F,) values of least expected squared error counted in each component's own variance.

        Components that would leave a number vague (a long settling beside a drift) pull it less than they pull the
        mean or the median.
        """
        widest = self.scale.max(axis=1, keepdims=True)
        weight = self.weight / np.where(widest > 0, self.scale / np.where(widest > 0, widest, 1.0), 1.0) ** 2
        return np.asarray((self.centre * weight).sum(axis=1) / weight.sum(axis=1), dtype=float)

    def quantiles(self, *probabilities: float) -> list[Array]:
        """For each probability the (F,) quantiles: Newton's method on the mixture's distribution function.

        A step that leaves the bracket, as between two components far apart, is replaced by halving the bracket.
        """
        centre, scale, p = self.centre, self.scale, np.array(probabilities)[:, None]
        dof, place = np.unique(self.dof, return_inverse=True)  # few differ, and Student's t is slow
        t = stdtrit(dof, p)[:, None, place]
        slack = 0.05 + 0.1 * np.abs(t)  # the mixture's quantile lies between its components', but for _t_cdf's error
        low, high = (centre + (t - slack) * scale).min(axis=2), (centre + (t + slack) * scale).max(axis=2)
        at = np.clip((centre + t * scale) @ self.weight, low, high)
        close = 1e-7 * (high - low)  # then the last step was far closer
        scale = np.maximum(scale, 1e-300)  # what is known exactly (no drift in the model) has none
        for _ in range(_HALVINGS):
            below, density = _t_cdf((at[:, :, None] - centre) / scale, self.dof)
            excess = below @ self.weight - p
            low, high = np.where(excess < 0, at, low), np.where(excess < 0, high, at)
            slope = (density / scale) @ self.weight
            step = excess / np.where(slope > 0, slope, np.where(excess == 0, 1.0, 1e-300))  # flat: out of the bracket
            ahead = np.where((at - step >= low) & (at - step <= high), at - step, 0.5 * (low + high))
            done = (np.abs(ahead - at) <= close).all()
            at = ahead
            if done:
                break
        return list(at)


def _t_cdf(t: Array, dof: Array) -> tuple[Array, Array]:
    """Student t through the normal distribution, and its density to a per cent from 3 dof.

    D. L. Wallace, Ann. Math. Stat. 30, 1959: within 0.002 from 3 dof.
    """
    log = np.log1p(t**2 / dof)
    z = np.sqrt(dof * log) * ((8 * dof + 1) / (8 * dof + 3))
    density = np.exp(-0.5 * (dof + 1) * log) * ((1 - 1 / (4 * dof)) / math.sqrt(2 * math.pi))
    return np.asarray(ndtr(np.copysign(z, t)), dtype=float), np.asarray(density, dtype=float)


def mixture(d: Design, post: Posterior, base: Array, settling: Array, smallest: float = 2e-4) -> Mixture:
    """Distribution of linear functions of the parameters over the posterior's weights.

    Parameters
    ----------
    base
        (F, p) coefficients on the original columns.
    settling
        (F, m) coefficients on the settling amplitude at each tau of the surface.
    smallest
        Nodes below this weight are left out.
    """
    s = post.surface
    x = np.linalg.solve(d.r.T, base.T).T
    fixed = x @ d.fitted
    n, p = d.q.shape
    i = np.flatnonzero(post.without > smallest)
    j, k = np.nonzero(post.settling > smallest)
    row, place = np.unique(np.concatenate([i, j]), return_inverse=True)
    v = np.linalg.solve(s.lower[row], np.broadcast_to(x.T, (len(row), p, len(x))))
    at = (fixed + np.einsum("rpf,rp->rf", v, s.wy[row])).T[:, place]
    length = (v**2).sum(axis=1).T[:, place]
    extra = settling[:, k] - x @ s.gamma[:, k] - np.einsum("kpf,kp->fk", v[place[len(i) :]], s.we[j, :, k])
    amplitude = s.sey[j, k] / s.see[j, k]
    at[:, len(i) :] += extra * amplitude
    length[:, len(i) :] += extra**2 / s.see[j, k]
    dof = np.concatenate([np.full(len(i), max(n - p, 1.0)), np.full(len(j), max(n - p - 2, 1.0))])
    rss = np.concatenate([s.rss[i], s.rss_settling[j, k]])
    weight = np.concatenate([post.without[i], post.settling[j, k]])
    return Mixture(weight=weight / weight.sum(), centre=at, scale=np.sqrt(length * rss / dof), dof=dof)


def estimates(m: Mixture, units: list[str]) -> list[Estimate]:
    """Medians with 95 % interval and standard uncertainty.

    ``u`` is the interval's half-width over Student's t for the components' mean degrees of freedom: where the mixture
    has far tails its standard deviation would say little about where the value may lie.
    """
    middle, low, high = m.quantiles(0.5, 0.025, 0.975)
    dof = float(m.weight @ m.dof)
    u = (high - low) / (2 * coverage_factor(dof))
    return [
        Estimate(value=float(a), u=float(b), lo=float(c), hi=float(e), unit=unit, dof=dof)
        for a, b, c, e, unit in zip(middle, u, low, high, units, strict=True)
    ]
