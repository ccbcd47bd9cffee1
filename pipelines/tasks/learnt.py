"""What ``learn`` tells: what was learnt, how good it is, how the batch had been forecast."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from pipelines.words.common import counted

if TYPE_CHECKING:
    from learn.predict.model import ShiftModel
    from pipelines.registry.archive import Archive
    from pipelines.registry.promotion import Charge, Step
    from pipelines.registry.report_card import Record

SHOWN_SET_ASIDE = 20


def told(
    step: Step, charge: Charge | None, model: ShiftModel, new: list[str], n_prints: int
) -> list[str]:
    """What was learnt, how good the model is, and what it set aside."""
    from pipelines.registry.sealed import FACTS

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
        lines.append(f"{counted(len(out), 'print')} set aside as plainly wrong:")
        shown = out[:SHOWN_SET_ASIDE]
        lines += [f"  {i}: {r}" for i, r in zip(shown["print_id"], shown["reason"], strict=True)]
        if (more := len(out) - SHOWN_SET_ASIDE) > 0:
            lines.append(f"  and {more} more, all of them in the version's {FACTS}")
    return lines


def told_in_detail(scored_now: list[Record], model: ShiftModel) -> list[str]:
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
    kind = "coated" if model.encoder_.coated_cards else "matt, without a coating"
    lines.append(f"  The cards of drawdowns are taken to be {kind}, by what inks read over them.")
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
    low, high = (f"{100 * end:.0f}" for end in honest.band)
    right = f" (of so many, right ones hold {low} to {high} %)"
    if (low, high) == ("0", "100"):
        right = "; too few prints to tell whether they are right"
    out = int(gross(record.forecasts).sum())
    far = f" {counted(out, 'print')} lay far outside and would be set aside." if out else ""
    return [
        f"{counted(n, 'new print')} of {counted(f['jobs'], 'job')}, as model {record.version} "
        f"forecast them{left}:",
        f"  half of them within {f['median_dE00']:.2f} dE00; the 90 % bands held "
        f"{100 * f['coverage90']:.0f} %{right}.{far}",
    ]


def nothing_new(kept: Archive, charge: Charge, digest: str) -> str:
    from pipelines.registry import versions

    if (tried := versions.refused(kept, charge.version, digest)) is None:
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
    lines = ["Of the prints of jobs held back, half came within so many dE00 of what is told by"]
    if (prints := number("n_prints")) and (jobs := number("n_jobs")):
        lines[0] = (
            f"{counted(int(prints), 'print')} of "
            f"{counted(int(jobs), 'job')}, each job predicted without it; half of them came within "
            "so many dE00 of what is told by"
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
