"""Servos, tanks and packs as the analyses would return them, made from literals."""

import numpy as np
import pandas as pd

from benchlab.airframe import Register
from benchlab.procedure import Procedures, load_procedures
from benchlab.results import Analysis, PartResult, Trend
from benchlab.stats.uncertainty import estimate

PROCEDURES: Procedures = load_procedures()


def trend(value: float, u: float, unit: str) -> Trend:
    now = estimate(value, u, unit)
    flat = estimate(0.0, u, unit)
    return Trend(model="constant", n=1000, rho=0.0, start=now, end=now, settled=now, change=flat, drift_per_1000=flat)


def stroke_table(*, gain=45.0, centre=0.0, hysteresis=0.2, bend=0.0, u=0.01, levels=21, low=1000, high=2000):
    """Angle = centre + gain x + bend x^2, x = -1 to 1 over 1000 to 2000 us; the ends are reached from one side only."""
    command = np.linspace(low, high, levels)
    x = (command - 1500) / 500
    middle = centre + gain * x + bend * x**2
    up, down = middle - hysteresis / 2, middle + hysteresis / 2
    up[0], down[-1] = np.nan, np.nan
    return pd.DataFrame({"command_us": command, "position_up_deg": up, "position_down_deg": down, "u_deg": u})


def servo(name, *, verdict="accept", transit=0.15, current=0.4, u=0.01, curve=True, type_=None, **stroke):
    """One servo; ``curve=False``: its log has no position."""
    quantities = {
        "transit_ref_s_per_60deg": trend(transit, 0.001, "s/60 deg"),
        "moving_current_ref_a": trend(current, 0.005, "A"),
    }
    tables = {}
    if curve:
        centre, gain = stroke.get("centre", 0.0), stroke.get("gain", 45.0)
        quantities["centre_deg"] = trend(centre, u, "deg")
        quantities["travel_deg"] = trend(2 * gain, u, "deg")
        tables["stroke_curve"] = stroke_table(u=u, **stroke)
    result = PartResult(id=name, kind="servo", type=type_, verdict=verdict, cycles=1000, quantities=quantities)
    return Analysis(result=result, tables=tables)


def register(**tables) -> Register:
    return Register.model_validate({"airframe": {"id": "K03-021"}} | tables)
