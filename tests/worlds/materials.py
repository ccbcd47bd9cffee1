"""What lies on this shop's shelves: inks and their lots, garments, cards, meshes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tests.worlds.light import NM

Array = NDArray[np.floating]

# Where the dyes of a hue absorb: nm and relative height. Invented, like all numbers here.
HUES = {
    "yellow": ((435, 1.0), (405, 0.5)),
    "orange": ((455, 1.0), (505, 0.7)),
    "red": ((500, 1.0), (540, 0.8), (440, 0.5)),
    "magenta": ((525, 1.0), (560, 0.6)),
    "violet": ((545, 1.0), (590, 0.8)),
    "blue": ((590, 1.0), (640, 0.8), (560, 0.4)),
    "cyan": ((625, 1.0), (680, 0.8)),
    "green": ((640, 1.0), (680, 0.6), (430, 0.9)),
    "brown": ((430, 1.0), (500, 0.8), (560, 0.5), (620, 0.25)),
    "grey": ((420, 0.5), (500, 0.5), (580, 0.5), (660, 0.5)),
    "black": ((420, 1.0), (490, 1.0), (560, 1.0), (630, 1.0), (690, 1.0)),
    "white": ((400, 1.0),),
}
MESHES = (  # threads per cm, thread um
    (32, 100),
    (43, 80),
    (54, 64),
    (61, 64),
    (77, 55),
    (90, 48),
    (100, 40),
    (120, 34),
)
NEW_MESHES = ((48, 70), (110, 34))
FINEST = (150, 31)
CLOTH_HUES = ("white", "black", "blue", "red", "grey", "green", "yellow", "magenta", "black")
FAMILY_KEPT_BACK = ("orange", "violet", "cyan", "brown")


def bands(rng: np.random.Generator, hue: str) -> Array:
    """Absorption (31,) of a dye of that hue, its highest 1."""
    found = np.zeros(len(NM))
    for centre, height in HUES[hue]:
        width = rng.uniform(20, 38)
        skew = np.where(centre > NM, rng.uniform(1.0, 1.8), rng.uniform(0.7, 1.1))
        shifted = (NM - centre - rng.normal(0, 7)) / (width * skew)
        found += height * rng.uniform(0.75, 1.3) * np.exp(-0.5 * shifted**2)
    return found / found.max() + rng.uniform(0.001, 0.012)


@dataclass(frozen=True)
class Inks:
    """Every ink: table columns and optics, (n,) and (n, 31) a um of dry film."""

    frame: pd.DataFrame  # ink_id, ink_name, ink_type, role, solids_vol_pct
    absorption: Array
    scattering: Array
    viscosity: Array
    solids: Array
    inside: Array  # added to what the surface throws back
    haze: Array

    @property
    def coloured(self) -> NDArray[np.bool_]:
        """(n,) neither white nor black."""
        return ~self.frame["ink_name"].str.contains("white|black", case=False).to_numpy()

    @property
    def discharges(self) -> NDArray[np.bool_]:
        """(n,)"""
        return self.frame["ink_type"].to_numpy() == "discharge"

    @property
    def watery(self) -> NDArray[np.bool_]:
        """(n,)"""
        return self.frame["ink_type"].to_numpy() != "plastisol"

    @property
    def bases(self) -> NDArray[np.intp]:
        """Positions of the underbases."""
        return np.flatnonzero(self.frame["role"].to_numpy() == "underbase")


N_BASES = 2


def draw_inks(rng: np.random.Generator, n: int, water: bool) -> Inks:
    """``n`` colours and two white bases behind them."""
    pure = [h for h in HUES if h != "grey"]
    hues = [pure[i % len(pure)] for i in rng.permutation(len(pure))]
    hues = [*(hues * (n // len(hues) + 1))[:n], *["white"] * N_BASES]
    rows, absorption, scattering = [], [], []
    for i, hue in enumerate(hues):
        base = i >= n
        kind = "water_based" if water else "plastisol"
        if water and not base and hue != "white" and rng.random() < 0.3:
            kind = "discharge"
        clear = not base and hue not in ("white", "black") and rng.random() < 0.4
        strength = np.exp(rng.normal(np.log(0.06 if clear else 0.10), 0.4))
        scatter = rng.uniform(0.001, 0.01) if clear else np.exp(rng.normal(np.log(0.03), 0.5))
        if hue == "white":
            strength, scatter = rng.uniform(0.001, 0.006), rng.uniform(0.08, 0.20)
        if water:  # the same pigment in a third of the film
            strength, scatter = 2.2 * strength, 1.5 * scatter
        if kind == "discharge":
            scatter *= 0.3
        absorption.append(strength * bands(rng, hue) + rng.uniform(0.0002, 0.001))
        scattering.append(scatter * (NM / 550) ** -rng.uniform(0.3, 2.2))
        solids = rng.uniform(28, 45) if water else rng.uniform(95, 100)
        name = ("Base " if base else "Clear " if clear else "") + hue
        number = f"B{i - n + 1}" if base else f"K{i + 1:02d}"
        role = "underbase" if base else "colour"
        rows.append((number, f"{name.capitalize()} {i + 1}", kind, role, round(solids)))
    columns = ["ink_id", "ink_name", "ink_type", "role", "solids_vol_pct"]
    frame = pd.DataFrame(rows, columns=columns)
    m = len(frame)
    return Inks(
        frame,
        np.array(absorption),
        np.array(scattering),
        viscosity=rng.normal(0, 1, m),
        solids=frame["solids_vol_pct"].to_numpy() / 100 * np.exp(rng.normal(0, 0.03, m)),
        inside=rng.normal(0, 0.02, m),
        haze=rng.uniform(0, 0.004, m),
    )


@dataclass(frozen=True)
class Cloths:
    """Garments and, behind them, a white and a black card."""

    frame: pd.DataFrame  # substrate_id, kind, fibre, colour_name
    dye: Array  # (n, 31) absorption over scattering that discharging takes away
    fibre: Array  # (n, 31) the same of the undyed fibre
    roughness: Array  # (n,) times the shop's unevenness and standing fibres
    thirst: Array  # (n,) times the shop's uptake
    loose: Array  # (n,) times the shop's migration: dye of polyester wanders with heat
    haze: Array

    @property
    def dark(self) -> NDArray[np.bool_]:
        """(n,) whether a base is usual."""
        return self.dye.mean(axis=1) > 0.4

    @property
    def cards(self) -> NDArray[np.bool_]:
        """(n,)"""
        return self.frame["kind"].to_numpy() == "card"


def draw_cloths(rng: np.random.Generator, n: int, new: int, family: int) -> Cloths:
    """``n`` garments, then ``new`` more like them, then ``family`` of hues not among those."""
    hues = [CLOTH_HUES[i % len(CLOTH_HUES)] for i in range(n)]
    hues += list(rng.choice(CLOTH_HUES[1:], new)) + list(rng.choice(FAMILY_KEPT_BACK, family))
    rows, dye, fibre = [], [], []
    for i, hue in enumerate(hues):
        kind = rng.choice(["cotton", "blend", "polyester"], p=[0.6, 0.25, 0.15])
        depth = {"white": 0.0, "black": rng.uniform(10, 20)}.get(
            hue, np.exp(rng.uniform(np.log(0.3), np.log(8)))
        )
        dye.append(depth * (bands(rng, hue) + rng.uniform(0.02, 0.3)))
        fibre.append(rng.uniform(0.004, 0.015) * (NM / 550) ** -rng.uniform(0.5, 4))
        name = f"{'Pale' if 0 < depth < 1 else 'Deep' if depth > 3 else 'Mid'} {hue}"
        rows.append((f"G{i + 1:02d}", "garment", kind, f"{name} {i + 1}"))
    for number, name, depth in (("CW", "white card", 0.0), ("CB", "black card", 20.0)):
        dye.append(np.full(len(NM), depth))
        fibre.append(np.full(len(NM), 0.008))
        rows.append((number, "card", "paper", name))
    frame = pd.DataFrame(rows, columns=["substrate_id", "kind", "fibre", "colour_name"])
    m = len(frame)
    roughness = np.exp(rng.normal(0, 0.25, m))
    thirst = np.exp(rng.normal(0, 0.3, m)) * np.where(frame["fibre"] == "polyester", 0.5, 1.0)
    card = (frame["kind"] == "card").to_numpy()
    roughness[card], thirst[card] = 0.15, 0.0
    haze = np.where(card, 0.002, rng.uniform(0.004, 0.02, m))
    loose = frame["fibre"].map({"cotton": 0.2, "blend": 0.6, "polyester": 1.0, "paper": 0.0})
    return Cloths(frame, np.array(dye), np.array(fibre), roughness, thirst, loose.to_numpy(), haze)


@dataclass(frozen=True)
class Meshes:
    """Every mesh; those never printed with stand last: two between the others, the finest."""

    frame: pd.DataFrame  # mesh_id, threads_per_cm, thread_um
    opening_um: Array
    volume: Array  # cm3/m2 the mesh really holds
    n_printed: int


def draw_meshes(rng: np.random.Generator, n: int) -> Meshes:
    """``n`` of the usual meshes, and three never printed."""
    usual = [MESHES[i] for i in sorted(rng.permutation(len(MESHES))[:n])]
    sizes = np.array([*usual, *NEW_MESHES, FINEST], float)
    count, thread = sizes.T
    opening = 10_000 / count - thread
    fabric = 1.85 * thread
    volume = fabric * (opening * count / 10_000) ** 2 * np.exp(rng.normal(0, 0.07, len(sizes)))
    ids = [f"N{c:.0f}-{t:.0f}" for c, t in sizes]
    frame = pd.DataFrame({"mesh_id": ids, "threads_per_cm": count, "thread_um": thread})
    return Meshes(frame, opening, volume, n)


@dataclass(frozen=True)
class Lots:
    """Lots of every colour, (n,) each; ``first_day`` from when on they are used."""

    ink: NDArray[np.intp]
    number: NDArray[np.intp]  # within its ink, from 1
    first_day: Array  # inf: never in the ordinary run of jobs
    strength: Array  # log, of absorption
    scattering: Array  # log, let down with white or black
    tilt: Array  # log absorption from 400 to 700 nm

    def on(self, ink: NDArray[np.intp], day: Array) -> NDArray[np.intp]:
        """Position of the lot in use, (n,); the very first where an ink has none."""
        late = self.first_day[None, :] > day[:, None]
        other = self.ink[None, :] != ink[:, None]
        return np.where(late | other, -np.inf, self.first_day[None, :]).argmax(axis=1)

    def of(self, ink: int) -> NDArray[np.intp]:
        """Positions of an ink's lots that are kept out of the ordinary run."""
        return np.flatnonzero((self.ink == ink) & np.isinf(self.first_day))

    def spectral(self, rows: NDArray[np.intp]) -> tuple[Array, Array]:
        """Factors (n, 31) on absorption and (n, 1) on scattering."""
        slope = (NM - 550) / 300
        a = np.exp(self.strength[rows, None] + self.tilt[rows, None] * slope)
        return a, np.exp(self.scattering[rows])[:, None]


def draw_lots(
    rng: np.random.Generator, n_inks: int, days: float, strong: list[int], never: list[int]
) -> Lots:
    """Lots through the history. Each ink of ``strong`` gets one a good quarter off and turned in
    hue, each of ``never`` two more of the common run: both are left to the caller to use."""
    life = rng.uniform(90, 260)
    few, spread = rng.uniform(0.0, 0.08), rng.uniform(0.015, 0.04)
    rows: list[tuple[float, ...]] = []
    for ink in range(n_inks):
        starts = np.cumsum(rng.exponential(life, size=int(days / life * 3) + 2))
        firsts = [-1.0, *starts[starts < days + 20]]
        firsts += [np.inf, np.inf] * (ink in never) + [np.inf] * (ink in strong)
        for i, first in enumerate(firsts):
            made_off = ink in strong and i == len(firsts) - 1
            way, odd = rng.choice([-1, 1]), made_off or rng.random() < few
            size = rng.uniform(0.22, 0.33) if made_off else rng.uniform(0.14, 0.30)
            strength = way * size if odd else spread * rng.standard_t(5)
            tilt = rng.choice([-1, 1]) * rng.uniform(0.08, 0.25) if odd else rng.normal(0, 0.02)
            let_down = rng.normal(0, 0.12 if odd else 0.02)
            rows.append((ink, i + 1, first, strength, let_down, tilt))
    ink, number, first_day, strength, scattering, tilt = np.array(rows).T
    return Lots(ink.astype(int), number.astype(int), first_day, strength, scattering, tilt)
