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
    inverse = np.linalg.inv(np.linalg.cholesky(products[:, :p, :p]))
    along = (inverse @ products[:, :p, p:])[:, :, 0]
    inside, product, length = _step_products(z, gap, inverse, along)
    outside = length - np.einsum("rpn,rpn->rn", inside, inside)
    outside[outside <= 1e-9 * length] = np.inf  # a step inside the other columns' span explains nothing more
    # data free of noise would show the last digits of the settling time as steps
    rss = np.maximum(products[:, p, p] - (along**2).sum(axis=1), 0.0) + n * (1e-4 * y.std()) ** 2
    left = np.empty((len(RHO), n))
    left[:, 0] = rss  # without a step
    np.maximum(rss[:, None] - product**2 / outside, 1e-12 * rss[:, None], out=left[:, 1:])
    at = _least_deviance(left, log_det)
    without, at[0] = float(at[0]), np.inf
    for place in (0, *taken, n):
        at[max(place - min_size + 1, 0) : place + min_size] = np.inf
    return Scan(without=without, at=at)


def _step_products(z: Array, gap: Array, inverse: Array, along: Array) -> tuple[Array, Array, Array]:
    """Products of every step's whitened column with the other whitened columns, and its squared length.

    A step that begins at value i has the whitened column f at i and (1 - c) f from there on, with ``c = rho^gap`` and
    ``f = 1 / sqrt(1 - c^2)``: so its products are, for every length of gap, sums of z and of z one value earlier
    from behind, times factors that depend on rho alone.

    Parameters
    ----------
    z
        (n, p + 1) orthonormal columns and the data freed from them.
    inverse, along
        (R, p, p) from the whitened columns to an orthonormal frame, and (R, p) the whitened data in it.

    Returns
    -------
    For every place but the first: (R, p, n - 1) the product with that frame, (R, n - 1) with the data outside it, and
    (R, n - 1) the squared length.
    """
    kinds, (n, p) = kinds_of(gap), (len(z), z.shape[1] - 1)
    columns = np.concatenate([z.T, np.ones((1, n))])[:, None]
    of_kind = 1.0 if len(kinds) == 1 else gap == kinds[:, None]
    sums = np.empty((p + 2, 4, len(kinds), n - 1))
    sums[:, 0], sums[:, 1] = columns[:, :, 1:] * of_kind, columns[:, :, :-1] * of_kind
    # what follows after value i
    total = np.cumsum(sums[:, :2], axis=3)
    np.subtract(total[..., -1:], total, out=sums[:, 2:])
    c = RHO[:, None] ** kinds
    square = 1 / (1 - c**2)
    factors = np.concatenate([square, -square * c, square * (1 - c), -square * (1 - c) * c], axis=1)
    # the frame's products and the data's in one: for every rho a small matrix times the sums
    turn = np.zeros((len(RHO), p + 1, p + 1))
    turn[:, :p, :p], turn[:, p:, :p], turn[:, p, p] = inverse, -(along[:, None, :] @ inverse), 1.0
    mixed = (turn[:, :, :, None] * factors[:, None, None, :]).reshape(-1, (p + 1) * factors.shape[1])
    out = (mixed @ sums[: p + 1].reshape(-1, n - 1)).reshape(len(RHO), p + 1, n - 1)
    # a step's own column is 0 before it begins: its product with itself lacks what the column of ones had there
    length = factors @ sums[p + 1].reshape(-1, n - 1) + (square * c) @ sums[p + 1, 0]
    return out[:, :p], out[:, p], length


def _least_deviance(rss: Array, log_det: Array) -> Array:
    """Least ``n log(rss) + log_det`` over the correlations, by a parabola through the lowest and its neighbours.

    ``rss`` (R, n). Which is the lowest is found without so many logarithms.
    """
    n = rss.shape[1]
    i = np.clip((rss * np.exp((log_det - log_det.max()) / n)[:, None]).argmin(axis=0), 1, len(rss) - 2)
    near = np.stack([i - 1, i, i + 1])
    low, mid, high = n * np.log(rss[near, np.arange(n)]) + log_det[near]
    bend, fall = low - 2 * mid + high, low - high
    drop = np.where(bend > 0, fall**2 / (8 * np.where(bend > 0, bend, 1.0)), 0.0)
    lowest = np.minimum(mid - np.minimum(drop, np.abs(fall)), np.minimum(low, high))
    return np.asarray(lowest, dtype=float)


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
    gain = total[None, :] - total[:, None]
    gain *= gain
    gain *= factor
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
