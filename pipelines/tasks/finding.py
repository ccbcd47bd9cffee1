"""What lands on a target: set-ups (``plan``) and mixes (``mix``), searched on an opened model."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

from learn.shop import SETUP_COLUMNS, UNDERBASE
from pipelines.tasks.tolerances import wide_tolerances
from pipelines.words.common import counted, listed, named, type_words
from pipelines.workspace.problems import UserError

if TYPE_CHECKING:
    import pandas as pd

    from learn.mixing.recipes import Recipes, Weighing
    from learn.mixing.top_up import TopUp
    from learn.planning.plan import Plan
    from learn.shop import Shop
    from pipelines.registry.opened import Opened
    from pipelines.tables.targets import Target
    from pipelines.tasks.of_today import Searched

DESCRIBE = (
    "draw it down over a white and a black card (drawdowns.csv), or print it first, as strikeoff "
    "start FOLDER --first-prints lists; then strikeoff learn"
)


class Planned(NamedTuple):
    """A plan, what each ink does at the shop's usual set-up (`learn.planning.shades`), and what was
    taken as given."""

    plan: Plan
    by_ink: pd.DataFrame
    notes: list[str]


def planned(
    opened: Opened,
    aim: Target,
    garments: list[str],
    tolerance: float | None,
    limits: Mapping[str, Any],
    usual: Mapping[str, Any],
    of_now: Searched,
    lines: int,
) -> Planned:
    """Set-ups for a target, ``of_now`` unless ``limits``, those of
    `learn.planning.candidates.Limits`, fix it; inks of which nothing is known are left out, bases
    too unless they are named. Raises Unusable, naming the argument, for what cannot be searched,
    UserError where no ink is left."""
    from learn.planning.candidates import Limits
    from learn.planning.plan import plan
    from learn.planning.shades import shades

    inks, blank = known_inks(opened, limits.get("inks"))
    if blank and not inks:
        raise UserError(_capital(nothing_words(opened, blank)))
    if blank:
        limits = {**limits, "inks": tuple(inks)}
    bases, blank_bases = known_inks(opened, shelf_of(opened, base=True))
    if limits.get("underbases") is not None or not (bases or limits.get("bare", True)):
        blank_bases = []
    if blank_bases:
        limits = {**limits, "underbases": tuple(bases)}
    fixed = {"printed_on": of_now.day, **limits.get("fixed", {})}
    found = plan(
        opened.model,
        aim.lab,
        garments,
        tolerance=tolerance,
        limits=Limits(**{**limits, "lots": of_now.lots, "fixed": fixed}),
        usual=usual,
        most=lines,
    )
    of_each = ("ink_id", "ink_lot", "substrate_id", "job_id")
    columns = [c for c in SETUP_COLUMNS if c in found.usual.index and c not in of_each]
    first = found.usual[columns].to_dict()
    by_ink = shades(
        opened.model,
        aim.lab,
        first,
        found.garments,
        tolerance=found.tolerance,
        inks=inks if blank else None,
        lots=of_now.lots,
    )
    notes = wide_tolerances([tolerance], opened.catalogue.settings) + of_now.notes
    if limits.get("inks") is None:
        notes = notes + _nearer_base(opened, aim, inks)
    if limits.get("inks") is None or limits.get("underbases") is None:
        under = limits.get("underbases")
        apart, rest = _never_over(opened, inks, bases if under is None else list(under))
        if rest or limits.get("bare", True):
            notes = notes + _strangers(apart)
    return Planned(found, by_ink, notes + _left_out(opened, [*blank, *blank_bases]))


def _never_over(
    opened: Opened, inks: Sequence[str], bases: Sequence[str]
) -> tuple[list[tuple[str, str]], list[str]]:
    """Of ``inks`` and ``bases`` the pairs of types that were never printed over each other; and the
    inks that may lie on any of these bases."""
    from learn.planning.candidates import never_over

    if not inks or not bases:
        return [], list(inks)
    strange, types = never_over(opened.model, inks, bases), opened.model.encoder_.inks["ink_type"]
    pairs = [
        (str(types[ink]), str(types[base]))
        for ink, row in zip(inks, strange, strict=True)
        for base, odd in zip(bases, row, strict=True)
        if odd
    ]
    usual = [ink for ink, row in zip(inks, strange, strict=True) if not row.all()]
    return list(dict.fromkeys(pairs)), usual


def _strangers(pairs: Sequence[tuple[str, str]]) -> list[str]:
    """That these types of ink were not looked at over these types of base, and how they are."""
    if not pairs:
        return []
    each = ((type_words(top), type_words(base)) for top, base in pairs)
    told = " or ".join(f"{top} ink over a {base} base" for top, base in each)
    return [f"not looked at: {told}, as none was ever printed so; name ink and base to see it."]


def _nearer_base(opened: Opened, aim: Target, inks: list[str]) -> list[str]:
    """Told where a base is nearer to the target than every ink that was looked at: a base goes on
    top only where it is named."""
    import numpy as np

    from learn.colour.colorimetry import delta_e00

    bases = [one for one in shelf_of(opened, base=True) if one not in opened.model.nothing_of()]
    if not bases or not inks:
        return []
    off = delta_e00(opened.model.buckets([*bases, *inks])[0], np.asarray(aim.lab, float))
    nearest = int(np.argmin(off))
    if nearest >= len(bases):
        return []
    called = named(bases[nearest], opened.catalogue.called("inks").get(bases[nearest]))
    return [f"{called} is a base, and was not looked at as the ink on top: name it to see it so."]


def known_inks(opened: Opened, inks: Sequence[str] | None) -> tuple[list[str], list[str]]:
    """Of ``inks``, or of all colours, those of which anything is known; and those of which nothing
    is measured and nothing printed, here or by another plant."""
    some = shelf_of(opened, base=False) if inks is None else list(inks)
    nothing = opened.model.nothing_of()
    return [ink for ink in some if ink not in nothing], [ink for ink in some if ink in nothing]


def shelf_of(opened: Opened, *, base: bool) -> list[str]:
    """The shop's bases, or its other inks."""
    roles = opened.model.encoder_.inks["role"]
    return list(roles.index[(roles == "underbase") == base])


def nothing_words(opened: Opened, blank: Sequence[str]) -> str:
    """That nothing is known of these inks, and what to do."""
    names = opened.catalogue.called("inks")
    called = ", ".join(named(ink, names.get(ink)) for ink in blank)
    return (
        f"nothing is measured and nothing printed of ink {called} by itself, so there is no "
        f"telling how it prints: {DESCRIBE}."
    )


def _left_out(opened: Opened, blank: Sequence[str]) -> list[str]:
    return [f"left out: {nothing_words(opened, blank)}"] if blank else []


def _capital(sentence: str) -> str:
    return sentence[:1].upper() + sentence[1:]


def reached_for(opened: Opened, aim: Target, inks: Sequence[str] | None) -> list[str]:
    """The ink of the usual set-up that a plan is told beside: of ``inks``, or of all colours, the
    one whose bucket is nearest; none where there is no ink."""
    from learn.planning.plan import bucket_ink

    some, _ = known_inks(opened, inks)
    return [bucket_ink(opened.model, aim.lab, some)] if some else []


def mixed(
    opened: Opened,
    shop: Shop,
    aim: Target,
    garments: list[str],
    tolerance: float,
    setup: Mapping[str, Any],
    of_now: Searched,
    weighing: Weighing,
    inks: list[str] | None = None,
    most_inks: int = 4,
) -> tuple[Recipes, list[str]]:
    """Recipes for a target over ``setup`` (see :func:`mix_setup`), of ``inks`` or of any that may
    join and of which anything is known; and what was taken as given. Raises Unusable, naming the
    argument, for what cannot be searched, UserError where too few inks are left."""
    from learn.mixing.evidence import strengths_of
    from learn.mixing.families import unmixed
    from learn.mixing.recipes import recipes

    blank, strange, others = list[str](), list[tuple[str, str]](), list[str]()
    if inks is None:
        pure = unmixed(opened.model.encoder_.inks).index
        known, blank = known_inks(opened, pure.intersection(shelf_of(opened, base=False)).tolist())
        if blank and len(known) < 2:
            raise UserError(f"A mix needs two inks: {nothing_words(opened, blank)}")
        base = setup.get("underbase_ink_id")
        pairs, usual = _never_over(opened, known, [base] if base else [])
        if len(usual) > 1:
            strange, others = pairs, [ink for ink in known if ink not in usual]
    found = recipes(
        opened.model,
        aim.lab,
        {**setup, "printed_on": of_now.day},
        garments,
        tolerance=tolerance,
        weighing=weighing,
        inks=inks,
        without=[*blank, *others],
        most_inks=most_inks,
        strengths=strengths_of(opened.model, shop),
        lots=of_now.lots,
    )
    notes = wide_tolerances([tolerance], opened.catalogue.settings) + of_now.notes
    return found, [*notes, *_left_out(opened, blank), *_strangers(strange)]


def topped_up(
    opened: Opened,
    shop: Shop,
    aim: Target,
    garments: list[str],
    tolerance: float,
    setup: Mapping[str, Any],
    of_now: Searched,
    weighing: Weighing,
    have: Mapping[str, float],
    measured: Mapping[str, Any],
    inks: list[str] | None = None,
) -> tuple[TopUp, list[str]]:
    """What to add to a mix of ``have`` (ink -> percent, a recorded mix among them) that printed as
    ``measured`` (garment -> Lab), of ``inks`` or of any that may join and of which anything is
    known; and what was taken as given. Raises Unusable, naming the argument, for what cannot be
    searched."""
    from learn.mixing.evidence import not_measured, printed_so, strengths_of
    from learn.mixing.families import may_join, unmixed
    from learn.mixing.mixture import Mixing
    from learn.mixing.top_up import top_up
    from learn.planning.plan import checked_garments
    from pipelines.tables.mixes import made_of, reckoned

    known = dict(reckoned(tuple(have.items()), made_of(shop.inks)))
    printed = checked_garments(opened.model, [*garments, *measured])
    view, using_up, notes = opened.model.viewing_, not measured, list(of_now.notes)
    if using_up:
        rows = printed_so(shop, view, known, setup, printed)
        measured = {garment: row[["L", "a", "b"]].to_numpy(float) for garment, row in rows.items()}
        if rows:
            ids = listed([str(row["print_id"]) for row in rows.values()])
            notes.append(f"this mix has been printed so ({ids}), which counts as its test print.")
    others = not_measured(shop, view, known, measured)
    shelf = unmixed(opened.model.encoder_.inks)
    shelf = shelf[(shelf["role"] != "underbase") | shelf.index.isin(known)]
    more, blank = list(inks or ()), list[str]()
    if not inks:
        joining = may_join(shelf["ink_type"], known, opened.catalogue.settings.mixable)
        more, blank = known_inks(opened, joining)
    found = top_up(
        Mixing.of(
            opened.model,
            {**setup, "printed_on": of_now.day},
            printed,
            list(dict.fromkeys([*known, *more])),
            strengths_of(opened.model, others),
            of_now.lots,
        ),
        known,
        weighing.bucket_kg,
        dict(measured),
        aim.lab,
        tolerance=tolerance,
        weighing=weighing,
        using_up=using_up,
    )
    return found, notes + _left_out(opened, blank)


def mix_setup(
    screen: Mapping[str, Any], usual: Mapping[str, Any], called: Mapping[str, str]
) -> dict[str, Any]:
    """The set-up columns of a mix: what ``screen`` gives (None: nothing), else what the shop
    usually does; ``called``: what columns are called where they are given."""
    import numpy as np
    import pandas as pd

    setup = {**usual, "ink_lot": None, "readings": 3.0}
    setup |= {k: v for k, v in screen.items() if v is not None and k not in UNDERBASE}
    if screen["mesh_id"] is not None:  # another screen is another print, not the usual strokes
        setup |= {
            k: otherwise if screen[k] is None else screen[k]
            for k, otherwise in (("strokes", 1), ("flash_count", 0))
        }
    if screen[UNDERBASE[0]] == "none":
        setup |= dict.fromkeys(UNDERBASE)
    elif screen[UNDERBASE[0]] is not None:
        setup |= {k: screen[k] if screen[k] is not None else usual.get(k) for k in UNDERBASE}
        setup[UNDERBASE[1]] = setup[UNDERBASE[1]] or setup["mesh_id"]
    elif screen[UNDERBASE[1]] or screen[UNDERBASE[2]]:
        raise UserError(
            f"{called[UNDERBASE[1]]} and {called[UNDERBASE[2]]} need {called[UNDERBASE[0]]}: "
            "name the ink of the base."
        )
    strokes = 1 if setup["strokes"] is None else setup["strokes"]
    flashes, base = setup["flash_count"] or 0, setup[UNDERBASE[2]]
    if setup["mesh_id"] is None:
        raise UserError(f"There is no usual mesh yet: say which with {called['mesh_id']}.")
    for column, n in (("strokes", strokes), (UNDERBASE[2], base)):
        if n is not None and n < 1:
            raise UserError(f"{called[column]} {n:g}: give 1 or more.")
    if not 0 <= flashes < strokes:
        raise UserError(
            f"{counted(flashes, 'flash', 'flashes')} between {counted(strokes, 'stroke')}: give at "
            "most one less than strokes."
        )
    numbers = {"strokes": float(strokes), "flash_count": float(flashes)}
    numbers[UNDERBASE[2]] = np.nan if base is None or pd.isna(base) else float(base)
    return setup | numbers
