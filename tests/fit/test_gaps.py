"""Empty cells are those of the other prints of the job, where a shop's jobs are of one piece."""

import numpy as np
import pandas as pd

from learn.fit.gaps import OF_INK, OF_JOB, alike, filled
from tests.small_demo import small_model, small_shop


def prints(jobs: int) -> pd.DataFrame:
    """Three prints a job, two of one ink; angle differs from print to print, stencil in one job."""
    n = 3 * jobs
    job = np.arange(n) // 3
    return pd.DataFrame(
        {
            "job_id": [f"J{j}" for j in job],
            "ink_id": ["K1", "K1", "K2"] * jobs,
            "ink_lot": [f"L{j}" if i % 3 < 2 else "L" for i, j in enumerate(job)],
            "press_id": [f"P{j % 3}" for j in job],
            "printed_on": pd.Timestamp("2026-01-05") + pd.to_timedelta(job, "D"),
            "squeegee_shore_a": 60.0 + 5 * (job % 4),
            "squeegee_angle_deg": 5.0 * (np.arange(n) % 4),
            "off_contact_mm": np.nan,
            "eom_um": np.where(np.arange(n) == 1, 9.0, 12.0),
        }
    )


def test_a_column_is_filled_only_where_the_shops_jobs_show_that_prints_are_alike():
    found = alike(prints(10))
    assert found == ("press_id", "printed_on", "squeegee_shore_a")
    assert alike(prints(20)) == (*found, "eom_um", "ink_lot"), "one job is an exception"
    assert alike(prints(8)) == (), "too few to tell"
    assert alike(prints(20).assign(job_id=None)) == ()
    assert alike(prints(20).iloc[:0]) == ()


def test_an_empty_cell_is_that_of_all_others_of_its_job():
    whole = prints(3)
    gaps = whole.copy()
    gaps.loc[[0, 4], "press_id"] = None
    gaps.loc[[3, 4, 5], "squeegee_shore_a"] = np.nan
    gaps.loc[[1, 8], "ink_lot"] = None
    gaps.loc[0, "squeegee_angle_deg"] = np.nan
    now = filled(gaps, (*OF_JOB, *OF_INK))
    assert now["press_id"].tolist() == whole["press_id"].tolist()
    assert now["squeegee_shore_a"].isna().tolist() == [False] * 3 + [True] * 3 + [False] * 3
    assert now["ink_lot"][1] == "L0"
    assert pd.isna(now["ink_lot"][8]), "the other prints of the job are of another ink"
    assert np.isnan(now["squeegee_angle_deg"][0]), "the others do not agree"
    assert now.dtypes.equals(gaps.dtypes)
    pd.testing.assert_frame_equal(filled(now, (*OF_JOB, *OF_INK)), now)
    alone = gaps.assign(job_id=[f"S{i}" for i in range(len(gaps))])
    pd.testing.assert_frame_equal(filled(alone, OF_JOB), alone)
    pd.testing.assert_frame_equal(
        filled(gaps.assign(job_id=None), OF_JOB), gaps.assign(job_id=None)
    )


def test_the_demo_writes_its_press_down_once_a_job():
    """A set-up whose press, blade and stencil are left out is predicted as its job says."""
    model, shop = small_model(), small_shop()
    assert set(OF_JOB) <= set(model.encoder_.alike)
    told = shop.prints.dropna(subset=list(OF_JOB))
    job = told[told["job_id"] == told["job_id"].mode()[0]].reset_index(drop=True)
    left_out = job.copy()
    left_out.loc[0, list(OF_JOB)] = [None, pd.NaT, *[np.nan] * (len(OF_JOB) - 2)]
    as_told, found = model.predict_lab(job), model.predict_lab(left_out)
    np.testing.assert_allclose(found.mean, as_told.mean)
    np.testing.assert_allclose(found.covariance, as_told.covariance)
    alone = model.predict_lab(left_out.head(1))
    assert np.trace(alone.covariance[0]) > np.trace(as_told.covariance[0])
