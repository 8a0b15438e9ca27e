"""Least squares for models that are linear in most of their parameters (variable projection).

``y = Phi(theta) c + noise``: for every trial ``theta`` the best ``c`` follows from a linear solve, so only the few
non-linear parameters are searched: first on a grid of candidates, then by polishing the best of them. No start value
is needed and the optimum found is the global one on the grid's resolution.

The projected Jacobian is that of L. Kaufman (BIT 15, 1975) for G. Golub and V. Pereyra's method (SIAM J. Numer. Anal.
10, 1973); covariances are those of the full problem, ``s^2 (J'J)^-1`` with ``J = [Phi, dPhi/dtheta c]``.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.linalg import solve_triangular
from scipy.optimize import least_squares

Array = NDArray[np.float64]
Basis = Callable[[Array], Array]
Derivative = Callable[[Array], Array]

_POLISHED = 8
"""How many of the best grid points are polished: enough for the false optima of the reference data sets."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SeparableFit:
    """Result of :func:`fit_separable`; parameters are ordered linear first, then non-linear."""

    linear: Array
    nonlinear: Array
    covariance: Array
    """(p + q, p + q); entries are inf where the data do not determine a parameter, NaN without degrees of freedom."""
    rss: float
    """Residual sum of squares, in squared units of y."""
    residual_sd: float
    dof: int
    fitted: Array
    converged: bool
    at_bound: tuple[bool, ...]
    """For each non-linear parameter whether the optimum lies on its bound: its uncertainty then means little."""

    @property
    def parameters(self) -> Array:
        """Linear and non-linear parameters in the order of the covariance."""
        return np.concatenate([self.linear, self.nonlinear])

    @property
    def u(self) -> Array:
        """Standard uncertainties in the order of ``parameters``."""
        return np.sqrt(np.diag(self.covariance))


def fit_separable(
    basis: Basis,
    y: ArrayLike,
    grid: ArrayLike,
    *,
    lower: ArrayLike | None = None,
    upper: ArrayLike | None = None,
    derivative: Derivative | None = None,
) -> SeparableFit:
    """Fit ``y = basis(theta) @ c`` by least squares over all ``c`` and ``theta``.

    Parameters
    ----------
    basis
        ``theta`` (q,) -> matrix (n, p) of the linear parameters' columns. Whiten or weight inside it, and ``y`` alike.
    y
        (n,) finite values.
    grid
        (m, q) candidates for ``theta``, or (m,) if there is one; see :func:`log_grid`. The best are polished. For a
        model that is linear throughout: shape (1, 0).
    lower, upper
        (q,) bounds of ``theta``; default: none.
    derivative
        ``theta`` -> (n, p, q), derivatives of the basis; default: central differences.

    Raises
    ------
    ValueError
        If ``y`` is not finite, or is shorter than the number of parameters, or no candidate gives finite residuals.
    """
    y = np.asarray(y, dtype=float)
    starts = np.asarray(grid, dtype=float)
    starts = starts[:, None] if starts.ndim == 1 else starts
    low = np.full(starts.shape[1], -np.inf) if lower is None else np.atleast_1d(np.asarray(lower, dtype=float))
    high = np.full(starts.shape[1], np.inf) if upper is None else np.atleast_1d(np.asarray(upper, dtype=float))
    if not np.isfinite(y).all():
        msg = "y must be finite"
        raise ValueError(msg)
    slope = derivative or _central_differences(basis)
    candidates = _best_of_grid(basis, y, starts, low, high)
    if starts.shape[1] == 0:
        theta, converged = candidates[0], True
    else:
        results = [_polish(basis, slope, y, start, low, high) for start in candidates]
        theta, converged = min(results, key=lambda r: _rss(basis, y, r[0]))
    return _finish(basis, slope, y, theta, converged, low, high)


def log_grid(*axes: Sequence[float], points: int = 20) -> Array:
    """All combinations of logarithmically spaced values; each axis is a pair (lowest, highest) > 0. Shape (m, q)."""
    lines = [np.geomspace(axis[0], axis[1], points) for axis in axes]
    return np.stack(np.meshgrid(*lines, indexing="ij"), axis=-1).reshape(-1, len(axes))


def _solve(phi: Array, y: Array) -> tuple[Array, Array, Array]:
    """Linear parameters, residuals and an orthonormal basis of the columns; columns are scaled to unit length first."""
    length = np.linalg.norm(phi, axis=0)
    length[length == 0] = 1.0
    left, singular, right = np.linalg.svd(phi / length, full_matrices=False)
    keep = singular > singular[0] * max(phi.shape) * np.finfo(float).eps
    left, singular, right = left[:, keep], singular[keep], right[keep]
    c = right.T @ ((left.T @ y) / singular) / length
    return c, y - phi @ c, left


def _rss(basis: Basis, y: Array, theta: Array) -> float:
    with np.errstate(all="ignore"):
        phi = basis(theta)
    if not np.isfinite(phi).all():
        return np.inf
    residual = _solve(phi, y)[1]
    return float(residual @ residual)


def _best_of_grid(basis: Basis, y: Array, starts: Array, low: Array, high: Array) -> Array:
    if len(y) < basis(starts[0]).shape[1] + starts.shape[1]:
        msg = f"{len(y)} values are too few for {basis(starts[0]).shape[1] + starts.shape[1]} parameters"
        raise ValueError(msg)
    rss = np.array([_rss(basis, y, theta) for theta in starts])
    rss[((starts < low) | (starts > high)).any(axis=1)] = np.inf
    order = np.argsort(rss, kind="stable")[:_POLISHED]
    order = order[np.isfinite(rss[order])]
    if len(order) == 0:
        msg = "no candidate of the grid lies within the bounds and gives finite residuals"
        raise ValueError(msg)
    return np.asarray(starts[order], dtype=float)


def _central_differences(basis: Basis) -> Derivative:
    def derivative(theta: Array) -> Array:
        out = []
        for j, value in enumerate(theta):
            # cube root of the machine precision balances truncation and rounding of central differences
            step = np.finfo(float).eps ** (1 / 3) * max(abs(value), 1e-8)
            up, down = theta.copy(), theta.copy()
            up[j], down[j] = value + step, value - step
            out.append((basis(up) - basis(down)) / (up[j] - down[j]))
        return np.stack(out, axis=-1) if out else np.empty((*basis(theta).shape, 0))

    return derivative


def _polish(
    basis: Basis, derivative: Derivative, y: Array, start: Array, low: Array, high: Array
) -> tuple[Array, bool]:
    def residual(theta: Array) -> Array:
        return _solve(basis(theta), y)[1]

    def jacobian(theta: Array) -> Array:
        c, _, q = _solve(basis(theta), y)
        d = -np.einsum("npq,p->nq", derivative(theta), c)
        return np.asarray(d - q @ (q.T @ d), dtype=float)

    with np.errstate(all="ignore"):
        try:
            found = least_squares(
                residual, np.clip(start, low, high), jacobian, bounds=(low, high), x_scale="jac",
                ftol=1e-15, xtol=1e-15, gtol=1e-15, max_nfev=200,
            )  # fmt: skip
        except (ValueError, np.linalg.LinAlgError):  # ran off to where the basis is not finite
            return start, False
    theta, settled = _newton(basis, derivative, y, found.x, low, high)
    return theta, bool(found.status > 0 or settled)


def _newton(
    basis: Basis, derivative: Derivative, y: Array, theta: Array, low: Array, high: Array
) -> tuple[Array, bool]:
    """Gauss-Newton steps on all parameters: the last digits, which the trust region's tests leave open."""
    best = _rss(basis, y, theta)
    for _ in range(20):
        c, residual, _ = _solve(basis(theta), y)
        j = np.column_stack([basis(theta), np.einsum("npq,p->nq", derivative(theta), c)])
        step = _solve(j, residual)[0][len(c) :]
        trial = np.clip(theta + step, low, high)
        rss = _rss(basis, y, trial)
        if not rss <= best * (1 + 1e-12):
            return theta, bool(np.all(np.abs(step) <= 1e-6 * np.abs(theta)))
        theta, best = trial, min(rss, best)
        if np.all(np.abs(step) <= 1e-12 * np.abs(theta)):
            return theta, True
    return theta, False


def _finish(
    basis: Basis, derivative: Derivative, y: Array, theta: Array, converged: bool, low: Array, high: Array
) -> SeparableFit:
    phi = basis(theta)
    c, residual, _ = _solve(phi, y)
    j = np.column_stack([phi, np.einsum("npq,p->nq", derivative(theta), c)])
    dof = len(y) - j.shape[1]
    rss = float(residual @ residual)
    variance = rss / dof if dof > 0 else np.nan
    near = 1e-9 * np.maximum(1.0, np.abs(theta))
    return SeparableFit(
        linear=c, nonlinear=theta, covariance=variance * _inverse_of_normal(j), rss=rss,
        residual_sd=float(np.sqrt(variance)), dof=dof, fitted=phi @ c, converged=converged,
        at_bound=tuple(bool(b) for b in (theta - low <= near) | (high - theta <= near)),
    )  # fmt: skip


def _inverse_of_normal(j: Array) -> Array:
    """``(J'J)^-1`` by QR of the column-scaled Jacobian; inf where the columns are dependent."""
    length = np.linalg.norm(j, axis=0)
    if (length == 0).any():
        return np.full((j.shape[1], j.shape[1]), np.inf)
    r = np.linalg.qr(j / length, mode="r")
    if np.min(np.abs(np.diag(r))) < 1e-14:
        return np.full((j.shape[1], j.shape[1]), np.inf)
    inverse = solve_triangular(r, np.eye(len(r)))
    return np.asarray(inverse @ inverse.T / np.outer(length, length), dtype=float)
