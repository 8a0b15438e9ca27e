"""Logs of our own that are hard to read, each with what must be read from it: clocks, counters, cells, shapes, printed labels.

Written by hand for this project (invented data); none imitates a product. What the truth leaves out is not checked.
"""
# ruff: noqa: E501 - a log in a line or two is easier to check by eye

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from tests.logs.nasty_tools import POS, TI, TIU, I, N, P, T, U, cells, log, plain, table


def add_all() -> None:
    """Add the logs of this module to the collection."""
    for part in (_clocks, _counters, _cells, _shapes, _prints):
        part()


# --- clocks ---------------------------------------------------------------------------------------------------------


def stamps(start: str, form: Callable[[np.datetime64], str], step_ms: int = 1000) -> list[str]:
    """Write N stamps."""
    return [form(np.datetime64(start, "ms") + np.timedelta64(k * step_ms, "ms")) for k in range(N)]


def strf(pattern: str) -> Callable[[np.datetime64], str]:
    """Return a writer of stamps (``%f`` as milliseconds)."""

    def write(moment: np.datetime64) -> str:
        m = moment.astype(object)
        return str(m.strftime(pattern.replace("%f", f"{m.microsecond // 1000:03d}")))

    return write


def _clocks() -> None:
    s = np.arange(N, dtype=float)
    one = {"time_s": s, "current_a": I}
    half = {"time_s": s / 2, "current_a": I}
    for name, start, pattern, step in (
        ("d.m.y", "2024-05-16T11:59:50", "%d.%m.%Y %H:%M:%S", 1000),
        ("d.m.y short", "2024-05-16T11:59:50", "%d.%m.%y %H:%M:%S", 1000),
        ("m/d/y twelve-hour", "2024-05-16T11:59:50", "%m/%d/%Y %I:%M:%S %p", 1000),
        ("m/d/y twelve-hour past midnight", "2024-05-16T23:59:50", "%m/%d/%Y %I:%M:%S %p", 1000),
        ("y/m/d", "2024-05-16T11:59:50", "%Y/%m/%d %H:%M:%S", 1000),
        ("y.m.d", "2024-05-16T11:59:50", "%Y.%m.%d %H:%M:%S", 1000),
        ("iso with comma fraction", "2024-05-16T11:59:50", "%Y-%m-%d %H:%M:%S,%f", 500),
        ("iso with point fraction", "2024-05-16T11:59:50", "%Y-%m-%dT%H:%M:%S.%f", 500),
        ("iso zulu", "2024-05-16T11:59:50", "%Y-%m-%dT%H:%M:%S.%fZ", 500),
        ("iso offset", "2024-05-16T11:59:50", "%Y-%m-%dT%H:%M:%S.%f+02:00", 500),
        ("compact", "2024-05-16T11:59:50", "%Y%m%dT%H%M%S", 1000),
        ("compact with blank", "2024-05-16T11:59:50", "%Y%m%d %H%M%S", 1000),
        ("compact without anything", "2024-05-16T11:59:50", "%Y%m%d%H%M%S", 1000),
        ("underscore", "2024-05-16T11:59:50", "%Y-%m-%d_%H:%M:%S", 1000),
        ("dashes in the time", "2024-05-16T11:59:50", "%Y-%m-%d_%H-%M-%S", 1000),
        ("month by name", "2024-05-16T11:59:50", "%d-%b-%Y %H:%M:%S", 1000),
        ("month first by name", "2024-05-16T11:59:50", "%b %d, %Y %H:%M:%S", 1000),
        ("time before date", "2024-05-16T11:59:50", "%H:%M:%S %d.%m.%Y", 1000),
        ("seconds with colon fraction", "2024-05-16T11:59:50", "%d.%m.%Y %H:%M:%S:%f", 500),
    ):
        want = one if step == 1000 else half
        log(
            f"stamps {name}",
            table(["timestamp;current_A"], [stamps(start, strf(pattern), step), cells(I, 3)], ";"),
            want,
        )
    for name, start, pattern, step in (
        ("time of day", "2024-05-16T11:59:50", "%H:%M:%S", 1000),
        ("time of day over midnight", "2024-05-16T23:59:50", "%H:%M:%S", 1000),
        ("time of day with comma fraction", "2024-05-16T11:59:50", "%H:%M:%S,%f", 500),
        ("twelve-hour time of day over noon", "2024-05-16T11:59:50", "%I:%M:%S %p", 1000),
    ):
        events = ("counter_wrap",) if "midnight" in name else ()
        want = one if step == 1000 else half
        log(
            name, table(["Time;current_A"], [stamps(start, strf(pattern), step), cells(I, 3)], ";"), want, events=events
        )
    log(
        "minutes and seconds",
        table(
            ["Elapsed (mm:ss);current_A"],
            [[f"{k // 60:02d}:{k % 60:02d}" for k in range(50, 50 + N)], cells(I, 3)],
            ";",
        ),
        one,
    )
    log("elapsed h:mm:ss past a day", table(["Elapsed time,current_A"],
        [[f"{k // 3600}:{k // 60 % 60:02d}:{k % 60:02d}" for k in range(86_390, 86_390 + N)], cells(I, 3)]), one)  # fmt: skip
    two = [stamps("2024-05-16T23:59:50", strf("%d.%m.%Y")), stamps("2024-05-16T23:59:50", strf("%H:%M:%S"))]
    log("date and time over midnight", table(["Datum;Uhrzeit;Strom (A)"], [*two, cells(I, 3, ",")], ";"), one)
    log("time and date, time first", table(["Time;Date;Current (A)"], [two[1], two[0], cells(I, 3)], ";"), one)
    log("date and time as whole numbers", table(["Date,Time,Current (A)"],
        [stamps("2024-05-16T11:59:50", strf("%Y%m%d")), stamps("2024-05-16T11:59:50", strf("%H%M%S")), cells(I, 3)]), one)  # fmt: skip
    log("year, month, day, hour, minute, second", table(["Year,Month,Day,Hour,Minute,Second,Current (A)"],
        [stamps("2024-05-16T11:59:50", strf(f"%{x}")) for x in "YmdHMS"] + [cells(I, 3)]), one)  # fmt: skip
    log("stamp and milliseconds", table(["Timestamp,ms,Current (A)"],
        [stamps("2024-05-16T11:59:50", strf("%Y-%m-%d %H:%M:%S"), 500), [str(k % 2 * 500) for k in range(N)], cells(I, 3)]), half)  # fmt: skip
    for unit, factor in (("s", 1), ("ms", 1000), ("us", 10**6), ("ns", 10**9)):
        log(f"since 1970 in {unit}", table(["timestamp,current_A"], [[str((1_715_860_790 + k) * factor) for k in range(N)], cells(I, 3)]),
            one, dialect={"time_start": "2024-05-16T11:59:50Z"})  # fmt: skip
    log(
        "since 1970 with a fraction",
        table(["timestamp,current_A"], [[f"{1_715_860_790 + k / 2:.3f}" for k in range(N)], cells(I, 3)]),
        half,
    )
    log("spreadsheet day numbers", table(["Date Time,Current (A)"], [[f"{45428.5 + k / 86400:.9f}" for k in range(N)], cells(I, 3)]),
        one, tolerance=1e-4, dialect={"time_start": "2024-05-16T12:00:00"})  # fmt: skip
    offset = [f"2024-10-27T02:59:{k:02d}+02:00" for k in range(50, 60)] + [
        f"2024-10-27T02:00:{k:02d}+01:00" for k in range(30)
    ]
    log("offset changes", table(["timestamp,current_A"], [offset, cells(I, 3)]), one, events=("offset_change",))
    log("low-resolution clock", table(["Time,current_A"], [[f"12:00:{k // 10:02d}" for k in range(N)], cells(I, 3)]), TI,
        events=("duplicate_time",))  # fmt: skip
    first = [f"12:00:{(k + 7) // 10:02d}" for k in range(N)]
    log(
        "low-resolution clock, begun within a second",
        table(["Time,current_A"], [first, cells(I, 3)]),
        TI,
        events=("duplicate_time",),
    )
    log("minute stamps", table(["Date;Current (A)"], [stamps("2024-05-16T11:30", strf("%d.%m.%Y %H:%M"), 60_000), cells(I, 3)], ";"),
        {"time_s": s * 60, "current_a": I})  # fmt: skip


def _counters() -> None:
    for bits, unit, header, step in (
        (16, 1e-3, "t_ms", 100),
        (32, 1e-3, "millis", 100),
        (32, 1e-6, "t_us", 100_000),
        (24, 1e-6, "t_us", 100_000),
    ):
        log(f"{bits}-bit counter, {header}", table([f"{header},current_A"],
            [[str((2**bits - 1050 * step // 100 + k * step) % 2**bits) for k in range(N)], cells(I, 3)]),
            {"time_s": np.arange(N) * step * unit, "current_a": I}, events=("counter_wrap",))  # fmt: skip
    log(
        "restart",
        table(["t_s,current_A"], [cells(np.r_[T[:25], T[:15]], 1), cells(I, 3)]),
        {"current_a": I},
        events=("clock_restart",),
    )
    log("a stamp stands twice", table(["t_s,current_A"], [cells(np.r_[T[:20], T[19:-1]], 1), cells(I, 3)]),
        {"time_s": np.delete(np.r_[T[:20], T[19:-1]], 20)}, rejected=(22,), events=("duplicate_time",))  # fmt: skip
    log("minutes", table(["Time (min),current_A"], [cells(T, 1), cells(I, 3)]), {"time_s": T * 60, "current_a": I})
    log("hours", table(["Time (h);Druck (mbar)"], [cells(T, 1, ","), cells(P * 10, 1, ",")], ";"),
        {"time_s": T * 3600, "pressure_kpa": P}, kind="tank_pressure")  # fmt: skip


# --- cells ----------------------------------------------------------------------------------------------------------


def _cells() -> None:
    holes = np.array([k % 7 == 3 for k in range(N)])
    gone = np.where(holes, np.nan, I)
    for word in (
        "inf",
        "#N/A",
        "NaN",
        "OL",
        "----",
        "n/a",
        "null",
        "Overload",
        "+OVER",
        "N.A.",
        "-",
        "#DIV/0!",
        "NULL",
        "OUT OF RANGE",
        "disconnected",
    ):
        cell = [word if h else c for h, c in zip(holes, cells(I, 3), strict=True)]
        log(f"missing word {word}", table(["t_s,current_A"], [cells(T, 1), cell]), {"time_s": T, "current_a": gone})
    log("unit in the cell", table(["Time,Current,Voltage"], [[f"{c} s" for c in cells(T, 1)], [f"{c} A" for c in cells(I, 3)],
        [f"{c}V" for c in cells(U, 3)]]), TIU)  # fmt: skip
    ranged = [f"{x:.3f} A" if x >= 1 else f"{x * 1000:.0f} mA" for x in I]
    log("unit in the cell, changing with the range", table(["Time (s);Current"], [cells(T, 1), ranged], ";"), TI)
    log(
        "value and unit in columns of their own",
        table(["Time (s);Current;Unit"], [cells(T, 1), cells(I * 1000, 0), ["mA"] * N], ";"),
        {},
        kind="current_draw",
    )
    log(
        "booleans beside",
        table(["t_s,current_A,on,limit"], [cells(T, 1), cells(I, 3), ["TRUE"] * N, ["false"] * N]),
        TI,
    )
    log(
        "hexadecimal status beside",
        table(["t_s,current_A,status"], [cells(T, 1), cells(I, 3), [f"0x{k:04X}" for k in range(N)]]),
        TI,
    )
    log("apostrophe before numbers", table(["t_s,current_A"], [cells(T, 1), [f"'{c}" for c in cells(I, 3)]]), TI)
    log(
        "equals signs of a spreadsheet",
        table(["t_s;current_A"], [[f'="{c}"' for c in cells(T, 1)], [f'="{c}"' for c in cells(I, 3)]], ";"),
        TI,
    )


# --- shapes ---------------------------------------------------------------------------------------------------------


def _shapes() -> None:
    log(
        "one column",
        table(["Current (A)"], [cells(I, 3)]),
        {},
        kind=None,
        dialect={"header_line": 1, "rows": N, "delimiter": ""},
    )
    log(
        "one column with decimal comma",
        table(["Strom (A)"], [cells(I, 3, ",")]),
        {},
        kind=None,
        dialect={"rows": N, "decimal": ","},
    )
    log("one row", "t_s,current_A\n0.0,1.234\n", {"time_s": [0.0], "current_a": [1.234]})
    log("two rows", "Zeit (s);Druck (mbar)\n0;125,0\n14400;118,2\n", {"time_s": [0, 14400], "pressure_kpa": [12.5, 11.82]},
        kind="tank_pressure", dialect={"decimal": ","})  # fmt: skip
    log("manual readings", "Uhrzeit;Druck [mbar]\n9:05;150\n10:05;147\n11:10;143\n13:05;138\n",
        {"time_s": [0, 3600, 7500, 14400], "pressure_kpa": [15.0, 14.7, 14.3, 13.8]}, kind="tank_pressure")  # fmt: skip
    wide = {f"pos{k}_deg": cells(POS + k / 10, 2) for k in range(1, 101)} | {
        f"I{k}_mA": cells(I * 1000 + k, 0) for k in range(1, 101)
    }
    log("200 columns", table([",".join(["t_s", *wide])], [cells(T, 1), *wide.values()]),
        {"77:time_s": T, "77:position_deg": POS + 7.7, "100:current_a": I + 0.1}, kind="servo_cycling")  # fmt: skip


# --- what programs print --------------------------------------------------------------------------------------------


def _prints() -> None:
    log(
        "labels in the cells",
        "".join(
            f"t_s:{t},current_A:{i},voltage_V:{u}\n"
            for t, i, u in zip(cells(T, 1), cells(I, 3), cells(U, 3), strict=True)
        ),
        TIU,
    )
    log(
        "labels and equals signs",
        "".join(f"t={t} s; I={i} A; U={u} V\n" for t, i, u in zip(cells(T, 1), cells(I, 3), cells(U, 3), strict=True)),
        TIU,
    )
    log(
        "labels apart from values",
        "".join(
            f"Time: {t} Current: {i} Voltage: {u}\n"
            for t, i, u in zip(cells(T, 1), cells(I, 3), cells(U, 3), strict=True)
        ),
        TIU,
    )
    log("host time before an arrow", "".join(f"12:00:0{k // 10}.{k % 10}00 -> {i},{u}\n" for k, (i, u) in enumerate(zip(cells(I, 3), cells(U, 3), strict=True))),
        {}, kind=None, dialect={"rows": N})  # fmt: skip
    log(
        "words of a start-up before the data",
        "boot\nsensor found at 0x40\ncalibrating... done\n" + plain(),
        TIU,
        dialect={"header_line": 4},
    )
