"""``strikeoff compare``: set-ups side by side - one ink on several garments, bases, screens."""

from __future__ import annotations

import argparse
from itertools import product
from pathlib import Path
from typing import TYPE_CHECKING

from learn.shop import UNDERBASE
from pipelines.commands._lists import listed
from pipelines.commands._options import (
    SETUP_OPTIONS,
    TARGET_HELP,
    add_command,
    add_figure,
    add_setups,
    add_shop,
    add_what,
    ink_and_garment,
    page_file,
    setup_lists,
    setups_by_option,
)
from pipelines.tables.names import table_of
from pipelines.tasks.usual import NO_BASE, completed
from pipelines.workspace.files import files_named, refuse_outputs, together
from pipelines.workspace.folders import Workspace
from pipelines.workspace.problems import UserError
from pipelines.workspace.progress import tell

if TYPE_CHECKING:
    from collections.abc import Mapping

MOST = 48  # set-ups side by side: beyond that nobody compares by eye
ABOUT = """\
Predicts several set-ups and shows them side by side, with bands and verdicts. Repeat an option, or
give a list with commas, for what is to be compared: every combination becomes a set-up. --base-ink
none stands for printing without a base. With several garments it also says how far the prints lie
apart; with a target, which comes nearest.
"""


def add_parser(commands: argparse._SubParsersAction) -> None:
    """Add the parser of this command."""
    add = add_command(
        commands,
        "compare",
        "one ink on several garments, bases or screens, side by side",
        ABOUT,
        [
            'strikeoff compare "bright red" "black tee,navy tee"',
            "strikeoff compare --ink red --garment tee-white,tee-black --mesh 43-80 --strokes 1 \\",
            "    --base-ink none,white --base-mesh 43-80 --page red.html",
            "strikeoff compare --ink red,scarlet --garment tee-black --mesh 77-55 --strokes 1,2",
        ],
    )
    add_what(add, "inks and garments by name or id, as lists with commas")
    add.add_argument("--page", metavar="FILE.html", type=page_file, help="a page to look at")
    add_figure(add, "swatches and differences")
    add.add_argument("--target", metavar="COLOUR", help=TARGET_HELP)
    add_shop(add)
    several = add.add_argument_group(
        "set-ups by options",
        "Each as often as wanted, or as a list with commas. Ink and garment are needed. Where\n"
        "mesh or strokes are left out, they, base, press and settings are what shop.toml calls\n"
        "usual, or what the shop mostly does, garment by garment, and it is told.\n"
        "So are mesh and strokes of a base that is named without them.",
    )
    add_setups(several)
    add.set_defaults(run=run)


def run(args: argparse.Namespace, workspace: Workspace) -> int:
    """Run it as it was parsed."""
    given = setup_lists(args)
    named = ink_and_garment("compare", args.what, given)
    given |= {column: [text] for column, text in named.items()}
    if not given:
        raise UserError("Say what to compare; see strikeoff compare --help.")
    return compare(
        given,
        target=args.target,
        page=args.page,
        figure=args.figure,
        workspace=workspace,
        shop=args.shop,
    )


@together()
def compare(
    given: Mapping[str, list[str]],
    *,
    target: str | None = None,
    page: Path | None = None,
    figure: Path | None = None,
    workspace: Workspace,
    shop: str | None = None,
) -> int:
    """Print every combination of ``given`` (column -> texts) side by side."""
    from learn.predict.beside import beside
    from pipelines.registry.opened import open_model
    from pipelines.words.compare import answer, block, side_by_side
    from pipelines.words.prediction import wrapped

    refuse_outputs(page, figure, inputs=files_named(target))
    name = workspace.pick(shop)
    opened = open_model(workspace, name)
    cells, notes = grid({c: listed(t, opened.known.get(table_of(c))) for c, t in given.items()})
    cells, filled, faults = completed(cells, workspace, name)
    setups, assumed = setups_by_option(cells, target, opened)
    if figure is not None:
        from pipelines.figures.side_by_side import refuse_count

        refuse_count(len(setups))
    tell(faults + notes + assumed + opened.notes)
    predictions = opened.predict(setups)
    described = opened.catalogue.describe(setups)
    own = described.drop(columns=["setup_id", *predictions.columns], errors="ignore")
    rows = predictions.join(own).to_dict("records")
    found = side_by_side(rows)
    answered = answer(rows, found.labels, beside(opened.model, setups))
    print(block(rows, found, answered))
    print()
    if filled is not None:
        print(wrapped("Filled in", filled))
    print(f"By model {opened.by}.")
    settings = opened.catalogue.settings
    if page is not None:
        from pipelines.pages.compare import write_page

        write_page(
            page,
            predictions,
            described,
            answered=answered,
            settings=settings,
            model_version=opened.by,
        )
        print(f"The page is {page}.")
    if figure is not None:
        from pipelines.figures.side_by_side import write_figure

        write_figure(figure, rows, found.labels, settings)
        print(f"The figure is {figure}.")
    return 0


def grid(values: Mapping[str, list[str]]) -> tuple[list[dict[str, str]], list[str]]:
    """Every combination of ``values`` (column -> texts) a press can do, each once; and a note on
    those left out.

    Raises UserError where there are more than anybody can compare, or fewer than two.
    """
    columns = list(values)
    found, impossible = [], 0
    for combination in product(*values.values()):
        cells = dict(zip(columns, combination, strict=True))
        if cells.get(UNDERBASE[0], "").casefold() in NO_BASE:
            cells = {c: v for c, v in cells.items() if c not in UNDERBASE[1:]}
        if _too_many_flashes(cells):
            impossible += 1
        elif cells not in found:
            found.append(cells)
        if len(found) > MOST:
            sizes = ", ".join(
                f"{len(v)} by {SETUP_OPTIONS[c][0][0]}" for c, v in values.items() if len(v) > 1
            )
            raise UserError(
                f"More than {MOST} set-ups to compare ({sizes}): leave some out, or predict a file "
                "of set-ups with strikeoff predict."
            )
    if len(found) < 2:
        raise UserError(
            "Fewer than two set-ups to compare: repeat an option, or give a list with commas, as "
            '"black tee,navy tee".'
            + (" Flashes go between strokes: at most strokes - 1." if impossible else "")
        )
    notes = ["combinations with more flashes than gaps between strokes are left out."]
    return found, notes if impossible else []


def _too_many_flashes(cells: Mapping[str, str]) -> bool:
    strokes, flashes = (cells.get(c, "") for c in ("strokes", "flash_count"))
    return strokes.isdigit() and flashes.isdigit() and int(flashes) > int(strokes) - 1
