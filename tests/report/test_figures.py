import base64
import json
from dataclasses import replace

import numpy as np
import pandas as pd
import plotly.graph_objects as go
import pytest

from benchlab.report.figures import ALLOWED_TRACES, base
from benchlab.report.figures.power import budget_figure, power_figures
from benchlab.report.figures.servo import servo_figures, shown_quantities, trend_figure
from benchlab.report.figures.tank import tank_figures
from benchlab.results import Analysis

KINDS = {"f4": np.float32, "i2": np.int16, "i4": np.int32, "f8": np.float64, "i1": np.int8, "u1": np.uint8}


def array(packed):
    return np.frombuffer(base64.b64decode(packed["bdata"]), dtype=KINDS[packed["dtype"]])


def test_a_trace_that_the_bundle_cannot_draw_is_refused():
    with pytest.raises(ValueError, match="box"):
        base.finish(go.Figure(go.Box(y=[1, 2, 3])))


def test_nothing_can_close_the_script_element_that_holds_the_figure():
    text = base.finish(go.Figure(go.Scatter(y=[1, 2], name="</script><script>alert(1)</script>&")))
    assert not set("<>&") & set(text)
    assert json.loads(text)["data"][0]["name"] == "</script><script>alert(1)</script>&"


def test_all_figures_use_traces_of_the_bundle_and_say_what_they_show(invented):
    makers = {"servo": servo_figures, "tank": tank_figures, "circuit": power_figures, "pack": power_figures}
    made = [f for a in invented.analyses.values() if a.result.kind in makers for f in makers[a.result.kind](a)]
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
    assert drawn.max() == np.float32(1.7)
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
