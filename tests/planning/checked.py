"""Every reason a plan gives held against the model itself, over random jobs.

The model is asked for all set-ups on all garments, for what its films let through, and for what a
screen would print that lays more ink or less; none of it by the code that gives the reasons.
"""

from __future__ import annotations

import copy
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cache, cached_property
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from learn.colour.colorimetry import delta_e00
from learn.physics.opacity import show_through
from learn.planning.candidates import Grid, Limits
from learn.planning.pareto import STEPS
from learn.planning.plan import Plan, plan
from learn.planning.reasons import Reason, Why
from learn.predict.garments import joint, on_garments, outcome, spread_between
from learn.predict.model import ShiftModel
from learn.process import SETTING_COLUMNS

Array = NDArray[np.floating]

MIGHT = 0.05  # a chance below which it is right to say that something cannot be reached
HALFWAY = 0.1  # a chance told may be off by
HARDLY_dE00 = 0.35  # farther than the nearest of all, a line may be for less work on the press
CLOSE_dE00 = 0.15  # a number told may be off by
NEAR = 120  # set-ups that are asked for their chance
MORE = 1.2  # times the ink
ALIKE = 0.02  # of show-through, that may be called either way
SEEN = 0.3  # units of a look that may be called either way


class Claim(NamedTuple):
    """What was said, and whether it is true."""

    said: str
    right: bool
    about: str = ""


@dataclass(frozen=True)
class Job:
    """A target on some garments, under some limits."""

    target: Array
    garments: list[str]
    limits: Limits


@dataclass(frozen=True, eq=False)
class Checked:
    """A learnt shop, and all that its model says of some garments."""

    model: ShiftModel
    usual: dict
    garments: list[str]
    limits: Limits

    @cached_property
    def grid(self) -> Grid:
        settings = {c: self.usual[c] for c in SETTING_COLUMNS if self.usual[c] is not None}
        return Grid.of(self.model, replace(self.limits, fixed=settings | dict(self.limits.fixed)))

    @cached_property
    def lab(self) -> Array:
        """Means (set-ups, garments, 3) of everything that may be printed."""
        everything = on_garments(self.grid.setups(np.arange(len(self.grid))), self.garments)
        return self.model.means(everything).reshape(len(self.grid), -1, 3)

    def jobs(self, n: int, seed: int) -> Iterator[Job]:
        """Targets that something prints, or nearly, or nobody; some with few inks or screens."""
        rng = np.random.default_rng(seed)
        for i in range(n):
            on = rng.choice(len(self.garments), size=1 + i % 3, replace=False)
            target = self.lab[rng.integers(len(self.grid)), on[0]]
            target = target + rng.normal(0, (0.0, 4.0, 15.0)[i // 3 % 3], 3)
            limits = self.limits
            if i % 2:
                inks, meshes = (
                    tuple(rng.choice(part, size=max(1, round(share * len(part))), replace=False))
                    for part, share in ((self.grid.inks, 0.3), (self.grid.meshes, 0.4))
                )
                limits = replace(limits, inks=inks, meshes=meshes)
            target = np.clip(target, [2, -120, -120], [98, 120, 120])
            yield Job(target, [self.garments[j] for j in on], limits)

    def plan(self, job: Job) -> Plan:
        return plan(self.model, job.target, job.garments, limits=job.limits, usual=self.usual)

    @cache  # noqa: B019 - a few shops a run, each wanted until its end
    def told(self, n: int, seed: int) -> list[Told]:
        """Plans for random jobs."""
        return [Told(self, job, self.plan(job)) for job in self.jobs(n, seed)]

    def claims(self, n: int, seed: int) -> Iterator[Claim]:
        """Of those plans."""
        for told in self.told(n, seed):
            yield from told.claims()


@dataclass(frozen=True)
class Told:
    """A plan, beside all that could have been planned."""

    shop: Checked
    job: Job
    plan: Plan

    @cached_property
    def within(self) -> NDArray[np.intp]:
        """Positions, among all set-ups, of those the job allows."""
        grid, limits = self.shop.grid, self.job.limits
        setups = grid.setups(np.arange(len(grid)))
        kept = np.ones(len(grid), bool)
        if limits.inks is not None:
            kept &= setups["ink_id"].isin(limits.inks).to_numpy()
        if limits.meshes is not None:
            base = setups["underbase_mesh_id"]
            kept &= setups["mesh_id"].isin(limits.meshes).to_numpy()
            kept &= (base.isna() | base.isin(limits.meshes)).to_numpy()
        return np.flatnonzero(kept)

    @cached_property
    def off(self) -> tuple[Array, Array]:
        """dE00 (n, g) with the base on all garments, and where each is best off."""
        at = [self.shop.garments.index(g) for g in self.job.garments]
        off = delta_e00(self.shop.lab[:, at], self.job.target)
        width = len(self.shop.grid.bases)
        bare = off[np.arange(len(off)) // width * width]
        return off[self.within], np.minimum(off, bare)[self.within]

    @cached_property
    def nearest(self) -> float:
        """dE00 of the worst garment at best."""
        return float(self.off[1].max(axis=1).min())

    def chance(self, garments: list[str], near: int = NEAR) -> float:
        """The best chance that any set-up has on these garments, of the nearest ones."""
        at = [self.job.garments.index(g) for g in garments]
        grid, best = self.shop.grid, 0.0
        width = len(grid.bases)
        for off, helped in ((self.off[0], False), (self.off[1], True)):
            worst = off[:, at].max(axis=1)
            first = np.argsort(worst, kind="stable")[:near]
            numbers = self.within[first]
            based = np.repeat((numbers % width > 0)[:, None], len(at), axis=1)
            if helped:
                based &= self.off[0][first][:, at] <= self.off[1][first][:, at]
            said = joint(self.shop.model, grid.setups(numbers), garments, based)
            best = max(best, outcome(said, self.job.target, self.plan.tolerance).p_all.max())
        return float(best)

    def reasons(self) -> Iterator[Claim]:
        """What is said of single lines."""
        for line in self.plan.lines.to_dict("records"):
            for one in line["why"]:
                yield from self._of_line(one, line)

    def claims(self) -> Iterator[Claim]:
        plan = self.plan
        yield from self.reasons()
        for line in plan.lines.to_dict("records"):
            if line["smallest_change"]:
                landed = plan.lines[plan.lines["worst_dE00"] <= plan.tolerance]
                yield Claim("changes least", line["n_changes"] <= landed["n_changes"].min())
        best, told = self.chance(self.job.garments, 2 * NEAR), plan.lines["p_all"].max()
        yield Claim("best chance", bool(told > best - STEPS["p_all"]), f"{told:.2f} {best:.2f}")
        for one in plan.in_the_way:
            yield from self._in_the_way(one)

    # -- of a line -------------------------------------------------------------------

    def _of_line(self, one: Reason, line: dict) -> Iterator[Claim]:
        if one.why in (Why.MORE_INK, Why.LESS_INK, Why.HIDES_MORE, Why.HIDES_LESS):
            mine, theirs = self._shows(line), self._usually_shows
            less = one.why in (Why.MORE_INK, Why.HIDES_MORE)
            right = mine <= theirs * (1 + ALIKE) if less else mine >= theirs * (1 - ALIKE)
            yield Claim(str(one.why), right, f"{mine:.3f} {theirs:.3f}")
        elif one.why in (Why.LIGHTER_GROUND, Why.DARKER_GROUND):
            mine, theirs = self._ground(line)[:, 0], self._usual_ground[:, 0]
            way = 1 if one.why == Why.LIGHTER_GROUND else -1
            yield Claim(str(one.why), bool((way * (mine - theirs) > -1).all()), f"{mine} {theirs}")
        elif one.why == Why.ONE_GROUND:
            with_it, without = self._ground(line), self._ground({**line, "base_on": ()})
            apart = spread_between(with_it[None])[0], spread_between(without[None])[0]
            yield Claim(str(one.why), apart[0] < 0.5 * apart[1], f"{apart}")
        elif one.why == Why.NO_BASE:
            yield Claim(str(one.why), not line["base_on"] and bool(self.plan.usual["base_on"]))
        elif one.why == Why.OTHER_INK:
            bucket = self.shop.model.buckets([one.subject])[0][0]
            yield from looks_right(one, bucket, self.job.target)

    @cached_property
    def _usually_shows(self) -> float:
        return self._shows(self.plan.usual.to_dict())

    @cached_property
    def _usual_ground(self) -> Array:
        return self._ground(self.plan.usual.to_dict())

    def _shows(self, line: dict) -> float:
        """How much of a card's contrast the ink of a line leaves, by its K, S and film."""
        model = self.shop.model
        setup = pd.DataFrame([line]).assign(substrate_id=self.job.garments[0])
        found = model.in_print(setup)
        state = found.at().state
        ink = found.stack.ink
        film = model.films_um(setup)[0]
        K, S = np.exp(state.log_k[ink]), np.exp(state.log_s[ink])
        return float(show_through(K, S, film, model.viewing_)[0])

    def _ground(self, line: dict) -> Array:
        """Lab (g, 3) beneath the ink."""
        based = np.array([[g in line["base_on"] for g in self.job.garments]])
        return self.shop.model.grounds(on_garments(pd.DataFrame([line]), self.job.garments, based))

    # -- in the way ------------------------------------------------------------------

    def _in_the_way(self, one: Reason) -> Iterator[Claim]:
        plan, model = self.plan, self.shop.model
        if one.why == Why.NO_CHANCE:
            chance = self.chance(self.job.garments)
            right = self.nearest > plan.tolerance and chance < MIGHT
            yield Claim(str(one.why), right, f"{self.nearest:.2f} {chance:.2f}")
        elif one.why == Why.SMALL_CHANCE:
            chance = self.chance(self.job.garments)
            right = self.nearest > plan.tolerance and abs(chance - one.value) < HALFWAY
            yield Claim(str(one.why), right, f"{self.nearest:.2f} {chance:.2f} {one.value:.2f}")
        elif one.why == Why.NEAREST:
            worst = plan.lines["worst_dE00"]
            right = one.value == worst.min() and one.value < self.nearest + HARDLY_dE00
            yield Claim("nearest", bool(right), f"{one.value:.2f} {self.nearest:.2f}")
            line = plan.lines["worst_dE00"].idxmin() + 1
            colours = plan.colours[plan.colours["line"] == line].set_index("substrate_id")
            mean = colours.loc[one.subject, ["L", "a", "b"]].to_numpy(float)
            yield from looks_right(one, mean, self.job.target)
        elif one.why == Why.NOT_WITH_ONE:
            each = self.off[1].min(axis=0)
            right = bool((each <= plan.tolerance).all()) and self.nearest > plan.tolerance
            yield Claim(str(one.why), right, f"{each}")
        elif one.why == Why.OUT_OF_REACH:
            for garment, value in one.each:
                own = self.off[1][:, self.job.garments.index(garment)].min()
                chance = self.chance([garment])
                right = own > plan.tolerance and chance < MIGHT and abs(own - value) < CLOSE_dE00
                yield Claim(str(one.why), right, f"{own:.2f} {value:.2f} {chance:.2f}")
        elif one.why == Why.HARD_TO_REACH:
            for garment, value in one.each:
                chance = self.chance([garment])
                right = abs(chance - value) < HALFWAY
                yield Claim(str(one.why), right, f"{value:.2f} {chance:.2f}")
        elif one.why == Why.NO_BUCKET:
            inks = list(self.job.limits.inks or self.shop.grid.inks)
            off = delta_e00(model.buckets(inks)[0], self.job.target)
            right = off.min() > plan.tolerance and inks[off.argmin()] == one.subject
            yield Claim(str(one.why), right, f"{off.min():.2f}")
            yield from looks_right(one, model.buckets([one.subject])[0][0], self.job.target)
        elif one.why in (Why.MOST_INK, Why.LEAST_INK):
            yield self._at_an_end(one)

    def _at_an_end(self, one: Reason) -> Claim:
        """Whether a screen that holds a fifth more, or less, would come nearer."""
        near = self.plan.lines.loc[self.plan.lines["worst_dE00"].idxmin()]
        more = MORE if one.why == Why.MOST_INK else 1 / MORE
        model = copy.copy(self.shop.model)
        meshes = model.encoder_.meshes.copy()
        held = "theoretical_ink_cm3_m2"
        other = meshes.loc[[near["mesh_id"]]].rename(index=lambda _: "other")
        other[held] = other[held].astype(float) * more
        model.encoder_ = replace(model.encoder_, meshes=pd.concat([meshes, other]))
        garments = self.job.garments
        setups = pd.DataFrame([near.to_dict()] * 2)
        base = setups["underbase_mesh_id"]
        setups["underbase_mesh_id"] = base.where(base.notna(), setups["mesh_id"])
        setups.loc[1, "mesh_id"] = "other"
        based = np.array([[g in near["base_on"] for g in garments]] * 2)
        lab = model.means(on_garments(setups, garments, based)).reshape(2, -1, 3)
        now, then = delta_e00(lab, self.job.target).max(axis=1)
        return Claim(str(one.why), then < now, f"{now:.2f} {then:.2f}")


def looks_right(one: Reason, lab: Array, other: Array) -> Iterator[Claim]:
    """Every word on how one colour looks beside another, by CIE L*, chroma and hue angle."""
    dL = lab[0] - other[0]
    chroma, aimed = np.hypot(*lab[1:]), np.hypot(*other[1:])
    angle = np.arctan2(lab[2], lab[1]) - np.arctan2(other[2], other[1])
    turn = np.angle(np.exp(1j * angle))  # anticlockwise: red, yellow, green, blue
    hue = np.arctan2(other[2], other[1]) + turn / 2
    towards = np.sign(turn) * np.array([-np.sin(hue), np.cos(hue)])  # a, b
    right = {
        "lighter": dL > -SEEN,
        "darker": dL < SEEN,
        "more vivid": chroma - aimed > -SEEN,
        "duller": chroma - aimed < SEEN,
        "redder": towards[0] > 0,
        "greener": towards[0] < 0,
        "yellower": towards[1] > 0,
        "bluer": towards[1] < 0,
    }
    for word in one.looks:
        yield Claim(f"looks, {one.why}", bool(right[word]), f"{word} {lab} {other}")
