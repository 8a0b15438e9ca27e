"""Result types and their JSON form (``results.json``, schema ``benchlab/results/1``).

Everything here is a frozen dataclass or a plain function. Numbers carry unit and uncertainty; what is unknown is None.
"""

from __future__ import annotations

import dataclasses
import json
import math
import numbers
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    import pandas as pd

SCHEMA = "benchlab/results/1"

Verdict = Literal["accept", "retest", "reject"]
_ORDER: dict[str, int] = {"accept": 0, "retest": 1, "reject": 2}


def worst(verdicts: list[Verdict]) -> Verdict:
    """Return the worst of the verdicts; nothing judged is ``retest``."""
    return max(verdicts, key=_ORDER.__getitem__) if verdicts else "retest"


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """A number with its standard uncertainty ``u`` and 95 % interval ``lo`` .. ``hi`` (None where not known)."""

    value: float | None
    u: float | None = None
    lo: float | None = None
    hi: float | None = None
    unit: str
    dof: float | None = None
    """Degrees of freedom behind ``u`` (None or inf: large). Not written to results.json."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """How a per-cycle quantity goes over the cycles: the numbers of DESIGN section 6."""

    model: str
    """``constant``, ``drift``, ``settling`` or ``settling+drift``, with ``+steps`` where steps were found."""
    n: int
    rho: float | None
    start: Estimate
    end: Estimate
    settled: Estimate
    change: Estimate
    drift_per_1000: Estimate
    tau_cycles: Estimate | None = None
    settled_at_cycle: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One judged number (or count) against its limit."""

    quantity: str
    aspect: str
    value: float | None
    u: float | None
    unit: str
    lower: float | None
    upper: float | None
    limit_source: str | None
    p_conform: float | None
    verdict: Verdict
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """Something that happened at a moment of a log or at a cycle; None fields are left out of the JSON."""

    kind: str
    quantity: str | None = None
    cycle: int | None = None
    time_s: float | None = None
    size: float | None = None
    size_s: float | None = None
    unit: str | None = None
    lo: float | None = None
    """For a step: first cycle of the 95 % interval of its place; ``hi`` the last."""
    hi: float | None = None
    text: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Diagnosis:
    """What a pattern often means, with the evidence it rests on."""

    pattern: str
    text: str
    evidence: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class NotMeasured:
    """A quantity that the log could not show, and why."""

    quantity: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PartResult:
    """Everything said about one part. Fields that do not belong to its kind stay None and are left out of the JSON."""

    id: str
    kind: str
    type: str | None = None
    position: str | None = None
    verdict: Verdict
    judged_on: tuple[str, ...] = ()
    logs: tuple[str, ...] = ()
    cycles: int | None = None
    run_in_complete: bool | None = None
    cycles_needed: int | None = None
    quantities: Mapping[str, Trend | Estimate] = field(default_factory=dict)
    phases: Mapping[str, Mapping[str, Estimate]] | None = None
    budget: tuple[BudgetLine, ...] = ()
    findings: tuple[Finding, ...] = ()
    events: tuple[Event, ...] = ()
    diagnosis: tuple[Diagnosis, ...] = ()
    not_measured: tuple[NotMeasured, ...] = ()
    notes: tuple[str, ...] = ()
    """Whole sentences for the reader: what was corrected or assumed."""
    next_step: str | None = None
    """One sentence in the imperative: what to do next with this part, where its analysis knows (else None)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BudgetLine:
    """One line of an uncertainty budget (JCGM 100, table form): contribution = |sensitivity| x u of the source."""

    quantity: str
    source: str
    value: float | None
    unit: str
    distribution: str
    u: float
    sensitivity: float
    contribution: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Analysis:
    """A part's result together with the (small) tables its figures are drawn from; tables never enter results.json."""

    result: PartResult
    tables: Mapping[str, pd.DataFrame] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class TrimPoint:
    """Correction to be added to the follower's command at one command point."""

    leader: str
    follower: str
    command_us: float
    correction_us: float
    left_over_deg: float


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupResult:
    """How well the parts of a group match."""

    name: str
    coupling: str
    members: tuple[str, ...]
    mismatch: float | None
    verdict: Verdict
    findings: tuple[Finding, ...] = ()
    trim: tuple[TrimPoint, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Placement:
    """Which part the assignment proposes for a position and which one is fitted there now."""

    position: str
    part: str | None
    fitted: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Assignment:
    """The best placement of servos into the groups' positions."""

    positions: tuple[Placement, ...] = ()
    worst_mismatch: float | None = None
    fitted_worst_mismatch: float | None = None
    empty: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class LogResult:
    """How one log was read."""

    path: str
    sha256: str | None
    rows: int
    rows_rejected: int
    status: Literal["read", "repaired", "failed"]
    error: str | None = None
    events: tuple[Event, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class AirframeResult:
    """The whole of ``results.json``."""

    schema: str = SCHEMA
    airframe: str
    description: str = ""
    verdict: Verdict
    parts: tuple[PartResult, ...] = ()
    groups: tuple[GroupResult, ...] = ()
    assignment: Assignment = Assignment()
    logs: tuple[LogResult, ...] = ()
    notes: tuple[str, ...] = ()
    software: Mapping[str, str] = field(default_factory=dict)
    """Name -> version of what computed (benchlab, python, numpy, ...)."""


_OMIT_NONE = (Event, PartResult, LogResult)
_KEEP_NULL = {"position", "sha256"}


def _number(x: float) -> float | None:
    # NaN and infinities have no JSON form; 9 significant digits are far below any uncertainty here
    # and keep the file the same on machines whose last bits differ.
    return float(f"{x:.9g}") if math.isfinite(x) else None


def to_json(x: Any) -> Any:
    """Turn result dataclasses into plain dicts, lists, strings and numbers; non-finite numbers become None."""
    if dataclasses.is_dataclass(x) and not isinstance(x, type):
        out = {}
        for f in dataclasses.fields(x):
            v = getattr(x, f.name)
            if f.name == "dof":
                continue
            if v is None and isinstance(x, _OMIT_NONE) and f.name not in _KEEP_NULL:
                continue
            out[f.name] = to_json(v)
        return out
    if isinstance(x, Mapping):
        return {str(k): to_json(v) for k, v in x.items()}
    if isinstance(x, (list, tuple)):
        return [to_json(v) for v in x]
    if isinstance(x, bool | str) or x is None:
        return x
    if isinstance(x, numbers.Integral):
        return int(x)
    return _number(float(x))


def dumps(result: AirframeResult) -> str:
    """Return the text of ``results.json``; the same result gives the same bytes."""
    return json.dumps(to_json(result), indent=1, ensure_ascii=False, allow_nan=False) + "\n"
