"""Where on a sheet the table is: its header under titles, its rows above totals and notes.

A table under our own column names in the first row is taken as it stands. Any other is read as
people keep it, and what was understood is told.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd

from pipelines.tables.blank import EXAMPLE, SHEETS
from pipelines.tables.headers import Meaning, is_unit, meaning, plain
from pipelines.tables.schema import Table
from pipelines.workspace.problems import Findings, Kind

Rows = Mapping[int, list[str]]  # number of the row in its file -> its cells
LOOKED_AT = 40  # filled rows among which the header must be
_NOTHING = (
    "-|--|\u2013|\u2014|none|n/a|na|n.a.|n. a.|nil|nothing|unknown|?"
    "|keine|kein|keiner|ohne|entfällt|k.a.|k. a.|unbekannt|aucun|aucune|sans|néant"
    "|ninguno|ninguna|sin|nessuno|nessuna|senza|geen|zonder"
)
_EMPTY = frozenset(map(plain, _NOTHING.split("|")))
_NO = frozenset({"no", "nein", "non", "nee"})  # under a base: there is none
_NUMBER = re.compile(r"[-+]?[0-9]+([.,][0-9]+)?\s*%?")
_TOTAL = re.compile(
    r"(total|sum|average|mean|count|note|remark|comment|legend|key:|summe|gesamt|mittel"
    r"|durchschnitt|anzahl|anmerkung|bemerkung|hinweis|legende|moyenne|somme|remarque|suma"
    r"|promedio|nota|media|totale|totaal|gemiddelde|opmerking)\b"
)


@dataclass(frozen=True)
class Laid:
    """``cells``: text by row of the file, under our names where one is meant; ``header``: its row.

    ``ours``: under our own names from the first row on, and so taken as it stands.
    ``delimiter``: between its cells, "" in a workbook. ``examples``: whether rows that are none of
    the shop's were left out, which nothing has told yet.
    """

    cells: pd.DataFrame
    header: int
    ours: bool
    delimiter: str = ""
    examples: bool = False


def header_of(table: Table, rows: Rows) -> int | None:
    """The row that names the most columns of the table; None where none names two."""
    best, most = None, 1
    for number in list(rows)[:LOOKED_AT]:
        meant = [meaning(table, name) for name in map(_tidy, rows[number]) if name]
        known = {one.columns[0] for one in meant if one.columns}
        if len(known) > most:
            best, most = number, len(known)
    return best


def names(table: Table, rows: Rows, wanted: set[str]) -> bool:
    """Whether the header among ``rows`` names all the columns of the table that are ``wanted``."""
    number = header_of(table, rows)
    if number is None:
        return False
    return wanted <= {c for cell in rows[number] for c in meaning(table, _tidy(cell)).columns}


def is_ours(table: Table, header: list[str]) -> bool:
    """Whether every column that is meant stands under our own name."""
    meant = [(name, meaning(table, name)) for name in header if name]
    there = set(header)
    return all(
        not m.odd_unit and (m.columns in ((), (name,)) or (m.loosely and m.columns[0] in there))
        for name, m in meant
    )


def lay_out(table: Table, rows: Rows, file: str, findings: Findings) -> Laid | None:
    """The table among ``rows``; what was understood as warnings, else problems and None.

    What `strikeoff start` writes over a column needs no telling, nor does an empty table.
    """
    number = header_of(table, rows)
    if number is None:
        needed = ", ".join(column.name for column in table.columns if column.filled)
        what = f"no row names the columns of {table.name} ({needed})"
        do = "write the names of the columns over the table"
        findings.problem(file, None, None, what, do, Kind.MISSING)
        return None
    header = list(map(_tidy, rows[number]))
    below = {n: cells for n, cells in rows.items() if n > number}
    out: dict[str, list[int]] = {}
    first = next(iter(below), None)
    if first is not None and are_units(below[first]):
        header = with_units(header, below[first])
        out["units"] = [first]
    header = _with_groups(table, header, rows.get(number - 1, []))
    names = _named(table, header, file, number, findings)
    if names is None:
        return None
    theirs = {ours: header[i] for i, ours in names.items() if header[i] != ours}
    findings.headers[file] = theirs
    width = len(header)
    square = [(cells + [""] * width)[:width] for cells in below.values()]
    frame = pd.DataFrame(square, index=list(below), columns=range(width), dtype=object)
    frame = frame[list(names)].set_axis(list(names.values()), axis=1)
    out |= _left_out(table, frame, header, list(names))
    left = sorted(row for some in out.values() for row in some)
    frame = frame.drop(index=left)
    ours = number == 1 and is_ours(table, header)
    examples = bool(out.pop("examples", []))
    if not frame.empty or any(out.values()):
        read = [(header[i], n) for i, n in names.items() if header[i] != n]
        _tell(file, number, read, out, table, findings)
    return Laid(frame, number, ours, examples=examples)


def emptied(table: Table, frame: pd.DataFrame, *, ours: bool) -> pd.DataFrame:
    """Words for "nothing" as empty cells, in columns that may be empty.

    Where a table is taken as it stands (``ours``), free text and names stay what they are: a code,
    such as that of a lot or a job, is neither.
    """
    frame = frame.copy()
    for name in frame.columns:
        column = table.column(name)
        if column is None or column.filled:
            continue
        if ours and column.kind == "text" and not column.code:
            continue
        words = (_EMPTY | _NO if column.refers_to else _EMPTY) - set(column.answers)
        frame[name] = frame[name].mask(frame[name].map(plain).isin(words), "")
    return frame


def is_nothing(cell: str) -> bool:
    """Whether a cell says in words that there is nothing, or nothing known: ``none``, ``n/a``."""
    return plain(cell) in _EMPTY


def _tidy(cell: str) -> str:
    return " ".join(cell.split())


def _named(
    table: Table, header: list[str], file: str, number: int, findings: Findings
) -> dict[int, str] | None:
    """Position -> column: ours, or as written where it means nothing to us."""
    meant = {i: meaning(table, name) for i, name in enumerate(header) if name}
    claimed: dict[str, int] = {}
    sound = True
    for i, one in _surest_first(meant, header):
        free = [column for column in one.columns if column not in claimed]
        if free:
            claimed[free[0]] = i
        elif one.loosely or (
            header[i] != one.columns[0] and header[claimed[one.columns[0]]] == one.columns[0]
        ):
            continue  # our own or a surer name stands beside it: that one is meant
        else:
            sound = False
            other = header[claimed[one.columns[0]]]
            what = f'"{other}" and "{header[i]}" are both read as {one.columns[0]}'
            do = f"keep one of them, or write {one.columns[0]} over it and rename the other"
            findings.problem(file, number, None, what, do, Kind.DUPLICATE)
    for i, one in meant.items():
        if one.odd_unit is not None:
            sound = False
            what = f'what stands beside the name in "{header[i]}" is not understood'
            do = "name the unit that datasets/README.md gives for it, or none"
            if one.per_inch:
                do = "give each screen by its id, or by its count per centimetre"
            findings.problem(file, number, None, what, do, Kind.UNIT)
    names: dict[int, str] = {i: column for column, i in claimed.items()}
    for i, name in enumerate(header):
        if name and i not in names and name not in names.values():
            names[i] = name  # told as not known where columns are chosen
    return dict(sorted(names.items())) if sound else None


def _surest_first(meant: Mapping[int, Meaning], header: list[str]) -> list[tuple[int, Meaning]]:
    """Our own names, then what can mean one thing only, then the rest."""
    found = [(i, one) for i, one in meant.items() if one.columns]
    return sorted(found, key=lambda m: _doubt(m[1], header[m[0]]))


def _doubt(one: Meaning, name: str) -> tuple[bool, bool, int]:
    return one.columns != (name,), one.loosely, len(one.columns)


def are_units(cells: list[str]) -> bool:
    """Whether a row below a header holds nothing but units."""
    filled = [cell for cell in cells if cell.strip()]
    units = [cell for cell in filled if plain(cell) not in _EMPTY]
    return len(filled) > 1 and len(units) > 0 and all(map(is_unit, units))


def with_units(header: list[str], units: list[str]) -> list[str]:
    """The header with what stood below each name in brackets behind it."""
    units = ["" if plain(unit) in _EMPTY else unit.strip("()[] ") for unit in units]
    units += [""] * len(header)
    return [f"{n} ({u})" if n and u else n for n, u in zip(header, units, strict=False)]


def _with_groups(table: Table, header: list[str], above: list[str]) -> list[str]:
    """Names that stand twice told apart by the row above: "Base" and "Top" over "Ink" and "Ink".

    A word over several columns stands over the first of them. Where it makes a name of ours of
    one that stands twice, the other is left as it is, or, if that would be the same once more -
    "Measured" and "Target" over "L*" - keeps both words and means nothing to us.
    """
    alone = [meaning(table, name).columns[:1] for name in header]
    if not any(column and alone.count(column) > 1 for column in alone):
        return header
    over, words = [""] * len(header), ""
    for i in range(len(header)):
        words = _tidy(above[i]) if i < len(above) and above[i].strip() else words
        over[i] = words
    both = [
        f"{word} {name}" if word and name else "" for word, name in zip(over, header, strict=True)
    ]
    joint = [meaning(table, name).columns[:1] if name else () for name in both]
    out = []
    for name, pair, own, told in zip(header, both, alone, joint, strict=True):
        clear = own and alone.count(own) > 1 and (told or (pair and own in joint))
        out.append(pair if clear else name)
    return out


def _left_out(
    table: Table, frame: pd.DataFrame, header: list[str], at: list[int]
) -> dict[str, list[int]]:
    """Rows that are no part of the table: example rows, the header once more, totals, notes."""
    text = frame.map(str.strip)
    there = text != ""
    known = [c for c in frame.columns if table.column(c) or c not in header]
    needed = [c.name for c in table.columns if c.filled and c.name in frame.columns]
    first = text.apply(lambda row: next((cell for cell in row if cell), ""), axis=1)
    if frame.empty:
        return {}
    example = first.map(lambda cell: cell.casefold().startswith(EXAMPLE))
    again = (text == [header[i] for i in at]).all(axis=1)
    short = there[needed].sum(axis=1)
    lone = (there.sum(axis=1) <= 1) & (len(known) > 2)
    lone |= (short * 2 < len(needed)) | ~there[known].any(axis=1)
    # what a total says of a table that need say little is numbers alone
    others = there.sum(axis=1) - 1
    numbers = text.map(lambda cell: bool(_NUMBER.fullmatch(cell))).sum(axis=1)
    bare = (short < len(needed)) | ((others > 0) & (numbers == others) & (len(known) > 2))
    total = first.map(lambda cell: bool(_TOTAL.match(cell.casefold()))) & bare
    notes = (lone | total) & ~example & ~again
    found = {"examples": example, "the header again": again & ~example, "totals or notes": notes}
    return {what: [int(r) for r in frame.index[where]] for what, where in found.items()}


def _tell(
    file: str,
    number: int,
    names: list[tuple[str, str]],
    out: Mapping[str, list[int]],
    table: Table,
    findings: Findings,
) -> None:
    started = SHEETS.get(table.name, {})
    read = [f'"{theirs}" as {o}' for theirs, o in names if started.get(o, ("",))[0] != theirs]
    spectrum = [part for part in read if re.search(r" as r[0-9]{3}$", part)]
    if len(spectrum) > 2:
        read = [p for p in read if p not in spectrum] + [f"{spectrum[0]} to {spectrum[-1]}"]
    said = [f"the table begins in row {number}"] if number > 1 else []
    if read:
        said.append("read " + ", ".join(read))
    for what, rows in out.items():
        if rows:
            said.append(f"left out as {what}: {rows_in_words(rows)}")
    if said:
        findings.warn(f"{file}, {table.name}: {'; '.join(said)}.")


def rows_in_words(rows: list[int]) -> str:
    """``row 3``, ``rows 3 to 7 and 9``."""
    spans: list[list[int]] = []
    for row in sorted(rows):
        if spans and row == spans[-1][1] + 1:
            spans[-1][1] = row
        else:
            spans.append([row, row])
    words = [f"{a}" if a == b else f"{a} {'and' if b == a + 1 else 'to'} {b}" for a, b in spans]
    if len(words) > 6:
        words = [*words[:5], f"{sum(b - a + 1 for a, b in spans[5:])} more"]
    listed = " and ".join(filter(None, (", ".join(words[:-1]), words[-1])))
    return f"row{'s' * (len(rows) > 1)} {listed}"
