"""``strikeoff check``: how far the model in charge can be trusted, on the shop's own history."""

from __future__ import annotations

from pathlib import Path

from pipelines.ledger import store
from pipelines.registry import versions
from pipelines.registry.opened import open_model
from pipelines.tables.folder import to_shop
from pipelines.workspace.files import refuse_unwritable
from pipelines.workspace.folders import Workspace
from pipelines.workspace.problems import UserError
from pipelines.workspace.progress import Progress


def check(
    *,
    workspace: Workspace,
    shop: str | None = None,
    page: Path | None = None,
    quick: bool = False,
    progress: Progress | None = None,
) -> int:
    """Print the validation of the current model and, if wanted, draw it as a page."""
    if page is not None:
        if page.is_dir():
            raise UserError(f"{page}: is a folder; name a file to write.")
        if not page.parent.is_dir():
            raise UserError(f"{page}: there is no folder {page.parent}; make it first.")
        refuse_unwritable(page.parent)
    progress = progress or Progress()
    name = workspace.pick(shop)
    opened = open_model(workspace, name)
    data = to_shop(store.read(workspace.database(name)))
    if opened.notes:
        raise UserError(
            f"The tables of shop {name} have changed since version {opened.version} learnt from "
            f"them; {versions.AGAIN}, then check it."
        )
    progress(f"checking version {opened.version} of shop {name}")
    from learn.assessment.report import (
        checkup,  # takes seconds to import; the help must not wait for it
    )
    from pipelines.words.check import report

    opened.model.settings_ = opened.catalogue.settings  # the tolerance may be another by now
    try:
        found = checkup(opened.model, data, with_curve=not quick, progress=progress)
    except ValueError as error:
        raise UserError(f"Shop {name}: {error}; measure more prints and learn again.") from error
    progress("done")
    for line in report(found):
        print(line)
    if page is not None:
        from pipelines.pages.check import write_check_page

        write_check_page(page, found, opened.catalogue, opened.version)
        print(f"The page is {page}.")
    return 0
