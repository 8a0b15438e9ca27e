"""A small airframe and a stand-in for the run that takes milliseconds: its figures are sums over the logs."""

import hashlib
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from benchlab.airframe import load_airframe
from benchlab.results import AirframeResult, Estimate, Event, Finding, LogResult, NotMeasured, PartResult, dumps
from tests.evidence.bags import write

REGISTER = """\
# kept byte for byte, this comment too
[airframe]
id = "K03-021"
description = "2.1 m flying wing (invented)"

[[servo]]
id = "S1"
position = "left elevon"
log = "logs/left.csv"

[[tank]]
id = "T1"
log = "logs/tank.csv"
"""
LOGS = {"logs/left.csv": "t;i\n0;1\n1;2\n", "logs/tank.csv": "t,p\r\n0,9\r\n60,8\r\n"}


def airframe(folder: Path, register: str = REGISTER, logs: dict[str, str] = LOGS) -> Path:
    write(folder / "airframe.toml", register)
    for name, content in logs.items():
        write(folder / name, content)
    return folder


@dataclass(frozen=True)
class Ran:
    folder: Path


def run(folder: Path, out: Path, *, gain: float = 1.0, version: str = "0.1") -> Ran:
    """Every part's figure is the sum of the digits in its logs times ``gain``."""
    loaded = load_airframe(folder)
    parts = []
    for kind, part in loaded.register.entries():
        octets = b"".join((folder / name).read_bytes() for name in part.logs if (folder / name).is_file())
        total = gain * sum(octet - 48 for octet in octets if 48 <= octet <= 57)
        finding = Finding(
            quantity="sum", aspect="value", value=total, u=0.5, unit="1", lower=None, upper=50.0,
            limit_source="this test", p_conform=1.0, verdict="accept" if total < 50 else "reject", reason="=1+1",
        )  # fmt: skip
        parts.append(
            PartResult(
                id=part.id, kind=kind, position=part.position, verdict=finding.verdict, logs=part.logs,
                quantities={"sum": Estimate(value=total, u=0.5, unit="1")}, findings=(finding,),
                events=(Event(kind="gap", time_s=1.0),), not_measured=(NotMeasured(quantity="x", why="no channel"),),
            )
        )  # fmt: skip
    logs = [LogResult(path=n, sha256=_sha256(p), rows=2, rows_rejected=0, status="read" if p.is_file() else "failed")
            for n, (p, _) in loaded.log_paths().items()]  # fmt: skip
    result = AirframeResult(
        airframe=loaded.id, description=loaded.register.airframe.description, verdict=parts[0].verdict,
        parts=tuple(parts), logs=tuple(logs), software={"benchlab": version, "python": "3"},
    )  # fmt: skip
    target = out / loaded.id
    write(target / "results.json", dumps(result))
    write(target / "report.html", f"<!doctype html><title>{loaded.id}</title>{[p.verdict for p in parts]}")
    write(target / "rejected_rows.csv", "file,line,column,value,rule\n")
    cycles = pd.DataFrame({"part": ["S1"] * 3, "cycle": [1, 2, 3], "current_a": [1.0, 2.0 * gain, float("nan")]})
    cycles.to_parquet(target / "cycles.parquet", index=False)
    return Ran(target)


def _sha256(path: Path) -> str | None:
    return hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else None
