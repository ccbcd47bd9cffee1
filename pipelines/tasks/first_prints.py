"""What a shop prints first: the list, and what will be known after it."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from learn.errors import Unusable
from pipelines.words.common import named as name_and_code
from pipelines.words.common import type_words
from pipelines.workspace.folders import Workspace
from pipelines.workspace.problems import UserError

if TYPE_CHECKING:
    import pandas as pd

    from learn.shop import Shop

STEM = "first-prints"
COLUMNS = ("ink_id", "substrate_id", "mesh_id", "underbase_ink_id", "underbase_mesh_id")


class FirstPrints(NamedTuple):
    """A list of first prints; without any where the model knows all inks well enough."""

    prints: pd.DataFrame  # text cells, as `record --prints` takes them
    inks: int
    screens: int  # to put up, none of them twice
    known: dict[str, str]  # ink -> what will be known of it, by the model
    blind: bool  # of some ink that cannot be told: no model knows it
    words: dict[str, str]  # identifier -> what it is called
    fibres: dict[str, str | None]  # of every substrate
    notes: list[str]


def first_prints_of(
    workspace: Workspace, name: str, tables: Shop, ids: dict[str, list[str]]
) -> FirstPrints:
    """The first prints of a shop; ``ids``: column of `COLUMNS` -> what is asked for, if anything.

    Raises UserError for a shop without garments.
    """
    import pandas as pd

    from learn.planning.first_prints import cheapest_start, in_press_order, screens_of
    from pipelines.pages.press_sheet import prints_to_measure

    asked = {column: ids.get(column, []) for column in COLUMNS}
    inks = asked["ink_id"] or tables.inks.loc[tables.inks["role"] == "colour", "ink_id"].tolist()
    garments = asked["substrate_id"] or light_and_dark(tables)
    used = tables.prints["mesh_id"].mode().tolist()
    meshes = asked["mesh_id"] or (used or tables.meshes["mesh_id"].tolist())[:1]
    based = tables.prints["underbase_mesh_id"].mode().tolist()
    through = (asked["underbase_mesh_id"] or based or meshes)[:1]
    notes: list[str] = []
    fewest = _by_model(
        workspace, name, tables, inks, asked["substrate_id"], asked["mesh_id"], notes
    )
    rest = [ink for ink in inks if ink not in fewest]
    rows = [found for found, _ in fewest.values()]
    if rest:
        bases = _bases(tables, rest, asked["underbase_ink_id"], notes)
        over = {ink: (base, mesh) for ink, base in bases.items() for mesh in through}
        rows.append(cheapest_start(rest, garments, meshes[0], over))
    ordered = in_press_order(pd.concat(rows, ignore_index=True))
    if len(ordered):
        ordered["job_id"] = STEM + "-" + ordered["ink_id"] + "-" + ordered["mesh_id"]
    garments_called = tables.substrates.set_index("substrate_id")["colour_name"].dropna()
    inks_called = tables.inks.set_index("ink_id")["ink_name"].dropna()
    called = {**inks_called.to_dict(), **garments_called.to_dict()}
    return FirstPrints(
        prints_to_measure(ordered, STEM) if len(ordered) else ordered,
        len(inks),
        screens_of(ordered),
        {ink: said for ink, (_, said) in fewest.items()},
        bool(rest),
        {one: name_and_code(one, name) for one, name in called.items()},
        dict(zip(tables.substrates["substrate_id"], tables.substrates["fibre"], strict=True)),
        notes,
    )


def light_and_dark(tables: Shop) -> list[str]:
    """The lightest and the darkest garment; one where there is one.

    Raises UserError for a shop without garments.
    """
    from learn.colour.colorimetry import viewing
    from learn.physics.drawdowns import lab_columns

    cloths = tables.substrates[tables.substrates["kind"] == "garment"]
    if cloths.empty:
        raise UserError("There is no garment in the shop's tables; add the usual ones, import.")
    lightness = lab_columns(cloths, viewing(tables.settings.illuminant, tables.settings.observer))
    ends = [int(lightness[:, 0].argmax()), int(lightness[:, 0].argmin())]
    return cloths["substrate_id"].iloc[list(dict.fromkeys(ends))].tolist()


def _bases(tables: Shop, inks: list[str], asked: list[str], notes: list[str]) -> dict[str, str]:
    """Ink -> the base it is printed over: the one ``asked`` for, else the first that is of its
    type, or of one that prints have shown it takes to; ``notes`` tell of inks without one."""
    types = tables.inks.set_index("ink_id")["ink_type"].fillna("")
    shelf = asked or tables.inks.loc[tables.inks["role"] == "underbase", "ink_id"].tolist()
    if not shelf:
        notes.append("no ink is an underbase: the prints are without one.")
        return {}
    based = tables.prints.dropna(subset=["underbase_ink_id"])
    pairs = [types.reindex(based[column]) for column in ("ink_id", "underbase_ink_id")]
    seen = set(zip(*pairs, strict=True))

    def known(ink: str, base: str) -> bool:
        both = types[ink], types[base]
        return both[0] == both[1] or both in seen or not all(both)

    found = {ink: [one for one in shelf if asked or known(ink, one)][:1] for ink in inks}
    strange: dict[tuple[str, str], list[str]] = {}
    for ink in inks:
        base = (found[ink] or shelf)[0]
        if not known(ink, base):
            strange.setdefault((types[ink], types[base]), []).append(ink)
    for (top, under), some in strange.items():
        what = f"{type_words(top)} inks were never printed over a {type_words(under)} base"
        do = "mind it" if asked else "their prints are without one; --base-ink names one"
        notes.append(f"{', '.join(some)}: {what}: {do}.")
    return {ink: base for ink, bases in found.items() for base in bases}


def _by_model(
    workspace: Workspace,
    name: str,
    tables: Shop,
    inks: list[str],
    garments: list[str],
    meshes: list[str],
    notes: list[str],
) -> dict[str, tuple[pd.DataFrame, str]]:
    """Ink -> the fewest prints by the model in charge, and what will be known of it after them."""
    from learn.planning.new_ink import plan_ink
    from pipelines.registry import versions
    from pipelines.registry.archive import archive_of
    from pipelines.registry.opened import open_model
    from pipelines.tables.dates import last_day

    if versions.in_charge(archive_of(workspace, name)) is None:
        return {}
    opened = open_model(workspace, name)
    notes += opened.notes
    found = {}
    for ink in inks:
        if ink not in opened.known["inks"]:
            continue
        try:
            plan = plan_ink(
                opened.model, ink, tables.prints, garments=garments or None,
                meshes=meshes or None, until=last_day(),
            )  # fmt: skip
        except Unusable:
            continue
        after = plan.prints["within_dE00"].iloc[plan.enough - 1] if plan.enough else None
        sure = plan.before.within_dE00 if after is None else float(after)
        verb = "are known" if after is None else "will be known"
        said = f"nine of ten usual prints {verb} to within {sure:.1f} dE00"
        found[ink] = plan.prints.iloc[: plan.enough], f"{said}."
    return found
