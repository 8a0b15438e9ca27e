"""Headers as hobby and bench loggers write them, and what they must (not) be taken for."""

from __future__ import annotations

import pytest

from benchlab.errors import LogError
from benchlab.logs.channels import nearest, read_header, read_override
from benchlab.procedure import Procedures

SERVO = [
    ("Current (mA)", "current_a", None, "mA"),
    ("I [A]", "current_a", None, "A"),
    ("t_ms", "time_s", None, "ms"),
    ("pos1", "position_deg", "1", None),
    ("Current 2 (mA)", "current_a", "2", "mA"),
    ("Time(s)", "time_s", None, "s"),
    ("Current_J0", "current_a", "0", None),
    ("Temperature_T0", "temperature_c", "0", None),
    ("cycle ", "cycle", None, None),
    ("S1_pos_deg", "position_deg", "1", "deg"),
    ("servo1_current_mA", "current_a", "1", "mA"),
    ("I1_mA", "current_a", "1", "mA"),
    ("current_a", "current_a", None, "a"),
    ("current_a:1", "current_a", "1", "a"),
    ("Strom 1 [mA]", "current_a", "1", "mA"),
    ("Temp. 1 / °C", "temperature_c", "1", "°C"),
    ("T [°C]", "temperature_c", None, "°C"),
    ("CH1 (A)", "current_a", "1", "A"),
    ("Current(1) [mA]", "current_a", "1", "mA"),
    ("Servo[2].current", "current_a", "2", None),
    ("Soll [µs]", "command_us", None, "µs"),
    ("Pulse width (us)", "command_us", None, "us"),
    ("millis", "time_s", None, "millis"),
    ("CURRENT_MA", "current_a", None, "ma"),
    ("Zeit in ms", "time_s", None, "ms"),
    ("Left current (A)", "current_a", "left", "A"),
    ("Position [deg] #2", "position_deg", "2", "deg"),
    ("Case temp, °C (serial no: a17-x)", "temperature_c", None, "°C"),
    ("Battery voltage (V)", "voltage_v", None, "V"),
]


@pytest.mark.parametrize(("header", "channel", "part", "unit"), SERVO)
def test_header_is_understood(procedures: Procedures, header: str, channel: str, part: str, unit: str) -> None:
    best = read_header(header, "", procedures.servo.channels)[0]
    assert (best.channel, best.part, best.unit) == (channel, part, unit)


@pytest.mark.parametrize(
    "header", ["Tool_current", "Power (W)", "StepTime(s)", "P (W)", "t1", "position setpoint (us)"]
)
def test_header_that_means_something_else_is_left_alone(procedures: Procedures, header: str) -> None:
    assert read_header(header, "", procedures.servo.channels) == []


@pytest.mark.parametrize("header", ["I (a ¹)", "Current (s " + "9" * 5000 + ")", "pos " + "9" * 400, "Current ٣"])
def test_odd_digits_in_a_header_are_no_fault(procedures: Procedures, header: str) -> None:
    read_header(header, "", procedures.servo.channels)


def test_a_header_not_understood_gets_the_nearest_guess(procedures: Procedures) -> None:
    assert nearest("Tool_current", procedures.servo.channels) == "current_a"
    assert nearest("grip_lost", procedures.servo.channels) is None


def test_the_units_row_wins_over_the_name(procedures: Procedures) -> None:
    assert read_header("Current", "[mA]", procedures.servo.channels)[0].unit == "mA"


def test_override_is_channel_part_and_unit() -> None:
    assert read_override("current_a:1 [mA]") == ("current_a", "1", "mA")
    assert read_override("time_s [ms]") == ("time_s", None, "ms")
    assert read_override("position_deg:left inner") == ("position_deg", "left inner", None)
    assert read_override("2 amps") is None


def rows(n: int, *values: str) -> str:
    return "".join(",".join([str(i), *values]) + "\n" for i in range(n))


def test_letters_beside_each_other_are_parts_not_amperes(read) -> None:
    log = read("t_s,pos_a,pos_b,current_a,current_b\n" + rows(9, "1", "2", "0.1", "0.2"), "servo_cycling")
    assert list(log.tables) == ["a", "b"]
    assert log.tables["b"]["current_a"].to_list() == [0.2] * 9


def test_two_columns_that_claim_one_channel_are_asked_about(read) -> None:
    text = "t_s,Current (A),current [mA]\n" + rows(9, "1", "2")
    for kind in ("current_draw", None):
        with pytest.raises(LogError, match=r'log.csv:1: columns 2 \("Current \(A\)"\) and 3 .* both claim current_a'):
            read(text, kind)
    log = read(text, "current_draw", columns={"2": "current_a:1", "3": "current_a:2 [mA]"})
    assert log.tables["2"]["current_a"].to_list() == [0.002] * 9


def test_units_that_do_not_fit_are_an_error(read) -> None:
    for kind in ("tank_pressure", None):
        with pytest.raises(LogError, match=r'"Pressure \(A\)".*its unit "A" cannot be converted to kPa'):
            read("t_s,Pressure (A)\n" + rows(9, "1"), kind)


def test_what_all_parts_share_stands_in_every_table(read) -> None:
    log = read("t_ms,cmd_us,pos1,pos2,I1_mA,I2_mA,V\n" + rows(9, "1500", "1", "2", "100", "200", "7.4"))
    assert log.kind == "servo_cycling"
    assert {k: list(t) for k, t in log.tables.items()} == {
        k: ["time_s", "segment", "command_us", "voltage_v", "position_deg", "current_a"] for k in ("1", "2")
    }
    assert log.tables["2"]["current_a"].to_list() == [0.2] * 9
    assert log.tables["1"]["time_s"].iloc[-1] == pytest.approx(0.008)


def test_a_total_current_is_not_given_to_one_of_several_parts(read) -> None:
    log = read("t_ms,pos1,pos2,current_mA\n" + rows(9, "1", "2", "100"), "servo_cycling")
    assert "current_a" not in log.tables["1"]
    assert log.columns[3].why.startswith("not used: it names no part")


def test_a_long_log_is_cut_by_its_id_column(read) -> None:
    text = "time_ms,servo,position_deg\n" + "".join(f"{i * 20},S0{s},{i + s}\n" for i in range(9) for s in (1, 2))
    log = read(text, "servo_cycling")
    assert {k: len(t) for k, t in log.tables.items()} == {"S01": 9, "S02": 9}
    assert log.tables["S02"]["time_s"].iloc[-1] == pytest.approx(0.16)
    assert log.rows == 18


def test_calibration_is_applied_after_the_unit(read) -> None:
    log = read(
        "t_s,Current (mA)\n" + rows(9, "1000"),
        "current_draw",
        calibration={"current_a": {"scale": -2.0, "offset": 0.5}},
    )
    assert log.tables[""]["current_a"].to_list() == [-1.5] * 9
    assert "calibrated: -2 x reading + 0.5" in log.columns[1].why


def test_a_log_without_names_is_mapped_by_numbers(read) -> None:
    text = "".join(
        f"{i}.{i % 10}00.000;3.6;7.3\n".replace(f"{i}.{i % 10}00", f"{i * 1000:,}".replace(",", ".")) for i in range(9)
    )
    log = read(text, "tank_pressure", columns={"1": "time_s [ms]", "3": "pressure_kpa [bar]"})
    assert log.tables[""]["pressure_kpa"].to_list() == [730.0] * 9
    assert log.header_line is None


def test_parts_named_by_number_in_an_id_column(read) -> None:
    ids = ["2", "1", "", "2", "10"]
    text = "time_ms,servo,position_deg\n" + "".join(f"{i * 20},{ids[i % 5]},{i}\n" for i in range(50))
    log = read(text, "servo_cycling")
    assert {k: len(t) for k, t in log.tables.items()} == {"1": 10, "2": 20, "10": 10}
    assert log.tables["10"]["position_deg"].to_list() == list(range(4, 50, 5))
    assert (log.rows_rejected, set(log.rejected["rule"])) == (10, {"no servo is named"})
