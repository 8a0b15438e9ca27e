"""The examples of pipelines/README.md are settings that the program takes, and its table of aspects is the real one."""

import re
import tomllib
from pathlib import Path
from typing import Any

from benchlab.airframe import Servo
from benchlab.procedure import ServoProcedure
from benchlab.servo.findings import SISTER_ASPECTS, TREND_ASPECTS

PAGE = (Path(__file__).parents[1] / "pipelines/README.md").read_text(encoding="utf-8")
SHIPPED = Path(__file__).parents[1] / "pipelines/servo_cycling.toml"
EXAMPLES = re.findall(r"```toml\n(.*?)```", PAGE, re.DOTALL)


def merged(a: dict[str, Any], b: dict[str, Any]) -> dict[str, Any]:
    both = {k: merged(a[k], b[k]) for k in a.keys() & b.keys() if isinstance(a[k], dict) and isinstance(b[k], dict)}
    return a | b | both


def test_every_example_is_accepted():
    raw = tomllib.loads(SHIPPED.read_text(encoding="utf-8"))
    assert len(EXAMPLES) == 6
    part, *settings = EXAMPLES
    assert Servo.model_validate({"id": "S", **tomllib.loads(part)}).limits["hysteresis_deg"]["settled"].upper == 0.6
    for example in settings:
        ServoProcedure.model_validate(merged(raw, tomllib.loads(example)))


def test_the_aspects_named_are_those_that_exist():
    table = PAGE.partition("| aspect |")[2].partition("\n\n")[0]
    named = set(re.findall(r"`(\w+)`", table))
    assert named == {*TREND_ASPECTS, *SISTER_ASPECTS, "value", "events", "count", "complete"}
