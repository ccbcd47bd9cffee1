"""From weights to physics and back: every print linearised where the model now stands.

A weight vector ``w`` (p,) sets the constants, bends every ink's K and S, and - through
the terms - shifts the film, base film, strength, wet-out, soak and haze of each print. All of
these go *through* the optics, so a prediction is as non-linear as the physics; only its
uncertainty is taken along the tangents. Free terms add to Lab afterwards.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from learn.colour.colorimetry import Viewing, colour_family
from learn.gp.design_matrix import Part, Phi, groups_of
from learn.gp.posterior import Block, Design, Hyper
from learn.gp.terms import FittedTerm, Seen, Term, seen_by
from learn.physics import print_model
from learn.physics.print_model import (
    CONSTANT_MEAN,
    CONSTANT_SD,
    LATENTS,
    Stack,
    State,
    Tangents,
    column_of,
)
from learn.physics.shelf import BEND_DIRECTIONS, POSTERIOR_DIRECTIONS, Shelf
from learn.shop import jobs_of

Array = NDArray[np.floating]
Index = NDArray[np.intp]

# What a term may push: one latent, several at once, or Lab itself.
THROUGH = {latent.name: [column_of(latent.name)] for latent in LATENTS}
THROUGH |= {"both_films": [column_of("film"), column_of("base_film")]}
DIRECTIONS = [*THROUGH, "free"]

# Prior median and spread of the size of an ink's bends of log K and log S.
BEND_SD, BEND_SPREAD = 0.05, 0.6
COMMON_BEND_SD = 0.03
# Spread of log length scales under their log-normal prior.
LOG_LENGTH_SPREAD = 0.5
# Print-to-print scatter along each direction (relative; Lab units for "free"), and what
# the prints of one job share along film and base film; 0 spread = held.
NOISE = {
    "film": (0.03, 0.5),
    "base_film": (0.03, 0.5),
    "haze": (0.2, 0.6),  # a thousandth of light more or less: it shows on what is dark
    "light": (0.006, 0.5),  # and a share of all of it: on what is light
    "free": (0.15, 0.5),
}
JOB = {"film": (0.03, 0.6), "base_film": (0.03, 0.6)}
NEGLIGIBLE = 1e-4
JOB_DIRECTIONS = [DIRECTIONS.index(name) for name in JOB]

HIDING = 4.0  # log of how many times thicker a film is taken to hide whatever lies beneath
# Scales of what the physics says of the film and the ground it lies on, as features.
GROUND_SCALES = {"log_film": 0.5, "back_L": 25.0, "back_a": 25.0, "back_b": 25.0}


class Rows(NamedTuple):
    """n prints or set-ups, encoded."""

    stack: Stack
    X: pd.DataFrame
    readings: Array  # (n,)

    def take(self, at: NDArray) -> Rows:
        """The prints at ``at`` (positions or mask)."""
        X = self.X[at] if at.dtype == bool else self.X.iloc[at]
        return Rows(self.stack.take(at), X.reset_index(drop=True), self.readings[at])


class Place(NamedTuple):
    """Where the prints of one top ink have their weights: one part of Phi."""

    rows: Index  # (m,)
    ink: int
    bases: list[int]
    columns: Index  # (k,), ascending
    used: list[Index]  # a term each: which of its features
    where: list[slice]  # a term each: where these stand among ``columns``


class Linear(NamedTuple):
    """n prints where the physics stands at ``w``."""

    rows: Rows  # with film and ground among the features
    lab: Array  # (n, 3) by the physics
    phi: Phi
    places: list[Place]  # of the parts of Phi
    features: list[tuple[Array, Array]]  # of every term: values and remainder
    remainders: list[Array | None]  # a block each
    vectors: Array  # (n, d, 3) Lab along each of DIRECTIONS but "free"


@dataclass(frozen=True)
class Layout:
    """Which columns of Phi belong to what."""

    shelf: Shelf
    terms: list[FittedTerm]
    viewing: Viewing
    centre: Array  # (n_constants,) where the constants are expected, in their prior sds

    @property
    def n_inks(self) -> int:
        return len(self.shelf.ink_ids)

    @cached_property
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

    @cached_property
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

    @cached_property
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
        spread += [t.term.spread if t.size or t.term.untold else 0.0 for t in self.terms]
        noise = [NOISE.get(d, (NEGLIGIBLE, 0.0)) for d in DIRECTIONS]
        job = list(JOB.values())
        return (
            Hyper(np.array(block), np.log([m for m, _ in noise]), np.log([m for m, _ in job])),
            Hyper(np.array(spread), np.array([s for _, s in noise]), np.array([s for _, s in job])),
        )

    def with_pooled_bends(self, hyper: Hyper, printed: NDArray[np.bool_]) -> Hyper:
        """An ink without prints bends as the ``printed`` (n_inks,) ones typically do."""
        block = hyper.block.copy()
        for start in (2, 2 + self.n_inks):
            bends = block[start : start + self.n_inks]
            bends[~printed] = np.median(bends[printed])
        return replace(hyper, block=block)

    def bend_sd(self, hyper: Hyper) -> Array:
        """Standard deviations of each ink's bends of log K and log S, (n_inks, 2)."""
        sd: Array = np.exp(hyper.block[2 : self.first_term - 1]).reshape(2, -1).T
        return sd

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
            CONSTANT_MEAN + CONSTANT_SD * (self.centre + w[self.slices[0]]),
            self.shelf.log_k + np.einsum("mq,mql->ml", weights, self.shelf.directions_k),
            self.shelf.log_s + np.einsum("mq,mql->ml", weights, self.shelf.directions_s),
        )

    def with_ground(self, rows: Rows, w: Array) -> Rows:
        """Add the film and the ground beneath it, by the physics, to the features."""
        state = self.state(w)
        n = len(rows.stack)
        shifts = print_model.no_shift(n)
        top, _ = print_model.film_um(rows.stack, state.constants, shifts)
        # the ground the ink lies on: the same set-up with next to no top ink
        bare = replace(rows.stack, log_solids=np.full(n, -12.0))
        ground = print_model.lab(bare, state, shifts, self.viewing)
        columns = [np.log(top), *ground.T]
        scaled = {
            name: values / scale
            for (name, scale), values in zip(GROUND_SCALES.items(), columns, strict=True)
        }
        scaled |= _left_open(rows, state.constants)
        return rows._replace(X=rows.X.assign(**scaled, ground=colour_family(ground)))

    def hidden(self, rows: Rows, w: Array) -> tuple[Array, Array]:
        """Lab (n, 3) by the physics alone: as printed, and through a film that hides its ground."""
        state, shifts = self.state(w), print_model.no_shift(len(rows.stack))
        thick = replace(rows.stack, log_solids=rows.stack.log_solids + HIDING)
        return (
            print_model.lab(rows.stack, state, shifts, self.viewing),
            print_model.lab(thick, state, shifts, self.viewing),
        )

    def shifts(self, features: list[tuple[Array, Array]], w: Array, n: int) -> Array:
        """Latent shifts (n, latents) that the terms give at ``w``."""
        out = print_model.no_shift(n)
        for term, columns, (psi, _) in zip(self.terms, self.term_slices, features, strict=True):
            for latent in THROUGH.get(term.term.direction, ()):
                out[:, latent] += psi @ (w[columns] + term.term.slope)
        return out

    def pushes(
        self, features: list[tuple[Array, Array]], w: Array, n: int
    ) -> Iterator[tuple[Term, Array, Array]]:
        """Every term, and what it adds to the latents (n, latents) and to Lab (n, 3) at ``w``."""
        for fitted, columns, (psi, _) in zip(self.terms, self.term_slices, features, strict=True):
            through, added = print_model.no_shift(n), np.zeros((n, 3))
            if fitted.term.direction == "free":
                added = psi @ w[columns].reshape(3, -1).T
            else:
                pushed = psi @ (w[columns] + fitted.term.slope)
                through[:, THROUGH[fitted.term.direction]] = pushed[:, None]
            yield fitted.term, through, added

    def features(self, rows: Rows, log_lengths: Array) -> list[tuple[Array, Array]]:
        """Features and remainder of every term."""
        return self._features_at(seen_by(self.terms, rows.X), log_lengths)

    def _features_at(self, seen: list[Seen], log_lengths: Array) -> list[tuple[Array, Array]]:
        by_term = zip(self.terms, seen, self.lengths_of(log_lengths), strict=True)
        return [term.features_at(looked, ell) for term, looked, ell in by_term]

    def lab(self, rows: Rows, w: Array, features: list[tuple[Array, Array]]) -> Array:
        """Lab (n, 3) of every print at ``w``: through the optics, free terms added."""
        shifts = self.shifts(features, w, len(rows.stack))
        lab = print_model.lab(rows.stack, self.state(w), shifts, self.viewing)
        return self.with_free(lab, w, features)

    def with_free(self, lab: Array, w: Array, features: list[tuple[Array, Array]]) -> Array:
        """``lab`` (n, 3) with the free terms added."""
        for term, columns, (psi, _) in zip(self.terms, self.term_slices, features, strict=True):
            if term.term.direction == "free":
                lab = lab + psi @ w[columns].reshape(3, -1).T
        return lab

    def means(self, rows: Rows, w: Array, log_lengths: Array) -> Array:
        """:meth:`lab` at ``w``, where nothing but Lab is wanted of many set-ups."""
        shifts = print_model.no_shift(len(rows.stack))
        off = np.zeros((len(shifts), 3))
        lengths, seen = self.lengths_of(log_lengths), seen_by(self.terms, rows.X)
        by_term = zip(self.terms, self.term_slices, seen, lengths, strict=True)
        for term, columns, looked, ell in by_term:
            free = term.term.direction == "free"
            own = w[columns].reshape(3 if free else 1, -1)
            pushed = term.pushed(looked, ell, own + term.term.slope)
            if free:
                off = off + pushed
            else:
                shifts[:, THROUGH[term.term.direction]] += pushed
        return print_model.lab(rows.stack, self.state(w), shifts, self.viewing) + off

    # -- physics -> design -----------------------------------------------------------

    def places(self, rows: Rows, seen: list[Seen]) -> list[Place]:
        """Which prints make a part of Phi, and which weights they depend on.

        ``seen``: by each term of ``rows``.
        """
        levels = [np.where(s.present, s.level, -1) for s in seen]
        out = []
        for at in groups_of(rows.stack.ink):
            ink = int(rows.stack.ink[at[0]])
            bases = np.unique(rows.stack.base[at])
            bases = bases[bases >= 0].tolist()
            inks = sorted({ink, *bases})
            constants, *of_inks, common = self.slices[:5]
            columns = [_all(constants)]
            for s in of_inks:
                width = (s.stop - s.start) // self.n_inks
                columns += [s.start + i * width + np.arange(width) for i in inks]
            columns.append(_all(common))
            used, places = [], []
            end = sum(len(c) for c in columns)
            for term, own, level in zip(self.terms, self.term_slices, levels, strict=True):
                features = term.features_of(level[at])
                channels = 3 if term.term.direction == "free" else 1
                columns += [own.start + c * term.size + features for c in range(channels)]
                used.append(features)
                places.append(slice(end, end + channels * len(features)))
                end = places[-1].stop
            out.append(Place(at, ink, bases, np.concatenate(columns), used, places))
        return out

    def linearise(self, rows: Rows, w: Array, log_lengths: Array) -> Linear:
        """Lab and Phi of every print at ``w``."""
        n, rows = len(rows.stack), self.with_ground(rows, w)
        seen = seen_by(self.terms, rows.X)
        features = self._features_at(seen, log_lengths)
        shifts = self.shifts(features, w, n)
        t = print_model.tangents(rows.stack, self.state(w), shifts, self.viewing)
        vectors, places, parts = directions_of(t), self.places(rows, seen), []
        for place in places:
            values = np.zeros((len(place.rows), 3, len(place.columns)))
            physics = self._by_physics(place, t, rows.stack)
            values[:, :, : physics.shape[2]] = physics
            for i, (term, (psi, _)) in enumerate(zip(self.terms, features, strict=True)):
                fill_term(values, place, i, term, psi, vectors)
            parts.append(Part(place.rows, place.columns, values))
        remainders = [None] * self.first_term + [remainder for _, remainder in features]
        return Linear(rows, t.lab, Phi(parts, n, self.size), places, features, remainders, vectors)

    def _by_physics(self, place: Place, t: Tangents, stack: Stack) -> Array:
        """(m, 3, .) by the constants, the inks in use and what all inks have in common."""
        rows, shelf = place.rows, self.shelf

        def along(by_k: Array, by_s: Array, ink: int) -> Array:
            return by_k @ shelf.directions_k[ink].T + by_s @ shelf.directions_s[ink].T

        by_ink = {place.ink: along(t.ink_k[rows], t.ink_s[rows], place.ink)}
        for base in place.bases:
            # zero where the print has another base, or none
            on = (stack.base[rows] == base)[:, None, None]
            under = on * along(t.base_k[rows], t.base_s[rows], base)
            by_ink[base] = by_ink.get(base, 0.0) + under
        ends = np.cumsum([0, POSTERIOR_DIRECTIONS, BEND_DIRECTIONS, BEND_DIRECTIONS])
        own = [by_ink[ink][:, :, a:b] for a, b in pairwise(ends) for ink in sorted(by_ink)]
        common = np.add.reduce(list(by_ink.values()))[:, :, POSTERIOR_DIRECTIONS:]
        return np.concatenate([t.constants[rows] * CONSTANT_SD, *own, common], axis=2)

    @property
    def stretches(self) -> set[str]:
        """The stretches of presses between their moves (`learn.fit.jumps`) that terms know."""
        return {one for t in self.terms if t.term.levels == "stretch" for one in t.level_names}

    @property
    def parts_presses(self) -> bool:
        """Whether presses may move from one day on."""
        return any(t.term.levels == "stretch" for t in self.terms)

    def placed_in(self, new: Layout) -> NDArray[np.intp]:
        """Where each weight stands in a layout with more inks or levels, those of before first:
        (p,), ascending."""
        ink = np.array([new.shelf.ink_ids.index(i) for i in self.shelf.ink_ids])
        out = [np.arange(self.slices[0].stop)]
        for was, now in zip(self.slices[1:4], new.slices[1:4], strict=True):
            width = (was.stop - was.start) // self.n_inks
            out.append((now.start + ink[:, None] * width + np.arange(width)).ravel())
        out.append(np.arange(new.slices[4].start, new.slices[4].stop))
        for term, grown, now in zip(self.terms, new.terms, new.term_slices, strict=True):
            # new levels come after the old ones, so a channel only moves as a whole
            channels = 3 if term.term.direction == "free" else 1
            out += [now.start + c * grown.size + np.arange(term.size) for c in range(channels)]
        return np.concatenate(out)

    def design(self, linear: Linear, measured: Array, w: Array, repeat: float) -> Design:
        """The linear problem whose unknown is the weight vector itself."""
        rows = linear.rows
        through = self.physical
        y = measured - linear.lab + linear.phi @ np.where(through, w, 0.0)
        directions: list[int | None] = [None] * self.first_term
        directions += [DIRECTIONS.index(t.term.direction) for t in self.terms]
        blocks = [
            Block(name, columns, direction, remainder)
            for (name, columns), direction, remainder in zip(
                self.blocks, directions, linear.remainders, strict=True
            )
        ]
        # What the prints of a job share they share through one screen: job and ink.
        screen = jobs_of(rows.X["job"]).astype(str) + "\x1f" + rows.X["ink"].astype(str)
        return Design(
            phi=linear.phi,
            y=y,
            blocks=blocks,
            directions=linear.vectors,
            instrument=repeat**2 / rows.readings,
            job=pd.factorize(screen)[0],
            job_directions=linear.vectors[:, JOB_DIRECTIONS],
        )


def _left_open(rows: Rows, constants: Array) -> dict[str, Array]:
    """Features (n,): how many log units more film there may be than is taken, cell left open by
    cell."""
    stack, shifts = rows.stack, print_model.no_shift(len(rows.stack))
    top, base = print_model.film_um(stack, constants, shifts)
    off = {}
    for cell in ("stencil_um", "flashes", "base_volume", "base_strokes"):
        held = getattr(stack, cell) + rows.X[f"open_{cell}"].to_numpy(float)
        other = print_model.film_um(replace(stack, **{cell: held}), constants, shifts)
        film, most = (base, other[1]) if cell.startswith("base") else (top, other[0])
        off[f"{cell}_off"] = np.log(np.divide(most, film, out=np.ones_like(film), where=film > 0))
    return off


def directions_of(t: Tangents) -> Array:
    """Lab along each of DIRECTIONS but "free": (n, d, 3)."""
    latents = t.latents.transpose(0, 2, 1)
    pushed = [sum(latents[:, [at]] for at in columns) for columns in THROUGH.values()]
    return np.concatenate(pushed, axis=1)


def fill_term(
    values: Array, place: Place, i: int, term: FittedTerm, psi: Array, vectors: Array
) -> None:
    """Write the features (n, size) of term ``i`` times its direction into a part of Phi."""
    psi, at = psi[place.rows[:, None], place.used[i]], place.where[i]
    k = psi.shape[1]
    if term.term.direction == "free":
        for c in range(3):
            values[:, c, at.start + c * k : at.start + (c + 1) * k] = psi
    else:
        u = vectors[place.rows, DIRECTIONS.index(term.term.direction)]
        values[:, :, at] = u[:, :, None] * psi[:, None, :]


def contract_term(by_phi: Array, place: Place, i: int, term: FittedTerm, vectors: Array) -> Array:
    """Gradient by the features in use (m, k), from that by a part of Phi."""
    part = by_phi[:, :, place.where[i]]
    if term.term.direction == "free":
        k = len(place.used[i])
        return part[:, 0, :k] + part[:, 1, k : 2 * k] + part[:, 2, 2 * k :]
    u = vectors[place.rows, DIRECTIONS.index(term.term.direction)]
    return (u[:, None, :] @ part)[:, 0]


def _all(columns: slice) -> Index:
    return np.arange(columns.start, columns.stop)
