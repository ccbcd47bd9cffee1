"""What a plant's sisters are worth to it: the second half of its first 50 jobs, alone and told.

``python -m tests.benchmarks.sisters [--part choose|check|last] [--groups N] [--workers N]``. Plants
of one group (`tests.worlds.group`) print the same inks on presses, meshes, garments, lots and
instruments of their own. One has 25 jobs behind it; two have printed for a year or so. The one is
asked for its next jobs and for inks it has printed seldom or never, by its own prints alone and
told what the two know. Choices are made on the part ``choose``; nothing is chosen on ``last``.

| prints | |
|---|---|
| its next jobs | as the plant goes on, whatever their inks |
| never, cards | known by drawdowns over white and black |
| never, white card | by a drawdown over white alone |
| 1 to 3, 4 to 9, 10 and more | inks with so many prints among the 25 jobs |

dE00 to the noise-free colour (median, and the 90 % quantile), alone and told; by how much it
changes, print by print, with a 90 % interval over jobs; share of measured L, a, b in 90 % bands,
and their width; test prints asked for, for targets 0 to 4.5 dE00 off the true colour, and of those
that go how many come out within tolerance. "oracle": test prints of someone who knew all but
chance.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from learn.colour.colorimetry import delta_e00
from learn.normal import Z90, sd_of
from learn.predict.model import ShiftModel
from learn.predict.verdict import chance_needed
from pipelines.workspace.progress import Progress
from tests.benchmarks.news import INSIDE, changes
from tests.benchmarks.results import Report
from tests.worlds import tables
from tests.worlds.group import draw_group
from tests.worlds.light import lab_of
from tests.worlds.parts import GROUPS, Group
from tests.worlds.world import chance_within

ASKED = ("next", "few_prints", "ink_new", "ink_white")
NEVER = {"ink_new": "never, cards", "ink_white": "never, white card"}
PRINTED = ((4, "1 to 3 prints"), (10, "4 to 9 prints"), (np.inf, "10 prints and more"))
ROWS = (*NEVER.values(), *(name for _, name in PRINTED))
WAYS = ("alone", "told")


def of_group(group: Group) -> tuple[pd.DataFrame, list[dict[str, Any]]]:
    """Every print asked for, a row each and way; and how far each sister was followed."""
    drawn = draw_group(group.seed, group.sizes, group.kind)
    shops = [tables.read(one) for one in drawn]
    alone, *others = (ShiftModel(n_jobs=1).fit(shop) for shop in shops)
    told = alone.told_by([m.summary(f"Plant {c}") for m, c in zip(others, "BCDEF", strict=False)])
    plant, shop = drawn[0], shops[0]
    tolerance, needed = shop.settings.tolerance_dE00, chance_needed(shop.settings)
    out = []
    for kind in ASKED:
        query = plant.queries[kind]
        setups = tables.read_query(plant, shop, query)
        measured = lab_of(query.measured)
        chance = chance_within(plant.world.next_prints(query.setups), query.target, tolerance)
        known = {ink: _known(kind, alone.prints_of(ink)) for ink in setups["ink_id"].unique()}
        for way, model in zip(WAYS, (alone, told), strict=True):
            said = model.predict_lab(setups)
            sd, off = sd_of(said.covariance), np.abs(measured - said.mean)
            frame = pd.DataFrame(
                {
                    "way": way,
                    "shop kind": group.kind,
                    "seed": group.seed,
                    "kind": kind,
                    "setup_id": setups["setup_id"],
                    "known": setups["ink_id"].map(known),
                    "heard of": [bool(told.sisters_.of(ink)) for ink in setups["ink_id"]],
                    "dE00": delta_e00(said.mean, query.true_lab),
                    "width": 2 * Z90 * sd.mean(axis=1),
                    "go": model.predict(setups)["verdict"].to_numpy() == "go",
                    "oracle": chance >= needed,
                    "held": delta_e00(measured, query.target) <= tolerance,
                }
            )
            inside = (off <= Z90 * sd).T
            out.append(frame.assign(**dict(zip(INSIDE, inside, strict=True))))
    lines = [
        {
            "plant": one.plant,
            "shared inks": one.shared,
            "widened": "not followed" if np.isinf(one.widening) else f"{one.widening:g}",
            "error of own inks %": 100 * one.gain,
            "not fitting": len(one.others),
        }
        for one in told.sisters_.heard
    ]
    return pd.concat(out, ignore_index=True), lines


def _known(kind: str, prints: int) -> str:
    if not prints:
        return NEVER.get(kind, NEVER["ink_new"])
    return next(name for below, name in PRINTED if prints < below)


def figures(found: pd.DataFrame) -> dict[str, float]:
    """One line on some prints."""
    alone, told = (found[found["way"] == way] for way in WAYS)
    change = changes(alone, told)
    row: dict[str, float] = {"n": len(told), "told of %": 100 * told["heard of"].mean()}
    for name, some in (("alone", alone), ("told", told)):
        row[name] = some["dE00"].median()
        row[f"p90 {name}"] = some["dE00"].quantile(0.9)
    row |= {key: change[key] for key in ("change %", "from %", "to %")}
    for name, some in (("alone", alone), ("told", told)):
        row[f"cover {name} %"] = 100 * some[INSIDE].to_numpy(bool).mean()
        row[f"width {name}"] = some["width"].mean()
        row[f"tests {name} %"] = 100 * (1 - some["go"].mean())
    gone = told[told["go"]]
    row["oracle tests %"] = 100 * (1 - told["oracle"].mean())
    row["held %"] = 100 * gone["held"].mean() if len(gone) else np.nan
    return row


def main(argv: list[str] | None = None) -> int:
    """Command line."""
    report = Report("sisters", __doc__)
    parser = report.parser
    parser.add_argument("--part", choices=GROUPS, default="choose")
    parser.add_argument("--groups", type=int, help="of each kind of plant (default: all)")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--out", type=Path, help="CSV of every print")
    asked = report.parse(argv)
    groups: list[Group] = []
    for kind in dict.fromkeys(group.kind for group in GROUPS[asked.part]):
        groups += [g for g in GROUPS[asked.part] if g.kind == kind][: asked.groups]

    from joblib import Parallel, delayed

    Progress()(f"{len(groups)} groups, {asked.workers} at once")
    done = Parallel(n_jobs=asked.workers)(delayed(of_group)(group) for group in groups)
    found = pd.concat([frame for frame, _ in done], ignore_index=True)
    if asked.out:
        found.round(4).to_csv(asked.out, index=False)
    by_kind = [*found.groupby("shop kind", sort=False), ("all", found)]
    for kind, some in by_kind:
        rows = {"its next jobs": figures(some[some["kind"] == "next"])}
        rows |= {
            name: figures(some[some["known"] == name])
            for name in ROWS
            if (some["known"] == name).any()
        }
        report.table(f"{kind}, {some['seed'].nunique()} groups of 3 plants", rows)
    lines = {
        f"{group.kind} {group.seed}, {line.pop('plant')}": line
        for group, (_, heard) in zip(groups, done, strict=True)
        for line in heard
    }
    report.table("How far each sister was followed", lines)
    report.record()
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
