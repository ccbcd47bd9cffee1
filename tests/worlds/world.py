"""One shop's world: a set-up goes in, its reflectance and its scatter come out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tests.worlds.laws import Laws, film_um, patches
from tests.worlds.light import Ground, apart, lab_of, over, seen, two_flux
from tests.worlds.materials import Cloths, Inks, Lots, Meshes
from tests.worlds.presses import Presses

Array = NDArray[np.floating]

USUAL = {"shore": 70.0, "angle": 12.0, "gap": 2.0, "eom": 15.0}
STEP = 0.02  # log film, of the tangents


@dataclass(frozen=True)
class Instrument:
    """How one instrument tells a spectrum otherwise than another would."""

    gain: Array  # (31,)
    dark: float

    def of(self, spectra: Array) -> Array:
        """Spectra (..., 31) as it tells them."""
        return np.clip(spectra * self.gain + self.dark, 0.0005, 1.0)


@dataclass(frozen=True)
class World:
    """Laws and things of one shop. Every reflectance is told as its instrument has it.

    Set-ups are frames of what really stood on the press: positions ``ink``, ``base`` (-1: none),
    ``lot``, ``cloth``, ``mesh``, ``base_mesh``, ``press``; ``day``, ``strokes``, ``flashes``,
    ``base_strokes``, ``shore``, ``angle``, ``gap``, ``eom``, ``readings``; ``job``.
    """

    laws: Laws
    inks: Inks
    cloths: Cloths
    meshes: Meshes
    lots: Lots
    presses: Presses
    instrument: Instrument | None = None

    def told(self, spectra: Array) -> Array:
        """Spectra (..., 31) as the shop's instrument has them."""
        return spectra if self.instrument is None else self.instrument.of(spectra)

    def films_um(self, setups: pd.DataFrame) -> tuple[Array, Array]:
        """Mean dry film (n,) of ink and base; 0 where there is no base."""
        n = len(setups)
        at = {c: setups[c].to_numpy() for c in setups}
        state = np.exp(self.presses.on(at["press"], at["day"]))
        top = self._film(at["ink"], at["mesh"], at["strokes"], at["flashes"], at)
        base_mesh = np.maximum(at["base_mesh"], 0)
        usual = {c: np.full(n, v) for c, v in USUAL.items()}
        base = self._film(at["base"], base_mesh, at["base_strokes"], np.zeros(n), usual)
        return top * state, np.where(at["base"] >= 0, base * state, 0.0)

    def _film(
        self, ink: NDArray, mesh: NDArray, strokes: Array, flashes: Array, at: dict[str, Array]
    ) -> Array:
        return film_um(
            self.laws,
            volume=self.meshes.volume[mesh],
            opening_um=self.meshes.opening_um[mesh],
            viscosity=self.inks.viscosity[ink],
            shore=at["shore"].astype(float),
            angle_deg=at["angle"].astype(float),
            gap_mm=at["gap"].astype(float),
            eom_um=at["eom"].astype(float),
            strokes=strokes.astype(float),
            flashes=flashes.astype(float),
            solids=self.inks.solids[ink],
        )

    def reflectance(
        self, setups: pd.DataFrame, log_film: Array | float = 0.0, log_base: Array | float = 0.0
    ) -> Array:
        """Noise-free reflectance (n, 31), with films moved by so much."""
        top, base = self.films_um(setups)
        return self.of_films(setups, top * np.exp(log_film), base * np.exp(log_base))

    def of_films(self, setups: pd.DataFrame, top: Array, base: Array) -> Array:
        """Noise-free reflectance (n, 31) at mean dry films (n,) of ink and base."""
        laws = self.laws
        ink, lot, cloth, under = (setups[c].to_numpy() for c in ("ink", "lot", "cloth", "base"))
        based = under >= 0
        lowest = np.where(based, under, ink)
        by_a, by_s = self.lots.spectral(lot)
        ink_a, ink_s = self.inks.absorption[ink] * by_a, self.inks.scattering[ink] * by_s
        base_a, base_s = self.inks.absorption[under], self.inks.scattering[under]
        low_a, low_s = np.where(based[:, None], (base_a, base_s), (ink_a, ink_s))

        bottom = np.where(based, base, top)
        ground, taken = self._cloth(cloth, lowest, bottom, low_a, low_s)
        loose = laws.migration * self.cloths.loose[cloth] * np.exp(-bottom / 30)
        migrated = loose[:, None] * self.cloths.dye[cloth]
        upon = np.maximum(bottom - taken, 0.02)
        roughness = self.cloths.roughness[cloth]
        spread = roughness * np.where(based, laws.uneven, laws.uneven_bare)
        thick = patches(laws, np.clip(spread, 0.005, 0.6))  # (n, NODES)

        def wide(x: Array) -> Array:
            return x[:, None, :]

        below = Ground(wide(ground.diffuse), wide(ground.collimated))
        base_film = (upon[:, None] * thick**laws.base_follows)[:, :, None]
        on_base = over(wide(base_a + migrated), wide(base_s), base_film, below, laws.paths)
        here = based[:, None, None]
        below = Ground(*(np.where(here, b, c) for b, c in zip(on_base, below, strict=True)))
        film = (np.where(based, top, upon)[:, None] * thick)[:, :, None]
        own = wide(np.where(based[:, None], 0.0, migrated))
        inked = over(wide(ink_a) + own, wide(ink_s), film, below, laws.paths)
        inside = np.clip(laws.inside + self.inks.inside[ink], 0.3, 0.65)[:, None, None]
        haze = (laws.haze + self.inks.haze[ink])[:, None, None]
        printed = seen(inked, inside, haze, laws.slope).mean(axis=1)

        stand = laws.fibres * roughness * np.exp(-(top + base) / laws.fibres_um)
        stand = np.where(self.cloths.cards[cloth], 0.0, np.minimum(stand, 0.5))[:, None]
        coated = over(ink_a, ink_s, 0.1 * top[:, None], ground, laws.paths).diffuse
        return self.told((1 - stand) * printed + stand * coated)

    def _cloth(
        self, cloth: NDArray, ink: NDArray, film: Array, a: Array, s: Array
    ) -> tuple[Ground, Array]:
        """Cloth under a first film, and how much (n,), um, of that it takes up."""
        laws = self.laws
        watery, discharging = self.inks.watery[ink], self.inks.discharges[ink]
        card = self.cloths.cards[cloth]
        capacity = (
            np.where(watery, laws.uptake_water_um, laws.uptake_um) * self.cloths.thirst[cloth]
        )
        capacity = np.maximum(capacity, 1e-6)
        taken = capacity * -np.expm1(-laws.uptake_share * film / capacity)
        fibre = self.cloths.frame["fibre"].to_numpy()[cloth]
        most = pd.Series(fibre).map(laws.discharge).fillna(0.0).to_numpy()
        gone = np.where(discharging, most * -np.expm1(-film / laws.discharge_um), 0.0)[:, None]
        scatters = np.where(card, 1.0, laws.wetting)[:, None]
        dye, own = self.cloths.dye[cloth], self.cloths.fibre[cloth]
        deep = two_flux(1e3 * (own + (1 - 0.6 * gone) * dye), 1e3 * scatters)[0]
        reached = laws.depth * np.where(discharging, 2.5, 1.0)[:, None]
        path = laws.paths.longest
        k = reached * (own + (1 - gone) * dye) + path * a * taken[:, None]
        r, t = two_flux(k, reached * scatters + path * s * taken[:, None])
        tinted = np.where(card[:, None], deep, r + t**2 * deep / (1 - r * deep))
        return Ground(tinted, tinted), taken

    def bare(self) -> Array:
        """Reflectance (n, 31) of every garment and card as the shop measures it."""
        r = two_flux(
            1e3 * (self.cloths.dye + self.cloths.fibre), np.full_like(self.cloths.dye, 1e3)
        )
        haze = self.cloths.haze[:, None]
        return self.told(haze + (1 - haze) * r[0])

    # -- scatter -------------------------------------------------------------------------

    def tangents(self, setups: pd.DataFrame) -> tuple[Array, Array, Array]:
        """Noise-free reflectance (n, 31) and what a unit of log film of ink and base does to it."""
        mean = self.reflectance(setups)
        by_top = (self.reflectance(setups, STEP, 0.0) - mean) / STEP
        by_base = (self.reflectance(setups, 0.0, STEP) - mean) / STEP
        return mean, by_top, by_base

    def read(self, rng: np.random.Generator, spectra: Array, readings: Array) -> Array:
        """Spectra (..., n, 31) as the instrument tells them, with the print's own surface."""
        laws, shape = self.laws, spectra.shape
        share = 1 / np.sqrt(readings)[:, None]
        common = laws.gain_sd * rng.normal(size=(*shape[:-1], 1))
        bands = laws.band_sd * share * rng.normal(size=shape)
        dark = laws.haze_sd * rng.normal(size=(*shape[:-1], 1))
        noise = 0.0003 * share * rng.normal(size=shape)
        return np.clip(spectra * (1 + common + bands) + dark + noise, 0.0005, 1.0)

    def measure(self, rng: np.random.Generator, setups: pd.DataFrame) -> Array:
        """Measured spectra (n, 31): a job and ink is one screen and shares a film error."""
        screen = pd.factorize(setups["job"].astype(str) + " " + setups["ink"].astype(str))[0]
        job = pd.factorize(setups["job"])[0]
        n, laws = len(setups), self.laws
        errors = [
            laws.job_film_sd * rng.normal(size=n)[of] + laws.print_film_sd * rng.normal(size=n)
            for of in (screen, job)
        ]
        spectra = self.reflectance(setups, *errors)
        return self.read(rng, spectra, setups["readings"].to_numpy(float))

    def next_prints(self, setups: pd.DataFrame, draws: int = 400) -> Array:
        """Lab (draws, n, 3) that the next measured print may have: all that chance does."""
        rng = np.random.default_rng(0)
        mean, by_top, by_base = self.tangents(setups)
        sd = np.hypot(self.laws.job_film_sd, self.laws.print_film_sd)
        z = sd * rng.normal(size=(2, draws, len(setups), 1))
        spectra = np.clip(mean + z[0] * by_top + z[1] * by_base, 0.0005, 1.0)
        return lab_of(self.read(rng, spectra, setups["readings"].to_numpy(float)))

    def chance_within(
        self, setups: pd.DataFrame, target: Array, tolerance: float, draws: int = 400
    ) -> Array:
        """Chance (n,) that the next measured print is within ``tolerance`` (dE00) of the target,
        for one who knows everything but chance."""
        return chance_within(self.next_prints(setups, draws), target, tolerance)


def chance_within(prints: Array, target: Array, tolerance: float) -> Array:
    """Chance (n,) of `World.next_prints` to lie within ``tolerance`` (dE00) of targets (n, 3)."""
    return (apart(prints, np.broadcast_to(target, prints.shape)) <= tolerance).mean(axis=0)
