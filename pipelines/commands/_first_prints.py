"""``strikeoff start --first-prints``: what a shop prints first, as a table and a press sheet."""

from __future__ import annotations

from pathlib import Path

from pipelines.commands._options import BASE_INK, BASE_MESH, GARMENT
from pipelines.tasks.first_prints import STEM, first_prints_of
from pipelines.tasks.named import Named
from pipelines.words.common import counted
from pipelines.workspace.files import refuse_outputs, together, write_text
from pipelines.workspace.folders import Workspace
from pipelines.workspace.placing import finish
from pipelines.workspace.problems import UserError
from pipelines.workspace.progress import tell
from pipelines.workspace.terminal import as_typed


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
    from pipelines.ledger import store
    from pipelines.pages.first_prints import first_prints_page
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
    options = {"--ink": "ink_id", GARMENT[0]: "substrate_id", "--mesh": "mesh_id"}
    options |= {BASE_INK: "underbase_ink_id", BASE_MESH: "underbase_mesh_id"}
    ids = {c: named.several(o, asked[o], c) for o, c in options.items() if asked.get(o)}
    found = first_prints_of(workspace, name, tables, ids)
    if not len(found.prints):
        print("There is nothing to print: the model knows these inks well enough.")
        return 0
    folder.mkdir(parents=True, exist_ok=True)
    refuse_outputs(listed, page)
    write_table(listed, found.prints, "Prints")
    text = first_prints_page(
        found.prints,
        shop_name=tables.settings.name,
        words=found.words,
        fibres=found.fibres,
        known=found.known,
    )
    write_text(page, text)
    tell(named.said + found.notes)
    print(f"{counted(len(found.prints), 'print')} of {counted(found.inks, 'ink')}, "
          f"{counted(found.screens, 'screen')}, none put up twice.")  # fmt: skip
    for ink, said in found.known.items():
        print(f"  {found.words.get(ink, ink)}: {said}")
    if found.blind:
        print("How well they will be known cannot be told before a model has learnt from prints.")
    print(f"The press sheet is {page}; the list is {listed}. Once they are measured:")
    print(f"  strikeoff record MEASURED.csv --prints {as_typed(listed)}")
    return 0
