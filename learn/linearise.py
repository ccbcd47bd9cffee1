"""From weights to physics and back: every print linearised where the model now stands.

A weight vector ``w`` (p,) sets the constants, bends every ink's K and S, and - through
the terms - shifts the film, base film, strength, wet-out, soak and haze of each print. All of
these go *through* the optics, so a prediction is as non-linear as the physics; only its
uncertainty is taken along the tangents. Free terms add to Lab afterwards.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from learn import baseline
from learn.baseline import CONSTANT_MEAN, CONSTANT_SD, LATENTS, Stack, State, Tangents
from learn.colorimetry import Viewing, lab_from_reflectance
from learn.inks import BEND_DIRECTIONS, POSTERIOR_DIRECTIONS, Shelf
from learn.kernels import FittedTerm
from learn.residual import Block, Design, Hyper

Array = NDArray[np.float64]

DIRECTIONS = [*LATENTS, "both_films", "free"]
_THROUGH = {name: (i,) for i, name in enumerate(LATENTS)} | {"both_films": (0, 1)}

# Prior median and spread of the size of an ink's bends of log K and log S.
BEND_SD, BEND_SPREAD = 0.05, 0.6
COMMON_BEND_SD = 0.03
# Spread of log length scales under their log-normal prior.
LOG_LENGTH_SPREAD = 0.5
# Print-to-print scatter along each direction (relative; Lab units for "free"), and what
# the prints of one job share along film and base film; 0 spread = held.
NOISE = {"film": (0.03, 0.5), "base_film": (0.03, 0.5), "free": (0.15, 0.5)}
JOB = {"film": (0.03, 0.6), "base_film": (0.03, 0.6)}
NEGLIGIBLE = 1e-4

# Scales of what the physics says of the film and the ground it lies on, as features.
GROUND_SCALES = {"log_film": 0.5, "back_L": 25.0, "back_a": 25.0, "back_b": 25.0}


class Rows(NamedTuple):
    """n prints or set-ups, encoded."""

    stack: Stack
    X: pd.DataFrame
    readings: Array  # (n,)


class Linear(NamedTuple):
    """n prints where the physics stands at ``w``."""

    lab: Array  # (n, 3) by the physics
    phi: Array  # (n, 3, p)
    remainders: list[Array | None]  # a block each
    tangents: Tangents


@dataclass(frozen=True)
class Layout:
    """Which columns of Phi belong to what."""

    shelf: Shelf
    terms: list[FittedTerm]
    viewing: Viewing

    @property
    def n_inks(self) -> int:
        return len(self.shelf.ink_ids)

    @property
    def slices(self) -> list[slice]:
        """Constants; each ink's posterior, bends of K, bends of S; common bends; the terms."""
        sizes = [len(CONSTANT_MEAN)]
        sizes += [self.n_inks * k for k in (POSTERIOR_DIRECTIONS, BEND_DIRECTIONS, BEND_DIRECTIONS)]
        sizes += [2 * BEND_DIRECTIONS]
        sizes += [t.size * (3 if t.term.direction == "free" else 1) for t in self.terms]
        ends = np.cumsum(sizes)
        return [slice(int(e - s), int(e)) for s, e in zip(sizes, ends, strict=True)]

    @property
    def size(self) -> int:
        return self.slices[-1].stop

    @property
    def term_slices(self) -> list[slice]:
        """The columns of each term."""
        return self.slices[5:]

    def blocks(self) -> list[tuple[str, slice]]:
        """Name and columns of every group of weights that shares a standard deviation.

        Bends go ink by ink: one badly described ink must not make all others vague. What
        all inks have in common goes to the common bends, and so to an ink never printed.
        """
        constants, drawdown, bend_k, bend_s, common, *terms = self.slices
        out = [("constants", constants), ("ink: drawdown", drawdown)]
        for name, columns in (("ink: bend K", bend_k), ("ink: bend S", bend_s)):
            for i, ink in enumerate(self.shelf.ink_ids):
                start = columns.start + i * BEND_DIRECTIONS
                out.append((f"{name}, {ink}", slice(start, start + BEND_DIRECTIONS)))
        out.append(("ink: common bends", common))
        out += [(t.term.name, s) for t, s in zip(self.terms, terms, strict=True)]
        return out

    @property
    def first_term(self) -> int:
        """Position of the first term among the blocks."""
        return 3 + 2 * self.n_inks

    @property
    def physical(self) -> NDArray[np.bool_]:
        """Columns that go through the optics, (p,)."""
        mask = np.ones(self.size, bool)
        for term, columns in zip(self.terms, self.term_slices, strict=True):
            mask[columns] = term.term.direction != "free"
        return mask

    # -- hyper-parameters ------------------------------------------------------------

    def hyper(self) -> tuple[Hyper, Hyper]:
        """Prior medians of the log standard deviations, and their spreads."""
        bends = 2 * self.n_inks
        block = [0.0, 0.0] + [np.log(BEND_SD)] * bends + [np.log(COMMON_BEND_SD)]
        block += [np.log(t.term.sd) for t in self.terms]
        spread = [0.0, 0.0] + [BEND_SPREAD] * (bends + 1)
        spread += [t.term.spread if t.size else 0.0 for t in self.terms]
        noise = [NOISE.get(d, (NEGLIGIBLE, 0.0)) for d in DIRECTIONS]
        job = [JOB[d] for d in ("film", "base_film")]
        return (
            Hyper(np.array(block), np.log([m for m, _ in noise]), np.log([m for m, _ in job])),
            Hyper(np.array(spread), np.array([s for _, s in noise]), np.array([s for _, s in job])),
        )

    def log_lengths(self) -> Array:
        """Prior medians of the log length scales of all smooth terms, one after another."""
        return np.log(np.concatenate([[], *[t.term.lengths for t in self.terms]]))

    def lengths_of(self, log_lengths: Array) -> list[Array]:
        """The part of ``log_lengths`` that belongs to each term."""
        ends = np.cumsum([len(t.term.lengths) for t in self.terms], dtype=int)
        starts = [0, *ends[:-1]]
        return [log_lengths[a:b] for a, b in zip(starts, ends, strict=False)]

    # -- weights -> physics ----------------------------------------------------------

    def _ink_weights(self, w: Array) -> Array:
        """(n_inks, q) in the order of the shelf's directions."""
        weights = np.hstack([w[s].reshape(self.n_inks, -1) for s in self.slices[1:4]])
        weights[:, POSTERIOR_DIRECTIONS:] += w[self.slices[4]]
        return weights

    def state(self, w: Array) -> State:
        """Constants and inks at ``w``."""
        weights = self._ink_weights(w)
        return State(
            CONSTANT_MEAN + CONSTANT_SD * w[self.slices[0]],
            self.shelf.log_k + np.einsum("mq,mql->ml", weights, self.shelf.directions_k),
            self.shelf.log_s + np.einsum("mq,mql->ml", weights, self.shelf.directions_s),
        )

    def with_ground(self, rows: Rows, w: Array) -> Rows:
        """Add the film and the ground beneath it, by the physics, to the features."""
        state = self.state(w)
        n = len(rows.stack)
        shifts = baseline.no_shift(n)
        top, _ = baseline.film_um(rows.stack, state.constants, shifts)
        # the ground the ink lies on: the same set-up with next to no top ink
        bare = replace(rows.stack, log_solids=np.full(n, -12.0))
        columns = [np.log(top), *baseline.lab(bare, state, shifts, self.viewing).T]
        scaled = {
            name: values / scale
            for (name, scale), values in zip(GROUND_SCALES.items(), columns, strict=True)
        }
        return rows._replace(X=rows.X.assign(**scaled))

    def shifts(self, features: list[tuple[Array, Array]], w: Array, n: int) -> Array:
        """Latent shifts (n, latents) that the terms give at ``w``."""
        out = baseline.no_shift(n)
        for term, columns, (psi, _) in zip(self.terms, self.term_slices, features, strict=True):
            for latent in _THROUGH.get(term.term.direction, ()):
                out[:, latent] += psi @ w[columns]
        return out

    def features(self, rows: Rows, log_lengths: Array) -> list[tuple[Array, Array]]:
        """Features and remainder of every term."""
        lengths = self.lengths_of(log_lengths)
        return [t.features(rows.X, ell) for t, ell in zip(self.terms, lengths, strict=True)]

    def lab(self, rows: Rows, w: Array, features: list[tuple[Array, Array]]) -> Array:
        """Lab (n, 3) of every print at ``w``: through the optics, free terms added."""
        shifts = self.shifts(features, w, len(rows.stack))
        lab = baseline.lab(rows.stack, self.state(w), shifts, self.viewing)
        for term, columns, (psi, _) in zip(self.terms, self.term_slices, features, strict=True):
            if term.term.direction == "free":
                lab = lab + psi @ w[columns].reshape(3, -1).T
        return lab

    # -- physics -> design -----------------------------------------------------------

    def linearise(self, rows: Rows, w: Array, log_lengths: Array) -> Linear:
        """Lab and Phi of every print at ``w``."""
        n = len(rows.stack)
        features = self.features(rows, log_lengths)
        shifts = self.shifts(features, w, n)
        t = baseline.tangents(rows.stack, self.state(w), shifts, self.viewing)
        phi = np.zeros((n, 3, self.size))
        slices = self.slices
        phi[:, :, slices[0]] = t.constants * CONSTANT_SD
        self._fill_inks(phi, t, rows.stack)
        vectors = directions_of(t)
        remainders: list[Array | None] = [None] * self.first_term
        for term, columns, (psi, remainder) in zip(
            self.terms, self.term_slices, features, strict=True
        ):
            fill_term(phi, term, columns, psi, vectors)
            remainders.append(remainder)
        return Linear(t.lab, phi, remainders, t)

    def _fill_inks(self, phi: Array, t: Tangents, stack: Stack) -> None:
        shelf = self.shelf
        top = np.einsum("ncl,nql->ncq", t.ink_k, shelf.directions_k[stack.ink])
        top += np.einsum("ncl,nql->ncq", t.ink_s, shelf.directions_s[stack.ink])
        base = np.einsum("ncl,nql->ncq", t.base_k, shelf.directions_k[stack.base])
        base += np.einsum("ncl,nql->ncq", t.base_s, shelf.directions_s[stack.base])
        # base_k and base_s are zero without a base, so the look-up at -1 there does no harm
        at = 0
        for columns in self.slices[1:4]:
            width = (columns.stop - columns.start) // self.n_inks
            own = np.arange(width)
            for ink, part, rows in (
                (stack.ink, top, np.arange(len(stack))),
                (stack.base, base, np.flatnonzero(stack.base >= 0)),
            ):
                where = columns.start + ink[rows, None] * width + own
                phi[rows[:, None], :, where] += part[rows, :, at : at + width].transpose(0, 2, 1)
            at += width
        phi[:, :, self.slices[4]] = (top + base)[:, :, POSTERIOR_DIRECTIONS:]

    def design(
        self, rows: Rows, linear: Linear, measured: Array, w: Array, repeat: float
    ) -> Design:
        """The linear problem whose unknown is the weight vector itself."""
        through = self.physical
        y = measured - linear.lab + linear.phi[:, :, through] @ w[through]
        hyper, spread = self.hyper()
        directions = [None] * self.first_term
        directions += [DIRECTIONS.index(t.term.direction) for t in self.terms]
        blocks = [
            Block(name, columns, direction, remainder, log_sd, log_spread)
            for (name, columns), direction, remainder, log_sd, log_spread in zip(
                self.blocks(), directions, linear.remainders, hyper.block, spread.block, strict=True
            )
        ]
        vectors = directions_of(linear.tangents)
        job = rows.X["job"].astype(object)
        alone = job.isna()
        job = job.where(~alone, [f"\x1f{i}" for i in range(len(job))])
        return Design(
            phi=linear.phi,
            y=y,
            blocks=blocks,
            directions=vectors,
            instrument=repeat**2 / rows.readings,
            job=pd.factorize(job)[0],
            job_directions=vectors[:, [0, 1]],
        )

    # -- buckets ---------------------------------------------------------------------

    def buckets(self, w: Array, covariance: Array) -> tuple[Array, Array]:
        """Lab (m, 3) of every ink at full hiding, and its covariance (m, 3, 3)."""
        state = self.state(w)

        def lab_at(k: Array, s: Array) -> Array:
            return lab_from_reflectance(baseline.bucket_reflectance(k, s), self.viewing)

        lab = lab_at(state.log_k, state.log_s)
        step = 1e-4
        shelf = self.shelf
        q = shelf.directions_k.shape[1]
        jac = np.empty((self.n_inks, 3, q))
        for i in range(q):
            k = state.log_k + step * shelf.directions_k[:, i]
            s = state.log_s + step * shelf.directions_s[:, i]
            jac[:, :, i] = (lab_at(k, s) - lab) / step
        jac = np.concatenate([jac, jac[:, :, POSTERIOR_DIRECTIONS:]], axis=2)
        own = [np.arange(s.start, s.stop).reshape(self.n_inks, -1) for s in self.slices[1:4]]
        common = np.arange(self.size)[self.slices[4]]
        columns = np.hstack([*own, np.tile(common, (self.n_inks, 1))])
        block = covariance[columns[:, :, None], columns[:, None, :]]
        return lab, jac @ block @ jac.transpose(0, 2, 1)


def directions_of(t: Tangents) -> Array:
    """Lab along each of DIRECTIONS but "free": (n, d, 3)."""
    latents = t.latents.transpose(0, 2, 1)
    return np.concatenate([latents, (latents[:, :1] + latents[:, 1:2])], axis=1)


def fill_term(phi: Array, term: FittedTerm, columns: slice, psi: Array, vectors: Array) -> None:
    """Write a term's features times its direction into its columns of ``phi``."""
    if term.term.direction == "free":
        for c in range(3):
            phi[:, c, columns.start + c * term.size : columns.start + (c + 1) * term.size] = psi
    else:
        u = vectors[:, DIRECTIONS.index(term.term.direction)]
        phi[:, :, columns] = u[:, :, None] * psi[:, None, :]


def contract_term(by_phi: Array, term: FittedTerm, columns: slice, vectors: Array) -> Array:
    """Gradient by a term's features (n, size), from that by its columns of ``phi``."""
    part = by_phi[:, :, columns]
    if term.term.direction == "free":
        size = term.size
        return sum(part[:, c, c * size : (c + 1) * size] for c in range(3))
    u = vectors[:, DIRECTIONS.index(term.term.direction)]
    return np.einsum("nc,ncp->np", u, part)
