"""``strikeoff why``: what moves one print away from its bucket, or from the same ink elsewhere."""

from __future__ import annotations

import argparse
import math
from pathlib import Path
from typing import TYPE_CHECKING

from learn.errors import Unusable
from learn.shop import UNDERBASE, UNDERBASE_IDS
from pipelines.commands._options import (
    SETUP_OPTIONS,
    add_command,
    add_figure,
    add_setup,
    add_shop,
    add_what,
    by_option,
    ink_and_garment,
    pairs,
    setup_cells,
)
from pipelines.commands._usual import Usual, completed
from pipelines.commands.predict import setups_by_option
from pipelines.workspace.files import refuse_outputs, together
from pipelines.workspace.folders import Workspace
from pipelines.workspace.problems import UserError
from pipelines.workspace.progress import tell

if TYPE_CHECKING:
    import pandas as pd

    from learn.predict.shares import Shares
    from pipelines.registry.opened import Opened

BUCKET, OTHER = "the bucket", "the other print"
# Whether a base helps is asked where the cloth moves the print by so much; no source.
CLOTH_MATTERS_dE00 = 1.0
# What may be said of the other print: name of the option without dashes -> column.
BESIDE = {
    name.removeprefix("--"): column
    for column, (names, _) in SETUP_OPTIONS.items()
    for name in names
    if column not in ("ink_id", "tolerance_dE00")
}
FIRST = {names[0] for names, _ in SETUP_OPTIONS.values()}
ABOUT = """\
Tells what moves the print of one set-up away from the ink in the bucket, in shares that add up: the
cloth showing through, the base, the film of this screen and strokes, ink soaked in, the lot, the
press, and what past prints have taught beyond these. With --beside also what moves it away from the
same ink in another place: name what is different there.
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
    add.add_argument("--page", metavar="FILE.html", type=Path, help="a page to look at")
    add_figure(add, "the shares as bars")
    add_shop(add)
    one = add.add_argument_group(
        "one set-up by options",
        "Ink and garment are needed. Where mesh or strokes are left out, they, base, press and\n"
        "settings are what shop.toml calls usual, or what the shop mostly does, and it is told.",
    )
    add_setup(one, without=("tolerance_dE00",))
    add.set_defaults(run=run)


def run(args: argparse.Namespace, workspace: Workspace) -> int:
    """Run it as it was parsed."""
    cells = setup_cells(args)
    cells |= ink_and_garment("why", args.what, cells)
    if not cells:
        raise UserError("Name an ink and a garment, or a set-up; see strikeoff why --help.")
    changed = changes(pairs("--beside", args.beside))
    at = {"workspace": workspace, "shop": args.shop, "page": args.page, "figure": args.figure}
    return why(cells, changed, **at)


def changes(beside: dict[str, str]) -> dict[str, str]:
    """What is different in the other print, column -> text, of what was said of it."""
    changed = {}
    for name, text in beside.items():
        column = BESIDE.get(name.removeprefix("--"))
        if column is None:
            known = ", ".join(name for name in BESIDE if f"--{name}" in FIRST)
            raise UserError(
                f'--beside "{name}" is no option of a set-up: it is one of {known}. The ink is the '
                "same in both."
            )
        changed[column] = text
    return changed


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
    from pipelines.words import why as words
    from pipelines.words.prediction import wrapped

    refuse_outputs(page, figure)
    name = workspace.pick(shop)
    opened = open_model(workspace, name)
    rows, filled = completed([cells], workspace, name)
    rows += completed([rows[0] | beside], workspace, name)[0] if beside else []
    setups, assumed = setups_by_option(rows, None, opened)
    tell(assumed + opened.notes)
    one, *rest = opened.catalogue.describe(setups).to_dict("records")
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
        said = [words.sentence(shares, shown, away_from)]
        if other is None:
            said += _about_the_base(opened, setups.iloc[[0]], shares, workspace, name)
        told.append((shares, shown, said, away_from))
        print(words.block(shares, shown, said), end="\n\n")
    print(words.FILM)
    if filled is not None:
        print(wrapped("Filled in", filled))
    print(f"By model {opened.version}.")
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


def _about_the_base(
    opened: Opened, setup: pd.DataFrame, shares: Shares, workspace: Workspace, shop: str
) -> list[str]:
    """What the shop's usual base would do, or what would be without the one there is."""
    from learn.predict.shares import MOVERS, Mover, from_bucket
    from pipelines.words.prediction import setup_words
    from pipelines.words.why import base_sentence, without_base_sentence

    if setup["underbase_ink_id"].iloc[0] is not None:
        bare = setup.assign(**dict.fromkeys(UNDERBASE_IDS), underbase_strokes=math.nan)
        return [without_base_sentence(from_bucket(opened.model, bare).total_dE00)]
    if abs(shares.dE00[MOVERS.index(Mover.CLOTH)]) < CLOTH_MATTERS_dE00:
        return []
    usual = _usual_base(workspace, shop, str(setup["substrate_id"].iloc[0]))
    if usual is None or usual[UNDERBASE[0]].iloc[0] not in opened.catalogue.words["inks"]:
        return []
    based = setup.assign(**usual.iloc[0].to_dict())
    described = opened.catalogue.describe(based).iloc[0]
    base = dict(setup_words(described))["Base"]
    return [base_sentence(shares.total_dE00, from_bucket(opened.model, based).total_dE00, base)]


def _usual_base(workspace: Workspace, shop: str, garment: str) -> pd.DataFrame | None:
    """The base that presets name for a garment, else the commonest of its prints, else of all (one
    row); None where there is none."""
    import pandas as pd

    from pipelines.ledger import store
    from pipelines.registry.gate import usual_bases

    given = store.read(workspace.database(shop))
    usual, by_preset = Usual(given).setup([garment])
    if by_preset and usual[UNDERBASE[0]] is not None:
        return pd.DataFrame([{column: usual[column] for column in UNDERBASE}])
    prints = given.tables["prints"]
    own = prints[prints["substrate_id"] == garment]
    for history in (own, prints):
        if len(bases := usual_bases(history)):
            return bases.head(1)
    return None
