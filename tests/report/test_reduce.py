import itertools

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from benchlab.report.reduce import corner_rows, min_max_rows

SERIES = arrays(np.float64, st.integers(1, 400), elements=st.floats(-1e6, 1e6) | st.just(np.nan))


@settings(deadline=None)
@given(SERIES, st.integers(1, 50))
def test_no_extreme_is_lost(value, bins):
    kept = value[min_max_rows(value, bins)]

    assert len(kept) <= max(2 * bins + 2, 0)
    if np.isfinite(value).any():
        assert np.nanmin(kept) == np.nanmin(value)
        assert np.nanmax(kept) == np.nanmax(value)


@settings(deadline=None)
@given(SERIES, st.integers(1, 50))
def test_each_stretch_keeps_its_first_extremes(value, bins):
    if len(value) <= 2 * bins:
        return
    ends = [*np.linspace(0, len(value), bins, endpoint=False).astype(int), len(value)]
    expected = {0, len(value) - 1}
    for lo, hi in itertools.pairwise(ends):
        if np.isfinite(value[lo:hi]).any():
            expected |= {lo + int(np.nanargmin(value[lo:hi])), lo + int(np.nanargmax(value[lo:hi]))}
    assert set(min_max_rows(value, bins).tolist()) == expected


@settings(deadline=None)
@given(arrays(np.float64, st.integers(3, 200), elements=st.floats(-100, 100)), st.floats(0.01, 10))
def test_straight_lines_between_the_rows_kept_stay_near_the_curve(y, tolerance):
    x = np.arange(len(y), dtype=float)
    rows = corner_rows(x, [y], tolerance)

    # 1e-9: rounding of the interpolation of values up to 100
    assert np.max(np.abs(np.interp(x, x[rows], y[rows]) - y)) <= tolerance + 1e-9


def test_a_straight_line_needs_its_ends_only():
    x = np.arange(100.0)
    assert list(corner_rows(x, [2 * x + 1], 1e-6)) == [0, 99]


def test_a_step_keeps_both_its_sides():
    y = np.where(np.arange(100) < 60, 0.0, 1.0)
    assert {59, 60} <= set(corner_rows(np.arange(100.0), [y], 0.01))
