"""The procedures in force as tables: limits with their source, decision rule, settings, channels."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from pydantic import BaseModel

from benchlab.procedure import Channel, Limit, Procedure, Procedures, Tolerance

_TITLES = {
    "servo_cycling": "Servo cycling",
    "current_draw": "Current draw",
    "tank_pressure": "Tank pressure hold",
    "paired_dimensions": "Paired dimensions",
}
_SHOWN_APART = {"kind", "required", "rule", "channels", "limits", "match"}


@dataclass(frozen=True, slots=True, kw_only=True)
class ProcedureTable:
    """One procedure, laid out for the report."""

    kind: str
    title: str
    procedure: Procedure
    limits: tuple[tuple[str, str, Limit], ...]
    tolerances: tuple[tuple[str, str, Tolerance], ...]
    channels: tuple[tuple[str, Channel], ...]
    settings: tuple[tuple[str, str], ...]


def procedure_tables(procedures: Procedures) -> list[ProcedureTable]:
    """Lay out every procedure that was in force."""
    return [_table(p) for p in (procedures.servo, procedures.tank, procedures.current, procedures.dimension)]


def _table(p: Procedure) -> ProcedureTable:
    return ProcedureTable(
        kind=p.kind,
        title=_TITLES[p.kind],
        procedure=p,
        limits=tuple((q, a, limit) for q, aspects in p.limits.items() for a, limit in aspects.items()),
        tolerances=tuple((c, q, t) for c, tolerances in p.match.items() for q, t in tolerances.items()),
        channels=tuple(p.channels.items()),
        settings=tuple(_flat(p, "")),
    )


def _flat(settings: BaseModel, prefix: str) -> list[tuple[str, str]]:
    """List the settings that have no table of their own, as ``section.name`` and value."""
    out: list[tuple[str, str]] = []
    for name in type(settings).model_fields:
        value: Any = getattr(settings, name)
        if not prefix and name in _SHOWN_APART:
            continue
        if isinstance(value, BaseModel):
            out += _flat(value, f"{prefix}{name}.")
        else:
            out.append((f"{prefix}{name}", f"{value:g}" if isinstance(value, float) else str(value)))
    return out
