"""Source resistance: how voltage answers current from sample to sample, slow changes removed.

Model: ``V(t) = level(t) - R I(t) - P lag(I, tau) - f(charge) + noise``. ``level`` wanders slowly (a random walk:
warming and whatever else is slow), ``lag`` is the first-order lag of the current (polarisation), ``f`` the fall of the
open-circuit voltage with the charge drawn (a cubic). Taking changes from row to row removes the level; neighbouring
changes share the noise of the row between them, so they are whitened first (their covariance is tridiagonal:
noise of two rows plus wander over the interval). With much wander this is plain regression on changes, with none it
is regression on the readings; the likelihood decides. Rows far off the fit (dips, voltage and current not read at
the same moment) get less weight (P. J. Huber 1964). Own composition of standard methods: generalised least squares,
restricted maximum likelihood, sandwich covariance over blocks.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from benchlab.power.changes import (
    LAG,
    LONG,
    STRETCH,
    Changes,
    Filtered,
    Fit,
    filtered,
    head,
    nearest_lag,
    search,
    slowest_lag,
    unrounded,
)
from benchlab.power.direction import correlation
from benchlab.power.record import Array, Mask, Record
from benchlab.results import Estimate
from benchlab.stats.uncertainty import combine, estimate, from_resolution, rectangular

_ROWS_FOR_SEARCH = 20_000
_BLOCKS = 60
_BLURRED = 0.35
"""Noise of more than a third of a step blurs it: less than a tenth of the rounding error is left on average."""
_ANSWERED = 8.0
"""Correlation, in its standard deviations, from which the voltage is seen to answer changes that look like noise."""
_SLOWEST_ROWS_S = 2.0
"""Slow answers of cells begin within seconds (common practice, no source): rows further apart show both in one."""
_ONE_LAG = 0.2
"""Half-width, as a share, within which one slow resistance and time constant stand for the several that a cell has
(starting value of this project); it also covers what the linearised fit of the two leaves out."""
_FEW = 10.0
"""Degrees of freedom below which the sandwich alone is not trusted."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceFit:
    """The fitted source; arrays have one entry per row of the record."""

    resistance: Estimate
    polarisation: Estimate | None
    """Resistance of the slow answer, None where none was found."""
    polarisation_s: Estimate | None
    noise_v: float
    slow_v: Array
    """Voltage without the prompt answer: level and polarisation."""
    open_circuit_v: Array
    """Voltage without the prompt and the slow answer."""
    residual_v: Array
    used: int

    @property
    def sure_sign(self) -> bool:
        """Whether the sign of the resistance is beyond doubt: five standard uncertainties, whatever the noise."""
        r = self.resistance
        return r.value is not None and r.u is not None and abs(r.value) > 5 * r.u


def fit_source(record: Record, unusable: Mask | None = None) -> SourceFit | str:
    """Fit the source model, without rows that are unusable (clipped); a string says why that is not possible."""
    if record.voltage_v is None or record.voltage is None:
        return "the log has no voltage"
    seen = np.isfinite(record.voltage_v)
    if unusable is not None:
        seen &= ~unusable
    rows = np.flatnonzero(seen)
    # an interval beside a row without voltage is lost as well
    dt = np.where(np.diff(rows) == 1, record.interval_s[rows[:-1]], 0.0)
    short = float(np.quantile(dt[dt > 0], 0.25)) if (dt > 0).any() else 0.0
    data = Changes(v=record.voltage_v[rows], i=record.current_a[rows], dt=dt, linked=(dt > 0) & (dt <= LONG * short))
    if why := _too_still(data, record):
        return why
    fit, least = _fitted(record, data)
    if fit.design_rank < fit.columns.shape[1]:
        return "the current does not change enough to tell the prompt answer from the slow one"
    found = _as_result(record, rows, data, fit, least)
    r = found.resistance
    if (r.value or 0.0) < 0 and not found.sure_sign and (r.hi or 0.0) < 0:
        return "the voltage does not answer the current as that of a source does"
    return found


def _fitted(record: Record, data: Changes) -> tuple[Fit, float]:
    """Search for the shape on the liveliest stretch, fit all rows; look inside the voltage's step where that pays.

    Returns the fit and the variance of one reading below which its uncertainty must not go (0: none).
    """
    lively = head(data, _ROWS_FOR_SEARCH)
    shape = nearest_lag(Fit(lively, *search(lively)))
    fit = shape if lively is data else Fit(data, shape.tau, shape.rho)
    step = record.voltage.step if record.voltage is not None else 0.0
    # what blurs the step, as far as the model can know: noise of the voltage, and of the current that predicts it
    noise = math.hypot(change_noise(record, data), float(fit.beta[0]) * record.current.noise)
    if step <= 0 or noise > _BLURRED * step or len(data.v) > _ROWS_FOR_SEARCH:
        return fit, 0.0
    inside = unrounded(data, fit, step, noise)
    fit = nearest_lag(Fit(replace(data, v=inside), *search(replace(data, v=inside)), 0))
    inside = unrounded(data, fit, step, noise, 15)
    # rounded readings tell at least as much as readings with independent noise of step^2 / 12
    return Fit(replace(data, v=inside), fit.tau, fit.rho), noise**2 + from_resolution(step) ** 2


def _too_still(data: Changes, record: Record) -> str | None:
    if data.linked.sum() < 10:
        return "fewer than ten pairs of successive rows have voltage and current"
    change = np.abs(np.diff(data.i))[data.linked]
    if float(change**2 @ data.dt[data.linked]) > _SLOWEST_ROWS_S * float(change @ change) > 0:
        return (
            f"its rows are more than {_SLOWEST_ROWS_S:g} s apart where the current changes: too slow to part the "
            "prompt answer of the voltage from the slow one"
        )
    answered = abs(correlation(np.diff(data.i)[data.linked], np.diff(data.v)[data.linked]))
    unanswered = answered < _ANSWERED / math.sqrt(len(change))
    if change.max() == 0 or (change.max() <= 6 * record.current.noise and unanswered):
        return "the current never changes by more than its noise: nothing for the voltage to answer"
    if np.ptp(data.v) == 0:
        return "the voltage reads the same throughout"
    return None


def _as_result(record: Record, rows: NDArray[np.intp], data: Changes, fit: Fit, least: float) -> SourceFit:
    # readings that were looked into are no longer what a logger wrote: what is alike in them is not ripple
    last = Filtered(x=fit.x, r=fit.r, beta=fit.beta) if least else filtered(fit)
    r0, u, dof = _coefficient(fit, last, 0, least)
    share, u_share = _attenuation(record, data, fit)
    r0 *= 1 + share
    slow, tau = _polarisation(fit, last, least)
    u = combine(
        u, r0 * u_share, 0.0 if least else _rounding(record, data, fit), _moment_of_jumps(record, data, slow, tau)
    )
    prompt = r0 * data.i
    slow_part = fit.columns[:, LAG] * last.beta[LAG] if slow is not None else np.zeros(len(data.v))
    n = len(record.time_s)

    def spread(x: Array) -> Array:
        out = np.full(n, np.nan)
        out[rows] = x
        return out

    return SourceFit(
        resistance=estimate(r0, u, "ohm", dof),
        polarisation=slow, polarisation_s=tau,
        noise_v=float(np.std(fit.noise)), slow_v=spread(fit.data.v + prompt - fit.noise),
        open_circuit_v=spread(fit.data.v + prompt - slow_part), residual_v=spread(fit.noise + data.v - fit.data.v),
        used=int(data.linked.sum()),
    )  # fmt: skip


def _coefficient(fit: Fit, last: Filtered, column: int, least: float) -> tuple[float, float, float]:
    """One coefficient, its standard uncertainty and degrees of freedom from a sandwich over blocks of rows.

    Blocks of successive rows are taken as independent of each other, whatever the noise does inside one (ripple,
    quantisation, load-dependent scatter). Degrees of freedom: Satterthwaite on the blocks' share in the estimate. Where
    few blocks carry the estimate, the uncertainty of independent noise is the least that is believed; ``least`` is a
    variance of the readings that is the least in any case.
    """
    x, n, p = last.x, len(last.r), last.x.shape[1]
    scale = np.sqrt((x**2).sum(0)) + 1e-300
    q, r = np.linalg.qr(x / scale)
    pull = (q @ np.linalg.inv(r).T)[:, column] / scale[column]  # beta = pull @ y
    blocks = min(_BLOCKS, max(n // 5, 2))
    block = np.arange(n) * blocks // n
    share = np.bincount(block, pull**2, blocks)
    sums = np.bincount(block, pull * last.r, blocks)
    dof = max(float(share.sum() ** 2 / (share @ share)) - 1, 1.0)
    variance = float(sums @ sums) * (dof + 1) / dof
    if dof < _FEW:
        variance = max(variance, float(pull @ pull) * float(last.r @ last.r) / max(int(fit.data.linked.sum()) - p, 1))
    if least:
        variance = max(variance, least * _white_variance(fit, column))
    return float(last.beta[column]), math.sqrt(variance), dof


def _white_variance(fit: Fit, column: int) -> float:
    """Variance of a coefficient per variance of readings with independent noise and no wander."""
    x = np.column_stack([fit.columns, np.ones(len(fit.columns))])
    scale = np.linalg.norm(x, axis=0) + 1e-300
    r = np.linalg.qr(x / scale, mode="r")
    return float((np.linalg.norm(np.linalg.pinv(r)[column]) / scale[column]) ** 2)


def _polarisation(fit: Fit, last: Filtered, least: float) -> tuple[Estimate | None, Estimate | None]:
    """Slow resistance and its time constant, as far as one time constant describes them; None where there is none."""
    if fit.tau is None or last.beta[LAG] <= 0 or last.beta[0] <= 0 or fit.tau > 0.9 * slowest_lag(fit.data):
        return None, None
    ohm, u, dof = _coefficient(fit, last, LAG, least)
    # the column after it is the lag's change over a factor STRETCH^2 in tau: to first order its coefficient tells how
    # far the search missed, and how well tau is known
    shift, u_shift, dof_tau = _coefficient(fit, last, LAG + 1, least)
    per_shift = 2 * math.log(STRETCH) / ohm
    tau = fit.tau * math.exp(float(np.clip(per_shift * shift, -0.3, 0.3)))
    u_ohm, u_tau = combine(u, rectangular(_ONE_LAG * ohm)), combine(per_shift * u_shift, rectangular(_ONE_LAG)) * tau
    return estimate(ohm, u_ohm, "ohm", dof), estimate(tau, u_tau, "s", dof_tau)


def _moment_of_jumps(record: Record, data: Changes, slow: Estimate | None, tau: Estimate | None) -> float:
    """Standard uncertainty of the prompt resistance from not knowing when in its interval the current jumped.

    The slow answer begins with the jump: half an interval h earlier or later is P h / (2 tau) more or less that looks
    prompt. Jumps at any moment average out; jumps in step with the log do not, and lie at either end of the interval.
    """
    if slow is None or tau is None or not slow.value or not tau.value:
        return 0.0
    weight = np.where(data.linked, np.diff(data.i) ** 2, 0.0)
    total = float(weight.sum())
    if total <= 0:
        return 0.0
    each = slow.value / tau.value / 2 * weight * data.dt / total
    if record.edges.any_in_step:
        return (1 - record.edges.smooth) * float(each.sum())
    return (1 - record.edges.smooth) * math.sqrt(float(each @ each) / 3)


def _attenuation(record: Record, data: Changes, fit: Fit) -> tuple[float, float]:
    """Share by which noise in the current makes the resistance read low, and its standard uncertainty.

    At least the rounding is noise; at most all scatter of the current while it stands still is. Real scatter is
    answered by the voltage with the full resistance, noise not at all: the slope of voltage on current over those
    small changes tells (weakly, if they are small) which part is real. Both are combined by their variances.
    """
    step = float(np.median(data.dt[data.linked])) * fit.rho
    kept = 1 - math.sqrt(step / (step + 4))  # share of white noise that whitening lets through
    r = np.linalg.qr(fit.x / fit.scale_x, mode="r")
    information = (fit.scale_x[0] / float(np.linalg.norm(np.linalg.inv(r)[0]))) ** 2
    per_variance = float(data.linked.sum()) * kept / information
    most = per_variance * record.current.noise**2
    least = min(per_variance * from_resolution(record.current.step) ** 2, most)
    middle, variance = (least + most) / 2, (most - least) ** 2 / 12
    di, dv = np.diff(data.i), np.diff(data.v)
    still = data.linked & still_links(record, data)
    power = float(di[still] @ di[still])
    if power > 0 and fit.beta[0] > 0 and most > least:
        real = -float(di[still] @ dv[still]) / power / fit.beta[0]
        # 1.5: changes of white noise are correlated by -1/2 with the next
        spread = math.sqrt(1.5 * float(dv[still] @ dv[still]) / max(still.sum(), 1) / power) / fit.beta[0]
        told, told_variance = most * (1 - real), (most * spread) ** 2
        weight = variance / (variance + told_variance) if told_variance > 0 else 1.0
        middle, variance = middle + weight * (told - middle), (1 - weight) * variance
    return min(max(middle, least), most), math.sqrt(variance)


def still_links(record: Record, data: Changes) -> Mask:
    """Links over which the current changes by no more than its noise."""
    # 3 standard deviations of a difference
    return np.asarray(np.abs(np.diff(data.i)) <= 3 * math.sqrt(2) * record.current.noise)


def change_noise(record: Record, data: Changes) -> float:
    """Noise (rms) of the voltage before it was rounded, from its changes while the load stands still.

    For any noise, the mean size of a change of rounded readings is that of the unrounded ones (seen over all places
    inside the step): s = sqrt(pi) / 2 mean |change|.
    """
    still = data.linked & still_links(record, data)
    return math.sqrt(math.pi) / 2 * float(np.abs(np.diff(data.v))[still].mean()) if still.any() else 0.0


def _rounding(record: Record, data: Changes, fit: Fit) -> float:
    """Standard uncertainty from a voltage step that noise does not blur.

    While the load rests, the voltage then sits at one place inside its step, and every pulse is compared with the same
    rounding error: step / sqrt(12), blurred away by noise s as exp(-2 (pi s / step)^2) (the Fourier series of
    the rounding error), and averaged over the steps that the slow voltage passes through.
    """
    step = record.voltage.step if record.voltage is not None else 0.0
    noise = change_noise(record, data)
    if step <= 0:
        return 0.0
    slow = data.v + fit.beta[0] * data.i - fit.noise
    passed = max(float(np.quantile(slow, 0.95) - np.quantile(slow, 0.05)) / step, 1.0)
    swing = float(np.var(data.i) / max(np.abs(data.i - np.median(data.i)).mean(), 1e-300))
    return from_resolution(step) * math.exp(-2 * (math.pi * noise / step) ** 2) / math.sqrt(passed) / max(swing, 1e-300)
