"""Jobs in words: which colour holds one up, how likely all of it comes out, what to do."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import NamedTuple

import pandas as pd

from learn.predict.causes import Cause
from pipelines.words.common import chance, counted, number
from pipelines.words.prediction import known
from pipelines.words.verdict import HEADLINES, kind

NAMED_AT_MOST = 3
DO = {"change": "change", "test": "test", "no_target": "give a target for"}
GO = "print and measure"
NOT_TOGETHER = {
    "test": "test {held}: each colour would go by itself, not all together",
    "change": "bring {held} nearer its target, or agree a wider tolerance: each colour would go by "
    "itself, but prints scatter, and not all together",
}


class Line(NamedTuple):
    """What a board tells of one job."""

    name: str
    day: pd.Timestamp | None  # the first of its days
    garments: tuple[str, ...]
    rows: tuple[int, ...]  # positions of its set-ups
    colours: tuple[str, ...]  # what they are called
    kind: str  # a key of `HEADLINES`
    headline: str  # with the colour that holds it up
    p: float | None  # chance that all are in tolerance; None unless every colour has a target
    do: str

    @property
    def chance(self) -> str:
        """The chance in words."""
        if self.p is not None:
            return chance(self.p)
        return "no target" if self.kind == "no_target" else "not told"


def board(jobs: pd.DataFrame, predictions: pd.DataFrame, setups: pd.DataFrame) -> list[Line]:
    """A line a job, the worst first.

    ``jobs`` as `learn.predict.jobs.judge_jobs` gives them, ``predictions`` with the columns of
    predictions, ``setups`` with names (`Catalogue.describe`), both in its order.
    """
    rows = setups.to_dict("records")
    found = predictions.to_dict("records")
    lines = [_line(job, rows, found) for job in jobs.to_dict("records")]
    order = list(HEADLINES)
    return sorted(lines, key=lambda one: (order.index(one.kind), -1.0 if one.p is None else one.p))


def summary(lines: Sequence[Line]) -> str:
    """One line: how many jobs go straight on, want a test print, have to change."""
    n = Counter(line.kind for line in lines)
    aimless = f", {n['no_target']} without a target" if n["no_target"] else ""
    return (
        f"{counted(len(lines), 'job')}: {n['go']} straight to production, {n['test']} with a test "
        f"print first, {n['change']} to change first{aimless}."
    )


def table(lines: Sequence[Line]) -> str:
    """A line a job for a terminal."""
    width = max(3, *(len(line.name) for line in lines))
    head = f"{'job':<{width}}  {'verdict':<23}  {'all in tolerance':<16}  what to do"
    return "\n".join(
        [head]
        + [
            f"{line.name:<{width}}  {HEADLINES[line.kind]:<23}  {line.chance:<16}  {line.do}"
            for line in lines
        ]
    )


def colour_names(rows: Sequence[Mapping]) -> list[str]:
    """What the colours of a job are called: ``Bright Red on Navy``; alike ones with the set-up."""
    names = [
        f"{known(row, 'ink_name') or row['ink_id']} on "
        f"{known(row, 'colour_name') or row['substrate_id']}"
        for row in rows
    ]
    times = Counter(names)
    return [
        f"{name} ({row['setup_id']})" if times[name] > 1 else name
        for name, row in zip(names, rows, strict=True)
    ]


def _line(job: Mapping, setups: Sequence[Mapping], found: Sequence[Mapping]) -> Line:
    own = [setups[i] for i in job["rows"]]
    names = dict(zip(job["rows"], colour_names(own), strict=True))
    what = kind(job)
    garments = [str(known(row, "colour_name") or row["substrate_id"]) for row in own]
    days = [row["printed_on"] for row in own if known(row, "printed_on") is not None]
    held = names.get(job["held_by"])
    return Line(
        name=str(known(job, "job_id") or own[0]["setup_id"]),
        day=min(days) if days else None,
        garments=tuple(dict.fromkeys(garments)),
        rows=tuple(job["rows"]),
        colours=tuple(names.values()),
        kind=what,
        headline=HEADLINES[what] if held is None else f"{HEADLINES[what]}: {held}",
        p=known(job, "p_all"),
        do=_do(job, what, names, found),
    )


def _do(job: Mapping, what: str, names: Mapping[int, str], found: Sequence[Mapping]) -> str:
    """What there is to do, colour by colour, the least likely first."""
    if what == "go":
        return GO
    if job["alone"]:
        return NOT_TOGETHER[what].format(held=names[job["held_by"]])
    todo = []
    for one, do in DO.items():
        at = [i for i in job["rows"] if kind(found[i]) == one]
        at.sort(key=lambda i: known(found[i], "p_in_tolerance") or 0.0)
        said = [names[i] + _off(found[i]) for i in at[:NAMED_AT_MOST]]
        if len(at) > NAMED_AT_MOST:
            said.append(f"{len(at) - NAMED_AT_MOST} more")
        if said:
            todo.append(f"{do} {', '.join(said)}")
    return "; ".join(todo)


def _off(row: Mapping) -> str:
    off = known(row, "target_dE00")
    return f" ({number(off)} dE00 off)" if row["cause"] == Cause.MISSES and off is not None else ""
