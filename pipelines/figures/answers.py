"""What ``--figure FILE`` writes: the answer of a command as one chart, for a letter or a talk."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from learn.colour.colorimetry import viewing
from learn.shop import ShopSettings
from pipelines.figures.canvas import style, write
from pipelines.figures.chances import ReliabilityDisplay
from pipelines.figures.history import HistoryDisplay
from pipelines.figures.opacity import OpacityDisplay
from pipelines.figures.plane import MOST_PLANES, ColourPlaneDisplay, draw_planes
from pipelines.workspace.problems import UserError

if TYPE_CHECKING:
    from learn.assessment.report import Checkup
    from learn.planning.plan import Plan
    from learn.predict.model import ShiftModel


def refuse_count(n_setups: int) -> None:
    """Raises UserError for no set-up, or more than one figure has room for."""
    if n_setups == 0:
        raise UserError("--figure has nothing to show: no set-up is given.")
    if n_setups > MOST_PLANES:
        raise UserError(
            f"--figure has room for {MOST_PLANES} set-ups, and {n_setups} are given; predict fewer "
            "at a time, or take --page, which has room for all."
        )


def write_predictions(
    path: Path, predictions: pd.DataFrame, setups: pd.DataFrame, settings: ShopSettings
) -> None:
    """The a*b* plane of every set-up; rows of both frames belong together."""
    own = [c for c in setups.columns if c.startswith("target_") or c == "tolerance_dE00"]
    aims = setups[own].drop(columns=predictions.columns, errors="ignore").reset_index(drop=True)
    rows = pd.concat([predictions.reset_index(drop=True), aims], axis=1).to_dict("records")
    view = viewing(settings.illuminant, settings.observer)
    planes = [
        ColourPlaneDisplay.from_predictions(row, tolerance_dE00=settings.tolerance_dE00, view=view)
        for row in rows
    ]
    figure, described = draw_planes(planes)
    write(path, figure, f"Colour predictions, {settings.name}", described)


def write_plan(path: Path, plan: Plan, line: int, settings: ShopSettings) -> None:
    """The a*b* plane of each garment of one line (from 1)."""
    aim = dict(zip(("target_L", "target_a", "target_b"), plan.target, strict=True))
    view = viewing(settings.illuminant, settings.observer)
    planes = [
        ColourPlaneDisplay.from_predictions(
            row | aim, tolerance_dE00=plan.tolerance, name=str(row["substrate_id"]), view=view
        )
        for row in plan.colours[plan.colours["line"] == line].to_dict("records")
    ]
    figure, described = draw_planes(planes)
    write(path, figure, f"Line {line} of the plan, {settings.name}", described)


def write_opacity(path: Path, model: ShiftModel, ink: str, settings: ShopSettings) -> None:
    """How well an ink covers, by dry film."""
    display = OpacityDisplay.from_model(model, ink).plot()
    write(path, display.figure_, f"Opacity, {settings.name}", display.described)


def write_check(path: Path, found: Checkup, settings: ShopSettings) -> None:
    """Whether stated chances come true, and what more prints are worth."""
    from matplotlib.figure import Figure

    displays: list[tuple[ReliabilityDisplay | HistoryDisplay, str | None]] = [
        (ReliabilityDisplay(found.chances.targets), "Do stated chances come true?")
    ]
    if found.curve:
        points = [*found.curve, found.today]
        displays += [(HistoryDisplay(points, shown), None) for shown in ("error", "tests")]
    with style():
        figure = Figure(figsize=(3.6 * len(displays), 3.3), layout="constrained")
        axes = figure.subplots(1, len(displays), squeeze=False).ravel()
    for ax, (display, title) in zip(axes, displays, strict=True):
        display.plot(ax, title=title)
    described = ". ".join(display.described for display, _ in displays)
    title = f"How far to trust the predictions, {settings.name}"
    write(path, figure, title, described)
