"""What recording a batch of measured prints adds to a shop's ledger. Nothing is stored here."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np
import pandas as pd

from learn.colour.colorimetry import viewing
from learn.physics.drawdowns import lab_columns
from learn.shop import UNDERBASE
from pipelines.ledger import aims
from pipelines.ledger.averaging import Averaged, average
from pipelines.ledger.incoming import Incoming
from pipelines.ledger.press_changes import check_added_changes, together
from pipelines.ledger.state import Addition, Batch, Decision, Ledger, Sheet, State, current, judged
from pipelines.ledger.whole_book import DESCRIBED, only_new
from pipelines.tables import checks, lots
from pipelines.tables.folder import Given, check_added, check_described, known_in
from pipelines.tables.names import with_ids
from pipelines.tables.otherwise import written_otherwise
from pipelines.tables.presses import new_presses, printed_on
from pipelines.tables.schema import PRESSES, PRINTS, SHOP_TABLES
from pipelines.tables.settings import read_settings
from pipelines.tables.spectra import SPECTRUM
from pipelines.workspace.problems import Findings, InputProblems, Kind, Problem, UserError

RECORD = "record"
# Rows that come in are checked beside those that are there, under numbers of their own.
_OWN = 10_000_000
NO_ID = "(no id)"  # what a print without one is called


@dataclass(frozen=True)
class Doubt:
    """Why one print is doubtful, in words, and its standardised distance."""

    print_id: str
    reason: str
    distance: float


# Typed prints, their Lab, whether typed in, the tables they stand in -> doubts.
Gate = Callable[[pd.DataFrame, np.ndarray, np.ndarray, Given], list[Doubt]]


@dataclass
class Report:
    """What came of a batch, to be told."""

    in_use: list[str] = field(default_factory=list)
    doubts: list[Doubt] = field(default_factory=list)
    faults: list[tuple[str, str, str]] = field(default_factory=list)  # print_id, place, why
    left_out: list[tuple[str, str, str]] = field(default_factory=list)  # not recorded at all
    known: list[str] = field(default_factory=list)
    described: dict[str, int] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    nothing: str | None = None  # why nothing is added


def plan(
    ledger: Ledger, incoming: Incoming, gate: Gate | None, declared: bool, *, in_part: bool = True
) -> tuple[Addition | None, Report]:
    """The batch that ``incoming`` adds to the ledger, with the doubts of ``gate``.

    ``declared``: the condition was given by the user, who may go against that of before;
    ``in_part``: prints that name something which may be two things may be left out.

    Raises UserError for what cannot be recorded at all.
    """
    report = Report(notes=list(incoming.said), nothing=_recorded_before(ledger, incoming))
    if report.nothing:
        return None, report
    _check_condition(ledger, incoming, declared, report)
    _check_backing(ledger, incoming, report)
    given = current(ledger).given
    empty = not any(map(len, incoming.tables.values()))
    if incoming.whole:
        incoming = only_new(given, incoming)
        report.notes = list(incoming.said)
    incoming = _by_ids(given, incoming, report)
    sheets = _described(given, incoming, report)
    check_added_changes(given, sheets, incoming)
    known = _with(given, sheets)
    coloured = tuple(name for name in sheets if SHOP_TABLES[name].colour)
    if wrong := check_described(known, coloured, _OWN):
        raise InputProblems([_as_recorded(problem, incoming) for problem in wrong])
    cells = incoming.tables.get("prints", pd.DataFrame(columns=["print_id"], dtype=object))
    averaged = _averaged(known, cells, incoming, report if in_part else None)
    prints, faults = _new(given, averaged, incoming, report)
    batch = Batch(
        RECORD,
        sheets,
        file=incoming.file,
        sha256=incoming.sha256,
        condition=incoming.condition,
        backing=incoming.backing,
        readings=averaged.readings,
    )
    if len(prints):
        batch.sheets["prints"] = Sheet(prints, faults, averaged.spreads)
        batch.sheets.update(aims.sheet_of(incoming.aims, prints))
    if not batch.sheets:
        stands = f"all of {incoming.file} stands in the shop already"
        report.nothing = f"{incoming.file} holds no print" if empty else stands
        return None, report
    report.notes += averaged.said
    number = len(ledger.batches) + 1
    state = current(ledger + Addition(replace(batch, id=number)))
    fresh = [row for row, stands in state.standing.items() if stands.batch == number]
    _as_decided(state, fresh, report)
    doubts = _doubts(state.given, [r for r in fresh if state.standing[r].why is None
                                   and not state.standing[r].trusted], incoming, gate)  # fmt: skip
    report.doubts = doubts
    doubted = {doubt.print_id for doubt in doubts}
    decisions = []
    for row in fresh:
        print_id = state.given.tables["prints"].loc[row, "print_id"].strip()
        if print_id in doubted:
            doubt = next(d for d in doubts if d.print_id == print_id)
            digest = judged(state.cells(row))
            decisions.append(Decision("doubted", print_id, doubt.reason, doubt.distance, digest))
        elif state.standing[row].why is None:
            report.in_use.append(print_id)
    counts = {
        "prints": len(prints),
        "doubtful": len(doubts),
        "set aside": len(report.faults),
        "known before": len(report.known),
        "readings": len(averaged.readings),
        **report.described,
    }
    return Addition(replace(batch, counts=counts), tuple(decisions)), report


def _recorded_before(ledger: Ledger, incoming: Incoming) -> str | None:
    """Why the same file again brings nothing; None where it may: what another batch had brought of
    it before, and that one is taken back since, it did not bring itself."""
    states = ledger.states()
    for batch in ledger.batches:
        if batch.command != RECORD or batch.sha256 != incoming.sha256:
            continue
        whole = not batch.counts.get("known before")
        if states[batch.id]:
            if whole or _stand(ledger, incoming):
                return f"{incoming.file} was recorded before, as batch {batch.id}"
        elif whole:
            return (
                f"{incoming.file} was recorded as batch {batch.id} and taken back; "
                f"{incoming.called.put_back.format(batch=batch.id)} brings it in again"
            )
    return None


def _stand(ledger: Ledger, incoming: Incoming) -> bool:
    """Whether every print that came in stands in the shop."""
    there = current(ledger).given.tables["prints"]["print_id"].str.strip()
    prints = incoming.tables.get("prints")
    return prints is None or bool(prints["print_id"].str.strip().isin(there).all())


def _by_ids(given: Given, incoming: Incoming, report: Report) -> Incoming:
    """What came in, with identifiers where it gives names; how they were read is told."""
    named = ("inks", "substrates", "meshes", "presses")
    both = together(given.tables, incoming.tables, named)
    known, tables = known_in(both | {"prints": given.tables["prints"]}), {}
    for name, cells in incoming.tables.items():
        tables[name], readings = with_ids(SHOP_TABLES[name], cells, known)
        report.notes += [f"{incoming.files[name]}: {reading}" for reading in readings]
    tables, alike = lots.in_tables(tables, lots.lots_in(given.tables))
    for name, readings in alike.items():
        report.notes += [f"{incoming.files[name]}: {reading}" for reading in readings]
    if "prints" in tables:
        new = new_presses(tables["prints"], known)
        report.notes += [f"{incoming.files['prints']}: {note}" for note in new]
        report.notes += written_otherwise(tables["prints"], incoming.files["prints"])
        report.notes += checks.assumed(_known(tables["prints"]), incoming.files["prints"])
    return replace(incoming, tables=tables)


def _known(prints: pd.DataFrame) -> pd.DataFrame:
    """Text cells of prints as `checks.assumed` looks at them: empty ones missing."""
    columns = ["strokes", "flash_count", *UNDERBASE]
    text = prints.reindex(columns=columns, fill_value="").map(str.strip)
    known = text.where(text != "")
    return known.assign(strokes=pd.to_numeric(known["strokes"], errors="coerce"))


class _Change(NamedTuple):
    """How it is told that a batch was measured otherwise than those before."""

    way: str  # with a place for the value
    why: str  # it matters
    option: str  # says that it is meant


def _check_condition(ledger: Ledger, incoming: Incoming, declared: bool, report: Report) -> None:
    """Another M-condition than that of the batches before is refused unless it is declared."""
    option = incoming.called.condition.format(condition=incoming.condition)
    told = _Change("under {}", "a brightened garment differs between them", option)
    _check_as_before(ledger, incoming, lambda batch: batch.condition, told, declared, report)


def _check_backing(ledger: Ledger, incoming: Incoming, report: Report) -> None:
    """Another backing than that of the batches before is refused unless it is meant."""
    told = _Change("over {} backing", "a thin garment lets it through", incoming.called.as_declared)
    meant = incoming.as_declared
    _check_as_before(ledger, incoming, lambda batch: batch.backing, told, meant, report)


def _check_as_before(
    ledger: Ledger,
    incoming: Incoming,
    value: Callable[[Batch | Incoming], str | None],
    told: _Change,
    meant: bool,
    report: Report,
) -> None:
    states = ledger.states()
    before = [batch for batch in ledger.batches if states[batch.id] and value(batch)]
    if value(incoming) is None or not before or value(before[-1]) == value(incoming):
        return
    last = before[-1]
    now, then = told.way.format(value(incoming)), told.way.format(value(last))
    what = f"{incoming.file}: measured {now}, batch {last.id} ({last.file}) {then}; {told.why}"
    if not meant:
        raise UserError(
            f"{what}; measure {then}, or add {told.option} if that is meant; nothing was changed."
        )
    report.notes.append(f"{what}.")


def _described(given: Given, incoming: Incoming, report: Report) -> dict[str, Sheet]:
    """Rows of inks, substrates, meshes and drawdowns that are not there yet.

    Raises InputProblems where a known one is described otherwise.
    """
    findings = Findings()
    sheets = {}
    for name in DESCRIBED:
        cells = incoming.tables.get(name)
        if cells is None:
            continue
        key = SHOP_TABLES[name].key
        if (
            name == PRESSES.name and name not in given.tables
        ):  # from here on the shop keeps such a table
            cells = _with_presses_of(given, cells)
        there = given.tables.get(name, cells.iloc[:0])
        same = {judged(record) for record in there.to_dict("records")}
        fresh = [row for row in cells.index if judged(cells.loc[row].to_dict()) not in same]
        if key is not None:
            ids = set(there[key].str.strip())
            for row in fresh:
                if (one := cells.loc[row, key].strip()) in ids:
                    what = f'"{one}" stands in the shop already, described otherwise'
                    do = (
                        "take the row out if it is the same thing (strikeoff import changes what "
                        "is known of it); if it is another, give it and its prints another id"
                    )
                    findings.problem(
                        SHOP_TABLES[name].file, int(row), key, what, do, Kind.DUPLICATE
                    )
        if fresh:
            sheets[name] = Sheet(cells.loc[fresh])
            report.described[name] = len(fresh)
    findings.raise_if_any()
    return sheets


def _with_presses_of(given: Given, cells: pd.DataFrame) -> pd.DataFrame:
    """A first table of presses, with those that the shop's prints name."""
    named = set(cells["press_id"].str.strip())
    old = [one for one in printed_on(given.tables["prints"]) if one not in named]
    last = int(max(cells.index, default=1))
    rows = pd.DataFrame({"press_id": old}, index=range(last + 1, last + 1 + len(old)), dtype=object)
    return pd.concat([cells, rows]).fillna("").astype(object)


def _with(given: Given, sheets: dict[str, Sheet]) -> Given:
    """The tables with added rows below, numbered apart from those that are there."""
    tables = dict(given.tables)
    for name, sheet in sheets.items():
        added = sheet.cells.set_axis(sheet.cells.index + _OWN)
        parts = [tables[name], added] if name in tables else [added]
        tables[name] = pd.concat(parts).fillna("").astype(object)
    return replace(given, tables=tables, set_aside={})


def _averaged(
    known: Given, cells: pd.DataFrame, incoming: Incoming, report: Report | None
) -> Averaged:
    """Prints of the readings in ``cells``. A print that names something which may be two things, or
    has no name itself, by which one could decide on it, is left out and told in ``report``, so that
    the corrected file brings it in; refused without one, or where it is all there is.
    """
    settings = read_settings(known.shop_toml, known.name, Findings())
    view = viewing(settings.illuminant, settings.observer)
    if not len(cells):
        return Averaged(cells, (), {}, {}, [])
    apart = cells.assign(print_id=[f"{row}" for row in cells.index])  # repeated ones are meant
    try:
        typed, faulty = check_added(known, apart, beside=True)
    except InputProblems as error:
        raise InputProblems([_as_recorded(p, incoming) for p in error.problems]) from None
    lost = [
        _as_recorded(_how_to_add(p) if p.kind == Kind.UNKNOWN else p, incoming)
        for p in faulty
        if p.kind in (Kind.UNKNOWN, Kind.AMBIGUOUS)
    ]
    ids = cells["print_id"].str.strip()
    lost += [
        _as_recorded(
            Problem(PRINTS.file, int(row), "print_id", "is empty", "fill it in", Kind.MISSING),
            incoming,
        )
        for row in ids.index[ids == ""]
    ]
    if lost:
        unsure = ids.isin(ids.loc[[p.row for p in lost if p.row is not None]])
        if report is None or unsure.all() or any(p.kind == Kind.UNKNOWN for p in lost):
            raise InputProblems(lost)
        for p in lost:
            row = p.row or 0
            told = f"{p.told}; {p.do}"
            report.left_out.append((ids[row] or NO_ID, incoming.place.get(row, f"row {row}"), told))
        return _averaged(known, cells[~unsure], incoming, report)
    typed = typed.set_axis(cells.index)
    averaged = average(cells, typed, faulty, incoming.place, view)
    faults = dict(averaged.faults)
    for problem in faulty:
        if problem.row is not None and problem.row in averaged.cells.index:
            why = [faults[problem.row]] if problem.row in faults else []
            faults[problem.row] = "; ".join([*why, problem.reason])
    return averaged._replace(faults=faults)


def _as_recorded(problem: Problem, incoming: Incoming) -> Problem:
    """A problem of a row that came in, under the name and row it has in its file."""
    name = problem.file.removesuffix(".csv")
    row = problem.row
    if row is not None and row > _OWN:
        row -= _OWN
    file = incoming.files.get(name, problem.file)
    return replace(problem, file=file, row=row).under(incoming.headers.get(file, {}))


def _how_to_add(problem: Problem) -> Problem:
    """An identifier nobody knows: how a batch brings a new one along."""
    column = SHOP_TABLES["prints"].column(problem.column or "")
    assert column is not None  # only what refers to a table can be lacking in it
    assert column.refers_to is not None
    table = SHOP_TABLES[column.refers_to].file
    do = f"correct the cell, or record a folder that holds these prints and the new row in {table}"
    return replace(problem, do=do)


def _new(
    given: Given, averaged: Averaged, incoming: Incoming, report: Report
) -> tuple[pd.DataFrame, dict[int, str]]:
    """Prints that are not in the shop yet; those that are with another content are told."""
    there = given.tables["prints"]
    rows_there = {cell.strip(): row for row, cell in there["print_id"].items()}
    ids = averaged.cells["print_id"].str.strip()
    fresh, faults = [], dict(averaged.faults)
    for row, print_id in ids.items():
        place = incoming.place.get(int(row), f"row {row}")
        if print_id and print_id in rows_there:
            report.known.append(print_id)
            before = there.loc[rows_there[print_id]].to_dict()
            if judged(before) != judged(averaged.cells.loc[row].to_dict()):
                report.notes.append(
                    f"{incoming.file}, {place}: {print_id} stands in the shop with other values; "
                    "those stay. Should the new ones hold, "
                    f"{incoming.called.correct.format(print_id=print_id)}; another print needs "
                    "another print_id."
                )
            faults.pop(row, None)
            continue
        fresh.append(row)
        if row in faults:
            report.faults.append((print_id or NO_ID, place, faults[row]))
    return averaged.cells.loc[fresh], faults


def _as_decided(state: State, rows: list[int], report: Report) -> None:
    """Tell of prints that were decided on before and come again as they were: what was decided
    holds."""
    ids = state.given.tables["prints"]["print_id"].str.strip()
    of_print = {ids[row]: state.standing[row] for row in rows if state.standing[row].decision}
    holds = {one for one, stands in of_print.items() if stands.why is None}
    for one, place, why in report.faults:
        if one in holds:
            report.notes.append(f"{one}, {place}: {why}; it was put right before, and that holds.")
    report.faults = [fault for fault in report.faults if fault[0] not in holds]
    told = {one for one, _, _ in report.faults}
    for one, stands in of_print.items():
        if stands.why is not None and one not in told:
            report.notes.append(f"{one} stays set aside, as it was before: {stands.why}.")


def _doubts(given: Given, rows: list[int], incoming: Incoming, gate: Gate | None) -> list[Doubt]:
    if gate is None or not rows:
        return []
    return check_rows(given, rows, gate, typed=incoming.typed)


def check_rows(given: Given, rows: list[int], gate: Gate, *, typed: bool) -> list[Doubt]:
    """Hold prints of the shop against the model; a measured spectrum was not typed in."""
    settings = read_settings(given.shop_toml, given.name, Findings())
    prints, _ = check_added(given, given.tables["prints"].loc[rows])
    lab = lab_columns(prints, viewing(settings.illuminant, settings.observer))
    by_hand = prints[SPECTRUM].isna().any(axis=1).to_numpy() & typed
    return gate(prints, lab, by_hand, given)
