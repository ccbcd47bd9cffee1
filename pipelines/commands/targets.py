"""``strikeoff targets``: colours customers ask for, by name, and what printed each best before."""

from __future__ import annotations

import argparse
import difflib
from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING

from pipelines.commands._options import add_command, add_shop, number, tolerance_given
from pipelines.workspace.folders import Workspace
from pipelines.workspace.problems import InputProblems, UserError

if TYPE_CHECKING:
    import pandas as pd

    from pipelines.ledger.database import Source
    from pipelines.ledger.state import Addition, Ledger
    from pipelines.words.common import Names

TARGETS = "targets"
NEAR_DE00 = 5.0  # a print beyond it is no beginning for the colour: common practice, no source
ABOUT = """\
Lists the colours customers ask for, each with its tolerance and with the measured prints of the
history that came nearest to it, where any came near. A name given here can stand wherever a
target is asked for: in the column target of a file of jobs and after --target. With --colour a
target is added or changed. They come in and go out with the other tables too, as targets.csv.
"""


def add_parser(commands: argparse._SubParsersAction) -> None:
    """Add the parser of this command."""
    add = add_command(
        commands,
        "targets",
        "customers' colours by name, and what printed them best",
        ABOUT,
        [
            "strikeoff targets",
            'strikeoff targets "harbour blue" --colour 32,-4,-30 --tolerance 1.5',
            "strikeoff targets --remove 'harbour blue'",
        ],
    )
    add.add_argument("name", metavar="NAME", nargs="?", help="tell of this one only, or change it")
    add.add_argument("--colour", metavar="COLOUR", help="L,a,b, a screen colour, or a chip's file")
    add.add_argument("--tolerance", metavar="DE00", help="what a print may be off it, in dE00")
    add.add_argument("--remove", metavar="NAME", help="take it off the list")
    add.add_argument("--prints", metavar="N", default="3", help="told of each at most (default 3)")
    add_shop(add)
    add.set_defaults(run=run)


def run(args: argparse.Namespace, workspace: Workspace) -> int:
    """Run it as it was parsed."""
    shop = workspace.pick(args.shop)
    if args.remove is not None:
        if args.name or args.colour or args.tolerance:
            raise UserError("--remove NAME stands alone; give nothing beside it.")
        return remove(args.remove, workspace=workspace, shop=shop)
    if args.colour is None and args.tolerance is None:
        return list_targets(args.name, most=int(number("--prints", args.prints)),
                            workspace=workspace, shop=shop)  # fmt: skip
    if args.name is None:
        raise UserError('Name the target: strikeoff targets "harbour blue" --colour 32,-4,-30.')
    tolerance = tolerance_given(args.tolerance)
    return keep(args.name, args.colour, tolerance, workspace=workspace, shop=shop)


def list_targets(name: str | None, *, most: int, workspace: Workspace, shop: str) -> int:
    """Every target, or the one of that name, with the prints nearest to it."""
    from learn.colour.colorimetry import delta_e00, srgb_hex, viewing
    from learn.physics.drawdowns import lab_columns
    from pipelines.ledger import store
    from pipelines.tables.folder import targets_of, to_shop

    given = store.read(workspace.database(shop))
    frame, _ = targets_of(given)
    if name is not None:
        frame = frame.loc[[_row(frame, name)]]
    if frame.empty:
        print('No targets yet; strikeoff targets "harbour blue" --colour 32,-4,-30 adds one.')
        return 0
    tables = to_shop(given)
    settings, prints = tables.settings, tables.prints
    condition = viewing(settings.illuminant, settings.observer)
    measured = lab_columns(prints, condition)
    names = dict(zip(tables.inks["ink_id"], tables.inks["ink_name"], strict=True))
    cloths = dict(
        zip(tables.substrates["substrate_id"], tables.substrates["colour_name"], strict=True)
    )
    for row in frame.to_dict("records"):
        lab = [row["L"], row["a"], row["b"]]
        own = row["tolerance_dE00"]
        tolerance = (
            f"{own:g} dE00" if own == own else f"{settings.tolerance_dE00:g} dE00, the shop's"
        )
        print(
            f"{row['name']}: L {lab[0]:.1f} a {lab[1]:.1f} b {lab[2]:.1f} "
            f"(about {srgb_hex(lab, condition)}), tolerance {tolerance}"
        )
        off = delta_e00(measured, lab)
        nearest = off.argsort(kind="stable")[:most]
        for i in nearest[off[nearest] <= NEAR_DE00]:
            print(f"  {off[i]:5.1f} dE00  {_told(prints.iloc[i], names, cloths)}")
        if len(nearest) and off[nearest[0]] > NEAR_DE00:
            one = prints["print_id"].iloc[nearest[0]]
            print(
                f"  nothing printed near it yet; the nearest, {one}, lies"
                f" {off[nearest[0]]:.1f} dE00 off"
            )
    if prints.empty:
        print("No prints yet to hold them against.")
    return 0


def keep(
    name: str, colour: str | None, tolerance: float | None, *, workspace: Workspace, shop: str
) -> int:
    """Add the target, or change the one of that name and say what it was."""
    import numpy as np

    from learn.colour.colorimetry import viewing
    from pipelines.ledger import store
    from pipelines.measured.target import read_target
    from pipelines.tables.folder import targets_of
    from pipelines.tables.settings import read_settings
    from pipelines.tables.targets import Targets, none_named, plain
    from pipelines.workspace.problems import Findings

    source = workspace.database(shop)
    given = store.read(source)
    settings = read_settings(given.shop_toml, given.name, Findings())
    cells = {} if tolerance is None else {"tolerance_dE00": f"{tolerance:g}"}
    if colour is not None:
        condition = viewing(settings.illuminant, settings.observer)
        lab = read_target(colour, Targets(condition, none_named), settings, "--colour").lab
        cells |= {
            c: f"{value:.4f}".rstrip("0").rstrip(".") for c, value in zip("Lab", lab, strict=True)
        }

    def changed(rows: pd.DataFrame) -> pd.DataFrame:
        found = rows.index[rows["name"].map(plain) == plain(name)]
        if not len(found) and colour is None:
            raise UserError(f'There is no target "{name}" yet; give its colour with --colour.')
        row = found[0] if len(found) else max(rows.index, default=1) + 1
        new = {} if len(found) else {"name": name.strip()}
        if colour is not None:  # another way of giving it would contradict
            new |= {c: "" for c in rows.columns if c not in ("name", "tolerance_dE00")}
        new |= cells
        rows = rows.reindex(columns=list(dict.fromkeys([*rows.columns, *new])))
        rows.loc[row, list(new)] = list(new.values())
        return rows.fillna("").astype(object)

    _change(source, changed)
    before, _ = targets_of(given)
    same = before.loc[before["name"].map(plain) == plain(name), list("Lab")].to_numpy(float)
    if colour is not None and len(same) and not np.allclose(same[0], lab, atol=5e-5):
        was, now = (f"L {L:.1f} a {a:.1f} b {b:.1f}" for L, a, b in (same[0], lab))
        print(
            f"{name.strip()} is {now} now, and was {was}; strikeoff history --take-back undoes it."
        )
        return 0
    print(f"{name.strip()} is kept; give it as a target wherever one is asked for.")
    return 0


def remove(name: str, *, workspace: Workspace, shop: str) -> int:
    """Take a target off the list."""
    _change(workspace.database(shop), lambda rows: rows.drop(index=_row(rows, name)))
    print(f"{name} is off the list; strikeoff history --take-back undoes it.")
    return 0


def _change(source: Source, changed: Callable[[pd.DataFrame], pd.DataFrame]) -> None:
    """Let the list be what ``changed`` makes of it, in one batch that can be taken back."""
    import pandas as pd

    from pipelines.ledger import store
    from pipelines.ledger.state import Addition, Batch, Sheet, current
    from pipelines.tables.folder import targets_of

    def plan(ledger: Ledger) -> Addition | None:
        given = current(ledger).given
        before = given.targets
        if before is None:
            before = pd.DataFrame(columns=["name", "L", "a", "b", "tolerance_dE00"], dtype=object)
        after = changed(before)
        if given.targets is not None and after.equals(before):
            return None  # so it stands already
        _, wrong = targets_of(replace(given, targets=after))
        if wrong:
            raise InputProblems(wrong)
        counts = {TARGETS: len(after)}
        return Addition(Batch(TARGETS, {TARGETS: Sheet(after)}, counts=counts))

    store.change(source, plan)


def _row(frame: pd.DataFrame, name: str) -> int:
    from pipelines.tables.targets import plain

    names = frame["name"].map(plain)
    found = names.index[names == plain(name)]
    if not len(found):
        close = difflib.get_close_matches(plain(name), names.tolist(), n=1)
        hint = "strikeoff targets lists them."
        if close:
            hint = f'is "{frame.loc[names.index[names == close[0]][0], "name"]}" meant?'
        raise UserError(f'There is no target "{name}"; {hint}')
    return int(found[0])


def _told(row: pd.Series, names: Names, cloths: Names) -> str:
    """A print of the history in a line."""
    from pipelines.words.plan import cloths as on_cloth
    from pipelines.words.plan import setup_words

    based = row["underbase_ink_id"] is not None
    garment = str(row["substrate_id"])
    line = {**row.to_dict(), "base_on": (garment,) if based else ()}
    return f"{row['print_id']}: {setup_words(line, names, [garment])}, on " + on_cloth(
        [garment], cloths
    )
