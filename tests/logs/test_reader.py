"""What a reader must keep, set aside and tell: rows, line numbers, dialects by hand, description."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchlab.logs.cells import to_number
from benchlab.logs.describe import as_json, write_parquet
from benchlab.logs.reader import iter_batches
from benchlab.logs.schemas import canonical_schema, out_of_bounds
from benchlab.logs.screen import as_text
from benchlab.procedure import Procedures, load_procedures

ROWS = "".join(f"{i / 10:.1f},{i % 9}.5,7.4\n" for i in range(60))
HEADER = "t_s,current_A,voltage_V\n"


def test_rejected_rows_are_kept_with_line_column_value_and_rule(read) -> None:
    bad = "6.0,x1,7.4\n6.1,1.5\n6.2,1.5,7.4,9\n6.3,5000,7.4\nsoon,1.5,7.4\n"
    log = read(HEADER + ROWS + bad + '6.5,"1.5,7.4\n6.6,1', "current_draw")
    assert log.rows == 60
    assert log.rejected.drop(columns="file").to_numpy().tolist() == [
        [62, "current_A", "x1", "not a number"],
        [63, "", "6.1,1.5", "field count: 2 instead of 3"],
        [64, "", "6.2,1.5,7.4,9", "field count: 4 instead of 3"],
        [65, "current_A", "5000", "current_a outside -1000 to 1000"],
        [66, "t_s", "soon", "time is missing or not understood"],
        [67, "", '6.5,"1.5,7.4', "field count: 2 instead of 3 (a quote is not closed)"],
        [68, "", "6.6,1", "field count: 2 instead of 3"],
    ]


def test_overload_words_are_missing_values(read) -> None:
    words = ["OL", "OVLD", "---", "nan", "", "-1.#IND", "9.9E37"]
    log = read("t_s,current_A\n" + "".join(f"{i},{words[i % 7] if i % 5 == 4 else '1.5'}\n" for i in range(70)))
    assert (log.rows, log.rows_rejected) == (70, 0)
    assert log.columns[1].n_missing == 14
    assert int(log.tables[""]["current_a"].isna().sum()) == 14


@pytest.mark.parametrize(
    ("cell", "decimal", "value"),
    [
        ("1,234.5", ".", 1234.5), ("1.234,5", ",", 1234.5), ("1'234.5", ".", 1234.5), ("1 234,5", ",", 1234.5),
        ("-1,5e-3", ",", -1.5e-3), ("+2.", ".", 2.0), (".5", ".", 0.5), ("−3.5", ".", -3.5),
        ("151.303.000", ".", 151303.0), ("1.234.567", ",", 1234567.0),
        ("1,5", ".", None), ("12,34.5", ".", None), ("1.5", ",", None), ("", ".", None), ("x", ".", None),
    ],
)  # fmt: skip
def test_numbers_as_loggers_write_them(cell: str, decimal: str, value: float | None) -> None:
    assert to_number(cell, decimal) == value


@pytest.mark.parametrize(
    ("text", "header", "delimiter", "decimal", "rows"),
    [
        ("sep=;\nt_s;I [A]\n0,0;1,5\n0,1;1,6\n0,2;1,7\n", 2, ";", ",", 3),
        ("Time (s)   Current (A)\n0.0   1.5\n0.1   1.6\n0.2   1.7\n", 1, " ", ".", 3),
        ("# rate: 10\n# t_s, I_A\n0.0,1.5\n0.1,1.6\n0.2,1.7\n", 2, ",", ".", 3),
        ("Scale,1\nGain,2\nt_s,I_A\n0.0,1.5\n0.1,1.6\n0.2,1.7\n", 3, ",", ".", 3),
        ("Value\n1,5\n1,6\n1,75\n", 1, "", ",", 3),
        ("a,b\n100,200\n101,201\n102,202\n", 1, ",", ".", 3),
        ("100,200\n101,201\n102,202\n", None, ",", ".", 3),
        ("t_s,I_A,\n0.0,1.5\n0.1,1.6\n0.2,1.7\n", 1, ",", ".", 3),
    ],
)
def test_dialects_by_hand(read, text: str, header: int | None, delimiter: str, decimal: str, rows: int) -> None:
    log = read(text)
    assert (log.header_line, log.delimiter, log.decimal, log.rows) == (header, delimiter, decimal, rows)
    assert log.rows_rejected == 0


def test_a_stray_byte_late_in_a_log_makes_it_windows_text(read) -> None:
    log = read((HEADER + ROWS * 1).encode() + b"# 20 \xb0C\n6.0,1.5,7.4\n", "current_draw")
    assert log.rows == 61


def test_nul_padding_after_a_power_loss_is_no_row(read) -> None:
    log = read((HEADER + ROWS).encode() + bytes(10_000), "current_draw")
    assert (log.rows, log.rows_rejected) == (60, 0)


def test_batches_are_the_whole_log(tmp_path: Path, procedures: Procedures, read, monkeypatch) -> None:
    text = "t_ms,pos1,pos2\n" + "".join(f"{20 * i},{i % 50}.5,{i % 40}\n" for i in range(9000))
    whole = read(text, "servo_cycling")
    monkeypatch.setattr("benchlab.logs.source.BLOCK", 3000)
    batches = list(iter_batches(tmp_path / "log.csv", name="log.csv", procedures=procedures, kind="servo_cycling"))
    assert len(batches) > 10
    for part in ("1", "2"):
        joined = pd.concat([b[part] for b in batches], ignore_index=True)
        pd.testing.assert_frame_equal(joined, whole.tables[part])


LIMITS = load_procedures().servo.channels


@settings(max_examples=60, deadline=None)
@given(st.lists(st.one_of(st.floats(-400, 400), st.just(float("nan")), st.just(200.0)), min_size=1, max_size=20))
def test_quick_acceptance_says_what_the_schema_says(values: list[float]) -> None:
    import pandera.errors

    x = np.array(values)
    schema = canonical_schema(["position_deg:1"], LIMITS)
    found = out_of_bounds({"position_deg:1": x}, LIMITS)
    try:
        schema.validate(pd.DataFrame({"position_deg:1": x}), lazy=True)
        assert found == {}
    except pandera.errors.SchemaErrors:
        assert found["position_deg:1"].tolist() == [abs(v) > 200 for v in values]


def test_numbers_of_the_wrong_type_are_a_fault_of_the_program() -> None:
    with pytest.raises(TypeError, match=r"position_deg:1.*dtype\('float64'\)"):
        out_of_bounds({"position_deg:1": np.array([1, 2])}, LIMITS)


def test_description_names_every_key_of_the_contract(read) -> None:
    log = read(HEADER + ROWS + "6.0,x,7.4\n")
    found = as_json(log)
    assert list(found) == [
        "path", "sha256", "kind", "encoding", "bom", "delimiter", "decimal", "header_line", "units_line",
        "first_data_line", "columns", "rows", "rows_rejected", "time_start", "time_end", "sampling_s", "gaps", "events",
    ]  # fmt: skip
    assert found["columns"][1] | {"mean": None} == {
        "index": 2, "name": "current_A", "channel": "current_a", "part": None, "unit": "A", "n_numeric": 60,
        "n_missing": 0, "min": 0.5, "max": 8.5, "mean": None,
    }  # fmt: skip
    json.dumps(found, allow_nan=False)
    text = as_text(log)
    assert "60 kept, 1 rejected" in text
    assert "line 62" in text


def test_parquet_carries_its_provenance(tmp_path: Path, read) -> None:
    log = read("# bench: north\n" + HEADER + ROWS, "current_draw")
    write_parquet(log, tmp_path / "out.parquet")
    table = pq.read_table(tmp_path / "out.parquet")
    meta = json.loads(table.schema.metadata[b"benchlab"])
    assert meta["log"]["sha256"] == log.sha256
    assert meta["preamble"] == {"bench": "north"}
    pd.testing.assert_frame_equal(table.to_pandas(), log.tables[""])


def test_a_damaged_first_row_does_not_cost_the_header(read) -> None:
    log = read(HEADER + "0.0,1\n" + ROWS, "current_draw")
    assert (log.header_line, log.first_data_line, log.rows) == (1, 2, 60)
    assert log.rejected["line"].to_list() == [2]


def test_a_ruled_line_below_the_header_is_no_header(read) -> None:
    log = read("t_s | current_A\n----+----------\n" + "".join(f"{i} | 1.5\n" for i in range(30)), "current_draw")
    assert (log.header_line, log.first_data_line, log.rows) == (1, 3, 30)


def test_a_unit_in_both_name_and_units_row_is_read_once(read) -> None:
    log = read("t_ms,current_mA\nms,mA\n" + "".join(f"{100 * i},1500\n" for i in range(30)), "current_draw")
    assert log.tables[""]["current_a"].to_list() == [1.5] * 30


def test_the_description_of_six_columns_fits_one_screen(read) -> None:
    header = "# bench: north\n# rate: 10\nt_ms,command_us,position_deg,current_mA,supply_V,spare\n"
    rows = "".join(f"{100 * (i + 30 * (i > 50))},{1500 + i},{i % 9}.25,{i + 100},7.4,{i}\n" for i in range(90))
    log = read(
        header + rows + "1,2\nx,1,2,3,4,5\n9999,1500,500,1,7.4,1\n200,1,2,3,4,5\n300,1500,1,1,7.4,1\n", "servo_cycling"
    )
    text = as_text(log).splitlines()
    assert len(text) <= 24
    assert max(map(len, text)) <= 100
    joined = "\n".join(text)
    for said in (
        'name "command"',
        "[mA]",
        "1 gap",
        "10 Hz",
        "not used 6 spare",
        "field count: 2 instead of 6",
        "bench = north",
    ):
        assert said in joined


def test_the_description_of_200_columns_is_no_longer(read) -> None:
    names = [f"pos{k}_deg,current{k}_A" for k in range(1, 101)]
    log = read(f"t_s,{','.join(names)}\n" + "".join(f"{i},{','.join(['1.5'] * 200)}\n" for i in range(20)))
    text = as_text(log).splitlines()
    assert len(text) <= 24
    assert max(map(len, text)) <= 100
    assert "columns of the same channels for parts 2, 3 to 100" in "\n".join(text)


def test_a_unit_column_may_change_and_an_impossible_unit_is_rejected(read) -> None:
    units = ["mA" if i < 40 else "psi" if i == 45 else "A" for i in range(60)]
    log = read("Time (s),Current,Unit\n" + "".join(f"{i},{i},{u}\n" for i, u in enumerate(units)), "current_draw")
    assert log.tables[""]["current_a"].iloc[[1, 39, 41]].to_list() == pytest.approx([0.001, 0.039, 41.0])
    assert log.rejected.drop(columns="file").to_numpy().tolist() == [[47, "Current", "45 psi", "not a number"]]


@pytest.mark.parametrize("mark", ["#", "%", "//", "   #", "\t//"])
@pytest.mark.parametrize("where", [0, 40])
def test_a_comment_among_the_rows_is_no_row(read, mark, where) -> None:
    rows = [f"    {i / 10:.2f}    {1 + i % 3}.000    {i % 2}" for i in range(80)]
    rows.insert(where, f"{mark}0.00    0.000    0")
    log = read("\n".join(rows) + "\n")
    assert (log.rows, log.rows_rejected) == (80, 0)
