"""Statistics over windows of rows, against numpy window by window."""

import numpy as np
import pytest
from scipy.ndimage import median_filter

from benchlab.servo import windows
from benchlab.servo.supply_events import _can_be_low


def some_windows(seed, n=2000):
    """Readings, some missing, and windows of all lengths, empty ones too."""
    rng = np.random.default_rng(seed)
    x = np.round(rng.normal(size=n), 1)
    x[rng.random(n) < 0.1] = np.nan
    start = np.sort(rng.integers(0, n, 60))
    return x, start, np.minimum(start + rng.integers(0, 300, 60), n)


def each(x, start, stop):
    return [x[a:b][np.isfinite(x[a:b])] for a, b in zip(start, stop, strict=True)]


@pytest.mark.parametrize("seed", range(5))
def test_statistics_are_those_of_each_window_alone(seed):
    x, start, stop = some_windows(seed)
    held = each(x, start, stop)
    nan = float("nan")
    for got, of_one in (
        (windows.mean(x, start, stop), np.mean), (windows.lowest(x, start, stop), np.min),
        (windows.highest(x, start, stop), np.max),
        (windows.quantile(x, start, stop, 0.98), lambda v: np.quantile(v, 0.98)),
    ):  # fmt: skip
        assert got == pytest.approx([of_one(v) if len(v) else nan for v in held], nan_ok=True)


def test_a_glitch_enters_neither_mean_nor_scatter():
    x = np.random.default_rng(1).normal(size=400)
    clean = x.copy()
    x[150] = 40.0
    mean, sd, count = windows.robust(x, np.array([100]), np.array([300]), 0.0)
    rest = np.delete(clean[100:300], 50)
    assert (mean[0], sd[0], count[0]) == (pytest.approx(rest.mean()), pytest.approx(rest.std(ddof=1)), 199)


def test_a_sum_depends_on_its_window_alone():
    rng = np.random.default_rng(2)
    x = rng.normal(size=5000) * 1e6
    sums = {
        windows.total(np.concatenate([rng.normal(size=k), x, rng.normal(size=5)]), np.array([k]), np.array([k + 5000]))[
            0
        ]
        for k in range(30)
    }
    assert len(sums) == 1


def test_rows_of_windows_one_after_another_with_and_without_gaps_between_them():
    x = np.arange(20)
    for start, stop in (([2, 5], [5, 9]), ([2, 6], [4, 9]), ([6, 2], [9, 4]), ([3, 3], [3, 5])):
        expected = np.concatenate([x[a:b] for a, b in zip(start, stop, strict=True)])
        assert windows.ragged(x, np.array(start), np.array(stop)).tolist() == expected.tolist()


@pytest.mark.parametrize("width", [3, 17, 51])
def test_no_place_where_a_running_median_is_low_is_passed_over(width):
    x = np.random.default_rng(width).normal(size=3000)
    x[700 : 700 + width] -= 2.0
    x[: width // 2] -= 2.0
    low = median_filter(x, size=width, mode="reflect") < -1.0
    suspect = _can_be_low(x < -1.0, width)
    assert low.any()
    assert (suspect | ~low).all()
    # away from the ends it is exact
    assert (suspect == low)[width:-width].all()
