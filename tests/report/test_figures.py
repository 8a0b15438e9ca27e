import base64
import json
from dataclasses import replace

import numpy as np
import pandas as pd
import plotly.graph_objects as go
import pytest

from benchlab.report.figures import ALLOWED_TRACES, base
from benchlab.report.figures.base import Drawing, packed
from benchlab.report.figures.compare import dimension_figure, group_figure, matrix_figure, sister_figures
from benchlab.report.figures.pack import budget_figure, open_circuit_figure, pack_figures
from benchlab.report.figures.power import power_figures
from benchlab.report.figures.servo import servo_figures
from benchlab.report.figures.tank import tank_figures
from benchlab.report.figures.trend import shown_quantities, trend_figure
from benchlab.results import Analysis, Trend

MAKERS = {"servo": servo_figures, "tank": tank_figures, "circuit": power_figures, "pack": pack_figures}


def array(values):
    """Unpack what ``packed`` made, as the page's script does."""
    if isinstance(values, list):
        return np.array([np.nan if v is None else v for v in values], dtype=float)
    kind = "u2" if "u2" in values else "u1"
    codes = np.frombuffer(base64.b64decode(values[kind]), dtype=f"<{kind}")
    out = np.where(codes == 0, np.nan, values["low"] + codes * values["step"])
    return out.reshape(-1, values["width"]) if "width" in values else out


def unpacked(x):
    """The figure as plotly knows it."""
    if isinstance(x, dict):
        return array(x) if {"u1", "u2"} & x.keys() else {k: unpacked(v) for k, v in x.items()}
    return [unpacked(v) for v in x] if isinstance(x, list) else x


@pytest.fixture(scope="module")
def made(invented):
    """Every figure of the invented airframe."""
    tables = invented.matching.tables
    found = [f for a in invented.analyses.values() if a.result.kind in MAKERS for f in MAKERS[a.result.kind](a)]
    found += sister_figures(invented.result.parts)
    found += [group_figure(g, tables["pair_differences"]) for g in invented.result.groups[:1]]
    found.append(matrix_figure(tables["mismatch_matrix"], "ganged"))
    found.append(dimension_figure([p for p in invented.result.parts if p.kind == "dimension"]))
    return found


def test_a_trace_that_the_bundle_cannot_draw_is_refused():
    with pytest.raises(ValueError, match="box"):
        base.finish(Drawing({"type": "box", "y": [1, 2, 3]}))


def test_every_figure_is_one_that_plotly_itself_accepts(made):
    # oracle: plotly's own figure objects refuse unknown properties and values; figures are drawn without them
    for figure in made:
        go.Figure(unpacked(json.loads(figure.json)))


def test_packed_readings_keep_their_extremes_and_lose_less_than_a_plot_can_show():
    value = np.concatenate([np.random.default_rng(1).normal(7.4, 0.1, 990), [np.nan, 9.1, 5.2]])
    back = array(packed(value))
    # half a step of 65 534 of the span, and 9 digits of the step
    assert np.nanmax(np.abs(back - value)) <= (9.1 - 5.2) / 65534 / 2 * 1.01
    assert list(np.isnan(back)) == list(np.isnan(value))
    assert np.nanmax(back) == pytest.approx(9.1, abs=1e-4)


def test_whole_numbers_stay_whole_and_short_arrays_plain():
    assert list(array(packed(np.arange(4.0, 990.0)))) == list(range(4, 990))
    assert packed(np.array([1.0, np.nan, 0.25, np.inf])) == [1, None, 0.25, None]


def test_a_heat_map_keeps_its_shape_and_its_gaps():
    z = np.linspace(0, 3, 1200).reshape(30, 40)
    z[3, 4] = np.nan
    back = array(packed(z))
    assert back.shape == (30, 40)
    assert np.isnan(back[3, 4])
    assert np.nanmax(np.abs(back - z)) <= 3 / 254 / 2 * 1.01


def test_nothing_can_close_the_script_element_that_holds_the_figure():
    text = base.finish(Drawing({"type": "scatter", "y": [1, 2], "name": "</script><script>alert(1)</script>&"}))
    assert not set("<>&") & set(text)
    assert json.loads(text)["data"][0]["name"] == "</script><script>alert(1)</script>&"


def test_all_figures_use_traces_of_the_bundle_and_say_what_they_show(made):
    assert len(made) > 100
    for figure in made:
        spec = json.loads(figure.json)
        assert {t["type"] for t in spec["data"]} <= ALLOWED_TRACES
        assert figure.conclusion.endswith(".")
        assert "nan" not in figure.conclusion
        assert "Look for:" in figure.look_for
        assert "template" not in spec["layout"]


def test_only_the_corrected_one_of_two_twins_is_drawn(invented):
    shown = shown_quantities(invented.analyses["S01"])
    assert "moving_current_ref_a" in shown
    assert "moving_current_a" not in shown
    assert "transit_s_per_60deg" not in shown


def test_limits_steps_and_outliers_are_marked(invented):
    spec = json.loads(trend_figure(invented.analyses["S03"], "centre_deg").json)
    labels = [a["text"] for a in spec["layout"]["annotations"]]
    assert "start + 0.5" in labels
    assert "start − 0.5" in labels
    assert "step +0.8" in labels
    rings = next(t for t in spec["data"] if "symbol" in t.get("marker", {}))
    assert list(array(rings["x"])) == [501]


def test_an_outlier_far_off_does_not_squash_the_plot_but_tells_its_value(invented):
    a = invented.analyses["S03"]
    cycles = a.tables["cycles"].assign(centre_deg=lambda f: f["centre_deg"].where(f["cycle"] != 501, 500.0))
    spec = json.loads(trend_figure(replace(a, tables={**a.tables, "cycles": cycles}), "centre_deg").json)
    rings = next(t for t in spec["data"] if "symbol" in t.get("marker", {}))
    assert spec["layout"]["yaxis"]["range"][1] < 10
    assert rings["marker"]["symbol"] == ["triangle-up"]
    assert array(rings["customdata"])[0] == 500.0


def test_long_series_keep_their_extremes_and_say_so(invented):
    n = 20_000
    value = np.sin(np.arange(n) / 50.0)
    value[12_345] = 1.7
    frame = pd.DataFrame({"cycle": np.arange(1, n + 1), "time_s": np.arange(n) * 4.0, "centre_deg": value})
    result = replace(invented.result.parts[0], quantities={}, findings=(), events=())
    figure = trend_figure(Analysis(result=result, tables={"cycles": frame}), "centre_deg")
    drawn = array(json.loads(figure.json)["data"][0]["y"])
    assert len(drawn) < 1500
    assert np.nanmax(drawn) == pytest.approx(1.7, abs=1e-4)  # a step of the packing is 3e-5
    assert "least and greatest" in figure.look_for


def test_the_slowest_decay_allowed_keeps_the_limit_over_the_required_hold(invented):
    figure = next(tank_figures(invented.analyses["T1"]))
    curve = next(t for t in json.loads(figure.json)["data"] if t.get("name") == "least allowed")
    x, y = array(curve["x"]), array(curve["y"])
    # 0.8 left after the required 4 h, from 10 kPa; 1e-3: float32 and the fit starting between two rows
    assert np.interp(x[0] + 4.0, x, y) == pytest.approx(8.0, rel=1e-3) or x[-1] - x[0] < 4.0
    assert np.log(y[0] / y[-1]) / (x[-1] - x[0]) == pytest.approx(-np.log(0.8) / 4.0, rel=1e-3)


def test_the_budget_bar_shows_usable_capacity_and_reserve(invented):
    spec = json.loads(budget_figure(invented.analyses["P1"].result).json)
    usable = 812.0 / (1 - 0.746)
    assert [s["x0"] for s in spec["layout"]["shapes"]] == pytest.approx([usable, 0.8 * usable])


def test_the_budget_is_stacked_by_circuit_and_phase(invented):
    budget = pd.DataFrame(
        {
            "circuit": ["receiver A", "receiver A", "ignition"], "phase": ["idle", "cruise", "<b>cruise"],
            "minutes": [1.0, 6.0, 6.0], "share": [1.0, 1.0, 0.5], "mean_current_a": [0.5, 6.0, 2.0],
            "charge_mah": [12.0, 500.0, 300.0],
        }
    )  # fmt: skip
    figure = budget_figure(invented.analyses["P1"].result, budget)
    spec = json.loads(figure.json)
    bars = [t for t in spec["data"] if t["type"] == "bar"]
    assert [t["x"] for t in bars] == [[12.0], [500.0], [300.0]]
    assert [t["name"] for t in bars if t["showlegend"]] == ["receiver A", "ignition"]
    assert bars[2]["text"] == ["&lt;b&gt;cruise"]
    assert "Largest piece: receiver A, cruise, 62 %" in figure.conclusion  # 500 of 812
    go.Figure(unpacked(spec))


def test_the_open_circuit_curve_says_from_where_to_where():
    table = pd.DataFrame({"charge_mah": np.linspace(0, 3000, 40), "voltage_v": np.linspace(8.3, 7.2, 40)})
    figure = open_circuit_figure(table)
    assert figure.conclusion == "From 8.3 V to 7.2 V over 3000 mAh."
    go.Figure(unpacked(json.loads(figure.json)))


def wedge_ends(spec):
    return [(s["y0"], s["y1"]) for s in spec["layout"]["shapes"] if s["type"] == "line" and "yref" not in s]


def test_a_drift_limit_is_a_wedge_from_where_the_quantity_started(invented):
    a = invented.analyses["S01"]
    spec = json.loads(trend_figure(a, "centre_deg").json)
    trend = a.result.quantities["centre_deg"]
    start = trend.settled.value - trend.drift_per_1000.value * 0.989  # from cycle 1 to cycle 990
    assert wedge_ends(spec) == [
        pytest.approx((start, start - 0.5 * 0.989)),
        pytest.approx((start, start + 0.5 * 0.989)),
    ]
    labels = [n["text"] for n in spec["layout"]["annotations"]]
    assert {"drift +0.5", "drift −0.5"} <= set(labels)


def test_a_step_is_taken_off_before_the_wedge_starts(invented):
    a = invented.analyses["S03"]  # centre jumps by 0.8 at cycle 612
    trend = a.result.quantities["centre_deg"]
    spec = json.loads(trend_figure(a, "centre_deg").json)
    start = trend.settled.value - trend.drift_per_1000.value * 0.989 - 0.8
    assert all(lo == pytest.approx(start) for lo, _ in wedge_ends(spec))


def test_a_drift_limit_in_per_cent_is_one_of_the_settled_value(invented):
    a = invented.analyses["S01"]
    limit = replace(a.result.findings[1], quantity="moving_current_ref_a", aspect="drift_percent",
                    unit="%/1000 cycles", lower=None, upper=10.0)  # fmt: skip
    result = replace(a.result, findings=(limit,))
    spec = json.loads(trend_figure(replace(a, result=result), "moving_current_ref_a").json)
    trend = a.result.quantities["moving_current_ref_a"]
    assert isinstance(trend, Trend)
    (ends,) = wedge_ends(spec)
    assert ends[1] - ends[0] == pytest.approx(0.1 * trend.settled.value * 0.989)
    assert "drift +10 %" in [n["text"] for n in spec["layout"]["annotations"]]


def test_what_was_not_accepted_is_drawn_first_and_on_paper(invented):
    a = invented.analyses["S01"]
    bad = replace(a.result.findings[1], quantity="idle_current_a", verdict="reject")
    worse = replace(a, result=replace(a.result, findings=(*a.result.findings, bad)))
    assert shown_quantities(worse)[0] == "idle_current_a"
    assert shown_quantities(a)[0] == "centre_deg"
    assert trend_figure(worse, "idle_current_a").printed
    assert not trend_figure(a, "idle_current_a").printed


def test_the_limit_of_a_hold_is_drawn_where_no_leak_can_be_told(invented):
    a = invented.analyses["T1"]
    quantities = {k: v for k, v in a.result.quantities.items() if k != "time_constant_h"}
    hold = a.tables["hold"].assign(required_h=5.0)
    figure = next(tank_figures(Analysis(result=replace(a.result, quantities=quantities), tables={"hold": hold})))
    curve = next(t for t in json.loads(figure.json)["data"] if t.get("name") == "least allowed")
    x, y = array(curve["x"]), array(curve["y"])
    # 1e-3: the steps in which the curve is packed
    assert np.log(y[0] / y[-1]) / (x[-1] - x[0]) == pytest.approx(-np.log(0.8) / 5.0, rel=1e-3)


def test_two_holds_of_a_log_each_have_their_band_and_least_decay(invented):
    a = invented.analyses["T1"]
    hold = a.tables["hold"]
    half = float(hold["time_s"].median())
    # the second hold begins 1 kPa higher, as after topping up
    again = hold.assign(hold=np.where(hold["time_s"] < half, 1, 2), fit_kpa=hold["fit_kpa"] + (hold["time_s"] >= half))
    traces = json.loads(next(tank_figures(replace(a, tables={"hold": again}))).json)["data"]
    curves = [t for t in traces if t.get("name") == "least allowed"]
    assert len(curves) == 2
    assert sum(t.get("fill") == "toself" for t in traces) == 2
    assert [c.get("showlegend") for c in curves] == [True, False]
    for c in curves:
        x, y = array(c["x"]), array(c["y"])
        assert np.log(y[0] / y[-1]) / (x[-1] - x[0]) == pytest.approx(-np.log(0.8) / 4.0, rel=1e-2)  # float32, packed


def test_few_readings_by_hand_are_drawn_large_and_over_the_fit(invented):
    a = invented.analyses["T1"]
    few = a.tables["hold"].iloc[200::260].reset_index(drop=True)
    traces = json.loads(next(tank_figures(replace(a, tables={"hold": few}))).json)["data"]
    names = [t.get("name") for t in traces]
    assert names.index("corrected") > names.index("fit, 95 % band")
    assert traces[names.index("corrected")]["marker"]["size"] == 8
