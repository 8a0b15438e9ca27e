"""The airframe register ``airframe.toml`` as typed settings; all its faults are reported at once."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from pydantic import Field, ValidationError, field_validator, model_validator

from benchlab.errors import RegisterError
from benchlab.procedure import Kind, Limits, Settings
from benchlab.register_faults import Lines, cross_faults, fault_line, plain_errors

REGISTER = "airframe.toml"
_ID = re.compile(r"[A-Za-z0-9._-]{1,64}")


def log_names(log: str | list[str] | None) -> tuple[str, ...]:
    """Return a register's ``log``, a path or a list of paths, as paths in the order given."""
    return () if log is None else (log,) if isinstance(log, str) else tuple(log)


class Part(Settings):
    """What every part of the register has. ``logs`` are paths relative to the register."""

    id: str = Field(min_length=1, max_length=64)
    position: str | None = None
    log: str | list[str] | None = None
    channel: str | int | None = None
    limits: Limits = {}

    @field_validator("id")
    @classmethod
    def _printable(cls, value: str) -> str:
        if not value.isprintable() or value != value.strip():
            msg = "must be printable and without blanks around it"
            raise ValueError(msg)
        return value

    @property
    def logs(self) -> tuple[str, ...]:
        """The part's logs in the order given."""
        return log_names(self.log)

    @property
    def label(self) -> str | None:
        """Which of a log's parts this one is, or None where the log holds one only."""
        return None if self.channel is None else str(self.channel)


class Servo(Part):
    """A servo; without ``position`` it is a spare."""

    type: str | None = None
    fixed: bool = False
    supply_v: float | None = Field(None, gt=0)


class Tank(Part):
    """A fuel tank. Without ``volume_ml`` no leak rate can be stated, only the retained fraction."""

    volume_ml: float | None = Field(None, gt=0)
    volume_u_ml: float | None = Field(None, ge=0)
    max_pressure_kpa: float | None = Field(None, gt=0)
    required_hold_h: float | None = Field(None, gt=0)
    observation: str | None = None


class Pack(Part):
    """A battery pack."""

    cells: int | None = Field(None, ge=1)
    capacity_mah: float | None = Field(None, gt=0)
    capacity_u_mah: float | None = Field(None, ge=0)
    usable_fraction: float = Field(0.8, gt=0, le=1)
    resistance_ohm: float | None = Field(None, gt=0)
    """Internal resistance as its maker states it, to part the source resistance."""


class Share(Settings):
    """The part of a circuit's current that one pack carries."""

    id: str
    share: float = Field(gt=0, le=1)


class Circuit(Part):
    """A circuit with the packs that feed it."""

    packs: list[str | Share] = []
    servos: list[str] = []
    """Ids of the servos on this circuit, for a cross-check of their own logs against the circuit's."""
    min_voltage_v: float | None = Field(None, gt=0)
    max_current_a: float | None = Field(None, gt=0)
    wire_awg: int | None = Field(None, ge=-3, le=40)
    wire_length_m: float | None = Field(None, gt=0)
    connector_ohm: float | None = Field(None, gt=0)
    """Of all connectors between pack and the point where voltage was read."""
    regulator_out_v: float | None = Field(None, gt=0)
    """Output of a linear regulator fed by this circuit, for its losses."""

    @model_validator(mode="after")
    def _shares_fit(self) -> Circuit:
        given = [p for p in self.packs if isinstance(p, Share)]
        if given and len(given) != len(self.packs):
            msg = "packs: give every pack a share, or none"
            raise ValueError(msg)
        if given and abs(sum(p.share for p in given) - 1) > 1e-6:  # typed decimals: 1e-6 is far below any of them
            msg = f"packs: the shares add up to {sum(p.share for p in given):g}, not to 1"
            raise ValueError(msg)
        return self

    @property
    def pack_shares(self) -> dict[str, float]:
        """Pack id -> share of this circuit's current; equal where none is given."""
        n = len(self.packs)
        return {p.id: p.share for p in self.packs if isinstance(p, Share)} or {
            p: 1 / n for p in self.packs if isinstance(p, str)
        }


class Group(Settings):
    """Parts that must match; the first position is the leader."""

    name: str
    positions: list[str] = Field(min_length=2)
    coupling: Literal["ganged", "mirrored"]
    opposed: bool = False


class FlightPhase(Settings):
    """One phase of the flight profile."""

    phase: str
    minutes: float = Field(gt=0)


class Dimension(Settings):
    """One left/right bench measurement, typed in."""

    item: str
    left: float
    right: float
    unit: str
    u: float | None = Field(None, ge=0)
    tolerance: float | None = Field(None, gt=0)


class Calibration(Settings):
    """value = scale x reading + offset, after the reading's unit was converted."""

    scale: float = 1.0
    offset: float = 0.0


class LogHelp(Settings):
    """What a reader needs to be told about one log."""

    kind: Kind | None = None
    columns: dict[str, str] = {}
    delimiter: str | None = None
    decimal: Literal[".", ","] | None = None
    encoding: str | None = None
    header_line: int | None = Field(None, ge=1)
    time_format: str | None = None
    """strptime form of the time stamps, where day and month could be confused."""
    calibration: dict[str, Calibration] = {}


class AirframeHead(Settings):
    """The ``[airframe]`` table."""

    id: str
    description: str = ""
    flight_minutes: float | None = Field(None, gt=0)
    dimension_log: str | list[str] | None = None
    """Left/right bench measurements as logs of the kind ``paired_dimensions``."""

    @property
    def dimension_logs(self) -> tuple[str, ...]:
        """The logs of left/right measurements in the order given."""
        return log_names(self.dimension_log)

    @field_validator("id")
    @classmethod
    def _safe(cls, value: str) -> str:
        if not _ID.fullmatch(value) or set(value) == {"."} or value == "..":
            msg = "may hold letters, digits, '.', '_' and '-' only, at most 64"
            raise ValueError(msg)
        return value


class Register(Settings):
    """The whole of ``airframe.toml``."""

    airframe: AirframeHead
    servo: list[Servo] = []
    group: list[Group] = []
    tank: list[Tank] = []
    pack: list[Pack] = []
    circuit: list[Circuit] = []
    flight: list[FlightPhase] = []
    dimension: list[Dimension] = []
    logs: dict[str, LogHelp] = {}

    @property
    def parts(self) -> dict[str, Part]:
        """Every part by id, in the order of the register."""
        return {p.id: p for _, p in self.entries()}

    def entries(self) -> Iterator[tuple[str, Part]]:
        """Yield (kind word, part) in the order of the register."""
        for word in ("servo", "tank", "pack", "circuit"):
            for part in getattr(self, word):
                yield word, part


LOG_KIND: dict[str, Kind] = {
    "servo": "servo_cycling",
    "tank": "tank_pressure",
    "pack": "current_draw",
    "circuit": "current_draw",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Airframe:
    """A loaded register and the folder it describes."""

    folder: Path
    register: Register
    allow_outside: bool = False

    @property
    def id(self) -> str:
        """The airframe's id."""
        return self.register.airframe.id

    @property
    def own_pipelines(self) -> Path:
        """Folder in which the airframe may carry edited procedures."""
        return self.folder / "pipelines"

    def log_paths(self) -> dict[str, tuple[Path, Kind]]:
        """Every log that the register names, once: path as written -> (file, kind)."""
        named: list[tuple[str, Kind]] = [(n, LOG_KIND[w]) for w, part in self.register.entries() for n in part.logs]
        named += [(n, "paired_dimensions") for n in self.register.airframe.dimension_logs]
        out: dict[str, tuple[Path, Kind]] = {}
        for name, usual in named:
            help_ = self.register.logs.get(name)
            out.setdefault(name, (self.folder / name, help_.kind if help_ and help_.kind else usual))
        return out


def load_airframe(folder: Path, *, allow_outside: bool = False) -> Airframe:
    """Read and check ``folder/airframe.toml``.

    Missing log files are not faults of the register: the other parts are still analysed and the missing log is
    reported as failed. Paths that leave the folder are faults unless ``allow_outside``.

    Raises
    ------
    RegisterError
        With one line for every fault: file, line, entry, what is wrong and what would be right.
    """
    path = folder / REGISTER
    try:
        text = path.read_text(encoding="utf-8-sig")
        raw = tomllib.loads(text)
    except FileNotFoundError:
        raise RegisterError([f"{path}: there is no such file; write one (see README) or name its folder"]) from None
    except (OSError, UnicodeDecodeError) as error:
        raise RegisterError([f"{path}: cannot be read ({error}); save it as UTF-8 text"]) from None
    except tomllib.TOMLDecodeError as error:
        raise RegisterError([f"{path}: not valid TOML: {error}; correct that place"]) from None
    faults: list[tuple[tuple[str | int, ...], str]] = []
    try:
        register = Register.model_validate(raw)
    except ValidationError as error:
        faults = [(e["loc"], fault_line(e, raw, Register)) for e in plain_errors(error)]
    faults += cross_faults(raw, folder, allow_outside)
    if faults:
        lines = Lines(text)
        raise RegisterError(list(dict.fromkeys(f"{path}{lines.mark(loc)}: {message}" for loc, message in faults)))
    return Airframe(folder=folder, register=register, allow_outside=allow_outside)
