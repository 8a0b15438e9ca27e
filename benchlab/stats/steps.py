"""Steps: lasting changes of level, found by likelihood against everything else a trend may do.

Two tools: :func:`optimal_partition` for plain changes of the mean, exact; :func:`scan`, the likelihood of one more step
at every place of a series whose trend and AR(1) noise are fitted along with it, so that neither settling nor drift nor
correlated noise passes for a step.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import stdtrit

from benchlab.stats.surface import gaps, kinds_of, whitened_products

Array = NDArray[np.float64]

RHO = np.tanh(np.arange(-0.4, 1.95, 0.12))
"""Correlations tried by :func:`scan`: close enough for a parabola between three of them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Scan:
    """-2 log maximum likelihood, up to a common constant, without a further step and with one at each place."""

    without: float
    at: Array
    """(n,) with a step whose first value is the i-th; inf where none is allowed."""


def scan(cycle: Array, y: Array, columns: Array, taken: list[int], min_size: int) -> Scan:
    """Likelihood of one further step at every place.

    Parameters
    ----------
    cycle, y
        (n,) data.
    columns
        (n, p) what else is fitted: constant, drift, settling, known steps; independent columns.
    taken
        Places of the known steps; a further one keeps ``min_size`` values away from them and from the ends.
    """
    n, p = columns.shape
    q = np.linalg.qr(columns)[0]
    rest = y - q @ (q.T @ y)
    z = np.column_stack([q, rest - q @ (q.T @ rest)])
    gap = gaps(cycle)
    products, _, log_det = whitened_products(z, np.empty((n, 0)), gap, RHO)
    root = np.linalg.cholesky(products[:, :p, :p])
    along = np.linalg.solve(root, products[:, :p, p:])[:, :, 0]
    across, length = _step_products(z, gap)
    # in the other columns' orthonormal frame: one product with a small matrix instead of a solve for every place
    inside = np.linalg.inv(root) @ across[:, :p]
    product = across[:, p] - (along[:, None, :] @ inside)[:, 0]
    outside = length - (inside**2).sum(axis=1)
    gain = np.where(outside > 1e-9 * length, product**2 / np.maximum(outside, 1e-300), 0.0)
    # data free of noise would show the last digits of the settling time as steps
    rss = np.maximum(products[:, p, p] - (along**2).sum(axis=1), 0.0) + n * (1e-4 * y.std()) ** 2
    without = n * np.log(rss) + log_det
    left = np.maximum(1 - gain / rss[:, None], 1e-12)
    at = np.full(n, np.inf)
    at[1:] = _minimum(n * np.log(left) + without[:, None])
    at[~_allowed(n, taken, min_size)] = np.inf
    return Scan(without=float(_minimum(without[:, None])[0]), at=at)


def _step_products(z: Array, gap: Array) -> tuple[Array, Array]:
    """Products (R, m, n - 1) of every step's whitened column with the whitened columns z (n, m), and its length.

    A step that begins at value i has the whitened column f at i and (1 - c) f from there on, with ``c = rho^gap`` and
    ``f = 1 / sqrt(1 - c^2)``: so its products are, for every length of gap, sums of z and of z one value earlier
    from behind, times factors that depend on rho alone.
    """
    kinds = kinds_of(gap)
    of_kind = (gap == kinds[:, None])[:, None, :]
    columns = np.concatenate([z.T, np.ones((1, len(z)))])
    now, before = of_kind * columns[:, 1:], of_kind * columns[:, :-1]
    # what follows after value i: the sums from behind, without i itself
    later_now, later_before = (np.cumsum(x[:, :, ::-1], axis=2)[:, :, ::-1] - x for x in (now, before))
    c = RHO[:, None] ** kinds
    square = 1 / (1 - c**2)
    factors = np.concatenate([square, -square * c, square * (1 - c), -square * (1 - c) * c], axis=1)
    out = np.tensordot(factors, np.concatenate([now, before, later_now, later_before]), axes=1)
    # a step's own column is 0 before it begins: its product with itself lacks what the column of ones had there
    own = np.tensordot(square * c, now[:, -1], axes=1)
    return out[:, :-1], out[:, -1] + own


def _minimum(values: Array) -> Array:
    """Minimum over axis 0 of evenly spaced values, by a parabola through the lowest and its neighbours."""
    i = np.clip(values.argmin(axis=0), 1, len(values) - 2)
    j = np.arange(values.shape[1])
    low, mid, high = values[i - 1, j], values[i, j], values[i + 1, j]
    bend = low - 2 * mid + high
    drop = np.where(bend > 0, (low - high) ** 2 / (8 * np.where(bend > 0, bend, 1.0)), 0.0)
    return np.asarray(np.minimum(mid - np.minimum(drop, np.abs(low - high)), values.min(axis=0)), dtype=float)


def _allowed(n: int, taken: list[int], min_size: int) -> NDArray[np.bool_]:
    i = np.arange(n)
    edges = np.array([0, *taken, n])
    return np.asarray((np.abs(i[:, None] - edges) >= min_size).all(axis=1))


def critical_drop(n: int, parameters: int, false_alarm: float) -> float:
    """How far -2 log likelihood must fall for a step to be believed.

    Student's t for one place, with the level shared out over twice as many places as there are values (Bonferroni; the
    factor 2 pays for the noise's correlation being estimated along with the step).
    """
    dof = max(n - parameters - 2.0, 1.0)
    t = stdtrit(dof, 1 - false_alarm / (4.0 * n))
    return float(n * np.log1p(t**2 / dof))


def best_pulse(residual: Array, min_size: int, most: int = 250) -> tuple[list[int], float]:
    """Place of the most likely change there and back in residuals of zero mean, and its gain in log likelihood x 2.

    Looked for on at most ``most`` sums of neighbouring values; taken for independent, so that the gain is only a hint
    (correlated noise makes it larger than it is).
    """
    n = len(residual)
    width = -(-n // most)
    edge, factor = _pulses(n, width, min_size)
    total = np.concatenate([[0.0], np.cumsum(residual)])[edge]
    gain = (total[None, :] - total[:, None]) ** 2 * factor
    i, j = divmod(int(np.argmax(gain)), len(edge))
    explained = float(gain[i, j]) / float(residual @ residual)
    return [int(e) for e in (edge[i], edge[j]) if 0 < e < n], float(-n * np.log1p(-min(explained, 1 - 1e-12)))


@functools.lru_cache(maxsize=2)  # series of one part are of one length
def _pulses(n: int, width: int, min_size: int) -> tuple[NDArray[np.intp], Array]:
    """Places between which a change there and back may lie, and what the square of a sum there gains; 0: too short."""
    edge = np.append(np.arange(0, n, width), n)
    length = (edge[None, :] - edge[:, None]).astype(float)
    inside = (length >= min_size) & (length <= n - min_size)
    length = np.where(inside, length, n / 2)
    return edge, np.where(inside, 1 / (length * (1 - length / n)), 0.0)


def place_interval(deviance: Array, index: int, probability: float = 0.95) -> tuple[int, int]:
    """Shortest-listed places that together hold ``probability``: first and last of them, ``index`` included.

    ``deviance`` (n,) is -2 log likelihood of the step at every place; all places are equally likely beforehand.
    """
    weight = np.exp(-0.5 * (deviance - deviance.min()))
    order = np.argsort(-weight, kind="stable")
    count = int(np.searchsorted(np.cumsum(weight[order]) / weight.sum(), probability)) + 1
    chosen = np.append(order[:count], index)
    return int(chosen.min()), int(chosen.max())


def optimal_partition(values: ArrayLike, penalty: float, min_size: int = 1) -> list[int]:
    """Cut a series into pieces of constant mean at the least sum of squares + ``penalty`` per cut, exactly.

    Dynamic programming over all cuts (B. Jackson et al., IEEE Signal Process. Lett. 12, 2005). Returns the index of
    the first value of each piece but the first.

    Raises
    ------
    ValueError
        If there are fewer than ``min_size`` values.
    """
    y = np.asarray(values, dtype=float)
    n = len(y)
    if n < min_size:
        msg = f"{n} values cannot form a piece of {min_size}"
        raise ValueError(msg)
    y = y - y.mean()
    total = np.concatenate([[0.0], np.cumsum(y)])
    square = np.concatenate([[0.0], np.cumsum(y**2)])
    best = np.full(n + 1, np.inf)
    best[0] = -penalty
    origin = np.zeros(n + 1, dtype=int)
    for end in range(min_size, n + 1):
        start = np.arange(end - min_size + 1)
        rss = square[end] - square[start] - (total[end] - total[start]) ** 2 / (end - start)
        cost = best[start] + rss + penalty
        origin[end] = int(cost.argmin())
        best[end] = cost[origin[end]]
    cuts: list[int] = []
    end = origin[n]
    while end > 0:
        cuts.append(int(end))
        end = origin[end]
    return cuts[::-1]
