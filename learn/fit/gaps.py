"""What an empty cell of a print must hold: what all other prints of its job have there.

A job is printed on one press on one day, and in most shops with one blade at one off-contact, but
not in all: a column is filled only where the shop's own jobs show that their prints are alike.
"""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from learn.process import SETTING_COLUMNS

# What prints of one job may have in common; and those of one ink in it.
OF_JOB, OF_INK = ("press_id", "printed_on", *SETTING_COLUMNS), ("ink_lot",)
# A column is filled where this share of prints, as believed of so many, are like the first of their
# job: from eighteen on if all are, with one exception from thirty-eight.
ALIKE = 0.95


def alike(prints: pd.DataFrame) -> tuple[str, ...]:
    """The columns in which prints of a job of this history are alike."""
    found = []
    prints = prints.reindex(columns=["job_id", "ink_id", *OF_JOB, *OF_INK])
    for column in (*OF_JOB, *OF_INK):
        known = prints[prints["job_id"].notna() & prints[column].notna()]
        if not len(known):
            continue
        by_job = known.groupby(_job(column))[column]
        others = (by_job.cumcount() > 0).to_numpy()
        same = (known[column] == by_job.transform("first")).to_numpy()[others]
        if (same.sum() + 1) / (len(same) + 2) >= ALIKE:
            found.append(column)
    return tuple(found)


def filled(setups: pd.DataFrame, columns: Sequence[str]) -> pd.DataFrame:
    """Set-ups with what is empty in ``columns`` as the others of the same job have it, if these
    agree."""
    if not len(setups) or not setups["job_id"].duplicated().any():
        return setups
    found = {}
    for column in columns:
        empty = setups[column].isna() & setups["job_id"].notna()
        if empty.any():
            by_job = setups.groupby(_job(column))[column]
            one = by_job.transform("nunique") == 1
            found[column] = setups[column].where(~(empty & one), by_job.transform("first"))
    return setups.assign(**found) if found else setups


def _job(column: str) -> list[str]:
    return ["job_id", "ink_id"] if column in OF_INK else ["job_id"]
