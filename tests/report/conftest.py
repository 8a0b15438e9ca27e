"""An invented airframe: seeded results and tables as the analyses hand them over; its strings try to break the page."""

from __future__ import annotations

import hashlib
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from benchlab.logs.table import REJECTED_COLUMNS, Column, ReadLog
from benchlab.matching.groups import Matching
from benchlab.procedure import load_procedures
from benchlab.results import (
    AirframeResult,
    Analysis,
    Assignment,
    BudgetLine,
    Diagnosis,
    Estimate,
    Event,
    Finding,
    GroupResult,
    LogResult,
    NotMeasured,
    PartResult,
    Placement,
    Trend,
    TrimPoint,
    worst,
)

NASTY = '<img src=x onerror="window.broken=1"></script><script>window.broken=2</script>&amp; %{y} {{ 7*7 }}'
"""Text that would run, break the markup or be taken for a template if anything forgot to escape it."""

SOURCE = "starting value of this project"


def est(value, u, unit):
    return Estimate(value=value, u=u, lo=value - 1.96 * u, hi=value + 1.96 * u, unit=unit)


def finding(quantity, aspect, value, u, unit, lower, upper, verdict="accept", p=0.999, reason="as the sentence says"):
    return Finding(
        quantity=quantity,
        aspect=aspect,
        value=value,
        u=u,
        unit=unit,
        lower=lower,
        upper=upper,
        limit_source=SOURCE,
        p_conform=p,
        verdict=verdict,
        reason=reason,
    )


SERVO_QUANTITIES = {  # level, run-in amplitude, noise, unit
    "centre_deg": (0.12, 0.2, 0.02, "deg"),
    "hysteresis_deg": (0.35, 0.05, 0.02, "deg"),
    "end_high_deg": (45.1, 0.1, 0.03, "deg"),
    "end_low_deg": (-44.8, 0.1, 0.03, "deg"),
    "travel_deg": (89.9, 0.1, 0.04, "deg"),
    "transit_s_per_60deg": (0.11, 0.01, 0.001, "s/60 deg"),
    "transit_ref_s_per_60deg": (0.112, 0.01, 0.001, "s/60 deg"),
    "overshoot_deg": (0.8, 0.1, 0.05, "deg"),
    "jitter_deg": (0.05, 0.0, 0.004, "deg"),
    "moving_current_a": (0.62, 0.2, 0.01, "A"),
    "moving_current_ref_a": (0.60, 0.2, 0.01, "A"),
    "peak_current_a": (1.9, 0.3, 0.05, "A"),
    "idle_current_a": (0.06, 0.01, 0.002, "A"),
    "voltage_min_v": (7.31, 0.0, 0.02, "V"),
    "temperature_c": (41.0, -14.0, 0.2, "C"),
}


def servo(rng, name, position, verdict, *, n=990, drift=0.0):
    k = np.arange(1, n + 1)
    cycles = {"cycle": k, "time_s": 4.0 * k}
    quantities, curves = {}, []
    kept = np.unique(np.linspace(0, n - 1, 400).astype(int))
    for q, (level, runin, noise, unit) in SERVO_QUANTITIES.items():
        truth = level + runin * np.exp(-k / 120) + (drift * k / 1000 if q == "centre_deg" else 0)
        truth = truth + (0.8 * (k >= 612) if verdict == "reject" and q == "centre_deg" else 0)
        value = truth + rng.normal(0, noise, n)
        value[500] += 40 * noise
        cycles[q] = value
        u = noise / 15
        curves.append(
            pd.DataFrame(
                {
                    "quantity": q,
                    "cycle": k[kept],
                    "fit": truth[kept],
                    "lo": truth[kept] - 2 * u,
                    "hi": truth[kept] + 2 * u,
                }
            )
        )
        quantities[q] = Trend(
            model="settling+drift",
            n=n,
            rho=0.3,
            start=est(truth[0], u, unit),
            end=est(truth[-1], u, unit),
            settled=est(level, u, unit),
            change=est(truth[-1] - truth[0], 1.4 * u, unit),
            drift_per_1000=est(drift, 2 * u, f"{unit}/1000 cycles"),
            tau_cycles=est(120, 4, "cycles"),
            settled_at_cycle=360,
        )
    t = np.linspace(0, 4, 300)
    waves = []
    for which, scale in (("first", 1.2), ("last", 1.0)):
        position_deg = 45 * np.clip(2 * np.sin(2 * np.pi * t / 4), -1, 1)
        waves.append(
            pd.DataFrame(
                {
                    "which": which,
                    "time_in_cycle_s": t,
                    "position_deg": position_deg,
                    "current_a": scale * (0.05 + np.abs(np.gradient(position_deg)) / 5),
                }
            )
        )
    z = 0.06 + np.abs(np.sin(np.linspace(0, 6, 160)))[None, :] * (1 + 0.4 * np.exp(-np.arange(120) / 20))[:, None]
    command = np.array([1000.0, 1125, 1250, 1375, 1500, 1625, 1750, 1875, 2000])
    middle = (command - 1500) * 0.09 + 0.3 * np.sin(command / 300)
    tables = {
        "cycles": pd.DataFrame(cycles),
        "trend_curves": pd.concat(curves, ignore_index=True),
        "waveform": pd.concat(waves, ignore_index=True),
        "current_map": pd.DataFrame(z, index=np.linspace(4, 986, 120), columns=np.linspace(0, 4, 160)),
        "stroke_curve": pd.DataFrame(
            {"command_us": command, "position_up_deg": middle - 0.17, "position_down_deg": middle + 0.17, "u_deg": 0.02}
        ),
    }
    bad = verdict == "reject"
    findings = (
        finding(
            "cycles", "count", float(n), None, "cycles", 990, None, p=None, verdict="accept" if n >= 990 else "retest"
        ),
        finding(
            "centre_deg",
            "drift",
            drift,
            0.05,
            "deg/1000 cycles",
            -0.5,
            0.5,
            "reject" if bad else "accept",
            0.0001 if bad else 0.999,
            f"outside, says {NASTY}" if bad else "within",
        ),
        finding("centre_deg", "change", 0.1, 0.01, "deg", -0.5, 0.5),
        finding("hysteresis_deg", "settled", 0.35, 0.01, "deg", None, 1.0),
        finding("moving_current_ref_a", "sister_percent", 3.0, 0.9, "%", None, 20.0),
    )
    result = PartResult(
        id=name,
        kind="servo",
        type="HV digital 25 kgf.cm",
        position=position,
        verdict=worst([f.verdict for f in findings]),
        judged_on=("position", "current"),
        logs=("logs/elevons.csv",),
        cycles=n,
        run_in_complete=n >= 990,
        cycles_needed=0 if n >= 990 else 990 - n,
        quantities=quantities,
        findings=findings,
        events=(
            Event(kind="step", quantity="centre_deg", cycle=612, size=0.8, unit="deg", lo=605, hi=618),
            Event(kind="outlier", quantity="centre_deg", cycle=501, size=0.8, unit="deg"),
        )
        if bad
        else (),
        diagnosis=(
            Diagnosis(
                pattern="loose_arm",
                text=f"A jump of the centre often means a slipped arm. {NASTY}",
                evidence=("centre_deg step",),
            ),
        )
        if bad
        else (),
        not_measured=(NotMeasured(quantity="overshoot_deg", why="the command ramps"),),
        notes=("Current was corrected to 25 C.",),
    )
    return Analysis(result=result, tables=tables)


def tank(rng, name, retained, verdict):
    t = np.linspace(0, 4.2 * 3600, 1500)
    tau = -4 * 3600 / np.log(retained)
    temperature = 21 + np.sin(t / 5000)
    barometer = 100.2 + 0.1 * np.cos(t / 7000)
    used = (t > 300) & ~((t > 6000) & (t < 6400))
    fit = 10 * np.exp(-(t - 300) / tau)
    raw = fit + 0.35 * (temperature - 21) + 100.2 - barometer + rng.normal(0, 0.02, len(t))
    hold = pd.DataFrame(
        {
            "time_s": t,
            "pressure_kpa": raw,
            "corrected_kpa": fit + rng.normal(0, 0.02, len(t)),
            "fit_kpa": np.where(used, fit, np.nan),
            "fit_lo_kpa": np.where(used, fit - 0.03, np.nan),
            "fit_hi_kpa": np.where(used, fit + 0.03, np.nan),
            "used": used,
            "temperature_c": temperature,
            "barometer_kpa": barometer,
        }
    )
    result = PartResult(
        id=name,
        kind="tank",
        position="left saddle",
        verdict=verdict,
        logs=("logs/tank.csv",),
        quantities={
            "leak_rate_pa_m3_s": est(1.04e-5, 1.1e-6, "Pa m3/s"),
            "leak_rate_sml_min": est(0.0063, 0.0007, "mL/min (0 C, 101.325 kPa)"),
            "retained_fraction": est(retained, 0.006, "1"),
            "time_constant_h": est(tau / 3600, 0.4, "h"),
            "start_pressure_kpa": est(10.0, 0.02, "kPa"),
            "hold_h": est(4.1, 0.001, "h"),
        },
        findings=(
            finding(
                "retained_fraction",
                "value",
                retained,
                0.006,
                "1",
                0.8,
                None,
                verdict,
                0.4 if verdict != "accept" else 0.99,
            ),
        ),
        budget=(
            BudgetLine(
                quantity="retained_fraction",
                source="temperature",
                value=21.0,
                unit="C",
                distribution="normal",
                u=0.1,
                sensitivity=0.035,
                contribution=0.0035,
            ),
            BudgetLine(
                quantity="retained_fraction",
                source="fit",
                value=None,
                unit="1",
                distribution="normal",
                u=0.005,
                sensitivity=1.0,
                contribution=0.005,
            ),
        ),
        events=(Event(kind="disturbance", time_s=6200.0),),
        next_step=None if verdict == "accept" else "Hold until 16:40 (2.1 h more).",
    )
    return Analysis(result=result, tables={"hold": hold})


def circuit(rng, name):
    t = np.linspace(0, 480, 1200)
    mean = 2 + np.sin(t / 20) + rng.normal(0, 0.1, len(t))
    load = pd.DataFrame(
        {
            "time_s": t,
            "current_min_a": mean - 0.5,
            "current_mean_a": mean,
            "current_max_a": mean + 3,
            "voltage_min_v": 7.3 - 0.05 * mean,
            "voltage_mean_v": 7.5 - 0.05 * mean,
            "voltage_max_v": 7.6 - 0.05 * mean,
        }
    )
    edges = np.linspace(0, 7, 29)
    current = rng.uniform(0.5, 6, 400)
    result = PartResult(
        id=name,
        kind="circuit",
        verdict="accept",
        logs=("logs/receiver.csv",),
        quantities={
            "mean_current_a": est(2.0, 0.02, "A"),
            "peak_current_a": est(6.1, 0.05, "A"),
            "voltage_min_v": est(6.9, 0.02, "V"),
            "source_resistance_ohm": est(0.052, 0.004, "ohm"),
        },
        phases={NASTY: {"mean_current_a": est(1.0, 0.01, "A")}, "cruise": {"peak_current_a": est(6.0, 0.1, "A")}},
        findings=(finding("peak_current_a", "value", 6.1, 0.05, "A", None, 12.0),),
    )
    tables = {
        "cross_check": pd.DataFrame({"servo": ["S01", "S02"], "mean_current_a": [0.62, np.nan], "cycles": [990, 0]}),
        "load": load,
        "load_histogram": pd.DataFrame(
            {"current_lo_a": edges[:-1], "current_hi_a": edges[1:], "seconds": rng.exponential(9, 28)}
        ),
        "load_duration": pd.DataFrame(
            {"current_a": np.linspace(0, 7, 200), "share_of_time": np.linspace(1, 0, 200) ** 2}
        ),
        "source_line": pd.DataFrame(
            {
                "current_a": current,
                "voltage_v": 7.6 - 0.05 * current + rng.normal(0, 0.02, 400),
                "fit_v": 7.6 - 0.05 * current,
            }
        ),
    }
    return Analysis(result=result, tables=tables)


def pack():
    return Analysis(
        result=PartResult(
            id="P1",
            kind="pack",
            position="receiver left",
            verdict="accept",
            quantities={
                "flight_charge_mah": est(812.0, 30.0, "mAh"),
                "reserve_fraction": est(0.746, 0.01, "1"),
                "endurance_min": est(31.5, 1.2, "min"),
            },
            findings=(finding("reserve_fraction", "value", 0.746, 0.01, "1", 0.2, None),),
        ),
        tables={
            "budget": pd.DataFrame(
                {
                    "circuit": "receiver A",
                    "phase": ["cruise", NASTY],
                    "minutes": [6.0, 2.0],
                    "share": 0.5,
                    "mean_current_a": [6.0, 9.0],
                    "charge_mah": [600.0, 212.0],
                }
            ),
            "open_circuit": pd.DataFrame(
                {"charge_mah": np.linspace(0, 3000, 40), "voltage_v": np.linspace(8.3, 7.2, 40), "u_v": 0.02}
            ),
        },
    )


def dimension(item, difference, verdict):
    return Analysis(
        result=PartResult(
            id=item,
            kind="dimension",
            verdict=verdict,
            quantities={"difference": est(difference, 0.14, "mm")},
            findings=(finding("difference", "value", difference, 0.14, "mm", -1.0, 1.0, verdict),),
        )
    )


def read_log(path):
    rejected = pd.DataFrame([(path, 17, NASTY, "=cmd|' /C calc'!A0", "bounds")] * 60, columns=list(REJECTED_COLUMNS))
    return ReadLog(
        path=path,
        sha256=hashlib.sha256(path.encode()).hexdigest(),
        kind="servo_cycling",
        encoding="utf-8",
        bom=False,
        delimiter=";",
        decimal=",",
        header_line=3,
        units_line=4,
        first_data_line=5,
        columns=(
            Column(index=1, name="Zeit", channel="time_s", unit="ms", n_numeric=9, min=0.0, max=3.0, mean=1.5),
            Column(
                index=3,
                name=NASTY,
                channel="current_a",
                part="1",
                unit="A",
                why="said in the register; calibrated: 0.0259 x reading + -13.24",
            ),
            Column(index=2, name=NASTY, why="no channel of that name; nearest: current"),
        ),
        rows=396000,
        rows_rejected=60,
        time_start="0",
        time_end="3960",
        sampling_s=0.01,
        gaps=1,
        events=(Event(kind="gap", time_s=812.4, size_s=3.0),),
        metadata={"logger": NASTY},
        rejected=rejected,
        records={},
    )


def matching_tables():
    command = np.linspace(1000, 2000, 21)
    bend = 0.3 * np.sin(command / 200)
    names = ["S01", "S02", "S04"]
    return {
        "pair_differences": pd.DataFrame(
            {
                "group": "left elevon",
                "leader": "S01",
                "follower": "S02",
                "command_us": command,
                "before_up_deg": bend + 0.1,
                "before_down_deg": bend - 0.1,
                "after_up_deg": 0.1,
                "after_down_deg": -0.1,
            }
        ),
        "placements": pd.DataFrame(
            [
                (rank, position, part, worst_, total)
                for rank, parts, worst_, total in (
                    (0, ("S03", "S05", None), 1.7, 2.9),
                    (1, ("S08", "S05", None), 0.4, 0.7),
                    (2, ("S07", "S05", None), 0.55, 0.81),
                )
                for position, part in zip(("right elevon inner", "left fin", "tail"), parts, strict=True)
            ],
            columns=["rank", "position", "part", "worst_mismatch", "sum_mismatch"],
        ),
        "earlier": pd.DataFrame(
            [
                ("S01", "hysteresis_deg", "settled", 0.35, 0.61, 0.26, 0.02, "deg", True),
                ("S02", "hysteresis_deg", "settled", 0.35, 0.36, 0.01, 0.02, "deg", False),
                (NASTY, "centre_deg", "settled", np.nan, 0.36, np.nan, np.nan, "deg", None),
            ],
            columns=["part", "quantity", "aspect", "then", "now", "difference", "u", "unit", "changed"],
        ),
        "mismatch_matrix": pd.DataFrame(
            [[np.nan, 0.7, 1.4], [0.7, np.nan, 0.9], [1.4, 0.9, np.nan]], index=names, columns=names
        ),
    }


def build(cycles=990, servos=8):
    rng = np.random.default_rng(20261125)
    places = [
        "left elevon inner",
        "left elevon outer",
        "right elevon inner",
        "right elevon outer",
        "left fin",
        "right fin",
        "nose",
        None,
    ]
    verdicts = ["accept", "accept", "reject", "accept", "retest", "accept", "accept", "accept"]
    found = [
        servo(
            rng,
            f"S{i:02d}",
            place,
            verdict,
            n=cycles if verdict != "retest" else 640,
            drift=0.7 * (verdict == "reject"),
        )
        for i, (place, verdict) in enumerate(zip(places[:servos], verdicts[:servos], strict=True), 1)
    ]
    found += [
        tank(rng, "T1", 0.93, "accept"),
        tank(rng, NASTY[:60], 0.805, "retest"),
        pack(),
        circuit(rng, "receiver A"),
        dimension("aileron horn to hinge line", -0.5, "accept"),
        dimension("tip to nose <b>", 1.4, "reject"),
    ]
    analyses = {a.result.id: a for a in found}
    groups = (
        GroupResult(
            name="left elevon",
            coupling="ganged",
            members=("S01", "S02"),
            mismatch=0.7,
            verdict="retest",
            findings=(finding("stroke_mismatch_deg", "difference", 0.35, 0.1, "deg", None, 0.5, "retest", 0.93),),
            trim=tuple(
                TrimPoint(leader="S01", follower="S02", command_us=c, correction_us=(c - 1500) / 90, left_over_deg=0.1)
                for c in np.linspace(1000, 2000, 9)
            ),
        ),
        GroupResult(name="right elevon", coupling="ganged", members=("S03", "S04"), mismatch=None, verdict="reject"),
    )
    assignment = Assignment(
        positions=(
            Placement(position="right elevon inner", part="S08", fitted="S03"),
            Placement(position="left fin", part="S05", fitted="S05"),
            Placement(position="tail", part=None, fitted=None),
        ),
        worst_mismatch=0.4,
        fitted_worst_mismatch=1.7,
        empty=("tail",),
    )
    log = read_log("logs/elevons.csv")
    failed = LogResult(
        path="logs/<lost>.csv", sha256=None, rows=0, rows_rejected=0, status="failed", error=f"line 3: {NASTY}"
    )
    good = LogResult(
        path=log.path, sha256=log.sha256, rows=log.rows, rows_rejected=60, status="read", events=log.events
    )
    result = AirframeResult(
        airframe="D17-014",
        description=f"2.6 m delta, one turbine {NASTY}",
        verdict="reject",
        parts=tuple(a.result for a in analyses.values()),
        groups=groups,
        assignment=assignment,
        logs=(good, failed),
        notes=("Not read: logs/<lost>.csv.",),
        software={"benchlab": "0.1.0", "python": "3.11.7"},
    )
    return SimpleNamespace(
        result=result,
        analyses=analyses,
        matching=Matching(groups=groups, assignment=assignment, tables=matching_tables()),
        reads={log.path: log, failed.path: failed},
        procedures=load_procedures(),
    )


@pytest.fixture(scope="session")
def nasty():
    """The text that tries to break the page."""
    return NASTY


@pytest.fixture(scope="session")
def build_airframe():
    """The function that builds the invented airframe with a chosen number of cycles and servos."""
    return build


@pytest.fixture(scope="session")
def invented():
    """The invented airframe, full size: 8 servos x 990 cycles."""
    return build()


@pytest.fixture(scope="session")
def page(invented):
    from benchlab.report.page import render

    return render(invented.result, invented.analyses, invented.matching, invented.reads, invented.procedures)
