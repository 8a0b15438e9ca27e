"""The shipped procedures load, an edited copy wins, and its faults are told."""

import pytest

from benchlab.errors import RegisterError
from benchlab.procedure import KINDS, load_procedures
from benchlab.quantities import unit_of
from benchlab.resources import shipped


def test_every_kind_has_a_shipped_procedure_and_every_limit_a_source():
    procedures = load_procedures()
    for kind in KINDS:
        procedure = procedures.of(kind)
        assert procedure.kind == kind
        for aspects in procedure.limits.values():
            for limit in aspects.values():
                assert limit.source != "not stated"


def test_shipped_limits_are_those_of_the_design():
    limits = load_procedures().servo.limits
    assert limits["cycles"]["count"].lower == 990  # common practice, no source
    assert (limits["centre_deg"]["drift"].lower, limits["centre_deg"]["drift"].upper) == (-0.5, 0.5)
    assert limits["hysteresis_deg"]["settled"].upper == 1.0
    assert load_procedures().tank.required_hold_h == 4  # common practice, no source
    assert load_procedures().tank.limits["retained_fraction"]["value"].lower == 0.8


def test_an_edited_copy_wins_over_the_shipped_procedure(tmp_path):
    text = (shipped("pipelines") / "tank_pressure.toml").read_text(encoding="utf-8")
    (tmp_path / "tank_pressure.toml").write_text(text.replace("required_hold_h = 4.0", "required_hold_h = 6.0"))
    own = load_procedures(tmp_path)
    assert own.tank.required_hold_h == 6.0
    assert own.servo == load_procedures().servo


def test_all_faults_of_all_procedures_are_reported(tmp_path):
    (tmp_path / "tank_pressure.toml").write_text(
        'kind = "tank_pressure"\nrequired_hold_h = -1.0\nhold = 3\n[channels]\n'
    )
    (tmp_path / "current_draw.toml").write_text("kind = \n")
    with pytest.raises(RegisterError) as caught:
        load_procedures(tmp_path)
    text = "\n".join(caught.value.faults)
    assert "current_draw.toml" in text
    assert "required_hold_h: Input should be greater than 0 (found -1.0)" in text
    assert "hold: is not a known key" in text


@pytest.mark.parametrize(
    ("name", "unit"),
    [
        ("current_a", "A"),
        ("leak_rate_pa_m3_s", "Pa m3/s"),
        ("transit_ref_s_per_60deg", "s/60 deg"),
        ("pressure_abs_kpa", "kPa"),
        ("hold_h", "h"),
        ("phase", "1"),
    ],
)
def test_a_name_carries_its_unit(name, unit):
    assert unit_of(name) == unit
