"""Files of a batch - tables of prints, a folder of tables, instrument exports - as text cells.

A row of ``prints`` is one reading here; `pipelines.ledger.averaging` makes prints of them.
"""

from __future__ import annotations

import difflib
import hashlib
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pandas as pd

from learn.shop import ShopSettings
from pipelines.measured.block import MAX_BYTES
from pipelines.tables import csvfile
from pipelines.tables.agreement import usual_lightness
from pipelines.tables.folder import Given, known_in, measured_in
from pipelines.tables.layout import Rows, names
from pipelines.tables.names import with_ids
from pipelines.tables.own_columns import known_columns
from pipelines.tables.reading import (
    cells_of,
    other_sheets,
    rows_of_csv,
    sheets_of,
    table_of,
    with_changes,
)
from pipelines.tables.schema import (
    AIMS,
    DECISIONS,
    DRAWDOWNS,
    PRINTS,
    SETUPS,
    SHOP_TABLES,
    TARGETS,
    Table,
)
from pipelines.tables.spectra import SPECTRUM
from pipelines.tables.workbook import is_workbook
from pipelines.words.common import listed
from pipelines.workspace.files import read_at_most
from pipelines.workspace.problems import Findings, Kind, UserError

SHEET_PRINTS = replace(PRINTS, colour=False)  # prints to be measured: a row without colour
HOW_PRINTED = {"print_id", "ink_id", "substrate_id"}
CARDS = {"ink_id", "substrate_id", "film_um"}
_TARGETS = [c.name for c in SETUPS.columns if c.name.startswith("target")] + ["tolerance_dE00"]


@dataclass(frozen=True)
class Called:
    """What things are called where a batch is handed in, for what is told to do about it."""

    setups: str = "--prints SETUPS.csv"
    condition: str = "--condition {condition}"
    as_declared: str = "--as-declared"
    put_back: str = "strikeoff history --put-back {batch}"
    correct: str = "strikeoff doubts correct {print_id}"


OPTIONS = Called()


@dataclass(frozen=True)
class Incoming:
    """What the files of one batch hold.

    ``tables``: text cells by row of the file; ``files``: table -> file name; ``place``: row of
    prints -> where in the file; ``typed``: whether somebody typed the colours in; ``as_declared``:
    its backing is meant, whatever that of before; ``whole``: it is a workbook of the shop, in which
    what is known already stands too.
    """

    file: str
    sha256: str
    tables: dict[str, pd.DataFrame]
    files: dict[str, str]
    place: dict[int, str] = field(default_factory=dict)
    condition: str | None = None
    backing: str | None = None
    typed: bool = True
    as_declared: bool = False
    said: list[str] = field(default_factory=list)
    whole: bool = False
    called: Called = OPTIONS
    aims: dict[str, tuple[str, str]] = field(default_factory=dict)  # see `pipelines.ledger.aims`
    headers: dict[str, dict[str, str]] = field(default_factory=dict)  # see `Findings`


class _Asked(NamedTuple):
    """How the user says that a file was measured."""

    condition: str | None
    as_declared: bool
    reflectance: str | None
    called: Called


def read_incoming(
    path: Path,
    sheet: Path | None,
    settings: ShopSettings,
    condition: str | None,
    as_declared: bool = False,
    called: Called = OPTIONS,
    reflectance: str | None = None,
    given: Given | None = None,
) -> Incoming:
    """Read FILE and, for an instrument's export, the sheet of prints that its samples name.

    ``as_declared``: another backing than before, or gloss in the readings, is meant;
    ``reflectance``: "fraction" or "percent", as the user says where the file does not tell;
    ``given``: the shop's tables, whose measurements may tell it.

    Raises UserError with what cannot be read.
    """
    if not path.exists():
        raise UserError(f"{path}: there is no such file or folder; give what was measured.")
    if path.is_dir():
        if sheet is not None:
            raise UserError(f"--prints goes with a file of readings; {path} is a folder of tables.")
        return replace(_folder(path, condition), called=called)
    data = read_at_most(path, MAX_BYTES)
    setups = [] if sheet is None else [("", read_at_most(sheet, csvfile.MAX_BYTES))]
    sha256 = _digest([("", data), *setups], condition)
    findings = Findings()
    if sheet is None and _says(data, path.name, PRINTS, HOW_PRINTED):
        prints = table_of(data, PRINTS, path.name, findings)
        findings.raise_if_any()
        assert prints is not None  # else there were findings
        place = {row: f"row {row}" for row in prints.index}
        tables, files = other_sheets(data, path.name, findings)
        return Incoming(
            path.name, sha256, {"prints": prints, **tables}, {"prints": path.name, **files}, place,
            condition, said=findings.warnings, whole=bool(tables), called=called,
            headers=findings.headers,
        )  # fmt: skip
    if sheet is None and _says(data, path.name, DRAWDOWNS, CARDS):
        cards = table_of(data, DRAWDOWNS, path.name, findings)
        findings.raise_if_any()
        assert cards is not None  # else there were findings
        return Incoming(
            path.name, sha256, {DRAWDOWNS.name: cards}, {DRAWDOWNS.name: path.name}, {},
            condition, said=findings.warnings, called=called, headers=findings.headers,
        )  # fmt: skip
    asked = _Asked(condition, as_declared, reflectance, called)
    return _export(path, sheet, sha256, settings, asked, given)


def only_book(path: Path) -> Path:
    """The workbook of a folder that holds no table of ours but one workbook; else ``path``.

    Raises UserError where it holds several.
    """
    if not path.is_dir() or any((path / table.file).exists() for table in SHOP_TABLES.values()):
        return path
    books = [p for p in sorted(path.glob("*.xlsx")) if not p.name.startswith(("~", "."))]
    if len(books) > 1:
        listed = ", ".join(book.name for book in books)
        raise UserError(f"{path}: the folder holds several workbooks ({listed}); name one of them.")
    return books[0] if books else path


def _digest(parts: Iterable[tuple[str, bytes]], condition: str | None) -> str:
    """SHA-256 over all that goes in, so that the same once more is noticed."""
    digest = hashlib.sha256((condition or "").encode())
    for name, data in parts:
        digest.update(f"\n[{name}]\n".encode() + data)
    return digest.hexdigest()


def _folder(path: Path, condition: str | None) -> Incoming:
    findings = Findings()
    there = {name: table for name, table in SHOP_TABLES.items() if (path / table.file).exists()}
    if not there:
        names = ", ".join(table.file for table in SHOP_TABLES.values())
        raise UserError(f"{path}: the folder holds none of {names}; put the added rows into them.")
    beside = [t.file for t in (DECISIONS, AIMS, TARGETS) if (path / t.file).exists()]
    if beside:
        findings.warn(
            f"{path.name or path}: {listed(beside)} stay aside: record takes what was measured, "
            "import takes a whole shop; strikeoff doubts and strikeoff targets tell the rest."
        )
    called = {table.file: table.file for table in there.values()}
    given = {file: read_at_most(path / file, csvfile.MAX_BYTES) for file in called}
    tables = {}
    for name, table in there.items():
        if (read := table_of(given[table.file], table, table.file, findings)) is not None:
            tables[name] = read
    tables = with_changes(tables, called, findings)
    files = {name: called[SHOP_TABLES[name].file] for name in tables}
    findings.raise_if_any()
    place = {row: f"row {row}" for row in tables["prints"].index} if "prints" in tables else {}
    sha256 = _digest(sorted(given.items()), condition)
    return Incoming(f"{path.name or path}/", sha256, tables, files, place, condition,
                    said=findings.warnings, headers=findings.headers)  # fmt: skip


def _says(data: bytes, file: str, table: Table, columns: set[str]) -> bool:
    """Whether a file is such a table, by its columns, not readings of named samples."""
    sheets: Iterable[Rows]
    if is_workbook(data):
        sheets = sheets_of(data, file).values()
    else:
        # Should it be none, the readers of instrument files say what is wrong with it.
        read = rows_of_csv(data, table, file, Findings())
        sheets = [] if read is None else [read[0]]
    return any(names(table, rows, columns) for rows in sheets)


def _export(
    path: Path,
    sheet: Path | None,
    sha256: str,
    settings: ShopSettings,
    asked: _Asked,
    given: Given | None,
) -> Incoming:
    """Readings by sample name, each with the set-up that the sheet gives for it."""
    from pipelines.measured import read_measured

    measured = read_measured(
        path,
        settings,
        measurement_condition=asked.condition,
        gloss_included=asked.as_declared,
        reflectance=asked.reflectance,
        expected_L=None if given is None or sheet is None else _as_usual(given, sheet),
    )
    readings = measured.frame
    if sheet is None:
        raise UserError(
            f"{path.name}: names samples ({_some(readings['sample'])}) but not how they were "
            f"printed; add {asked.called.setups}, whose print_id are these names."
        )
    setups, warnings = read_sheet(sheet)
    row_of = {print_id.strip(): row for row, print_id in setups["print_id"].items()}
    matched = _matched(readings["sample"], list(row_of), path.name, sheet.name)
    names = readings["sample"].map(matched)
    prints = (
        setups.loc[names.map(row_of)]
        .reset_index(drop=True)
        .drop(columns="readings", errors="ignore")
    )
    spectral = readings[SPECTRUM].notna().all(axis=1).to_numpy()
    columns = []
    if spectral.any():
        columns += SPECTRUM
    if not spectral.all():
        columns += ["L", "a", "b"]
    for column in columns:
        wanted = spectral if column in SPECTRUM else ~spectral
        prints[column] = np.where(wanted, readings[column].map(lambda v: f"{v:.6g}"), "")
    prints = prints.astype(object).set_axis(range(2, len(prints) + 2))
    said = [*measured.said, *warnings]
    there = set() if given is None else {*given.tables["prints"]["print_id"].str.strip()}
    left = sorted(row_of.keys() - set(names) - there, key=lambda name: row_of[name])
    if left:
        said.append(f"{sheet.name}: no reading of {_some(left)}; to be recorded when there is.")
    return Incoming(
        path.name,
        sha256,
        {"prints": prints},
        {"prints": path.name},
        dict(zip(prints.index, readings["where"], strict=True)),
        asked.condition or measured.facts.get("measurement_condition"),
        measured.facts.get("backing"),
        typed=False,
        as_declared=asked.as_declared,
        said=said,
        called=asked.called,
    )


def _as_usual(given: Given, sheet: Path) -> Callable[[list[str]], np.ndarray]:
    """Names of samples -> L (n,) as the shop's measurements have such prints; NaN if none do."""

    @cache
    def known() -> tuple[pd.DataFrame, dict[str, tuple[str, str, str]]]:
        setups, _ = read_sheet(sheet)
        setups, _ = with_ids(PRINTS, setups, known_in(given.tables))
        columns = ("ink_id", "substrate_id", "underbase_ink_id")
        cells = (setups.get(c, pd.Series("", setups.index)).str.strip() for c in columns)
        how = zip(*cells, strict=True)
        return measured_in(given), dict(zip(map(_plainly, setups["print_id"]), how, strict=True))

    def usual(names: list[str]) -> np.ndarray:
        every, how = known()
        return np.array(
            [usual_lightness(every, *how[key]) if (key := _plainly(name)) in how else np.nan
             for name in names], float)  # fmt: skip

    return usual


def read_sheet(path: Path) -> tuple[pd.DataFrame, list[str]]:
    """Set-ups of prints to be measured (``print_id`` or ``setup_id``), as text cells."""
    findings = Findings()
    data = read_at_most(path, csvfile.MAX_BYTES)
    read = cells_of(data, SHEET_PRINTS, path.name, findings)
    findings.raise_if_any()
    assert read is not None  # else there were findings
    cells = read.cells
    if "print_id" not in cells and "setup_id" in cells:
        cells = cells.rename(columns={"setup_id": "print_id"})
        headers = findings.headers.get(path.name, {})
        headers["print_id"] = headers.get("setup_id", "setup_id")
    cells = cells.drop(columns=[c for c in cells if c in _TARGETS or _is_colour(c)])
    prints = known_columns(SHEET_PRINTS, cells, read.delimiter, findings, path.name, read.header)
    findings.raise_if_any()
    ids = prints["print_id"].str.strip()
    for row, print_id in ids[ids.duplicated() & (ids != "")].items():
        what = f'"{print_id}" stands there twice'
        findings.problem(
            path.name, int(row), "print_id", what, "keep one row a print", Kind.DUPLICATE
        )
    for row in ids.index[ids == ""]:
        findings.problem(path.name, int(row), "print_id", "is empty", "fill it in", Kind.MISSING)
    findings.raise_if_any()
    return prints, findings.warnings


def _is_colour(name: str) -> bool:
    return name in ("L", "a", "b") or name in SPECTRUM


def _matched(samples: pd.Series, print_ids: list[str], file: str, sheet: str) -> dict[str, str]:
    """Sample name -> print_id, case, blanks and hyphens left aside where that is unambiguous.

    Raises UserError naming the samples that are no print of the sheet.
    """
    plain: dict[str, list[str]] = {}
    for print_id in print_ids:
        plain.setdefault(_plainly(print_id), []).append(print_id)
    matched, lost, exact = {}, [], set(print_ids)
    for sample in dict.fromkeys(samples):
        name = sample.strip()
        alike = [name] if name in exact else plain.get(_plainly(name), [])
        if len(alike) == 1:
            matched[sample] = alike[0]
        else:
            lost.append(name)
    if lost:
        free = [print_id for print_id in print_ids if print_id not in matched.values()]
        noun = "one sample is" if len(lost) == 1 else f"{len(lost)} samples are"
        raise UserError(
            f"{file}: {noun} no print of {sheet}: {_some([_near(name, free) for name in lost])}; "
            "correct the names or add the set-ups; nothing was changed."
        )
    return matched


def _near(name: str, print_ids: list[str]) -> str:
    """A sample's name with the print beside it that may be meant."""
    close = difflib.get_close_matches(name, print_ids, n=1)
    return f'{name} (is "{close[0]}" meant?)' if close else name


def _plainly(name: str) -> str:
    """Case, blanks and hyphens do not count; but between two numbers, "1-1" is not "11"."""
    return re.sub(r"[\s_-]+", "", re.sub(r"(?<=\d)[\s_-]+(?=\d)", ".", name.casefold()))


def _some(names: pd.Series | list[str], at_most: int = 5) -> str:
    names = list(dict.fromkeys(names))
    shown = ", ".join(names[:at_most])
    return shown + (f" and {len(names) - at_most} more" if len(names) > at_most else "")
