"""How well an ink covers, against the dry film."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from pipelines.figures.canvas import DARK, LIGHT, LIMIT, figure_of, own_axes, style, titled

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from learn.predict.model import ShiftModel

COVERS = 98.0  # %, from which a film is taken to hide (ISO 6504-1)


class OpacityDisplay:
    """An ink's contrast ratio by dry film, with its 90 % band.

    Parameters
    ----------
    film_um : (f,) dry film
    ratio : (f, 3) contrast ratio 0..1: low, as learnt, high
    ink : what to call it

    Attributes
    ----------
    ax_, figure_ : the axes and the figure drawn on

    Examples
    --------
    >>> display = OpacityDisplay([10, 40], [[0.5, 0.6, 0.7], [0.96, 0.985, 0.99]], "white")
    >>> display.described
    'white: 60 % (50 to 70) at 10 um; 98 % (96 to 99) at 40 um'
    """

    def __init__(self, film_um: ArrayLike, ratio: ArrayLike, ink: str) -> None:
        self.film_um, self.ratio = np.asarray(film_um, float), np.asarray(ratio, float)
        self.ink = ink

    @classmethod
    def from_model(
        cls, model: ShiftModel, ink: str, film_um: ArrayLike | None = None
    ) -> OpacityDisplay:
        """Of an ink of the shelf; raises Unusable where there is none of that name."""
        from learn.errors import Unusable
        from learn.planning.opacity import contrast_ratios

        if ink not in model.encoder_.inks.index:
            raise Unusable(f"no ink {ink} on the shelf")
        film_um = np.linspace(1.0, 80.0, 80) if film_um is None else np.asarray(film_um, float)
        return cls(film_um, contrast_ratios(model, [ink] * len(film_um), film_um), ink)

    @property
    def described(self) -> str:
        """The numbers of the chart in words, at up to four films."""
        shown = np.unique(np.linspace(0, len(self.film_um) - 1, 4).round().astype(int))
        cells = [
            f"{middle:.0f} % ({low:.0f} to {high:.0f}) at {film:g} um"
            for film, (low, middle, high) in zip(
                self.film_um[shown], 100 * self.ratio[shown], strict=True
            )
        ]
        return f"{self.ink}: {'; '.join(cells)}"

    def plot(self, ax: Axes | None = None, *, title: str | None = None) -> OpacityDisplay:
        """Draw; dashed, from where a film is taken to hide."""
        with style():
            self.ax_ = ax = own_axes(ax, (3.6, 2.6))
            self.figure_ = figure_of(ax)
            low, middle, high = 100 * self.ratio.T
            ax.fill_between(self.film_um, low, high, color=LIGHT, lw=0)
            ax.plot(self.film_um, middle, color=DARK, lw=1.6)
            ax.axhline(COVERS, **LIMIT)
            ax.set(xlim=(0, self.film_um.max()), ylim=(0, 102))
            ax.set(xlabel="dry film, um", ylabel="contrast ratio, %")
            titled(ax, self.ink if title is None else title)
        return self
