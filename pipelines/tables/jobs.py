"""Set-ups that belong to one job: what they are called, one spelling, their order on the press."""

from __future__ import annotations

import pandas as pd

from pipelines.tables.targets import plain
from pipelines.workspace.problems import Kind, Problem


def with_setup_ids(given: pd.DataFrame) -> pd.DataFrame:
    """Text cells with a name for every set-up of a table that names jobs: where it has none, the
    job and a number; without a job, and a column of names, the row of the file."""
    if "job_id" not in given:
        return given
    job = given["job_id"].map(str.strip)
    number = job.groupby(job.map(plain)).cumcount() + 1
    of_job = (job + "-" + number.astype(str)).where(job != "", "")
    if "setup_id" not in given:
        rows = [f"row {row}" for row in given.index]
        return given.assign(setup_id=of_job.where(job != "", rows))
    named = given["setup_id"].map(str.strip) != ""
    return given.assign(setup_id=given["setup_id"].where(named, of_job))


def one_spelling(frame: pd.DataFrame, file: str) -> tuple[pd.DataFrame, list[str]]:
    """Typed set-ups with every job as it is first written, and what was taken as one job.

    Half a job under another spelling would be judged without the colour that holds it up.
    """
    first: dict[str, str] = {}
    told = []
    for job in frame["job_id"].dropna().unique():
        if (known := first.setdefault(plain(job), job)) != job:
            told.append(f'{file}: jobs "{job}" and "{known}" are taken as one.')
    names = {job: first[plain(job)] for job in frame["job_id"].dropna().unique()}
    return frame.assign(job_id=frame["job_id"].replace(names)), told


def check_order(frame: pd.DataFrame, file: str) -> list[Problem]:
    """Two colours of a job on one garment cannot be printed at the same place of the order."""
    placed = frame[frame["print_order"].notna() & frame["job_id"].notna()]
    keys = ["job_id", "substrate_id", "print_order"]
    problems = []
    for row in placed.index[placed.duplicated(keys)]:
        one = placed.loc[row]
        what = (
            f"{one['print_order']:g} stands twice in job {one['job_id']} on {one['substrate_id']}"
        )
        do = "give every colour of a job on one garment a place of its own, or leave the column out"
        problems.append(Problem(file, int(row), "print_order", what, do, Kind.DUPLICATE))
    return problems
