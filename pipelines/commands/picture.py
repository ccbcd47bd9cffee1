"""``strikeoff picture``: how prints are expected to look, as a page for the customer."""

from __future__ import annotations

import argparse
import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from itertools import product
from pathlib import Path
from typing import TYPE_CHECKING

from pipelines.commands._lists import listed
from pipelines.commands._options import (
    SETUP_OPTIONS,
    TARGET_HELP,
    add_command,
    add_setups,
    add_shop,
    add_what,
    page_file,
    setup_lists,
    setups_by_option,
)
from pipelines.tables.names import table_of
from pipelines.tasks.usual import completed
from pipelines.workspace.files import files_named, refuse_outputs, refuse_replacing, together
from pipelines.workspace.folders import Workspace
from pipelines.workspace.problems import InputProblems, Kind, Problem, UserError
from pipelines.workspace.progress import tell

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd
    from numpy.typing import NDArray

    from learn.colour.recolour import Mixed, Palette
    from pipelines.pages.picture import Shown
    from pipelines.registry.opened import Opened

    Bytes = NDArray[np.uint8]

MOST_PRINTS = 24
MOST_COLOURS = 16
ON_PAGE_PX = 1000  # longer side of the artwork in the page
GARMENT, INK = "substrate_id", "ink_id"
CLOTH = "garment"  # what an artwork's colour is mapped to where nothing is printed
# What may be said of one ink of the artwork: name of the option without dashes -> column.
OWN = {
    name.removeprefix("--"): column
    for column, (names, _) in SETUP_OPTIONS.items()
    for name in names
    if column not in (GARMENT, INK, "tolerance_dE00")
}
ABOUT = """\
Shows a customer what to expect, on one page without a number: the expected print on the garment's
own colour beside the ink in the bucket, and small how it might look at worst. With --artwork the
customer's own picture (PNG or JPEG, flat colours), in the colours expected on each garment: say
with --map what prints each of its colours; what is transparent is the garment. Name several inks
or garments with commas. It is a picture on screen, not a proof.
"""


def add_parser(commands: argparse._SubParsersAction) -> None:
    """Add the parser of this command."""
    add = add_command(
        commands,
        "picture",
        "a page for the customer: how it is expected to look",
        ABOUT,
        [
            'strikeoff picture "bright red" "black tee,navy tee" --page red.html',
            "strikeoff picture --garment black,white --artwork logo.png --map ffffff=garment \\",
            '    --map "d22b4e=bright red" --map "1a1a1a=black; mesh=77-55; strokes=1" \\',
            "    --page logo.html --out logo-as-printed.png",
        ],
    )
    add_what(add, "an ink and a garment by name or id; with --artwork a garment alone")
    add.add_argument("--page", metavar="FILE.html", type=page_file, help="where the page goes")
    add.add_argument("--artwork", metavar="FILE", type=Path, help="a PNG or JPEG of flat colours")
    add.add_argument(
        "--map",
        metavar="HEX=INK",
        action="append",
        help="what prints a colour of the artwork: an ink, with a set-up of its own after "
        "semicolons if it has one, or garment for none; as often as there are colours",
    )
    help_text = "the artwork alone in its new colours, as PNG; of several garments FILE-1.png, ..."
    add.add_argument("--out", metavar="FILE.png", type=Path, help=help_text)
    add.add_argument("--target", metavar="COLOUR", help=TARGET_HELP)
    add_shop(add)
    several = add.add_argument_group(
        "how it is printed",
        "What is left out is what shop.toml calls usual, or what the shop mostly does.",
    )
    add_setups(several, without=("tolerance_dE00",))
    add.set_defaults(run=run)


@dataclass(frozen=True)
class Use:
    """What prints one colour of the artwork: column of a set-up -> text; nothing for the cloth."""

    code: str  # rrggbb
    cells: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Artwork:
    """A picture whose colours are all accounted for."""

    name: str
    uses: list[Use]
    palette: Palette
    mixed: Mixed

    def on(self, garment: str, prints: list[str]) -> Bytes:
        """Its pixels (h, w, 3) with these screen colours, '#rrggbb', of cloth and prints."""
        from learn.colour.recolour import recoloured

        left = iter(prints)
        becomes = [next(left) if use.cells else garment for use in self.uses]
        return recoloured(self.palette, self.mixed, _bytes(becomes), _bytes([garment])[0])


def run(args: argparse.Namespace, workspace: Workspace) -> int:
    """Run it as it was parsed."""
    given = _named(args.what, setup_lists(args), drawn=args.artwork is not None)
    if args.page is None and args.out is None:
        raise UserError("Say where the picture goes, with --page FILE.html.")
    if args.artwork is None:
        if args.map or args.out:
            raise UserError(f"{'--map' if args.map else '--out'} goes with --artwork FILE.")
    elif args.target:
        raise UserError("--target goes without --artwork, whose colours are several.")
    return picture(
        given,
        artwork=args.artwork,
        uses=read_map(args.map or []),
        target=args.target,
        page=args.page,
        out=args.out,
        workspace=workspace,
        shop=args.shop,
    )


@together()
def picture(
    given: Mapping[str, list[str]],
    *,
    artwork: Path | None = None,
    uses: list[Use],
    target: str | None = None,
    page: Path | None = None,
    out: Path | None = None,
    workspace: Workspace,
    shop: str | None = None,
) -> int:
    """Draw every combination of ``given`` (column -> texts), or ``artwork`` with its ``uses``."""
    from pipelines.registry.opened import open_model

    read = [artwork] if artwork else files_named(target)
    refuse_outputs(page, out, inputs=read)
    name = workspace.pick(shop)
    drawn, notes = read_drawn(artwork, uses, out) if artwork else (None, [])
    opened = open_model(workspace, name)
    values = {c: listed(texts, opened.known.get(table_of(c))) for c, texts in given.items()}
    rows, filled, faults = completed(rows_of(values, uses if drawn else None), workspace, name)
    setups, assumed = checked(rows, target, opened, drawn is not None)
    tell(faults + notes + assumed + opened.notes)
    garments = shown(setups, opened)
    files = _files(out, len(garments))
    refuse_outputs(page, *files, inputs=read)
    if files != [out]:
        refuse_replacing(files, _drawn_before, "move it away, or give --out another name")
    tell_shop(garments, filled)
    if drawn:
        garments = _drawn_on(garments, drawn, files)
    if page is not None:
        from pipelines.pages.picture import write_page

        write_page(page, garments, opened.catalogue.settings.name, drawn.name if drawn else None)
        print(f"The page is {page}.")
    return 0


def read_map(texts: list[str]) -> list[Use]:
    """What ``--map`` says, as ``HEX=INK`` or ``HEX=INK; mesh=43-80; strokes=2``."""
    uses: dict[str, Use] = {}
    for text in texts:
        head, *own = text.split(";")
        code, sign, named = (part.strip() for part in head.partition("="))
        code, named = code.removeprefix("#").lower(), named.strip("\"'").strip()
        if not sign or not named:
            raise UserError(f'--map {text}: write it as HEX=INK, such as d22b4e="bright red".')
        if not re.fullmatch("[0-9a-f]{6}", code):
            raise UserError(
                f'--map {text}: "{code}" is no colour; write its six digits, such as d22b4e.'
            )
        if code in uses:
            raise UserError(f"--map {text}: #{code} is mapped already; give each colour once.")
        cells = {} if named.casefold() == CLOTH else {INK: named} | _own(text, own)
        if own and not cells:
            raise UserError(f"--map {text}: nothing is printed there; leave out what comes after ;")
        uses[code] = Use(code, cells)
    if len(uses) > MOST_COLOURS:
        raise UserError(f"{len(uses)} times --map: at most {MOST_COLOURS} colours can be mapped.")
    return list(uses.values())


def _own(text: str, parts: list[str]) -> dict[str, str]:
    """The set-up of one ink: column -> text."""
    cells = {}
    for part in parts:
        name, _, value = (word.strip().strip("\"'") for word in part.partition("="))
        column = OWN.get(name.removeprefix("--"))
        if column is None or not value:
            raise UserError(
                f'--map {text}: "{part.strip()}" says nothing of a set-up; write mesh=VALUE, '
                "strokes=VALUE, base-ink=VALUE or another option of a set-up."
            )
        cells[column] = value
    return cells


def _named(what: list[str], given: dict[str, list[str]], *, drawn: bool) -> dict[str, list[str]]:
    """The set-ups with the ink and the garment that are named without an option."""
    if drawn and INK in given:
        raise UserError("With --artwork name inks by --map HEX=INK, not by --ink.")
    if drawn and len(what) > 1:
        raise UserError(
            "With --artwork name the garment alone, names of several words in quotes; its inks go "
            "with --map HEX=INK."
        )
    missing = [c for c in ((GARMENT,) if drawn else (INK, GARMENT)) if c not in given]
    if len(what) != len(missing):
        needed = (
            'a garment, as --garment "black tee"'
            if drawn
            else ('an ink and a garment, as strikeoff picture "bright red" "black tee"')
        )
        raise UserError(f"Give {needed}; see strikeoff picture --help.")
    return given | {column: [text] for column, text in zip(missing, what, strict=True)}


def rows_of(values: dict[str, list[str]], uses: list[Use] | None) -> list[dict[str, str]]:
    """Set-ups, column -> text: every combination, garment by garment; or on each garment the
    ``uses`` of an artwork."""
    rest = {column: texts for column, texts in values.items() if column != GARMENT}
    if uses is not None:
        if several := [c for c, texts in rest.items() if len(texts) > 1]:
            option = SETUP_OPTIONS[several[0]][0][0]
            raise UserError(
                f"{option} is given several times; for one ink of the artwork say it in its --map, "
                f"as HEX=INK; {option.removeprefix('--')}=VALUE."
            )
        common = {column: texts[0] for column, texts in rest.items()}
        ways = [common | use.cells for use in uses if use.cells]
        if not ways:
            raise UserError("Every --map says garment; name an ink for the colours that print.")
    else:
        ways = [dict(zip(rest, one, strict=True)) for one in product(*rest.values())]
    rows = [{GARMENT: garment, **way} for garment in values[GARMENT] for way in ways]
    if len(rows) > MOST_PRINTS:
        raise UserError(f"{len(rows)} prints on one page; leave some out, at most {MOST_PRINTS}.")
    return rows


def checked(
    rows: list[dict[str, str]], target: str | None, opened: Opened, by_map: bool
) -> tuple[pd.DataFrame, list[str]]:
    """`setups_by_option`, where the inks may have been named ``by_map``."""
    try:
        return setups_by_option(rows, target, opened)
    except InputProblems as error:
        ink = SETUP_OPTIONS[INK][0][0]
        raise InputProblems(
            [replace(p, file="--map") if by_map and p.file == ink else p for p in error.problems]
        ) from None


def shown(setups: pd.DataFrame, opened: Opened) -> list[Shown]:
    """What the page shows, garment by garment."""
    from learn.colour.colorimetry import lab_from_reflectance, srgb_hex
    from learn.predict.causes import Cause
    from pipelines.pages.picture import Shown, shown_rows

    predictions = opened.predict(setups)
    # Whether the print itself is sure, however near to a target.
    aimless = setups.assign(target_L=float("nan"), target_a=float("nan"), target_b=float("nan"))
    sure = opened.predict(aimless)["cause"] == Cause.NO_TARGET
    described = opened.catalogue.describe(setups)
    own = described.drop(columns=predictions.columns, errors="ignore")
    again = setups.drop(columns="setup_id").duplicated()
    table = predictions.join(own).assign(sure=sure.to_numpy(), again=again.to_numpy())
    encoder, view = opened.model.encoder_, opened.model.viewing_
    garments = []
    for garment, rows in table.groupby(GARMENT, sort=False):
        cloth = encoder.substrate_r[encoder.substrates.index.get_loc(garment)]
        garments.append(
            Shown(
                str(srgb_hex(lab_from_reflectance(cloth, view), view)),
                srgb_hex(rows[list("Lab")].to_numpy(float), view).tolist(),
                shown_rows(rows[~rows["again"]], opened.catalogue.settings),
            )
        )
    return garments


def tell_shop(garments: list[Shown], filled: str | None) -> None:
    """Print what the shop should know before the customer sees the page."""
    from pipelines.words.prediction import wrapped
    from pipelines.words.verdict import headline

    for garment in garments:
        print(garment.name)
        for row in garment.rows:
            way = f", {row['way']}" if row["way"] else ""
            print(f"  {row['ink']}{way}: {headline(row)}")
    if filled is not None:
        print(wrapped("Filled in", filled))


def read_drawn(path: Path, uses: list[Use], out: Path | None) -> tuple[Artwork, list[str]]:
    """The artwork with every colour accounted for, and what has to be told about it.

    Raises UserError where a colour of it is not mapped, naming the most frequent of them.
    """
    import numpy as np

    from learn.colour.recolour import SAME, accounted, mixed, palette
    from pipelines.figures.artwork import read_artwork, refuse_suffix
    from pipelines.words import picture as words

    if out is not None:
        refuse_suffix("--out", out)
    found = palette(read_artwork(path))
    if not len(found.colours):
        what = "is transparent all over"
        raise InputProblems([Problem(path.name, None, None, what, "draw it", Kind.UNREADABLE)])
    sources = _bytes([use.code for use in uses]) if uses else found.colours[:0]
    mixture = mixed(found.colours, sources)
    judged = accounted(found, mixture)
    if len(judged.unmapped):
        codes = [bytes(colour).hex() for colour in judged.unmapped]
        what = words.not_mapped(list(zip(codes, judged.share.tolist(), strict=True)))
        do = words.how_to_map(codes[0], len(codes))
        raise InputProblems([Problem(path.name, None, None, what, do, Kind.MISSING)])
    used = {int(i) for i in np.unique(mixture.first[mixture.off <= SAME])}
    unused = [use.code for i, use in enumerate(uses) if i not in used]
    notes = [words.absent(unused, path.name)] if unused else []
    notes += [words.blended(judged.between)] if judged.between > 0.2 else []
    notes += [words.left_over(judged.stray)] if judged.stray > 0.001 else []
    return Artwork(path.name, uses, found, mixture), notes


def _drawn_on(garments: list[Shown], drawn: Artwork, files: list[Path]) -> list[Shown]:
    """The garments with the artwork on them, which also goes into ``files`` if there are any."""
    from learn.colour.recolour import shrunk
    from pipelines.figures.artwork import data_uri, write_png
    from pipelines.words.picture import NOT_A_PROOF

    with_artwork = []
    for i, garment in enumerate(garments):
        pixels = drawn.on(garment.fill, garment.prints)
        if files:
            write_png(files[i], pixels, NOT_A_PROOF)
            print(f"The picture on {garment.name} is {files[i]}.")
        with_artwork.append(replace(garment, artwork=data_uri(shrunk(pixels, ON_PAGE_PX))))
    return with_artwork


def _files(out: Path | None, garments: int) -> list[Path]:
    """Where the artwork goes, a file a garment."""
    if out is None or garments == 1:
        return [out] if out else []
    return [out.with_stem(f"{out.stem}-{i + 1}") for i in range(garments)]


def _drawn_before(path: Path) -> bool:
    from pipelines.figures.artwork import has_comment
    from pipelines.words.picture import NOT_A_PROOF

    return has_comment(path, NOT_A_PROOF)


def _bytes(codes: list[str]) -> Bytes:
    """Screen colours (n, 3) of hex digits, with or without #."""
    import numpy as np

    return np.array([list(bytes.fromhex(code.removeprefix("#"))) for code in codes], np.uint8)
