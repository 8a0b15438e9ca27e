"""Which column is which channel of which part, and which kind of log it all makes."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from benchlab.airframe import Calibration, LogHelp
from benchlab.errors import LogError
from benchlab.logs import units
from benchlab.logs.cells import to_quantity
from benchlab.logs.channels import SHARED, Claim, nearest, read_header, read_override, units_misfit
from benchlab.logs.dialect import Dialect
from benchlab.logs.schemas import LABELS
from benchlab.logs.timecolumns import Calendar, calendar_columns
from benchlab.procedure import KINDS, Channel, Kind, Procedures
from benchlab.quantities import unit_of

REQUIRED: dict[Kind, tuple[tuple[str, ...], ...]] = {
    "servo_cycling": (("time_s",), ("position_deg", "current_a")),
    "current_draw": (("time_s",), ("current_a",)),
    "tank_pressure": (("time_s",), ("pressure_kpa", "pressure_abs_kpa")),
    "paired_dimensions": (("item",), ("side",), ("value",)),
}
"""Of each inner tuple one channel must be there (DESIGN section 5)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Use:
    """What one column is used for."""

    index: int
    """From 0."""
    channel: str
    part: str | None
    unit: str | None
    """As logged; None for labels and for text stamps."""
    factor: float
    offset: float
    why: str
    by_unit: bool = False
    """Nothing but its unit speaks for the channel."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ColumnMap:
    """A whole log's columns under one kind. ``time`` are the columns that make the clock, in order date, clock, ms."""

    kind: Kind | None
    uses: tuple[Use, ...]
    time: tuple[int, ...]
    calendar: Calendar = field(default_factory=dict)
    """What each column of a calendar clock tells; empty where the clock counts elapsed time."""
    time_unit: str | None
    time_why: str = ""
    """Why the first of them is taken for the clock."""
    notes: dict[int, str] = field(default_factory=dict)
    """Why a column is not used."""
    why_no_kind: str = ""
    """Where no kind fits: what each would need."""

    @property
    def required(self) -> tuple[tuple[str, ...], ...]:
        """Channels of which one of each inner tuple must be there."""
        return REQUIRED[self.kind] if self.kind else ()

    @property
    def parts(self) -> tuple[str, ...]:
        """Labels of the parts that the headers name, in the order of the columns."""
        return tuple(dict.fromkeys(u.part for u in self.uses if u.part is not None))


def map_columns(dialect: Dialect, name: str, procedures: Procedures, kind: Kind | None, help_: LogHelp) -> ColumnMap:
    """Map a log's columns; ``kind`` None means to find out which kind it is.

    Raises
    ------
    LogError
        If two columns claim one channel, a unit does not fit, or a required channel is missing under a given kind.
    """
    kind = help_.kind or kind
    if kind is not None:
        return _map(dialect, name, procedures, kind, help_)
    return _guess_kind(dialect, name, procedures, help_)


def _guess_kind(dialect: Dialect, name: str, procedures: Procedures, help_: LogHelp) -> ColumnMap:
    """Try every kind; the ones whose required channels are there, hold plausible values and use most columns win."""
    fits: list[tuple[float, ColumnMap]] = []
    asks: LogError | None = None
    needs: list[str] = []
    for kind in KINDS:
        try:
            mapping = _map(dialect, name, procedures, kind, help_)
        except LogError as error:
            if getattr(error, "asks", False):
                asks = asks or error
            if " for " in error.what:
                needs.append(f"{kind} needs {error.what.partition(' for ')[2].partition(':')[0]}")
            continue
        if not _plausible(dialect, mapping, procedures.of(kind).channels):
            needs.append(f"{kind}: values out of bounds")
            continue
        channels = {u.channel for u in mapping.uses}
        score = len({(u.channel, u.part) for u in mapping.uses}) + 0.1 * len(mapping.time)
        if kind == "servo_cycling":
            moves = channels & {"position_deg", "command_us", "servo"} or len(mapping.parts) > 1
            score += 1 if moves else -0.5 if "voltage_v" in channels else 0.5 if "cycle" in channels else -0.5
            if not moves and "voltage_v" in channels:
                score -= 2
        fits.append((score, mapping))
    if fits:
        return max(fits, key=lambda f: f[0])[1]
    if asks is not None:
        raise asks
    return replace(_unknown(dialect, procedures), why_no_kind="; ".join(needs))


def _unknown(dialect: Dialect, procedures: Procedures) -> ColumnMap:
    """Map nothing but the clock: a log that is none of ours is still shown."""
    calendar = calendar_columns(dialect, set())
    if calendar:
        return ColumnMap(kind=None, uses=(), time=tuple(calendar), calendar=calendar, time_unit=None)
    clock = {"time_s": procedures.current.channels["time_s"]}
    for i, header in enumerate(dialect.names):
        claims = read_header(header, dialect.units[i], clock)
        if not claims and dialect.units[i] and units.convert("time_s", dialect.units[i]):
            return ColumnMap(kind=None, uses=(), time=(i,), time_unit=units.bare(dialect.units[i]))
        if claims and dialect.types[i] in "nq" and not units_misfit(claims[0]):
            return ColumnMap(kind=None, uses=(), time=(i,), time_unit=claims[0].unit)
    return ColumnMap(kind=None, uses=(), time=(), time_unit=None)


def _plausible(dialect: Dialect, mapping: ColumnMap, channels: Mapping[str, Channel]) -> bool:
    """Tell whether most sample values of every required channel lie within its physical bounds."""
    for use in mapping.uses:
        bounds = channels[use.channel].bounds
        if bounds is None or use.channel not in {c for r in REQUIRED.values() for group in r for c in group}:
            continue
        base = dialect.units[use.index]
        values = [to_quantity(r[use.index], dialect.decimal, base) for r in dialect.sample[:500] if use.index < len(r)]
        found = [v * use.factor + use.offset for v in values if v is not None]
        if len(found) * 10 < len(values):
            return False
        if found and sum(bounds[0] <= v <= bounds[1] for v in found) * 2 < len(found):
            return False
    return True


def _map(dialect: Dialect, name: str, procedures: Procedures, kind: Kind, help_: LogHelp) -> ColumnMap:
    channels = procedures.of(kind).channels
    notes: dict[int, str] = {}
    readings = {i: [c] for i, c in _overrides(dialect, name, channels, help_).items()}
    told = set(readings)
    letters = _letters_are_parts(dialect.names)
    for i, header in enumerate(dialect.names):
        grouped = f"{dialect.groups[i]} {header}" if dialect.groups else header
        if i not in told and grouped.strip():
            found = read_header(grouped, dialect.units[i], channels, letters=letters)
            if usable := _usable(found, dialect.types[i]):
                readings[i] = usable
    claims = _choose(readings, notes)
    calendar = calendar_columns(dialect, {i for i, c in claims.items() if c.channel == "time_s"})
    time = _clock(dialect, claims, told, notes, kind, calendar)
    calendar = calendar if time == tuple(calendar) else {}
    claims = {i: c for i, c in claims.items() if i in time or (c.channel != "time_s" and i not in calendar)}
    _refuse_doubles(dialect, name, {i: c for i, c in claims.items() if i not in calendar})
    _refuse_misfits(dialect, name, claims)
    uses = tuple(_use(i, c, help_.calibration) for i, c in sorted(claims.items()) if i not in time)
    uses = _assign_parts(uses, notes)
    _refuse_missing(dialect, name, kind, uses, time, channels)
    for i, header in enumerate(dialect.names):
        if header and i not in notes and i not in time and not any(u.index == i for u in uses):
            guess = nearest(header, channels)
            notes[i] = f"not used; nearest channel: {guess}" if guess else "not used"
    unit = claims[time[0]].unit if len(time) == 1 and time[0] in claims and dialect.types[time[0]] in "nq" else None
    why = claims[time[0]].why if time and time[0] in claims else ""
    return ColumnMap(kind=kind, uses=uses, time=time, calendar=calendar, time_unit=unit, time_why=why, notes=notes)


def _letters_are_parts(names: Sequence[str]) -> bool:
    """Tell whether some header ends in a lone "a" and another is the same but for a "b": parts then, not amperes."""
    ends = {n.strip().lower() for n in names}
    return any(n.endswith(("_a", " a")) and n[:-1] + "b" in ends for n in ends)


def _choose(readings: Mapping[int, Sequence[Claim]], notes: dict[int, str]) -> dict[int, Claim]:
    """Choose one reading for each column: a weaker claim gives way to a stronger one and falls back on its next."""
    claims: dict[int, Claim] = {}
    waiting = {i: list(found) for i, found in readings.items()}
    while True:
        strongest: dict[tuple[str, str | None], int] = defaultdict(int)
        claims = {i: found[0] for i, found in waiting.items() if found}
        for c in claims.values():
            strongest[c.channel, c.part] = max(strongest[c.channel, c.part], c.strength)
        weak = [i for i, c in claims.items() if c.channel != "time_s" and c.strength < strongest[c.channel, c.part]]
        twice = [
            i for i, c in claims.items()
            if len(waiting[i]) > 1 and sum((o.channel, o.part) == (c.channel, c.part) for o in claims.values()) > 1
        ]  # fmt: skip
        if not weak and not twice:
            return claims
        for i in weak or twice:
            gone = waiting[i].pop(0)
            notes[i] = f"not used: another column says {gone.channel} more clearly"
            if waiting[i]:
                del notes[i]


def _usable(found: list[Claim], kind: str) -> list[Claim]:
    """Leave out readings that what stands in the column rules out: numbers for stamps, text for numbers."""
    if kind == "t":
        return [replace(c, unit=None) for c in found if c.channel == "time_s"]
    fitting = [c for c in found if (c.channel in LABELS) == (kind == "s")]
    return fitting or found


def _overrides(dialect: Dialect, name: str, channels: Mapping[str, Channel], help_: LogHelp) -> dict[int, Claim]:
    claims: dict[int, Claim] = {}
    for key, text in help_.columns.items():
        where = [i for i, n in enumerate(dialect.names) if n == key.strip()] or (
            [int(key) - 1] if key.isdecimal() and len(key) < 6 and 1 <= int(key) <= dialect.width else []
        )
        if len(where) != 1:
            what = f'no column "{key}"' if not where else f'{len(where)} columns are named "{key}"'
            raise LogError(what, path=name, do=f"correct columns in the register; the log has {_listing(dialect)}")
        parsed = read_override(text)
        if parsed is None or parsed[0] not in channels:
            raise LogError(
                f'columns: "{text}" names no channel of this kind of log', path=name,
                do=f'write "channel:part [unit]" with one of {", ".join(channels)}',
            )  # fmt: skip
        channel, part, unit = parsed
        if unit is None and dialect.units[where[0]]:
            unit = units.bare(dialect.units[where[0]])
        claims[where[0]] = Claim(channel=channel, part=part, unit=unit, strength=3, why="said in the register")
    return claims


def _clock(
    dialect: Dialect, claims: dict[int, Claim], told: set[int], notes: dict[int, str], kind: Kind, calendar: Calendar
) -> tuple[int, ...]:
    """Choose the clock: what the register says, else elapsed time with a unit, else a calendar, else what is left."""
    if kind == "paired_dimensions":
        return ()
    times = [i for i, c in claims.items() if c.channel == "time_s"]
    numeric = [i for i in times if dialect.types[i] in "nq" and i not in calendar]
    said = [i for i in told if claims[i].channel == "time_s"]
    stated = [i for i in numeric if claims[i].unit is not None and not units_misfit(claims[i])]
    strong = [i for i in stated if claims[i].strength > 1] or stated
    best = strong[:1] if len(strong) == 1 or calendar else strong
    if said:
        chosen: tuple[int, ...] = tuple(sorted(said))
    else:
        whole = tuple(calendar) if "ms" in calendar.values() else ()
        chosen = whole or tuple(best) or tuple(calendar) or tuple(numeric) or tuple(times)
    for i in [*numeric, *calendar]:
        if i not in chosen:
            first = chosen[0] + 1 if chosen else 0
            notes[i] = f"not used: the clock is taken from column {first}"
    return chosen


def _refuse_doubles(dialect: Dialect, name: str, claims: Mapping[int, Claim]) -> None:
    by_channel: dict[tuple[str, str | None], list[int]] = defaultdict(list)
    for i, c in claims.items():
        if c.channel != "time_s" or dialect.types[i] in "nq":
            by_channel[c.channel, c.part].append(i)
    for (channel, part), columns in by_channel.items():
        if len(columns) > 1:
            which = " and ".join(f'{i + 1} ("{dialect.names[i]}")' for i in columns)
            of = f" of part {part}" if part else ""
            raise _ask(
                f"columns {which} both claim {channel}{of}", name, dialect,
                f'say which with columns = {{ "{columns[0] + 1}" = "{channel}:1", ... }} in the register',
                required=channel,
            )  # fmt: skip


def _refuse_misfits(dialect: Dialect, name: str, claims: Mapping[int, Claim]) -> None:
    for i, c in claims.items():
        if units_misfit(c):
            ours = unit_of(c.channel)
            raise _ask(
                f'column {i + 1} ("{dialect.names[i]}") is taken for {c.channel}, but its unit "{c.unit}" cannot be '
                f"converted to {ours}", name, dialect,
                f'say what it is with columns = {{ "{i + 1}" = "channel [unit]" }} in the register', required=c.channel,
            )  # fmt: skip


def _ask(what: str, name: str, dialect: Dialect, do: str, *, required: str) -> LogError:
    """Return an error that must be answered even where the kind was only guessed, if a required channel is at stake."""
    error = LogError(what, path=name, line=dialect.header_line or dialect.first_data_line, do=do)
    error.asks = required in {"position_deg", "current_a", "pressure_kpa", "pressure_abs_kpa"}  # type: ignore[attr-defined]
    return error


def _use(i: int, c: Claim, calibration: Mapping[str, Calibration]) -> Use:
    unit, why = c.unit, c.why
    factor, offset = 1.0, 0.0
    if c.channel in LABELS or unit_of(c.channel) == "1":
        unit = None if c.channel in LABELS else unit
    elif unit is None:
        unit = unit_of(c.channel)
        why += "; unit assumed"
    else:
        found = units.convert(c.channel, unit)
        if found is not None:
            factor, offset = found.factor, found.offset
    applied = calibration.get(f"{c.channel}:{c.part}") if c.part is not None else None
    applied = applied or calibration.get(c.channel)
    if applied is not None:
        factor, offset = factor * applied.scale, offset * applied.scale + applied.offset
        why += f"; calibrated: {applied.scale:g} x reading + {applied.offset:g}"
    return Use(
        index=i,
        channel=c.channel,
        part=c.part,
        unit=unit,
        factor=factor,
        offset=offset,
        why=why,
        by_unit=not c.strength,
    )


def _assign_parts(uses: tuple[Use, ...], notes: dict[int, str]) -> tuple[Use, ...]:
    """Join columns that name no part to the one that is named; with several, only what they can share stays."""
    parts = {u.part for u in uses if u.part is not None and u.channel not in SHARED}
    own = [u for u in uses if u.channel not in SHARED]
    # "CH101 (A)" beside "CH102 (V)": numbers of inputs, not of parts that have one channel each
    plain_numbers = len(parts) > 1 and len({u.channel for u in own}) == len(own) and all(u.by_unit for u in own)
    out = []
    for u in uses:
        if u.channel in SHARED:
            out.append(replace(u, part=None))
        elif plain_numbers and u.part is not None:
            out.append(replace(u, part=None, why=u.why + "; its number is that of the instrument's input"))
        elif u.part is None and len(parts) == 1:
            out.append(replace(u, part=next(iter(parts))))
        elif (
            u.part is None
            and len(parts) > 1
            and u.channel in {"position_deg", "current_a", "pressure_kpa", "pressure_abs_kpa"}
        ):
            notes[u.index] = "not used: it names no part, while other columns do"
        else:
            out.append(u)
    return tuple(out)


def _refuse_missing(
    dialect: Dialect, name: str, kind: Kind, uses: tuple[Use, ...], time: tuple[int, ...],
    channels: Mapping[str, Channel],
) -> None:  # fmt: skip
    have = {u.channel for u in uses} | ({"time_s"} if time else set())
    for group in REQUIRED[kind]:
        if not have & set(group):
            hint = next(
                (
                    f"; column {i + 1} looks like {g}"
                    for i, n in enumerate(dialect.names)
                    if n and (g := nearest(n, channels)) in group
                ),
                "",
            )
            raise LogError(
                f"no column for {' or '.join(group)}: not a {kind} log as it stands{hint}", path=name,
                line=dialect.header_line or dialect.first_data_line,
                do=f"map one with columns in the register; the log has {_listing(dialect)}",
            )  # fmt: skip


def _listing(dialect: Dialect) -> str:
    if any(dialect.names):
        names = [f'{i + 1} "{n}"' for i, n in enumerate(dialect.names) if n]
        return ", ".join(names[:12]) + (" ..." if len(names) > 12 else "")
    return f"{dialect.width} columns without names (use their numbers, from 1)"
