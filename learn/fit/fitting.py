"""From a history to weights and hyper-parameters: Gauss-Newton, search, screening in turn.

A long history is first learnt from a part of it - whole jobs, every ink with as many prints
as any - and what that gives is then improved on all prints. Every print counts in the end;
the detour only saves steps that all prints would have to pay for.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from learn.colour.colorimetry import Viewing, delta_e00
from learn.fit.contradiction import Contradicting, contradicting
from learn.fit.eras import no_jumps, stretches_of
from learn.fit.hyperparameters import Found, evidence_by, most_probable
from learn.fit.jumps import likeliest
from learn.fit.linearisation import Layout, Linear, Rows
from learn.fit.slips import (
    DOUBTFUL,
    GROSS_DISTANCE,
    by_itself,
    far_off,
    gross_distance,
    is_gross,
    of_other_ink,
    one_way,
    shared,
)
from learn.fit.strangeness import contradicted, judged, other_inks
from learn.gp import posterior
from learn.gp.posterior import Design, Hyper, Posterior
from learn.gp.terms import FittedTerm, Term
from learn.normal import squared_distance
from learn.physics.print_model import CONSTANTS
from learn.physics.shelf import Shelf
from learn.shop import jobs_of

Array = NDArray[np.floating]
Mask = NDArray[np.bool_]
Progress = Callable[[str], None]

# Gauss-Newton stops when a step lowers the misfit (a chi-square) by less than this a
# thousand prints, or this in all.
SETTLED = 0.5
# Where it never settles, levels are judged before so many of its last steps.
LAST_JUDGED = 2
# The first fit of a longer history sees about this many prints.
FIRST_PRINTS = 1500
# How far the shop's own calibration of the physics moves the expected constants (1: all the
# way), and the steps it gets.
CALIBRATED_SHARE, CALIBRATION_STEPS = 0.5, 8
# No constant moves farther than so many of its prior sds in one step: tangents tell what is near.
STRIDE = 1.5
# An ink of fewer prints is judged by what these say of its card.
FEW_PRINTS = 4
# So often these inks, and the lots and presses of a batch, are judged anew.
JUDGED = 3
# Presses have not moved, unrecorded, more often than this in one history.
JUMPS = 12
# By so much the noise of prints is inflated that were just found to be of no lot.
UNHEARD = 1e3
# Steps of the first search, while gross errors are still among the prints, and of the search on
# all prints of a longer history.
ROUGH, POLISH = 12, 8


class Fitting:
    """A model while it learns; every attribute is the present best."""

    def __init__(
        self,
        shelf: Shelf,
        viewing: Viewing,
        rows: Rows,
        lab: Array,
        *,
        repeat: float,
        calibrate_inks: bool = True,
        random_state: int = 0,
        trusted: Mask | None = None,
    ) -> None:
        self.shelf, self.viewing, self.rows, self.lab = shelf, viewing, rows, lab
        self.repeat, self.calibrate_inks = repeat, calibrate_inks
        self.random_state = random_state
        n = len(lab)
        self.trusted = np.zeros(n, bool) if trusted is None else trusted
        self.keep = np.ones(n, bool)
        self.distance = np.zeros(n)  # of each print from what the others say, in sds
        self.gross = GROSS_DISTANCE  # from which on it is a gross error, squared
        self.noise_scale: Array | None = None
        self.ahead = False  # the searches are over, and what counts is to predict
        self.contradicting: Contradicting = {}
        self.no_lots: set[str] = set()  # another ink under the name of one
        self.jumps = no_jumps()  # of presses, that nobody wrote down
        self.searches: list[list[Found]] = []
        self.centre: Array = np.zeros(len(CONSTANTS))
        self.weights: Array = np.zeros(0)
        self.start([])

    def start(self, terms: list[Term]) -> None:
        """Levels, inducing points, and where the search starts; what the weights of the
        physics already know stays."""
        known = self.weights
        bare = Layout(self.shelf, [], self.viewing, self.centre)
        rows = bare.with_ground(self.rows, np.zeros(bare.size))
        told = [t for t in terms if FittedTerm.told_by(t, rows.X)]
        fitted = [FittedTerm.of(t, rows.X, self.random_state) for t in told]
        self.layout = Layout(self.shelf, fitted, self.viewing, self.centre)
        self.weights = np.concatenate([known, np.zeros(self.layout.size - len(known))])
        self.hyper, self.spread = self.layout.hyper()
        if not self.calibrate_inks:
            inks = slice(1, self.layout.first_term)
            self.hyper, self.spread = _held(self.hyper, self.spread, inks, np.log(1e-4))
        self.medians = self.hyper
        self.log_lengths = self.layout.log_lengths()

    def learn(self, terms: list[Term], iterations: int, restarts: int, say: Progress) -> None:
        """The whole course; ends with ``posterior`` and ``design`` of the prints kept."""
        n = len(self.lab)
        some = first_prints(self.rows.X, FIRST_PRINTS, self.random_state)
        if n:
            say(f"calibrating the physics on {some.sum()} prints")
            self.expect_constants(some)
            self.converge(some, 15, robust=True)
        self.start(terms)
        if n:
            self.converge(some, 6, robust=True)
            say("finding how much each cause moves a print")
            self.search(some, min(ROUGH, iterations), robust=True, restarts=restarts)
            self.converge(some, 6, robust=True)
            if not some.all():
                say(f"going on with all {n} prints")
                self.noise_scale = None
                self.converge(self.keep, 3, robust=True)
            self.part_presses()
            self.screen()
            out, of = (~self.keep).sum(), "print" if (~self.keep).sum() == 1 else "prints"
            say(f"{out} {of} left out for now; learning from {self.keep.sum()}")
            self.search(self.keep, iterations if some.all() else POLISH)
            self.converge(self.keep, 6)
            self.part_presses()
            self.screen(back=True)
        self.ahead = True
        self.converge(self.keep, 6, robust=True)
        self.judge_inks()

    def expect_constants(self, among: Mask) -> None:
        """Expect the constants half-way to where the physics alone explains the prints best.

        Terms as free as these explain almost any history, and then say little about the
        constants; for an ink never printed these are all there is. Taken over in full they
        would also make up for what only the terms know.
        """
        alone = Fitting(
            self.shelf,
            self.viewing,
            self.rows.take(among),
            self.lab[among],
            repeat=self.repeat,
            calibrate_inks=False,
        )
        alone.converge(alone.keep, CALIBRATION_STEPS, robust=True)
        self.centre = CALIBRATED_SHARE * alone.weights[: len(self.centre)]
        self.start([])

    def calibrate(self, iterations: int) -> None:
        """The physics alone, robustly: an ink described by nothing must not bend the
        constants of all."""
        self.converge(self.keep, 8, robust=True)
        self.search(self.keep, iterations, robust=True)
        self.converge(self.keep, 6, robust=True)

    def design_of(self, rows: Rows, lab: Array) -> tuple[Linear, Design]:
        """The linear problem where the physics now stands."""
        linear = self.layout.linearise(rows, self.weights, self.log_lengths)
        return linear, self.layout.design(linear, lab, self.weights, self.repeat)

    def converge(self, among: Mask, steps: int, robust: bool = False) -> None:
        """Gauss-Newton with a line search; ends when a step no longer pays."""
        rows, lab = self.rows.take(among), self.lab[among]
        for left in reversed(range(steps)):
            linear, design = self.design_of(rows, lab)
            rows = linear.rows
            if robust:
                design, post, *_ = self._downweighted(design, self._lots(rows.X))
            else:
                post = posterior.posterior(design, self.hyper)
            if not len(lab):
                break
            gain = self._move(linear, lab, design, post.mean - self.weights)
            settled = gain < SETTLED * max(1.0, len(lab) / 1000)
            judge = left > 0 and (settled or left <= LAST_JUDGED)
            if not (judge and self._judge_levels(post, rows.X)) and settled:
                break
        self.posterior, self.design, self.kept_rows = post, design, rows

    def part_presses(self) -> None:
        """Where a press has moved from one day on, what it lays from then on is its own."""
        for _ in range(JUMPS if self.layout.parts_presses else 0):
            jump = likeliest(self.design, self.hyper, self.kept_rows.X)
            if jump is None:
                break
            self.jumps = pd.concat([self.jumps, pd.DataFrame([jump])], ignore_index=True)
            X = self.rows.X
            stretch = stretches_of(X["era"], X["day"].to_numpy(float), self.jumps)
            self.rows = self.rows._replace(X=X.assign(stretch=stretch))
            was, terms = self.layout, [t.with_levels(self.rows.X) for t in self.layout.terms]
            self.layout, known = replace(was, terms=terms), self.weights
            self.weights = np.zeros(self.layout.size)
            self.weights[was.placed_in(self.layout)] = known
            self.converge(self.keep, 6, robust=True)

    def judge_inks(self) -> None:
        """Where the few prints of an ink contradict its card, all that is its own is more
        uncertain than of other inks (`learn.fit.strangeness.contradicted`)."""
        ink = self.rows.X["ink"][self.keep]
        few = ink[ink.map(ink.value_counts()) < FEW_PRINTS].unique()
        for _ in range(JUDGED if len(few) else 0):
            found = contradicted(self.layout, self.hyper, self.posterior, few)
            if found is None:
                break
            self.layout, self.hyper = found.layout, found.hyper
            self.weights = self.weights * found.factor
            self.converge(self.keep, 2, robust=True)

    def _judge_levels(self, post: Posterior, X: pd.DataFrame) -> bool:
        """Let every level of a heavy-tailed term be as strange as it shows itself; whether that
        has changed by much."""
        found = judged(self.layout, self.hyper, post, ahead=self.ahead, usual=self.no_lots)
        if found is None:
            return False
        new = other_inks(found[0], self.hyper) - set(self.rows.X["lot"][self.trusted])
        if new:
            self.no_lots |= new
            found = judged(self.layout, self.hyper, post, ahead=self.ahead, usual=self.no_lots)
            if self.noise_scale is not None:  # its prints do not bend the ink in its stead
                self.noise_scale[X["lot"].isin(new)] = UNHEARD
        if found is not None:
            self.layout, factor = found
            self.weights = self.weights * factor
        return True

    def _move(self, linear: Linear, lab: Array, design: Design, step: Array) -> float:
        """Take as much of a Gauss-Newton step as the non-linear misfit allows."""

        def misfit(w: Array) -> float:
            error = lab - self.layout.lab(linear.rows, w, linear.features)
            return posterior.penalised_misfit(design, self.hyper, error, w)

        strides = np.abs(step[self.layout.slices[0]]).max() / STRIDE
        step = step / max(1.0, strides)
        here = misfit(self.weights)
        for share in (1.0, 0.5, 0.25, 0.1, 0.03):
            trial = self.weights + share * step
            gain = here - misfit(trial)
            if gain > 0:
                self.weights = trial
                return gain
        return 0.0

    def _lots(self, X: pd.DataFrame) -> pd.Series:
        """The lot of each print (n,), where it may be one."""
        return X["lot"].where(~X["lot"].isin(self.no_lots))

    def _downweighted(
        self, design: Design, lots: pd.Series
    ) -> tuple[Design, Posterior, Array, Array]:
        """The design under the present robust weights, its posterior, and how far each print
        lies from what the others say, in Lab (n, 3) and as squared distance (n,); the weights
        then follow these distances."""
        if self.noise_scale is not None:
            design = replace(design, noise_scale=self.noise_scale)
        post, error, covariance = posterior.leave_one_out(design, self.hyper)
        distance = squared_distance(error, covariance)
        self.noise_scale = np.maximum(1.0, by_itself(distance, error, lots) / DOUBTFUL)
        return design, post, error, distance

    def search(self, among: Mask, iterations: int, robust: bool = False, restarts: int = 0) -> None:
        """MAP of the hyper-parameters at the present linearisation."""
        if not iterations:
            return
        rows = self.rows.take(among)
        linear = self.layout.linearise(rows, self.weights, self.log_lengths)
        design = self.layout.design(linear, self.lab[among], self.weights, self.repeat)
        if robust:
            design, *_ = self._downweighted(design, self._lots(rows.X))
        self.hyper, self.log_lengths, found = most_probable(
            partial(evidence_by, self.layout, linear, design, self.hyper),
            (self.hyper, self.log_lengths),
            (self.medians, self.layout.log_lengths()),
            self.spread,
            iterations,
            restarts,
            self.random_state,
        )
        self.searches.append(found)
        if self.calibrate_inks:
            used = np.concatenate([rows.stack.ink, rows.stack.base[rows.stack.base >= 0]])
            printed = np.bincount(used, minlength=self.layout.n_inks) > 0
            self.hyper = self.layout.with_pooled_bends(self.hyper, printed)

    def screen(self, *, back: bool = False) -> None:
        """Judge every print, also those set aside before, against all kept ones.

        While the search is on, anything doubtful is better out; in the end what lies no further
        off than the shop's prints do comes ``back``.
        """
        _, design = self.design_of(self.rows, self.lab)
        keep, lots = self.keep, self._lots(self.rows.X)
        error, distance = np.empty_like(self.lab), np.empty(len(self.lab))
        _, post, error[keep], distance[keep] = self._downweighted(design.take(keep), lots[keep])
        self.noise_scale = None
        if (~keep).any():
            out = design.take(~keep)
            mean, cov = posterior.predict(out.phi, post)
            cov = cov + posterior.new_job_noise(out, self.hyper)
            error[~keep] = out.y - mean
            distance[~keep] = squared_distance(error[~keep], cov)
        distance[:] = by_itself(distance, error, lots)
        self.gross = gross_distance(distance) if back else GROSS_DISTANCE
        off = delta_e00(self.lab - error, self.lab)
        gross = is_gross(distance, off, self.gross)
        if back:
            far = far_off(distance, off)
            news = shared(gross, self.rows.X) | one_way(gross, far, error, self.rows.X)
            no_news = of_other_ink(error) | self.rows.X["lot"].isin(self.no_lots).to_numpy()
            gross &= no_news | ~news
            far &= ~self.trusted
            self.contradicting = contradicting(self.rows.X, error, far, gross & ~self.trusted)
        self.keep = ~gross | self.trusted
        self.distance = np.sqrt(distance)


def first_prints(X: pd.DataFrame, most: int, random_state: int) -> Mask:
    """About ``most`` prints, (n,): whole jobs at random, evenly over the inks."""
    if len(X) <= most:
        return np.ones(len(X), bool)
    job = jobs_of(X["job"])
    lot = np.random.default_rng(random_state).permutation(len(X))
    order = pd.DataFrame({"ink": X["ink"].to_numpy(), "job": job.to_numpy(), "lot": lot})
    sizes = order.groupby(["ink", "job"], sort=False)["lot"].agg(["size", "min"]).reset_index()
    sizes = sizes.sort_values("min")
    sizes["rank"] = sizes.groupby("ink")["size"].cumsum()  # prints of the ink up to this job
    rank = order.merge(sizes, on=["ink", "job"], how="left")["rank"].to_numpy()
    return rank <= np.sort(rank)[most]


def _held(hyper: Hyper, spread: Hyper, blocks: slice, log_sd: float) -> tuple[Hyper, Hyper]:
    """Blocks held at one standard deviation."""
    block, free = hyper.block.copy(), spread.block.copy()
    block[blocks], free[blocks] = log_sd, 0.0
    return replace(hyper, block=block), replace(spread, block=free)
