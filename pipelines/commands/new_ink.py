"""``strikeoff new-ink``: the fewest prints that describe an ink, and when to stop."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from learn.errors import Unusable
from learn.process import SETTING_COLUMNS
from pipelines.commands._options import (
    GARMENT,
    add_command,
    add_figure,
    add_garments,
    add_shop,
    by_option,
    table_file,
    whole,
)
from pipelines.tasks.named import Named
from pipelines.tasks.usual import Usual, usual_in
from pipelines.workspace.files import refuse_outputs, together
from pipelines.workspace.folders import Workspace
from pipelines.workspace.problems import UserError
from pipelines.workspace.progress import tell
from pipelines.workspace.terminal import as_typed

ABOUT = """\
Which prints describe an ink that was never or seldom printed, in which order, and how many are
enough? Each is the one that leaves the shop's usual set-ups - with this ink - least unsure once
those above it are measured; it is said how sure they are then. Where a print comes out far from
what was expected, record it, learn, and ask again. --out writes the list of prints, which
strikeoff record MEASURED.csv --prints LIST takes when they have been measured.
"""


def add_parser(commands: argparse._SubParsersAction) -> None:
    """Add the parser of this command."""
    add = add_command(
        commands,
        "new-ink",
        "the fewest prints that describe an ink",
        ABOUT,
        [
            "strikeoff new-ink --ink red --out red.csv",
            "strikeoff new-ink --ink red --garment tee-white --garment tee-black",
        ],
    )
    add.add_argument("--ink", metavar="ID", required=True, help="the ink")
    add_garments(add, "a garment it may be pulled on (default: the usual ones)", required=False)
    what = "a mesh it may be pulled through (default: the usual ones)"
    add.add_argument("--mesh", metavar="ID", action="append", help=what)
    add.add_argument("--press", metavar="ID", help="the press it is pulled on (default: as usual)")
    add.add_argument("--most", metavar="N", default="6", help="prints at most (default 6)")
    listed = "the list of prints to measure, as .csv or .xlsx"
    add.add_argument("--out", metavar="FILE", type=table_file, help=listed)
    add_figure(add, "how well the ink covers, by dry film")
    add_shop(add)
    add.set_defaults(run=run)


def run(args: argparse.Namespace, workspace: Workspace) -> int:
    """Run it as it was parsed."""
    return new_ink(
        args.ink,
        garments=args.garments,
        meshes=args.mesh,
        press=args.press,
        most=whole("--most", args.most),
        out=args.out,
        figure=args.figure,
        workspace=workspace,
        shop=args.shop,
    )


@together()
def new_ink(
    ink: str,
    *,
    garments: list[str] | None,
    meshes: list[str] | None,
    press: str | None = None,
    most: int,
    out: Path | None,
    figure: Path | None = None,
    workspace: Workspace,
    shop: str | None = None,
) -> int:
    """Plan the prints of one ink, tell them, and write the list to measure if wanted."""
    from learn.mixing.evidence import of_shop
    from learn.mixing.tint import tint_worth
    from learn.planning.new_ink import plan_ink
    from pipelines.pages.press_sheet import prints_to_measure
    from pipelines.registry.opened import open_model
    from pipelines.tables.dates import last_day
    from pipelines.tables.writing import write_table
    from pipelines.words.new_ink import ink_block, tint_block
    from pipelines.words.plan import by_model

    refuse_outputs(out, figure)
    if most < 1:
        raise UserError(f"--most {most}: give 1 or more.")
    name = workspace.pick(shop)
    opened = open_model(workspace, name)
    usual = usual_in(workspace, name)
    prints = usual.shop.prints
    named = Named(opened.known)
    ink = named.one("--ink", ink, "ink_id")
    garments = named.several(GARMENT[0], garments, "substrate_id") if garments else None
    meshes = named.several("--mesh", meshes, "mesh_id") if meshes else None
    settings, by_preset = at_press(usual, garments or prints["substrate_id"].unique().tolist())
    if press is not None:
        settings |= {"press_id": named.one("--press", press, "press_id")}
    limits: dict[str, Any] = {
        "garments": garments,
        "meshes": meshes,
        "most": most,
        "settings": settings,
        "until": last_day(),
    }
    try:
        found = plan_ink(opened.model, ink, prints, **limits)
        mixed = of_shop(opened.model, usual.shop)
        worth = tint_worth(opened.model, ink, found.usual.iloc[0].to_dict(), mixed)
    except Unusable as error:
        raise by_option(error) from None
    tell(usual.faults + named.said + by_preset + opened.notes)
    words = opened.catalogue.words
    inks = {i: of.get("ink_name") for i, of in words["inks"].items()}
    cloths = {i: of.get("colour_name") for i, of in words["substrates"].items()}
    print(ink_block(found, inks, cloths, opened.catalogue.called("presses")))
    if worth is not None:
        print(tint_block(worth, inks))
    print(by_model(opened.by))
    if out is not None and not found.enough:
        print(f"{out} is not written: there is nothing to print.")
    elif out is not None:
        rows = found.prints.iloc[: found.enough]
        rows = rows.assign(job_id=[f"{out.stem}-{mesh}" for mesh in rows["mesh_id"]])
        write_table(out, prints_to_measure(rows, out.stem), "Prints")
        print(f"The prints are listed in {out}; once they are measured:")
        print(f"  strikeoff record MEASURED.csv --prints {as_typed(out)}")
    if figure is not None:
        from pipelines.figures import answers

        answers.write_opacity(figure, opened.model, ink, opened.catalogue.settings)
        print(f"The figure is {figure}.")
    return 0


def at_press(usual: Usual, garments: list[str]) -> tuple[dict[str, Any], list[str]]:
    """Press and settings that the presets name for all these garments, and a note on them."""
    columns = ("press_id", *SETTING_COLUMNS)
    named, by_preset = usual.typed_preset(garments, columns)
    return named, [f"usual {by_preset}."] if by_preset else []
