"""One prediction run as one self-contained HTML page, to read on a screen or on paper."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from learn.colour.colorimetry import Viewing, in_srgb_gamut, srgb_hex, viewing
from learn.colour.looks import looks_beside
from learn.normal import Z90
from learn.predict.causes import ENDS
from learn.shop import ShopSettings
from pipelines.figures.plane import outline_directions, tolerance_outline
from pipelines.pages import drawing, parts, render
from pipelines.pages.drawing import Colour
from pipelines.words.common import counted, number
from pipelines.words.jobs import Line
from pipelines.words.prediction import (
    difference,
    go_from,
    in_tolerance,
    interval,
    known,
    lab_of,
    setup_words,
)
from pipelines.words.verdict import HEADLINES, headline, kind

# How close the lines of a board stand on paper, up to so many jobs: forty fill one page.
DENSITY = {"roomy": 18, "close": 27, "tight": 40}
# Prefixes of the Lab columns, in the order the swatches lie: the print touches both others.
COLOURS = {"bucket": "bucket_", "print": "", "target": "target_"}


def write_page(
    path: Path,
    predictions: pd.DataFrame,
    setups: pd.DataFrame,
    *,
    shop_name: str,
    model_version: str,
    settings: ShopSettings,
    validation: Mapping[str, float],
    made_on: date | None = None,
    board: Sequence[Line] = (),
    unsaid: str = "",
) -> None:
    """Write the page of one prediction run to ``path``, replacing it only when complete.

    Beyond `parts.MOST` set-ups, they stand on pages beside it, and ``path`` leads to them. Several
    jobs (``board``) come before the set-ups, a line a job; then what these leave open (``unsaid``).

    ``predictions`` has the Predictions columns, ``setups`` those of set-ups to predict; they are
    matched by ``setup_id`` and shown in the order of ``predictions``. ``validation`` may hold
    ``n_prints``, ``n_jobs``, ``median_dE00``, ``coverage90`` (0..1), ``physics_median_dE00`` and
    ``nearest_median_dE00``, all on held-out jobs; missing ones are left unsaid.
    """
    rows = shown_rows(predictions, setups, settings)
    least, by_cost = go_from(settings)
    shared: dict[str, Any] = {
        "title": f"Colour predictions, {shop_name}",
        "shop_name": shop_name,
        "head": [
            ("Model", model_version),
            ("Made on", f"{made_on or date.today():%Y-%m-%d}"),
            ("Tolerance unless the job has its own", f"{settings.tolerance_dE00:g} dE00"),
            ("Straight to production from a chance of", f"{100 * least:.0f} %"),
            ("Lab under", f"{settings.illuminant}, {settings.observer} degree observer"),
        ],
        "aimed": any("target" in row["colours"] for row in rows),
        "least": least,
        "by_cost": by_cost,
        "trust": _trust(validation),
        "unsaid": unsaid,
    }
    _tell_of_jobs(rows, board)
    groups = sorted(line.rows for line in board) or [(i,) for i in range(len(rows))]
    divided = parts.divided(groups, parts.MOST)
    files = parts.names(path, len(divided))
    for file, at in zip(files, divided, strict=True):
        for i in at:
            rows[i]["href"] = f"{file.name if file != path else ''}#s{rows[i]['n']}"
    jobs = _board(board, rows) if len(board) > 1 or len(rows) > len(board) > 0 else None

    def page(at: list[int], **own: Any) -> str:
        some = [rows[i] for i in sorted(at)]
        return render.text(
            "prediction.html",
            **shared | own,
            rows=some,
            urgent=sorted(some, key=_urgency),
            totals=Counter(row["kind"] for row in some),
        )

    over = "Colour predictions"
    if len(divided) < 2:
        parts.write(path, {path: page(list(range(len(rows))), over=over, jobs=jobs, pages=[])})
        return
    texts = {
        file: page(
            at, over=f"{over}, part {k + 1} of {len(files)}", jobs=None, pages=[], part_of=path.name
        )
        for k, (file, at) in enumerate(zip(files, divided, strict=True))
    }
    pages = [
        {"file": file.name, "words": f"{rows[at[0]]['setup_id']} to {rows[at[-1]]['setup_id']}"}
        for file, at in zip(files, divided, strict=True)
    ]
    jobs = jobs or _board([], rows)
    parts.write(path, texts | {path: page([], over=over, jobs=jobs, pages=pages)})


def _tell_of_jobs(rows: list[dict], board: Sequence[Line]) -> None:
    """On what would go by itself: that its job does not."""
    for row in rows:
        row["held"] = None
    for line in board:
        if line.kind != "go" and len(line.rows) > 1:
            for i in (i for i in line.rows if rows[i]["kind"] == "go"):
                rows[i]["held"] = f"Its job, {line.name}: {line.headline}"


def _board(board: Sequence[Line], rows: list[dict]) -> dict:
    """What the board shows of the jobs."""
    lines = [
        {
            **line._asdict(),
            "chance": line.chance,
            "day": "" if line.day is None else f"{line.day:%a} {line.day.day} {line.day:%b}",
            "href": rows[min(line.rows)]["href"],
            "swatches": [
                (rows[i]["colours"]["print"].fill, name)
                for i, name in zip(line.rows, line.colours, strict=True)
                if "print" in rows[i]["colours"]
            ],
        }
        for line in board
    ]
    n = len(lines)
    return {
        "lines": lines,
        "totals": Counter(line.kind for line in board),
        "days": any(line.day is not None for line in board),
        "density": next((name for name, most in DENSITY.items() if n <= most), "tight"),
    }


def shown_rows(
    predictions: pd.DataFrame, setups: pd.DataFrame, settings: ShopSettings
) -> list[dict]:
    """What a page shows of each set-up, all drawn to one scale of differences."""
    rows = _rows(predictions, setups, settings)
    end = drawing.strip_end(max(map(_largest_difference, rows), default=0.0))
    for row in rows:
        _draw(row, end)
    return rows


def _rows(predictions: pd.DataFrame, setups: pd.DataFrame, settings: ShopSettings) -> list[dict]:
    """One mapping per prediction: its cells and its set-up's, its colours and tolerance outline."""
    if predictions.empty:
        return []
    told = {str(setup["setup_id"]): setup for setup in setups.to_dict("records")}
    rows = []
    for prediction in predictions.to_dict("records"):
        name = str(prediction["setup_id"])
        rows.append({**told[name], **prediction, "setup_id": name})

    def numbers(*columns: str) -> np.ndarray:
        return np.array([[row.get(c) for c in columns] for row in rows], float)

    columns = [prefix + channel for prefix in COLOURS.values() for channel in "Lab"]
    lab = numbers(*columns).reshape(-1, len(COLOURS), 3)
    present = np.isfinite(lab).all(axis=-1)
    filled = np.where(present[..., None], lab, 50.0)
    view = viewing(settings.illuminant, settings.observer)
    fills, shown = srgb_hex(filled, view), in_srgb_gamut(filled, view)
    (tolerance,) = numbers("tolerance_dE00").T
    tolerance = np.where(np.isnan(tolerance), settings.tolerance_dE00, tolerance)
    outline = tolerance_outline(filled[:, -1], tolerance, outline_directions())

    for i, row in enumerate(rows):
        row["n"] = i + 1
        row["tolerance_dE00"] = tolerance[i]
        row["kind"] = kind(row)
        row["colours"] = {
            name: Colour((lab[i, j, 0], lab[i, j, 1], lab[i, j, 2]), str(fills[i, j]))
            for j, name in enumerate(COLOURS)
            if present[i, j]
        }
        row["off_screen"] = {
            name for j, name in enumerate(COLOURS) if present[i, j] and not shown[i, j]
        }
        row["outline"] = outline[i] if "target" in row["colours"] else None
        row["ends"] = ends_of(row, view)
    return rows


def ends_of(row: Mapping, view: Viewing) -> list[dict] | None:
    """The two ends of a print's band: the fill of each, and how it looks beside the print; None
    where the table does not hold them."""
    printed, ends = lab_of(row), [lab for name in ENDS if (lab := lab_of(row, name)) is not None]
    if printed is None or len(ends) < len(ENDS):
        return None
    return [
        {"fill": str(srgb_hex(end, view)), "looks": ", ".join(looks_beside(end, printed))}
        for end in ends
    ]


def _largest_difference(row: Mapping) -> float:
    told = [prefix for prefix in ("shift", "target") if difference(row, prefix) is not None]
    values = [known(row, prefix + key) for prefix in told for key in ("_hi", "_dE00")]
    return max(
        [1.2 * row["tolerance_dE00"], *(float(value) for value in values if value is not None)]
    )


def _urgency(row: Mapping) -> tuple[int, float]:
    """Sorts by verdict, the least likely to pass on top."""
    return (list(HEADLINES).index(row["kind"]), -1.0 if row["p"] is None else row["p"])


def _draw(row: dict, end: float) -> None:
    """Add what the page shows of a set-up; differences are drawn up to ``end``."""
    row["p"] = known(row, "p_in_tolerance")
    row["headline"], row["why"] = headline(row), known(row, "reason") or ""
    row["in_tolerance"] = in_tolerance(row)
    row["setup"] = setup_words(row)
    row["ink"], row["garment"] = (words for _, words in row["setup"][:2])
    row["shift"], row["miss"] = _with_interval(row, "shift"), _with_interval(row, "target")
    row["numbers"] = {name: _numbers(row, name) for name in row["colours"]}
    row["views"] = _views(row)
    row["strip"] = _strip(row, end)


def _with_interval(row: Mapping, prefix: str) -> dict | None:
    middle = difference(row, prefix)
    if middle is None:
        return None
    return {"middle": number(middle), "interval": interval(row, prefix)}


def _numbers(row: Mapping, name: str) -> list[tuple[str, str | None]]:
    """L, a, b of a colour, each with half its 90 % band where it has one."""
    cells = []
    for channel, value in zip("Lab", row["colours"][name].lab, strict=True):
        sd = known(row, channel + "_sd") if name == "print" else None
        cells.append((number(value), None if sd is None else number(Z90 * sd)))
    return cells


def _views(row: Mapping) -> dict | None:
    colours = row["colours"]
    if "print" not in colours:
        return None
    L, a, b = (float(known(row, channel + "_sd") or 0.0) for channel in "Lab")
    bucket, target = colours.get("bucket"), colours.get("target")
    return drawing.colour_views(colours["print"], (L, a, b), bucket, target, row["outline"])


def _strip(row: Mapping, end: float) -> dict | None:
    lines = []
    for name, prefix in (("target", "target"), ("bucket", "shift")):
        middle = difference(row, prefix)
        low, high = known(row, prefix + "_lo"), known(row, prefix + "_hi")
        if middle is not None and low is not None and high is not None:
            lines.append((f"{name} to print", name, float(middle), float(low), float(high)))
    return drawing.difference_strip(lines, row["tolerance_dE00"], end) if lines else None


def _trust(validation: Mapping[str, float]) -> dict | None:
    """What the model's check on held-out jobs has shown, in words; None if there was none."""

    def value(name: str) -> Any | None:
        return known(validation, name)

    median, coverage = value("median_dE00"), value("coverage90")
    if median is None and coverage is None:
        return None
    held = "prints"
    if value("n_prints") is not None:
        held = counted(int(value("n_prints") or 0), "print")
        if value("n_jobs") is not None:
            held += f" of {counted(int(value('n_jobs') or 0), 'job')}"
    rivals = [
        f"{words} {number(value(name), 2)}"
        for name, words in (
            ("physics_median_dE00", "ink physics alone"),
            ("nearest_median_dE00", "the nearest past print"),
        )
        if value(name) is not None
    ]
    return {
        "held": held,
        "median": median is not None and number(median, 2),
        "coverage": coverage is not None and f"{100 * coverage:.0f} %",
        "rivals": rivals,
    }
