"""Do stated chances come true? Stated across, observed up."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from learn.assessment.reliability import pseudo_targets, reliability
from learn.colour.colorimetry import delta_e00
from learn.colour.difference import difference
from learn.errors import Unusable
from learn.predict.dispersion import Errors
from pipelines.figures.canvas import (
    DISC,
    LIMIT,
    SQUARE,
    WHISKER,
    figure_of,
    own_axes,
    style,
    titled,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from learn.predict.model import ShiftModel
    from learn.shop import Shop


class ReliabilityDisplay:
    """Stated chances against what came, with 95 % intervals.

    Parameters
    ----------
    table : frame of :func:`learn.assessment.reliability.reliability`
        columns n, stated, observed, lo, hi (shares 0..1) and holds

    Attributes
    ----------
    ax_, figure_ : the axes and the figure drawn on

    Examples
    --------
    >>> stated, came = [0.1, 0.15, 0.9, 0.95], [0, 0, 1, 1]
    >>> display = ReliabilityDisplay.from_predictions(stated, came).plot()
    >>> display.described
    'stated 12 %, observed 0 %; stated 92 %, observed 100 %'
    """

    def __init__(self, table: pd.DataFrame) -> None:
        self.table = table

    @classmethod
    def from_predictions(
        cls, stated: ArrayLike, hit: ArrayLike, group: ArrayLike | None = None
    ) -> ReliabilityDisplay:
        """From chances (n,), what came (n,) of 0 or 1, and what errs together (n,)."""
        stated, hit = np.asarray(stated, float), np.asarray(hit, float)
        group = np.arange(len(hit)) if group is None else np.asarray(group)
        return cls(reliability(stated, hit, group))

    @classmethod
    def from_model(cls, model: ShiftModel, shop: Shop) -> ReliabilityDisplay:
        """Chances to hit made-up targets, every print of ``shop`` predicted without its job.

        ``shop`` holds the tables the model was learnt from. Raises Unusable where it has
        fewer than two jobs.
        """
        from learn.assessment.cross_validation import crossed_factors
        from learn.shop import jobs_of

        model = model.recall(shop)
        history = model.history()
        jobs = jobs_of(history.X["job"])
        group = pd.factorize(jobs)[0]
        if group.max() < 1:
            msg = "the history holds one job only; nothing can be left out of it"
            raise Unusable(msg)
        left = model.leave_out(jobs)
        mean = history.lab - left.error
        factor = crossed_factors(Errors(left.z, group))
        covariance = factor[:, None, None] ** 2 * left.covariance
        limit = model.settings_.tolerance_dE00
        aim = pseudo_targets(mean, covariance, limit)
        each = np.repeat(np.arange(len(mean)), aim.shape[1])
        aim = aim.reshape(-1, 3)
        stated = difference(mean[each], covariance[each], aim, np.full(len(each), limit)).p_within
        return cls.from_predictions(stated, delta_e00(history.lab[each], aim) <= limit, group[each])

    @property
    def described(self) -> str:
        """The numbers of the chart in words."""
        pairs = zip(self.table["stated"], self.table["observed"], strict=True)
        return "; ".join(f"stated {100 * s:.0f} %, observed {100 * o:.0f} %" for s, o in pairs)

    def plot(self, ax: Axes | None = None, *, title: str | None = None) -> ReliabilityDisplay:
        """Draw; discs agree within their interval, open squares do not."""
        with style():
            self.ax_ = ax = own_axes(ax, (3.2, 2.6))
            self.figure_ = figure_of(ax)
            t = self.table
            ax.axline((0, 0), slope=1, **LIMIT)
            sides = 100 * np.array([t["observed"] - t["lo"], t["hi"] - t["observed"]])
            ax.errorbar(
                100 * t["stated"], 100 * t["observed"], sides.clip(0), fmt="none", **WHISKER
            )
            for holds, mark in ((True, DISC), (False, SQUARE)):
                rows = t[t["holds"] == holds]
                ax.plot(100 * rows["stated"], 100 * rows["observed"], ls="none", **mark)
            quarters = [0, 25, 50, 75, 100]
            ax.set(xlim=(-4, 104), ylim=(-4, 104), xticks=quarters, yticks=quarters)
            ax.set(xlabel="stated chance, %", ylabel="observed, %")
            if title:
                titled(ax, title)
        return self
