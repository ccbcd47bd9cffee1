"""Fixtures that several test modules share."""

from __future__ import annotations

import gc
import os
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import settings
from threadpoolctl import threadpool_limits

from learn.planning.candidates import Grid
from learn.planning.plan import Plan, plan, usual_setup
from pipelines.tasks import of_today
from tests.damaged import Sound, sound
from tests.inks_once import fit_once
from tests.scratch import keep_in_memory
from tests.servers import fresh_database, running_server
from tests.small_demo import GARMENTS, SMALL, held_out, small_model, small_shop, small_workspace

keep_in_memory()
fit_once()
# Python looks for dead cycles after every 700 new objects, among all the modules there are: a tenth
# of the time of a run.
gc.set_threshold(50_000, 20, 100)
# Tests run at once on all processors: more BLAS threads would only wait.
threadpool_limits(limits=1, user_api="blas")
# And workers that a command would start by default would import everything only to wait as well:
# what is shared out is tried where a test says among how many.
os.environ["LOKY_MAX_CPU_COUNT"] = "1"
# The same examples in every run, and no example fails for being slow.
settings.register_profile("same", deadline=None, derandomize=True)
settings.load_profile("same")


def pytest_xdist_auto_num_workers() -> int:
    """One more than processors: of some tests a browser, a server or another process does the
    work."""
    return (os.cpu_count() or 1) + 1


# What is asked without a day is of this one, as far from the last print in every run.
TODAY = date(2026, 3, 2)
of_today.today = lambda: TODAY


@pytest.fixture(scope="session")
def server() -> Iterator[str]:
    """A PostgreSQL server; tests that ask for it are skipped where there is none."""
    with running_server() as url:
        yield url


@pytest.fixture(params=["sqlite", "postgresql"])
def source(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Path | str]:
    """A place for a shop's database, empty: a file, then a real server's."""
    if request.param == "sqlite":
        yield tmp_path / "shop.db"
        return
    with fresh_database(request.getfixturevalue("server")) as url:
        yield url


@pytest.fixture(scope="session")
def learnt_workspace(tmp_path_factory):
    """The small shop in a database, and the model that has learnt it."""
    return small_workspace(tmp_path_factory.mktemp("learnt"))


@pytest.fixture(scope="session")
def sound_shop(tmp_path_factory) -> Sound:
    """A small shop with two versions of its model, to be damaged; it is put right each time."""
    return sound(tmp_path_factory.mktemp("sound"))


@pytest.fixture(scope="session")
def grid() -> Grid:
    """Every set-up of three inks, three meshes and one press of the small demo shop."""
    return Grid.of(small_model(), SMALL)


@pytest.fixture(scope="session")
def small_plan() -> Plan:
    """A plan for a red on three garments."""
    usual = usual_setup(small_shop().prints, GARMENTS)
    return plan(small_model(), [33, 55, 28], GARMENTS, limits=SMALL, usual=usual)


@pytest.fixture(scope="session")
def open_jobs() -> pd.DataFrame:
    """Twelve jobs of an ink never printed, each with a target it can reach."""
    jobs = held_out("unseen_ink").iloc[:12].reset_index(drop=True)
    return jobs.assign(
        target_L=jobs["true_L"],
        target_a=jobs["true_a"],
        target_b=jobs["true_b"],
        tolerance_dE00=2.0,
    )
