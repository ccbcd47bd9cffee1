"""The estimator people import: learn from a shop, predict its prints."""

from __future__ import annotations

import copy
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from learn.colour.colorimetry import delta_e00, viewing
from learn.colour.looks import NOTICED
from learn.fit import of_inks
from learn.fit.contradiction import Apart, Level
from learn.fit.encoding import Encoder
from learn.fit.fingerprints import marks_of
from learn.fit.fitting import FIRST_PRINTS, Fitting, Progress, first_prints
from learn.fit.linearisation import GROUND_SCALES, Layout, Linear, Rows
from learn.fit.lot_cards import LotCard, describing, level_of
from learn.fit.of_inks import Colours
from learn.fit.residual import TERMS
from learn.gp import posterior
from learn.gp.covariance import Belief
from learn.gp.posterior import Design, Posterior, one_thread
from learn.gp.terms import Term
from learn.kinship.summary import Summary
from learn.physics import print_model
from learn.physics.drawdowns import lab_columns
from learn.physics.shelf import are_coated, describe_shelf
from learn.predict import calibration, carrying, together
from learn.predict.append import append
from learn.predict.buckets import as_told
from learn.predict.carrying import Carrying
from learn.predict.causes import Unseen
from learn.predict.history import History, doubted, history, recall, relinearise, set_aside
from learn.predict.in_print import InPrint
from learn.predict.lots import Carded, Lot, carded_of, lots_of
from learn.predict.newcomers import take_in_cards, tell
from learn.predict.novelty import DAY, Likeness
from learn.predict.presses import Moved, moved_presses
from learn.predict.protocol import Joint, Prediction
from learn.predict.serialise import from_state, to_state
from learn.predict.sisters import Sisters
from learn.predict.telling import summary_of, told
from learn.predict.verdict import judged
from learn.shop import SETUP_COLUMNS, Shop
from learn.workers import workers

Array = NDArray[np.floating]

# Share of the shift from bucket to print that must come from the ground to be put down to it.
MOSTLY = 0.5


class ShiftModel:
    """Physics calibrated to a shop's history, plus a Gaussian process on what is left.

    Parameters
    ----------
    terms : terms of the residual model; an empty list leaves the calibrated physics
    calibrate_inks : let the history bend K and S of each ink
    max_iterations : of the last hyper-parameter search
    restarts : searches begun elsewhere in the prior besides; the best wins
    random_state : seed of the inducing points
    n_jobs : workers of a fit, as scikit-learn counts them; the outcome is the same for any number

    Attributes
    ----------
    layout_ : Layout, what the weights mean
    weights_ : (p,) where the physics stands; posterior mean of the weights
    posterior_ : Posterior
    hyper_, log_lengths_ : hyper-parameters
    searches_ : how every search for them ended, best first
    set_aside_ : frame (print_id, reason, distance) of gross errors not learnt from
    doubted_ : noise of doubtful prints that stayed in, by print_id, as a multiple of the usual
    gross_ : squared distance from which on a print is one
    spread_factors_ : factor on the predictive standard deviation, by situation
    carrying_ : how an ink never printed is predicted
    cards_ : what cards said of lots, each by itself
    sisters_ : what other plants told of inks
    validation_ : held-out figures, every job predicted from all the others
    """

    def __init__(
        self,
        terms: list[Term] | None = None,
        calibrate_inks: bool = True,
        max_iterations: int = 50,
        restarts: int = 1,
        random_state: int = 0,
        n_jobs: int | None = None,
    ) -> None:
        self.terms = terms
        self.calibrate_inks = calibrate_inks
        self.max_iterations = max_iterations
        self.restarts = restarts
        self.random_state = random_state
        self.n_jobs = n_jobs
        # buckets of the shelf, and what they follow from
        self._found: tuple[tuple[Layout, Array, Posterior], tuple[Colours, Colours]] | None = None

    # -- fit -------------------------------------------------------------------------

    @one_thread
    def fit(
        self,
        shop: Shop,
        progress: Progress | None = None,
        trusted: Collection[str] = frozenset(),
    ) -> ShiftModel:
        """Learn from every print of the shop that has a colour.

        ``trusted``: print_ids never set aside as gross errors.
        """
        with workers(self.n_jobs):
            self._fit(shop, progress or (lambda _: None), trusted)
        return self

    def _fit(self, shop: Shop, say: Progress, trusted: Collection[str]) -> None:
        self.settings_ = shop.settings
        self.viewing_ = viewing(shop.settings.illuminant, shop.settings.observer)
        self.encoder_ = Encoder.of(shop, self.viewing_)
        say(f"describing {len(shop.inks)} inks from {len(shop.drawdowns)} drawdowns")
        cards = (
            shop.inks,
            shop.drawdowns[describing(shop.drawdowns)],
            shop.substrates,
            self.encoder_.substrate_r,
            self.viewing_,
        )
        coated = are_coated(*cards)
        self.encoder_ = replace(self.encoder_, coated_cards=coated)
        self.shelf_ = describe_shelf(*cards, coated_cards=coated)
        shop = self._usable(shop)
        self.prints_ = self.encoder_.completed(shop.prints)
        self.lab_ = lab_columns(shop.prints, self.viewing_)
        self.marks_, self.appended_ = marks_of(shop), 0
        fitting = self._fitting(self.encode(self.prints_), trusted)
        terms = TERMS if self.terms is None else self.terms
        fitting.learn(terms, self.max_iterations, self.restarts, say)
        self._take_over(fitting)
        take_in_cards(self, shop)
        if self.cards_ and self.keep_.any():
            relinearise(self)
        self._calibrate(say)

    @one_thread
    def append(
        self,
        shop: Shop,
        progress: Progress | None = None,
        trusted: Collection[str] = frozenset(),
    ) -> ShiftModel:
        """Learn the prints that came since, and no other: seconds, whatever the history.

        ``shop`` holds the whole tables as they are now. Hyper-parameters, inducing points
        and spread factors stay as fitted; new inks, lots, garments and presses get weights
        of their own. ``appended_`` counts such prints since the last fit.

        Raises
        ------
        ValueError
            when anything that was learnt from has changed or is gone: fit again.
        """
        append(self, self._usable(shop), progress or (lambda _: None), trusted)
        return self

    def told_of(self, shop: Shop, *, gone: bool = False) -> ShiftModel:
        """A model whose set-ups may name what the shop's tables hold now, learnt or not.

        A new ink stands at its prior and its cards, a new lot at its own, a new garment or mesh at
        its description;
        what was learnt stays as it was, whatever the tables say of it now. What is gone from
        the tables can be named no longer, unless ``gone``.
        """
        told = copy.copy(self)
        tell(told, shop, gone=gone)
        return told

    def waiting_for(self, waits: Mapping[Level, Apart]) -> ShiftModel:
        """A model of a shop of which prints wait for a decision: of these levels, so far off
        (`learn.monitoring.waiting`). Nothing with them is sure until then."""
        waiting = copy.copy(self)
        waiting.likeness_ = self.likeness_.waited_for(waits)
        return waiting

    def summary(self, plant: str) -> Summary:
        """What the prints of this plant say of its inks, for other plants to be told."""
        return summary_of(self, plant)

    def told_by(self, summaries: Collection[Summary]) -> ShiftModel:
        """A model that knows what other plants say of its inks, as far as that forecasts its own
        (`learn.predict.telling`); what it was told before is forgotten.

        It has its history at hand: just fitted, or given it back by :meth:`recall`.
        """
        return told(self, summaries)

    def _calibrate(self, say: Progress) -> None:
        """Spread factors, held-out figures and what carries over, from what was learnt."""
        self.validation_: dict[str, float] = {"n_prints": 0, "n_jobs": 0, "n_set_aside": 0}
        if self.keep_.any():
            say("predicting every job from all the others")
            found = calibration.calibrate(self)
            self.spread_factors_, self.validation_, self.carrying_ = found

    def _usable(self, shop: Shop) -> Shop:
        """The shop with the prints that have a colour, in the order of their ids: whoever brought
        them in first, the same is learnt from the same prints."""
        usable = np.isfinite(lab_columns(shop.prints, self.viewing_)).all(axis=1)
        prints = shop.prints[usable].sort_values("print_id", kind="stable")
        return replace(shop, prints=prints.reset_index(drop=True))

    @one_thread
    def physics_alone(self, bands: bool = True) -> ShiftModel:
        """The same physics calibrated to the same prints (the first some thousand of a long
        history), without learning what is left; its ``bands`` with the same care."""
        alone = ShiftModel(terms=[], calibrate_inks=False, max_iterations=8)
        for name in ("settings_", "viewing_", "encoder_", "shelf_"):
            setattr(alone, name, getattr(self, name))
        kept = np.flatnonzero(self.keep_)
        kept = kept[first_prints(self.rows_.X, FIRST_PRINTS, self.random_state)]
        alone.prints_ = self.prints_.iloc[kept].reset_index(drop=True)
        alone.lab_ = self.lab_[kept]
        fitting = alone._fitting(alone.encode(alone.prints_), frozenset())
        fitting.calibrate(alone.max_iterations)
        alone._take_over(fitting)
        if bands:
            alone.spread_factors_ = calibration.spread_factors(alone)
        return alone

    def _fitting(self, rows: Rows, trusted: Collection[str]) -> Fitting:
        return Fitting(
            self.shelf_,
            self.viewing_,
            rows,
            self.lab_,
            repeat=self.settings_.repeatability_dE00,
            calibrate_inks=self.calibrate_inks,
            random_state=self.random_state,
            trusted=self.prints_["print_id"].isin(trusted).to_numpy(),
        )

    def _take_over(self, fitting: Fitting) -> None:
        """What the fit found becomes the model."""
        self.layout_, self.weights_ = fitting.layout, fitting.weights
        self.encoder_ = replace(self.encoder_, jumps=fitting.jumps)
        self.shelf_ = fitting.layout.shelf  # inks that contradict their cards are less certain
        self.hyper_, self.log_lengths_ = fitting.hyper, fitting.log_lengths
        self.posterior_, self.design_ = fitting.posterior, fitting.design
        self.rows_, self.keep_ = fitting.kept_rows, fitting.keep
        self.searches_ = [[f.report() for f in found] for found in fitting.searches]
        self.set_aside_ = set_aside(self.prints_, fitting.keep, fitting.distance)
        self.gross_ = fitting.gross
        self.doubted_ = doubted(self.prints_[fitting.keep], fitting.design.noise_scale)
        self.likeness_ = Likeness.of(self.rows_.X).contradicted_by(fitting.contradicting)
        self.spread_factors_ = dict.fromkeys(calibration.ALL_SITUATIONS, 1.0)
        self.carrying_ = Carrying.whole()
        self.cards_: list[LotCard] = []
        self.sisters_ = Sisters()

    # -- set-ups where the physics stands ----------------------------------------------

    def encode(self, setups: pd.DataFrame) -> Rows:
        """Set-ups as the physics and the residual model want them."""
        setups = self.encoder_.completed(setups.reindex(columns=SETUP_COLUMNS))
        stack = self.encoder_.layers(setups, self.shelf_.ink_ids)
        readings = setups["readings"].astype(float).fillna(1.0).clip(lower=1.0).to_numpy()
        return Rows(stack, self.encoder_.process(setups, stack), readings)

    def features(self, setups: pd.DataFrame) -> pd.DataFrame:
        """What the residual model looks at, film and ground by the physics among it."""
        return self.layout_.with_ground(self.encode(setups), self.weights_).X

    def linearised(self, setups: pd.DataFrame, lab: Array | None = None) -> tuple[Linear, Design]:
        """Set-ups or prints where the physics stands; ``lab`` (n, 3) as measured."""
        linear = self.layout_.linearise(self.encode(setups), self.weights_, self.log_lengths_)
        measured = linear.lab if lab is None else lab
        repeat = self.settings_.repeatability_dE00
        return linear, self.layout_.design(linear, measured, self.weights_, repeat)

    # -- predict: see learn.predict.protocol ---------------------------------------------

    def predict_lab(self, setups: pd.DataFrame) -> Prediction:
        """The next print's Lab of every set-up, and how sure it is."""
        return self._predicted(setups)[0]

    def _predicted(self, setups: pd.DataFrame) -> tuple[Prediction, pd.DataFrame]:
        """Also what the residual model looks at."""
        linear, design = self.linearised(setups)
        mean, unsure = carrying.by_tangents(self, linear)
        _, cov = posterior.predict(linear.phi, self.posterior_)
        cov = cov + unsure[:, :, None] * unsure[:, None, :]
        noise = posterior.new_job_noise(design, self.hyper_)
        own = posterior.own_noise(design, self.hyper_) + posterior.job_noise(design, self.hyper_)
        X = linear.rows.X
        factor = self.likeness_.spread(X, self.spread_factors_)[:, None, None] ** 2
        apart = self.likeness_.apart(X)
        total = factor * (cov + noise) + apart[:, :, None] * apart[:, None, :]
        return Prediction(mean, total, own), X

    def predict_joint(self, setups: pd.DataFrame, g: int) -> Joint:
        """n jobs, each printed on g garments with errors in common; (n g) rows."""
        return together.as_jobs(self, setups, g)

    def between(
        self,
        setups: pd.DataFrame,
        screen: NDArray[np.intp] | None = None,
        after: pd.DataFrame | None = None,
    ) -> Belief:
        """What n set-ups have in common, without spread factors; ``after`` others have been
        printed, but for what they tell."""
        return together.between(self, setups, screen, after)

    def as_told(self, known: Belief, setups: pd.DataFrame) -> Belief:
        """What :meth:`between` knows of set-ups, as wide as what is predicted of each."""
        return together.as_told(self, known, setups)

    def in_order(
        self, prints: pd.DataFrame, lab: Array, first: int, still: Collection[str]
    ) -> together.Ordered:
        """Every print from ``first`` on as forecast from those before, by a shop that stands
        still in the terms ``still``."""
        return together.in_order(self, prints, lab, first, still)

    def means(self, setups: pd.DataFrame) -> Array:
        """Predicted Lab (n, 3) without bands."""
        rows = self.layout_.with_ground(self.encode(setups), self.weights_)
        learnt = self.layout_.means(rows, self.weights_, self.log_lengths_)
        return carrying.carried(self, rows, learnt).mean

    def spread(self, setups: pd.DataFrame) -> Array:
        """Factors (n,) on the standard deviations of predictions, for what was never printed."""
        return self.likeness_.spread(self.features(setups), self.spread_factors_)

    def spreads(self, setups: pd.DataFrame, afters: Sequence[pd.DataFrame]) -> Array:
        """:meth:`spread` once the set-ups of a list have been printed, each of t, (t, n)."""
        X, of = self.features(setups), np.repeat(np.arange(len(afters)), list(map(len, afters)))
        prints = pd.concat(afters, ignore_index=True).reindex(columns=SETUP_COLUMNS)
        # no list tells what cells of another must hold
        job = prints["job_id"].astype(object)
        prints["job_id"] = job.where(job.isna(), pd.Series(of).astype(str) + "/" + job.astype(str))
        printed = self.features(prints)
        each = (self.likeness_.with_more(Likeness.of(printed[of == i])) for i in range(len(afters)))
        return np.array([known.spread(X, self.spread_factors_) for known in each])

    def unseen(self, setups: pd.DataFrame) -> list[tuple[Unseen, ...]]:
        """What of each set-up was never printed, or hardly."""
        return self.likeness_.unseen(self.features(setups), self.shelf_.blank)

    def grounds(self, setups: pd.DataFrame) -> Array:
        """Lab (n, 3) of what the ink lies on."""
        X = self.features(setups)
        return np.column_stack([X[c] * GROUND_SCALES[c] for c in ("back_L", "back_a", "back_b")])

    def films_um(self, setups: pd.DataFrame) -> tuple[Array, Array]:
        """Dry film of ink and base, (n,) each, by the shop's calibrated constants alone."""
        stack = self.encoder_.layers(setups, self.shelf_.ink_ids)
        constants = self.layout_.state(self.weights_).constants
        return print_model.film_um(stack, constants, print_model.no_shift(len(stack)))

    def in_print(self, setups: pd.DataFrame) -> InPrint:
        """The optics of set-ups at any weights."""
        return InPrint.of(self, setups)

    @property
    def last_print(self) -> pd.Timestamp | None:
        """The day of the last print learnt from; None where none has a date."""
        day = self.likeness_.last_day * DAY
        return self.encoder_.first_day + pd.Timedelta(days=day) if np.isfinite(day) else None

    def prints_of(self, ink: str) -> int:
        """How many prints of an ink were learnt from."""
        return int(self.likeness_.counts["ink"].get(ink, 0))

    def prints_of_lot(self, ink: str, lot: str) -> int:
        """How many prints of a lot were learnt from."""
        level = level_of(ink, lot)
        cards = sum(card.level == level for card in self.cards_)  # which counts among them
        return int(self.likeness_.counts["lot"].get(level, 0)) - cards

    def knows_lot(self, ink: str, lot: str) -> bool:
        """Whether prints or a card tell of a lot."""
        return self.likeness_.counts["lot"].get(level_of(ink, lot), 0) > 0

    def moved_presses(self) -> list[Moved]:
        """Presses that lay otherwise from some day on, though no change was recorded."""
        return moved_presses(self)

    def lots(self, prints: pd.DataFrame) -> list[Lot]:
        """How every batch of ink differs from those before it; see :func:`lots_of`."""
        return lots_of(self, prints)

    def sisters_of(self, ink: str) -> tuple[tuple[str, int], ...]:
        """The plants that told of an ink, and how many prints of it each has."""
        return self.sisters_.of(ink)

    def carded(self) -> list[Carded]:
        """What cards say of lots never printed; see :func:`carded_of`."""
        return carded_of(self)

    def known_from(self, ink: str) -> str:
        """What its drawdowns tell of an ink."""
        return self.shelf_.known_from[self.shelf_.ink_ids.index(ink)]

    def nothing_of(self) -> list[str]:
        """Inks of which nothing is measured and nothing printed, here or by another plant."""
        return self.likeness_.nothing_of(self.shelf_.blank)

    def missed(self) -> float:
        """The share of a film's reflectance that theory misses, by the shop's cards."""
        return self.shelf_.missed

    def of_inks(
        self, inks: list[str], value: Callable[[Array, Array], Array]
    ) -> tuple[Array, Array]:
        """What follows from the K and S of inks, (m, c), and its covariance (m, c, c).

        ``value`` takes log K and log S, (m, 31) each, and answers row by row.
        """
        at = self.shelf_.index(pd.Series(inks, dtype=object))
        return of_inks.learnt(self.layout_, at, value, self.weights_, self.posterior_)

    def of_cards(
        self, inks: list[str], value: Callable[[Array, Array], Array]
    ) -> tuple[Array, Array]:
        """The same by the cards of inks, whatever their prints say."""
        at = self.shelf_.index(pd.Series(inks, dtype=object))
        return of_inks.by_cards(self.layout_, at, value)

    def buckets(self, inks: list[str]) -> tuple[Array, Array]:
        """Lab (m, 3) of inks at full hiding and covariance; as measured where it was."""
        at = self.shelf_.index(pd.Series(inks, dtype=object))
        known_from = [self.shelf_.known_from[i] for i in at]
        learnt, cards = ((lab[at], covariance[at]) for lab, covariance in self._buckets())
        repeat = self.settings_.repeatability_dE00
        return as_told(learnt, cards, known_from, self.shelf_.bucket_measured[at], repeat)

    def bucket_measured(self, ink: str) -> bool:
        """Whether the colour of an ink at full hiding was measured."""
        at = self.shelf_.ink_ids.index(ink)
        return bool(np.isfinite(self.shelf_.bucket_measured[at]).all())

    def _buckets(self) -> tuple[Colours, Colours]:
        """Of the whole shelf by what was learnt, and by cards alone, found once: every prediction
        asks for some."""
        here, found = (self.layout_, self.weights_, self.posterior_), self._found
        if found is None or any(a is not b for a, b in zip(found[0], here, strict=True)):
            found = here, of_inks.in_bucket(self.layout_, self.weights_, self.posterior_)
            self._found = found
        return found[1]

    def predict(self, setups: pd.DataFrame) -> pd.DataFrame:
        """Colours, bands and verdicts, a row a set-up in the order given.

        Columns: setup_id, L, a, b, L_sd, a_sd, b_sd, bucket_L, bucket_a, bucket_b,
        shift_dE00, shift_lo, shift_hi, target_dE00, target_lo, target_hi,
        p_in_tolerance, and verdict, cause and the facts a sentence about them tells, as
        `learn.predict.verdict.judge` gives them; the two ends of the 90 % band
        (`learn.predict.causes.ENDS`) L, a, b each; ``beneath``, without a target: "base" or
        "garment" where the print differs from its bucket because that shows through, else "".

        Raises
        ------
        Unusable
            when a set-up names an ink, garment or mesh the model has not been told of.
        """
        setups = setups.reset_index(drop=True)
        p, X = self._predicted(setups)
        unseen = self.likeness_.unseen(X, self.shelf_.blank)
        found = judged(setups, p, self.buckets(list(setups["ink_id"])), unseen, self.settings_)
        return found.assign(beneath=self._beneath(setups, found))

    def _beneath(self, setups: pd.DataFrame, verdicts: pd.DataFrame) -> Array:
        """What shows through the ink of set-ups without a target, (n,): "base", "garment" or "".

        By the physics: whether the print would move most of the way to its bucket, could its
        film hide what lies beneath.
        """
        found = np.full(len(setups), "", object)
        own = ~verdicts["aimed"].to_numpy()
        if own.any():
            rows = self.encode(setups[own])
            shown, hidden = self.layout_.hidden(rows, self.weights_)
            least = MOSTLY * np.maximum(verdicts["shift_dE00"].to_numpy()[own], NOTICED)
            kinds = np.where(rows.stack.base >= 0, "base", "garment")
            found[own] = np.where(delta_e00(shown, hidden) > least, kinds, "")
        return found

    # -- what it has learnt from -------------------------------------------------------

    def history(self) -> History:
        """The prints learnt from; of a stored model once :meth:`recall` gave them back."""
        return history(self)

    def leave_out(self, levels: pd.Series) -> calibration.LeftOut:
        """Every print learnt from as predicted without its level of ``levels`` (n,)."""
        return calibration.leave_out(self, levels)

    def recall(self, shop: Shop) -> ShiftModel:
        """A stored model with its history, so that prints can be left out of it.

        ``shop`` holds the tables it was learnt from. Hyper-parameters, weights and prints set
        aside stay as they were.

        Raises
        ------
        Unusable
            when no print is left to learn from, or a print names what the model does not know.
        """
        return recall(self, shop)

    # -- keep ------------------------------------------------------------------------

    def to_state(self) -> tuple[dict[str, Array], dict[str, Any]]:
        """Arrays and a JSON-able description; see :mod:`learn.predict.serialise`."""
        return to_state(self)

    @classmethod
    def from_state(cls, arrays: dict[str, Array], description: dict[str, Any]) -> ShiftModel:
        """The model that gave this state; predicts the same bit for bit."""
        return from_state(cls(), arrays, description)
