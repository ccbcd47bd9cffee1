"""``strikeoff learn``: what came in as forecast, then learnt; the new version stored and judged."""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipelines.commands._options import add_command, add_shop, add_workers, n_workers
from pipelines.tables.schema import SHOP_TABLES
from pipelines.words.common import counted
from pipelines.workspace.files import refuse_unwritable
from pipelines.workspace.folders import Workspace
from pipelines.workspace.progress import Progress

if TYPE_CHECKING:
    from learn.assessment.forecasts import Paired
    from learn.predict.model import ShiftModel
    from learn.shop import Shop
    from pipelines.registry.promotion import Charge, Step
    from pipelines.registry.report_card import Record

SHOWN_SET_ASIDE = 20
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
    """Score what came in as a forecast, learn it, and say which model is in charge and why."""
    from learn.workers import usual_workers
    from pipelines.ledger import store
    from pipelines.registry import promotion, report_card, versions
    from pipelines.registry.catalogue import Catalogue
    from pipelines.registry.promotion import Step
    from pipelines.tables.folder import to_shop

    progress = progress or Progress()
    name = workspace.pick(shop)
    folder = workspace.models(name)
    refuse_unwritable(folder)  # before the long work, not after it
    database = versions.database_stamp(workspace.database(name))
    state = store.read_state(workspace.database(name))
    given = state.given
    data, digest = to_shop(given), versions.fingerprint(given)
    card = report_card.read(folder)
    scored_before = len(card)
    in_charge = versions.in_charge(folder)
    charge = promotion.opened(folder, in_charge, data)
    step, marks = Step("refit", "it is the first"), {}
    if charge is not None:
        marks = _marks(charge.model, data)
        charge, card, back = _forecasts(folder, charge, data, marks, card, state.doubted())
        step = promotion.next_step(charge, data, marks, given.trusted, card)
        if step.how == "append" and back:
            step = Step("refit", "what was appended last made forecasts worse")
    elif in_charge is not None:
        step = Step("refit", f"model {in_charge} cannot be read by this version")
    if refit:
        step = Step("refit", "--refit asks for it")
    elif charge is not None and (
        step.how == "nothing" or versions.refused(folder, charge.version, digest)
    ):
        print(_nothing(folder, charge, digest))
        for line in report(charge.model.validation_):
            print(line)
        if details:
            print(*_details(card[scored_before:], charge.model), sep="\n")
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
    facts = {
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
    version = versions.save(folder, arrays, meta, facts, charge=takes)
    progress("done")
    for line in _told(step, charge, model, new, len(data.prints)):
        print(line)
    print(f"Stored as version {version} in {folder / version}.")
    if takes or charge is None:
        print(f"Model {version} is in charge: {why}.")
    else:
        print(f"Model {version} is kept, not used; {charge.version} stays in charge: {why}.")
        print(f"strikeoff models --use {version} puts it in charge all the same.")
    if details:
        print(*_details(card[scored_before:], model), sep="\n")
    return 0


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


def _told(
    step: Step, charge: Charge | None, model: ShiftModel, new: list[str], n_prints: int
) -> list[str]:
    """What was learnt, how good the model is, and what it set aside."""
    from pipelines.registry import versions

    known: set[str] = set()
    if charge is not None and step.how == "append":
        known = set(charge.model.set_aside_["print_id"])  # told when they were
        lines = [
            f"Appended {counted(len(new), 'print')} to model {charge.version}: {step.why}.",
            f"Figures of jobs held back are those of model {charge.fitted}, the last learnt anew.",
        ]
    else:
        lines = [f"Learnt anew from {counted(n_prints, 'print')}: {step.why}."]
    lines += report(model.validation_)
    out = model.set_aside_[~model.set_aside_["print_id"].isin(known)]
    if len(out):
        lines.append(f"{counted(len(out), 'print')} set aside as gross errors:")
        shown = out[:SHOWN_SET_ASIDE]
        lines += [f"  {i}: {r}" for i, r in zip(shown["print_id"], shown["reason"], strict=True)]
        if (more := len(out) - SHOWN_SET_ASIDE) > 0:
            lines.append(f"  and {more} more, all of them in the version's {versions.FACTS}")
    return lines


def _details(scored_now: list[Record], model: ShiftModel) -> list[str]:
    """What judges forecasts and the search, for those who know the terms."""
    from pipelines.registry import report_card

    lines = ["Details:"]
    for record in scored_now:
        if len(record.forecasts):
            f = report_card.figures(record.forecasts)
            lines.append(
                f"  Forecasts of the batch by model {record.version}: energy score "
                f"{f['energy']:.2f}, expected {f['expected']:.2f}; CRPS {f['crps']:.2f}."
            )
    return lines + [f"  {line}" for line in search_words(model.searches_)]


def search_words(searches: list[list[dict]]) -> list[str]:
    """How the searches for the hyper-parameters ended, in a line."""
    if not searches:
        return []
    starts, last = searches[0], searches[-1][0]
    ended = "settled" if last["converged"] else "stopped before it settled"
    apart = starts[0]["log_posterior"] - starts[-1]["log_posterior"]
    begun = f"; {len(starts)} starts ended {apart:.1f} apart" if len(starts) > 1 else ""
    return [
        f"The search for how much each cause moves a print {ended} after {last['evaluations']} "
        f"looks at the prints (log posterior {last['log_posterior']:.1f}, steepest slope left "
        f"{last['steepest']:.2g}{begun})."
    ]


def _marks(model: ShiftModel, data: Shop) -> dict[str, dict[str, int]]:
    """Marks of what can be learnt from, as the model takes them."""
    import numpy as np

    from learn.fit.fingerprints import marks_of
    from learn.physics.drawdowns import lab_columns

    usable = np.isfinite(lab_columns(data.prints, model.viewing_)).all(axis=1)
    return marks_of(replace(data, prints=data.prints[usable].reset_index(drop=True)))


def _forecasts(
    folder: Path,
    charge: Charge,
    data: Shop,
    marks: dict,
    card: list[Record],
    doubted: list[str],
) -> tuple[Charge, list[Record], bool]:
    """Score the batch; the rival takes over where the model in charge has forecast worse.

    The rival is the version before the one in charge, or one that was kept and not used. The
    last of the answer says whether what was appended since the rival did harm.
    """
    from pipelines.registry import promotion, versions
    from pipelines.registry.report_card import in_words

    others = [v for v in versions.versions(folder) if v != charge.version]
    rival = promotion.opened(folder, others[-1], data) if others else None
    records = promotion.score_batch(folder, charge, rival, data, marks, card, doubted)
    for record in records[:1]:
        for line in scored(record):
            print(line)
    card = [*card, *records]
    worse = promotion.forecast_worse(card, charge, rival) if records else None
    if worse is None or rival is None:
        return charge, card, False
    print(
        f"Model {rival.version} takes over: {charge.version} forecast recent batches "
        f"{in_words(worse)}."
    )
    versions.put_in_charge(folder, rival.version)
    return rival, card, int(rival.version) < int(charge.version)


def scored(record: Record) -> list[str]:
    """The forecast of a batch in words."""
    from learn.assessment.forecasts import gross, honesty
    from pipelines.registry import report_card

    n = len(record.forecasts)
    left = f"; {record.unknown} of things it was not told of" if record.unknown else ""
    if aside := len(record.aside):
        left += f"; {aside} of {n + record.unknown + aside} set aside on arrival, not scored"
    if not n:
        return [f"No print of the batch could be forecast by model {record.version}{left}."]
    f, honest = report_card.figures(record.forecasts), honesty(record.forecasts)
    low, high = (100 * end for end in honest.band)
    out = int(gross(record.forecasts).sum())
    far = f" {counted(out, 'print')} lay far outside and would be set aside." if out else ""
    return [
        f"{counted(n, 'new print')} of {counted(f['jobs'], 'job')}, as model {record.version} "
        f"forecast them{left}:",
        f"  median dE00 {f['median_dE00']:.2f}; the 90 % bands held {100 * f['coverage90']:.0f} % "
        f"(honest ones: {low:.0f} to {high:.0f} %).{far}",
    ]


def _nothing(folder: Path, charge: Charge, digest: str) -> str:
    from pipelines.registry import versions

    if (tried := versions.refused(folder, charge.version, digest)) is None:
        return f"Nothing new since model {charge.version} learnt; nothing was changed."
    return (
        f"Model {tried} has learnt all this, and {charge.version} is in charge; nothing was "
        f"changed. strikeoff models --use {tried} puts {tried} in charge."
    )


def report(validation: Mapping[str, Any]) -> list[str]:
    """How the model did on held-out jobs, in a few lines."""

    def number(key: str) -> float | None:
        value = validation.get(key)
        return None if value is None or float(value) != float(value) else float(value)

    if number("median_dE00") is None:
        return ["Too few prints to hold any back: how good the model is has not been measured."]
    lines = ["Prints of jobs held back, median dE00 from predicted to measured:"]
    if (prints := number("n_prints")) and (jobs := number("n_jobs")):
        lines[0] = (
            f"{counted(int(prints), 'print')} of "
            f"{counted(int(jobs), 'job')}, each job predicted without it; "
            "median dE00 from predicted to measured:"
        )
    for label, key in (
        ("physics and learning", "median_dE00"),
        ("physics alone", "physics_median_dE00"),
        ("nearest past print", "nearest_median_dE00"),
    ):
        if (value := number(key)) is not None:
            lines.append(f"  {label:<22}{value:5.2f}")
    if (coverage := number("coverage90")) is not None:
        lines.append(
            f"The 90 % bands of L, a, b held {100 * coverage:.0f} % of the measured values."
        )
    return lines
