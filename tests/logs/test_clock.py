"""What is wrong with clocks: each case by hand, with the event, the times and the segments it must lead to."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pyarrow as pa
import pytest

from benchlab.errors import LogError
from benchlab.logs.intervals import Intervals
from benchlab.logs.stamps import _plain, find_form, parse_stamps


def log_of(times: Iterable[object], header: str = "t_s") -> str:
    return f"{header},current_A\n" + "".join(f"{t},{i % 7}.5\n" for i, t in enumerate(times))


def kinds(log) -> list[str]:
    return [e.kind for e in log.events]


def times(log) -> np.ndarray:
    return log.tables[""]["time_s"].to_numpy()


def test_a_sound_clock_is_left_alone(read) -> None:
    log = read(log_of([5.0, 5.1, 5.2, 5.3]))
    assert times(log) == pytest.approx([0, 0.1, 0.2, 0.3])  # s from the first row
    assert (log.time_start, log.time_end, log.sampling_s, log.gaps, log.events) == ("5", "5.3", 0.1, 0, ())


@pytest.mark.parametrize(("header", "step"), [("t_us", 10_000), ("t_ms", 100)])
def test_a_counter_of_32_bits_that_wraps_runs_on(read, header: str, step: int) -> None:
    log = read(log_of(((2**32 - 20 * step + i * step) % 2**32 for i in range(60)), header))
    assert kinds(log) == ["counter_wrap"]
    unit = 1e-6 if header == "t_us" else 1e-3
    assert times(log) == pytest.approx(np.arange(60) * step * unit, abs=1e-6)  # float64 of 4e6 s: 1e-9
    assert log.rows == 60


def test_a_restart_begins_a_segment(read) -> None:
    log = read(log_of([i % 40 for i in range(60)]))
    assert kinds(log) == ["clock_restart"]
    assert log.tables[""]["segment"].to_list() == [0] * 40 + [1] * 20
    assert (np.diff(times(log)) > 0).all()
    assert log.events[0].time_s == 39


def test_a_row_that_stands_twice_is_set_aside(read) -> None:
    log = read(log_of([0, 1, 2, 2, 3, *range(4, 40)]))
    assert kinds(log) == ["duplicate_time"]
    assert (log.rows, log.rows_rejected) == (40, 1)
    assert log.rejected.iloc[0].to_dict() == {
        "file": "log.csv", "line": 5, "column": "t_s", "value": "2", "rule": "time stamp repeated",
    }  # fmt: skip


def test_rows_out_of_order_are_put_in_their_place(read) -> None:
    log = read(log_of([0, 1, 4, 2, 3, 5, *range(6, 40)]))
    assert kinds(log) == ["out_of_order"]
    assert times(log).tolist() == list(range(40))
    assert log.tables[""]["current_a"].iloc[:6].to_list() == [0.5, 1.5, 3.5, 4.5, 2.5, 5.5]
    assert log.rows_rejected == 0


@pytest.mark.parametrize("wrong", [9999, 0.5])
def test_one_stamp_far_off_is_set_aside(read, wrong: float) -> None:
    stamps: list[float] = list(range(400))
    stamps[300] = wrong
    log = read(log_of(stamps))
    assert (log.rows, log.rows_rejected) == (399, 1)
    assert log.rejected["line"].to_list() == [302]
    assert kinds(log) == ["out_of_order"]
    assert (log.tables[""]["segment"] == 0).all()


def test_a_gap_is_told_and_not_filled(read) -> None:
    log = read(log_of([*range(50), *range(110, 160)]))
    assert [(e.kind, e.time_s, e.size_s) for e in log.events] == [("gap", 49, 61)]
    assert log.gaps == 1
    assert log.rows == 100


def test_a_log_written_on_events_has_no_gaps(read) -> None:
    steps = [1.0] * 20 + [60.0] * 10
    log = read(log_of(np.cumsum(steps * 4)))
    assert log.gaps == 0


def test_stamps_coarser_than_the_rows_are_spread(read) -> None:
    log = read(log_of(i // 5 for i in range(100)))
    assert kinds(log) == ["duplicate_time"]
    assert times(log) == pytest.approx(np.arange(100) * 0.2)
    assert log.rows == 100


def test_midnight_passes(read) -> None:
    seconds = [86_340 + 10 * i for i in range(20)]
    log = read(log_of((f"{s // 3600 % 24:02d}:{s // 60 % 60:02d}:{s % 60:02d}" for s in seconds), "Time"))
    assert kinds(log) == ["counter_wrap"]
    assert times(log) == pytest.approx(np.arange(20) * 10)


def local(seconds: Iterable[int], base: str) -> list[str]:
    return [str(np.datetime64(base) + np.timedelta64(s, "s")).replace("T", " ") for s in seconds]


def test_local_time_put_back_by_an_hour_runs_on(read) -> None:
    before = range(0, 3600, 60)
    stamps = local(before, "2024-10-27T02:00:00") + local(range(0, 7200, 60), "2024-10-27T02:00:00")
    log = read(log_of(stamps, "Date Time"))
    assert [(e.kind, e.size_s) for e in log.events] == [("offset_change", 3600)]
    assert times(log) == pytest.approx(np.arange(180) * 60)


def test_local_time_put_forward_by_an_hour_runs_on(read) -> None:
    stamps = local(range(0, 3600, 60), "2024-03-31T01:00:00") + local(range(0, 3600, 60), "2024-03-31T03:00:00")
    log = read(log_of(stamps, "Date Time"))
    assert [(e.kind, e.size_s) for e in log.events] == [("offset_change", -3600)]
    assert times(log) == pytest.approx(np.arange(120) * 60)


def test_an_hour_without_rows_on_a_weekday_is_a_gap(read) -> None:
    stamps = local(range(0, 3600, 60), "2024-04-03T01:00:00") + local(range(0, 3600, 60), "2024-04-03T03:00:00")
    log = read(log_of(stamps, "Date Time"))
    assert kinds(log) == ["gap"]


def test_stamps_that_carry_their_offset_are_one_time_scale(read) -> None:
    stamps = [f"2024-10-27T02:{m:02d}:00+02:00" for m in range(60)] + [
        f"2024-10-27T02:{m:02d}:00+01:00" for m in range(60)
    ]
    log = read(log_of(stamps, "timestamp"))
    assert [(e.kind, e.size_s) for e in log.events] == [("offset_change", -3600)]
    assert times(log) == pytest.approx(np.arange(120) * 60)
    assert log.time_start == "2024-10-27T02:00:00+02:00"


@pytest.mark.parametrize(
    ("stamps", "message"),
    [
        (range(50, 0, -1), "log.csv:3: the clock runs backwards from here"),
        ([5] * 50, "log.csv:2: the clock stands still"),
        (np.random.default_rng(1).permutation(200), "the (clock runs backwards|time stamps are in no order)"),
    ],
)
def test_a_clock_that_is_none_is_refused(read, stamps: Iterable[object], message: str) -> None:
    with pytest.raises(LogError, match=message):
        read(log_of(stamps), "current_draw")


@pytest.mark.parametrize(
    ("stamp", "start"),
    [
        ("2024-05-06 12:00:{:02d}", "2024-05-06T12:00:00"),
        ("2024-05-06T12:00:{:02d}Z", "2024-05-06T12:00:00+00:00"),
        ("2024/05/06 12:00:{:02d}.250", "2024-05-06T12:00:00.250000"),
        ("16.05.2024 12:00:{:02d}", "2024-05-16T12:00:00"),
        ("06.05.2024 12:00:{:02d}", "2024-05-06T12:00:00"),  # points: day first wherever they are used
        ("16/05/24 12:00:{:02d}", "2024-05-16T12:00:00"),
        ("05/16/2024 11:00:{:02d} PM", "2024-05-16T23:00:00"),
        ("16-May-2024 12:00:{:02d}", "2024-05-16T12:00:00"),
        ("May 16 2024 12:00:{:02d}", "2024-05-16T12:00:00"),
        ("20240516T1200{:02d}", "2024-05-16T12:00:00"),
        ("Thu May 16 12:00:{:02d} 2024", "2024-05-16T12:00:00"),
    ],
)
def test_calendar_forms(read, stamp: str, start: str) -> None:
    log = read(log_of((stamp.format(i) for i in range(30)), "timestamp"))
    assert log.kind == "current_draw"
    assert log.time_start == start
    assert times(log) == pytest.approx(np.arange(30))


def test_date_time_and_milliseconds_in_three_columns(read) -> None:
    rows = "".join(f"2024/05/06,12:00:{i // 8:02d},{i % 8 * 125},1.5\n" for i in range(40))
    log = read("Date,Time,ms,current_A\n" + rows)
    assert times(log) == pytest.approx(np.arange(40) * 0.125)


def test_day_and_month_that_cannot_be_told_apart_are_asked_about(read) -> None:
    text = log_of((f"05/06/2024 12:{i:02d}:00" for i in range(30)), "Date Time")
    with pytest.raises(LogError, match=r'day and month cannot be told apart.*time_format = "%d/%m/%Y'):
        read(text, "current_draw")
    log = read(text, "current_draw", time_format="%d/%m/%Y %H:%M:%S")
    assert log.time_start == "2024-06-05T12:00:00"


def test_the_field_that_moves_is_the_day(read) -> None:
    log = read(log_of((f"05/{1 + i // 6:02d}/2024 {i % 6 * 4:02d}:00:00" for i in range(60)), "Date Time"))
    assert log.time_start == "2024-05-01T00:00:00"


def test_seconds_since_1970_are_known_by_their_size(read) -> None:
    log = read(log_of((1_700_000_000_000 + 100 * i for i in range(30)), "time"))
    assert log.time_start == "2023-11-14T22:13:20Z"
    assert times(log) == pytest.approx(np.arange(30) * 0.1)


def test_repairs_do_not_depend_on_where_blocks_end(read, monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(4)
    stamps = np.arange(3000)
    for i in range(50, 2900, 97):  # a late row now and then
        stamps[[i, i + 2]] = stamps[[i + 2, i]]
    stamps[2000:] -= 1900
    text = log_of(stamps)
    whole = read(text, "current_draw")
    monkeypatch.setattr("benchlab.logs.source.BLOCK", int(rng.integers(900, 1100)))
    pieces = read(text, "current_draw")
    assert whole.tables[""].equals(pieces.tables[""])
    assert kinds(whole) == kinds(pieces)


def test_quantiles_of_intervals_are_right_to_a_per_cent() -> None:
    sizes = np.random.default_rng(2).lognormal(0, 1, 20_000)
    found = Intervals()
    for part in np.array_split(sizes, 7):
        found.add(np.zeros(len(part)), part)
    for share in (0.05, 0.5, 0.95):
        assert found.quantile(share) == pytest.approx(np.quantile(sizes, share), rel=0.02)  # bins of 1.2 %


@pytest.mark.parametrize("step", [0.001, 0.01, 0.03, 0.07, 0.2, 1.0])
def test_a_pause_of_just_the_limit_is_no_gap(step: float) -> None:
    stamps = np.cumsum(np.where(np.arange(5000) % 100 == 50, 5, 1)) * step
    found = Intervals()
    found.add(stamps[:-1], np.diff(stamps))
    found.add(np.array([stamps[-1]]), np.array([6 * step]))
    assert found.gaps(5) == [(stamps[-1], 6 * step)]


def test_a_clock_that_stops_late_costs_its_rows_and_no_time(read) -> None:
    log = read(
        log_of([*range(2000), *[1999] * 60_000]), "current_draw"
    )  # one look at the rest per row would take minutes
    assert (log.rows, log.rows_rejected) == (2000, 60_000)
    assert set(kinds(log)) == {"duplicate_time"}
    assert len(log.events) < 5


def test_a_clock_that_turns_back_late_is_refused(read, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("benchlab.logs.source.BLOCK", 5000)  # the turn must not stand in the first block
    with pytest.raises(LogError, match="the clock goes back again and again"):
        read(log_of([*range(10_000), *range(9_000, 0, -1)]), "current_draw")


@pytest.mark.parametrize("wrong", ["1e30", "-5", "999999", "116000"])
def test_a_time_in_plain_numbers_that_cannot_be_is_rejected(read, wrong: str) -> None:
    stamps = [f"1159{i:02d}" for i in range(40)]
    text = "Date,Time,current_A\n" + "".join(f"20240516,{t},1.5\n" for t in stamps)
    log = read(text + f"20240516,{wrong},1.5\n", "current_draw")
    assert (log.rows, log.rejected["line"].to_list()) == (40, [42])


IN_FULL = [
    ["2024-05-16 11:59:50", "2024-05-16 11:59"], ["2024-05-16T11:59:50.123456789", None],
    ["2024-05-16T11:59:50Z", "2024-05-16T12:00:01.5Z"], ["2024-05-16T11:59:50-03:30", "2024-05-16T12:00:01-03:30"],
    ["2024/05/16 11:59:50", "2024/05/17_11:59:50"], ["16.05.2024 11:59:50", "31.12.2023 23:59:59.9"],
    ["05/16/2024 11:59:50", "12/31/2023 23:59"], ["11:59:50", "23:59:59.25", "00:00"],
]  # fmt: skip
NOT_IN_FULL = [
    ["2024-05-16T11:59:50+02:00", "2024-05-16T12:00:01+01:00"], ["11:59:50.5", "124:00:01"], ["11:59:50", "soon"],
    ["2024-05-16 11:59", "2024-05-16 11"], ["2024-05-16", "2024-05-16 11:59:50"], ["11:59:50", "11"],
    ["2024-02-30 11:59:50", "2024-05-16 11:59:50"], ["2024-05-16 24:00:00", "2024-05-16 23:00:00"],
    ["1700-05-16 11:59:50", "2024-05-16 11:59:50"], ["16.05.2024 11:59:50", "2024-05-16 11:59:50"],
    ["2024-05-16 11:59:50", "16.05.2024 11:59:50"], ["2024-05-16T11:59:50Z", "2024-05-16T12:00:01"],
]  # fmt: skip


@pytest.mark.parametrize("stamps", IN_FULL + NOT_IN_FULL)
def test_the_short_way_to_parse_stamps_says_what_the_long_one_says(stamps: list[str], monkeypatch) -> None:
    text, hint = pa.array(stamps), "mm/dd" if "/" in stamps[0] else ""
    form = find_form(stamps[:1], name="log", column="t", order_hint=hint)
    assert form is not None
    assert (stamps in IN_FULL) == (_plain(text, form) is not None)
    short = parse_stamps(text, form)
    monkeypatch.setattr("benchlab.logs.stamps._plain", lambda *_: None)
    long = parse_stamps(text, form)
    assert short.good.tolist() == long.good.tolist()
    assert short.ns[short.good].tolist() == long.ns[long.good].tolist()
    assert (short.offset_s is None) == (long.offset_s is None)
    if short.offset_s is not None and long.offset_s is not None:
        assert short.offset_s[short.good].tolist() == long.offset_s[long.good].tolist()
