"""The estimator people import: learn from a shop, predict its prints."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import chdtri

from learn import residual, validate
from learn.colorimetry import viewing
from learn.decision import judge
from learn.features import Encoder
from learn.inks import describe_shelf, lab_columns
from learn.kernels import TERMS, FittedTerm, Term
from learn.likeness import Likeness
from learn.linearise import Layout, Linear, Rows
from learn.residual import Design, Posterior
from learn.search import evidence_by, most_probable
from learn.shop import SETUP_COLUMNS, Shop
from learn.state import from_state, to_state

Array = NDArray[np.float64]
Progress = Callable[[str], None]


class Prediction(NamedTuple):
    """n set-ups predicted."""

    mean: Array  # (n, 3) Lab
    covariance: Array  # (n, 3, 3) of the next measured print
    noise: Array  # (n, 3, 3) what would remain with everything about the set-up known
    X: pd.DataFrame  # encoded features


# A print this far from what all others say of it (chi-square tail of its leave-one-out
# residual, 3 degrees of freedom) is a gross error, not a surprise.
GROSS_TAIL = 1e-7
# Beyond this squared distance (99 % point) a print's noise is inflated during the first
# fit, so that a gross error cannot bend it; nearer prints count in full.
DOUBTFUL = float(chdtri(3, 0.01))
# Gauss-Newton stops when a step lowers the misfit (a chi-square) by less than this.
SETTLED = 0.5


class ShiftModel:
    """Physics calibrated to a shop's history, plus a Gaussian process on what is left.

    Parameters
    ----------
    terms : terms of the residual model; an empty list leaves the calibrated physics
    calibrate_inks : let the history bend K and S of each ink
    max_iterations : of the hyper-parameter search
    random_state : seed of the inducing points

    Attributes
    ----------
    layout_ : Layout, what the weights mean
    weights_ : (p,) where the physics stands; posterior mean of the weights
    posterior_ : Posterior
    hyper_, log_lengths_ : hyper-parameters
    set_aside_ : frame (print_id, reason, distance) of gross errors not learnt from
    spread_factors_ : factor on the predictive standard deviation, by situation
    validation_ : held-out figures, every job predicted from all the others
    """

    def __init__(
        self,
        terms: list[Term] | None = None,
        calibrate_inks: bool = True,
        max_iterations: int = 25,
        random_state: int = 0,
    ) -> None:
        self.terms = terms
        self.calibrate_inks = calibrate_inks
        self.max_iterations = max_iterations
        self.random_state = random_state

    # -- fit -------------------------------------------------------------------------

    def fit(self, shop: Shop, progress: Progress | None = None) -> ShiftModel:
        """Learn from every print of the shop that has a colour."""
        say = progress or (lambda _: None)
        self.settings_ = shop.settings
        self.viewing_ = viewing(shop.settings.illuminant, shop.settings.observer)
        self.encoder_ = Encoder.of(shop, self.viewing_)
        say(f"describing {len(shop.inks)} inks from {len(shop.drawdowns)} drawdowns")
        self.shelf_ = describe_shelf(
            shop.inks, shop.drawdowns, shop.substrates, self.encoder_.substrate_r, self.viewing_
        )
        prints = shop.prints.reset_index(drop=True)
        lab = lab_columns(prints, self.viewing_)
        usable = np.isfinite(lab).all(axis=1)
        self.prints_, self.lab_ = prints[usable].reset_index(drop=True), lab[usable]
        rows = self._encode(self.prints_)
        self._learn(rows, say)
        self.likeness_ = Likeness.of(self.rows_.X)
        self.spread_factors_ = dict.fromkeys(validate.ALL_SITUATIONS, 1.0)
        self.validation_: dict[str, float] = {"n_prints": 0, "n_jobs": 0, "n_set_aside": 0}
        if self.keep_.any():
            say("predicting every job from all the others")
            self.spread_factors_ = validate.spread_factors(self)
            self.validation_ = validate.report(self, self.physics_alone())
        return self

    def _learn(self, rows: Rows, say: Progress) -> None:
        keep = np.ones(len(self.prints_), bool)
        self.noise_scale_: Array | None = None
        self.converged_ = True
        self.set_aside_ = pd.DataFrame(columns=["print_id", "reason", "distance"])
        self._prepare(rows, [])
        if len(keep):
            say(f"calibrating the physics on {len(keep)} prints")
            self._converge(rows, keep, 15, robust=True)
        calibrated = self.weights_
        self._prepare(rows, TERMS if self.terms is None else self.terms)
        self.weights_[: len(calibrated)] = calibrated
        if len(keep):
            self._converge(rows, keep, 6, robust=True)
            say("finding how much each cause moves a print")
            self._search(rows, keep, self.max_iterations // 2, robust=True)
            self._converge(rows, keep, 6, robust=True)
            keep = self._screen(rows, keep)
            say(f"{(~keep).sum()} prints set aside; learning from {keep.sum()}")
            self._search(rows, keep, self.max_iterations)
            self._converge(rows, keep, 6)
            keep = self._screen(rows, keep)
        self.keep_ = keep
        self._converge(rows, keep, 4)

    def physics_alone(self) -> ShiftModel:
        """The same physics calibrated to the same prints, without learning what is left."""
        alone = ShiftModel(terms=[], calibrate_inks=False, max_iterations=8)
        for name in ("settings_", "viewing_", "encoder_", "shelf_"):
            setattr(alone, name, getattr(self, name))
        alone.prints_ = self.prints_[self.keep_].reset_index(drop=True)
        alone.lab_, alone.keep_ = self.lab_[self.keep_], np.ones(self.keep_.sum(), bool)
        rows = self._encode(alone.prints_)
        alone._prepare(rows, [])
        alone.noise_scale_ = None
        # robust: an ink described by nothing must not bend the constants of all
        alone._converge(rows, alone.keep_, 8, robust=True)
        alone._search(rows, alone.keep_, alone.max_iterations, robust=True)
        alone._converge(rows, alone.keep_, 6, robust=True)
        alone.likeness_ = Likeness.of(alone.rows_.X)
        alone.spread_factors_ = validate.spread_factors(alone)  # its bands get the same care
        return alone

    def _encode(self, setups: pd.DataFrame) -> Rows:
        setups = setups.reindex(columns=SETUP_COLUMNS)
        stack = self.encoder_.layers(setups)
        readings = setups["readings"].astype(float).fillna(1.0).clip(lower=1.0).to_numpy()
        return Rows(stack, self.encoder_.process(setups, stack), readings)

    def _prepare(self, rows: Rows, terms: list[Term]) -> None:
        """Levels, inducing points, and where the search starts."""
        bare = Layout(self.shelf_, [], self.viewing_)
        rows = bare.with_ground(rows, np.zeros(bare.size))
        fitted = [FittedTerm.of(t, rows.X, self.random_state) for t in terms]
        self.layout_ = Layout(self.shelf_, fitted, self.viewing_)
        self.weights_ = np.zeros(self.layout_.size)
        self.hyper_, self.spread_ = self.layout_.hyper()
        if not self.calibrate_inks:
            block = self.hyper_.block.copy()
            inks = slice(1, self.layout_.first_term)
            block[inks] = np.log(1e-4)
            spread = self.spread_.block.copy()
            spread[inks] = 0.0
            self.hyper_ = replace(self.hyper_, block=block)
            self.spread_ = replace(self.spread_, block=spread)
        self.medians_ = self.hyper_
        self.log_lengths_ = self.layout_.log_lengths()

    def _linear(self, rows: Rows) -> tuple[Rows, Linear]:
        rows = self.layout_.with_ground(rows, self.weights_)
        return rows, self.layout_.linearise(rows, self.weights_, self.log_lengths_)

    def _design(self, rows: Rows, linear: Linear, lab: Array) -> Design:
        return self.layout_.design(
            rows, linear, lab, self.weights_, self.settings_.repeatability_dE00
        )

    def _converge(self, rows: Rows, keep: NDArray, steps: int, robust: bool = False) -> None:
        """Gauss-Newton with a line search; ends when a step no longer pays."""
        rows = _take(rows, keep)
        lab = self.lab_[keep]
        for _ in range(steps):
            rows, linear = self._linear(rows)
            design = self._design(rows, linear, lab)
            if robust:
                design, post, _ = self._downweighted(design)
            else:
                post = residual.posterior(design, self.hyper_)
            if not len(lab):
                break
            gain = self._move(rows, lab, design, post.mean - self.weights_)
            if gain < SETTLED:
                break
        self.posterior_, self.design_, self.rows_ = post, design, rows

    def _move(self, rows: Rows, lab: Array, design: Design, step: Array) -> float:
        """Take as much of a Gauss-Newton step as the non-linear misfit allows."""
        features = self.layout_.features(rows, self.log_lengths_)

        def misfit(w: Array) -> float:
            error = lab - self.layout_.lab(rows, w, features)
            return residual.penalised_misfit(design, self.hyper_, error, w)

        here = misfit(self.weights_)
        for share in (1.0, 0.5, 0.25, 0.1, 0.03):
            trial = self.weights_ + share * step
            gain = here - misfit(trial)
            if gain > 0:
                self.weights_ = trial
                return gain
        return 0.0

    def _downweighted(self, design: Design) -> tuple[Design, Posterior, Array]:
        """The design under the present robust weights, its posterior, and how far each
        print (n,) lies from what the others say; the weights then follow these distances."""
        if self.noise_scale_ is not None:
            design = replace(design, noise_scale=self.noise_scale_)
        post, error, covariance = residual.leave_one_out(design, self.hyper_)
        distance = _squared_distance(error, covariance)
        self.noise_scale_ = np.maximum(1.0, distance / DOUBTFUL)
        return design, post, distance

    def _search(
        self, rows: Rows, keep: NDArray, iterations: int, robust: bool = False, restarts: int = 0
    ) -> None:
        """MAP of the hyper-parameters at the present linearisation."""
        if not iterations:
            return
        rows, linear = self._linear(_take(rows, keep))
        design = self._design(rows, linear, self.lab_[keep])
        if robust:
            design, _, _ = self._downweighted(design)
        objective = evidence_by(self.layout_, rows, linear, design, self.hyper_)
        self.hyper_, self.log_lengths_, found = most_probable(
            objective,
            (self.hyper_, self.log_lengths_),
            (self.medians_, self.layout_.log_lengths()),
            self.spread_,
            iterations,
            restarts,
            self.random_state,
        )
        self.converged_ = found[0].converged
        self._pool_bends(rows)

    def _pool_bends(self, rows: Rows) -> None:
        """An ink without prints bends as the printed ones typically do."""
        if not self.calibrate_inks:
            return
        layout, block = self.layout_, self.hyper_.block.copy()
        used = np.concatenate([rows.stack.ink, rows.stack.base[rows.stack.base >= 0]])
        printed = np.bincount(used, minlength=layout.n_inks) > 0
        for start in (2, 2 + layout.n_inks):
            bends = block[start : start + layout.n_inks]
            bends[~printed] = np.median(bends[printed])
        self.hyper_ = replace(self.hyper_, block=block)

    def _screen(self, rows: Rows, keep: NDArray) -> NDArray:
        """Judge every print, also those set aside before, against all kept ones."""
        everyone, linear = self._linear(rows)
        design = self._design(everyone, linear, self.lab_)
        distance = np.empty(len(keep))
        _, post, distance[keep] = self._downweighted(design.take(keep))
        self.noise_scale_ = None
        if (~keep).any():
            out = design.take(~keep)
            mean, cov = residual.predict(out.phi, post)
            cov = cov + residual.noise_blocks(out, self.hyper_)
            distance[~keep] = _squared_distance(out.y - mean, cov)
        # with the tail at 1e-7 a good print is lost once in ten million
        new = distance < chdtri(3, GROSS_TAIL)
        self.set_aside_ = pd.DataFrame(
            {
                "print_id": self.prints_["print_id"].to_numpy()[~new],
                "reason": [
                    f"colour is {d:.0f} standard deviations from what all other prints say"
                    for d in np.sqrt(distance[~new])
                ],
                "distance": np.sqrt(distance[~new]),
            }
        )
        return new

    # -- predict ---------------------------------------------------------------------

    def predict_lab(self, setups: pd.DataFrame) -> Prediction:
        """The next print's Lab of every set-up, and how sure it is."""
        rows, linear = self._linear(self._encode(setups))
        free = ~self.layout_.physical
        mean = linear.lab + linear.phi @ np.where(free, self.weights_, 0.0)
        design = self._design(rows, linear, linear.lab)
        _, cov = residual.predict(linear.phi, self.posterior_)
        job = residual.job_noise(design, self.hyper_)
        noise = residual.noise_blocks(design, self.hyper_) + job
        own = residual.own_noise(design, self.hyper_) + job
        factor = self._spread(rows.X)[:, None, None] ** 2
        return Prediction(mean, factor * (cov + noise), own, rows.X)

    def _spread(self, X: pd.DataFrame) -> Array:
        factors = self.spread_factors_
        spread = np.full(len(X), factors["job"])
        halfway = np.sqrt(factors["job"] * factors["ink"])
        spread = np.where(self.likeness_.few(X), np.maximum(spread, halfway), spread)
        for situation, rows in self.likeness_.situations(X).items():
            spread = np.where(rows, np.maximum(spread, factors[situation]), spread)
        return spread

    def predict(self, setups: pd.DataFrame) -> pd.DataFrame:
        """Colours, bands and verdicts, a row a set-up in the order given.

        Columns: setup_id, L, a, b, L_sd, a_sd, b_sd, bucket_L, bucket_a, bucket_b,
        shift_dE00, shift_lo, shift_hi, target_dE00, target_lo, target_hi,
        p_in_tolerance, test_print, reason.

        Raises
        ------
        ValueError
            when a set-up names an ink, garment or mesh the model has not been told of.
        """
        setups = setups.reset_index(drop=True)
        p = self.predict_lab(setups)
        bucket, bucket_cov = self._buckets()
        ink = self.shelf_.index(setups["ink_id"])
        verdicts = judge(
            p.mean,
            p.covariance,
            p.noise,
            bucket[ink],
            bucket_cov[ink],
            setups,
            self.likeness_.in_words(p.X),
            self.settings_,
        )
        sd = np.sqrt(np.einsum("nii->ni", p.covariance))
        colours = pd.DataFrame(
            np.hstack([p.mean, sd, bucket[ink]]),
            columns=[*"Lab", "L_sd", "a_sd", "b_sd", "bucket_L", "bucket_a", "bucket_b"],
        )
        return pd.concat([setups[["setup_id"]], colours, verdicts], axis=1)

    # -- keep ------------------------------------------------------------------------

    def to_state(self) -> tuple[dict[str, Array], dict[str, Any]]:
        """Arrays and a JSON-able description; see :mod:`learn.state`."""
        return to_state(self)

    @classmethod
    def from_state(cls, arrays: dict[str, Array], description: dict[str, Any]) -> ShiftModel:
        """The model that gave this state; predicts the same bit for bit."""
        return from_state(cls(), arrays, description)

    def _buckets(self) -> tuple[Array, Array]:
        """Lab of every ink at full hiding and its covariance; as measured where it was."""
        lab, cov = self.layout_.buckets(self.weights_, self.posterior_.covariance)
        measured = np.isfinite(self.shelf_.bucket_measured).all(axis=1)
        lab[measured] = self.shelf_.bucket_measured[measured]
        cov[measured] = self.settings_.repeatability_dE00**2 * np.eye(3)
        return lab, cov


def _take(rows: Rows, keep: NDArray) -> Rows:
    return Rows(rows.stack.take(keep), rows.X[keep].reset_index(drop=True), rows.readings[keep])


def _squared_distance(error: Array, covariance: Array) -> Array:
    return np.einsum("ni,ni->n", error, np.linalg.solve(covariance, error[:, :, None])[:, :, 0])
