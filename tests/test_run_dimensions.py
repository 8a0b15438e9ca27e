"""Left/right measurements from a log go the whole way: register, log, result, archive."""

import json

from benchlab.evidence.package import archive_airframe
from benchlab.evidence.verify import verify_bag
from benchlab.run import run_airframe

LOG = """\
# calliper no. 3
item;side;value;unit;tolerance
aileron horn to hinge line;left;23,4;mm;1,0
aileron horn to hinge line;right;23,9;mm;
rudder throw;left;24,0;deg;
rudder throw;right;26,5;deg;
"""


def airframe(folder, more="", log=LOG):
    folder.mkdir()
    (folder / "dimensions.csv").write_text(log, encoding="utf-8")
    text = f'[airframe]\nid = "K03-021"\ndimension_log = "dimensions.csv"\n{more}'
    (folder / "airframe.toml").write_text(text, encoding="utf-8")
    return folder


def test_each_item_of_a_dimension_log_is_a_part_of_its_own(tmp_path):
    outcome = run_airframe(airframe(tmp_path / "in"), tmp_path / "out")
    parts = json.loads((outcome.folder / "results.json").read_text(encoding="utf-8"))["parts"]
    assert [(p["id"], p["kind"], p["verdict"], p["logs"]) for p in parts] == [
        ("aileron horn to hinge line", "dimension", "accept", ["dimensions.csv"]),
        ("rudder throw", "dimension", "reject", ["dimensions.csv"]),
    ]
    assert outcome.exit_status == 1


def test_an_item_that_the_register_holds_already_is_a_fault_with_its_line(tmp_path):
    typed = '\n[[dimension]]\nitem = "rudder throw"\nleft = 24.0\nright = 24.1\nunit = "deg"\n'
    outcome = run_airframe(airframe(tmp_path / "in", typed), tmp_path / "out")
    assert outcome.faults == (
        'dimensions.csv: line 5: "rudder throw" is the name of another part or item; give it its own',
    )
    assert outcome.exit_status == 2


def test_a_log_without_sides_fails_with_its_line_and_the_airframe_is_not_accepted(tmp_path):
    outcome = run_airframe(airframe(tmp_path / "in", log="item,value\nthrow,20\n"), tmp_path / "out")
    assert outcome.exit_status == 2
    assert outcome.result.verdict == "retest"
    assert outcome.faults[0].startswith("dimensions.csv: line 1:")
    assert "side" in outcome.faults[0]


def test_the_log_is_sealed_with_the_evidence(tmp_path):
    bag = archive_airframe(airframe(tmp_path / "in"), tmp_path / "out", run=run_airframe)
    assert next((bag / "data").rglob("dimensions.csv")).read_text(encoding="utf-8") == LOG
    assert verify_bag(bag, run=run_airframe).exit_status == 0
