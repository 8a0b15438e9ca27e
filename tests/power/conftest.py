from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from benchlab.procedure import CurrentProcedure, load_procedures


@pytest.fixture(scope="session")
def procedure() -> CurrentProcedure:
    return load_procedures().current


def log(time_s, current_a, voltage_v=None, phase=None) -> pd.DataFrame:
    """A canonical current log from plain lists."""
    frame = pd.DataFrame({"time_s": np.asarray(time_s, float), "segment": 0, "current_a": np.asarray(current_a, float)})
    if voltage_v is not None:
        frame["voltage_v"] = np.asarray(voltage_v, float)
    if phase is not None:
        frame["phase"] = phase
    return frame


@pytest.fixture(scope="session")
def make_log():
    return log
