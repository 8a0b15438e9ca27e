"""What the patterns in a servo's results often mean. Words for the reader, never a verdict."""

from __future__ import annotations

from collections.abc import Sequence

from benchlab.results import Diagnosis, Event, Finding, Trend
from benchlab.servo.findings import Case

_EVENT_WORDS = {
    "tooth": ("gear_tooth", "A current spike that returns at one angle often means a damaged gear tooth."),
    "binding": (
        "binding",
        "Current that rises towards one end of travel often means binding: a linkage, stop or case that rubs there.",
    ),
    "stall": (
        "stall",
        "A stroke that stops short while the current stays high often means a blocked linkage or a failing gear train.",
    ),
    "short_stroke": (
        "short_stroke",
        "A stroke that ends short without high current often means slipping (arm, gear) or a feedback fault.",
    ),
    "supply_dip": (
        "supply",
        "A dip of the supply often means the bench: weak supply, thin wires, loose plug. Check it before the servo.",
    ),
}
_MOVED = 3.0
"""A change counts as shown for a diagnosis if it is this many standard uncertainties from none."""


def diagnose(case: Case, findings: Sequence[Finding], events: Sequence[Event]) -> tuple[Diagnosis, ...]:
    """Return what the findings and events often mean, each with what it rests on."""
    out = []
    for kind, (pattern, text) in _EVENT_WORDS.items():
        hits = [e for e in events if e.kind == kind]
        if hits:
            out.append(_say(pattern, text, [f"{len(hits)} x {kind}"]))
    rest = (
        _wear(findings), _arm(findings), _feedback(findings), _unsteady(case), _current(case, findings),
        _slower(findings),
    )  # fmt: skip
    out += [d for d in rest if d is not None]
    return tuple(out)


def _say(pattern: str, text: str, evidence: Sequence[str]) -> Diagnosis:
    return Diagnosis(pattern=pattern, text=text, evidence=tuple(evidence))


def _not_accepted(findings: Sequence[Finding], quantity: str, *aspects: str) -> list[str]:
    return [
        f"{f.quantity} {f.aspect}"
        for f in findings
        if f.quantity == quantity and f.aspect in aspects and f.verdict != "accept" and f.value is not None
    ]


def _wear(findings: Sequence[Finding]) -> Diagnosis | None:
    evidence = _not_accepted(findings, "hysteresis_deg", "drift", "settled", "step")
    if not evidence:
        return None
    return _say("wear_or_loose_arm", "Hysteresis that grows or is large often means wear or a loose arm.", evidence)


def _arm(findings: Sequence[Finding]) -> Diagnosis | None:
    evidence = [
        e
        for quantity in ("centre_deg", "end_high_deg", "end_low_deg")
        for e in _not_accepted(findings, quantity, "drift", "change", "step")
    ]
    if not evidence:
        return None
    text = (
        "A centre or end that moves often means an arm that slips on its spline, or a feedback element that drifts; "
        "both ends moving alike points to the arm or its screw."
    )
    return _say("moved_centre", text, evidence)


def _feedback(findings: Sequence[Finding]) -> Diagnosis | None:
    evidence = _not_accepted(findings, "jitter_deg", "drift", "settled")
    if not evidence:
        return None
    return _say("feedback_wear", "Jitter that is large or grows often means wear of the feedback element.", evidence)


def _unsteady(case: Case) -> Diagnosis | None:
    """Rest positions that scatter more and more from cycle to cycle."""
    evidence = []
    for name in ("centre_deg", "end_high_deg", "end_low_deg", "hysteresis_deg"):
        fit = case.observed.trends.get(name)
        if fit is not None and fit.spread_grows and fit.spread_ratio is not None:
            r = fit.spread_ratio
            evidence.append(
                f"{name}: scatter of cycles x {r.value:.2g} from first to last (95 %: {r.lo:.2g} to {r.hi:.2g})"
            )
    if not evidence:
        return None
    text = "Rest positions that scatter more and more often mean wear of the feedback element or growing play."
    return _say("unsteady", text, evidence)


def _current(case: Case, findings: Sequence[Finding]) -> Diagnosis | None:
    """Tell normal run-in, warming and growing friction apart."""
    name = next((n for n in ("moving_current_ref_a", "moving_current_a") if n in case.observed.trends), None)
    if name is None:
        return None
    worse = [f for f in findings if f.quantity == name and f.aspect in ("drift_percent", "step_percent")]
    if any(f.verdict == "reject" for f in worse):
        text = "Moving current that grows often means rising friction or a worn motor."
        return _say("growing_friction", text, _not_accepted(findings, name, "drift_percent", "step_percent"))
    t = case.observed.trends[name].trend
    if "settling" in t.model and _moved(t, _MOVED) and (t.change.value or 0.0) < 0:
        return _say(
            "normal_run_in", "Current that decays to a plateau often means normal run-in.", [f"{name} {t.model}"]
        )
    raw = case.observed.trends.get("moving_current_a")
    if raw is not None and (heat := _heat(case)) and (_moved(raw.trend, 2.0) or _moved(t, 2.0)):
        text = "Current that changes while the case warms often means warming of grease and winding, not wear."
        return _say("warming", text, ["moving_current_a change", *heat])
    return None


def _moved(t: Trend, times: float) -> bool:
    return t.change.value is not None and t.change.u is not None and abs(t.change.value) >= times * t.change.u


def _heat(case: Case) -> list[str]:
    """Return the warming of the case as evidence, if it warmed for certain."""
    if "temperature_c" not in case.observed.trends:
        return []
    change = case.observed.trends["temperature_c"].trend.change
    if change.value is None or change.u is None or abs(change.value) < max(_MOVED * change.u, 1.0):
        return []
    return [f"temperature_c change {change.value:+.1f} C"]


def _slower(findings: Sequence[Finding]) -> Diagnosis | None:
    for name in ("transit_ref_s_per_60deg", "transit_s_per_60deg"):
        if evidence := _not_accepted(findings, name, "drift_percent", "settled"):
            return _say("slower", "Strokes that get slower often mean rising friction or a fading motor.", evidence)
    return None
