"""A folder of shop tables or a list of set-ups: read, checked as a whole, typed.

What was given stays text (`Given`) until it is read for use, so that nothing is lost on the
way through the store; the same code types a folder that comes in and a store that is opened.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from datetime import date
from functools import lru_cache
from pathlib import Path
from typing import NamedTuple

import pandas as pd

from learn.colour.colorimetry import viewing
from learn.shop import UNDERBASE_IDS, Shop
from pipelines.tables import agreement, checks, csvfile, lots, mixes
from pipelines.tables.cells import LARGE_CELLS, Same, typed
from pipelines.tables.changes import check_changes, undated
from pipelines.tables.headers import sheet_title
from pipelines.tables.jobs import check_order, one_spelling, with_setup_ids
from pipelines.tables.mesh_units import check_mesh_units, per_cm
from pipelines.tables.names import WORDS, Known, Names, Words, names_of, with_ids, words_of
from pipelines.tables.otherwise import as_counted, written_otherwise
from pipelines.tables.presets import read_presets
from pipelines.tables.presses import new_presses, press_words, printed_on, spelt_apart, unlisted
from pipelines.tables.reading import books_beside, one_book, read_table, read_tables
from pipelines.tables.schema import (
    AIMS,
    CHANGES,
    DECISIONS,
    NEEDED_TABLES,
    PRESSES,
    PRINTS,
    SETUPS,
    SHOP_TABLES,
    TARGETS,
    Table,
)
from pipelines.tables.settings import FILE as SETTINGS_FILE
from pipelines.tables.settings import read_settings
from pipelines.tables.targets import Targets, typed_targets, with_targets
from pipelines.tables.writing import is_excel
from pipelines.workspace.files import read_at_most
from pipelines.workspace.problems import Findings, InputProblems, Kind, Problem

MAX_TOML_BYTES = 1_000_000
LATELY = 4  # so many shops, and batches that came to one, are kept as they were checked


@dataclass(frozen=True)
class Given:
    """A shop's tables as they were handed over.

    ``tables``: one frame of text cells a table, indexed by spreadsheet row, columns as given;
    without ``presses`` or ``changes`` where the shop keeps no such table.
    ``set_aside``: spreadsheet row of ``prints.csv`` -> why that print is kept but not used.
    ``trusted``: prints somebody has looked at and found right, however unlikely.
    ``targets``: colours customers ask for, ``aims``: what prints were meant to be; None where the
    shop keeps none. ``decided``: how prints stand by what was decided on them where the tables
    come from; None where they do not say. ``waiting``: rows of ``set_aside`` that the check on
    arrival has doubted, and nobody has decided on.
    """

    name: str
    shop_toml: str | None
    tables: dict[str, pd.DataFrame]
    set_aside: dict[int, str] = field(default_factory=dict)
    trusted: frozenset[str] = frozenset()
    targets: pd.DataFrame | None = None
    aims: pd.DataFrame | None = None
    decided: pd.DataFrame | None = None
    waiting: tuple[int, ...] = ()


@dataclass(frozen=True)
class Checked:
    """Tables that can be used, and what has to be told about them."""

    given: Given
    shop: Shop
    set_aside: list[Problem]
    warnings: list[str]


def read_folder(
    folder: Path, *, name: str, strict: bool = False, today: date | None = None
) -> Checked:
    """Read and check a shop's tables: a folder of them, or one workbook with a sheet a table.

    ``name`` stands for the shop where ``shop.toml`` gives none. Prints that cannot be right are
    set aside, or with ``strict`` refused.

    A folder may hold just that workbook. Raises InputProblems with everything found in all files
    when any table is unusable.
    """
    today = today or date.today()
    findings = Findings()
    if not folder.is_dir() and not (folder.is_file() and is_excel(folder)):
        what = "is a file" if folder.is_file() else "there is no such folder"
        do = "give the folder that holds the tables, or one workbook (.xlsx) that holds them all"
        findings.problem(str(folder), None, None, what, do, Kind.MISSING)
        findings.raise_if_any()
    folder = one_book(folder, findings)
    toml = _read_toml(folder if folder.is_dir() else folder.parent, findings)
    tables, called = read_tables(folder, findings)
    _tell_of_books(folder, tables, findings)
    targets = tables.pop(TARGETS.name, None)
    of_prints = {t.name: tables.pop(t.name) for t in (AIMS, DECISIONS) if t.name in tables}
    tables = _by_ids(tables, called, today, findings)
    given = Given(name, toml, tables, targets=targets)
    read_presets(toml, known_in(tables, today), findings)
    shop, faults = _check(given, findings, today, coming=tuple(SHOP_TABLES))
    if PRINTS.name in tables:
        findings.problems += unlisted(tables["prints"], _listed(tables, today)[PRESSES.name])
        if PRESSES.name not in tables:
            findings.warnings += spelt_apart(tables["prints"], called["prints.csv"])
    if targets is not None:
        findings.problems += targets_of(given)[1]
    for table in (AIMS, DECISIONS):
        if table.name in of_prints:
            frame, wrong = typed(table, of_prints[table.name], table.file, today)
            checks.check_keys(table, frame, table.file, findings)
            findings.problems += wrong
            if table is DECISIONS:  # as they are understood
                of_prints[table.name] = frame.fillna("").astype(object)
    faults = findings.headed([replace(fault, file=called[fault.file]) for fault in faults])
    findings.problems = [replace(p, file=called.get(p.file, p.file)) for p in findings.problems]
    if strict:
        findings.problems += faults
    findings.raise_if_any()
    assert shop is not None  # else there were findings

    reasons: dict[int, list[str]] = {}
    for fault in faults:
        reasons.setdefault(fault.row or 0, []).append(fault.reason)
    set_aside = {row: "; ".join(why) for row, why in reasons.items()}
    kept = shop.prints.drop(index=list(set_aside))
    findings.warnings += checks.assumed(kept, called["prints.csv"])
    findings.warnings += written_otherwise(
        tables["prints"].drop(index=list(set_aside)), called["prints.csv"]
    )
    findings.warnings += checks.assumed_solids(shop.inks, called["inks.csv"])
    findings.warnings += undated(kept, shop.changes, called["prints.csv"])
    aims, decided = (
        _of_prints(of_prints.get(one.name), tables["prints"], called.get(one.file, ""), findings)
        for one in (AIMS, DECISIONS)
    )
    given = Given(name, toml, tables, set_aside, targets=targets, aims=aims, decided=decided)
    return Checked(given, _renumbered(shop, kept), faults, findings.warnings)


def _tell_of_books(folder: Path, tables: dict[str, pd.DataFrame], findings: Findings) -> None:
    """Refuse tables in which nothing is filled in; workbooks beside tables are told of."""
    others = books_beside(folder)
    if not findings.problems and not any(map(len, tables.values())):
        what, place = "nothing is filled in yet", str(folder) if folder.is_dir() else folder.name
        do = "write inks, garments and screens into it, a row each, and import it again"
        if others:
            do += f"; if they are in {' or '.join(others)}, which lies there too, import that"
        findings.problem(place, None, None, what, do, Kind.MISSING)
        findings.raise_if_any()
    if others:
        are, were = ("lie", "were") if others[1:] else ("lies", "was")
        said = f"{' and '.join(others)} {are} beside the tables and {were} not read"
        findings.warn(f"{folder}: {said}; to take one in instead, import it by its name.")


def _of_prints(
    told: pd.DataFrame | None, prints: pd.DataFrame, file: str, findings: Findings
) -> pd.DataFrame | None:
    """The rows on prints that are there; others are told and left out. A target is not read here:
    what was kept may name a list of targets of before."""
    if told is None:
        return None
    mine = told["print_id"].str.strip().isin(prints["print_id"].str.strip())
    for name in told.loc[~mine, "print_id"]:
        findings.warn(f"{file}: {name} is none of the prints and was left out.")
    return told[mine] if mine.any() else None


def digest_of(given: Given) -> str:
    """SHA-256 over the cells of all tables and the text of ``shop.toml``."""
    digest = hashlib.sha256((given.shop_toml or "").encode())
    for name in sorted(given.tables):
        digest.update(f"\n[{name}]\n{csvfile.to_csv(given.tables[name])}".encode())
    if given.targets is not None:
        digest.update(f"\n[{TARGETS.name}]\n{csvfile.to_csv(given.targets)}".encode())
    if given.aims is not None:
        digest.update(f"\n[{AIMS.name}]\n{csvfile.to_csv(given.aims)}".encode())
    if given.decided is not None:
        digest.update(f"\n[{DECISIONS.name}]\n{csvfile.to_csv(given.decided)}".encode())
    return digest.hexdigest()


def targets_of(given: Given) -> tuple[pd.DataFrame, list[Problem]]:
    """The shop's targets as `typed_targets` gives them, none where it keeps none."""
    cells = given.targets
    if cells is None:
        cells = pd.DataFrame(columns=["name", "L", "a", "b"], dtype=object)
    settings = read_settings(given.shop_toml, given.name, Findings())
    return typed_targets(cells, viewing(settings.illuminant, settings.observer))


def to_shop(given: Given) -> Shop:
    """The checked frames of tables that went through `read_folder` before (see `learn.shop`).

    One command asks for the same shop at several places, and each gets frames of its own.

    Raises InputProblems if they no longer pass: somebody has edited the store.
    """
    if _is_large(*given.tables.values()):
        return _to_shop(given)
    shop = _shop_lately(_Alike.of(given))
    return _with_frames(shop, ((n, f.copy()) for n, f in _frames_of(shop)))


class _Alike(NamedTuple):
    """A shop's tables, equal where every cell is and the same prints are set aside."""

    name: str
    toml: str | None
    tables: tuple[tuple[str, Same], ...]
    aside: tuple[int, ...]

    @classmethod
    def of(cls, given: Given) -> _Alike:
        tables = tuple((name, Same(cells)) for name, cells in given.tables.items())
        return cls(given.name, given.shop_toml, tables, tuple(given.set_aside))

    def given(self) -> Given:
        tables = {name: same.given for name, same in self.tables}
        return Given(self.name, self.toml, tables, dict.fromkeys(self.aside, ""))


def _is_large(*tables: pd.DataFrame) -> bool:
    return sum(cells.size for cells in tables) > LARGE_CELLS


@lru_cache(maxsize=LATELY)
def _shop_lately(alike: _Alike) -> Shop:
    return _to_shop(alike.given())


def _to_shop(given: Given) -> Shop:
    findings = Findings()
    used = given.tables["prints"].drop(index=list(given.set_aside))
    tables, _ = lots.in_tables(given.tables | {"prints": used})
    # A print dated within a year of the import stays: the check of dates is not repeated.
    shop, faults = _check(Given(given.name, given.shop_toml, tables), findings, date(9000, 1, 1))
    findings.problems += faults
    findings.raise_if_any()
    assert shop is not None  # else there were findings
    return _renumbered(shop, shop.prints)


def read_setups(
    path: Path,
    known: Known,
    targets: Targets | None = None,
    today: date | None = None,
) -> tuple[pd.DataFrame, list[str]]:
    """Read the set-ups to predict: the typed frame in input order, and warnings.

    ``known``: the inks, substrates and meshes a set-up may name, by identifier or by name;
    ``targets``: reads the column ``target``, which is refused without.

    Raises InputProblems with every problem of the file.
    """
    findings = Findings()
    if not path.is_file():
        what = "is a folder" if path.is_dir() else "there is no such file"
        findings.problem(str(path), None, None, what, "give the file of set-ups", Kind.MISSING)
        findings.raise_if_any()
    given = read_table(path, SETUPS, findings)
    findings.raise_if_any()
    assert given is not None  # else there were findings
    if given.empty:
        what = "holds no set-up below its header"
        findings.problem(path.name, None, None, what, "write one row a set-up", Kind.MISSING)
    given, readings = with_ids(SETUPS, with_setup_ids(given), known)
    for reading in readings:
        findings.warn(f"{path.name}: {reading}")
    return check_setups(given, known, path.name, findings, today, targets), findings.warnings


def check_setups(
    given: pd.DataFrame,
    known: Known,
    file: str,
    findings: Findings | None = None,
    today: date | None = None,
    targets: Targets | None = None,
) -> pd.DataFrame:
    """Typed set-ups from text cells; raises InputProblems with every problem."""
    findings = findings or Findings()
    frame, faults = typed(SETUPS, given, file, today or date.today())
    findings.warnings += written_otherwise(frame, file)
    frame = as_counted(_with_certain_flashes(frame))
    checks.check_keys(SETUPS, frame, file, findings)
    faults += checks.check_references(SETUPS, frame, known, file)
    process = _not_told(checks.check_process(frame, file), given, SETUPS)
    faults += _once_a_cell(process, faults)
    habits, rest = checks.one_reason(given, faults)
    findings.problems += habits + rest
    told = {fault.row for fault in faults if (fault.column or "").startswith("target_")}
    parts = checks.check_targets(frame, file)
    findings.problems += [fault for fault in parts if fault.row not in told]
    frame, wrong, notes = with_targets(frame, targets, file)
    findings.problems += wrong
    findings.warnings += notes
    frame, alike = one_spelling(frame, file)
    findings.warnings += alike
    findings.problems += check_order(frame, file)
    findings.problems.sort(key=lambda problem: problem.row or 0)
    findings.raise_if_any()
    findings.warnings += checks.assumed(frame, file)
    findings.warnings += [f"{file}: {note}" for note in new_presses(frame, known)]
    return frame.reset_index(drop=True)


def check_added(
    given: Given, prints: pd.DataFrame, *, beside: bool = False
) -> tuple[pd.DataFrame, list[Problem]]:
    """Typed ``prints`` that come to the tables of ``given``, and their faults by row.

    ``beside``: their colours are held against those of the prints there too.

    Raises InputProblems when the tables themselves cannot be used together.
    """
    today = date.today()
    if _is_large(prints, *given.tables.values()):
        return _check_added(given, prints, today, beside=beside)
    frame, faults = _added_lately(_Alike.of(given), Same(prints), today, beside)
    return frame.copy(), [*faults]


@lru_cache(maxsize=LATELY)
def _added_lately(
    alike: _Alike, prints: Same, today: date, beside: bool
) -> tuple[pd.DataFrame, list[Problem]]:
    """A batch is planned anew whenever it is shown, decided on and kept."""
    return _check_added(alike.given(), prints.given, today, beside=beside)


def _check_added(
    given: Given, prints: pd.DataFrame, today: date, *, beside: bool
) -> tuple[pd.DataFrame, list[Problem]]:
    findings = Findings()
    spelt, _ = lots.in_tables({"prints": prints}, lots.lots_in(given.tables))
    tables = given.tables | spelt
    named = {n: given.tables[n] for n in (PRESSES.name, PRINTS.name) if n in given.tables}
    presses = known_in(named, today)[PRESSES.name]
    added = Given(given.name, given.shop_toml, tables)
    before = None
    if beside and PRINTS.name in given.tables:
        before = typed(PRINTS, given.tables[PRINTS.name], PRINTS.file, today)[0]
    shop, faults = _check(added, findings, today, presses, ("prints",), before)
    findings.raise_if_any()
    assert shop is not None  # else there were findings
    return shop.prints, faults


def measured_in(given: Given) -> pd.DataFrame:
    """`agreement.measurements` of a shop's tables, but for prints that are set aside."""
    frames = {}
    for name in ("substrates", "drawdowns", "prints"):
        table, cells = SHOP_TABLES[name], given.tables.get(name)
        if cells is not None:
            used = cells.drop(index=list(given.set_aside)) if name == "prints" else cells
            frames[name] = typed(table, used, table.file, date.today())[0]
    return agreement.measurements(frames)


def check_described(given: Given, coming: tuple[str, ...], first: int) -> list[Problem]:
    """Faults of the colours in rows from ``first`` on of the tables that are ``coming`` in."""
    findings = Findings()
    _check(given, findings, date(9000, 1, 1), None, coming)
    return [problem for problem in findings.problems if (problem.row or 0) >= first]


def words_in(frames: dict[str, pd.DataFrame]) -> Words:
    """The columns of `WORDS` of the typed tables, empty ones left out; presses are also those
    that ``prints`` name."""
    there = {name: frames[name] for name in WORDS if name in frames and len(frames[name])}
    presses = press_words(there.pop(PRESSES.name, None), printed_on(frames.get(PRINTS.name)))
    words = {n: words_of(n, f, SHOP_TABLES[n].key or "") for n, f in there.items()}
    return words | {PRESSES.name: presses}


def names_in(frames: dict[str, pd.DataFrame]) -> dict[str, Names]:
    """What the typed tables call their inks, substrates, meshes and presses."""
    return names_of(words_in(frames))


def known_in(tables: dict[str, pd.DataFrame], today: date | None = None) -> dict[str, Names]:
    """The same of tables of text cells, whatever else is wrong in them."""
    there = {name: tables[name] for name in WORDS if name in tables}
    day = today or date.today()
    frames = {n: typed(_naming(n), c, f"{n}.csv", day)[0] for n, c in there.items()}
    return names_in(frames | {n: c for n, c in tables.items() if n == PRINTS.name})


def _naming(name: str) -> Table:
    """A shop's table without what no name is made of."""
    table = SHOP_TABLES[name]
    kept = {table.key, *WORDS[name]}
    return replace(table, columns=tuple(c for c in table.columns if c.name in kept), colour=False)


def _listed(tables: dict[str, pd.DataFrame], today: date) -> dict[str, Names]:
    """The same without the presses that prints alone name."""
    return known_in({n: c for n, c in tables.items() if n != PRINTS.name}, today)


def _by_ids(
    tables: dict[str, pd.DataFrame], called: dict[str, str], today: date, findings: Findings
) -> dict[str, pd.DataFrame]:
    """The tables with identifiers for names; how a name was read is told."""
    listed = _listed(tables, today)
    changed = {}
    for name, cells in tables.items():
        table = SHOP_TABLES[name]
        known = known_in(tables, today) if name == CHANGES.name else listed
        changed[name], readings = with_ids(table, cells, known)
        for reading in readings:
            findings.warn(f"{called[table.file]}: {reading}")
    changed, alike = lots.in_tables(changed)
    for name, readings in alike.items():
        findings.warnings += [f"{called[SHOP_TABLES[name].file]}: {one}" for one in readings]
    return changed


def _read_toml(folder: Path, findings: Findings) -> str | None:
    path = folder / SETTINGS_FILE
    if not path.is_file():
        return None
    try:
        return read_at_most(path, MAX_TOML_BYTES).decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError:
        what, do = "is not UTF-8 text", "save it as UTF-8"
        findings.problem(SETTINGS_FILE, None, None, what, do, Kind.UNREADABLE)
    except InputProblems as error:
        findings.problems += error.problems
    return None


def _check(
    given: Given,
    findings: Findings,
    today: date,
    presses: Names | None = None,
    coming: tuple[str, ...] = (),
    before: pd.DataFrame | None = None,
) -> tuple[Shop | None, list[Problem]]:
    """Type and check all tables: what is unusable into ``findings``; the faults of prints.

    ``presses``: those that prints may name (any). ``coming``: tables that come in, whose colours
    are held against each other; those of a store were when they came. ``before``: typed prints
    that are known beside them.
    """
    frames: dict[str, pd.DataFrame] = {}
    faults: dict[str, list[Problem]] = {}
    settings = read_settings(given.shop_toml, given.name, findings)
    for name, cells in given.tables.items():
        table = SHOP_TABLES[name]
        frames[name], faults[name] = typed(table, cells, table.file, today)
        if cells.empty and name in ("inks", "substrates", "meshes"):
            what, called = "holds no rows below its header", sheet_title(name).lower()
            findings.problem(
                table.file, None, None, what, f"describe the {called} of the shop", Kind.MISSING
            )
        checks.check_keys(table, frames[name], table.file, findings)
    if "meshes" in frames:
        faults["meshes"] += check_mesh_units(frames["meshes"], "meshes.csv")
        frames["meshes"] = per_cm(frames["meshes"])
    known = names_in(frames) | ({} if presses is None else {PRESSES.name: presses})
    if "prints" in frames:
        frames["prints"] = as_counted(_with_certain_flashes(frames["prints"]))
        process = checks.check_process(frames["prints"], "prints.csv")
        process = _not_told(process, given.tables["prints"], SHOP_TABLES["prints"])
        faults["prints"] += _once_a_cell(process, faults["prints"])
    for name in ("drawdowns", "prints"):
        if name in frames:
            table = SHOP_TABLES[name]
            faults[name] += checks.check_references(
                table, frames[name], known, table.file, stored=name not in coming
            )
    if CHANGES.name in frames and CHANGES.name in coming:  # a print may be set aside since
        named = known[PRESSES.name]
        faults[CHANGES.name] += check_changes(frames[CHANGES.name], named, CHANGES.file, today)
    frames, of_mixes = mixes.with_recipes(frames, known.get("inks"))
    _add(faults, of_mixes)
    _add(faults, agreement.faults(given.tables, frames, settings, coming, before))
    if "prints" in frames:
        _refuse_habits(given.tables["prints"], faults["prints"], findings)
    for name in ("inks", "substrates", "meshes", "presses", "changes", "drawdowns"):
        if name in frames:
            habits, rest = checks.one_reason(given.tables[name], faults[name])
            findings.problems += habits + rest
    findings.problems.sort(key=lambda p: (_file_order(p.file), p.row or 0))
    print_faults = sorted(faults.get("prints", []), key=lambda problem: problem.row or 0)
    if not frames.keys() >= NEEDED_TABLES.keys():
        return None, print_faults
    return Shop(settings, **mixes.apart(_with_roles(frames))), print_faults


def _refuse_habits(cells: pd.DataFrame, faults: list[Problem], findings: Findings) -> None:
    """Move what concerns the whole table of prints, not a row, from faults to problems."""
    habits, rest = checks.one_reason(cells, faults)
    findings.problems += habits + [fault for fault in rest if fault.row is None]
    faults[:] = [fault for fault in rest if fault.row is not None]


def _not_told(faults: list[Problem], cells: pd.DataFrame, table: Table) -> list[Problem]:
    """Faults without those of a missing column, which was told once at the header."""
    told = {c.name for c in table.columns if c.present} | set(UNDERBASE_IDS)
    missing = told - set(cells.columns)
    return [fault for fault in faults if fault.column not in missing]


def _add(faults: dict[str, list[Problem]], found: dict[str, list[Problem]]) -> None:
    """What was ``found`` by table, to the ``faults`` that are there, once a cell."""
    for name, more in found.items():
        faults[name] += _once_a_cell(more, faults[name])


def _once_a_cell(more: list[Problem], faults: list[Problem]) -> list[Problem]:
    """Those of ``more`` whose cell was not found at fault before."""
    told = {(fault.row, fault.column) for fault in faults}
    return [fault for fault in more if (fault.row, fault.column) not in told]


def _with_certain_flashes(frame: pd.DataFrame) -> pd.DataFrame:
    """One stroke leaves no room for a flash: an empty count is a certain 0 there."""
    certain = frame["flash_count"].isna() & (frame["strokes"] == 1)
    return frame.assign(flash_count=frame["flash_count"].mask(certain, 0.0))


def _with_roles(frames: dict[str, pd.DataFrame]) -> dict[str, pd.DataFrame]:
    inks = frames["inks"]
    return frames | {"inks": inks.assign(role=inks["role"].fillna("colour"))}


def _renumbered(shop: Shop, prints: pd.DataFrame) -> Shop:
    frames = dict(_frames_of(shop)) | {"prints": prints}
    return _with_frames(shop, ((n, f.reset_index(drop=True)) for n, f in frames.items()))


def _frames_of(shop: Shop) -> Iterator[tuple[str, pd.DataFrame]]:
    return ((name, getattr(shop, name)) for name in (*SHOP_TABLES, "tints"))


def _with_frames(shop: Shop, frames: Iterable[tuple[str, pd.DataFrame]]) -> Shop:
    return Shop(shop.settings, **dict(frames))


def _file_order(file: str) -> int:
    order = [SETTINGS_FILE, *(table.file for table in SHOP_TABLES.values()), TARGETS.file]
    return order.index(file) if file in order else len(order)
