"""The written procedures (``pipelines/*.toml``) as typed settings.

A procedure says how one kind of log is read, checked, cut, fitted and judged. It holds settings only: the order of
the work lives in Python. An airframe folder may carry its own ``pipelines/`` with edited copies, which then win.
"""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Annotated, Any, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from benchlab.errors import RegisterError
from benchlab.resources import shipped

Kind = Literal["servo_cycling", "current_draw", "tank_pressure", "paired_dimensions"]
KINDS: tuple[Kind, ...] = ("servo_cycling", "current_draw", "tank_pressure", "paired_dimensions")

T = TypeVar("T")
Pair = Annotated[tuple[T, T], Field(strict=False)]
"""A TOML array of two; strict pydantic would refuse the array for a tuple."""


class Settings(BaseModel):
    """Base of all settings: unknown keys are faults, nothing is coerced, nothing changes after loading."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


class Limit(Settings):
    """A limit on one aspect of a quantity. ``otherwise`` is the verdict on what lies outside."""

    lower: float | None = None
    upper: float | None = None
    source: str = "not stated"
    otherwise: Literal["retest", "reject"] = "reject"
    robust_z: float | None = None
    """Only for comparisons with sisters: the robust z-score that must be exceeded as well."""

    @model_validator(mode="after")
    def _has_a_bound(self) -> Limit:
        if self.lower is None and self.upper is None:
            msg = "a limit needs 'lower' or 'upper'"
            raise ValueError(msg)
        if self.lower is not None and self.upper is not None and self.lower > self.upper:
            msg = f"'lower' ({self.lower:g}) is above 'upper' ({self.upper:g})"
            raise ValueError(msg)
        return self


Limits = dict[str, dict[str, Limit]]
"""quantity -> aspect -> limit"""


class Rule(Settings):
    """Decision rule on the probability of conformity (JCGM 106): accept at or above, reject at or below."""

    accept: float = Field(0.95, gt=0.5, lt=1)
    reject: float = Field(0.05, gt=0, lt=0.5)


class Channel(Settings):
    """One channel of a kind of log: accepted header names and what is physically possible and how good the sensor is.

    ``resolution`` is the step of the reading, ``accuracy`` the half-width within which it lies (both rectangular,
    JCGM 100 4.3.7); 0 means not stated: the log's own steps then stand for the resolution.
    """

    names: list[str]
    bounds: Pair[float] | None = None
    resolution: float = Field(0.0, ge=0)
    accuracy: float = Field(0.0, ge=0)


class Tolerance(Settings):
    """Largest difference two parts of a group may show: absolute, or in percent of their mean."""

    absolute: float | None = Field(None, gt=0)
    percent: float | None = Field(None, gt=0)
    required: bool = True
    """False: what neither part's log can show is told but does not ask for a retest."""
    source: str = "not stated"

    @model_validator(mode="after")
    def _has_a_bound(self) -> Tolerance:
        if self.absolute is None and self.percent is None:
            msg = "a tolerance needs 'absolute' or 'percent'"
            raise ValueError(msg)
        return self


class Procedure(Settings):
    """What every kind of procedure has."""

    kind: Kind
    required: list[list[str]] = []
    """Quantities or channels that must have been measured; of each inner list one suffices."""
    rule: Rule = Rule()
    channels: dict[str, Channel]
    limits: Limits = {}
    match: dict[Literal["ganged", "mirrored"], dict[str, Tolerance]] = {}
    """Per coupling: quantity -> tolerance on the difference of two parts of a group."""


class ServoProcedure(Procedure):
    """``servo_cycling.toml``; its settings are explained there."""

    class Cutting(Settings):
        """How cycles, strokes and dwells are cut."""

        edge_low: float = Field(0.25, gt=0, lt=0.5)
        edge_high: float = Field(0.75, gt=0.5, lt=1)
        settle_fraction: float = Field(0.5, gt=0, lt=1)
        """Share of a dwell that is left to settling before rest values are taken."""
        moving_fraction: float = Field(0.1, gt=0, lt=1)
        """A servo moves while its speed is above this share of the stroke's peak speed."""

    class Correction(Settings):
        """Reference conditions and how strongly current depends on them."""

        reference_temperature_c: float = 25.0
        current_per_kelvin: float = -0.004
        current_per_kelvin_u: float = Field(0.002, ge=0)
        supply_exponent: float = 1.0
        """Transit times go with the supply to the power of minus this."""
        supply_exponent_u: float = Field(0.2, ge=0)

    class Trends(Settings):
        """Fitting of trends over the cycles."""

        outlier_alpha: float = Field(0.001, gt=0, lt=0.5)
        max_outlier_share: float = Field(0.05, gt=0, lt=0.5)
        settled_share: float = Field(0.95, gt=0, lt=1)

    class Trim(Settings):
        """Trim tables of ganged servos."""

        points: int = Field(9, ge=2, le=65)
        """Command points of the follower's curve, evenly spaced."""
        stiffness_nm_per_deg: float | None = Field(None, gt=0)
        """Stiffness of one servo about its output shaft, stated; without it no fighting load can be told."""
        stiffness_u_nm_per_deg: float | None = Field(None, ge=0)
        stiffness_readings: list[Pair[float]] = []
        """Or measured: pairs of torque in N m and deflection in deg of a powered servo; wins over the stated one."""
        source: str = "not stated"

    class Events(Settings):
        """Least sizes of what is told as an event, in shares; noise raises them."""

        stall_share: float = Field(0.5, gt=0, lt=1)
        short_stroke_share: float = Field(0.0025, gt=0, lt=1)
        supply_dip_share: float = Field(0.01, gt=0, lt=1)
        tooth_share: float = Field(0.06, gt=0, lt=1)
        tooth_grown_share: float = Field(0.06, gt=0, lt=1)
        binding_share: float = Field(0.08, gt=0, lt=1)
        eccentricity_share: float = Field(0.015, gt=0, lt=1)
        samples_in_stroke: int = Field(9, ge=5)

    events: Events = Events()
    trim: Trim = Trim()
    cutting: Cutting = Cutting()
    correction: Correction = Correction()
    trends: Trends = Trends()
    sisters_min: int = Field(4, ge=3)


class TankProcedure(Procedure):
    """``tank_pressure.toml``; its settings are explained there."""

    class Unknown(Settings):
        """What is assumed where a log lacks a channel (standard deviation of its wander during the hold)."""

        temperature_wander_k: float = Field(1.0, ge=0)
        barometer_wander_kpa: float = Field(0.15, ge=0)
        over_h: float = Field(4.0, gt=0)
        """Length of hold that the two wanders above are meant for; they grow with the square root of time."""
        barometer_kpa: float = Field(101.325, gt=0)
        barometer_level_u_kpa: float = Field(2.0, ge=0)
        temperature_c: float = 20.0

    class Settling(Settings):
        """What is known beforehand of the settling: mean and standard deviation, as shares of the start pressure."""

        cooling_share: float = 0.1
        cooling_share_u: float = Field(0.08, gt=0)
        creep_share: float = 0.12
        creep_share_u: float = Field(0.06, gt=0)

    unknown: Unknown = Unknown()
    settling: Settling = Settling()
    required_hold_h: float = Field(4.0, gt=0)
    wall_elasticity_share: float = Field(0.015, ge=0)
    """Share by which V p / tau reads low because the wall gives way, and its standard uncertainty (never negative)."""


class CurrentProcedure(Procedure):
    """``current_draw.toml``; its settings are explained there."""

    gap_factor: float = Field(5.0, gt=1)
    """A pause longer than this many sampling intervals is a gap: nothing is integrated across it."""
    dip_fraction: float = Field(0.05, gt=0, lt=1)
    """A fall of the supply by more than this share, which the load does not explain, is a dip."""
    wire_temperature_c: float = 20.0
    capacity_accuracy: float = Field(0.05, ge=0, lt=1)
    """Half-width, as a share, within which a pack holds its stated capacity."""


class DimensionProcedure(Procedure):
    """``paired_dimensions.toml``; its settings are explained there."""

    tolerance: float = Field(1.0, gt=0)
    """In mm; other units of length are converted."""
    instrument_u: float = Field(0.1, ge=0)
    """Standard uncertainty of one reading in mm."""
    tolerance_deg: float = Field(0.5, gt=0)
    instrument_u_deg: float = Field(0.1, ge=0)
    source: str = "starting value of this project"


class Procedures(Settings):
    """One procedure of each kind."""

    servo: ServoProcedure
    tank: TankProcedure
    current: CurrentProcedure
    dimension: DimensionProcedure

    def of(self, kind: Kind) -> Procedure:
        """Return the procedure for one kind of log."""
        by_kind: dict[str, Procedure] = {
            "servo_cycling": self.servo,
            "tank_pressure": self.tank,
            "current_draw": self.current,
            "paired_dimensions": self.dimension,
        }
        return by_kind[kind]


_MODELS: dict[Kind, type[Procedure]] = {
    "servo_cycling": ServoProcedure,
    "tank_pressure": TankProcedure,
    "current_draw": CurrentProcedure,
    "paired_dimensions": DimensionProcedure,
}


def procedure_file(kind: Kind, own: Path | None = None) -> Path:
    """Return the file in force for a kind: the one in folder ``own`` if it is there, else the shipped one."""
    if own is not None and (own / f"{kind}.toml").is_file():
        return own / f"{kind}.toml"
    return shipped("pipelines") / f"{kind}.toml"


def load_procedures(own: Path | None = None) -> Procedures:
    """Load all procedures; files in folder ``own`` (an airframe's ``pipelines/``) win over the shipped ones.

    Raises
    ------
    RegisterError
        With every fault of every file, one line each.
    """
    faults: list[str] = []
    loaded: dict[str, Any] = {}
    for kind, name in zip(KINDS, ("servo", "current", "tank", "dimension"), strict=True):
        path = procedure_file(kind, own)
        try:
            loaded[name] = _MODELS[kind].model_validate(tomllib.loads(path.read_text(encoding="utf-8")))
        except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
            faults.append(f"{path}: {error}; compare with the shipped procedure")
        except ValidationError as error:
            faults += [f"{path}: {fault}" for fault in describe_faults(error)]
    if faults:
        raise RegisterError(faults)
    return Procedures(**loaded)


def describe_faults(error: ValidationError) -> list[str]:
    """Put each fault of a validation error into one line: where in the file, what is wrong, what was found."""
    lines = []
    for e in error.errors():
        where = ".".join(str(step) for step in e["loc"]) or "file"
        found = "" if e["type"] in {"missing", "extra_forbidden"} else f" (found {e['input']!r:.60})"
        what = {"missing": "is missing", "extra_forbidden": "is not a known key"}.get(e["type"], e["msg"])
        lines.append(f"{where}: {what.removeprefix('Value error, ')}{found}")
    return lines
