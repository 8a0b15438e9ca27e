"""The fit of a hold under every course of the settling that is thought possible, each weighted by its evidence.

Given the gas's time constant, the creep's time constant and exponent, and whether the thermometer is in the gas or
beside the tank, the model is linear in a, k, e, r and the two sizes (``decay``): posterior and evidence are exact.
The courses are laid on a grid, quick times creep. What all share (a, k, e, r) is projected out of all columns by one QR
under each noise, which leaves two sizes for every pair of courses, solved for all pairs at once.

A precise log knows its courses far better than any fixed grid does, so the grid is first drawn in on them: as long as
few nodes carry all the weight, the evidence is flattened until several do, and the next grid spans what they span.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solve_triangular
from scipy.special import logsumexp

from benchlab.tank import settling as prior
from benchlab.tank.fit_data import HoldData

Array = NDArray[np.float64]

_QUICK, _CREEP, _SINGLE = 12, (11, 9), 13
"""Nodes along the quick times, along and across the creeps, and along the single relaxation times."""
_STAGES = 9
_REACH, _LEAST_REACH = 3.5, 1.8
"""Standard deviations that a grid spans on either side; of a flattened evidence not less than the second."""
_NODES = (3.0, 6.0, 3.0)
"""Nodes that must share the weight along the quick times, over the creeps, and over the single relaxation times."""
_CUT, _WIDEN = 0.02, 1.6
"""With more weight than the first on its rim a grid is widened by the second: what lies beyond is cut off, and the
spread seen within is too small."""
_FIXED = 4
"""Unknowns that all courses share: a, k, e and r."""
_LIGHT = 12.0
"""Courses are left out whose weight is smaller than the largest by this power of e."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Box:
    """What a grid spans, in logarithms of times."""

    quick: tuple[float, float]
    centre: Array
    """Of log time and exponent of the creep, shape (2,)."""
    half: Array
    """Half axes of that parallelogram, shape (2, 2), one a column."""
    single: tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """Courses with their prior: q quick ones and s creeps, of which the first ``stretched`` fill an area."""

    log_quick: Array
    quick_prior: Array
    """Log of the prior probability of each, shape (q,)."""
    log_slow: Array
    stretch: Array
    slow_prior: Array
    stretched: int
    rim: NDArray[np.bool_]
    """Which of the stretched ones lie on the rim of their area, shape (stretched,)."""
    size: tuple[float, float]
    """Expected sizes (kPa), by which the courses are bent."""
    creep: tuple[float, float]
    """Expected time constant (s) and exponent of the creep, with which the wall creeps back."""
    box: _Box


@dataclass(frozen=True, slots=True, kw_only=True)
class Fits:
    """Posterior of a, k, e, r, quick and slow size under n pairs of courses and one noise."""

    log_share: Array
    """Log of prior times evidence, shape (n,)."""
    mean: Array
    """Shape (n, 6)."""
    covariance: Array
    """Shape (n, 6, 6)."""
    lasting_s: Array
    """Integrals of the two courses while the tank leaks, shape (n, 2)."""
    linear: Callable[[int], tuple[Array, Array]]
    """Columns (m, 6) of a pair, and what is added (m,)."""


def first_grid(data: HoldData) -> Grid:
    """Grid over all that is thought possible."""
    quick, slow = np.log(prior.QUICK_S), np.log(prior.SLOW_S)
    s, level = data.settling, data.level_kpa
    box = _Box(
        quick=(quick[0], quick[1]), single=(slow[0], slow[1]),
        centre=np.array([slow.mean(), np.mean(prior.STRETCH)]),
        half=np.diag([np.ptp(slow) / 2, np.ptp(prior.STRETCH) / 2]),
    )  # fmt: skip
    return _grid(box, (s.quick_share * level, s.slow_share * level), prior.typical_creep())


def fitting_grid(data: HoldData, covariance: Array) -> Grid:
    """Grid that spans the courses which the values allow under a covariance (m, m) of their noise."""
    grid = first_grid(data)
    for _ in range(_STAGES):
        solved = _Pairs(data, grid, covariance)
        box, coarse = _drawn_in(grid, solved.by_course())
        grid = _grid(box, solved.expected(), solved.creep())
        if not coarse:
            break
    return grid


def solve(data: HoldData, grid: Grid, covariance: Array) -> Fits:
    """Posterior under every pair of courses of a grid that has any weight."""
    return _Pairs(data, grid, covariance).fits()


def _grid(box: _Box, size: tuple[float, float], creep: tuple[float, float]) -> Grid:
    log_quick = np.linspace(*box.quick, _QUICK)
    u, v = (np.linspace(-1, 1, n) for n in _CREEP)
    nodes = box.centre[:, None] + box.half @ np.stack([x.ravel() for x in np.meshgrid(u, v, indexing="ij")])
    cell = abs(float(np.linalg.det(box.half))) * (u[1] - u[0]) * (v[1] - v[0])
    low, high = np.array([np.log(prior.SLOW_S), prior.STRETCH]).T
    inside = ((nodes >= low[:, None] - 1e-9) & (nodes <= high[:, None] + 1e-9)).all(axis=0)
    rim = (np.maximum(abs(u)[:, None], abs(v)) == 1).ravel()
    nodes, rim = nodes[:, inside], rim[inside]
    single = np.linspace(*box.single, _SINGLE)
    one = np.full(_SINGLE, prior.log_single_density() + np.log(single[1] - single[0]))
    return Grid(
        log_quick=log_quick, quick_prior=prior.log_quick_density(log_quick) + np.log(log_quick[1] - log_quick[0]),
        log_slow=np.concatenate([nodes[0], single]), stretch=np.concatenate([nodes[1], np.ones(_SINGLE)]),
        slow_prior=np.concatenate([prior.log_slow_density(nodes[1]) + np.log(cell), one]),
        stretched=nodes.shape[1], rim=rim, size=size, creep=creep, box=box,
    )  # fmt: skip


def _drawn_in(grid: Grid, log: Array) -> tuple[_Box, bool]:
    """Span of what carries the weight, given the log weights (q, s), and whether the grid was too coarse for them."""
    s = grid.stretched
    p, quick_reach = _flattened(logsumexp(log, axis=1), _NODES[0])
    quick, quick_cut = _span(grid.log_quick, p, quick_reach, prior.QUICK_S)
    p, reach = _flattened(logsumexp(log[:, :s], axis=0), _NODES[1])
    at = np.stack([grid.log_slow[:s], grid.stretch[:s]])
    centre = at @ p
    away = (at - centre[:, None]) / (scale := np.array([np.ptp(np.log(prior.SLOW_S)), np.ptp(prior.STRETCH)]))[:, None]
    values, vectors = np.linalg.eigh((p * away) @ away.T)
    cut = reach == _REACH and float(p[grid.rim].sum()) > _CUT
    half = (_WIDEN if cut else 1.0) * reach * scale[:, None] * vectors * np.sqrt(np.maximum(values, 1e-12))
    p, single_reach = _flattened(logsumexp(log[:, s:], axis=0), _NODES[2])
    single, single_cut = _span(grid.log_slow[s:], p, single_reach, prior.SLOW_S)
    coarse = cut or quick_cut or single_cut or min(quick_reach, reach, single_reach) < _REACH
    return _Box(quick=quick, centre=centre, half=half, single=single), coarse


def _flattened(log: Array, nodes: float) -> tuple[Array, float]:
    """Weights to a power such that at least so many nodes share them, and the standard deviations to reach from them.

    A normal law to the power 1/T is wider by sqrt(T).
    """
    power = 1.0
    while True:
        p = np.exp(power * (log - log.max()))
        p /= p.sum()
        if 1 / float(p @ p) >= min(nodes, 0.5 * len(p)) or power < 1e-9:
            return p, max(_REACH * power**0.5, _LEAST_REACH) if power < 1 else _REACH
        power /= 1.5


def _span(at: Array, p: Array, reach: float, limits: tuple[float, float]) -> tuple[tuple[float, float], bool]:
    """Span of what carries the weight, and whether the present one cuts some of it off."""
    low, high = np.log(limits)
    ends = (p[0] if at[0] > low + 1e-9 else 0.0) + (p[-1] if at[-1] < high - 1e-9 else 0.0)
    cut = bool(reach == _REACH and ends > _CUT)
    mean = float(p @ at)
    half = max((_WIDEN if cut else 1.0) * reach * float(p @ (at - mean) ** 2) ** 0.5, 1e-6)
    return (max(mean - half, float(low)), min(mean + half, float(high))), cut


class _Pairs:
    """All pairs of a grid's courses under one noise.

    Arrays over pairs have the axes quick, slow, lateness of the gas, and kind of tank for either size.
    """

    def __init__(self, data: HoldData, grid: Grid, covariance: Array) -> None:
        self.data, self.grid = data, grid
        p = data.reference_kpa
        self.quick = prior.bent(prior.quick_course(data.time_s, np.exp(grid.log_quick)), grid.size[0] / p)
        creep = np.exp(grid.log_slow), grid.stretch
        self.slow = prior.bent(prior.slow_course(data.time_s, *creep), -grid.size[1] / p)
        self.slow += prior.RECOVERS * prior.crept_back(data.time_s, data.gauge, *creep)
        self.late = _lags(data, grid)
        self.mean, self.sd = data.fixed_prior(grid.size[1])
        lower = np.linalg.cholesky(covariance)
        self.fixed = data.fixed(*grid.creep)
        free = np.column_stack([data.value - self.fixed @ self.mean, self.late, self.quick, self.slow])
        whitened = solve_triangular(lower, np.column_stack([self.fixed * self.sd, free]), lower=True)
        q, r = np.linalg.qr(np.vstack([whitened[:, :_FIXED], np.eye(_FIXED)]))
        rest = np.vstack([whitened[:, _FIXED:], np.zeros((_FIXED, free.shape[1]))])
        along = q.T @ rest
        rest -= q @ along
        self.half = self.sd[:, None] * solve_triangular(r, np.eye(_FIXED))
        self.taken = self.sd[:, None] * solve_triangular(r, along)
        """What a unit of each column takes from a, k, e and r, shape (4, columns)."""
        self.base = -float(np.log(np.diag(lower)).sum() + np.log(np.abs(np.diag(r))).sum())
        self._sizes(rest.T @ rest)

    def _sizes(self, gram: Array) -> None:
        data, n, lates = self.data, len(self.grid.log_quick), self.late.shape[1]
        s, level = data.settling, data.level_kpa
        shares, factors = prior.kinds()
        m1, sd1 = (x * level * factors[:, None] for x in (s.quick_share, s.quick_share_u))
        m2, sd2 = (x * level * factors for x in (s.slow_share, s.slow_share_u))
        quick, slow = slice(1 + lates, 1 + lates + n), slice(1 + lates + n, None)
        # what is left of the values if the gas is late: (quick, lateness), along slow (quick, slow, lateness)
        values, by_quick = np.full((n, 1), gram[0, 0]), gram[0, quick][:, None]
        by_slow = np.broadcast_to(gram[0, slow], (n, gram[0, slow].size))[..., None]
        if lates:
            at = np.arange(n)
            values = np.column_stack([values, gram[0, 0] - 2 * gram[0, 1 : 1 + n] + np.diag(gram)[1 : 1 + n]])
            by_quick = np.column_stack([by_quick, gram[0, quick] - gram[1 + at, 1 + lates + at]])
            by_slow = np.concatenate([by_slow, by_slow - gram[1 : 1 + n, slow][..., None]], axis=2)
        b1 = by_quick[:, None, :, None, None] + m1 / sd1**2
        b2 = by_slow[..., None, None] + m2 / sd2**2
        a11 = np.diag(gram)[quick][:, None, None, None, None] + sd1**-2
        a22 = np.diag(gram)[slow][:, None, None, None] + sd2**-2
        a12 = gram[quick, slow][:, :, None, None, None]
        det = a11 * a22 - a12**2
        self.size1, self.size2 = (a22 * b1 - a12 * b2) / det, (a11 * b2 - a12 * b1) / det
        chi2 = values[:, None, :, None, None] + (m1 / sd1) ** 2 + (m2 / sd2) ** 2 - b1 * self.size1 - b2 * self.size2
        self.c11, self.c22, self.c12 = (np.broadcast_to(x, det.shape[:2] + chi2.shape[2:]) for x in
                                        (a22 / det, a11 / det, -a12 / det))  # fmt: skip
        self.log = (
            self.base - 0.5 * chi2 - 0.5 * np.log(det * (sd1 * sd2) ** 2)
            + np.log(shares[:, None] * shares) - np.log(values.shape[1])
            + self.grid.quick_prior[:, None, None, None, None] + self.grid.slow_prior[:, None, None, None]
        )  # fmt: skip

    def by_course(self) -> Array:
        """Log weights (quick, slow)."""
        return np.asarray(logsumexp(self.log, axis=(2, 3, 4)))

    def expected(self) -> tuple[float, float]:
        """Expected sizes of the two parts, kPa."""
        p = np.exp(self.log - self.log.max())
        return float((p * self.size1).sum() / p.sum()), float((p * self.size2).sum() / p.sum())

    def creep(self) -> tuple[float, float]:
        """Expected time constant (s) and exponent of the creep."""
        p = np.exp(logsumexp(self.log, axis=(0, 2, 3, 4)) - self.log.max())
        p /= p.sum()
        return float(np.exp(p @ self.grid.log_slow)), float(p @ self.grid.stretch)

    def fits(self) -> Fits:
        """Posterior of the pairs that count."""
        kept = np.nonzero(self.log > self.log.max() - _LIGHT)
        i, j, is_late = kept[:3]
        n, lates = len(self.grid.log_quick), self.late.shape[1]
        late, quick, slow = (
            np.moveaxis(self.taken[:, at], 0, 1)
            for at in (1 + i * min(lates, 1), 1 + lates + i, 1 + lates + n + j)
        )  # fmt: skip
        e1, e2 = self.size1[kept][:, None], self.size2[kept][:, None]
        fixed = self.mean + self.taken[:, 0] - quick * e1 - slow * e2 - late * is_late[:, None] * min(lates, 1)
        size_covariance = np.moveaxis(np.array([[x[kept] for x in row] for row in
                                                ((self.c11, self.c12), (self.c12, self.c22))]), 2, 0)  # fmt: skip
        spread = np.concatenate([-np.stack([quick, slow], axis=2), np.broadcast_to(np.eye(2), (len(i), 2, 2))], axis=1)
        covariance = spread @ size_covariance @ np.swapaxes(spread, 1, 2)
        covariance[:, :_FIXED, :_FIXED] += self.half @ self.half.T
        rate = np.maximum(fixed[:, 1], 0.0)
        lasting = np.column_stack([
            prior.lasting_s(np.exp(self.grid.log_quick[i]), 1.0, rate),
            prior.lasting_s(np.exp(self.grid.log_slow[j]), self.grid.stretch[j], rate),
        ])  # fmt: skip

        def linear(row: int) -> tuple[Array, Array]:
            shift = self.late[:, i[row]] if is_late[row] else np.zeros_like(self.data.value)
            return np.column_stack([self.fixed, self.quick[:, i[row]], self.slow[:, j[row]]]), shift

        return Fits(
            log_share=self.log[kept], mean=np.column_stack([fixed, e1, e2]), covariance=covariance,
            lasting_s=lasting, linear=linear,
        )  # fmt: skip


def _lags(data: HoldData, grid: Grid) -> Array:
    """Reading errors (m, q) if the gas follows the thermometer with the grid's quick times; (m, 0) if that is moot."""
    if data.lag is None:
        return np.zeros((len(data.time_s), 0))
    # the nodes are even in the logarithm: cubics through the four about each time
    nodes = np.log(prior.lag_times())
    at = (grid.log_quick - nodes[0]) / (nodes[1] - nodes[0])
    first = np.clip(np.floor(at).astype(int) - 1, 0, len(nodes) - 4)
    x = at - first
    a, b, c, d = x, x - 1, x - 2, x - 3
    weights = (-b * c * d / 6, a * c * d / 2, -a * b * d / 2, a * b * c / 6)
    return np.asarray(sum(data.lag[:, first + j] * w for j, w in enumerate(weights)))
