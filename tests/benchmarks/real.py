"""Real prints as shops: inks over measured backings, parts of them held out.

``python -m tests.benchmarks.held_out --real [--paper coated|uncoated|proof]``: backings never
printed on, then each colour family of backings, then each ink, are held out in turn and the rest
is learnt. Coated and uncoated offset are Lab alone; the press proof is spectra, its backings
interpolated (datasets/published/README.md). There are no presses, lots, meshes or dates.
"""

from __future__ import annotations

import numpy as np

from learn.colour.colorimetry import viewing
from learn.physics.drawdowns import lab_columns
from learn.predict.model import ShiftModel
from pipelines.workspace.progress import Progress
from tests.benchmarks.measures import bands, colours, deciles, summary
from tests.benchmarks.shops import Held
from tests.published import FAMILIES, Trial, coated_shop, proof_shop

INK_NAMES = {"C": "cyan", "M": "magenta", "Y": "yellow"}


def trials(paper: str) -> dict[str, Trial]:
    """Everything that is held out in turn."""

    def trial(**held_out: str) -> Trial:
        if paper == "proof":
            return proof_shop(**held_out)
        return coated_shop(paper=paper, **held_out)

    out = {"a third of the backings": trial()}
    out |= {f"all {family} backings": trial(family_holdout=family) for family in FAMILIES}
    return out | {f"all of {name}": trial(ink_holdout=ink) for ink, name in INK_NAMES.items()}


def line(trial: Trial) -> tuple[dict[str, float], dict[str, float]]:
    """Physics alone and learnt on what was held out; and the PIT of the latter."""
    held = Held(trial.held_out, lab_columns(trial.held_out, viewing("D50", "2")), None)
    model = ShiftModel().fit(trial.shop)
    learnt = bands(colours(model, held), held)
    physics = bands(colours(model.physics_alone(), held), held)
    return {
        "n": len(held),
        "physics": float(np.median(physics["dE00"])),
        "physics cover %": 100 * float(physics["inside"].mean()),
        "physics width": float(physics["width"].mean()),
    } | summary(learnt), deciles(learnt)


def tables_of_paper(paper: str, progress: Progress) -> dict[str, dict[str, dict[str, float]]]:
    """Title -> held out -> column -> value."""
    lines, pit = {}, {}
    for case, trial in trials(paper).items():
        progress(f"{paper}, held out: {case}")
        lines[case], pit[case] = line(trial)
    return {
        "median dE00 to the measured colour, 90 % bands, scores": lines,
        "share of L, a, b in each tenth of the forecast, %": pit,
    }
