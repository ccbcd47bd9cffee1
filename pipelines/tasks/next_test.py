"""Which test print saves most over open jobs, and why that one."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, NamedTuple

from pipelines.tasks.left_open import left_open
from pipelines.tasks.of_today import COLUMNS, of_today
from pipelines.words.common import counted, missing
from pipelines.workspace.problems import Kind, UserError

if TYPE_CHECKING:
    import pandas as pd

    from pipelines.registry.opened import Opened
    from pipelines.tasks.usual import Usual

MOST = 150  # jobs at once: every pair is looked at
LOST = -0.5  # test prints of others spared, from which on it is told that more will be wanted
CAREFUL = (
    " What was printed once is judged more carefully than what never was: after it more of these "
    "jobs may want a test print of their own."
)


class Ranking(NamedTuple):
    """Test prints of open jobs."""

    ranked: pd.DataFrame  # `learn.planning.next_test.rank_tests`: the one that saves most first
    of_job: dict[str, str]  # what becomes of the job of each; empty where each is one of its own
    said: str  # which first, and why
    also: list[str]  # of what nobody knows yet how it prints, and what would spare a test print
    notes: list[str]


def ranking(
    setups: pd.DataFrame, opened: Opened, file: str, usual_of: Callable[[], Usual]
) -> Ranking:
    """Rank set-ups, typed, of ``file``; those without a target are left out. ``usual_of``: see
    `left_open`.

    Raises UserError where none has one, or they are too many.
    """
    from learn.fit.lot_cards import level_of
    from learn.planning.next_test import rank_tests, unproven_lots
    from pipelines.words.left_open import many_left_open
    from pipelines.words.lots import unproven_lines

    setups, notes = of_today(setups, opened, COLUMNS)
    aimed = setups[["target_L", "target_a", "target_b"]].notna().all(axis=1)
    if not aimed.any():
        raise UserError(f"{file}: no set-up has a target; fill in the column target.", Kind.MISSING)
    if not aimed.all():
        notes.append(f"{counted(int((~aimed).sum()), 'set-up')} without a target left out.")
    jobs = setups[aimed].reset_index(drop=True)
    if len(jobs) > MOST:
        raise UserError(
            f"{file}: {len(jobs)} set-ups with a target; give {MOST} at most at a time."
        )
    ranked = rank_tests(opened.model, jobs)
    # those without a target too: they hold a job up
    predicted, judged = opened.predict_jobs(setups)
    # of which prints wait for a decision was printed, and that is told elsewhere
    waits = {one.level for some in ranked["unseen"] for one in some if one.how == "waits"}
    unproven = [
        one
        for one in unproven_lots(ranked, jobs, opened.model.prints_of_lot)
        if level_of(one.ink, one.lot) not in waits
    ]
    told = list(unproven_lines(unproven, opened.catalogue.called("inks")))
    told += _whatever_the_chance(ranked, opened)
    told += many_left_open(
        left_open(opened, usual_of, setups, predicted), opened.catalogue.things()
    )
    said, of_job = _said(ranked, opened), _of_jobs(judged, setups["setup_id"].tolist())
    return Ranking(ranked, of_job, said, told, notes)


def _said(ranked: pd.DataFrame, opened: Opened) -> str:
    from learn.planning.next_test import saves
    from learn.predict.causes import Verdict

    best, needed = ranked.iloc[0], int((ranked["verdict"] == Verdict.TEST).sum())
    if saves(ranked, opened.catalogue.settings):
        return (
            f"Over {counted(len(ranked), 'set-up')} test {best['setup_id']} first; record it, "
            "learn, take it out of the file, ask again."
        )
    if needed:
        return (
            f"Set-ups that want a test print of their own: {needed}. None is expected to spare "
            "another, so they stand in order of risk - the chance to miss times what a spoiled run "
            f"costs: test {best['setup_id']} first ({missing(best['p'])} to miss)."
        ) + (CAREFUL if best["spared"] <= LOST else "")
    return "No test print is expected to pay for itself over these set-ups; the riskiest is first."


def _whatever_the_chance(ranked: pd.DataFrame, opened: Opened) -> list[str]:
    """Why jobs want a test print whatever their chance, each reason once."""
    from learn.predict.causes import Unseen, Verdict
    from pipelines.words.lots import some_jobs
    from pipelines.words.verdict import unseen_words

    jobs: dict[Unseen, list[str]] = {}
    for row in ranked[ranked["verdict"] == Verdict.TEST].to_dict("records"):
        for one in filter(lambda one: one.wants_test, row["unseen"]):
            jobs.setdefault(one, []).append(row["setup_id"])
    things = opened.catalogue.things()
    said = {unseen_words([one], things): some_jobs(names) for one, names in jobs.items()}
    return [
        f"{why[:1].upper()}{why[1:]}: a test print comes first whatever the chance, for {names}."
        for why, names in said.items()
    ]


def _of_jobs(jobs: pd.DataFrame, ids: list[str]) -> dict[str, str]:
    """What becomes of the job of each set-up, by its ``setup_id``; empty where every set-up is a
    job of its own: what goes by itself may belong to a job that does not."""
    from pipelines.words.prediction import known
    from pipelines.words.verdict import HEADLINES, kind

    if len(jobs) == len(ids):
        return {}
    return {
        ids[i]: f"{known(job, 'job_id') or ids[i]}: {HEADLINES[kind(job)].lower()}"
        for job in jobs.to_dict("records")
        for i in job["rows"]
    }
