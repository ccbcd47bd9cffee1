"""A second engine, as plain as can be: physics, and scikit-learn's Gaussian process beside it.

It is told what the calibrated physics says of a set-up - colour, film, ground - and learns what is
left of L, a and b, each by itself. Nothing of it is tuned: it stands for any other engine.
"""

from __future__ import annotations

import copy
from collections.abc import Sequence

import numpy as np
import pandas as pd
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import RBF, ConstantKernel, WhiteKernel

from learn.gp.covariance import Belief, apart
from learn.physics.drawdowns import lab_columns
from learn.predict.causes import Unseen
from learn.predict.model import ShiftModel
from learn.predict.protocol import Joint, Prediction
from learn.predict.verdict import judged
from learn.shop import Shop

NUMBERS = ["log_film", "back_L", "back_a", "back_b", "log_volume", "wet_strokes", "flashes"]
LEVELS = ["ink", "substrate", "press"]
COLOUR_STEP = 25.0  # units of Lab that count as much as one of the features
APART = 0.7  # of two levels, in each of their columns


class PlainEngine:
    """Physics calibrated to the shop's prints, plus a Gaussian process a channel on the rest."""

    def fit(self, shop: Shop, progress=None, trusted=frozenset()) -> PlainEngine:
        """Learn from every print of the shop that has a colour."""
        self.physics_ = ShiftModel(terms=[], calibrate_inks=False, max_iterations=4, restarts=0)
        self.physics_.fit(shop, progress, trusted)
        self.settings_, self.viewing_ = shop.settings, self.physics_.viewing_
        self.encoder_ = self.physics_.encoder_
        lab = lab_columns(shop.prints, self.viewing_)
        gross = shop.prints["print_id"].isin(self.physics_.set_aside_["print_id"]).to_numpy()
        told = np.isfinite(lab).all(axis=1) & ~gross
        prints, lab = shop.prints[told].reset_index(drop=True), lab[told]
        self.printed_ = {c: prints[c].value_counts().to_dict() for c in ("ink_id", "substrate_id")}
        self.levels_ = {c: sorted(self.physics_.features(prints)[c].dropna()) for c in LEVELS}
        self.levels_ = {c: pd.unique(np.array(v, object)) for c, v in self.levels_.items()}
        kernel = ConstantKernel(1.0, (1e-2, 1e2)) * RBF(2.0, (0.3, 30.0)) + WhiteKernel(0.1)
        X, left = self._table(prints), lab - self.physics_.means(prints)
        self.channels_ = [GaussianProcessRegressor(kernel).fit(X, left[:, c]) for c in range(3)]
        self.noise_ = np.diag([gp.kernel_.k2.noise_level for gp in self.channels_])
        return self

    @property
    def last_print(self) -> pd.Timestamp | None:
        return self.physics_.last_print

    def told_of(self, shop: Shop, *, gone: bool = False) -> PlainEngine:
        told = copy.copy(self)
        told.physics_ = self.physics_.told_of(shop, gone=gone)
        told.encoder_ = told.physics_.encoder_
        return told

    def _table(self, setups: pd.DataFrame) -> np.ndarray:
        X = self.physics_.features(setups)
        levels = [APART * (X[c].to_numpy()[:, None] == known) for c, known in self.levels_.items()]
        numbers = X[NUMBERS].fillna(0.0).to_numpy(float)
        return np.hstack([self.physics_.means(setups) / COLOUR_STEP, numbers, *levels])

    def means(self, setups: pd.DataFrame) -> np.ndarray:
        X = self._table(setups)
        left = np.column_stack([gp.predict(X) for gp in self.channels_])
        return self.physics_.means(setups) + left

    def between(self, setups: pd.DataFrame, screen=None, after=None) -> Belief:
        X, n = self._table(setups), len(setups)
        unknown, left = np.zeros((n, 3, n, 3)), np.empty((n, 3))
        for c, gp in enumerate(self.channels_):
            left[:, c], total = gp.predict(X, return_cov=True)
            unknown[:, c, :, c] = total - self.noise_[c, c] * np.eye(n)
        mean = self.physics_.means(setups) + left
        return Belief(mean, unknown, np.tile(self.noise_, (n, 1, 1)))

    def as_told(self, known: Belief, setups: pd.DataFrame) -> Belief:
        return known.widened(self.spread(setups))

    def predict_lab(self, setups: pd.DataFrame) -> Prediction:
        X = self._table(setups)
        left, sd = zip(*(gp.predict(X, return_std=True) for gp in self.channels_), strict=True)
        mean = self.physics_.means(setups) + np.column_stack(left)
        spread = self.spread(setups)[:, None] * np.column_stack(sd)
        covariance = spread[:, :, None] ** 2 * np.eye(3)
        return Prediction(mean, covariance, np.tile(self.noise_, (len(mean), 1, 1)))

    def predict_joint(self, setups: pd.DataFrame, g: int) -> Joint:
        n = len(setups) // g
        known = self.as_told(self.between(setups), setups)
        unknown = known.unknown.reshape(n, 3 * g, n, 3 * g)[np.arange(n), :, np.arange(n)]
        noise = apart(np.tile(self.noise_, (len(setups), 1, 1)), g)
        mean, total = known.mean.reshape(n, g, 3), unknown + apart(known.scatter, g)
        return Joint(mean, total, noise)

    def predict(self, setups: pd.DataFrame) -> pd.DataFrame:
        buckets = self.buckets(list(setups["ink_id"]))
        told = self.predict_lab(setups), buckets, self.unseen(setups)
        return judged(setups.reset_index(drop=True), *told, self.settings_).assign(beneath="")

    def spread(self, setups: pd.DataFrame) -> np.ndarray:
        return self.spreads(setups, [setups.head(0)])[0]

    def spreads(self, setups: pd.DataFrame, afters: Sequence[pd.DataFrame]) -> np.ndarray:
        inks = set(self.printed_["ink_id"])
        known = [setups["ink_id"].isin(inks | set(after["ink_id"])) for after in afters]
        return np.where(known, 1.0, 1.5)

    def unseen(self, setups: pd.DataFrame) -> list[tuple[Unseen, ...]]:
        seen = setups["ink_id"].isin(list(self.printed_["ink_id"]))
        return [
            () if known else (Unseen("ink", "never", ink),)
            for ink, known in zip(setups["ink_id"], seen, strict=True)
        ]

    def buckets(self, inks: list[str]) -> tuple[np.ndarray, np.ndarray]:
        return self.physics_.buckets(inks)

    def grounds(self, setups: pd.DataFrame) -> np.ndarray:
        return self.physics_.grounds(setups)

    def films_um(self, setups: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
        return self.physics_.films_um(setups)

    def prints_of(self, ink: str) -> int:
        return int(self.printed_["ink_id"].get(ink, 0))

    def prints_of_lot(self, ink: str, lot: str) -> int:
        return self.prints_of(ink)  # one lot is as good as another here

    def knows_lot(self, ink: str, lot: str) -> bool:
        return self.prints_of_lot(ink, lot) > 0

    def sisters_of(self, ink: str) -> tuple:
        return ()

    def carded(self) -> list:
        return []

    def known_from(self, ink: str) -> str:
        return self.physics_.known_from(ink)

    def nothing_of(self) -> list[str]:
        inks = self.encoder_.inks.index
        return [i for i in inks if self.known_from(i) == "nothing" and not self.prints_of(i)]
