"""Invents a shop: its world, its history with wrong rows and gaps, and what it is asked later.

`draw_shop` gives a `Drawn`; `tables` writes it as the shop would hand it over. Three kinds:
"plastisol"; "water": water-based and discharge inks, mostly straight on cloth; "few": plastisol,
known by Lab alone, meant for some sixty prints.
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tests.worlds.kinder import without as kinder
from tests.worlds.laws import draw_laws
from tests.worlds.light import apart, lab_of
from tests.worlds.materials import (
    N_BASES,
    Inks,
    draw_cloths,
    draw_inks,
    draw_lots,
    draw_meshes,
)
from tests.worlds.presses import draw_presses
from tests.worlds.world import Instrument, World

Array = NDArray[np.floating]
Changes = dict[str, object]

KINDS = ("plastisol", "water", "few")
WRONG_RATE = 0.012
PLAIN_TO_SEE = 5.0  # dE00 a wrong row lies at least off the right colour
TOLERANCE = 2.0
FARTHEST_TARGET = 4.5  # dE00 from the true colour: an oracle lets about a third go
PRESS_DAYS = 150
FILM_OFF = 0.03  # a film that is drawn down, log, off what was meant
# What stands on a press, and how often; None: each as often.
CELLS: dict[str, tuple[list[float], list[float] | None]] = {
    "shore": ([60.0, 65, 70, 75, 80], [0.1, 0.2, 0.4, 0.2, 0.1]),
    "angle": ([5.0, 8, 10, 12, 15, 20], None),
    "gap": ([1.0, 1.5, 2, 2.5, 3, 3.5], None),
}


def stencil_um(rng: np.random.Generator, n: int) -> Array:
    """Stencils of n screens."""
    return np.clip(np.round(rng.normal(14, 4.5, n)), 3, 30)


@dataclass(frozen=True)
class Query:
    """Prints of one kind kept back: as they really were, as measured, and what was aimed at."""

    setups: pd.DataFrame
    shown: pd.DataFrame  # the same with the cells the shop left empty
    true_lab: Array
    measured: Array  # (n, 31)
    target: Array  # Lab

    def __len__(self) -> int:
        return len(self.setups)


@dataclass(frozen=True)
class Drawn:
    """A shop and its truth. ``wrong`` maps the position of a wrong row to what is wrong."""

    name: str
    kind: str
    world: World
    history: pd.DataFrame  # as it was recorded
    shown: pd.DataFrame  # with empty cells
    measured: Array  # (n, 31)
    spectral: NDArray[np.bool_]  # which prints are handed over as spectra
    wrong: dict[int, str]
    drawdowns: pd.DataFrame  # ink, cloth, film_um
    drawdown_r: Array
    queries: dict[str, Query] = field(default_factory=dict)


@dataclass(frozen=True)
class Common:
    """What a plant has in common with others of its group, and its instrument."""

    inks: Inks
    light: dict[str, Any]  # laws of the light in these inks, by their names
    instrument: Instrument


class _Shelves:
    """Which inks, garments and meshes are used how often, and which are kept back."""

    def __init__(self, rng: np.random.Generator, kind: str, size: int, n_inks: int) -> None:
        few = kind == "few"
        self.n_inks = n_inks
        self.n_new, self.n_white, self.n_rare = (2, 1, 2) if few else (3, 2, 4)
        self.n_cloths = round(5 + 0.4 * np.sqrt(size))
        self.new_cloths, self.family_cloths = (2, 1) if few else (3, 2)
        self.n_meshes = 4 if few else 7
        self.n_presses = {"plastisol": 3, "water": 2, "few": 2}[kind]
        self.days = round(730 * min(1.0, (size / 500) ** 0.5))
        order = rng.permutation(self.n_inks)
        kept = self.n_new + self.n_white
        self.new, self.white = order[: self.n_new], order[self.n_new : kept]
        self.rare, self.usual = order[kept : kept + self.n_rare], order[kept + self.n_rare :]
        popular = 1 / np.arange(1, len(self.usual) + 1) ** rng.uniform(0.5, 1.0)
        self.popular = popular / popular.sum()

    def choose_lots(self, coloured: NDArray[np.bool_]) -> None:
        """Which inks get a strong lot, and which a lot never printed: common coloured ones."""
        common = [int(i) for i in self.usual if coloured[i]]
        common += [int(i) for i in self.usual if not coloured[i]]
        n = max(1, int(coloured[self.usual].sum()) // 4)
        self.strong, self.never = common[0 : 2 * n : 2][:3], common[1 : 2 * n : 2][:3]


def draw_shop(
    seed: int, size: int, kind: str, ask: int = 90, without: Collection[str] = ()
) -> Drawn:
    """A shop of ``size`` prints and about ``ask`` prints of each kind kept back.

    The same seed, size and kind give the same shop, ``without`` some of its troubles
    (`tests.worlds.kinder`) if so asked. Raises ValueError for an unknown kind.
    """
    if kind not in KINDS:
        msg = f"no kind of shop is called {kind!r}: {', '.join(KINDS)}"
        raise ValueError(msg)
    name, seeds = f"{kind}-{size}-{seed}", [seed, size, KINDS.index(kind)]
    return draw_plant(seeds, size, kind, ask, name, without=without)


def inks_of(kind: str, size: int) -> int:
    """How many colours a shop has that prints so much."""
    return int(round(6 + 0.7 * np.sqrt(size)) + (0 if kind == "few" else 3))


def draw_plant(
    seed: list[int],
    size: int,
    kind: str,
    ask: int,
    name: str,
    common: Common | None = None,
    without: Collection[str] = (),
) -> Drawn:
    """:func:`draw_shop` by any seed; what is ``common`` to a group is taken, not drawn."""
    # a stream of its own each, so that a change of one leaves the others as they were
    streams = np.random.default_rng(seed).spawn(8)
    water = kind == "water"
    n_inks = inks_of(kind, size) if common is None else len(common.inks.frame) - N_BASES
    has = _Shelves(streams[0], kind, size, n_inks)
    inks = draw_inks(streams[1], has.n_inks, water) if common is None else common.inks
    has.choose_lots(inks.coloured)  # a turn in hue hardly shows on white or black
    laws = draw_laws(streams[2], water)
    world = World(
        laws=laws if common is None else replace(laws, **common.light),
        inks=inks,
        cloths=draw_cloths(streams[3], has.n_cloths, has.new_cloths, has.family_cloths),
        meshes=draw_meshes(streams[4], has.n_meshes),
        lots=draw_lots(streams[5], has.n_inks, has.days, has.strong, has.never),
        presses=draw_presses(streams[6], has.n_presses, has.days),
        instrument=None if common is None else common.instrument,
    )
    world = kinder(world, without)
    rng = streams[7]
    jobs = _Jobs(rng, world, has)
    history = jobs.history(size)
    measured = world.measure(rng, history)
    wrong = _spoil(rng, world, history, measured)
    shown = _gaps(rng, history, world.laws.missing)
    spectral_presses = rng.random(has.n_presses) < (0.0 if kind == "few" else 0.7)
    spectral = spectral_presses[history["press"].to_numpy()]
    drawdowns = _drawdowns(rng, world, has, water)
    drawn = Drawn(
        name,
        kind,
        world,
        history,
        shown,
        measured,
        spectral,
        wrong,
        drawdowns,
        _drawdown_spectra(rng, world, drawdowns),
    )
    drawn.queries.update(_queries(rng, jobs, ask))
    return drawn


class _Jobs:
    """Jobs as this shop runs them: a press, a garment, one to four inks, each its own screen."""

    def __init__(self, rng: np.random.Generator, world: World, has: _Shelves) -> None:
        self.rng, self.world, self.has = rng, world, has
        self.mesh_share = rng.dirichlet(np.full(has.n_meshes, 3.0))
        self.cloth_share = rng.dirichlet(np.full(has.n_cloths, 1.5)) * 0.8 + 0.2 / has.n_cloths
        self.press_share = rng.dirichlet(np.full(has.n_presses, 8.0))
        self.base_habit = 0.12 if world.inks.watery[0] else 0.85
        self.count = 0

    def draw(self, n: int, first: float, last: float, press: int | None = None) -> pd.DataFrame:
        """``n`` prints of the shop's usual run between two days, in order of time."""
        rng, has, world = self.rng, self.has, self.world
        per_job = rng.choice([1, 2, 3, 4], size=n, p=[0.35, 0.3, 0.2, 0.15])
        job = np.repeat(np.arange(n), per_job)[:n]
        m = job.max() + 1
        day = np.sort(np.floor(rng.uniform(first, last, m)))
        cloth = rng.choice(has.n_cloths, size=m, p=self.cloth_share)
        pressed = rng.choice(has.n_presses, size=m, p=self.press_share)
        pressed = pressed if press is None else np.full(m, press)
        dark = world.cloths.dark[cloth]
        based = rng.random(m) < np.where(dark, self.base_habit, 0.12)
        base = np.where(based, rng.choice(world.inks.bases, size=m, p=[0.8, 0.2]), -1)
        base_mesh = np.where(based, rng.choice(min(4, has.n_meshes), size=m), -1)
        base_strokes = np.where(based, rng.choice([1, 2], size=m), 0)
        by_job = {"day": day, "cloth": cloth, "press": pressed, "base": base}
        by_job |= {"base_mesh": base_mesh, "base_strokes": base_strokes}
        by_job |= {
            name: rng.choice(options, size=m, p=shares) for name, (options, shares) in CELLS.items()
        }
        frame = pd.DataFrame(by_job).iloc[job].reset_index(drop=True)
        frame["job"] = job + self.count
        self.count += m
        frame["ink"] = rng.choice(has.usual, size=n, p=has.popular)
        frame["mesh"] = rng.choice(has.n_meshes, size=n, p=self.mesh_share)
        frame["strokes"] = rng.choice([1, 2, 3], size=n, p=[0.45, 0.45, 0.1])
        frame["eom"] = stencil_um(rng, n)
        frame["readings"] = rng.choice([1, 2, 3, 5], size=n)
        return self.settled(frame)

    def settled(self, frame: pd.DataFrame, **changes: object) -> pd.DataFrame:
        """With changes, and all that follows from them: lots, flashes, no base with discharge."""
        frame = frame.assign(**changes).reset_index(drop=True)
        bare = self.world.inks.discharges[frame["ink"].to_numpy()]
        for column, none in (("base", -1), ("base_mesh", -1), ("base_strokes", 0)):
            frame[column] = frame[column].where(~bare, none)
        if "flashes" not in changes:
            most = frame["strokes"].to_numpy() - 1
            frame["flashes"] = self.rng.binomial(np.maximum(most, 0), 0.5)
        if "lot" not in changes:
            days = frame["day"].to_numpy(float)
            frame["lot"] = self.world.lots.on(frame["ink"].to_numpy(), days)
        return frame

    def history(self, size: int) -> pd.DataFrame:
        """The history: rare inks printed 1 to 3 times, strong lots at its end."""
        rng, has = self.rng, self.has
        frame = self.draw(size, 0, has.days)
        for i, ink in enumerate(has.rare):
            frame.loc[rng.choice(size, 1 + i % 3, replace=False), "ink"] = ink
        frame = self.settled(frame)
        for ink in has.strong:
            rows = np.flatnonzero(frame["ink"].to_numpy() == ink)
            wanted = rng.integers(3, 14)
            last = rows[-min(int(wanted), max(2, len(rows) // 3)) :]
            frame.loc[last, "lot"] = self.world.lots.of(ink)[-1]
        return frame


def _spoil(
    rng: np.random.Generator, world: World, history: pd.DataFrame, measured: Array
) -> dict[int, str]:
    """Give some prints the colour of another set-up than is recorded; what was done to which."""
    n = len(history)
    count = int(rng.binomial(n, WRONG_RATE))
    rows = rng.choice(n, 4 * count + 4, replace=False) if n > 4 * count + 4 else np.arange(n)
    other = history.iloc[rng.permutation(n)[: len(rows)]]
    really = history.iloc[rows].copy()
    what = rng.choice(["ink", "garment", "mesh", "strokes", "patch"], size=len(rows))
    columns = {
        "ink": ["ink", "lot"],
        "garment": ["cloth"],
        "mesh": ["mesh"],
        "strokes": ["strokes"],
    }
    for kind, changed in columns.items():
        at = what == kind
        for column in changed:
            values = other[column].to_numpy()
            really[column] = np.where(at, values, really[column].to_numpy())
    away = what == "patch"
    for column in [c for c in history if c != "job"]:
        really[column] = np.where(away, other[column].to_numpy(), really[column].to_numpy())
    really["flashes"] = np.minimum(really["flashes"], really["strokes"] - 1)
    spectra = world.measure(rng, really)
    off = apart(lab_of(spectra), lab_of(world.reflectance(history.iloc[rows])))
    plain = np.flatnonzero(off > PLAIN_TO_SEE)[:count]
    measured[rows[plain]] = spectra[plain]
    return {int(rows[i]): str(what[i]) for i in plain}


def _gaps(rng: np.random.Generator, setups: pd.DataFrame, missing: float) -> pd.DataFrame:
    """Cells the shop did not fill in."""
    shown = setups.copy()
    rates = dict.fromkeys(("shore", "angle", "gap", "eom"), missing) | {"press": 0.3 * missing}
    rates |= {"lot": 0.4 * missing}
    for column, rate in rates.items():
        shown[column] = shown[column].astype(float).mask(rng.random(len(shown)) < rate)
    return shown


def _drawdowns(rng: np.random.Generator, world: World, has: _Shelves, water: bool) -> pd.DataFrame:
    """Every ink over a white and a black card at one or two films, most with a bucket."""
    cards = np.flatnonzero(world.cloths.cards)
    rows = []
    for ink in range(len(world.inks.frame)):
        white_alone = ink in has.white or rng.random() < 0.06
        films = rng.uniform(6, 24, 2) if water else rng.uniform(20, 80, 2)
        for film in np.round(films[: rng.choice([1, 2])]):
            rows += [(ink, card, film) for card in (cards[:1] if white_alone else cards)]
        if not white_alone and rng.random() < 0.6:
            rows.append((ink, cards[0], np.inf))
    return pd.DataFrame(rows, columns=["ink", "cloth", "film_um"])


def _drawdown_spectra(rng: np.random.Generator, world: World, drawdowns: pd.DataFrame) -> Array:
    """Measured cards (n, 31): even films, off by `FILM_OFF`, of each ink's first lot.

    Bases have no lots in print; their cards are off by the first lot of all, as likely odd as any.
    """
    film = drawdowns["film_um"].to_numpy() * np.exp(rng.normal(0, FILM_OFF, len(drawdowns)))
    ink = drawdowns["ink"].to_numpy()
    cards = drawdowns.assign(base=-1, lot=world.lots.on(ink, np.zeros(len(ink))))
    film = np.where(np.isfinite(film), film, 5000.0)
    return world.read(rng, world.of_films(cards, film, 0 * film), np.full(len(film), 3.0))


def _queries(rng: np.random.Generator, jobs: _Jobs, ask: int) -> dict[str, Query]:
    """Every kind of print kept back; `news` says what each asks."""
    world, has = jobs.world, jobs.has
    end = has.days
    n_cloths, n_meshes = has.n_cloths, has.n_meshes

    def soon(n: int = ask) -> pd.DataFrame:
        return jobs.draw(n, end, end + 30)

    def pick(options: NDArray | list[int] | range, n: int = ask) -> NDArray[np.intp]:
        return rng.choice(np.asarray(options), size=n)

    def with_lots(inks: list[int], which: Callable[[NDArray], NDArray]) -> pd.DataFrame:
        ink = pick(inks)
        lot = np.array([rng.choice(which(world.lots.of(i))) for i in ink])
        return jobs.settled(soon(), ink=ink, lot=lot)

    coarsest = int(np.argmax(world.meshes.opening_um[:n_meshes]))
    finest_printed = int(np.argmin(world.meshes.opening_um[:n_meshes]))
    finest = len(world.meshes.opening_um) - 1
    unknown = range(has.n_presses, len(world.presses.names))
    dark = np.flatnonzero(world.cloths.dark[:n_cloths])
    no_base: Changes = {"base": -1, "base_mesh": -1, "base_strokes": 0}
    frames = {
        "next": soon(),
        "new_mesh": jobs.settled(soon(), mesh=pick([n_meshes, n_meshes + 1])),
        "new_garment": _on(jobs, soon(), pick(range(n_cloths, n_cloths + has.new_cloths))),
        "new_family": _on(
            jobs, soon(), pick(range(n_cloths + has.new_cloths, len(world.cloths.frame) - 2))
        ),
        "lot": with_lots(has.strong, lambda lots: lots[-1:]),
        "lot_new": with_lots(has.never, lambda lots: lots),
        "far": jobs.settled(
            soon(), shore=90.0, angle=2.0, gap=6.0, mesh=finest, press=pick(unknown)
        ),
        "strokes": jobs.settled(soon(), strokes=5, flashes=3, mesh=coarsest),
        "press_new": jobs.settled(
            soon(), strokes=4, press=pick(unknown), flashes=rng.integers(0, 4, ask)
        ),
        "thin": jobs.settled(
            soon(), **no_base, cloth=pick(dark), strokes=1, flashes=0, mesh=finest_printed
        ),
        "ink_new": jobs.settled(soon(), ink=pick(has.new)),
        "ink_white": jobs.settled(soon(), ink=pick(has.white)),
        "few_prints": jobs.settled(soon(), ink=pick(has.rare)),
    }
    third = PRESS_DAYS / 3
    for i in range(3):
        days = end + i * third, end + (i + 1) * third
        frames[f"press_{i + 1}"] = jobs.draw(ask, *days, press=world.presses.drifting)
    return {kind: _asked(rng, world, frame) for kind, frame in frames.items()}


def _on(jobs: _Jobs, frame: pd.DataFrame, cloth: NDArray[np.intp]) -> pd.DataFrame:
    """The same on other garments, one a job, with the base usual on a dark one."""
    cloth = cloth[pd.factorize(frame["job"])[0]]
    based = jobs.world.cloths.dark[cloth] & (jobs.rng.random() < jobs.base_habit)
    usual: Changes = {"base": jobs.world.inks.bases[0], "base_mesh": 1, "base_strokes": 1}
    changed = {c: np.where(based & (frame["base"] < 0), v, frame[c]) for c, v in usual.items()}
    return jobs.settled(frame, cloth=cloth, **changed)


def _asked(rng: np.random.Generator, world: World, setups: pd.DataFrame) -> Query:
    """Measured, with gaps, and a target some way off the true colour."""
    true = lab_of(world.reflectance(setups))
    way = rng.normal(size=true.shape)
    far = rng.uniform(0, FARTHEST_TARGET, len(true))
    step = np.full(len(true), 0.5)
    way /= np.linalg.norm(way, axis=1, keepdims=True)
    for _ in range(4):
        step *= far / np.maximum(apart(true + step[:, None] * way, true), 1e-6)
    target = true + step[:, None] * way
    target[:, 0] = np.clip(target[:, 0], 1, 99)
    shown = _gaps(rng, setups, world.laws.missing)
    return Query(setups, shown, true, world.measure(rng, setups), target)
