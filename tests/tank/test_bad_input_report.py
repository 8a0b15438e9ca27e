"""Bad input of a pressure hold from the log to the report: retest, the reason on the page, no number made up."""

import dataclasses
import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from benchlab.simulate.tank import Scenario, leak_rate_for, simulate_hold

REASONS = {
    "reversed": "the gauge pressure is negative",
    "psi": "if the gauge reads psi",
    "unsealed": "never sealed",
    "vented": "the pressure vanished",
    "over": "above the tank's stated 15 kPa",
    "unmeasured": "weigh the tank empty and full of water",
    "words": "no log of this tank",
}
UNKNOWN = {"reversed", "psi", "unsealed", "words"}
"""Of these nothing can be told in numbers."""


def log(**changes) -> pd.DataFrame:
    scenario = Scenario(sampling_s=30.0, **changes)
    leak = leak_rate_for(scenario, 0.95, 4.0)
    frame = simulate_hold(dataclasses.replace(scenario, leak_rate_pa_m3_s=leak), np.random.default_rng(1)).frame
    names = {"time_s": "time [s]", "pressure_kpa": "pressure [kPa]", "temperature_c": "temperature [C]",
             "barometer_kpa": "barometer [kPa]"}  # fmt: skip
    return frame.rename(columns=names)[[*names.values()]]


@pytest.fixture(scope="module")
def run(tmp_path_factory) -> tuple[dict[str, dict], str]:
    """Results by tank, and the text of the report."""
    folder: Path = tmp_path_factory.mktemp("tanks")
    good = log()
    logs = {
        "reversed": good.assign(**{"pressure [kPa]": -good["pressure [kPa]"]}),
        "psi": good.assign(**{"pressure [kPa]": good["pressure [kPa]"] / 6.894757}),
        "unsealed": log(sealed=False),
        "vented": log(vented_h=2.0),
        "over": log(overpressure_kpa=18.0),
        "unmeasured": good,
    }
    register = ['[airframe]\nid = "A1"\n']
    for name in REASONS:
        register.append(f'[[tank]]\nid = "{name}"\nmax_pressure_kpa = 15\n')
        register.append(
            'observation = "still under pressure after 4 h"\n' if name == "words" else f'log = "{name}.csv"\n'
        )
        register.append("volume_ml = 1900\n" if name != "unmeasured" else "")
        # only a limit that needs the volume asks for it
        limit = '{ upper = 1e-3, source = "own" }' if name == "unmeasured" else ""
        register.append(f"[tank.limits.leak_rate_pa_m3_s]\nvalue = {limit}\n" if limit else "")
    (folder / "airframe.toml").write_text("".join(register))
    for name, frame in logs.items():
        frame.to_csv(folder / f"{name}.csv", index=False)
    done = subprocess.run([sys.executable, "-m", "benchlab", "run", ".", "--out", "out"], cwd=folder,
                          capture_output=True, text=True, timeout=120, check=False)  # fmt: skip
    assert done.stderr == ""
    assert done.returncode == 1
    results = json.loads((folder / "out" / "A1" / "results.json").read_text())
    return {p["id"]: p for p in results["parts"]}, (folder / "out" / "A1" / "report.html").read_text(encoding="utf-8")


@pytest.mark.parametrize("name", REASONS)
def test_it_is_a_retest_and_the_reason_stands_in_results_and_report(run, name):
    parts, page = run
    assert parts[name]["verdict"] == "retest"
    assert any(REASONS[name] in f["reason"] for f in parts[name]["findings"] if f["verdict"] == "retest")
    section = page[page.index(f'<section class="part" id="part-{name}"') :]
    assert REASONS[name] in section[: section.index("</section>")].replace("&#39;", "'")


@pytest.mark.parametrize("name", sorted(UNKNOWN))
def test_no_number_is_made_up(run, name):
    assert run[0][name]["quantities"] == {}


def test_too_much_pressure_is_an_event_and_what_to_do_is_said(run):
    parts, page = run
    assert [e["kind"] for e in parts["over"]["events"]].count("overpressure") == 1
    assert "look the tank over, then repeat within its limit" in page


def test_the_cautions_about_pressure_stand_on_the_first_page_and_in_full(run):
    _, page = run
    assert "Pressurise tanks gently, below their limit, with eye protection." in page
    assert "Pressurise tanks gently and never from an unregulated line. Keep below the tank's stated limit." in page


def test_words_alone_are_shown_and_accept_nothing(run):
    parts, page = run
    assert "still under pressure after 4 h" in page
    assert parts["words"]["verdict"] != "accept"
