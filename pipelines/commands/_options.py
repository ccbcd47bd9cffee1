"""What the parsers of several commands share. Nothing heavy is imported: ``--help`` is quick."""

from __future__ import annotations

import argparse
import math
import re
from collections.abc import Collection, Mapping
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING

from learn.errors import Unusable
from learn.process import SETTINGS
from pipelines.figures.canvas import refuse_suffix
from pipelines.tables.schema import SETUPS
from pipelines.workspace.problems import Kind, UserError

if TYPE_CHECKING:
    import pandas as pd

    from pipelines.registry.opened import Opened

WORKSPACE = "the workspace (default: the current folder)"
GARMENT = ("--garment", "--substrate")
BASE_INK, BASE_MESH, BASE_STROKES = "--base-ink", "--base-mesh", "--base-strokes"
_BATCH, _DAY = "batch of the ink", "day of printing, as 2026-03-31"
# What is taken where they are left out, of set-ups to come.
_LOT = "(default: the latest printed); new for a new one, none for no particular one"
_TODAY = "(default: today); none for no particular one"
# One set-up on the command line: column of the set-ups table -> names of the option, and its help.
SETUP_OPTIONS = {
    "substrate_id": (GARMENT, "garment to print on"),
    "ink_id": (("--ink",), "ink on top"),
    "mesh_id": (("--mesh",), "mesh of the top ink"),
    "strokes": (("--strokes",), "strokes of the top ink, all together"),
    "flash_count": (("--flashes",), "flashes between strokes of the top ink"),
    "underbase_ink_id": ((BASE_INK, "--underbase-ink"), "ink of the base; leave out for none"),
    "underbase_mesh_id": ((BASE_MESH, "--underbase-mesh"), "mesh of the base"),
    "underbase_strokes": ((BASE_STROKES, "--underbase-strokes"), "strokes of the base"),
    "ink_lot": (("--lot",), f"{_BATCH} {_LOT}"),
    "press_id": (("--press",), "press"),
    "printed_on": (("--date",), f"{_DAY} {_TODAY}"),
    **{s.name: ((s.option,), f"{s.word}, {s.unit}") for s in SETTINGS},
    "tolerance_dE00": (("--tolerance",), "dE00 this job may be off its target"),
}
TARGET_HELP = (
    "L,a,b, a screen colour #rrggbb, a name of the shop's targets, or a file with a measured chip"
)
IN_WORKSPACE = Path()  # ``--group`` without a file
# What errors call by its name in the code, and how it is given.
OPTIONS = {
    "max_base_strokes": "--max-base-strokes",
    "max_strokes": "--max-strokes",
    "max_flashes": "--max-flashes",
    "max_film_um": "--max-film",
    "bucket_kg": "--bucket",
    "smallest_g": "--smallest",
    "density": "--density",
    "price": "--price",
    "most": "--most",
}
# Names under which people and programs look for one kind of file.
OTHER_FILES = {
    *(".csv", ".xlsx", ".xls", ".ods", ".doc", ".docx", ".pdf", ".html", ".htm", ".png", ".jpg"),
    *(".jpeg", ".svg", ".json", ".zip"),
}
MISSING = ("the option is missing", "add it")
UNUSUAL = ("the option is missing, and nothing is usual in this shop yet", "add it")
_CELL = "setup_"  # before the column in what was parsed


def add_command(
    commands: argparse._SubParsersAction, name: str, short: str, text: str, examples: list[str]
) -> argparse.ArgumentParser:
    """A parser as every command has it: its text, then examples that work."""
    epilog = "Example:\n" + "\n".join(f"  {line}" for line in examples)
    parser = commands.add_parser(
        name,
        help=short,
        description=text,
        epilog=epilog,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    # Given before the command it must not be undone by its absence here.
    parser.add_argument("--workspace", metavar="FOLDER", help=WORKSPACE, default=argparse.SUPPRESS)
    return parser


def add_shop(
    parser: argparse.ArgumentParser, help_text: str = "which shop, if there are several"
) -> None:
    parser.add_argument("--shop", metavar="NAME", help=help_text)


def batch_number(text: str) -> int:
    """The number of a batch."""
    if not text.strip().isdecimal():
        raise UserError(f'"{text}" is no number of a batch; strikeoff history lists them.')
    return int(text)


def add_workers(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--workers",
        metavar="N",
        help="processors to use at once (default: all, at most 4); the answer is the same for any",
    )


def add_group(parser: argparse.ArgumentParser, *, page: bool = True) -> None:
    """``--group`` and where its work is done; ``page``: an option of its own draws it."""
    parser.add_argument(
        "--group",
        metavar="FILE",
        type=Path,
        nargs="?",
        const=IN_WORKSPACE,
        help="all shops that FILE names (default: group.toml in the workspace)",
    )
    parser.add_argument(
        "--cluster",
        metavar="ADDRESS",
        help="with --group: by the workers of a Dask scheduler, such as tcp://plant7:8786 "
        "(pip install 'strikeoff[cluster]')",
    )
    if page:
        parser.add_argument(
            "--page", metavar="FILE.html", type=page_file, help="with --group: the plants on a page"
        )


def n_workers(text: str | None) -> int | None:
    """The number after ``--workers``; None where it was left out."""
    n = None if text is None else whole("--workers", text)
    if n is not None and n < 1:
        raise UserError(f"--workers {text}: give 1 or more.")
    return n


def table_file(text: str) -> Path:
    """A file that a table goes to, by its option; refused before the work, not after it."""
    return _file(text, "a table", (".csv", ".xlsx"))


def page_file(text: str) -> Path:
    """A file that a page goes to."""
    return _file(text, "a page", (".html", ".htm"))


def _file(text: str, what: str, suffixes: tuple[str, ...]) -> Path:
    """Raises UserError where another kind of file would be looked for under that name."""
    path = Path(text)
    if path.suffix.lower() in OTHER_FILES.difference(suffixes):
        raise UserError(f"{text}: {what} goes there; call it {' or '.join(suffixes)}.")
    return path


def add_figure(parser: argparse.ArgumentParser, shown: str) -> None:
    """``--figure``: what is ``shown`` as a picture file."""

    def file(text: str) -> Path:
        refuse_suffix(Path(text))  # before the work, not after it
        return Path(text)

    help_text = f"{shown}, as .png, .pdf or .svg"
    parser.add_argument("--figure", metavar="FILE", type=file, help=help_text)


def add_garments(parser: argparse._ActionsContainer, help_text: str, *, required: bool) -> None:
    """``--garment`` as often as there are garments."""
    parser.add_argument(
        *GARMENT, dest="garments", metavar="ID", action="append", required=required, help=help_text
    )


def add_aim(parser: argparse.ArgumentParser) -> None:
    """The target of a job and the garments it is printed on."""
    parser.add_argument("--target", metavar="COLOUR", required=True, help=TARGET_HELP)
    add_garments(parser, "a garment of the job", required=True)
    parser.add_argument("--tolerance", metavar="DE00", help="(default: the target's, the shop's)")


def lots_given(args: argparse.Namespace) -> dict[str, str]:
    """Ink -> lot, as `add_of_now` has it."""
    return pairs("--lot", args.lot, "INK=LOT, such as red=24-06 or red=none")


def add_of_now(parser: argparse._ActionsContainer) -> None:
    """``--lot`` and ``--date`` of a search over many inks."""
    help_text = f"the batch that is open {_LOT}"
    parser.add_argument("--lot", metavar="INK=LOT", action="append", help=help_text)
    parser.add_argument("--date", metavar="DAY", help=f"{_DAY} {_TODAY}")


def add_setup(
    parser: argparse._ActionsContainer, *, without: tuple[str, ...] = (), printed: bool = False
) -> None:
    """The options of one set-up, but for some columns; of one that was ``printed``, nothing is
    taken for what is left out."""
    plain = {"ink_lot": _BATCH, "printed_on": _DAY} if printed else {}
    for column, (names, help_text) in SETUP_OPTIONS.items():
        help_text = plain.get(column, help_text)
        if column not in without:
            parser.add_argument(*names, dest=_CELL + column, metavar="VALUE", help=help_text)


def add_setups(parser: argparse._ActionsContainer, *, without: tuple[str, ...] = ()) -> None:
    """The options of a set-up, each as often as wanted."""
    for column, (names, help_text) in SETUP_OPTIONS.items():
        if column not in without:
            parser.add_argument(
                *names, dest=_CELL + column, metavar="VALUE", action="append", help=help_text
            )


def setup_lists(args: argparse.Namespace) -> dict[str, list[str]]:
    """What was given by :func:`add_setups`: column -> texts, as they were typed."""
    return {
        name.removeprefix(_CELL): values
        for name, values in vars(args).items()
        if name.startswith(_CELL) and values
    }


def setup_cells(args: argparse.Namespace) -> dict[str, str]:
    """The set-up given by options: column -> text."""
    return {
        name.removeprefix(_CELL): value
        for name, value in vars(args).items()
        if name.startswith(_CELL) and value is not None
    }


def add_what(parser: argparse.ArgumentParser, help_text: str, metavar: str = "INK GARMENT") -> None:
    """Ink and garment by their places, without an option before them."""
    parser.add_argument("what", metavar=metavar, nargs="*", help=help_text)


def ink_and_garment(
    command: str, what: list[str], given: Collection[str], or_else: str = ""
) -> dict[str, str]:
    """What was given by :func:`add_what`: column -> text; those ``given`` by options are not
    meant."""
    columns = [c for c in ("ink_id", "substrate_id") if c not in given]
    if what and len(what) != len(columns):
        raise UserError(
            "Give an ink and a garment, names of several words in quotes, as strikeoff "
            f'{command} "bright red" "black tee"{or_else}.'
        )
    return dict(zip(columns, what, strict=True)) if what else {}


def lab_parts(option: str, text: str) -> list[str]:
    """L, a and b as they were typed, decimal commas as points."""
    from pipelines.tables.targets import numbers_of

    parts = numbers_of(text)
    if len(parts) != 3:
        raise UserError(f'{option} "{text}": give L, a and b as 52.3,48.1,20.5.')
    return parts


def number(option: str, text: str, how: str = "one, with a point") -> float:
    """A number from the command line."""
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not abs(value) < 1e9:
        raise UserError(f'{option} "{text}" is not a number; write {how}.')
    return value


def tolerance_given(text: str | None) -> float | None:
    """``--tolerance``, as a column of set-ups may hold it; None where it is not given."""
    if text is None:
        return None
    value, column = number("--tolerance", text), SETUPS.column("tolerance_dE00")
    assert column is not None
    low, high = column.low or 0.0, column.high or math.inf
    if low <= value <= high:
        return value
    raise UserError(f"--tolerance {text}: give a dE00 from {low:g} to {high:g}.", Kind.OUT_OF_RANGE)


def whole(option: str, text: str) -> int:
    """A whole number from the command line."""
    value = number(option, text, "a whole one")
    if value != int(value):
        raise UserError(f'{option} "{text}" is not a whole number.')
    return int(value)


def refuse_commas(cells: Mapping[str, str]) -> None:
    """Refuse a decimal comma in an option of a set-up (column -> text), by its name."""
    for name, text in cells.items():
        column = SETUPS.column(name)
        if column is not None and re.fullmatch(r"\s*[+-]?[0-9]+,[0-9]+\s*", text):
            if column.kind == "whole":
                whole(SETUP_OPTIONS[name][0][0], text)
            if column.kind == "number":
                number(SETUP_OPTIONS[name][0][0], text)


def pairs(option: str, given: list[str] | None, how: str = "NAME=VALUE") -> dict[str, str]:
    """``NAME=VALUE`` as often as given, or several with commas; ``how`` it is written.

    >>> pairs("--have", ["red=70,white=30", "blue=1"])
    {'red': '70', 'white': '30', 'blue': '1'}
    """
    found: dict[str, str] = {}
    for one in chain.from_iterable(map(_apart, given or [])):
        name, sign, value = map(str.strip, one.partition("="))
        if not (name and sign and value):
            raise UserError(f'{option} "{one}": write it as {how}.')
        if found.setdefault(name, value) != value:
            raise UserError(f"{option} {name} is given twice, {found[name]} and {value}: give one.")
    return found


def _apart(text: str) -> list[str]:
    """``red=70,white=30`` as the two; a value may have commas of its own."""
    parts = re.split("[,;]", text)
    return parts if all("=" in part for part in parts) else [text]


def numbers(option: str, given: list[str] | None, how: str) -> dict[str, float]:
    """``NAME=NUMBER`` as often as given; ``how`` it is written."""
    told = pairs(option, given, how)
    return {name: number(f"{option} {name}", text) for name, text in told.items()}


def by_option(error: Unusable) -> UserError:
    """What cannot be met, in a sentence that names the option instead of the argument."""
    if error.name is None:
        return UserError(f"{error.what}.")
    return UserError(f"{OPTIONS.get(error.name, error.name)} {error.what}.")


def setups_by_option(
    rows: list[dict[str, str]], target: str | None, opened: Opened
) -> tuple[pd.DataFrame, list[str]]:
    """Set-ups given by options, and what has to be told of them: `pipelines.tasks.setups.checked`
    with what is wrong told by the names of the options."""
    from pipelines.measured.target import read_target
    from pipelines.tasks.setups import TARGET, checked  # slow to import, and the help needs it not

    for row in rows:
        refuse_commas(row)
    aim = None if target is None else read_target(target, opened.targets, opened.catalogue.settings)
    names = {column: names[0] for column, (names, _) in SETUP_OPTIONS.items()}
    called = names | dict.fromkeys((*TARGET, ""), "--target")
    return checked(
        rows,
        aim,
        opened,
        called,
        else_called="the command line",
        left_out=MISSING,
        unusual=UNUSUAL,
    )
