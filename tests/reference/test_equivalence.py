"""Two one-sided tests against published values and a general statistics library.

Published: outputs of an equivalence package for R, recorded in statsmodels' own tests (statsmodels 0.15.0,
stats/tests/test_tost.py); read there, second-hand. Data: tost_clinic.csv (see SOURCE.md beside it), margins +-0.6.
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from statsmodels.stats.weightstats import ttost_ind, ttost_paired

from benchlab.matching.equivalence import difference, equivalence
from benchlab.stats.uncertainty import estimate

CLINIC = pd.read_csv(Path(__file__).parent / "equivalence" / "tost_clinic.csv")
ONE, TWO = (CLINIC[CLINIC["group"] == g] for g in (1, 2))
MARGIN = 0.6

# the published figures carry 15 digits; what is left are the last bits of two t distributions
PUBLISHED = 1e-10


def mean(x):
    return estimate(x.mean(), x.std(ddof=1) / np.sqrt(x.size), "1", x.size - 1)


def welch(column):
    gap = difference(mean(ONE[column]), mean(TWO[column]))
    return equivalence(gap.value, gap.u, MARGIN, dof=gap.dof)


def paired(column):
    gap = mean(pd.Series(ONE[column].to_numpy() - TWO[column].to_numpy()))
    return equivalence(gap.value, gap.u, MARGIN, dof=gap.dof)


@pytest.mark.parametrize(
    ("column", "value", "se", "dof", "p"),
    [
        ("var1", 0.1646666666666667, 0.2531625991083627, 26.7484787582315, 0.04853083976236974),
        ("var2", 0.562666666666666, 0.2149871904637392, 24.11000151062728, 0.4317936812594803),
    ],
)
def test_independent_samples_with_unequal_variances(column, value, se, dof, p):
    found = welch(column)
    assert found.difference.value == pytest.approx(value, rel=PUBLISHED)
    assert found.difference.u == pytest.approx(se, rel=PUBLISHED)
    assert found.difference.dof == pytest.approx(dof, rel=PUBLISHED)
    assert found.p_value == pytest.approx(p, rel=PUBLISHED)


@pytest.mark.parametrize(
    ("column", "se", "p"),
    [("var1", 0.1357514067862445, 0.003166881489265175), ("var2", 0.2478276410785118, 0.4412034046017588)],
)
def test_paired_samples(column, se, p):
    found = paired(column)
    assert found.difference.u == pytest.approx(se, rel=PUBLISHED)
    assert found.p_value == pytest.approx(p, rel=PUBLISHED)


def test_pooled_variance():
    found = equivalence(0.1646666666666667, 0.2531625991083628, MARGIN, dof=28)
    assert found.p_value == pytest.approx(0.04827315100761467, rel=PUBLISHED)


@pytest.mark.parametrize("column", ["var1", "var2", "var3", "var4", "var5"])
def test_every_column_equals_statsmodels(column):
    a, b = ONE[column].to_numpy(), TWO[column].to_numpy()
    p, low, high = ttost_ind(a, b, -MARGIN, MARGIN, usevar="unequal")
    found = welch(column)
    assert (found.p_value, found.p_below, found.p_above) == pytest.approx((p, low[1], high[1]), rel=1e-9)
    p, *_ = ttost_paired(a, b, -MARGIN, MARGIN)
    assert paired(column).p_value == pytest.approx(p, rel=1e-9)


def test_accepting_by_probability_is_never_laxer_than_both_tests_at_5_percent():
    for value in np.linspace(-1.5, 1.5, 61):
        for u in (0.05, 0.2, 0.4):
            found = equivalence(float(value), u, 1.0, dof=12)
            if found.p_inside >= 0.95:
                assert found.p_value <= 0.05
