"""``strikeoff why``: what moves one print away from its bucket, or from the same ink elsewhere."""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from learn.errors import Unusable
from pipelines.commands._lists import as_compared, refuse_several, several_in
from pipelines.commands._options import (
    SETUP_OPTIONS,
    add_command,
    add_figure,
    add_setup,
    add_shop,
    add_what,
    by_option,
    ink_and_garment,
    page_file,
    pairs,
    setup_cells,
    setups_by_option,
)
from pipelines.tasks.usual import completed, usual_in
from pipelines.workspace.files import refuse_outputs, together
from pipelines.workspace.folders import Workspace
from pipelines.workspace.problems import UserError
from pipelines.workspace.progress import tell

if TYPE_CHECKING:
    from pipelines.tables.names import Names

BUCKET, OTHER = "the bucket", "the other print"
# What may be said of the other print: name of the option without dashes -> column.
BESIDE = {
    name.removeprefix("--"): column
    for column, (names, _) in SETUP_OPTIONS.items()
    for name in names
    if column not in ("ink_id", "tolerance_dE00")
}
OR_BESIDE = (
    ". What makes one differ from the other: strikeoff why with one of them and --beside "
    '"{name}={other}"'
)
BESIDE_HOW = "NAME=VALUE, such as garment=black"
FIRST = {names[0] for names, _ in SETUP_OPTIONS.values()}
ABOUT = """\
Tells what moves the print of one set-up away from the ink in the bucket, in shares that add up: the
cloth showing through, the base, the film of this screen and strokes, dye from the cloth, the lot,
the press, and what past prints have taught beyond these. With --beside also what moves it away from
the same ink in another place: name what is different there.
"""


def add_parser(commands: argparse._SubParsersAction) -> None:
    """Add the parser of this command."""
    add = add_command(
        commands,
        "why",
        "what moves a print away from its bucket, in shares",
        ABOUT,
        [
            'strikeoff why "bright red" "black tee"',
            "strikeoff why --ink red --garment tee-navy --mesh 43-80 --strokes 1 \\",
            "    --beside garment=tee-white --beside mesh=77-55 --page why.html",
        ],
    )
    add_what(add, "an ink and a garment by name or id")
    add.add_argument(
        "--beside",
        metavar="NAME=VALUE",
        action="append",
        help="what is different in the other print, such as garment=tee-white or base-ink=none",
    )
    add.add_argument("--page", metavar="FILE.html", type=page_file, help="a page to look at")
    add_figure(add, "the shares as bars")
    add_shop(add)
    one = add.add_argument_group(
        "one set-up by options",
        "Ink and garment are needed. Where mesh or strokes are left out, they, base, press and\n"
        "settings are what shop.toml calls usual, or what the shop mostly does, and it is told.\n"
        "So are mesh and strokes of a base that is named without them.",
    )
    add_setup(one, without=("tolerance_dE00",))
    add.set_defaults(run=run)


def run(args: argparse.Namespace, workspace: Workspace) -> int:
    """Run it as it was parsed."""
    cells = setup_cells(args)
    cells |= ink_and_garment("why", args.what, cells)
    if not cells:
        raise UserError(
            'Name an ink and a garment, as strikeoff why "bright red" "black tee", or a set-up by '
            "options; see strikeoff why --help."
        )
    changed = changes([pairs("--beside", [one], BESIDE_HOW) for one in args.beside or []])
    at = {"workspace": workspace, "shop": args.shop, "page": args.page, "figure": args.figure}
    return why(cells, changed, **at)


def changes(beside: list[dict[str, str]]) -> dict[str, str]:
    """What is different in the other print, column -> text, of what was said of it; a list with
    commas where one thing was named more than once."""
    changed: dict[str, str] = {}
    for name, text in (pair for one in beside for pair in one.items()):
        column = BESIDE.get(name.removeprefix("--"))
        if column is None:
            known = ", ".join(name for name in BESIDE if f"--{name}" in FIRST)
            raise UserError(
                f'--beside "{name}" is no option of a set-up: it is one of {known}. The ink is the '
                "same in both."
            )
        before = changed.get(column, text)
        changed[column] = text if before == text else f"{before},{text}"
    return changed


def _refuse_several_beside(
    cells: dict[str, str], beside: dict[str, str], known: Mapping[str, Names]
) -> None:
    """Refuse a list in the place of one thing of the other print."""
    for column, text in beside.items():
        several = several_in(column, text, known)
        if len(several) > 1:
            name = SETUP_OPTIONS[column][0][0].removeprefix("--")
            first = [cells[column]] if column in cells else []
            compared = as_compared(cells | {column: ",".join([*first, *several])})
            raise UserError(
                f'--beside "{name}={text}" names {len(several)}, and why holds a print against one '
                f"other: give one of them, or see all side by side with {compared}"
            )


@together()
def why(
    cells: dict[str, str],
    beside: dict[str, str] | None = None,
    *,
    page: Path | None = None,
    figure: Path | None = None,
    workspace: Workspace,
    shop: str | None = None,
) -> int:
    """Print what moves the set-up ``cells`` (column -> text) from its bucket, and from the
    print of the same ink where what is ``beside`` (column -> text) is different."""
    from learn.predict.shares import from_bucket, from_print
    from pipelines.registry.opened import open_model
    from pipelines.tasks.base import about_the_base
    from pipelines.words import why as words
    from pipelines.words.prediction import wrapped
    from pipelines.words.verdict import vague

    refuse_outputs(page, figure)
    name = workspace.pick(shop)
    opened = open_model(workspace, name)
    refuse_several("why", cells, opened.known, OR_BESIDE)
    _refuse_several_beside(cells, beside or {}, opened.known)
    rows, filled, faults = completed([cells], workspace, name)
    rows += completed([rows[0] | beside], workspace, name)[0] if beside else []
    setups, assumed = setups_by_option(rows, None, opened)
    tell(faults + assumed + opened.notes)
    one, *rest = opened.catalogue.describe(setups).to_dict("records")
    unknown = any(map(vague, opened.predict(setups).to_dict("records")))
    ways = [(from_bucket(opened.model, setups.iloc[[0]]), None, BUCKET)]
    if rest:
        try:
            ways.append(
                (from_print(opened.model, setups.iloc[[0]], setups.iloc[[1]]), *rest, OTHER)
            )
        except Unusable as error:
            raise by_option(error) from None
    told = []
    for shares, other, away_from in ways:
        shown = words.rows_of(shares, one, other)
        said = [words.unknown() if unknown else words.sentence(shares, shown, away_from)]
        if other is None and not unknown:
            usual = partial(usual_in, workspace, name)
            said += about_the_base(opened, setups.iloc[[0]], shares, usual)
            if not opened.model.bucket_measured(str(one["ink_id"])):
                said.append(words.reckoned_bucket())
        told.append((shares, shown, said, away_from))
        print(words.block(shares, shown, said), end="\n\n")
    print(words.FILM)
    if filled is not None:
        print(wrapped("Filled in", filled))
    print(f"By model {opened.by}.")
    if page is not None:
        from pipelines.pages.why import Way, write_page

        write_page(page, [Way(*way) for way in told], [one, *rest], opened)
        print(f"The page is {page}.")
    if figure is not None:
        from pipelines.figures.shares import SharesDisplay, write_figure

        shares, shown, _, away_from = told[-1]
        display = SharesDisplay(shown, shares.total_dE00, away_from)
        write_figure(figure, display, opened.catalogue.settings.name)
        print(f"The figure is {figure}.")
    return 0
