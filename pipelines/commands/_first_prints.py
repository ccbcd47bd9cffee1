"""``strikeoff start --first-prints``: what a shop prints first, as a table and a press sheet."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from learn.errors import Unusable
from pipelines.commands._options import BASE_INK, BASE_MESH, GARMENT
from pipelines.tasks.named import Named
from pipelines.words.common import counted
from pipelines.words.common import named as name_and_code
from pipelines.workspace.files import refuse_outputs, together
from pipelines.workspace.folders import Workspace
from pipelines.workspace.placing import finish
from pipelines.workspace.problems import UserError
from pipelines.workspace.progress import tell

if TYPE_CHECKING:
    import pandas as pd

    from learn.shop import Shop

STEM = "first-prints"


@together()
def first_prints(
    folder: Path,
    asked: dict[str, list[str]],
    *,
    force: bool,
    workspace: Workspace,
    shop: str | None,
) -> int:
    """Write the list of first prints and its press sheet; ``asked``: option -> what it names."""
    import pandas as pd

    from learn.planning.first_prints import cheapest_start, in_press_order, screens_of
    from pipelines.ledger import store
    from pipelines.pages.first_prints import write_first_prints
    from pipelines.pages.press_sheet import prints_to_measure
    from pipelines.tables.folder import known_in, to_shop
    from pipelines.tables.writing import write_table

    finish(folder)
    listed, page = folder / f"{STEM}.csv", folder / f"{STEM}.html"
    there = [file for file in (listed, page) if file.exists()]
    if there and not force:
        raise UserError(f"{there[0]}: is there already; name another folder, or add --force.")
    name = workspace.pick(shop)
    given = store.read(workspace.database(name))
    tables = to_shop(given)
    named = Named(known_in(given.tables))
    columns = {"--ink": "ink_id", GARMENT[0]: "substrate_id", "--mesh": "mesh_id"}
    columns |= {BASE_INK: "underbase_ink_id", BASE_MESH: "underbase_mesh_id"}
    ids = {o: named.several(o, asked[o], c) if asked.get(o) else [] for o, c in columns.items()}
    inks = ids["--ink"] or tables.inks.loc[tables.inks["role"] == "colour", "ink_id"].tolist()
    garments = ids[GARMENT[0]] or light_and_dark(tables)
    used = tables.prints["mesh_id"].mode().tolist()
    meshes = ids["--mesh"] or (used or tables.meshes["mesh_id"].tolist())[:1]
    based = tables.prints["underbase_mesh_id"].mode().tolist()
    base = _base(tables, ids[BASE_INK], ids[BASE_MESH] or based or meshes)
    notes: list[str] = []
    fewest = _by_model(workspace, name, tables, inks, ids[GARMENT[0]], ids["--mesh"], notes)
    rest = [ink for ink in inks if ink not in fewest]
    rows = [found for found, _ in fewest.values()]
    if rest:
        rows.append(cheapest_start(rest, garments, meshes[0], base))
        if base is None:
            notes.append("no ink is an underbase: the prints are without one.")
    ordered = in_press_order(pd.concat(rows, ignore_index=True))
    if not len(ordered):
        print("There is nothing to print: the model knows these inks well enough.")
        return 0
    ordered["job_id"] = STEM + "-" + ordered["ink_id"] + "-" + ordered["mesh_id"]
    prints = prints_to_measure(ordered, STEM)
    known = {ink: said for ink, (_, said) in fewest.items()}
    folder.mkdir(parents=True, exist_ok=True)
    refuse_outputs(listed, page)
    write_table(listed, prints, "Prints")
    garments_called = tables.substrates.set_index("substrate_id")["colour_name"].dropna()
    inks_called = tables.inks.set_index("ink_id")["ink_name"].dropna()
    called = {**inks_called.to_dict(), **garments_called.to_dict()}
    words = {one: name_and_code(one, name) for one, name in called.items()}
    fibres = dict(zip(tables.substrates["substrate_id"], tables.substrates["fibre"], strict=True))
    write_first_prints(
        page, prints, shop_name=tables.settings.name, words=words, fibres=fibres, known=known
    )
    tell(named.said + notes)
    print(f"{counted(len(prints), 'print')} of {counted(len(inks), 'ink')}, "
          f"{counted(screens_of(ordered), 'screen')}, none put up twice.")  # fmt: skip
    for ink, said in known.items():
        print(f"  {words.get(ink, ink)}: {said}")
    if rest:
        print("How well they will be known cannot be told before a model has learnt from prints.")
    print(f"The press sheet is {page}; the list is {listed}. Once they are measured:")
    print(f"  strikeoff record MEASURED.csv --prints {listed}")
    return 0


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


def _base(tables: Shop, inks: list[str], meshes: list[str]) -> tuple[str, str] | None:
    inks = inks or tables.inks.loc[tables.inks["role"] == "underbase", "ink_id"].tolist()
    return (inks[0], meshes[0]) if inks and meshes else None


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
    from pipelines.registry.opened import open_model

    if versions.in_charge(workspace.models(name)) is None:
        return {}
    opened = open_model(workspace, name)
    notes += opened.notes
    found = {}
    for ink in inks:
        if ink not in opened.known["inks"]:
            continue
        try:
            plan = plan_ink(
                opened.model, ink, tables.prints, garments=garments or None, meshes=meshes or None
            )
        except Unusable:
            continue
        after = plan.prints["within_dE00"].iloc[plan.enough - 1] if plan.enough else None
        sure = plan.before.within_dE00 if after is None else float(after)
        verb = "are known" if after is None else "will be known"
        said = f"nine of ten usual prints {verb} to within {sure:.1f} dE00"
        found[ink] = plan.prints.iloc[: plan.enough], f"{said}."
    return found
