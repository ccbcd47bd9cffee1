"""The physics: a set-up goes in, the print's spectrum, Lab and tangents come out.

Light meets, from above: the ink film, the underbase film if there is one, the garment.
Each layer is Kubelka-Munk over what lies beneath it, with one surface on top. Printed
straight on cloth the ink wets the cloth out, part of it sinks into a layer of it, a discharge ink
takes the garment's own dye away, and the film is uneven over the yarns; an underbase seals
the cloth and evens the film. Fibres stand out of what is thin. Loose dye wanders into what lies
lowest.

What is not known beforehand is a handful of :data:`CONSTANTS` with priors, the K and S
of every ink (:class:`learn.physics.shelf.Shelf`), and a shift per print of a few
:data:`LATENTS` - log film, log base film, log strength, wet-out, soak, ... -, which is what the
residual model learns to predict.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, logit

from learn.colour.colorimetry import Viewing, lab_from_reflectance, lab_jacobian
from learn.physics import kubelka_munk, uneven
from learn.physics.deposit import stroke_gain
from learn.physics.drawdowns import DRAWDOWN_HAZE
from learn.physics.ends import between
from learn.workers import large_at_work

Array = NDArray[np.floating]
Index = NDArray[np.intp]


# Prints that something acts on: all, those without or with an underbase, or those whose ink
# takes the dye out of a bare garment. On others its tangent is zero and is not worked out.
Where = Literal["all", "bare", "based", "discharged"]


class Constant(NamedTuple):
    """A physical number common to the shop: prior mean and standard deviation."""

    name: str
    mean: float
    sd: float
    where: Where = "all"
    acts: str = "itself"  # or through the "films" alone, or just as the latent of this name


class Latent(NamedTuple):
    """An effect that may be off from print to print; zero where the constants say it all."""

    name: str
    where: Where = "all"


# Wide priors on purpose: published figures for transfer and press settings disagree, and
# the shop's own prints settle them. Orders of magnitude: common practice, no source.
CONSTANTS = [
    Constant("log_transfer", float(np.log(0.65)), 0.25, acts="films"),
    Constant("mesh_slope", 0.0, 0.25, acts="films"),  # transfer ~ (volume / 25)^slope
    # share of the stencil's build over the mesh that adds to the ink it holds
    Constant("stencil_share_logit", float(logit(0.3)), 1.2, acts="films"),
    Constant("wet_gain_logit", float(logit(0.2)), 0.7, acts="films"),
    Constant("flash_gain_logit", float(logit(0.85)), 0.7, acts="films"),
    Constant("log_base_transfer", 0.0, 0.20, "based", acts="base_film"),  # base against top ink
    Constant("wet_out_logit", float(logit(0.35)), 1.0, "bare", acts="wet_out"),
    Constant("log_soak_um", float(np.log(2.0)), 0.8, "bare", acts="soak"),
    # how much the cloth scatters down to where ink sinks in, as S x depth
    Constant("log_cloth_depth", float(np.log(2.0)), 0.8, "bare"),
    # share of the first of a film that sinks in
    Constant("uptake_logit", float(logit(0.7)), 1.0, "bare"),
    # share of the dye that can be taken away, and the film that takes two thirds of it
    Constant("discharge_logit", float(logit(0.85)), 1.0, "discharged", acts="discharge"),
    Constant("log_discharge_um", float(np.log(3.0)), 0.7, "discharged"),
    # absorption a um that the lowest film gets from the garment's dye, as a share of the K/S of it
    Constant("log_migration", float(np.log(4e-4)), 1.2, acts="migration"),
    # share of the area where fibres stand out of a thin film; the film that lays them flat
    Constant("log_fibres", float(np.log(0.02)), 0.8, acts="fibres"),
    Constant("log_fibres_um", float(np.log(12.0)), 0.5),
    # how unevenly a film stands on bare cloth, on a base or a card, and a base on cloth
    Constant("log_uneven_bare", float(np.log(0.35)), 0.4, "bare"),
    Constant("log_uneven_base", float(np.log(0.15)), 0.4),
    Constant("log_uneven_under", float(np.log(0.25)), 0.5, "based"),
    # `learn.physics.uneven`: how near to two levels films are, and how much of them is thin
    Constant("log_film_sharp", float(np.log(0.4)), 1.0),
    Constant("film_thin", -0.4, 0.6),
    # under a base
    Constant("sealed_wet_out_logit", float(logit(0.15)), 1.0, "based", acts="wet_out"),
    # a cured ink is not a mirror: a little gloss reaches even a 45:0 instrument
    Constant("log_haze", float(np.log(0.004)), 0.7, acts="haze"),
]
CONSTANT_MEAN = np.array([c.mean for c in CONSTANTS])
CONSTANT_SD = np.array([c.sd for c in CONSTANTS])
REFERENCE_VOLUME = 25.0  # cm3/m2, a 90/cm mesh

LATENTS = [
    Latent("film"),  # log film of the top ink
    Latent("base_film", "based"),  # log film of the underbase
    Latent("strength"),  # log K of the top ink
    Latent("tilt"),  # log K of the top ink at the red end, and as much less at the violet one
    Latent("bow"),  # log K of the top ink at both ends, and half as much less in the middle
    Latent("scattering"),  # log S of the top ink: more white in it, or less
    Latent("wet_out"),  # logit
    Latent("soak", "bare"),  # log of the depth the ink soaks in to
    Latent("uneven"),  # log of how unevenly films stand on cloth
    Latent("haze"),  # log
    Latent("light"),  # log of all the light that comes back
    Latent("discharge", "discharged"),  # logit of the share of the dye taken away
    Latent("fibres"),  # log of the share of the area where fibres stand out
    Latent("migration"),  # log of the dye that wanders into the lowest film
]

# How a batch of ink differs from another beyond its strength: Legendre polynomials over the
# spectrum, of the first and second degree.
_X = np.linspace(-1.0, 1.0, 31)
SHAPES = {"tilt": _X, "bow": 1.5 * _X**2 - 0.5}

COATED = 0.1  # of a film lies on a fibre that stands out of it: an assumption, no source
MIGRATED_UM = 20.0  # dye wanders about so far into a film: an assumption, no source
PLACES, OVER_BASE = 5, 4  # a film is looked at in so many places, an ink over a base in fewer
# Ends of what prints may make of it, and what is usual between them, as above, in logs: what cloth
# soaks up, um; how much more uneven films lie on one than on others; fibres; loose dye; haze (a
# card's).
SOAK, TORN, FIBRES = (-6.0, 0.7, 4.0), (-3.0, 0.0, 1.5), (-9.0, -4.0, -1.0)
MIGRATION, HAZE = (-30.0, -7.8, -2.0), (-12.0, float(np.log(DRAWDOWN_HAZE)), -2.0)
STEP, AT_ONCE = 1e-4, 1000  # of differences; prints of several of them that are looked at together
MANY = 2000  # prints from which on it pays to look for those that share a film or a ground


@dataclass(frozen=True)
class Stack:
    """n set-ups as arrays: everything the optics needs, ids already looked up."""

    ink: Index  # (n,) position on the shelf
    base: Index  # (n,) position on the shelf, -1 without underbase
    volume: Array  # (n,) cm3/m2 of the top mesh
    base_volume: Array  # (n,)
    stencil_um: Array  # (n,) build over the mesh of the top ink's screen
    base_stencil_um: Array  # (n,) of the underbase's
    log_solids: Array  # (n,) log of the share of the ink that stays
    log_base_solids: Array  # (n,)
    strokes: Array  # (n,)
    flashes: Array  # (n,)
    base_strokes: Array  # (n,)
    cloth: Array  # (n, 31) reflectance of the bare garment as the ink has it behind
    pores: Array  # (n,) 1 for cloth, 0 for card and paper: no wetting out, no soak
    discharges: Array  # (n,) 1 where the ink takes the garment's dye away, else 0

    def __len__(self) -> int:
        return len(self.ink)

    def take(self, rows: NDArray) -> Stack:
        """The set-ups at ``rows`` (positions or mask)."""
        return Stack(**{f.name: getattr(self, f.name)[rows] for f in fields(self)})


@dataclass(frozen=True)
class State:
    """Where the physics stands: constants and every ink's log K and log S (m, 31)."""

    constants: Array
    log_k: Array
    log_s: Array


class Tangents(NamedTuple):
    """Lab of n set-ups, and its derivative by everything that may be off."""

    lab: Array  # (n, 3)
    latents: Array  # (n, 3, latents), by LATENTS
    constants: Array  # (n, 3, constants), by CONSTANTS
    ink_k: Array  # (n, 3, 31), by log K of the top ink
    ink_s: Array
    base_k: Array  # (n, 3, 31), by log K of the underbase; zero without one
    base_s: Array


def no_shift(n: int) -> Array:
    """Latent shifts (n, latents) of prints that behave as the constants say."""
    return np.zeros((n, len(LATENTS)))


def column_of(latent: str) -> int:
    """Where a latent stands among the columns of shifts and tangents."""
    return [latent.name for latent in LATENTS].index(latent)


def film_um(stack: Stack, constants: Array, shifts: Array) -> tuple[Array, Array]:
    """Dry film of the top ink and of the underbase, um, both (n,)."""
    c, shift = _named(constants), _by_name(shifts)
    wet, flash = expit(c["wet_gain_logit"]), expit(c["flash_gain_logit"])
    share = expit(c["stencil_share_logit"])
    slope, reference = c["mesh_slope"], np.log(REFERENCE_VOLUME)

    def laid(
        volume: Array, stencil_um: Array, strokes: Array, flashes: Array, log_share: Array
    ) -> Array:
        held = np.log(volume + share * stencil_um)
        log_film = held + slope * (held - reference) + c["log_transfer"] + log_share
        gain = stroke_gain(strokes, flashes, wet_gain=wet, flash_gain=flash)
        return np.exp(np.clip(log_film, -8.0, 8.0)) * gain

    log_share = stack.log_solids + shift["film"]
    top = laid(stack.volume, stack.stencil_um, stack.strokes, stack.flashes, log_share)
    screen, unflashed = (stack.base_volume, stack.base_stencil_um), np.zeros(len(stack))
    log_share = stack.log_base_solids + c["log_base_transfer"] + shift["base_film"]
    base = laid(*screen, stack.base_strokes, unflashed, log_share)
    return top, np.where(stack.base >= 0, base, 0.0)


def _named(constants: Array) -> Mapping[str, Array]:
    """Of all prints (constants,), or of each (n, constants)."""
    return {c.name: constants[..., i] for i, c in enumerate(CONSTANTS)}


def by_wavelength(shifts: Array) -> Array:
    """What latent shifts (n, latents) add to log K of the top ink, (n, 31)."""
    shift = _by_name(shifts)
    turned = sum(shift[name][:, None] * shape for name, shape in SHAPES.items())
    return shift["strength"][:, None] + turned


def _by_name(shifts: Array) -> Mapping[str, Array]:
    return {latent.name: shifts[:, i] for i, latent in enumerate(LATENTS)}


def acted_on(stack: Stack) -> Mapping[Where, NDArray[np.bool_]]:
    """The prints (n,) that each kind of effect acts on."""
    based = stack.base >= 0
    return {
        "all": np.ones(len(stack), bool),
        "bare": ~based,
        "based": based,
        "discharged": ~based & (stack.discharges > 0),
    }


def _shared(*keys: NDArray) -> tuple[Index, Index]:
    """Rows that stand for all with the same ``keys`` (n,) or (n, k), and who stands for whom."""
    rows = np.column_stack(keys)
    if len(rows) < MANY:  # finding twins would cost more than it saves
        every = np.arange(len(rows))
        return every, every
    rows = np.ascontiguousarray(rows, float).view(f"V{8 * rows.shape[1]}")[:, 0]
    _, first, like = np.unique(rows, return_index=True, return_inverse=True)
    return first, like


class _Inks(NamedTuple):
    """log K and log S row by row, (n, 31) each: top ink and underbase."""

    k: Array
    s: Array
    base_k: Array
    base_s: Array


def _body_reflectance(stack: Stack, constants: Array, inks: _Inks, shifts: Array) -> Array:
    """Measured reflectance (n, 31), by ``constants`` of all (constants,) or each (n, constants)."""
    constants = np.broadcast_to(constants, (len(stack), len(CONSTANTS)))
    c, shift = _named(constants), _by_name(shifts)
    top_um, base_um = film_um(stack, constants, shifts)
    K = np.exp(inks.k + by_wavelength(shifts))
    S = np.exp(inks.s + shift["scattering"][:, None])
    soak_um = np.exp(between(c["log_soak_um"] + shift["soak"], *SOAK))
    torn = between(shift["uneven"] * stack.pores, *TORN)
    spreads = ("bare", "base", "under")
    sigma_bare, sigma_base, sigma_under = (np.exp(c[f"log_uneven_{s}"] + torn) for s in spreads)
    sharp, thin = np.exp(c["log_film_sharp"]), c["film_thin"]
    r, ground = np.empty_like(stack.cloth), np.empty_like(stack.cloth)

    bare = stack.base < 0
    # loose dye absorbs as it does in the cloth, less a um the farther it has to go
    loose = stack.pores * np.exp(between(c["log_migration"] + shift["migration"], *MIGRATION))
    reached = np.where(bare, top_um, base_um) / MIGRATED_UM
    loose *= -np.expm1(-reached) / reached
    dye = loose[:, None] * kubelka_munk.k_over_s(stack.cloth)
    if bare.any():
        pores = stack.pores[bare]
        w = pores[:, None] * expit(c["wet_out_logit"] + shift["wet_out"])[bare, None]
        taken = expit(c["discharge_logit"] + shift["discharge"])[bare]
        taken *= -np.expm1(-top_um[bare] / np.exp(c["log_discharge_um"][bare]))
        taken *= stack.discharges[bare] * pores
        wet = kubelka_munk.wet_out(kubelka_munk.less_dyed(stack.cloth[bare], 1 - taken[:, None]), w)
        x, soak = top_um[bare], soak_um[bare]
        sunk = pores * soak * -np.expm1(-expit(c["uptake_logit"][bare]) * x / soak)
        depth, inked = np.exp(c["log_cloth_depth"])[bare, None], sunk[:, None]
        tinted = kubelka_munk.inked_cloth(wet, depth, K[bare] * inked, S[bare] * inked)
        standing = np.maximum(x - sunk, 1e-4)
        sigma = np.where(pores > 0.0, sigma_bare[bare], sigma_base[bare])
        films = standing * uneven.thickness(PLACES, sigma, sharp[bare], thin[bare])
        r[bare] = uneven.seen(K[bare] + dye[bare], S[bare], films, tinted)
        ground[bare] = tinted

    based = ~bare
    if based.any():
        pores = stack.pores[based]
        wet_base = pores[:, None] * expit(c["sealed_wet_out_logit"] + shift["wet_out"])[based, None]
        cloth = ground[based] = kubelka_munk.wet_out(stack.cloth[based], wet_base)
        sigma, bend = sigma_base[based], (sharp[based], thin[based])
        own = np.where(pores > 0, sigma_under[based], sigma)
        # A plan asks for thousands of set-ups made of a few grounds and a few films. An ink is told
        # from another, or from itself moved as a whole, by the first of its wavelengths.
        ink = stack.base[based], inks.base_k[based, 0], inks.base_s[based, 0]
        one, like = _shared(*ink, base_um[based], loose[based], sigma, own, *bend, cloth)
        films = base_um[based][one] * uneven.thickness(PLACES, own[one], *(b[one] for b in bend))
        base_k, base_s = np.exp(inks.base_k[based][one]), np.exp(inks.base_s[based][one])
        base = uneven.seen(base_k + dye[based][one], base_s, films, cloth[one])[like]
        batch = [shift[name][based] for name in ("strength", *SHAPES, "scattering")]
        ink = stack.ink[based], inks.k[based, 0], inks.s[based, 0]
        one, like = _shared(*ink, top_um[based], sigma, *bend, *batch)
        films = top_um[based][one] * uneven.thickness(
            OVER_BASE, sigma[one], *(b[one] for b in bend)
        )
        r[based] = uneven.seen(K[based][one], S[based][one], films, base, like)
    # ink coats what stands out of it
    coated = kubelka_munk.reflectance_over(K, S, COATED * top_um[:, None], ground)
    stand = stack.pores * np.exp(between(c["log_fibres"] + shift["fibres"], *FIBRES))
    stand *= np.exp(-(top_um + base_um) / np.exp(c["log_fibres_um"]))
    r += stand[:, None] * (coated - r)
    haze = np.exp(between(c["log_haze"] + shift["haze"], *HAZE))
    return (kubelka_munk.through_surface(r) + haze[:, None]) * np.exp(shift["light"])[:, None]


def _inks_of(stack: Stack, state: State) -> _Inks:
    return _Inks(
        state.log_k[stack.ink],
        state.log_s[stack.ink],
        state.log_k[stack.base],
        state.log_s[stack.base],
    )


def reflectance(stack: Stack, state: State, shifts: Array) -> Array:
    """Measured reflectance of n prints, (n, 31)."""
    return _body_reflectance(stack, state.constants, _inks_of(stack, state), shifts)


def lab(stack: Stack, state: State, shifts: Array, viewing: Viewing) -> Array:
    """Lab of n prints, (n, 3)."""
    return lab_from_reflectance(reflectance(stack, state, shifts), viewing)


def tangents(stack: Stack, state: State, shifts: Array, viewing: Viewing) -> Tangents:
    """Lab and its derivatives at ``shifts`` (n, latents), by one-sided differences in R.

    K and S act wavelength by wavelength, so one perturbed spectrum gives a whole
    derivative spectrum; the chain to Lab is analytic.
    """
    r = reflectance(stack, state, shifts)
    to_lab = lab_jacobian(r, viewing)
    # what acts on K and S wavelength by wavelength needs no look of its own
    known = {"strength": "k", "scattering": "s"}
    by_hand = {*known, *SHAPES, "light"}
    looks: dict[str, Where] = {c.name: c.where for c in CONSTANTS if c.acts == "itself"}
    looks |= {x.name: x.where for x in LATENTS if x.name not in by_hand}
    looks |= {"k": "all", "s": "all", "base_k": "based", "base_s": "based"}
    by = _slopes(stack, state, shifts, r, looks)
    by |= {latent: by[spectrum] for latent, spectrum in known.items()} | {"light": r}
    by |= {name: shape * by["k"] for name, shape in SHAPES.items()}

    films = film_um(stack, state.constants, shifts)

    def by_films(constants: Array) -> Array:
        """dR by a constant that acts through the films alone: as they do, log film by log film."""
        moved = film_um(stack, constants, shifts)
        top, base = (
            np.log(np.divide(m, f, out=np.ones_like(m), where=f > 0)) / STEP
            for m, f in zip(moved, films, strict=True)
        )
        return top[:, None] * by["film"] + base[:, None] * by["base_film"]

    acting = acted_on(stack)
    for constant, moved in zip(CONSTANTS, STEP * np.eye(len(CONSTANTS)), strict=True):
        if constant.acts == "films":
            by[constant.name] = by_films(state.constants + moved)
        elif constant.acts != "itself":
            # a latent is what a print is off the constant, and moves it as the constant does
            by[constant.name] = by[constant.acts] * acting[constant.where][:, None]

    def chained(effects: Sequence[Constant] | Sequence[Latent]) -> Array:
        columns = [np.einsum("nci,ni->nc", to_lab, by[effect.name]) for effect in effects]
        return np.stack(columns, axis=-1)

    return Tangents(
        lab=lab_from_reflectance(r, viewing),
        latents=chained(LATENTS),
        constants=chained(CONSTANTS),
        ink_k=to_lab * by["k"][:, None, :],
        ink_s=to_lab * by["s"][:, None, :],
        base_k=to_lab * by["base_k"][:, None, :],
        base_s=to_lab * by["base_s"][:, None, :],
    )


def _slopes(
    stack: Stack, state: State, shifts: Array, r: Array, looks: Mapping[str, Where]
) -> dict[str, Array]:
    """dR (n, 31) by each of ``looks``, a constant, a latent or all of an ink's log K or log S, on
    the prints it acts on; zero elsewhere. ``r`` is the reflectance where the physics stands.

    Many looks at few prints are one look at many: a small shop waits for calls, not for sums.
    """
    inks, acting = _inks_of(stack, state), acted_on(stack)
    by = {name: np.zeros_like(r) for name in looks}
    order = [*(c.name for c in CONSTANTS), *(x.name for x in LATENTS), *_Inks._fields]
    ends = np.cumsum([len(CONSTANTS), len(LATENTS)])

    def look(names: Sequence[str]) -> None:
        prints = [np.flatnonzero(acting[looks[name]]) for name in names]
        at, which = np.concatenate(prints), np.repeat(np.arange(len(names)), [*map(len, prints)])
        if not len(at):
            return
        steps = STEP * np.eye(len(order))[[order.index(name) for name in names]][which]
        constants, latents, of_inks = np.split(steps, ends, axis=1)
        moved = _Inks(*(ink[at] + step[:, None] for ink, step in zip(inks, of_inks.T, strict=True)))
        seen = _body_reflectance(
            stack.take(at), state.constants + constants, moved, shifts[at] + latents
        )
        slope = (seen - r[at]) / STEP
        for i, name in enumerate(names):
            by[name][prints[i]] = slope[which == i]

    names, at_once = list(looks), max(1, AT_ONCE // max(1, len(stack)))
    some = [names[i : i + at_once] for i in range(0, len(names), at_once)]
    list(large_at_work(look, some, len(names) * r.size))
    return by


def bucket_reflectance(log_k: Array, log_s: Array) -> Array:
    """Measured reflectance of inks at full hiding, same shape as ``log_k``."""
    body = kubelka_munk.r_infinity(np.exp(log_k), np.exp(log_s))
    return kubelka_munk.through_surface(body) + DRAWDOWN_HAZE
