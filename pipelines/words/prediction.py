"""A set-up and its prediction in the words of the press floor."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from typing import Any

import pandas as pd

from learn.normal import Z90
from learn.process import SETTINGS
from learn.shop import NEW_LOT, ShopSettings
from pipelines.words.common import chance, named, number
from pipelines.words.common import counted as count
from pipelines.words.verdict import TOO_LITTLE, headline, vague

NO_BASE = "none, straight on the cloth"


def known(row: Mapping, key: str) -> Any | None:
    """The cell ``row[key]``; ``None`` where it is missing, empty, NaN or NaT."""
    value = row.get(key)
    if value is None or value == "" or pd.isna(value):
        return None
    return value


def lab_of(row: Mapping, prefix: str = "") -> tuple[float, float, float] | None:
    """L, a, b from columns ``<prefix>L``, ``<prefix>a``, ``<prefix>b``; ``None`` if incomplete."""
    L, a, b = (known(row, prefix + channel) for channel in "Lab")
    return None if L is None or a is None or b is None else (float(L), float(a), float(b))


def go_from(settings: ShopSettings) -> tuple[float, bool]:
    """The chance of being in tolerance from which a set-up goes straight on; whether by cost.

    With both costs known it is where a test print costs what the spoiled print it may prevent
    is expected to cost, else the shop's ``confidence`` (see `learn.predict.verdict.chance_needed`).
    """
    from learn.predict.verdict import chance_needed  # slow to import, and the help needs none of it

    by_cost = settings.cost_test_print is not None and settings.cost_spoiled_print is not None
    return chance_needed(settings), by_cost


def in_tolerance(setup: Mapping) -> str:
    """What ``p_in_tolerance`` is the chance of: the next print close to its target, or to its
    own prediction where the set-up has no target.
    """
    tolerance = known(setup, "tolerance_dE00")
    within = "within tolerance" if tolerance is None else f"within {tolerance:g} dE00"
    if lab_of(setup, "target_") is not None:
        return f"next print {within} of the target"
    return f"next print {within} of the predicted colour; no target given"


def interval(row: Mapping, prefix: str) -> str:
    """``2.9 to 5.8``: the 90 % interval of ``shift`` or ``target``; a dash where there is none."""
    low, high = known(row, prefix + "_lo"), known(row, prefix + "_hi")
    return "-" if low is None or high is None else f"{number(low)} to {number(high)}"


def difference(row: Mapping, prefix: str) -> float | None:
    """dE00 of a print to its bucket (``shift``) or target; None where there is none, or where a
    shift tells nothing."""
    return None if prefix == "shift" and vague(row) else known(row, prefix + "_dE00")


def setup_words(setup: Mapping) -> list[tuple[str, str]]:
    """A set-up as (heading, words) pairs: ink, garment, base, screen, press, job.

    Columns that are missing or empty are left out or called *not given*.
    """
    words = [
        ("Ink", _ink(setup)),
        ("Garment", _named(setup, "substrate_id", "colour_name", "fibre")),
        ("Base", _base(setup)),
        ("Screen", _screen(setup)),
        ("Press", _press(setup)),
    ]
    job = [str(job)] if (job := known(setup, "job_id")) is not None else []
    if (day := known(setup, "printed_on")) is not None:
        job.append(f"{pd.Timestamp(day):%Y-%m-%d}")
    return [*words, ("Job", ", ".join(job))] if job else words


def _named(row: Mapping, key: str, *descriptions: str) -> str:
    if (code := known(row, key)) is None:
        return "not given"
    return named(code, *(known(row, name) for name in descriptions))


def _ink(setup: Mapping) -> str:
    words = _named(setup, "ink_id", "ink_name")
    lot = known(setup, "ink_lot")
    if lot is None:
        return words
    return f"{words}, a new lot" if lot == NEW_LOT else f"{words}, lot {lot}"


def _base(setup: Mapping) -> str:
    if known(setup, "underbase_ink_id") is None:
        return NO_BASE
    words = _named(setup, "underbase_ink_id", "underbase_ink_name")
    if (mesh := known(setup, "underbase_mesh_id")) is not None:
        words += f" through mesh {mesh}"
    if (strokes := known(setup, "underbase_strokes")) is not None:
        words += f", {count(strokes, 'stroke')}"
    return words


def _screen(setup: Mapping) -> str:
    mesh, strokes, flashes = (known(setup, key) for key in ("mesh_id", "strokes", "flash_count"))
    words = "mesh not given" if mesh is None else f"mesh {mesh}"
    if strokes is not None:
        words += f", {count(strokes, 'stroke')}"
        if strokes > 1 and flashes is not None:
            words += (
                f" with {count(flashes, 'flash', 'flashes') if flashes else 'no flash'} between"
            )
    return ", ".join([words, *_settings(setup, "screen")])


def _press(setup: Mapping) -> str:
    return ", ".join([_named(setup, "press_id", "press_name"), *_settings(setup, "press")])


def _settings(setup: Mapping, place: str) -> list[str]:
    """``off-contact 2.5 mm``: what is known of the settings made at the press or on the screen."""
    return [
        f"{setting.label} {value:g} {setting.unit}"
        for setting in SETTINGS
        if setting.place == place and (value := known(setup, setting.name)) is not None
    ]


def summary_block(prediction_row: Mapping, setup_row: Mapping, *, width: int = 88) -> str:
    """One set-up and its prediction as a block of plain text for a terminal.

    ``prediction_row`` has the Predictions columns, ``setup_row`` those of a set-up (either
    may be a ``pandas.Series`` or a mapping). Plain ASCII unless a name is not; every
    ``+-`` is half the width of a 90 % band.
    """
    head = headline(prediction_row).upper().replace("DE00", "dE00")
    lines = [f"{prediction_row['setup_id']}: {head}"]
    facts = [("Why", str(known(prediction_row, "reason") or "-")), *setup_words(setup_row)]
    facts += [
        ("Print", _lab_line(prediction_row, "", "  (90 % band)")),
        ("Bucket", _lab_line(prediction_row, "bucket_")),
        ("Shift", _shift(prediction_row)),
    ]
    if lab_of(setup_row, "target_") is not None:
        facts += [
            ("Target", _lab_line(setup_row, "target_")),
            ("Miss", f"target to print {_difference(prediction_row, 'target')}"),
        ]
    p = chance(known(prediction_row, "p_in_tolerance"))
    facts.append(("Chance", f"{p} ({in_tolerance(setup_row)})"))
    for heading, words in facts:
        lines.append(wrapped(heading, words, width))
    return "\n".join(lines)


def lab_words(row: Mapping) -> list[tuple[str, str]]:
    """Print, bucket and target in numbers, each where it is known."""
    told = (("Print", "", " (90 % band)"), ("Bucket", "bucket_", ""), ("Target", "target_", ""))
    return [
        (what, ", ".join(" ".join(cell.split()) for cell in cells) + note)
        for what, prefix, note in told
        if (cells := _lab_cells(row, prefix))
    ]


def wrapped(heading: str, words: str, width: int = 88) -> str:
    """A heading and what stands beside it, as lines of a block."""
    first, indent = f"  {heading:<10}", " " * 12
    lines = textwrap.wrap(words, width, initial_indent=first, subsequent_indent=indent)
    return "\n".join(lines or [first])


def _lab_line(row: Mapping, prefix: str, note: str = "") -> str:
    cells = _lab_cells(row, prefix)
    return ("".join(cells) + note).rstrip() if cells else "-"


def _lab_cells(row: Mapping, prefix: str) -> list[str]:
    """L, a and b, each with its band if the row tells one; nothing where they are not known."""
    cells = []
    for channel, value in zip("Lab", lab_of(row, prefix) or (), strict=False):
        sd = None if prefix else known(row, channel + "_sd")
        band = "" if sd is None else f" +- {number(Z90 * sd)}"
        cells.append(f"{channel} {number(value):>6}{band:<9}")
    return cells


def by_recipe(ink: str, name: str | None) -> str:
    """What to ask of a mix of which nothing but its recipe is known."""
    return (
        f"{named(ink, name)} is a mix never printed, taken here as an ink nobody knows: "
        f'strikeoff mix --have "{name or ink}=100" --target L,a,b tells by its recipe how it '
        "prints."
    )


def _shift(row: Mapping) -> str:
    return TOO_LITTLE.lower() if vague(row) else f"bucket to print {_difference(row, 'shift')}"


def _difference(row: Mapping, prefix: str) -> str:
    return f"{number(known(row, prefix + '_dE00'))} dE00, 90 % {interval(row, prefix)}"
