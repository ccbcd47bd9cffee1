"""The command line: the commands put together, and one place where errors become sentences."""

from __future__ import annotations

import argparse
import difflib
import errno
import io
import os
import sys
from collections.abc import Mapping, Sequence
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path
from typing import Any, NoReturn

from pipelines.commands import (
    check,
    compare,
    demo,
    doubts,
    export,
    history,
    import_tables,
    learn,
    list_things,
    mix,
    models,
    new_ink,
    next_test,
    open_desk,
    picture,
    plan,
    predict,
    record,
    start,
    status,
    targets,
    why,
)
from pipelines.commands._options import WORKSPACE
from pipelines.words.usage import said
from pipelines.workspace.folders import Workspace
from pipelines.workspace.placing import finish
from pipelines.workspace.problems import UserError
from pipelines.workspace.progress import tell
from pipelines.workspace.terminal import Terminal

NO_MEMORY = "there is not enough memory for this; close other programs, or give it more"
ALIKE = 0.75  # how alike two options are of which one was perhaps meant by the other
FULL = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)

# As they are listed: a first day, then every day, then planning, then looking after it all.
COMMANDS = (
    *(demo, open_desk, start, import_tables, learn, predict, compare, why, picture),
    *(status, list_things, record, doubts, history),
    *(plan, mix, targets, next_test, new_ink),
    *(check, models, export),
)
ABOUT = """\
Predicts how a garment screen print will look before it is printed: its colour with 90 % bands,
how far it moves from the ink in the bucket, and whether a test print is needed first. It learns
from the shop's own measured prints.
"""
STEPS = """\
The usual order:
  strikeoff start tables/                  without tables yet: tables/shop.xlsx to fill in
  strikeoff import tables/                 check what is filled in there and take it in
  strikeoff learn                          learn from its print history
  strikeoff predict jobs.csv --out answers.csv --page answers.html
  strikeoff record measured.csv            take in what came off the press; learn again
Try it on an invented shop first:
  strikeoff demo

Things lie in a workspace: datasets/SHOP/ and models/SHOP/ under the current folder, or under
--workspace FOLDER, or under the folder named by STRIKEOFF_WORKSPACE. With one shop in the
workspace its name need not be typed.
"""


class _Parser(argparse.ArgumentParser):
    commands: Mapping[str, _Parser]

    def error(self, message: str) -> NoReturn:
        raise UserError(f"{said(message)}; see {self.prog} --help.")

    def parse_known_args(  # type: ignore[override]
        self, args: Sequence[str] | None = None, namespace: Any = None
    ) -> tuple[Any, list[str]]:
        """As argparse does it, but that an option that is none is told before one that is missed:
        the one was perhaps meant by the other."""
        try:
            return super().parse_known_args(args, namespace)
        except UserError:
            known = self._option_string_actions
            words = [word for word in args or () if word.startswith("--")]
            unknown = [word for word in words if word.partition("=")[0] not in known]
            if unknown and self._subparsers is None:
                raise self.unknown(unknown) from None
            raise

    def unknown(self, words: list[str]) -> UserError:
        """What was typed and has no place here; for a folder or a name, where it belongs, for an
        option, which is like it."""
        word, where, meant = words[0], "", ""
        if os.sep in word or Path(word).is_dir():
            where = f"a folder to work in is given with --workspace {word}; "
        elif not word.startswith("-"):
            where = f"a shop is named with --shop {word}; "
        else:
            like = difflib.get_close_matches(word.partition("=")[0], self._own_words(), 1, ALIKE)
            meant = f" (is {like[0]} meant?)" if like else ""
        told = f"{self.prog} does not know {' '.join(words)}{meant}"
        return UserError(f"{told}; {where}see {self.prog} --help.")

    def _own_words(self) -> list[str]:
        """The options, and words that stand without one (``doubts keep``)."""
        alone = [a.choices for a in self._actions if a.choices and not a.option_strings]
        return [*self._option_string_actions, *(str(one) for some in alone for one in some)]


def build_parser() -> _Parser:
    """All commands and their options."""
    parser = _Parser(
        prog="strikeoff",
        description=ABOUT,
        epilog=STEPS,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    parser.add_argument("--workspace", metavar="FOLDER", help=WORKSPACE)
    parser.add_argument("--version", action="store_true", help="say which version this is")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", parser_class=_Parser)
    for module in COMMANDS:
        module.add_parser(commands)
    parser.commands = commands.choices
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command: 0 when done, 1 when done but for some shops of a group, 2 for a user's
    mistake, 130 when interrupted; 3 when done, but
    the screen or the file that should show it could not be written."""
    out = Terminal(sys.stdout)
    with redirect_stdout(out), redirect_stderr(Terminal(sys.stderr)):
        code = _answer(argv)
        out.flush()
        if out.lost is None:
            return code
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)  # what is left unsaid is no error at the end
        if isinstance(out.lost, BrokenPipeError):  # the reader of a pipe has left
            return code
        why = out.lost.strerror or out.lost
        done = "it is done" if code == 0 else "it was not done"
        print(f"strikeoff: {done}, but what it tells could not be written ({why}).",
              file=sys.stderr)  # fmt: skip
    return code or 3


def _answer(argv: Sequence[str] | None) -> int:
    try:
        parser = build_parser()
        args, unknown = parser.parse_known_args(argv)
        if unknown:
            raise parser.commands.get(args.command, parser).unknown(unknown)
        if args.version:
            print(f"strikeoff {_version()}")
            return 0
        if args.command is None:
            parser.print_help(sys.stderr)
            return 2
        finish(Path())
        return args.run(args, Workspace.find(args.workspace))
    except UserError as error:
        tell(error.notes)
        told = str(error)
    except KeyboardInterrupt:
        print("strikeoff: interrupted; nothing half-done is left behind.", file=sys.stderr)
        return 130
    except SystemExit as done:  # --help
        return int(done.code or 0)
    except MemoryError:
        told = f"{NO_MEMORY}; nothing half-done is left behind."
    except ImportError as error:
        told = f"a part of the program cannot be loaded ({error}): install it again, or, if it is "
        told += "well, there is not enough memory."
    except OSError as error:
        told = _of_the_system(error)
    print(f"strikeoff: {told}", file=sys.stderr)
    return 2


def _of_the_system(error: OSError) -> str:
    if error.errno == errno.ENOMEM:
        return f"{NO_MEMORY}; nothing half-done is left behind."
    where = f"{error.filename}: " if error.filename else ""
    if error.errno in FULL:
        return f"{where}{error.strerror}; make room on the disk; no file was left half-written."
    return f"{where}{error.strerror or error}; check the path and its rights."


def run() -> NoReturn:
    """The installed command."""
    for descriptor in (0, 1, 2):  # else a closed one would become the next file that is opened
        try:
            os.fstat(descriptor)
        except OSError:
            os.open(os.devnull, os.O_RDWR)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")  # a name the terminal cannot show stops nothing
    sys.exit(main())


def _version() -> str:
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version("strikeoff")
    except PackageNotFoundError:
        return "(not installed)"


if __name__ == "__main__":
    run()
