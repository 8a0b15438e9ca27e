"""What standards of pressure hold tests ask of a hold, said as notes: they warn and never judge.

ASTM E2930-13(2021) wants, for the pressure decay of rigid vessels, a resolution ten times finer and an accuracy four
times better than the rate that is looked for, and a total change below a tenth of the start pressure (read on catalogue
pages, not in the standard). Accuracy is taken here as the half-width of the 95 % interval of the decay.
EPA Method 27 states a hold by its start pressure, the change and the time (read on mirrored pages).
"""

from __future__ import annotations

import math

from benchlab.procedure import TankProcedure
from benchlab.tank.hold import MANUAL_ROWS
from benchlab.tank.measure import Measured
from benchlab.tank.numbers import Rate

_FINER = 10.0
_BETTER = 4.0
_MOST_CHANGE = 0.1


def check_notes(
    measured: Measured, procedure: TankProcedure, limit: float | None, required_h: float, name: str = "the hold"
) -> list[str]:
    """Notes on one hold: the change over it, and the two ratios where they are missed.

    Parameters
    ----------
    limit
        Least retained fraction after ``required_h`` hours; None: no limit, hence no change that is allowed.
    name
        What the hold is called where there are several.
    """
    start, change, u = pressure_change(measured)
    hours = measured.hold_s / 3600
    moved = f"{'lost' if change >= 0 else 'gained'} {_two(abs(change))} kPa in {hours:.2g} h"
    notes = [
        f"Over {name}, by the fitted curve, with settling: {moved} from {start:.3g} kPa (u at most {_two(u)} kPa)."
    ]
    if limit is not None and 0 < limit < 1:
        allowed, step = allowed_change(start, limit, required_h, hours), _step(measured, procedure)
        if step * _FINER > allowed:
            notes.append(
                f"The gauge's steps of {_two(step)} kPa are not ten times finer than the {_two(allowed)} kPa that a "
                f"tank at its limit loses over {name}, {hours:.2g} h (ratio of ASTM E2930): a finer gauge or a longer "
                "hold."
            )
    if change >= _MOST_CHANGE * start:
        notes.append(
            f"Over {name} the pressure changed by {100 * change / start:.2g} % of the start pressure; ASTM E2930, "
            "meant for rigid vessels, asks for less than 10 %: take the leak rate as a mean over a falling pressure "
            "and a moving wall."
        )
    return notes


def accuracy_note(rate: Rate, limit: float | None, required_h: float) -> str | None:
    """Note on the combined decay where its accuracy is less than four times better than the decay at the limit."""
    if limit is None or not 0 < limit < 1:
        return None
    wanted, half = -math.log(limit) / required_h, 1800 * (rate.hi - rate.lo)  # per hour
    if _BETTER * half <= wanted:
        return None
    return (
        f"The decay is known to ±{_two(half)} per hour (95 %), not four times better than the {_two(wanted)} per hour "
        "of a tank at its limit (ratio of ASTM E2930): hold longer, or log temperature and barometer."
    )


def pressure_change(measured: Measured) -> tuple[float, float, float]:
    """Corrected gauge pressure at the start, what it lost to the end of the hold, and the largest u of that (kPa).

    From the fitted curve. Its two ends are correlated in a way that is not kept; the sum of their standard
    uncertainties bounds that of the difference whatever the correlation (JCGM 100, 5.2.2).
    """
    fit, u = measured.fit.fit, measured.fit.fit_u
    return float(fit[0]), float(fit[0] - fit[-1]), float(u[0] + u[-1])


def allowed_change(start_kpa: float, limit: float, required_h: float, hours: float) -> float:
    """Pressure (kPa) that a tank just at its limit loses by its leak in ``hours``: ``p (1 - limit**(t / t_req))``."""
    return float(start_kpa * (1 - limit ** (hours / required_h)))


def _step(measured: Measured, procedure: TankProcedure) -> float:
    name = "pressure_abs_kpa" if measured.pressures.absolute else "pressure_kpa"
    channel = procedure.channels.get(name)
    if channel is not None and channel.resolution:
        return channel.resolution
    # from a few readings by hand the step is only a guess: no note is built on it
    return measured.resolution_kpa if measured.hold.used.sum() > MANUAL_ROWS else 0.0


def _two(value: float) -> str:
    return f"{value:.2g}"
