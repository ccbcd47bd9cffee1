"""Press sheets, one a job: all its colours, garments and screens in the order of printing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from learn.shop import UNDERBASE
from pipelines.pages import parts, render
from pipelines.pages.prediction import shown_rows
from pipelines.pages.press_sheet import CURE, FLASH_BASE, READINGS, cautions, prints_to_measure
from pipelines.tables import csvfile
from pipelines.words.common import named
from pipelines.words.jobs import Line
from pipelines.words.prediction import known, setup_words
from pipelines.words.reasons import strokes_words
from pipelines.workspace.files import write_text

if TYPE_CHECKING:
    from pipelines.registry.opened import Opened

AS_LISTED = "Colours stand as in the file, which gives no order of printing: settle it first."


def write_sheets(
    path: Path,
    lines: Sequence[Line],
    predictions: pd.DataFrame,
    setups: pd.DataFrame,
    opened: Opened,
) -> Path:
    """Write the sheets of all jobs to ``path``, by day and then as they stand in the file, each on
    a page of its own; and beside it the list of prints to measure, whose path is returned."""
    described = opened.catalogue.describe(setups)
    settings = opened.catalogue.settings
    rows = shown_rows(predictions, described, settings)
    films = np.add(*opened.model.films_um(setups))
    late = pd.Timestamp.max
    ordered = sorted(lines, key=lambda one: (one.day or late, min(one.rows)))
    prints = [_prints(line, setups) for line in ordered]
    made = f"{date.today():%Y-%m-%d}, model {opened.by}"
    sheets = [
        _sheet(line, rows, films, listed["print_id"].tolist(), made)
        for line, listed in zip(ordered, prints, strict=True)
    ]
    _write(path, sheets, settings.name)
    listed_path = path.with_suffix(".csv")
    write_text(listed_path, csvfile.for_people(pd.concat(prints, ignore_index=True)))
    return listed_path


def _write(path: Path, sheets: list[dict], shop_name: str) -> None:
    of_each = [[j] * len(sheet["colours"]) for j, sheet in enumerate(sheets)]
    divided = [list(dict.fromkeys(at)) for at in parts.divided(of_each, parts.MOST)]
    files = parts.names(path, len(divided))

    def page(at: Sequence[int], pages: list[dict], part_of: str | None) -> str:
        return render.text(
            "job_sheets.html",
            title=f"Press sheets, {shop_name}",
            shop_name=shop_name,
            sheets=[sheets[i] for i in at],
            pages=pages,
            part_of=part_of,
            readings=READINGS,
        )

    if len(files) == 1:
        parts.write(path, {path: page(divided[0], [], None)})
        return
    texts = {file: page(at, [], path.name) for file, at in zip(files, divided, strict=True)}
    pages = [
        {"file": file.name, "words": f"{sheets[at[0]]['name']} to {sheets[at[-1]]['name']}"}
        for file, at in zip(files, divided, strict=True)
    ]
    parts.write(path, texts | {path: page([], pages, None)})


def _in_order(at: Sequence[int], setups: pd.DataFrame) -> list[int]:
    """Set-ups of a job in the order of printing; those without a place come last, as listed."""
    places = setups["print_order"].to_numpy(float) if "print_order" in setups else None
    if places is None:
        return list(at)
    return sorted(at, key=lambda i: (np.nan_to_num(places[i], nan=np.inf), i))


def _prints(line: Line, setups: pd.DataFrame) -> pd.DataFrame:
    rows = setups.iloc[_in_order(line.rows, setups)]
    return prints_to_measure(rows, "-".join(line.name.split()))


def _sheet(
    line: Line, rows: Sequence[Mapping], films: np.ndarray, print_ids: list[str], made: str
) -> dict:
    frame = pd.DataFrame({"print_order": [known(row, "print_order") for row in rows]}, dtype=float)
    names = dict(zip(line.rows, line.colours, strict=True))
    order = _in_order(line.rows, frame)
    own = [{**rows[i], "called": names[i]} for i in order]
    for row, print_id in zip(own, print_ids, strict=True):
        row["print_id"] = print_id
    placed = frame["print_order"].iloc[list(line.rows)].notna().all()
    fibres = {row["garment"]: known(row, "fibre") for row in own}
    return {
        "name": line.name,
        "kind": line.kind,
        "headline": line.headline,
        "do": line.do,
        "head": [
            ("Printing", "not given" if line.day is None else f"{line.day:%Y-%m-%d}"),
            ("Colours", len(own)),
            ("Chance of all in tolerance", line.chance),
            ("Made", made),
        ],
        "runs": _runs(own),
        "as_listed": "" if placed or len(own) == 1 else AS_LISTED,
        "colours": own,
        "cautions": cautions(float(films[list(line.rows)].max()), fibres),
    }


def _runs(own: Sequence[Mapping]) -> list[dict]:
    """The screens of each garment in turn; garments with the same screens in the same order are
    one run."""
    by_garment: dict[str, list[Mapping]] = {}
    for row in own:
        by_garment.setdefault(row["garment"], []).append(row)
    runs: dict[tuple[str, ...], list[str]] = {}
    for garment, colours in by_garment.items():
        runs.setdefault(tuple(_steps(colours)), []).append(garment)
    return [{"garments": on, "steps": list(steps)} for steps, on in runs.items()]


def _steps(colours: Sequence[Mapping]) -> list[str]:
    """The steps at the press on one garment: bases, then colours, then the cure."""
    bases: dict[str, list[str]] = {}
    for row in colours:
        if known(row, UNDERBASE[0]) is not None:
            ink, mesh, strokes = (known(row, c) for c in UNDERBASE)
            base = named(ink, known(row, "underbase_ink_name"))
            said = f"{base} through {mesh}, {strokes_words(strokes or 1, 0)}"
            over = named(row["ink_id"], known(row, "ink_name"))
            bases.setdefault(said, []).append(over)
    steps = []
    for base, tops in bases.items():
        under = "" if len(tops) == len(colours) else f" under {', '.join(tops)} alone"
        steps += [f"Base{under}: {base}.", FLASH_BASE]
    for row in colours:
        words = dict(setup_words(row))
        press = "" if words["Press"] == "not given" else f"; press {words['Press']}"
        steps.append(f"{words['Ink']}: {words['Screen']}{press}.")
    return [*steps, CURE]
