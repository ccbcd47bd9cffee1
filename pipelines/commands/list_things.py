"""``strikeoff list``: what the shop has, by name: inks, garments, screens, presses, jobs."""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from pipelines.commands._options import add_command, add_shop, table_file
from pipelines.tasks.things import KINDS, things, with_words
from pipelines.workspace.files import refuse_outputs
from pipelines.workspace.folders import Workspace
from pipelines.workspace.problems import UserError
from pipelines.workspace.progress import tell

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd

    from learn.colour.colorimetry import Viewing
    from pipelines.registry.opened import Opened

HEADS = {"id": "id", "name": "name", "type": "type", "covers": "covers", "prints": "prints",
         "as_base": "of them as base", "known": "how well known"}  # fmt: skip
ABOUT = """\
Lists what the shop has, with what everything is called; with WORD what has it in its id, name,
aliases or type. "covers" is how well an ink hides at the film the shop usually lays: its lightness
over black in percent of that over white, with its 90 % band; from 98 % on nothing shows through
to the eye. It takes a model, as do the colours of inks; all else is there before anything is
learnt.
Colours are shown by terminals that can (COLORTERM=truecolor); NO_COLOR=1 leaves them out.
"""


def add_parser(commands: argparse._SubParsersAction) -> None:
    """Add the parser of this command."""
    add = add_command(
        commands,
        "list",
        "inks, garments, screens, presses or jobs, by name",
        ABOUT,
        ["strikeoff list inks", "strikeoff list inks red", "strikeoff list jobs --out jobs.csv"],
    )
    add.add_argument("kind", choices=KINDS, nargs="?", help="what to list")
    add.add_argument("word", metavar="WORD", nargs="*", help="only what has these words")
    add.add_argument(
        "--out", metavar="FILE", type=table_file, help="the list as a table, .csv or .xlsx"
    )
    add_shop(add)
    add.set_defaults(run=run)


def run(args: argparse.Namespace, workspace: Workspace) -> int:
    """Run it as it was parsed."""
    if args.kind is None:
        raise UserError(f"Say what to list: strikeoff list {', '.join(KINDS[:-1])} or {KINDS[-1]}.")
    word, at = " ".join(args.word), {"workspace": workspace, "shop": args.shop}
    return list_things(args.kind, word, out=args.out, **at)


def list_things(
    kind: str, word: str = "", *, out: Path | None, workspace: Workspace, shop: str | None = None
) -> int:
    """Print the list, or write it to ``out``."""
    from pipelines.ledger import store
    from pipelines.tables.folder import to_shop
    from pipelines.tables.writing import write_table

    refuse_outputs(out)
    name = workspace.pick(shop)
    data = to_shop(store.read(workspace.database(name)))
    opened = _opened(workspace, name) if kind == "inks" else None
    listed = with_words(things(kind, data, opened), word)
    if listed.empty:
        wanted = f' with "{word}"' if word else ""
        raise UserError(f"Shop {name} has no {kind}{wanted}; strikeoff list {kind} shows all.")
    if out is not None:
        text = listed.drop(columns="covers", errors="ignore").map(_cell)
        write_table(out, text, kind.capitalize())
        print(f"The list is in {out}.")
        return 0
    from learn.colour.colorimetry import viewing

    view = viewing(data.settings.illuminant, data.settings.observer)
    print("\n".join(lines(listed, view if shows_colour(sys.stdout.isatty(), os.environ) else None)))
    return 0


def shows_colour(terminal: bool, environment: Mapping[str, str]) -> bool:
    """Whether true colours are shown: a terminal that says it can, and nobody who wants none.

    >>> shows_colour(True, {"COLORTERM": "truecolor"}), shows_colour(True, {})
    (True, False)
    >>> shows_colour(True, {"COLORTERM": "truecolor", "NO_COLOR": "1"})
    False
    """
    able = environment.get("COLORTERM", "").lower() in ("truecolor", "24bit")
    return terminal and able and not environment.get("NO_COLOR")


def lines(listed: pd.DataFrame, view: Viewing | None) -> list[str]:
    """The list as lines of text; with the viewing condition, a swatch before each colour."""
    columns = [c for c in HEADS if c in listed and (listed[c].astype(str) != "").any()]
    text = listed[columns].astype(str)
    wide = {c: max(len(HEADS[c]), int(text[c].str.len().max())) for c in columns}
    rows = [HEADS, *text.to_dict("records")]
    swatches = [""] * len(rows)
    if view is not None and "L" in listed:
        swatches = ["      ", *map(_swatch, _hex(listed, view))]
    return [
        (swatch + "  ".join(f"{row[c]:<{wide[c]}}" for c in columns)).rstrip()
        for swatch, row in zip(swatches, rows, strict=True)
    ]


def _hex(listed: pd.DataFrame, view: Viewing) -> list[str | None]:
    from learn.colour.colorimetry import srgb_hex

    lab = listed[[*"Lab"]].to_numpy(float)
    return [str(srgb_hex(row, view)) if row[0] == row[0] else None for row in lab]


def _swatch(colour: str | None) -> str:
    """Four blanks on a colour given as ``#rrggbb``, as terminals of true colour take it."""
    if colour is None:
        return "      "
    r, g, b = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
    return f"\x1b[48;2;{r};{g};{b}m    \x1b[0m  "


def _cell(value: object) -> str:
    if isinstance(value, float):
        return "" if value != value else f"{value:.2f}"
    return str(value)


def _opened(workspace: Workspace, name: str) -> Opened | None:
    """The model in charge; None where there is none, or none that can be read, which is told."""
    from pipelines.registry import versions
    from pipelines.registry.archive import archive_of
    from pipelines.registry.opened import open_model

    if versions.in_charge(archive_of(workspace, name)) is None:
        return None
    try:
        return open_model(workspace, name)
    except UserError as error:
        tell([str(error)])
        return None
