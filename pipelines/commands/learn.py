"""``strikeoff learn``: what came in as forecast, then learnt; the new version stored and judged."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipelines.commands._options import add_command, add_shop, add_workers, n_workers
from pipelines.tables.schema import SHOP_TABLES
from pipelines.tasks.learnt import nothing_new, report, scored, told, told_in_detail
from pipelines.tasks.lots import lots_of_batch
from pipelines.words.common import counted
from pipelines.workspace.alone import alone
from pipelines.workspace.files import refuse_unwritable
from pipelines.workspace.folders import Workspace
from pipelines.workspace.progress import Progress

if TYPE_CHECKING:
    from learn.assessment.forecasts import Paired
    from learn.predict.model import ShiftModel
    from learn.shop import Shop
    from pipelines.registry.archive import Archive
    from pipelines.registry.promotion import Charge, Step
    from pipelines.registry.report_card import Record

LOCK = ".learning"
ABOUT = """\
Fits the physics of film and ink to the print history, learns what is left over, checks itself on
jobs held back, and stores a new version under models/SHOP/. Earlier versions stay.

After a batch, what the model in charge forecast of it is scored and kept (strikeoff models shows
it). Then the batch is appended, in seconds; or all is learnt anew, if anything learnt from has
changed, if more than 10 % of the prints came since that was done last, or if recent prints
contradict how sure the model is. The new version is put in charge unless it forecasts worse, by
how near it comes and whether its bands are right.
"""


def add_parser(commands: argparse._SubParsersAction) -> None:
    """Add the parser of this command."""
    add = add_command(
        commands,
        "learn",
        "learn from the print history",
        ABOUT,
        ["strikeoff learn", "strikeoff learn --refit"],
    )
    add.add_argument("--refit", action="store_true", help="learn all anew, whatever has come in")
    add.add_argument("--details", action="store_true", help="the scores and the search as well")
    add_workers(add)
    add_shop(add)
    add.set_defaults(run=run)


def run(args: argparse.Namespace, workspace: Workspace) -> int:
    """Run it as it was parsed."""
    return learn(
        workspace=workspace,
        shop=args.shop,
        refit=args.refit,
        details=args.details,
        n_jobs=n_workers(args.workers),
    )


def learn(
    *,
    workspace: Workspace,
    shop: str | None = None,
    refit: bool = False,
    details: bool = False,
    n_jobs: int | None = None,
    progress: Progress | None = None,
) -> int:
    """Score what came in as a forecast, learn it, and say which model is in charge and why.

    A second one on this computer waits for the first, and then learns what that has left. One on
    another computer does not: of the two versions the one stored first may be in charge.
    """
    from pipelines.registry import versions
    from pipelines.registry.archive import archive_of

    say = progress or Progress()
    name = workspace.pick(shop)
    folder = workspace.models(name)
    refuse_unwritable(folder)  # before the long work, not after it
    waits = partial(say, "another strikeoff learn is at work here; waiting")
    with _nothing_left(folder), alone(folder / LOCK, waits):
        kept = archive_of(workspace, name)
        if waiting := versions.take_over_if_waiting(kept):
            print(f"Model {waiting} takes over now, as was judged when it was learnt.")
        return _learn(workspace, name, kept, refit, details, n_jobs, say)


@contextmanager
def _nothing_left(folder: Path) -> Iterator[None]:
    """Where the first model of a shop does not come about, no folder for models stays either."""
    try:
        yield
    except BaseException:
        if folder.is_dir() and [one.name for one in folder.iterdir()] == [LOCK]:
            (folder / LOCK).unlink(missing_ok=True)
            for empty in (folder, folder.parent):
                with suppress(OSError):
                    empty.rmdir()
        raise


def _learn(
    workspace: Workspace,
    name: str,
    kept: Archive,
    refit: bool,
    details: bool,
    n_jobs: int | None,
    progress: Progress,
) -> int:
    from learn.workers import usual_workers
    from pipelines.ledger import store
    from pipelines.registry import promotion, report_card, versions
    from pipelines.registry.catalogue import Catalogue
    from pipelines.registry.promotion import Step
    from pipelines.registry.sealed import Overtaken
    from pipelines.tables.folder import to_shop

    database = versions.database_stamp(workspace.database(name))
    state = store.read_state(workspace.database(name))
    given = state.given
    data, digest = to_shop(given), versions.fingerprint(given)
    card = report_card.read(kept)
    scored_before = len(card)
    mark, in_charge = kept.mark(), _in_charge(kept)
    charge = promotion.opened(kept, in_charge, data)
    step, marks = Step("refit", "it is the first"), {}
    if charge is not None:
        marks = _marks(charge.model, data)
        charge, mark, card, back = _forecasts(
            kept, mark, charge, data, marks, card, state.doubted(), digest
        )
        step = promotion.next_step(charge, data, marks, given.trusted, card)
        if step.how == "append" and back:
            step = Step("refit", "what was appended last made forecasts worse")
    elif in_charge is not None:
        step = Step("refit", f"model {in_charge} cannot be read by this version")
    if refit:
        step = Step("refit", "--refit asks for it")
    elif charge is not None and (
        step.how == "nothing" or versions.refused(kept, charge.version, digest)
    ):
        print(nothing_new(kept, charge, digest))
        for line in report(charge.model.validation_):
            print(line)
        if details:
            print(*told_in_detail(card[scored_before:], charge.model), sep="\n")
        return 0

    new = promotion.new_prints(charge.model, marks) if charge else []
    if charge is not None and step.how == "append":
        model, paired = promotion.appended(charge, data, new, given.trusted, progress)
    else:
        progress(f"learning from {counted(len(data.prints), 'print')} of shop {name}")
        model, paired = promotion.learnt_anew(
            charge, data, marks, given.trusted, progress, n_jobs or usual_workers()
        )
    takes, why = _verdict(charge, data, paired, step, in_charge)
    arrays, meta = model.to_state()
    facts: dict[str, Any] = {
        "data_sha256": digest,
        "database_sha256": database,
        "rows": {table: len(getattr(data, table)) for table in SHOP_TABLES},
        "set_aside_on_import": len(given.set_aside),
        "set_aside": model.set_aside_.to_dict("records"),
        "catalogue": Catalogue.of(data).facts(),
        "validation": model.validation_,
        "learnt": {
            "how": step.how,
            "why": step.why,
            "fitted": charge.fitted if charge and step.how == "append" else None,
            "after": charge.version if charge else None,
            "put_in_charge": takes,
            "because": why,
            "compared": paired._asdict() if paired else None,
        },
    }
    now = charge.version if charge else in_charge
    try:
        version = versions.save(kept, arrays, meta, facts, charge=takes, mark=mark)
    except Overtaken:
        now = _in_charge(kept)
        takes, why = False, f"model {now} was put in charge meanwhile"
        facts["learnt"] |= {"put_in_charge": takes, "because": why}
        version = versions.save(kept, arrays, meta, facts, charge=takes)
    progress("done")
    lines = told(step, charge, model, new, len(data.prints))
    for line in [*lines, *lots_of_batch(model, data, new if charge else None)]:
        print(line)
    print(f"Stored as version {version} in {kept.where(version)}.")
    if takes:
        print(f"Model {version} is in charge: {why}.")
    else:
        print(f"Model {version} is kept, not used; {now} stays in charge: {why}.")
        print(f"strikeoff models --use {version} puts it in charge all the same.")
    if details:
        print(*told_in_detail(card[scored_before:], model), sep="\n")
    return 0


def _in_charge(kept: Archive) -> str | None:
    """As `versions.in_charge`; where that is not known, what to call it."""
    from pipelines.registry import versions

    with versions.damage_passed_over():
        return versions.in_charge(kept)
    return "that was in charge"


def _verdict(
    charge: Charge | None,
    data: Shop,
    paired: Paired | None,
    step: Step,
    in_charge: str | None,
) -> tuple[bool, str]:
    """Whether the new model takes over, and why."""
    from pipelines.registry import promotion

    if charge is None:
        return True, f"model {in_charge} cannot be read" if in_charge else "it is the first"
    if not promotion.same_colours(charge.model, data):
        return True, (
            f"under another illuminant or observer it cannot be compared with {charge.version}"
        )
    return promotion.judgement(paired, charge.version, step.how)


def _marks(model: ShiftModel, data: Shop) -> dict[str, dict[str, int]]:
    """Marks of what can be learnt from, as the model takes them."""
    import numpy as np

    from learn.fit.fingerprints import marks_of
    from learn.physics.drawdowns import lab_columns

    usable = np.isfinite(lab_columns(data.prints, model.viewing_)).all(axis=1)
    return marks_of(replace(data, prints=data.prints[usable].reset_index(drop=True)))


def _forecasts(
    kept: Archive,
    mark: str,
    charge: Charge,
    data: Shop,
    marks: dict,
    card: list[Record],
    doubted: list[str],
    digest: str,
) -> tuple[Charge, str, list[Record], bool]:
    """Score the batch; the rival takes over where the model in charge has forecast worse.

    The rival is the version before the one in charge, or one that was kept and not used. The
    last of the answer says whether what was appended since the rival did harm.
    """
    from pipelines.registry import promotion, report_card, versions
    from pipelines.registry.report_card import in_words

    others = [v for v in kept.names() if v != charge.version]
    rival = promotion.opened(kept, others[-1], data) if others else None
    records = promotion.score_batch(kept, charge, rival, data, marks, card, doubted)
    while records is None:  # another computer was first
        card = report_card.read(kept)
        records = promotion.score_batch(kept, charge, rival, data, marks, card, doubted)
    for record in records[:1]:
        for line in scored(record):
            print(line)
    card = [*card, *records]
    # Forecast by a program killed before it could learn from them: judged now.
    left = promotion.forecast_not_learnt(card, charge) and not versions.has_learnt(kept, digest)
    worse = promotion.forecast_worse(card, charge, rival) if records or left else None
    if worse is None or rival is None:
        return charge, mark, card, False
    print(
        f"Model {rival.version} takes over: {charge.version} forecast recent batches "
        f"{in_words(worse)}."
    )
    mark = versions.put_in_charge(kept, rival.version, mark)
    return rival, mark, card, int(rival.version) < int(charge.version)
