"""The whole way with the real run on a small airframe: seal, check with a foreign tool, verify, forge, verify."""

import bagit

from benchlab.evidence.package import archive_airframe
from benchlab.evidence.verify import verify_bag
from benchlab.run import run_airframe
from tests.evidence.bags import write
from tests.evidence.test_verify import reseal

REGISTER = """\
[airframe]
id = "K03-021"

[[tank]]
id = "T3"
volume_ml = 420
log = "../tank <by hand>.csv"

[[tank]]
id = "T4"
log = "logs/missing.csv"

[[dimension]]
item = "horn to hinge line"
left = 23.4
right = 23.9
unit = "mm"
tolerance = 1.0
"""
READINGS = "time_h,pressure_kpa\n0,10.0\n1,9.9\n2.5,9.7\n4,9.6\n5.5,9.4\n"


def test_a_sealed_airframe_recomputes_to_the_same_and_a_forged_reading_shows(tmp_path):
    write(tmp_path / "tank <by hand>.csv", READINGS)
    write(tmp_path / "in/airframe.toml", REGISTER)
    bag = archive_airframe(tmp_path / "in", tmp_path / "out", run=run_airframe, allow_outside=True)
    assert bagit.Bag(str(bag)).validate()
    whole = verify_bag(bag, run=run_airframe)
    assert (whole.exit_status, whole.differences) == (0, ())
    for path in bag.rglob("*"):
        assert not path.is_file() or str(tmp_path).encode() not in path.read_bytes(), (
            "a path of this machine was sealed"
        )

    write(bag / "data/airframe/logs/001_tank_by_hand_.csv", READINGS.replace("5.5,9.4", "5.5,6.4"))
    reseal(bag)
    forged = verify_bag(bag, run=run_airframe)
    assert forged.exit_status == 1
    moved = next(d for d in forged.differences if d.where == "parts T3, quantities, retained_fraction, value")
    assert moved.size is not None
    assert moved.size < -0.01  # the forged last reading is a third lower: hundredths of the fraction at the least
