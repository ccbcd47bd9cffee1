"""``strikeoff new-ink``: the fewest prints that describe an ink, and when to stop."""

from __future__ import annotations

from pathlib import Path

from learn.planning.new_ink import plan_ink
from pipelines.commands.plan import by_option, refuse_outputs, refuse_unknown
from pipelines.ledger import store
from pipelines.pages.press_sheet import prints_to_measure
from pipelines.registry.opened import open_model
from pipelines.tables import csvfile
from pipelines.words.plan import by_model, ink_block
from pipelines.workspace.files import write_text
from pipelines.workspace.folders import Workspace
from pipelines.workspace.problems import UserError
from pipelines.workspace.progress import tell


def new_ink(
    ink: str,
    *,
    garments: list[str] | None,
    meshes: list[str] | None,
    most: int,
    out: Path | None,
    workspace: Workspace,
    shop: str | None = None,
) -> int:
    """Plan the prints of one ink, tell them, and write the list to measure if wanted."""
    refuse_outputs(out)
    if most < 1:
        raise UserError(f"--most {most}: give 1 or more.")
    name = workspace.pick(shop)
    opened = open_model(workspace, name)
    tables = store.load_shop(workspace.database(name))
    if ink in set(tables.inks["ink_id"]) - set(opened.known["inks"]):
        raise UserError(
            f'--ink "{ink}" came in after model {opened.version}; strikeoff learn first.'
        )
    refuse_unknown(opened, garments or [], {"inks": [ink], "meshes": meshes})
    try:
        found = plan_ink(
            opened.model, ink, tables.prints, garments=garments, meshes=meshes, most=most
        )
    except ValueError as error:
        raise UserError(by_option(error)) from None
    tell(opened.notes)
    words = opened.catalogue.words
    inks = {i: of.get("ink_name") for i, of in words["inks"].items()}
    cloths = {i: of.get("colour_name") for i, of in words["substrates"].items()}
    print(ink_block(found, inks, cloths))
    print(by_model(opened.version))
    if out is not None and not found.enough:
        print(f"{out} is not written: there is nothing to print.")
    elif out is not None:
        rows = found.prints.iloc[: found.enough]
        rows = rows.assign(job_id=[f"{out.stem}-{mesh}" for mesh in rows["mesh_id"]])
        write_text(out, csvfile.to_csv(prints_to_measure(rows, out.stem)))
        print(f"The prints are listed in {out}; once they are measured:")
        print(f"  strikeoff record MEASURED.csv --prints {out}")
    return 0
