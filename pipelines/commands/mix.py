"""``strikeoff mix``: recipes for a target, and what to add after the first test print."""

from __future__ import annotations

import argparse
from typing import Any

from learn.errors import Unusable
from learn.shop import UNDERBASE
from pipelines.commands._options import (
    BASE_INK,
    BASE_MESH,
    BASE_STROKES,
    GARMENT,
    add_aim,
    add_command,
    add_of_now,
    add_shop,
    by_option,
    lots_given,
    number,
    numbers,
    pairs,
    tolerance_given,
    whole,
)
from pipelines.commands.plan import usual_of
from pipelines.tasks.finding import mix_setup, mixed, topped_up
from pipelines.tasks.named import Named
from pipelines.tasks.of_today import searched
from pipelines.workspace.folders import Workspace
from pipelines.workspace.problems import UserError
from pipelines.workspace.progress import tell

OPTIONS = {
    "mesh_id": "--mesh",
    "strokes": "--strokes",
    **dict(zip(UNDERBASE, (BASE_INK, BASE_MESH, BASE_STROKES), strict=True)),
}
ABOUT = """\
Finds mixes of two to four inks that print as the target over the mesh, base and garments given, in
percent by weight. Only inks of one type go into one bucket, unless shop.toml says which types may
be mixed (mixable). An ink of which nothing is measured and nothing printed is left out unless
--ink names it. Each ink is taken from the lot it was last printed from, and the press as it
should print today, unless --lot and --date tell otherwise. With --have and --measured it tells
instead what to add to a mix that has been printed once, and with --have alone what turns an old mix
into the target, to use it up; nothing can be taken out of a bucket, so only additions are sought.

How much an ink does in a mix is not what its own film says. Cards of two inks (drawdowns.csv with
mixed_with and share_pct, best one part in four of white) and printed mixes (the column mix of
inks.csv or prints.csv) are counted as soon as they are imported or recorded.
"""


def add_parser(commands: argparse._SubParsersAction) -> None:
    """Add the parser of this command."""
    add = add_command(
        commands,
        "mix",
        "mixes of inks that print as a target",
        ABOUT,
        [
            "strikeoff mix --target 45,60,30 --garment tee-white --mesh 43-80",
            "strikeoff mix --target 45,60,30 --garment tee-white --mesh 43-80 --bucket 3 \\",
            "    --have red=70 --have white=30 --measured tee-white=47.1,55.0,28.2",
            "strikeoff mix --target 45,60,30 --garment tee-white --mesh 43-80 --bucket 2 \\",
            "    --have coral=100",
        ],
    )
    add_aim(add)
    screen = add.add_argument_group("the screens", "the shop's usual ones where left out")
    for names, what in (
        (("--mesh",), "mesh of the mix"),
        (("--strokes",), "strokes of the mix"),
        (("--flashes",), "flashes between them"),
        ((BASE_INK, "--underbase"), "ink of the base; none for none"),
        ((BASE_MESH,), "mesh of the base"),
        ((BASE_STROKES,), "strokes of the base"),
        (("--press",), "press"),
    ):
        screen.add_argument(*names, metavar="VALUE", help=what)
    mixing = add.add_argument_group("mixing")
    mixing.add_argument("--ink", metavar="ID", action="append", help="an ink that may be mixed")
    add_of_now(mixing)
    mixing.add_argument("--most-inks", metavar="N", default="4", help="2, 3 or 4 (default 4)")
    mixing.add_argument("--bucket", metavar="KG", default="1", help="what is mixed (default 1 kg)")
    mixing.add_argument("--smallest", metavar="G", default="1", help="least that can be weighed")
    mixing.add_argument("--density", metavar="INK=G/ML", action="append", help="1 where not given")
    mixing.add_argument("--price", metavar="INK=PRICE", action="append", help="a kg")
    after = add.add_argument_group("after the first test print, or to use up an old mix")
    after.add_argument(
        "--have", metavar="INK=PERCENT", action="append", help="the mix as weighed, or recorded"
    )
    after.add_argument(
        "--measured", metavar="GARMENT=L,a,b", action="append", help="the test print"
    )
    add_shop(add)
    add.set_defaults(run=run)


def run(args: argparse.Namespace, workspace: Workspace) -> int:
    """Run it as it was parsed."""
    screen = {
        "mesh_id": args.mesh,
        "strokes": None if args.strokes is None else whole("--strokes", args.strokes),
        "flash_count": None if args.flashes is None else whole("--flashes", args.flashes),
        "underbase_ink_id": args.base_ink,
        "underbase_mesh_id": args.base_mesh,
        "underbase_strokes": (
            None if args.base_strokes is None else whole(BASE_STROKES, args.base_strokes)
        ),
        "press_id": args.press,
    }
    return mix(
        target=args.target,
        garments=args.garments,
        tolerance=tolerance_given(args.tolerance),
        screen=screen,
        inks=args.ink,
        lots=lots_given(args),
        day=args.date or "",
        most_inks=whole("--most-inks", args.most_inks),
        weighing={
            "bucket_kg": number("--bucket", args.bucket),
            "smallest_g": number("--smallest", args.smallest),
            "density": numbers("--density", args.density, "INK=NUMBER, such as red=1.1"),
            "price": numbers("--price", args.price, "INK=NUMBER, such as red=14.50"),
        },
        have=numbers("--have", args.have, "INK=PERCENT, such as red=70"),
        measured=pairs("--measured", args.measured),
        workspace=workspace,
        shop=args.shop,
    )


def mix(
    *,
    target: str,
    garments: list[str],
    tolerance: float | None,
    screen: dict[str, Any],
    inks: list[str] | None,
    lots: dict[str, str],
    day: str = "",
    most_inks: int,
    weighing: dict[str, Any],
    have: dict[str, float],
    measured: dict[str, str],
    workspace: Workspace,
    shop: str | None = None,
) -> int:
    """Find recipes, or with ``have`` and ``measured`` the additions to one."""
    from learn.mixing.recipes import Weighing
    from learn.planning.plan import checked_garments
    from pipelines.ledger import store
    from pipelines.measured.target import read_target
    from pipelines.registry.opened import open_model
    from pipelines.tables.folder import to_shop
    from pipelines.tables.targets import Targets, none_named
    from pipelines.words.plan import (
        by_model,
        head_lines,
        mixing_caution,
        recipes_answer,
        recipes_block,
        setup_words,
        target_words,
        top_up_block,
    )

    if measured and not have:
        raise UserError("--measured is the test print of a mix: say with --have what is in it.")
    name = workspace.pick(shop)
    opened = open_model(workspace, name)
    settings = opened.catalogue.settings
    known = opened.model.viewing_
    aim = read_target(target, opened.targets, settings)
    tolerance = aim.tolerance_dE00 if tolerance is None else tolerance
    named = Named(opened.known)
    garments = named.several(GARMENT[0], garments, "substrate_id")
    measured = named.keyed("--measured", measured, "substrate_id")
    inks = named.several("--ink", inks, "ink_id") if inks else None
    have = named.keyed("--have", have, "ink_id")
    given = named.keyed("--lot", lots, "ink_id")
    of_now = searched(opened, day, given, inks and [*inks, *have])
    weighing |= {w: named.keyed(f"--{w}", weighing[w], "ink_id") for w in ("density", "price")}
    screen = screen | _screen(named, screen)
    base = (screen[UNDERBASE[0]], screen[UNDERBASE[1]])
    usual, by_preset = usual_of(workspace, name, garments, inks or (), *base)
    setup = mix_setup(screen, usual, OPTIONS)
    tolerance = settings.tolerance_dE00 if tolerance is None else tolerance
    names = {i: words.get("ink_name") for i, words in opened.catalogue.words["inks"].items()}
    base_on = tuple(garments) if setup[UNDERBASE[0]] is not None else ()
    printed = setup_words({**setup, "ink_id": "the mix", "base_on": base_on}, names, garments)
    called = opened.catalogue.called("substrates")
    held = to_shop(store.read(workspace.database(name)))
    try:
        weigh = Weighing(**weighing)
        if have:
            garments = checked_garments(opened.model, [*garments, *measured])
            readings = {
                g: read_target(text, Targets(known, none_named), settings, "--measured").lab
                for g, text in measured.items()
            }
            told, notes = topped_up(
                opened, held, aim, garments, tolerance, setup, of_now, weigh, have, readings, inks
            )
            answer = []
            block = top_up_block(told, names, weigh.bucket_kg, tolerance)
            mixes = [list(told.percent)]
        else:
            found, notes = mixed(
                opened, held, aim, garments, tolerance, setup, of_now, weigh, inks, most_inks
            )
            answer = recipes_answer(found)
            block = recipes_block(found, names, settings, weigh.bucket_kg, called)
            mixes = found.lines["inks"].tolist()
    except Unusable as error:
        raise by_option(error) from None
    tell(named.said + aim.notes + by_preset + notes + opened.notes)
    asked = target_words(aim.lab, tolerance, garments, called)
    print("\n".join([*answer, *head_lines([("Target", asked), ("Printed", printed)])]))
    print(f"\n{block}")
    print(mixing_caution(opened.model.encoder_.inks["ink_type"], mixes))
    print(by_model(opened.by))
    return 0


def _screen(named: Named, screen: dict[str, Any]) -> dict[str, str]:
    """What names inks and meshes of the screens, and the press, by identifier."""
    options = {"mesh_id": "--mesh", UNDERBASE[0]: BASE_INK, UNDERBASE[1]: BASE_MESH}
    options |= {"press_id": "--press"}
    given = {c: screen[c] for c in options if screen[c] not in (None, "none")}
    return named.cells(options, given)
