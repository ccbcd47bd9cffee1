"""The invented shop's physical truth: what colour a set-up really gives, and how it is read."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from . import materials, press, radiative
from .colour_of import WAVELENGTHS_NM, lab_of
from .recipe import Recipe

Array = NDArray[np.float64]

FIRST_DAY = pd.Timestamp("2024-01-08")
HISTORY_DAYS = 712  # to 2025-12-19
LATER_DAYS = (735, 845)  # 2026-01-12 to 2026-05-01
DRIFT_START_DAY = 585  # 2025-08-15
DRIFT_PER_DAY = 0.15 / 260  # 7 % by the end of the history, 15 % by the end of the later period
PRESS_FILM = {"P1": 1.00, "P2": 1.07, "P3": 0.93, "P9": 1.09}  # P9 is never in the history
JOB_FILM_SD = 0.035
PRINT_FILM_SD = 0.045
LOT_SD = 0.035
REPEATABILITY_DE = 0.15
# Ink that sinks into bare cloth, share of the first stroke; cloth wetted through.
SOAK = {"cotton": 0.18, "blend": 0.15, "polyester": 0.10}
WET = {"cotton": 0.55, "blend": 0.48, "polyester": 0.38}
DISCHARGED = {"cotton": 0.93, "blend": 0.60, "polyester": 0.0}  # dye taken away
WATERY_SOAK, WATERY_WET = 3.0, 1.15  # water-based ink against plastisol
WET_UNDER_BASE = 0.15
BASE_SOAK = 0.08
# A levelled drawdown is smoother than a print; two prints are not equally rough (sd).
CARD_HAZE = 0.5
PRINT_HAZE_SD = 0.0005
# Scattering depth of cloth: sunken ink of this film (um) counts once against its scattering.
CLOTH_DEPTH_UM = 3.6

_HERMITE_7 = np.polynomial.hermite_e.hermegauss(7)
_HERMITE_3 = np.polynomial.hermite_e.hermegauss(3)


@dataclass(frozen=True)
class Ink:
    """One ink as it truly is."""

    ink_id: str
    name: str
    share: float
    ink_type: str
    role: str
    solids: float
    rheology: float
    haze: float  # light the rough surface of a print scatters back, reflectance factor
    optics: materials.Optics
    lot_starts: Array  # day each lot is opened
    lot_strength: Array

    def lot_on(self, day: Array) -> Array:
        """Index of the lot open on each day."""
        return np.clip(np.searchsorted(self.lot_starts, day, side="right") - 1, 0, None)


def generator(seed: int, purpose: str) -> np.random.Generator:
    """An independent stream of random numbers per purpose: adding a draw moves no other."""
    return np.random.default_rng([seed, *purpose.encode()])


@dataclass
class World:
    """Inks, cloths, meshes and constants of one invented shop."""

    recipe: Recipe
    seed: int
    inks: dict[str, Ink] = field(init=False)
    cloths: dict[str, materials.Cloth] = field(init=False)
    meshes: pd.DataFrame = field(init=False)
    workings: press.Workings = field(init=False)
    _tops: dict[tuple[str, int], radiative.Ladder] = field(init=False, default_factory=dict)
    _bases: dict[str, radiative.Ladder] = field(init=False, default_factory=dict)

    def __post_init__(self) -> None:
        self.meshes = press.mesh_table()
        self.workings = press.Workings.drawn(generator(self.seed, "workings"))
        cloths = materials.garments(generator(self.seed, "garments"))
        kept = cloths[: self.recipe.n_garments]
        self.cloths = {f"G{i + 1:02d}": c for i, c in enumerate(kept)}
        self.inks = self._make_inks()

    def _make_inks(self) -> dict[str, Ink]:
        rng = generator(self.seed, "inks")
        watery = self.recipe.ink_system == "water_based"
        chosen = np.sort(rng.permutation(len(materials.COLOUR_INKS))[: self.recipe.n_inks])
        listed = [(f"C{i + 1:02d}", materials.COLOUR_INKS[k]) for i, k in enumerate(chosen)]
        listed += [(f"U{i + 1}", f) for i, f in enumerate(materials.BASES)]
        inks = {}
        for ink_id, formula in listed:
            role = "underbase" if ink_id.startswith("U") else "colour"
            kind = "plastisol"
            solids = rng.uniform(0.95, 1.0)
            optics = materials.ink_optics(formula, rng, self.recipe.ink_spread)
            if watery:
                kind = "discharge" if role == "colour" and rng.random() < 0.35 else "water_based"
                solids = rng.uniform(0.32, 0.48)
                # A dry water-based film is richer in pigment than a plastisol one.
                optics = materials.Optics(1.8 * optics.mu_a, 1.2 * optics.mu_s, optics.g)
            starts = np.concatenate([[0.0], np.cumsum(rng.uniform(90, 240, size=12))])
            inks[ink_id] = Ink(
                ink_id,
                formula.name,
                formula.share,
                kind,
                role,
                solids,
                float(np.exp(0.06 * rng.normal())),
                rng.uniform(0.006, 0.011),
                optics,
                starts,
                np.exp(LOT_SD * rng.normal(size=starts.size)),
            )
        return inks

    def lot_optics(self, ink_id: str, lot: int) -> materials.Optics:
        """Optics of one batch of an ink."""
        ink = self.inks[ink_id]
        return ink.optics.stronger(float(ink.lot_strength[lot]))

    def top_ladder(self, ink_id: str, lot: int) -> radiative.Ladder:
        """The batch as a top film, any thickness; kept, since prints of a batch share it."""
        if (ink_id, lot) not in self._tops:
            o = self.lot_optics(ink_id, lot)
            self._tops[ink_id, lot] = radiative.top_film(o.mu_a, o.mu_s, o.g)
        return self._tops[ink_id, lot]

    def base_ladder(self, ink_id: str) -> radiative.Ladder:
        """An underbase, any thickness."""
        if ink_id not in self._bases:
            o = self.inks[ink_id].optics
            self._bases[ink_id] = radiative.buried_film(o.mu_a, o.mu_s, o.g)
        return self._bases[ink_id]

    def press_factor(self, press_id: Array, day: Array) -> Array:
        """Film factor of the press on that day; the drifting one lays ever more ink."""
        factor = pd.Series(press_id).map(PRESS_FILM).to_numpy(float)
        drift = DRIFT_PER_DAY * np.maximum(np.asarray(day, float) - DRIFT_START_DAY, 0.0)
        return factor * np.where(press_id == self.recipe.drifting_press, 1.0 + drift, 1.0)

    def films(self, setups: pd.DataFrame) -> pd.DataFrame:
        """Dry films (um) of complete set-ups: top, its first stroke, base."""
        pressing = self.press_factor(setups["press_id"].to_numpy(), setups["day"].to_numpy())
        top, first = self._film(setups, "ink_id", "mesh_id", setups["strokes"])
        top, first = top * pressing, first * pressing
        base = np.zeros(len(setups))
        based = setups["underbase_ink_id"].notna().to_numpy()
        if based.any():
            rows = setups[based].assign(
                flash_count=0, squeegee_shore_a=70, squeegee_angle_deg=15, off_contact_mm=2.5
            )
            laid, _ = self._film(
                rows, "underbase_ink_id", "underbase_mesh_id", rows["underbase_strokes"]
            )
            base[based] = laid * pressing[based]
        return pd.DataFrame({"top": top, "first": first, "base": base}, index=setups.index)

    def _film(
        self, rows: pd.DataFrame, ink: str, mesh: str, strokes: pd.Series
    ) -> tuple[Array, Array]:
        solids = rows[ink].map({k: v.solids for k, v in self.inks.items()}).to_numpy(float)
        rheology = rows[ink].map({k: v.rheology for k, v in self.inks.items()}).to_numpy(float)
        total, first = press.dry_film(
            self.meshes,
            rows[mesh].to_numpy(),
            strokes.to_numpy(float),
            rows["flash_count"].to_numpy(float),
            solids,
            rows,
            self.workings,
        )
        return total * rheology, first * rheology

    def reflectance(
        self, setups: pd.DataFrame, top_error: Array | float = 0.0, base_error: Array | float = 0.0
    ) -> Array:
        """Spectra (m, 31) of complete set-ups; errors are log film errors (m,)."""
        setups = setups.reset_index(drop=True)
        state = self._state(setups, top_error, base_error)
        out = np.empty((len(setups), WAVELENGTHS_NM.size))
        for (ink_id, lot), rows in setups.groupby(["ink_id", "lot_index"]).indices.items():
            ladder = self.top_ladder(ink_id, int(lot))
            optics = self.lot_optics(ink_id, int(lot))
            base_ids = setups["underbase_ink_id"].to_numpy()[rows]
            bare = rows[pd.isna(base_ids)]
            if bare.size:
                at = state.iloc[bare]
                cloth = self._cloth(setups["substrate_id"].to_numpy()[bare], at, optics)
                standing = (at["top"] - at["sunk"]).to_numpy()
                out[bare] = self._bare(ladder, standing, at["uneven"].to_numpy(), cloth)
            for base_id in sorted(set(base_ids[~pd.isna(base_ids)])):
                over = rows[base_ids == base_id]
                for part in np.array_split(over, over.size // 60 + 1):  # keeps memory small
                    at = state.iloc[part]
                    cloth = self._cloth(
                        setups["substrate_id"].to_numpy()[part], at, self.inks[base_id].optics
                    )
                    out[part] = self._based(ladder, self.base_ladder(base_id), at, cloth)
        haze = setups["ink_id"].map({k: v.haze for k, v in self.inks.items()}).to_numpy()
        return out + haze[:, None]

    def _state(
        self, setups: pd.DataFrame, top_error: Array | float, base_error: Array | float
    ) -> pd.DataFrame:
        """Films as they lie (um) and the state of the cloth, one row a set-up.

        ``top`` and ``base`` as laid, ``sunk`` of the film that touches the cloth, log film
        deviations ``uneven`` and ``base_uneven``, ``wet`` share, ``discharged`` share.
        """
        film = self.films(setups)
        based = setups["underbase_ink_id"].notna().to_numpy()
        fibre = setups["substrate_id"].map({k: c.fibre for k, c in self.cloths.items()})
        types = setups["ink_id"].map({k: v.ink_type for k, v in self.inks.items()}).to_numpy()
        watery = types != "plastisol"
        base = film["base"].to_numpy() * np.exp(base_error)
        first = film["first"].to_numpy() * np.exp(top_error)
        soak = fibre.map(SOAK).to_numpy() * np.where(watery, WATERY_SOAK, 1.0)
        wet = fibre.map(WET).to_numpy() * np.where(watery, WATERY_WET, 1.0)
        discharge = fibre.map(DISCHARGED).to_numpy() * ((types == "discharge") & ~based)
        base_mesh = setups["underbase_mesh_id"].where(based, setups["mesh_id"]).to_numpy()
        on_cloth = np.zeros(len(setups), bool)
        return pd.DataFrame(
            {
                "top": film["top"].to_numpy() * np.exp(top_error),
                "base": base,
                "sunk": np.where(based, BASE_SOAK * base, soak * first),
                "uneven": press.evenness(self.meshes, setups["mesh_id"].to_numpy(), fibre, based),
                "base_uneven": 0.8 * press.evenness(self.meshes, base_mesh, fibre, on_cloth),
                "wet": np.where(based, WET_UNDER_BASE, wet),
                "discharged": discharge,
            }
        )

    def _cloth(self, substrate_id: Array, at: pd.DataFrame, ink: materials.Optics) -> Array:
        """Internal reflectance (m, 31) of the cloth, wetted and tinted by the ink on it."""
        dry = np.stack([self.cloths[g].reflectance for g in substrate_id])
        amount = (at["sunk"].to_numpy() / CLOTH_DEPTH_UM)[:, None]
        return press.cloth_under(
            dry,
            at["wet"].to_numpy(),
            amount * ink.mu_a,
            amount * ink.mu_s * (1 - ink.g),
            at["discharged"].to_numpy(),
        )

    @staticmethod
    def _bare(ladder: radiative.Ladder, film: Array, uneven: Array, cloth: Array) -> Array:
        total = np.zeros_like(cloth)
        for z, weight in zip(*_HERMITE_7, strict=True):
            here = film * np.exp(uneven * z - uneven**2 / 2)
            total += weight * radiative.over_diffuser(ladder.at(here), cloth)
        return total / _HERMITE_7[1].sum()

    @staticmethod
    def _based(
        ladder: radiative.Ladder, base_ladder: radiative.Ladder, at: pd.DataFrame, cloth: Array
    ) -> Array:
        nodes, weights = _HERMITE_3
        total = np.zeros_like(cloth)
        uneven, base_uneven = at["uneven"].to_numpy(), at["base_uneven"].to_numpy()
        film, base = at["top"].to_numpy(), (at["base"] - at["sunk"]).to_numpy()
        tops = [ladder.at(film * np.exp(uneven * z - uneven**2 / 2)) for z in nodes]
        for z, base_weight in zip(nodes, weights, strict=True):
            under = base_ladder.at(base * np.exp(base_uneven * z - base_uneven**2 / 2))
            for here, weight in zip(tops, weights, strict=True):
                total += weight * base_weight * radiative.over_base(here, under, cloth)
        return total / weights.sum() ** 2

    def card(self, ink_id: str, film_um: Array, card: Array, lot: int = 0) -> Array:
        """Spectra (m, 31) of even films over a sealed, smooth card of measured ``card`` (31,)."""
        ladder = self.top_ladder(ink_id, lot)
        inside = radiative.internal_reflectance(np.broadcast_to(card, (len(film_um), 31)))
        film = ladder.at(np.asarray(film_um, float))
        return radiative.over_diffuser(film, inside) + CARD_HAZE * self.inks[ink_id].haze

    def bucket(self, ink_id: str, lot: int = 0) -> Array:
        """Spectrum (31,) of a levelled well of the ink, a film of 16 mm."""
        o = self.lot_optics(ink_id, lot)
        deep = radiative.top_film(o.mu_a, o.mu_s, o.g, octaves=16)
        well = radiative.over_diffuser(deep.at(np.array([16000.0])), np.full((1, 31), 0.5))[0]
        return well + CARD_HAZE * self.inks[ink_id].haze


def read_lab(spectra: Array, readings: Array, rng: np.random.Generator) -> Array:
    """Measured L*, a*, b* (m, 3): mean of ``readings`` readings, two decimals."""
    noise = rng.normal(size=(len(spectra), 3)) * 0.115
    return np.round(lab_of(spectra) + noise / np.sqrt(readings)[:, None], 2)


def read_spectrum(spectra: Array, readings: Array, rng: np.random.Generator) -> Array:
    """Measured reflectance (m, 31): gain, offset and per-channel noise, four decimals."""
    n = len(spectra)
    gain = 0.0025 * rng.normal(size=(n, 1))
    offset = 0.0002 * rng.normal(size=(n, 1))
    grain = 0.0012 * np.sqrt(np.maximum(spectra, 0.01)) * rng.normal(size=spectra.shape)
    noise = spectra * gain + offset + grain
    return np.round(np.clip(spectra + noise / np.sqrt(readings)[:, None], 0.0005, 1.0), 4)
