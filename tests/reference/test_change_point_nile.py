"""Change point of the Nile's annual flow (nile/SOURCE.md): one fall of level after the 28th year, 1898."""

from pathlib import Path

import numpy as np
import pytest

from benchlab.stats.steps import optimal_partition, place_interval, scan
from benchlab.stats.trend import fit_trend


@pytest.fixture
def nile():
    return np.loadtxt(Path(__file__).parent / "nile" / "nile.csv", delimiter=",", skiprows=1, unpack=True)


def test_exact_partition_cuts_after_the_28th_year(nile):
    _, flow = nile
    assert np.sum((flow - flow.mean()) ** 2) == pytest.approx(2835157, abs=1)
    penalty = 2 * flow.var() * np.log(len(flow))
    assert optimal_partition(flow, penalty, min_size=5) == [28]
    rss = sum(np.sum((piece - piece.mean()) ** 2) for piece in (flow[:28], flow[28:]))
    assert rss == pytest.approx(1597457, abs=1)


def test_interval_of_the_place(nile):
    """Published: 25 to 32, from the distribution of the estimated place over repeated data.

    Ours are the places that hold 95 % of the likelihood of these data, another and here a narrower definition: it must
    hold the published place and lie within the published interval.
    """
    year, flow = nile
    s = scan(year, flow, np.ones((100, 1)), [], 5)
    best = int(s.at.argmin())
    assert best == 28
    low, high = place_interval(s.at, best)
    assert 25 <= low < 28 < high <= 32


def test_trend_fit_reports_the_step(nile):
    year, flow = nile
    fit = fit_trend(year, flow, unit="1e8 m3", models=("constant",))
    (step,) = fit.steps
    assert step.cycle == 1899  # first year at the new level
    # level means computed from the two pieces: 1097.75 and 849.972; the correlation's weights shift them a little
    assert step.size.value == pytest.approx(849.972 - 1097.75, abs=0.3 * step.size.u)
