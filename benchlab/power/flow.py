"""Whether a log shows a load: which way its current flows, and what there is to tell of it if it shows none."""

from __future__ import annotations

import numpy as np

from benchlab.power.direction import find_direction
from benchlab.power.load import both_ways
from benchlab.power.record import Record, turned
from benchlab.results import Estimate

_WITHIN_NOISE = 6.0
"""A log of a day has no reading of plain noise beyond so many standard deviations."""
_NO_LOAD_SHARE = 0.05
"""Less than this share of all that flowed, out of the pack, is no load."""
_TURNED = (
    "The log counts current out of the pack as negative (the voltage, or the names of its phases, tell the direction); "
    "its sign was reversed here. State it in the register: calibration scale = -1."
)
_UNSIGNED = (
    "The log writes the current without a sign, charge and discharge alike: the stretches in which the voltage (or the "
    "name of the phase) shows a charge were counted as negative here."
)
UNCLEAR = (
    "the log writes current without a sign, and its voltage does not tell every charge from a discharge: log the sign, "
    "or the discharge alone"
)
CHARGES = "the log charges the pack: it shows no load"
_UNTOLD = "the current reads negative on balance, and nothing tells which way it flows"


def right_way(record: Record, notes: list[str]) -> tuple[Record, str | None, bool]:
    """Count current out of the pack as positive, as far as the log shows the direction of flow.

    Returns the record, why its load may not be told (or None), and whether the direction is known.
    """
    found = find_direction(record)
    if found.word == "unclear":
        return record, UNCLEAR, False
    if found.word in ("reversed", "without sign"):
        notes.append(_TURNED if found.word == "reversed" else _UNSIGNED)
        record = turned(record, found.factor)
    return record, None, found.word != "unknown"


def why_no_load(record: Record, told: bool, notes: list[str]) -> str | None:
    """Why the log shows no load: no current at all, or more of it into the pack than out."""
    i = record.current_a
    if not i.any():
        return "the current reads zero throughout: nothing was drawn, or the sensor is not connected"
    if i.min() < 0 < i.max() and float(np.abs(i).max()) <= _WITHIN_NOISE * record.current.noise:
        return "the current never leaves its noise about zero: nothing was drawn, or the sensor is not connected"
    if float(record.current_a @ record.seconds) >= 0:
        return None
    if told:
        out_mah, in_mah = (x.value or 0.0 for x in both_ways(record))
        if out_mah < _NO_LOAD_SHARE * (out_mah + in_mah):
            return CHARGES
        notes.append("On balance this log charges the pack: mean and charge are net, and negative.")
        return None
    notes.append(
        "On balance the current reads negative: the sensor may be connected the wrong way round, or the log shows a "
        "charge. If it is reversed, say so in the register: calibration scale = -1."
    )
    return _UNTOLD


def charge_both_ways(record: Record, refused: str | None, notes: list[str]) -> dict[str, Estimate]:
    """Charge out and in apart, where current flowed in for more than a hundredth of the charge."""
    out, into = both_ways(record)
    out_mah, in_mah = out.value or 0.0, into.value or 0.0
    if refused not in (None, CHARGES) or in_mah <= 0.01 * (in_mah + out_mah):
        return {}
    if out_mah <= 0.01 * in_mah:
        return {"charged_mah": into}
    notes.append(
        f"The current flows both ways: {out_mah:.6g} mAh out of the pack, {in_mah:.6g} mAh into it; charge_mah is the "
        "difference."
    )
    return {"discharged_mah": out, "charged_mah": into}
