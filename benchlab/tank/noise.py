"""Size and memory of the scatter of a hold's readings: what the residuals allow, averaged over later."""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg.lapack import dpotrf, dpotrs

Array = NDArray[np.float64]

_POINTS = 15
_FEW = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class Noise:
    """White scatter as a factor on each value's own, and a part of ``slow`` kPa that lasts ``memory_s``."""

    white: float
    slow: float
    memory_s: float


def covariance(time_s: Array, white_kpa: Array, known: Array, noise: Noise) -> Array:
    """Covariance (m, m) of the values: what is known to disturb all of them, white and slow scatter."""
    c = known.copy()
    c.flat[:: len(c) + 1] += (noise.white * white_kpa) ** 2
    if noise.slow > 0:
        c += noise.slow**2 * _memory(np.asarray(time_s, dtype=float).tobytes(), noise.memory_s)
    return c


@functools.lru_cache(maxsize=4)  # one log's few are asked for again and again
def _memory(time_s: bytes, memory_s: float) -> Array:
    """Correlation (m, m) of scatter that lasts so long."""
    time = np.frombuffer(time_s)
    return np.asarray(np.exp(-np.abs(time[:, None] - time) / memory_s), dtype=float)


def likely_noises(time_s: Array, white_kpa: Array, known: Array, offset: Array, model: Array) -> list[Noise]:
    """Equally likely points of the posterior of the noise.

    Parameters
    ----------
    time_s, white_kpa, known
        As for ``covariance``.
    offset
        Values less the model's prior mean, shape (m,).
    model
        Prior covariance (m, m) of the model, made linear about its best point.
    """
    m, typical = len(time_s), float(np.median(white_kpa))
    few = m < _FEW
    whites = np.geomspace(0.7, 2.5, 7) if few else np.geomspace(0.45, 6.0, 13)
    slows = np.array([0.0]) if few else np.concatenate([[0.0], typical * np.geomspace(0.3, 30.0, 6)])
    span = float(time_s[-1] - time_s[0])
    memories = np.geomspace(span / m, span / 6, 3)
    none = np.log(max(len(memories) * (len(slows) - 1), 1))  # no slow scatter is about as likely as any
    grid, log = [], []
    for slow in slows:
        for memory in memories[:1] if slow == 0 else memories:
            for white in whites:
                noise = Noise(white=float(white), slow=float(slow), memory_s=float(memory))
                prior = -0.5 * (np.log(white) / (0.35 if few else 1.0)) ** 2
                prior += none if slow == 0 else -np.log1p((slow / typical / 3) ** 2)
                grid.append(noise)
                log.append(log_density(covariance(time_s, white_kpa, known, noise) + model, offset) + prior)
    p = np.exp(np.array(log) - max(log))
    picks = np.searchsorted(np.cumsum(p / p.sum()), (np.arange(_POINTS) + 0.5) / _POINTS)
    return [grid[min(int(i), len(grid) - 1)] for i in picks]


def log_density(covariance_: Array, offset: Array) -> float:
    """Log density of a normal law with a covariance (m, m) at an offset (m,), but for a constant in m."""
    factor, fault = dpotrf(covariance_, lower=1, clean=0)
    if fault:
        return -np.inf
    return float(-0.5 * offset @ dpotrs(factor, offset, lower=1)[0] - np.log(np.diag(factor)).sum())
