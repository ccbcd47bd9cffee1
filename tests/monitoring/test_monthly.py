"""Film by press and month."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from learn.monitoring.monthly import by_month


def test_months_are_averaged_as_prints_tell():
    """The weighted mean of inverse variance, and 1.6449 of its standard deviation (a 90 % band)."""
    frame = pd.DataFrame(
        {
            "press": ["P1", "P1", "P1", None, "P2"],
            "date": pd.to_datetime(["2025-01-02", "2025-01-30", "2025-02-01", "2025-01-01", None]),
            "film_error": [0.10, 0.00, -0.05, 1.0, 1.0],
            "film_sd": [0.02, 0.04, 0.03, 0.1, 0.1],
        }
    )
    found = by_month(frame)
    assert found["prints"].tolist() == [2, 1]
    middle, told = (0.10 / 0.02**2) / (1 / 0.02**2 + 1 / 0.04**2), 1 / 0.02**2 + 1 / 0.04**2
    assert found["percent"][0] == pytest.approx(100 * np.expm1(middle))
    assert found["hi"][0] == pytest.approx(100 * np.expm1(middle + 1.6449 / told**0.5), rel=1e-4)
    assert found["month"].dt.strftime("%Y-%m").tolist() == ["2025-01", "2025-02"]
    assert by_month(frame.iloc[3:]).empty


def test_a_print_that_tells_next_to_nothing_of_its_film_gives_no_endless_band():
    frame = pd.DataFrame(
        {"press": ["P1"], "date": pd.to_datetime(["2026-01-05"]), "film_error": [0.0]}
    ).assign(film_sd=1e4)
    (row,) = by_month(frame).to_dict("records")
    assert row["percent"] == 0 and np.isfinite([row["lo"], row["hi"]]).all()
