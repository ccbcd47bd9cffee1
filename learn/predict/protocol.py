"""What a model of a shop's prints promises, whatever it is made of.

Planning, mixing and monitoring ask for these and no more, so that another engine is a matter of
this room alone. `learn.predict.model.ShiftModel` is one; the tests hold a plain one beside it.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from typing import TYPE_CHECKING, NamedTuple, Protocol, runtime_checkable

import numpy as np
import pandas as pd
from numpy.typing import NDArray

if TYPE_CHECKING:
    from typing import Self

    from learn.colour.colorimetry import Viewing
    from learn.fit.encoding import Encoder
    from learn.gp.covariance import Belief
    from learn.predict.calibration import LeftOut
    from learn.predict.causes import Unseen
    from learn.predict.history import History
    from learn.predict.in_print import InPrint
    from learn.predict.lots import Carded
    from learn.predict.together import Ordered
    from learn.shop import Shop, ShopSettings

Array = NDArray[np.floating]


class Prediction(NamedTuple):
    """n set-ups predicted."""

    mean: Array  # (n, 3) Lab
    covariance: Array  # (n, 3, 3) of the next measured print
    noise: Array  # (n, 3, 3) what would remain with everything about the set-up known


class Joint(NamedTuple):
    """n set-ups on g garments, as one Gaussian a set-up."""

    mean: Array  # (n, g, 3) Lab
    covariance: Array  # (n, 3 g, 3 g) of the next measured prints, one a garment, of one job
    scatter: Array  # (n, 3 g, 3 g) the part of it that no knowledge removes

    def take(self, rows: NDArray[np.intp] | slice) -> Joint:
        """Some of the set-ups."""
        return Joint(*(part[rows] for part in self))


@runtime_checkable
class Predicts(Protocol):
    """What is needed to hold prints against what was expected of them."""

    encoder_: Encoder  # the tables of inks, garments and meshes it has been told of

    def predict_lab(self, setups: pd.DataFrame) -> Prediction:
        """The next print's Lab of every set-up, and how sure it is."""
        ...


@runtime_checkable
class PrintModel(Predicts, Protocol):
    """A model learnt from a shop. Set-ups are frames with `learn.shop.SETUP_COLUMNS`.

    Whatever takes set-ups raises Unusable when one names an ink, garment or mesh the model
    has not been told of.
    """

    settings_: ShopSettings
    viewing_: Viewing

    def fit(
        self,
        shop: Shop,
        progress: Callable[[str], None] | None = None,
        trusted: Collection[str] = frozenset(),
    ) -> Self:
        """Learn from every print of the shop that has a colour; ``trusted`` print_ids are
        never set aside as gross errors."""
        ...

    def told_of(self, shop: Shop, *, gone: bool = False) -> Self:
        """A model whose set-ups may name what the shop's tables hold now, though nothing was
        learnt of it; what is ``gone`` from them too, if wanted."""
        ...

    def predict(self, setups: pd.DataFrame) -> pd.DataFrame:
        """Colours, bands and verdicts, a row a set-up in the order given.

        Columns of `learn.predict.verdict.judged`, and ``beneath``, without a target: "base" or
        "garment" where the print differs from its bucket because that shows through, else "".
        """
        ...

    def predict_joint(self, setups: pd.DataFrame, g: int) -> Joint:
        """The same of n jobs, each printed on g garments with errors in common.

        ``setups``: (n g) rows, garments running fastest.
        """
        ...

    def means(self, setups: pd.DataFrame) -> Array:
        """Predicted Lab (n, 3) without bands: for many candidates, quickly."""
        ...

    def between(
        self,
        setups: pd.DataFrame,
        screen: NDArray[np.intp] | None = None,
        after: pd.DataFrame | None = None,
    ) -> Belief:
        """What n set-ups have in common, as the model learns: without `spread` factors.

        Prints of one ``screen`` (n,) - codes, -1 for a job of its own - are one job and share its
        film error, which is then counted as unknown of them. Where set-ups are predicted in
        another way once the set-ups ``after`` have been printed, as then, but for what these tell.
        """
        ...

    def as_told(self, known: Belief, setups: pd.DataFrame) -> Belief:
        """What :meth:`between` knows of set-ups, as wide as what is predicted of each."""
        ...

    def spread(self, setups: pd.DataFrame) -> Array:
        """Factors (n,) on the standard deviations of predictions, for what was never printed."""
        ...

    def spreads(self, setups: pd.DataFrame, afters: Sequence[pd.DataFrame]) -> Array:
        """The same as they will be once the set-ups of each of t lists, by itself, have been
        printed, (t, n)."""
        ...

    def unseen(self, setups: pd.DataFrame) -> list[tuple[Unseen, ...]]:
        """What of each set-up was never printed, or hardly; empty where everything was."""
        ...

    def buckets(self, inks: list[str]) -> tuple[Array, Array]:
        """Lab (m, 3) of inks at full hiding, and covariance (m, 3, 3)."""
        ...

    def grounds(self, setups: pd.DataFrame) -> Array:
        """Lab (n, 3) of what the ink lies on: the cloth, or the base upon it."""
        ...

    def films_um(self, setups: pd.DataFrame) -> tuple[Array, Array]:
        """Dry film of ink and base, (n,) each."""
        ...

    def prints_of(self, ink: str) -> int:
        """How many prints of an ink were learnt from."""
        ...

    def prints_of_lot(self, ink: str, lot: str) -> int:
        """How many prints of a lot were learnt from."""
        ...

    def knows_lot(self, ink: str, lot: str) -> bool:
        """Whether prints or a card tell of a lot."""
        ...

    def sisters_of(self, ink: str) -> tuple[tuple[str, int], ...]:
        """The plants that told of an ink, and how many prints of it each has."""
        ...

    def carded(self) -> list[Carded]:
        """What cards say of lots never printed; empty where nothing is made of cards of lots."""
        ...

    def known_from(self, ink: str) -> str:
        """What its drawdowns tell of an ink: "spectra", "one backing", "Lab" or "nothing"."""
        ...

    def nothing_of(self) -> list[str]:
        """Inks of which nothing is measured and nothing printed, here or by another plant."""
        ...


@runtime_checkable
class MixModel(PrintModel, Protocol):
    """A model that also knows the optics of each ink, so that inks can be mixed."""

    def in_print(self, setups: pd.DataFrame) -> InPrint:
        """The optics of set-ups at any weights."""
        ...

    def of_inks(
        self, inks: list[str], value: Callable[[Array, Array], Array]
    ) -> tuple[Array, Array]:
        """What follows from the K and S of inks, (m, c), and its covariance (m, c, c).

        ``value`` takes log K and log S, (m, 31) each, and answers row by row.
        """
        ...

    def of_cards(
        self, inks: list[str], value: Callable[[Array, Array], Array]
    ) -> tuple[Array, Array]:
        """The same by the cards of inks, whatever their prints say."""
        ...

    def missed(self) -> float:
        """The share of a film's reflectance that theory misses, by the shop's cards."""
        ...


@runtime_checkable
class RecallingModel(PrintModel, Protocol):
    """A model that can be held against the prints it has learnt from."""

    marks_: dict[str, dict[str, int]]  # what it was told of when it learnt, and its fingerprint
    spread_factors_: dict[str, float]

    def recall(self, shop: Shop) -> Self:
        """The stored model with its history; ``shop`` holds the tables it learnt from."""
        ...

    def history(self) -> History:
        """The prints learnt from."""
        ...

    def leave_out(self, levels: pd.Series) -> LeftOut:
        """Every print of the history as predicted without its level of ``levels`` (n,)."""
        ...

    def in_order(
        self, prints: pd.DataFrame, lab: Array, first: int, still: Collection[str]
    ) -> Ordered:
        """Every print from the position ``first`` on as forecast from those before, by a shop
        that stands still in the terms ``still``."""
        ...
