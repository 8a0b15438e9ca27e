"""Leak and settling of a sealed tank: the posterior of the leak given the corrected pressure.

From the amount of gas: with ``N = p_abs T0 / T`` (proportional to n / V) and P a fixed pressure near it,

    P ln(N / P) = a - k D(t) + settling(t) - e (g(t) - g(0)) + r b(t),   D(t) = integral of what drives the leak

where g is the gauge pressure, e what the wall gives way elastically, and r b(t) what the wall creeps back as the
pressure falls (``settling.crept_back``), as far as that differs from what is expected of the slow part. That is exact
for a laminar leak, whatever the weather does, because the driving pressure
``(p_abs**2 - p_atm**2) / (2 p_atm) . P / p_abs . T / T0`` is itself measured (``compensation.dose``). Where the
pressure is small beside the atmosphere it is the gauge pressure: then this is DESIGN section 7's sum of exponentials.

Of the settling's course nobody knows more than ``settling`` says. So the leak is averaged (Bayes' rule) over the noise,
of which the residuals tell (``noise``), and over three kinds of tank, each with the weight that the log gives it:

- those that follow one of the courses thought possible, averaged over them (``shapes``);
- strange ones, that follow such a course but for a deviation about as large as the creep itself;
- those whose course is left open: the linear estimate built on mean and covariance of the sizes alone.

Where the log fits no single course the latter two take over, and are wide: a settling that the log cannot tell from a
leak then widens the interval instead of passing for one or the other.

p1, the leak component at sealing, is the pressure that this amount of gas would have in a settled tank: cooled, and
with a wall that gives way and creeps for p1 alone. With that wall the pressure falls at ``rate`` in the long run.

One thing no answer knows: a creep that goes on with the logarithm of time far beyond ``settling.SLOW_S`` passes in part
for a leak (``OUTSIDE`` in tests/benchmarks/tank_coverage.py).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_solve, solve_triangular
from scipy.special import ndtr

from benchlab.tank.fit_data import HoldData
from benchlab.tank.noise import Noise, covariance, likely_noises, log_density
from benchlab.tank.settling import RECOVERS, SLOW_S, courses, durations, lag_times, sizes, typical_creep
from benchlab.tank.shapes import Fits, fitting_grid, solve

Array = NDArray[np.float64]

_OPEN_SHARE, _STRANGE_SHARE = 0.15, 0.03
"""Prior probabilities that a settling follows none of the courses, or one with a deviation (starting values)."""
_LIGHT = 1e-6
"""Answers with less weight than this are left out."""
_DRAWN = 60
"""Heaviest answers of which the fitted curve is made."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DecayFit:
    """What the log says of the decay; rates per second, pressures in kPa."""

    rate: float
    rate_u: float
    rate_lo: float
    rate_hi: float
    """Relative loss of gauge pressure at the start (1 / tau_leak), with 95 % interval; below 0: noise."""
    p1: float
    p1_u: float
    loss: float
    """Pressure (kPa/s) that the leak would take at p1 from a rigid tank of the stated volume, in terms of gas lost."""
    loss_u: float
    loss_lo: float
    loss_hi: float
    """95 % interval of ``loss``."""
    settling: float
    settling_u: float
    """What settling takes in the end (kPa)."""
    wall: float
    wall_u: float
    """Share by which ``loss`` is more than p1 x rate: the wall gives way and has crept to a larger volume."""
    parts: Mapping[str, float]
    """Contribution of each known source, of the scatter and of the settling to ``rate_u`` (1/s)."""
    fit: Array
    fit_u: Array
    """Fitted corrected gauge pressure at the given times, and its standard uncertainty."""
    open_share: float = 0.0
    """Probability, given the log, that the settling follows none of the courses thought possible."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Answers:
    """Normal posteriors of a, k, quick part, slow part, their integral over time (kPa s) and the whole give."""

    noise: Noise
    log_share: Array
    mean: Array
    """Shape (n, 6)."""
    covariance: Array
    """Shape (n, 6, 6)."""
    open_course: bool = False
    linear: Callable[[int], tuple[Array, Array, Array, Array]]
    """Columns (m, c) of an answer, what is added (m,), mean (c,) and covariance (c, c) of what they are times."""


def fit_decay(data: HoldData) -> DecayFit:
    """Fit leak and settling.

    Raises
    ------
    ValueError
        With fewer than 2 values or no positive pressure to start from.
    """
    if len(data.time_s) < 2 or not data.level_kpa > 0:
        msg = "a decay needs at least two values and a positive pressure to start from"
        raise ValueError(msg)
    model = _open_model(data)
    offset, spread = data.value - model.columns @ model.mean, model.columns @ model.root
    noises = likely_noises(data.time_s, data.white, data.common, offset, spread @ spread.T)
    deviation, sealed = _deviation(data), float(data.gauge[0])
    middle = _covariance(data, noises[len(noises) // 2])
    kinds = [
        (1 - _OPEN_SHARE - _STRANGE_SHARE, np.zeros_like(middle), fitting_grid(data, middle)),
        (_STRANGE_SHARE, deviation, fitting_grid(data, middle + deviation)),
    ]
    if not data.settling.fresh:  # a single course would now and then be believed in by ten of its u
        kinds = [(1 - _OPEN_SHARE, *kinds[1][1:])]
    answers = []
    for noise in dict.fromkeys(noises):
        scatter = _covariance(data, noise)
        # the noises were picked by the open answer: by how much more they fit a single course they weigh more there
        open_evidence = log_density(scatter + spread @ spread.T, offset)
        share = float(np.log(noises.count(noise) / len(noises)))
        these = [
            _single(noise, solve(data, grid, scatter + more), share + float(np.log(kind)) - open_evidence, sealed)
            for kind, more, grid in kinds
        ]
        open_share = share + float(np.log(_OPEN_SHARE))
        if open_share > max(float(a.log_share.max()) for a in these) + np.log(_LIGHT):
            these.append(_open(data, model, noise, open_share))
        answers += these
    return _average(data, answers)


def _deviation(data: HoldData) -> Array:
    """Covariance (m, m) of a deviation from a course: creeps of all kinds, in sum as large as the one expected."""
    _, slow = courses(data.time_s, data.gauge)
    size = data.settling.slow_share * data.level_kpa
    return np.asarray(size**2 / slow.shape[1] * slow @ slow.T)


def _covariance(data: HoldData, noise: Noise) -> Array:
    return covariance(data.time_s, data.white, data.common, noise)


def _single(noise: Noise, fits: Fits, log_share: float, sealed_kpa: float) -> _Answers:
    """Answers under single courses."""
    n = len(fits.log_share)
    pick = np.zeros((n, 6, 6))
    pick[:, [0, 1, 5, 2, 3], [0, 1, 2, 4, 5]] = 1.0
    pick[:, 5, 3:] = np.array([1.0, 0.0, RECOVERS]) / sealed_kpa
    pick[:, 4, 4:] = fits.lasting_s
    pick[:, 4, 5] *= 1 - fits.mean[:, 4:].sum(axis=1) / sealed_kpa  # it creeps for what is left of the load

    def linear(row: int) -> tuple[Array, Array, Array, Array]:
        return *fits.linear(row), fits.mean[row], fits.covariance[row]

    return _Answers(
        noise=noise, log_share=fits.log_share + log_share, mean=np.einsum("nij,nj->ni", pick, fits.mean),
        covariance=pick @ fits.covariance @ np.swapaxes(pick, 1, 2), linear=linear,
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class _OpenModel:
    """The linear model of an open course: columns (m, n), prior mean (n,), root of the prior covariance (n, n)."""

    columns: Array
    mean: Array
    root: Array


def _open_model(data: HoldData) -> _OpenModel:
    quick, slow = courses(data.time_s, data.gauge)
    lag = np.zeros_like(quick) if data.lag is None else data.lag
    size_mean, size_covariance = sizes(data.settling, data.level_kpa)
    fixed_mean, fixed_sd = data.fixed_prior(data.settling.slow_share * data.level_kpa)
    root = np.zeros((4 + len(size_mean), 4 + len(size_mean)))
    root[:4, :4] = np.diag(fixed_sd)
    root[4:, 4:] = _root(size_covariance)
    columns = np.hstack([data.fixed(*typical_creep()), quick, slow, lag])
    return _OpenModel(columns=columns, mean=np.concatenate([fixed_mean, size_mean]), root=root)


def _root(matrix: Array) -> Array:
    """Square root of a covariance that may be singular."""
    scale = np.sqrt(np.maximum(np.diag(matrix), 1e-300))
    values, vectors = np.linalg.eigh(matrix / np.outer(scale, scale))
    return np.asarray(scale[:, None] * vectors * np.sqrt(np.maximum(values, 0.0)))


def _open(data: HoldData, model: _OpenModel, noise: Noise, log_share: float) -> _Answers:
    """Answer under an open course, by QR with the prior as more rows: normal equations would lose it."""
    lower = np.linalg.cholesky(_covariance(data, noise))
    offset = data.value - model.columns @ model.mean
    whitened = solve_triangular(lower, np.column_stack([model.columns @ model.root, offset]), lower=True)
    n = model.columns.shape[1]
    q, r = np.linalg.qr(np.vstack([whitened[:, :n], np.eye(n)]))
    half = model.root @ solve_triangular(r, np.eye(n))
    mean = model.mean + half @ (q[: len(offset)].T @ whitened[:, n])
    lasting = durations(max(float(mean[1]), 0.0))
    quick = len(lag_times())
    wanted = np.zeros((6, n))
    both, slow = slice(4, 4 + len(lasting)), slice(4 + quick, 4 + len(lasting))
    wanted[[0, 1, 5], range(3)] = wanted[2, 4 : 4 + quick] = wanted[3, slow] = 1.0
    wanted[5, 3], wanted[5, slow] = 1 / data.gauge[0], RECOVERS / data.gauge[0]
    lasting[quick:] *= 1 - float(mean[both].sum()) / data.gauge[0]
    wanted[4, both] = lasting
    shown = wanted @ half
    return _Answers(
        noise=noise, log_share=np.array([log_share]), mean=(wanted @ mean)[None],
        covariance=(shown @ shown.T)[None], open_course=True,
        linear=lambda _: (model.columns, np.zeros_like(data.value), mean, half @ half.T),
    )  # fmt: skip


def _average(data: HoldData, answers: list[_Answers]) -> DecayFit:
    """Average over all answers, and go from the linear unknowns to the tank's numbers (first order)."""
    log = np.concatenate([a.log_share for a in answers])
    p = np.exp(log - log.max())
    p /= p.sum()
    kept = p > _LIGHT
    p = p[kept] / p[kept].sum()
    mean, covariance_ = (np.concatenate([getattr(a, x) for a in answers])[kept] for x in ("mean", "covariance"))
    owner = np.repeat(np.arange(len(answers)), [len(a.log_share) for a in answers])[kept]
    row = np.concatenate([np.arange(len(a.log_share)) for a in answers])[kept]
    derived, variance = _derived(data, mean, covariance_)
    centre = p @ derived
    u = np.sqrt(p @ (variance + (derived - centre) ** 2))
    rate, p1, loss, settling, wall = (float(x) for x in centre)
    rate_u, p1_u, loss_u, settling_u, wall_u = (float(x) for x in u)
    lo, hi = _interval(p, derived[:, 0], np.sqrt(variance[:, 0]), rate, rate_u)
    loss_lo, loss_hi = _interval(p, derived[:, 2], np.sqrt(variance[:, 2]), loss, loss_u)
    heaviest = np.argsort(p)[::-1][:_DRAWN]
    where = [(answers[owner[i]], int(row[i])) for i in heaviest]
    fit, fit_u = _curve(data, where, p[heaviest] / p[heaviest].sum())
    is_open = np.array([a.open_course for a in answers])[owner]
    return DecayFit(
        rate=rate, rate_u=rate_u, rate_lo=lo, rate_hi=hi, p1=p1, p1_u=p1_u, loss=loss, loss_u=loss_u,
        loss_lo=loss_lo, loss_hi=loss_hi,
        settling=settling, settling_u=settling_u, wall=wall, wall_u=wall_u,
        parts=_parts(data, *where[0], rate_u), fit=fit, fit_u=fit_u, open_share=float(sum(p[is_open])),
    )  # fmt: skip


def _numbers(data: HoldData, x: Array) -> Array:
    """Rate, p1, loss, settling and wall (n, 5) of the unknowns (n, 6).

    p1 is what the leak component is at sealing, the wall having given way to it and not to the pressure as sealed:
    ``give`` counts what it gives way at once and in time. While the pressure still settles, a leak is driven by more
    than its own component, which takes k times the integral of the settling from it (DESIGN section 7's sum, to second
    order in k).
    """
    level, atmosphere, sealed = data.reference_kpa, data.atmosphere_kpa, data.gauge[0]
    a, k, quick, slow, integral, give = x.T
    wider = 1 + (1 - RECOVERS) * slow / level
    amount = level * np.exp((a - k / (1 + give) * integral) / level)
    give = give * amount / level  # of the pressure; in its logarithm it counts more where the pressure is low
    p1 = (amount - atmosphere + give * sealed) / (1 + give)
    rate = k * (1 + p1 / (2 * atmosphere))
    wider += give * p1 / amount
    return np.column_stack([
        rate / (1 + give), p1, rate * p1 * wider, (quick + slow) * amount / level, wider * (1 + give) - 1,
    ])  # fmt: skip


def _derived(data: HoldData, mean: Array, covariance_: Array) -> tuple[Array, Array]:
    """Numbers of the tank (n, 5) and their variances."""
    step = 1e-3 * np.sqrt(np.maximum(np.diagonal(covariance_, axis1=1, axis2=2), 1e-300))
    gradient = np.stack([
        (_numbers(data, mean + move) - _numbers(data, mean - move)) / (2 * move.sum(axis=1, keepdims=True))
        for move in np.eye(6)[:, None, :] * step
    ], axis=2)  # fmt: skip
    numbers, variance = _numbers(data, mean), np.einsum("nic,nic->ni", gradient @ covariance_, gradient)
    # a wall gives way late: how much it has given way while the pressure falls is known to about its times x the rate
    _, _, quick, slow, integral, give = mean.T
    late_s = np.abs(integral) / np.maximum(np.abs(slow), 0.1 * np.abs(quick) + 1e-9)
    variance[:, 0] += (numbers[:, 0] ** 2 * give * np.minimum(late_s, SLOW_S[1])) ** 2
    return numbers, variance


def _interval(p: Array, mean: Array, sd: Array, centre: float, u: float) -> tuple[float, float]:
    """95 % interval of a mixture of normal distributions, by bisection."""
    wanted = np.array([0.025, 0.975])
    low, high = np.full(2, centre - 8 * u), np.full(2, centre + 8 * u)
    for _ in range(16):
        middle = (low + high) / 2
        below = ndtr((middle[:, None] - mean) / sd) @ p < wanted
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return float(middle[0]), float(middle[1])


def _curve(data: HoldData, where: list[tuple[_Answers, int]], p: Array) -> tuple[Array, Array]:
    """Fitted gauge pressure and its uncertainty, from the answers given."""
    values, spread = [], []
    for answers, row in where:
        columns, shift, mean, covariance_ = answers.linear(row)
        values.append(columns @ mean + shift)
        spread.append(np.einsum("mc,mc->m", columns @ covariance_, columns))
    centre = p @ np.array(values)
    variance = p @ (np.maximum(spread, 0.0) + (np.array(values) - centre) ** 2)
    amount = data.reference_kpa * np.exp(centre / data.reference_kpa)
    return amount - data.atmosphere_kpa, np.sqrt(variance) * amount / data.reference_kpa


def _parts(data: HoldData, answers: _Answers, row: int, u: float) -> dict[str, float]:
    """Split the uncertainty of the rate: what each source does through the heaviest answer's weights of the values.

    What is left of the whole is the settling that the log cannot tell from a leak.
    """
    columns, _, _, posterior = answers.linear(row)
    whole = _covariance(data, answers.noise)
    weights = cho_solve((np.linalg.cholesky(whole), True), columns @ posterior[1])
    scaled = weights * (1 + data.level_kpa / (2 * data.atmosphere_kpa))
    out = {name: max(float(scaled @ c @ scaled), 0.0) ** 0.5 for name, c in data.known.items()}
    out["scatter of the readings"] = max(float(scaled @ (whole - data.common) @ scaled), 0.0) ** 0.5
    rest = u**2 - sum(v**2 for v in out.values())
    out["settling not told from a leak"] = max(float(rest), 0.0) ** 0.5
    return out
