"""The demonstration airframe: planted faults are found, nothing sound is condemned, the files keep their form."""

import json
from pathlib import Path

import jsonschema
import pandas as pd
import pytest

import benchlab
from benchlab.errors import BenchlabError
from benchlab.run import run_airframe
from benchlab.simulate.demo import lay_out

# planted in benchlab/simulate/demo.py; everything else there is sound
EXPECTED = {
    "S11": "accept",
    "S12": "retest",  # still running in
    "S13": "reject",  # hysteresis grows
    "S14": "accept",
    "S15": "accept",
    "S16": "reject",  # draws far more than its sisters
    "S17": "accept",
    "T1": "accept",
    "T2": "reject",  # leaks
    "T3": "retest",  # by hand, without thermometer and barometer
    "receiver": "accept",
    "ignition": "accept",
    "P1": "accept",
    "P2": "accept",
    "P3": "reject",  # too small for the flight
    "elevon horn to hinge line": "accept",
    "wing tip to fuselage datum": "accept",
}


@pytest.fixture(scope="module")
def outcome(tmp_path_factory):
    folder = tmp_path_factory.mktemp("demo")
    lay_out(folder / "airframe")
    return run_airframe(folder / "airframe", folder / "reports")


def test_planted_faults_are_found_and_nothing_sound_is_condemned(outcome):
    assert {p.id: p.verdict for p in outcome.result.parts} == EXPECTED
    assert outcome.result.verdict == "reject"
    assert outcome.exit_status == 1


def test_results_follow_the_schema_that_ships(outcome):
    schema = json.loads(Path(benchlab.__file__).with_name("results.schema.json").read_text())
    results = json.loads((outcome.folder / "results.json").read_text())
    jsonschema.validate(results, schema, cls=jsonschema.Draft202012Validator)
    assert results["schema"] == "benchlab/results/1"
    assert results["software"]["benchlab"] == benchlab.__version__


def test_every_quantity_in_the_results_is_in_the_glossary(outcome):
    from benchlab.quantities import QUANTITIES

    for part in outcome.result.parts:
        assert set(part.quantities) <= set(QUANTITIES)


def test_cycles_and_rejected_rows_are_written(outcome):
    cycles = pd.read_parquet(outcome.folder / "cycles.parquet")
    assert cycles.groupby("part")["cycle"].count().to_dict() == dict.fromkeys(
        ("S11", "S12", "S13", "S14", "S15", "S16", "S17"), 990
    )
    rejected = pd.read_csv(outcome.folder / "rejected_rows.csv")
    assert rejected["value"].tolist() == [327.67]  # the planted encoder glitch
    wrapped = next(log for log in outcome.result.logs if "rudders" in log.path)
    assert wrapped.status == "repaired"


def test_nothing_is_written_twice_over_a_foreign_file(tmp_path):
    (tmp_path / "airframe.toml").write_text("mine")
    with pytest.raises(BenchlabError, match="name an empty folder"):
        lay_out(tmp_path)
    assert (tmp_path / "airframe.toml").read_text() == "mine"
