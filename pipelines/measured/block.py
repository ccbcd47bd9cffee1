"""What every reader of measured prints hands on: tables of text, and how a file is refused."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import NoReturn

import pandas as pd

from pipelines.workspace.problems import UserError, printable

# A reading with 36 bands takes some 300 bytes: these are far above any day's measurements.
MAX_BYTES = 20_000_000
MAX_READINGS = 20_000
MAX_FIELDS = 1_000
MAX_TABLES = 200  # each of them is looked at by itself
MAX_CELLS = 160_000  # of a workbook, which takes several times as long as a CSV file
MAX_LINES = 200_000
MAX_LINE = 100_000

# What a file may declare about all its readings.
CONDITIONS = {
    "measurement_condition": "measurement conditions",
    "backing": "backings",
    "illuminant": "illuminants",
    "observer": "observers",
    "geometry": "geometries",
    "filter": "filters",
    "specular": "ways of measuring gloss",
    "quantity": "kinds of measurement",
    "white": "whites",
}


@dataclass
class Block:
    """One table of readings as the file gives it: text, nothing interpreted.

    ``cells``: one column a field, one row a reading; ``where``: the place of each row in words;
    ``facts``: what is declared about all of them. ``free_order``: columns may stand in any
    order, as in a spreadsheet. ``extra``: columns handed on as they are. ``scale``: "fraction"
    where the format itself says so of reflectances, "percent" where the cells do.
    """

    cells: pd.DataFrame
    where: list[str]
    facts: dict[str, str] = field(default_factory=dict)
    free_order: bool = False
    extra: pd.DataFrame | None = None
    scale: str | None = None


def refuse(
    file: str, what: str, do: str, *, where: str | None = None, column: str | None = None
) -> NoReturn:
    """Raises the UserError that names the file, the place, what is wrong and what to do."""
    place = ", ".join(filter(None, (file, where, column and f"column {column}")))
    raise UserError(printable(f"{place}: {what}; {do}."))


def with_others(what: str, rows: int) -> str:
    """``what``, said of the first of so many rows."""
    return what if rows < 2 else f"{what}, and so in {rows - 1} more row{'s' * (rows > 2)}"


def listed(names: Iterable[object], at_most: int = 6) -> str:
    """``a, b and c``, cut short when long."""
    words = [str(name) for name in names]
    if len(words) > at_most:
        words = [*words[: at_most - 1], f"{len(words) - at_most + 1} more"]
    return " and ".join(filter(None, (", ".join(words[:-1]), words[-1])))


def check_tables(file: str, tables: int) -> None:
    """Refuses a file of more tables than anybody's day has."""
    if tables > MAX_TABLES:
        what = f"holds more than {MAX_TABLES} tables"
        refuse(file, what, "export all samples as one table, or split it into several files")


def check_counts(file: str, readings: int, fields: int) -> None:
    """Refuses a table larger than any instrument's export."""
    if readings > MAX_READINGS:
        what = f"holds more than {MAX_READINGS} readings"
        refuse(file, what, "split it into several files")
    if fields > MAX_FIELDS:
        refuse(file, f"has more than {MAX_FIELDS} columns", "export colour and spectrum alone")
