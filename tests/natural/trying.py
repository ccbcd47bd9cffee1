"""Tables and calls as people make them, run to the end and held against the truth beside them.

A case (``cases/*.toml``, made by hand) is a command, the files it reads and what is true of them:

* ``does``: the command as it is typed, without ``strikeoff``; ``files``: name -> the text of a
  file (``encoding``: utf-8 unless given) or, of a workbook, title -> rows of a sheet (``merged``:
  file -> title -> ranges); ``rest``: a folder into which the other tables of ``shop/`` are put;
* ``begins``: "learnt" (the shop of ``shop/`` and a model), "shop" (without a model), "nothing";
* the truth, as CSV under our own names: ``prints`` that are new, ``setups`` that are predicted,
  ``targets``, whole ``tables`` by name; ``listed``: the ids a list holds; ``same_as``: a command in
  ids that answers the same, to the letter;
* ``tells``: what must be told; ``aside``: prints left out of what is true and told of;
* ``refused``: a part of what is said, where nothing should be taken; ``remedy``: ``does`` or
  ``files`` that do what is said, after which all is as the truth has it.
"""

from __future__ import annotations

import contextlib
import csv
import hashlib
import io
import math
import re
import shlex
import shutil
import tomllib
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from enum import StrEnum
from functools import cached_property
from pathlib import Path
from typing import NamedTuple

import openpyxl
import pandas as pd

from pipelines.cli import main
from pipelines.ledger import store
from pipelines.registry.opened import open_model
from pipelines.tables.folder import targets_of, to_shop
from pipelines.tables.schema import PREDICTION_COLUMNS, SETUPS, SHOP_TABLES
from pipelines.tables.spectra import SPECTRUM
from pipelines.tasks import of_today
from pipelines.workspace.folders import Workspace

HERE = Path(__file__).parent
SHOP = HERE / "shop"
DATABASE = Path("datasets/s/shop.db")
LEARNT, WITHOUT_MODEL, NOTHING = "learnt", "shop", "nothing"
COMPARED = [c for c in PREDICTION_COLUMNS if c not in ("reason", "test_print")]


class Said(NamedTuple):
    """What came of a command."""

    code: int
    out: str
    err: str


Run = Callable[[list[str], Path], Said]


class Outcome(StrEnum):
    """What came of a case."""

    RIGHT = "taken right"
    PART = "taken right but for rows told of"
    REFUSED = "refused with a remedy"
    DEAD_END = "refused without a remedy"
    WRONG = "taken wrong"


class Judged(NamedTuple):
    """The outcome and what was seen."""

    outcome: Outcome
    why: str


@dataclass(frozen=True)
class Case:
    """One case; see above."""

    name: str
    does: str
    begins: str = WITHOUT_MODEL
    files: dict[str, str | dict[str, list]] = field(default_factory=dict)
    encoding: dict[str, str] = field(default_factory=dict)
    merged: dict[str, dict[str, list[str]]] = field(default_factory=dict)
    rest: str | None = None
    prints: str | None = None
    setups: str | None = None
    targets: str | None = None
    tables: dict[str, str] = field(default_factory=dict)
    listed: list[str] | None = None
    same_as: str | None = None
    tells: list[str] = field(default_factory=list)
    aside: list[str] = field(default_factory=list)
    refused: str | None = None
    remedy: dict = field(default_factory=dict)

    @property
    def wanted(self) -> Outcome:
        """The honest outcome."""
        if self.refused is not None:
            return Outcome.REFUSED
        return Outcome.PART if self.aside else Outcome.RIGHT


def cases() -> list[Case]:
    """All of them, in the order of their files."""
    found = []
    for file in sorted((HERE / "cases").glob("*.toml")):
        told = tomllib.loads(file.read_text(encoding="utf-8"))
        usual = told.get("usual", {})
        found += [Case(**{**usual, **case}) for case in told["case"]]
    return found


def in_process(argv: list[str], folder: Path) -> Said:
    """Run a command line in this process."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.chdir(folder), contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = main(argv)
    return Said(code, out.getvalue(), err.getvalue())


@dataclass(frozen=True)
class Trial:
    """Tries cases, each in a copy of what it begins with, below ``root``."""

    root: Path
    run: Run = in_process

    @cached_property
    def beginnings(self) -> dict[str, Path]:
        """The workspaces that cases begin with."""
        made = {name: self.root / name for name in (NOTHING, WITHOUT_MODEL, LEARNT)}
        made[NOTHING].mkdir(parents=True)
        made[WITHOUT_MODEL].mkdir()
        done = in_process(["import", str(SHOP), "--shop", "s"], made[WITHOUT_MODEL])
        assert done.code == 0, done.err
        shutil.copytree(made[WITHOUT_MODEL], made[LEARNT])
        done = in_process(["learn", "--workers", "1"], made[LEARNT])
        assert done.code == 0, done.err
        return made

    def judge(self, case: Case) -> Judged:
        """Run a case to its end."""
        folder = self.root / re.sub(r"\W+", "-", case.name)
        shutil.copytree(self.beginnings[case.begins], folder)
        _write(folder, case, case.files)
        before = _stamp(folder)
        done = self.run(shlex.split(case.does), folder)
        if "Traceback" in done.err:
            return Judged(Outcome.DEAD_END, done.err)
        if done.code == 0:
            return self._taken(folder, case, done)
        return self._refused(folder, case, done, before)

    def _taken(self, folder: Path, case: Case, done: Said) -> Judged:
        said = done.out + done.err
        left = _told_of(folder, case, done)
        truth = case if not left else replace(case, prints=_without(case.prints or "", left))
        wrong = self.differs(folder, truth, done)
        for words in [*case.tells, *case.aside]:
            if words not in said:
                wrong.append(f"{words!r} is not told")
        if wrong:
            return Judged(Outcome.WRONG, "; ".join(wrong) + f"\n{said}")
        return Judged(Outcome.PART if case.aside or left else Outcome.RIGHT, said)

    def _refused(self, folder: Path, case: Case, done: Said, before: str) -> Judged:
        if _stamp(folder) != before:
            return Judged(Outcome.WRONG, f"refused, but something has changed\n{done.err}")
        if not re.search(r"; \w|\?|\. Give|, or ", done.err) or not case.remedy:
            return Judged(Outcome.DEAD_END, done.err)
        if (case.refused or "") not in " ".join(done.err.split()):
            return Judged(Outcome.DEAD_END, f"{case.refused!r} is not said\n{done.err}")
        _write(folder, case, case.remedy.get("files", {}))
        again = self.run(shlex.split(case.remedy.get("does", case.does)), folder)
        wrong = [again.err] if again.code else self.differs(folder, case, again)
        if wrong:
            return Judged(Outcome.DEAD_END, f"{done.err}\nfollowed: {'; '.join(wrong)}")
        return Judged(Outcome.REFUSED, done.err)

    def differs(self, folder: Path, case: Case, done: Said) -> list[str]:
        """Where what was stored or answered is not the truth."""
        wrong = []
        if case.begins != LEARNT or case.prints or case.tables:
            wrong += _stored_wrong(folder, case)
        if case.setups is not None:
            wrong += _predicted_wrong(folder, case)
        if case.listed is not None:
            ids = re.findall(r"^ *([A-Z][0-9]{1,3})\b", done.out, re.MULTILINE)
            wrong += _unlike("listed", sorted(case.listed), sorted(ids))
        if case.same_as is not None:
            other = self.run(shlex.split(case.same_as), folder)
            wrong += _unlike("answer", other.out, done.out)
        return wrong


def _told_of(folder: Path, case: Case, done: Said) -> list[str]:
    """Prints of the truth that are not in use and told of, each in a line of its own."""
    if case.prints is None or not (folder / DATABASE).exists():
        return []
    ids = set(to_shop(store.read(folder / DATABASE)).prints["print_id"])
    there = [row["print_id"] for row in _records(case.prints)]
    return [one for one in there if one not in ids and f"\n  {one}, " in done.out]


def _without(text: str, print_ids: list[str]) -> str:
    header, *rows = text.strip().splitlines()
    return "\n".join([header, *(row for row in rows if row.split(",")[0] not in print_ids)])


def _stored_wrong(folder: Path, case: Case) -> list[str]:
    """What the shop holds, table by table, against the truth; what is not told of is as before."""
    if not (folder / DATABASE).exists():
        return ["nothing is stored"]
    shop = to_shop(store.read(folder / DATABASE))
    kept = {name: SHOP / f"{name}.csv" for name in SHOP_TABLES}
    whole = {name: file.read_text("utf-8") for name, file in kept.items() if file.exists()}
    whole |= case.tables
    wrong = []
    for name, table in SHOP_TABLES.items():
        truth = _records(whole[name]) if name in whole else []
        if name == "prints" and case.prints is not None:
            truth += _records(case.prints)
        wrong += _rows_wrong(name, truth, getattr(shop, name), [c.name for c in table.columns])
    if case.targets is not None:
        frame, faults = targets_of(store.read(folder / DATABASE))
        wrong += list(map(str, faults))
        wrong += _rows_wrong("targets", _records(case.targets), frame, list(frame.columns))
    return wrong


def _predicted_wrong(folder: Path, case: Case) -> list[str]:
    """Answers against those of the model for the true set-ups."""
    opened = open_model(Workspace(folder), "s")
    rows = pd.DataFrame(_records(case.setups or ""), dtype=object)
    rows = rows.reindex(columns=[c.name for c in SETUPS.columns]).replace("", None)
    for column in SETUPS.columns:
        if column.kind in ("number", "whole"):
            rows[column.name] = pd.to_numeric(rows[column.name]).astype(float)
        elif column.kind == "date":
            rows[column.name] = pd.to_datetime(rows[column.name])
        else:
            rows[column.name] = (
                rows[column.name].astype(object).where(rows[column.name].notna(), None)
            )
    rows["printed_on"] = rows["printed_on"].fillna(pd.Timestamp(of_today.today()))
    truth = opened.predict(rows)[COMPARED].astype(object).where(lambda f: f.notna(), "")
    answers = [name for name in ("a.csv", "a.xlsx") if (folder / name).exists()]
    if not answers:
        return ["no answers are written"]
    file = folder / answers[0]
    read = pd.read_excel if file.suffix == ".xlsx" else pd.read_csv
    got = read(file, dtype={"setup_id": str})
    return _rows_wrong("predictions", truth.to_dict("records"), got, COMPARED, 1e-3)


def _rows_wrong(
    name: str, truth: list[dict], frame: pd.DataFrame, columns: list[str], within: float = 1e-6
) -> list[str]:
    if len(truth) != len(frame):
        return [f"{name}: {len(frame)} rows instead of {len(truth)}"]
    columns = list(dict.fromkeys([*columns, *(c for c in [*SPECTRUM, *"Lab"] if c in frame)]))
    wrong = []
    for expected, row in zip(truth, frame.to_dict("records"), strict=True):
        for column in columns:
            if not _same(expected.get(column, ""), row.get(column), within):
                first = next(iter(expected.values()))
                told = f"{row.get(column)!r} instead of {expected.get(column, '')!r}"
                wrong.append(f"{name} {first}, {column}: {told}")
    return wrong


def _same(expected: object, got: object, within: float) -> bool:
    if got is None or pd.isna(got) or got == "":
        return expected == ""
    if isinstance(got, pd.Timestamp):
        return f"{got:%Y-%m-%d}" == expected
    if isinstance(got, str):
        return got == expected
    if expected == "bucket":
        return math.isinf(float(str(got)))
    return expected != "" and abs(float(str(expected)) - float(str(got))) <= within


def _unlike(what: str, expected: object, got: object) -> list[str]:
    return [] if expected == got else [f"{what}: {got!r} instead of {expected!r}"]


def _records(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text.strip() + "\n")))


def _stamp(folder: Path) -> str:
    """The shop's database and every answer in the folder."""
    digest = hashlib.sha256()
    for file in sorted([*folder.glob("a.*"), folder / DATABASE]):
        digest.update(file.read_bytes() if file.exists() else b"none")
    return digest.hexdigest()


def _write(folder: Path, case: Case, files: dict) -> None:
    if case.rest is not None:
        (folder / case.rest).mkdir(exist_ok=True)
        for file in SHOP.iterdir():
            if not (folder / case.rest / file.name).exists():
                shutil.copy(file, folder / case.rest)
    for name, content in files.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        if isinstance(content, str):
            path.write_bytes(content.encode(case.encoding.get(name, "utf-8")))
            continue
        book = openpyxl.Workbook()
        book.remove(book.worksheets[0])
        for title, rows in content.items():
            sheet = book.create_sheet(title)
            for at, row in enumerate(rows, start=1):
                for along, cell in enumerate(row, start=1):
                    sheet.cell(at, along, cell if cell != "" else None)
            for merged in case.merged.get(name, {}).get(title, []):
                sheet.merge_cells(merged)
        book.save(path)
