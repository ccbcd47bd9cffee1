"""``strikeoff models``: the versions a shop has learnt; which predicts; going back; comparing."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from pipelines.commands._options import add_command, add_shop
from pipelines.workspace.folders import Workspace
from pipelines.workspace.problems import Kind, UserError

if TYPE_CHECKING:
    from pipelines.registry.archive import Archive

FIGURES = (
    ("prints learnt from", ("rows", "prints"), "{:.0f}"),
    ("prints of jobs held back", ("validation", "n_prints"), "{:.0f}"),
    ("half of these within, dE00", ("validation", "median_dE00"), "{:.2f}"),
    ("  physics alone", ("validation", "physics_median_dE00"), "{:.2f}"),
    ("  nearest past print", ("validation", "nearest_median_dE00"), "{:.2f}"),
    ("in the 90 % bands, %", ("validation", "coverage90"), "{:.1%}"),
)
# How a version came about.
HOW = {
    "append": "appended to",
    "refit": "learnt anew",
    "told": "told what other plants know, on",
}
ABOUT = """\
Lists the versions a shop has learnt, with how good each was on jobs held back, and which one is in
charge. --use goes back to another version; --compare puts two side by side. "Better" counts how
near the forecasts came and whether their bands were right.
"""


def add_parser(commands: argparse._SubParsersAction) -> None:
    """Add the parser of this command."""
    add = add_command(
        commands,
        "models",
        "versions of the model, and which is in charge",
        ABOUT,
        ["strikeoff models", "strikeoff models --use 0003", "strikeoff models --compare 0003 0004"],
    )
    which = add.add_mutually_exclusive_group()
    which.add_argument("--use", metavar="VERSION", help="put this version in charge")
    which.add_argument("--compare", metavar=("A", "B"), nargs=2, help="two versions side by side")
    add.add_argument("--details", action="store_true", help="the scores behind better and worse")
    add_shop(add)
    add.set_defaults(run=run)


def run(args: argparse.Namespace, workspace: Workspace) -> int:
    """Run it as it was parsed."""
    at = {"workspace": workspace, "shop": args.shop}
    if args.use is not None:
        return use_model(args.use, **at)
    if args.compare is not None:
        return compare_models(*args.compare, **at)
    return list_models(details=args.details, **at)


def list_models(*, workspace: Workspace, shop: str | None = None, details: bool = False) -> int:
    """Every stored version, oldest first, and which one is in charge."""
    from pipelines.registry import report_card, versions
    from pipelines.registry.archive import archive_of
    from pipelines.registry.sealed import AGAIN
    from pipelines.tasks.versions import told

    kept = archive_of(workspace, workspace.pick(shop))
    found = told(kept)
    if not found:
        raise UserError(f"{kept.where()}: no model has been learnt yet; {AGAIN}.")
    unknown = ""
    try:
        versions.in_charge(kept)
    except UserError as error:
        if error.kind != Kind.DAMAGED:
            raise
        unknown = str(error)
    print("version  made              prints  half within  in 90 % bands")
    for one in found:
        mark = "  in charge" if one.in_charge else ""
        if not one.readable:
            print(f"{one.name:<9}damaged or of another version{mark}")
            continue
        prints = "-" if one.prints is None else f"{one.prints}"
        median = "-" if one.median_dE00 is None else f"{one.median_dE00:.2f}"
        held = "-" if one.coverage90 is None else f"{100 * one.coverage90:.1f} %"
        print(f"{one.name:<9}{one.made:<16}  {prints:>6}  {median:>11}  {held:>13}{mark}")
    numbers = {int(one.name) for one in found}
    if gone := [f"{n:04d}" for n in range(1, max(numbers)) if n not in numbers]:
        print(f"{', '.join(gone)}: not there any more.")
    if unknown:
        print(unknown)
    elif not any(one.in_charge for one in found):
        print(f"None is in charge; {AGAIN}, or put one in charge with --use VERSION.")
    print(
        "Times are UTC; figures are of jobs held back when all was last learnt anew: half of their "
        "prints came within so many dE00 of the prediction."
    )
    try:
        card = report_card.table(report_card.read(kept), details=details)
    except UserError as error:
        card = [str(error)]
    print(*card, sep="\n")
    return 0


def use_model(version: str, *, workspace: Workspace, shop: str | None = None) -> int:
    """Put a stored version in charge."""
    from pipelines.registry import versions
    from pipelines.registry.archive import archive_of
    from pipelines.registry.opened import read_model

    kept = archive_of(workspace, workspace.pick(shop))
    version = _named(kept, version)
    before = None
    with versions.damage_passed_over():  # it shall be known again
        before = versions.in_charge(kept)
    if version == before:
        print(f"Model {version} is in charge already; nothing was changed.")
        return 0
    read_model(kept, version)  # one that nothing can be asked of shall not take charge
    versions.put_in_charge(kept, version)
    print(f"Model {version} is in charge" + (f", in place of {before}." if before else "."))
    return 0


def compare_models(one: str, other: str, *, workspace: Workspace, shop: str | None = None) -> int:
    """The figures of two versions side by side, and what they learnt from differently."""
    from pipelines.registry import report_card, versions
    from pipelines.registry.archive import archive_of

    kept = archive_of(workspace, workspace.pick(shop))
    names = [_named(kept, one), _named(kept, other)]
    described = [versions.described(kept, name) for name in names]
    facts = [each["facts"] for each in described]
    print(f"{'':<28}{names[0]:>12}{names[1]:>12}")
    for label, path, form in FIGURES:
        print(f"{label:<28}" + "".join(f"{_figure(each, path, form):>12}" for each in facts))
    out = [{record["print_id"] for record in each.get("set_aside", [])} for each in facts]
    print(f"{'set aside as plainly wrong':<28}{len(out[0]):>12}{len(out[1]):>12}")
    print(f"{'program':<28}" + "".join(f"{each.get('code_version', ''):>12}" for each in described))
    for name, alone in ((names[0], out[0] - out[1]), (names[1], out[1] - out[0])):
        if alone:
            print(f"Set aside by {name} alone: {', '.join(sorted(alone)[:12])}.")
    for name, each in zip(names, facts, strict=True):
        if learnt := each.get("learnt"):
            done = HOW[learnt["how"]]
            print(f"{name} was {done}{' ' + learnt['after'] if learnt['how'] != 'refit' else ''}"
                  f" ({learnt['why']}); {'' if learnt['put_in_charge'] else 'not '}put in charge: "
                  f"{learnt['because']}.")  # fmt: skip
    for line in report_card.side_by_side(report_card.read(kept), *names):
        print(line)
    if facts[0].get("data_sha256") == facts[1].get("data_sha256"):
        print("Both learnt from the same data.")
    elif len(fits := {_fitted(name, each) for name, each in zip(names, facts, strict=True)}) == 1:
        print(f"Both figures of jobs held back are of model {fits.pop()}, the last learnt anew.")
    else:
        print("They learnt from different data: each figure is of the jobs it held back itself.")
    return 0


def _fitted(version: str, facts: dict[str, Any]) -> str:
    """The version learnt anew last, of which this one is a continuation."""
    return facts.get("learnt", {}).get("fitted") or version


def _named(kept: Archive, version: str) -> str:
    """The version, also when the zeros before it are left out."""
    from pipelines.registry import versions

    name = version.zfill(4) if version.isdigit() else version
    versions.described(kept, name)
    return name


def _figure(facts: dict[str, Any], path: tuple[str, str], form: str) -> str:
    try:
        value = float(facts[path[0]][path[1]])
    except (KeyError, TypeError, ValueError):
        return "-"
    if value != value:
        return "-"
    return form.format(value).replace("%", " %")
