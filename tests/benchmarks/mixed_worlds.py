"""Mixes on shops whose inks do not mix as their films add up (`tests.worlds.mixing`).

Every shop is asked the same jobs at three stages: its inks were never mixed; each has one tint
card, a fifth of it in white; and a dozen mixes were printed besides.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from unittest.mock import patch

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from learn.colour.colorimetry import delta_e00
from learn.errors import Unusable
from learn.mixing import mixture
from learn.mixing.evidence import strengths_of
from learn.mixing.mixture import Mixing
from learn.mixing.recipes import Weighing, recipes
from learn.mixing.strength import Strengths
from learn.mixing.top_up import top_up
from learn.normal import Z90
from learn.predict.model import ShiftModel
from learn.shop import SETUP_COLUMNS, Shop, latest_lots
from tests.benchmarks.measures import by_tenths
from tests.benchmarks.results import Report
from tests.worlds import tables
from tests.worlds.light import lab_of
from tests.worlds.mixing import MixingLaws, draw_mixing, lots_in_use, printed_with, with_mix
from tests.worlds.parts import Which
from tests.worlds.shop import Drawn, draw_shop
from tests.worlds.world import World

Array = NDArray[np.floating]

PALETTE = 6  # inks beside the white
MIXED_PRINTS = 12
TINT_PCT = 20.0
NEAR = 1.5  # dE00 that a mix should come to after one correction
ASKED = (2, 2, 3)  # inks of the hidden recipes, in turn
STAGES = ("never mixed", "tint cards", "tint cards and prints")


@dataclass(frozen=True)
class Bench:
    """A shop, what it knows of its inks in mixes, and its laws of mixing."""

    drawn: Drawn
    shop: Shop
    model: ShiftModel
    laws: MixingLaws
    rng: np.random.Generator

    @classmethod
    def of(cls, which: Which, model: ShiftModel | None = None) -> Bench:
        """Drawn and learnt, or with a ``model`` learnt before."""
        drawn = draw_shop(*which)
        shop = tables.read(drawn)
        rng = np.random.default_rng([*which[:2], 1940])
        laws = draw_mixing(rng, drawn.world)
        return cls(drawn, shop, model or ShiftModel(n_jobs=1).fit(shop), laws, rng)

    @property
    def day(self) -> float:
        return float(self.drawn.history["day"].max())

    @property
    def lots(self) -> dict[str, str]:
        """Ink -> the lot it is mixed from, as the shop takes it to be: the last one printed."""
        return latest_lots(self.shop.prints)

    def ids(self, inks: list[int]) -> list[str]:
        return self.drawn.world.inks.frame["ink_id"].iloc[inks].tolist()

    def palette(self) -> list[int]:
        """A white base, and well printed inks of its type, by position."""
        inks = self.drawn.world.inks
        white = int(inks.bases[0])
        alike = inks.frame["ink_type"].to_numpy() == inks.frame["ink_type"].iloc[white]
        often = self.drawn.history["ink"].value_counts()
        known = [int(i) for i in often.index[often >= 4] if alike[i] and i != white]
        return [white, *known[:PALETTE]]

    def recipe(self, palette: list[int], size: int) -> dict[int, float]:
        """Inks and weights; the white is in most."""
        rest = self.rng.permutation(palette[1:])
        inks = [*palette[: int(self.rng.random() < 0.6)], *rest][:size]
        weights = np.maximum(self.rng.dirichlet(np.full(size, 1.5)), 0.04)
        return {int(i): float(w) for i, w in zip(inks, weights / weights.sum(), strict=True)}

    @cached_property
    def at_hand(self) -> NDArray[np.intp]:
        """The lot of every ink that was printed last, strange ones at the end of the history too;
        of an ink never printed the one in use."""
        lots = lots_in_use(self.drawn.world, self.day)
        last = self.drawn.history.sort_values("day", kind="stable").groupby("ink")["lot"].last()
        lots[last.index] = last
        return lots

    def mixed(self, by_weight: dict[int, float]) -> World:
        return with_mix(self.drawn.world, self.laws, by_weight, self.at_hand)

    def setups(self, n: int) -> tuple[pd.DataFrame, pd.DataFrame]:
        """Usual set-ups, of today, as they are and as the shop types them."""
        query = self.drawn.queries["next"]
        rows = self.rng.choice(len(query), n, replace=False)
        # a mix has no cells that were left empty, and no screen that others share
        frame = query.setups.iloc[rows].reset_index(drop=True)
        frame = frame.assign(day=self.day, job=900_000 + np.arange(n))
        asked = replace(query, setups=frame, shown=frame, target=query.target[rows])
        return frame, tables.read_query(self.drawn, self.shop, asked)

    def tints(self, palette: list[int]) -> pd.DataFrame:
        """One card an ink over white: a fifth of it by weight in the white base, of the lots in use
        on some day of the history."""
        white, rows = palette[0], []
        card = int(np.flatnonzero(self.drawn.world.cloths.cards)[0])
        cards = self.drawn.world.cloths.frame["substrate_id"]
        film = 12.0 if self.drawn.kind == "water" else 45.0
        for ink in palette[1:]:
            lots = lots_in_use(self.drawn.world, self.rng.uniform(0, self.day))
            by_weight = {ink: TINT_PCT, white: 100 - TINT_PCT}
            world = with_mix(self.drawn.world, self.laws, by_weight, lots)
            at = pd.DataFrame({"cloth": [card], "base": -1})
            laid = np.array([film * np.exp(self.rng.normal(0, 0.03))])
            spectrum = world.of_films(printed_with(world, at), laid, 0 * laid)
            read = lab_of(world.read(self.rng, spectrum, np.full(1, 3.0)))[0]
            names = dict(zip(("ink_id", "mixed_with"), self.ids([ink, white]), strict=True))
            rows.append(
                {**names, "substrate_id": cards[card], "film_um": film, "share_pct": TINT_PCT}
                | dict(zip("Lab", read, strict=True))
            )
        return pd.DataFrame(rows)

    def prints(self, palette: list[int], n: int) -> pd.DataFrame:
        """Mixes printed before, a row of ``prints`` each."""
        frame, typed = self.setups(n)
        rows = []
        for i in range(n):
            recipe = self.recipe(palette, ASKED[i % len(ASKED)])
            world = self.mixed(recipe)
            one = printed_with(world, frame.iloc[[i]])
            read = lab_of(world.measure(self.rng, one))[0]
            mix = tuple(zip(self.ids(list(recipe)), recipe.values(), strict=True))
            row = typed.iloc[i].reindex(SETUP_COLUMNS).to_dict()
            rows.append(
                row | {"print_id": f"M{i}", "mix": mix} | dict(zip("Lab", read, strict=True))
            )
        return pd.DataFrame(rows)

    def stages(self, palette: list[int]) -> list[Strengths]:
        """What is known at each of `STAGES`."""
        tints, prints = self.tints(palette), self.prints(palette, MIXED_PRINTS)
        carded = replace(self.shop, tints=tints)
        both = replace(carded, prints=pd.concat([self.shop.prints, prints], ignore_index=True))
        return [Strengths(), strengths_of(self.model, carded), strengths_of(self.model, both)]

    def jobs(self, n: int) -> Iterator[dict[str, float | str]]:
        """A row a job and stage."""
        palette = self.palette()
        if len(palette) < 3:
            return
        names, stages = self.ids(palette), self.stages(palette)
        frame, typed = self.setups(n)
        for i in range(n):
            hidden = self.recipe(palette, ASKED[i % len(ASKED)])
            world, one = self.mixed(hidden), frame.iloc[[i]]
            made = printed_with(world, one)
            true = lab_of(world.reflectance(made))[0]
            read = lab_of(world.measure(self.rng, made))[0]
            setup = typed.iloc[i].reindex(SETUP_COLUMNS).to_dict()
            weights = np.array([hidden.get(p, 0.0) for p in palette])
            for stage, known in zip(STAGES, stages, strict=True):
                job = Job(self, one, setup, palette, names, known)
                yield {"stage": stage, **job.forecast(weights, true, read), **job.found(true)}


@dataclass(frozen=True)
class Job:
    """One set-up on its garment, and what is known of the inks."""

    bench: Bench
    frame: pd.DataFrame
    setup: dict
    palette: list[int]
    names: list[str]
    known: Strengths

    def forecast(self, weights: Array, true: Array, read: Array) -> dict[str, float]:
        """The hidden recipe predicted, beside sums of K and S."""
        setup = {k: v for k, v in self.setup.items() if k not in ("substrate_id", "ink_id")}
        cloth = [self.setup["substrate_id"]]
        lots = self.bench.lots
        mixing = Mixing.of(self.bench.model, setup, cloth, self.names, self.known, lots)
        shares = Weighing().shares(mixing, weights)
        said = mixing.predict(shares)
        sd = np.sqrt(np.diag(said.joint.covariance[0]))
        as_it_is = {name: lambda a, b: (a, b) for name in ("to_particles", "to_film")}
        with patch.multiple(mixture, **as_it_is):
            plain = replace(mixing, strengths=Strengths()).lab(shares)[0, 0]
        mean = said.joint.mean[0, 0]
        return {
            "dE00": delta_e00(mean, true),
            "plain": delta_e00(plain, true),
            "inside": (np.abs(read - mean) <= Z90 * sd).mean(),
            "sd": sd.mean(),
        }

    def found(self, target: Array) -> dict[str, float | str]:
        """The recipe for what the hidden one prints, and its correction."""
        model, garment = self.bench.model, self.setup["substrate_id"]
        try:
            told = recipes(
                model, target, self.setup, [garment], inks=self.names, most_inks=3,
                strengths=self.known, lots=self.bench.lots,
            )  # fmt: skip
        except Unusable:
            return {}
        line, garments = told.lines.iloc[0], [garment]
        percent = dict(zip(line["inks"], line["percent"], strict=True))
        chance, off, read = self._printed(percent, target, told.tolerance)
        more = top_up(
            told.mixing, percent, 1.0, dict(zip(garments, read, strict=True)), target,
            tolerance=told.tolerance,
        )  # fmt: skip
        after, off_after, _ = self._printed(more.percent, target, told.tolerance)
        return {
            "said": line["p_all"], "true": chance, "go": line["verdict"] == "go", "off": off,
            "said after": more.p_after, "true after": after, "go after": more.verdict == "go",
            "off after": off_after,
        }  # fmt: skip

    def _printed(
        self, percent: dict, target: Array, tolerance: float
    ) -> tuple[float, float, Array]:
        """True chance of the target, how far off it is but for chance, and a reading (1, 3)."""
        at = dict(zip(self.names, self.palette, strict=True))
        world = self.bench.mixed({at[i]: p for i, p in percent.items()})
        made = printed_with(world, self.frame)
        read = lab_of(world.measure(self.bench.rng, made))
        off = float(delta_e00(lab_of(world.reflectance(made))[0], target))
        return float(world.chance_within(made, target[None], tolerance)[0]), off, read


def tell(rows: pd.DataFrame, report: Report) -> None:
    """The figures."""
    forecasts, printed = {}, {}
    for stage, t in rows.groupby("stage", sort=False):
        forecasts[stage] = {
            "n": len(t),
            "dE00": t["dE00"].median(),
            "p90": t["dE00"].quantile(0.9),
            "plain sums": t["plain"].median(),
            "cover %": 100 * t["inside"].mean(),
            "sd": t["sd"].mean(),
        }
        found = t.dropna(subset=["said"])
        for word in ("", " after"):
            said, true = found[f"said{word}"], found[f"true{word}"]
            go = found[f"go{word}"].astype(bool)
            printed[f"{stage}{', corrected' if word else ''}"] = {
                "n": len(found),
                "stated %": 100 * said.mean(),
                "true %": 100 * true.mean(),
                "within 1.5 %": 100 * (found[f"off{word}"] < NEAR).mean(),
                "go %": 100 * go.mean(),
                "true of go %": 100 * true[go].mean() if go.any() else np.nan,
            }
    told = rows.dropna(subset=["said"])
    said = np.concatenate([told["said"], told["said after"]])
    true = np.concatenate([told["true"], told["true after"]])
    report.table("The hidden recipe predicted", forecasts)
    report.table("The recipe found, printed; and after one test print and its correction", printed)
    report.table("Stated against true chance, by tenths", by_tenths(said, true))
