"""Outlier tests against worked examples of the NIST/SEMATECH e-Handbook (handbook/SOURCE.md)."""

from pathlib import Path

import numpy as np
import pytest

from benchlab.stats.outliers import grubbs, modified_z, rosner_esd

DATA = Path(__file__).parent / "handbook"


def test_rosner_54_values_have_three_outliers():
    """R1 and R2 lie below their critical values, R3 above: a test that stops at the first failure finds none."""
    y = np.loadtxt(DATA / "rosner_esd_data.csv", skiprows=1)
    table = np.loadtxt(DATA / "rosner_esd_table.csv", delimiter=",", skiprows=1)
    test = rosner_esd(y, 10, alpha=0.05)
    assert sorted(y[test.outliers], reverse=True) == [6.01, 5.42, 5.34]
    # the printed table is cut off, not rounded, after three decimals
    np.testing.assert_allclose(test.statistic, table[:, 1], atol=1e-3)
    np.testing.assert_allclose(test.critical, table[:, 2], atol=1e-3)


@pytest.mark.parametrize(("two_sided", "critical"), [(False, 2.032), (True, 2.126)])
def test_grubbs_uranium_readings(two_sided, critical):
    y = np.loadtxt(DATA / "grubbs_uranium.csv", skiprows=1)
    test = grubbs(y, alpha=0.05, two_sided=two_sided)
    # printed 2.4687, cut off; recomputed 2.468764611
    assert test.statistic == pytest.approx(2.468764611, abs=1e-9)
    # printed with three decimals, one of the two cut off
    assert test.critical == pytest.approx(critical, abs=1e-3)
    assert test.outlier
    assert y[test.index] == 245.57


def test_modified_z_of_the_uranium_readings():
    """Formula and the bound of 3.5: e-Handbook 1.3.5.17 (from memory); median 201.37 and MAD 0.995 by hand."""
    y = np.loadtxt(DATA / "grubbs_uranium.csv", skiprows=1)
    z = modified_z(y)
    assert z[-1] == pytest.approx(0.6745 * (245.57 - 201.37) / 0.995, rel=1e-12)
    assert z[-1] == pytest.approx(29.9627, abs=1e-4)
    assert np.abs(z[:-1]).max() == pytest.approx(1.397, abs=1e-3)
