"""Exported CSV must not run in a spreadsheet."""

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchlab.export import csv_text, harmless


@pytest.mark.parametrize("cell", ["=1+1", "@SUM(A1)", "+cmd", "-x", "\tx", "=HYPERLINK(1)"])
def test_text_that_would_run_gets_an_apostrophe(cell):
    assert harmless(cell) == "'" + cell


@pytest.mark.parametrize("cell", ["-5", "+3.2e-4", "-0,5", "OVLD", "", 3.5, None])
def test_numbers_and_plain_text_stay(cell):
    assert harmless(cell) == cell


@given(st.text(max_size=20))
def test_no_text_cell_starts_like_a_formula_unless_it_is_a_number(cell):
    shown = str(harmless(cell))
    assert shown[:1] not in ("=", "@", "\t", "\r")
    if shown[:1] in ("+", "-"):
        float(shown.replace(",", "."))


def test_headers_are_made_harmless_too():
    assert csv_text(pd.DataFrame({"=x": [1.5]})) == "'=x\n1.5\n"
