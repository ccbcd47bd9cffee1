"""The report card: what each version forecast of prints before anything was learnt from them.

A line a batch and version, only ever added to; it is kept with the versions it is about
(`pipelines.registry.archive`).
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import pandas as pd

from pipelines.registry.archive import Archive
from pipelines.registry.sealed import CARD
from pipelines.words.common import counted, minute
from pipelines.workspace.problems import UserError

if TYPE_CHECKING:
    from learn.assessment.forecasts import Paired

FORM = 1
RECENT = 5  # batches


@dataclass(frozen=True)
class Record:
    """One version's forecast of one batch.

    ``fitted``: the version that was learnt anew last, of which this one is a continuation;
    ``forecasts``: as of :mod:`learn.assessment.forecasts`; ``marks``: print_id -> mark of its row;
    ``unknown``: prints not scored, of things the version was never told of; ``aside``: prints
    not scored because the check on arrival has set them aside, which flatters the rest.
    """

    version: str
    in_charge: bool
    fitted: str
    forecasts: pd.DataFrame
    marks: dict[str, int]
    unknown: int = 0
    when: str = ""
    aside: list[str] = field(default_factory=list)


def add(kept: Archive, records: Sequence[Record], card: Sequence[Record] | None = None) -> bool:
    """Add records; what is there already is never touched.

    With a ``card``, as it was read, nothing is added and the answer is False if another computer
    has added to it since.
    """
    now = datetime.now(UTC).isoformat(timespec="seconds")

    def lines(there: bytes) -> list[str] | None:
        if card is not None and len(_records(kept, there)) != len(card):
            return None
        return [json.dumps(_plain(record, now)) for record in records]

    return kept.add_to_card(lines)


def read(kept: Archive) -> list[Record]:
    """All records, oldest first; a line cut off by a killed program is passed over.

    Raises UserError when the card is of another version, or not what was written.
    """
    return _records(kept, kept.card())


def _records(kept: Archive, lines: bytes) -> list[Record]:
    found = []
    for line in lines.splitlines():
        try:
            told = json.loads(line)
            if told["form"] != FORM:
                raise UserError(
                    f"{kept.where(CARD)}: is of form {told['form']}, this program reads form "
                    f"{FORM}; move it away to begin a new report card."
                )
            forecasts = pd.DataFrame(told["forecasts"])
            fields = ("version", "in_charge", "fitted", "marks", "unknown", "when")
            found.append(
                Record(
                    forecasts=forecasts,
                    aside=told.get("aside", []),  # older lines say nothing of them
                    **{name: told[name] for name in fields},
                )
            )
        except (ValueError, KeyError, TypeError):
            continue
    return found


def forecast_already(records: Iterable[Record]) -> set[tuple[str, int]]:
    """(print_id, mark) of every print that has had its one honest forecast."""
    return {pair for record in records if record.in_charge for pair in record.marks.items()}


def counted_already(records: Iterable[Record]) -> set[str]:
    """print_ids that stand on the card as set aside on arrival."""
    return {print_id for record in records for print_id in record.aside}


def since_fitted(records: Iterable[Record], fitted: str) -> pd.DataFrame | None:
    """Recent forecasts in charge by a version learnt anew and its continuations."""
    own = [r.forecasts for r in records if r.in_charge and r.fitted == fitted and len(r.forecasts)]
    own = own[-RECENT:]
    return pd.concat(own, ignore_index=True) if own else None


def pairs(records: list[Record], version: str, other: str) -> list[tuple[Record, Record]]:
    """Recent batches that both versions forecast, (of ``version``, of ``other``)."""
    by = [{tuple(sorted(r.marks.items())): r for r in records if r.version == name and r.marks}
          for name in (version, other)]  # fmt: skip
    return [(by[0][key], by[1][key]) for key in by[0] if key in by[1]][-RECENT:]


def figures(forecasts: pd.DataFrame) -> dict[str, float]:
    """n, jobs, median_dE00, coverage90, energy, expected, crps of some forecasts."""
    return {
        "n": len(forecasts),
        "jobs": int(forecasts["job"].nunique()),
        "median_dE00": float(forecasts["dE00"].median()),
        "coverage90": float(forecasts["inside"].sum() / (3 * len(forecasts))),
        "energy": float(forecasts["energy"].mean()),
        "expected": float(forecasts["expected"].mean()),
        "crps": float(forecasts["crps"].mean()),
    }


def table(records: list[Record], *, details: bool = False) -> list[str]:
    """The latest forecasts in charge, a line a batch; with the scores they are judged by."""
    own = [r for r in records if r.in_charge and (len(r.forecasts) or r.aside)]
    if not own:
        return ["Report card: empty; strikeoff learn scores each batch before learning from it."]
    said = [
        "Report card, forecasts of prints before anything was learnt from them:",
        "version  scored            prints  set aside  half within  in 90 % bands"
        + ("  energy (expected)  CRPS" if details else ""),
    ]
    for record in own[-2 * RECENT :]:
        day = minute(record.when)
        line = f"{record.version:<9}{day:<16}  {len(record.forecasts):>6}  {len(record.aside):>9}"
        if not len(record.forecasts):
            said.append(line)
            continue
        f = figures(record.forecasts)
        held = f"{100 * f['coverage90']:.1f} %"
        energy = f"{f['energy']:.2f} ({f['expected']:.2f})"
        scores = f"  {energy:>17}  {f['crps']:>4.2f}" if details else ""
        said.append(f"{line}  {f['median_dE00']:>11.2f}  {held:>13}{scores}")
    if (more := len(own) - 2 * RECENT) > 0:
        said.append(f"and {counted(more, 'earlier batch', 'earlier batches')}.")
    return said


def side_by_side(records: list[Record], one: str, other: str) -> list[str]:
    """Two versions on the recent batches that both forecast; nothing where there are none."""
    from learn.assessment.forecasts import compare  # slow to import

    both = pairs(records, one, other)
    if not both:
        return []
    first, second = (pd.concat([pair[i].forecasts for pair in both]) for i in (0, 1))
    paired = compare(first, second)
    told = (
        "too few jobs to compare"
        if paired is None
        else f"{one} forecast {in_words(paired)}, beside {other}"
    )
    return [f"On {counted(len(both), 'batch', 'batches')} both forecast before learning: {told}."]


def in_words(paired: Paired) -> str:
    """``4 % better (90 % sure: 9 % better to 2 % worse; 12 prints of 6 jobs)``

    By the energy score, which counts how near a forecast came and whether its bands were right.
    """

    def moved(share: float) -> str:
        percent = round(100 * abs(share), 1)
        return f"{percent:g} % {'worse' if share > 0 else 'better'}" if percent else "the same"

    return (
        f"{moved(paired.change)} (90 % sure: {moved(paired.lo)} to {moved(paired.hi)}; "
        f"{counted(paired.prints, 'print')} of {counted(paired.jobs, 'job')})"
    )


def _plain(record: Record, now: str) -> dict[str, Any]:
    frame = record.forecasts
    numbers = frame.select_dtypes("number").columns
    frame = frame.assign(**{name: frame[name].astype(float).round(6) for name in numbers})
    return {
        "form": FORM,
        "when": record.when or now,
        "version": record.version,
        "in_charge": record.in_charge,
        "fitted": record.fitted,
        "unknown": record.unknown,
        "aside": record.aside,
        "marks": record.marks,
        "forecasts": frame.to_dict("list"),
    }
