"""Plans on shops of the second family, printed there: are chances kept, and is the best found?

``python -m tests.benchmarks.planned [--part choose|check|last] [--kind KIND] [--shops N]
[--jobs N]`` learns each shop (`tests.worlds`) and plans jobs on one to three garments, on the last
day of its history and from the lots then in use. What each way of choosing prints is asked of the
world itself: the chance that the next print comes within tolerance on *all* garments, for one who
knows everything but chance. A target is a colour that a set-up drawn by lot gives on the first
garment: in half of the jobs truly (*reachable*), in the others by the model (*told*). A true colour
tells of the shop, so that more of these comes true than any plan can have said; whether chances are
honest shows on the others.

* *usual*: the ink whose bucket is nearest, at the shop's usual set-up;
* *physics*: the set-up whose colour is nearest by the calibrated physics alone;
* *no day, no lots*: the first line of a plan that is told of neither, of each third job;
* *plan*: the first line of the plan, with its stated chance;
* *best line*: the line of the plan that is truly best;
* *oracle*: the set-up of the whole grid that is truly best.

Choices are made on the part ``choose``; ``last`` is run once a release and nothing is chosen on it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from learn.colour.colorimetry import delta_e00
from learn.normal import Z90
from learn.planning.candidates import Grid, Limits
from learn.planning.plan import Plan, plan, usual_setup
from learn.planning.search import search
from learn.predict.garments import on_garments
from learn.predict.model import ShiftModel
from learn.process import SETTING_COLUMNS
from learn.shop import UNDERBASE, Shop, latest_lots
from pipelines.workspace.progress import Progress
from tests.benchmarks.measures import by_tenths
from tests.benchmarks.results import Report
from tests.worlds import tables
from tests.worlds.light import apart, lab_of
from tests.worlds.parts import PARTS, Which
from tests.worlds.shop import KINDS, Drawn, draw_shop
from tests.worlds.world import USUAL, World

Array = NDArray[np.floating]

WAYS = ("usual", "physics", "no day, no lots", "plan", "best line", "oracle")
GARMENTS = 5  # of a shop, that jobs are planned on
DRAWS = 400
NEAREST = 40  # set-ups of which the oracle asks the chance
AT_A_TIME = 4000
SETTINGS = dict(zip(SETTING_COLUMNS, USUAL, strict=True))  # as the world calls them


def chance_of_all(
    world: World, setups: pd.DataFrame, target: Array, tolerance: float, g: int
) -> Array:
    """Chance (n,) that all ``g`` garments of a job come within ``tolerance`` (dE00) of the target,
    for one who knows everything but chance; ``setups``: (n g) rows, garments running fastest."""
    rng, laws, n = np.random.default_rng(0), world.laws, len(setups) // g
    mean, by_top, by_base = world.tangents(setups)
    job = laws.job_film_sd * rng.normal(size=(2, DRAWS, n, 1)).repeat(g, axis=2)
    film = job.reshape(2, DRAWS, n * g, 1)
    film = film + laws.print_film_sd * rng.normal(size=film.shape)
    spectra = np.clip(mean + film[0] * by_top + film[1] * by_base, 0.0005, 1.0)
    prints = lab_of(world.read(rng, spectra, setups["readings"].to_numpy(float)))
    within = apart(prints, np.broadcast_to(target, prints.shape)) <= tolerance
    return within.reshape(DRAWS, n, g).all(axis=2).mean(axis=0)


@dataclass(frozen=True)
class Bench:
    """A shop of the second family, what was learnt of it, and jobs for it."""

    drawn: Drawn
    shop: Shop
    model: ShiftModel
    rng: np.random.Generator

    @classmethod
    def of(cls, which: Which, model: ShiftModel | None = None) -> Bench:
        """Drawn and learnt, or with a ``model`` learnt before."""
        drawn = draw_shop(*which)
        shop = tables.read(drawn)
        rng = np.random.default_rng([*which[:2], 1954])
        return cls(drawn, shop, model or ShiftModel(n_jobs=1).fit(shop), rng)

    @cached_property
    def physics(self) -> ShiftModel:
        return self.model.physics_alone(bands=False)

    @cached_property
    def lots(self) -> dict[str, str]:
        return latest_lots(self.shop.prints)

    @property
    def day(self) -> int:
        """The last one of the history, in the world's count."""
        return int(self.drawn.history["day"].max())

    @cached_property
    def garments(self) -> list[str]:
        """Some of those the shop has printed on."""
        often = self.shop.prints["substrate_id"].value_counts().index.to_numpy()
        return sorted(self.rng.choice(often, min(GARMENTS, len(often)), replace=False))

    @cached_property
    def usual(self) -> dict:
        return usual_setup(self.shop.prints, [])

    @cached_property
    def limits(self) -> Limits:
        today = tables.FIRST_DAY + pd.Timedelta(days=self.day)
        fixed = {c: self.usual[c] for c in SETTINGS if self.usual[c] is not None}
        fixed |= {"printed_on": today, "readings": 3.0}
        return Limits(presses=(self.usual["press_id"],), fixed=fixed, lots=self.lots)

    @cached_property
    def grid(self) -> Grid:
        return Grid.of(self.model, self.limits)

    def really(self, setups: pd.DataFrame) -> pd.DataFrame:
        """Set-ups as the world wants them."""
        world, rows = self.drawn.world, setups.reset_index(drop=True)

        def at(names: pd.Series | list[str], ids: pd.Series) -> NDArray[np.intp]:
            return pd.Index(names).get_indexer(ids)

        inks, meshes = world.inks.frame["ink_id"], world.meshes.frame["mesh_id"]
        ink, base = at(inks, rows["ink_id"]), at(inks, rows[UNDERBASE[0]])
        lots = inks.to_numpy()[world.lots.ink] + pd.Series(world.lots.number).map("-{:02d}".format)
        lot = at(lots, rows["ink_id"].map(self.lots))
        otherwise = world.lots.on(ink, np.full(len(rows), self.day))
        mesh = at(meshes, rows["mesh_id"])
        base_mesh = at(meshes, rows[UNDERBASE[1]])
        frame = {
            "day": self.day,
            "cloth": at(world.cloths.frame["substrate_id"], rows["substrate_id"]),
            "press": at(world.presses.names, rows["press_id"]),
            "ink": ink,
            "lot": np.where(lot < 0, otherwise, lot),
            "mesh": mesh,
            "strokes": rows["strokes"].astype(float),
            "flashes": rows["flash_count"].astype(float).fillna(0.0),
            "base": base,
            "base_mesh": np.where(base < 0, -1, np.where(base_mesh < 0, mesh, base_mesh)),
            "base_strokes": rows[UNDERBASE[2]].astype(float).fillna(1.0).where(base >= 0, 0.0),
            "readings": 3.0,
            "job": 0,
        }
        for column, name in SETTINGS.items():
            known = self.limits.fixed.get(column)
            frame[name] = USUAL[name] if known is None else float(known)
        return pd.DataFrame(frame)

    @cached_property
    def truth(self) -> Array:
        """Noise-free Lab (set-ups of the grid, garments, 3)."""
        everything = on_garments(self.grid.setups(np.arange(len(self.grid))), self.garments)
        parts = [
            lab_of(self.drawn.world.reflectance(self.really(everything.iloc[i : i + AT_A_TIME])))
            for i in range(0, len(everything), AT_A_TIME)
        ]
        return np.concatenate(parts).reshape(len(self.grid), len(self.garments), 3)

    def jobs(self, n: int) -> Iterator[dict[str, float | str]]:
        """A row a job."""
        tolerance = self.model.settings_.tolerance_dE00
        for i in range(n):
            on = self.rng.choice(len(self.garments), size=1 + i % 3, replace=False)
            garments, number = [self.garments[j] for j in on], self.rng.integers(len(self.grid))
            told = i // 3 % 2 == 1
            target = self.truth[number, on[0]]
            if told:
                setup = self.grid.setups(np.array([number])).assign(substrate_id=garments[0])
                target = self.model.means(setup)[0]
            found = plan(self.model, target, garments, limits=self.limits, usual=self.usual)
            untold = self._untold(target, garments) if (i + i // 6) % 3 == 0 else None
            seen = search(self.physics, self.grid, target, garments, tolerance)
            near = int(seen.dE.max(axis=1).argmin())
            best = self._best(target, on)
            tried = [
                *self._rows(found, found.usual.to_frame().T),
                on_garments(self.grid.setups(seen.numbers[[near]]), garments, seen.based[[near]]),
                *([] if untold is None else self._rows(untold, untold.lines.iloc[:1])),
                *self._rows(found, found.lines),
                *(on_garments(self.grid.setups(best.numbers), garments, best.based),),
            ]
            rows = self.really(pd.concat(tried, ignore_index=True))
            chance = chance_of_all(self.drawn.world, rows, target, tolerance, len(on))
            if untold is None:
                chance = np.insert(chance, 2, np.nan)
            lines = chance[3 : 3 + len(found.lines)]
            first = found.lines.iloc[0]
            yield {
                "garments": len(on),
                "target": "told" if told else "reachable",
                "said": first["p_all"],
                "go": str(first["verdict"]) == "go",
                "all lines": [(s, t) for s, t in zip(found.lines["p_all"], lines, strict=True)],
                **dict(zip(WAYS[:4], chance[:4], strict=True)),
                "best line": lines.max(),
                "oracle": max(chance[3 + len(found.lines) :].max(), lines.max()),
            }

    def _untold(self, target: Array, garments: list[str]) -> Plan:
        """The plan of one who names neither day nor lots."""
        bare = replace(self.limits, lots={}, fixed={**self.limits.fixed, "printed_on": None})
        return plan(self.model, target, garments, limits=bare, usual=self.usual)

    @staticmethod
    def _rows(found: Plan, lines: pd.DataFrame) -> list[pd.DataFrame]:
        based = np.array([[g in on for g in found.garments] for on in lines["base_on"]])
        return [on_garments(lines, found.garments, based)]

    def _best(self, target: Array, on: NDArray[np.intp]) -> Near:
        """The set-ups truly nearest, with base on all garments, on none, and where it helps."""
        off = delta_e00(self.truth[:, on], target)
        width = len(self.grid.bases)
        bare = off[np.arange(len(off)) // width * width]
        helped = np.minimum(off, bare)
        n = np.arange(len(off))
        has = n % width > 0
        everywhere = np.repeat(has[:, None], len(on), axis=1)
        ways = [(off, everywhere), (helped, (off < bare) & everywhere)]
        numbers, based, worst = (
            np.concatenate(parts)
            for parts in zip(*((n, how, dE.max(axis=1)) for dE, how in ways), strict=True)
        )
        first = np.argsort(worst, kind="stable")[:NEAREST]
        return Near(numbers[first], based[first])


@dataclass(frozen=True)
class Near:
    """Set-ups by their number in the grid, and where the base is printed."""

    numbers: NDArray[np.intp]
    based: NDArray[np.bool_]


def tell(rows: pd.DataFrame, report: Report) -> None:
    """The figures."""

    def line(some: pd.DataFrame) -> dict[str, float]:
        give = 100 * Z90 * (some["said"] - some["plan"]).std() / np.sqrt(len(some))
        return {
            "jobs": len(some),
            **{f"{way} %": 100 * some[way].mean() for way in WAYS},
            "stated %": 100 * some["said"].mean(),
            "give or take %": give,
            "go %": 100 * some["go"].mean(),
            "true of go %": 100 * some.loc[some["go"], "plan"].mean(),
        }

    ways = {
        f"{kind}, {target}": line(some)
        for (kind, target), some in rows.groupby(["kind", "target"], sort=False)
    }
    ways |= {f"all, {target}": line(some) for target, some in rows.groupby("target", sort=False)}
    ways |= {f"{g} garments": line(some) for g, some in rows.groupby("garments")}
    report.table("Chance, in truth, that a job is in tolerance on all garments", ways)
    for target, some in rows.groupby("target", sort=False):
        tenths = by_tenths(some["said"], some["plan"])
        report.table(f"Stated against true chance of first lines, by tenths; {target}", tenths)
        every = np.array([pair for pairs in some["all lines"] for pair in pairs])
        report.table(f"The same of all lines; {target}", by_tenths(*every.T))


def main(argv: list[str] | None = None) -> int:
    """Command line."""
    report = Report("planned", __doc__)
    parser = report.parser
    parser.add_argument("--part", choices=PARTS, default="choose")
    parser.add_argument("--kind", choices=KINDS, action="append", help="of shop (default: all)")
    parser.add_argument("--shops", type=int, help="of each kind (default: all)")
    parser.add_argument("--jobs", type=int, default=18, help="a shop")
    arguments, progress = report.parse(argv), Progress()
    rows = []
    for kind in arguments.kind or KINDS:
        for which in [w for w in PARTS[arguments.part] if w.kind == kind][: arguments.shops]:
            progress(f"{which.kind} {which.seed}")
            rows += [{"kind": kind, **row} for row in Bench.of(which).jobs(arguments.jobs)]
    tell(pd.DataFrame(rows), report)
    report.record()
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
