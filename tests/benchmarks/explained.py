"""What `why` and `compare` claim, held against the truth of invented shops.

``python -m tests.benchmarks.explained [--part choose|check|last] [--shops N] [--workers N]``. Each
shop of the second family (`tests.worlds`) is learnt once. Of prints it kept back it is asked what
moves them, from the bucket and beside another of the same ink, and how they lie beside others of
the same ink: on four garments, with and without the shop's usual base, through four screens.
`tests.worlds.ways` knows what each cause really changes.

Ways: dE00 told of the whole way, how far off that is (median, 90 %), true ways within the band
told where the bucket was measured and where it was not; words of looks (darker, redder, ...), and
those of which the opposite is true.

Causes as a sentence names them: the first, the second, what takes away; those that are not sure
are told apart: "perhaps" of a first one, else left out of the sentence. "near": the true share
within a quarter or half a unit of the one told; "opposite": it has the other sign, or is nothing;
"another": of a first one, another cause makes truly over a unit more. What past prints have taught
is no cause that could be wrong. Then every cause by itself, with the mean of what is told of it and
of how far that is off, and true shares in the band that decides whether it is sure.

Base: what a base would do, and what lies beneath shows through: true if that is half of the way.

Beside: what is named as nearest or as furthest apart, plainly or not, and is; where it is not,
how often it lies over a unit worse than the best. Bands of differences between two set-ups, by
what they err in together (`learn.predict.beside`), and as if each erred by itself.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from learn.colour.colorimetry import delta_e00
from learn.colour.looks import looks_beside
from learn.normal import Z90
from learn.predict.beside import beside
from learn.predict.model import ShiftModel
from learn.predict.shares import MOVERS, Mover, Shares, along, from_bucket, from_print, largest
from learn.shop import UNDERBASE, Shop
from pipelines.tasks.base import TARGET, CLOTH_MATTERS_dE00
from pipelines.words.common import perhaps
from pipelines.words.why import STILL_dE00, TOLD_dE00
from tests.benchmarks import of_part
from tests.benchmarks.results import Report
from tests.worlds import tables
from tests.worlds.parts import Which
from tests.worlds.shop import Drawn, Query, draw_shop
from tests.worlds.ways import PLACES, Ways

Array = NDArray[np.floating]
Found = dict[str, pd.DataFrame]

ASKED = {"next": 20, "few_prints": 6, "new_garment": 6}
COMPARED = 10  # inks
OPPOSITE = {"darker": "lighter", "duller": "more vivid", "redder": "greener", "bluer": "yellower"}
OPPOSITE |= {other: one for one, other in OPPOSITE.items()}
MATTERS = 1.0  # dE00
# What is different in a place, as the ways of the world have it -> what is told of it.
OF_PLACE = {
    "cloth": (Mover.CLOTH, Mover.MIGRATION),
    "base": (Mover.BASE,),
    "film": (Mover.FILM,),
    "lot": (Mover.LOT,),
    "press": (Mover.PRESS,),
}
NONE = {"base": -1, "base_mesh": -1, "base_strokes": 0}


def of_shop(which: Which) -> Found:
    """All claims of one shop."""
    drawn = draw_shop(*which)
    shop = tables.read(drawn)
    return of_model(drawn, shop, ShiftModel(n_jobs=1).fit(shop))


def of_model(drawn: Drawn, shop: Shop, model: ShiftModel) -> Found:
    """The same of a model that has learnt it."""
    found: dict[str, list[dict]] = {"ways": [], "causes": [], "shares": [], "base": []}
    found |= {"beside": [], "pairs": []}
    ways = Ways(drawn)
    for kind, n in ASKED.items():
        _explain(drawn, shop, model, ways, _some(drawn.queries[kind], n), found)
    _compare(drawn, shop, model, ways, found)
    common = {"shop": drawn.kind, "seed": drawn.name}
    return {name: pd.DataFrame(rows).assign(**common) for name, rows in found.items()}


def _some(query: Query, n: int) -> Query:
    return Query(
        query.setups.iloc[:n].reset_index(drop=True),
        query.shown.iloc[:n].reset_index(drop=True),
        *(getattr(query, name)[:n] for name in ("true_lab", "measured", "target")),
    )


# -- why ---------------------------------------------------------------------------------


def _explain(
    drawn: Drawn,
    shop: Shop,
    model: ShiftModel,
    ways: Ways,
    query: Query,
    found: dict[str, list[dict]],
) -> None:
    setups = tables.read_query(drawn, shop, query).drop(columns=TARGET)
    ink = query.setups["ink"].to_numpy()
    start, end, true = ways.buckets(ink), query.true_lab, ways.from_buckets(query.setups)
    hidden, told = ways.hidden(query.setups), model.predict(setups)
    other_base = _other_base(drawn, query.setups)
    off_there = delta_e00(ways.of(other_base), start)
    based = query.setups["base"].to_numpy() >= 0
    discharges = ways.world.inks.discharges[ink]
    cells = tables.setup_columns(ways.world, other_base)[list(UNDERBASE)]
    for i in range(len(setups)):
        one, whole = setups.iloc[[i]], float(delta_e00(end[i], start[i]))
        shares = from_bucket(model, one)
        looks, right = looks_beside(shares.end, shares.start), looks_beside(end[i], start[i])
        found["ways"].append(
            {
                "told": shares.total_dE00,
                "off": abs(shares.total_dE00 - whole),
                "inside": told["shift_lo"][i] <= whole <= told["shift_hi"][i],
                "measured": model.bucket_measured(str(one["ink_id"].iloc[0])),
                "words": len(looks),
                "opposite": sum(OPPOSITE[word] in right for word in looks),
                "beneath": told["beneath"][i] != "",
                "half": delta_e00(end[i], hidden[i]) >= whole / 2,
            }
        )
        _causes(shares, along(true[i], start[i], end[i]), "", found)
        if based[i] or discharges[i]:
            continue
        if abs(shares.dE00[MOVERS.index(Mover.CLOTH)]) < CLOTH_MATTERS_dE00:
            continue
        there = one.assign(**cells.iloc[i].to_dict()).astype({"underbase_strokes": float})
        change = shares.total_dE00 - from_bucket(model, there).total_dE00
        nearer = beside(model, pd.concat([one, there])).nearest[1]
        said = perhaps(nearer if change > 0 else 1 - nearer)
        if abs(change) >= TOLD_dE00:
            found["base"].append({"said": said, "right": (whole > off_there[i]) == (change > 0)})


def _causes(shares: Shares, true: Array, beside: str, found: dict[str, list[dict]]) -> None:
    """What a sentence names, and every share, beside the ``true`` ones (m,) in dE00."""
    for k, mover in enumerate(MOVERS):
        told, unsure = shares.dE00[k], shares.unsure_dE00[k]
        line = {"way": beside, "cause": str(mover), "told": told, "true": true[k]}
        line["inside"] = abs(told - true[k]) <= Z90 * unsure + 0.05
        line["sure"] = bool(shares.surely[k])
        found["shares"].append(line)
    if shares.total_dE00 < STILL_dE00:
        return
    at = [k for k in largest(shares) if abs(shares.dE00[k]) >= TOLD_dE00]
    on, back = ([k for k in at if sign * shares.dE00[k] > 0] for sign in (1, -1))
    places = {"first": on[:1], "second": on[1:2], "takes away": back[:1]}
    for place, named in places.items():
        for k in named:
            found["causes"].append(
                {
                    "way": beside,
                    "place": place,
                    "cause": str(MOVERS[k]),
                    "told": abs(shares.dE00[k]),
                    "true": true[k] * np.sign(shares.dE00[k]),
                    "another": true.max() - true[k],
                    "sure": bool(shares.surely[k]),
                }
            )


def _other_base(drawn: Drawn, setups: pd.DataFrame) -> pd.DataFrame:
    """The same with the shop's usual base."""
    return setups.assign(**dict(zip(NONE, _usual_base(drawn), strict=True)))


def _usual_base(drawn: Drawn) -> tuple[int, int, int]:
    history = drawn.history
    common = history.loc[history["base"] >= 0, list(NONE)].value_counts()
    return common.index[0] if len(common) else (int(drawn.world.inks.bases[0]), 1, 1)


# -- compare -----------------------------------------------------------------------------


def _sets(drawn: Drawn, one: pd.DataFrame, rng: np.random.Generator) -> Iterator[pd.DataFrame]:
    """What one print (a row) is put beside: other garments, a base or none, other screens."""
    cloths, meshes = (drawn.history[c].unique() for c in ("cloth", "mesh"))
    four = rng.choice(cloths, min(4, len(cloths)), replace=False)
    yield pd.concat([one.assign(cloth=cloth) for cloth in four], ignore_index=True)
    two = rng.choice(meshes, min(2, len(meshes)), replace=False)
    screens = [(mesh, strokes) for mesh in two for strokes in (1, 2)]
    yield pd.concat(
        [one.assign(mesh=mesh, strokes=n, flashes=0) for mesh, n in screens], ignore_index=True
    )
    if not drawn.world.inks.discharges[int(one["ink"].iloc[0])]:
        yield pd.concat([one.assign(**NONE), _other_base(drawn, one)], ignore_index=True)


def _compare(
    drawn: Drawn, shop: Shop, model: ShiftModel, ways: Ways, found: dict[str, list[dict]]
) -> None:
    rng, query = np.random.default_rng(0), drawn.queries["next"]
    some = query.setups.drop_duplicates("ink").index[:COMPARED]
    for i in some:
        gaps = query.shown.columns[query.shown.loc[i].isna()]
        for really in _sets(drawn, query.setups.loc[[i]], rng):
            n, shown = len(really), really.copy()
            shown[gaps] = np.nan
            aim = np.repeat(query.target[[i]], n, axis=0)
            asked = Query(really, shown, ways.of(really), np.zeros((n, 31)), aim)
            setups = tables.read_query(drawn, shop, asked)
            _beside(model, ways, asked, setups, found)
            shares = from_print(model, setups.iloc[[0]], setups.iloc[[1]])
            true = ways.apart(really.iloc[[0]], really.iloc[[1]])[0]
            start, end = asked.true_lab[1], asked.true_lab[0]
            by_place = dict(zip(PLACES, along(true, start, end), strict=True))
            told = {p: shares.dE00[[MOVERS.index(m) for m in OF_PLACE[p]]].sum() for p in PLACES}
            first = max(told, key=lambda place: told[place])
            if shares.total_dE00 >= STILL_dE00 and told[first] >= TOLD_dE00:
                found["causes"].append(
                    {
                        "way": "beside",
                        "place": "first",
                        "cause": first,
                        "told": told[first],
                        "true": by_place[first],
                        "another": max(by_place.values()) - by_place[first],
                        "sure": True,
                    }
                )


def _beside(
    model: ShiftModel, ways: Ways, asked: Query, setups: pd.DataFrame, found: dict[str, list[dict]]
) -> None:
    """What is named as nearest and as furthest apart among n set-ups, and what lies between."""
    mean, true, n = model.means(setups), asked.true_lab, len(setups)
    buckets = model.buckets(list(setups["ink_id"]))[0]
    goals = {
        "target": (setups, setups[TARGET].to_numpy(float), asked.target),
        "bucket": (
            setups.drop(columns=TARGET),
            buckets,
            ways.buckets(asked.setups["ink"].to_numpy()),
        ),
    }
    for goal, (given, told_goal, true_goal) in goals.items():
        chances = beside(model, given)
        off, really = delta_e00(mean, told_goal), delta_e00(true, true_goal)
        best = int(np.argmin(off))
        found["beside"].append(
            {
                "asked": f"nearest to the {goal}",
                "chance": chances.nearest[best],
                "worse": really[best] - really.min(),
            }
        )
    told, really = (delta_e00(lab[:, None], lab[None]) for lab in (mean, true))
    one, other = np.unravel_index(np.argmax(np.triu(told)), told.shape)
    found["beside"].append(
        {
            "asked": "furthest apart",
            "chance": chances.furthest[one, other],
            "worse": really.max() - really[one, other],
        }
    )
    unknown = model.between(setups).widened(model.spread(setups)).unknown
    for i, j in zip(*np.triu_indices(n, 1), strict=True):
        alone = np.diag(unknown[i, :, i] + unknown[j, :, j])
        both = np.diag(unknown[i, :, j] + unknown[j, :, i])
        off = np.abs((mean[i] - mean[j]) - (true[i] - true[j]))
        joint = Z90 * np.sqrt(np.maximum(alone - both, 0.0))
        apart = Z90 * np.sqrt(alone)
        found["pairs"].append(
            {
                "apart": told[i, j],
                "off": abs(told[i, j] - really[i, j]),
                "inside": (off <= joint).mean(),
                "width": 2 * joint.mean(),
                "inside alone": (off <= apart).mean(),
                "width alone": 2 * apart.mean(),
            }
        )


# -- figures -----------------------------------------------------------------------------


def of_ways(some: pd.DataFrame) -> dict[str, float]:
    """One line on whole ways."""
    measured = some["measured"].astype(bool)
    return {
        "n": len(some),
        "told": some["told"].median(),
        "off": some["off"].median(),
        "off p90": some["off"].quantile(0.9),
        "measured: in band %": 100 * some.loc[measured, "inside"].mean(),
        "not measured: in band %": 100 * some.loc[~measured, "inside"].mean(),
        "words-": some["words"].sum(),
        "opposite, of 1000": 1000 * some["opposite"].sum() / max(some["words"].sum(), 1),
        "shows through-": some["beneath"].sum(),
        "and does %": 100 * some.loc[some["beneath"].astype(bool), "half"].mean(),
    }


def of_causes(some: pd.DataFrame) -> dict[str, float]:
    """One line on causes as they are named."""
    off = (some["told"] - some["true"]).abs()
    first = (some["place"] == "first").all()
    return {
        "n": len(some),
        "told": some["told"].median(),
        "near %": 100 * (off <= np.maximum(0.5, 0.25 * some["told"])).mean(),
        "opposite %": 100 * (some["true"] <= 0).mean(),
        "opposite by 0.3 %": 100 * (some["true"] <= -TOLD_dE00).mean(),
        "another %": 100 * (some["another"] > MATTERS).mean() if first else np.nan,
    }


def of_shares(some: pd.DataFrame) -> dict[str, float]:
    """One line on every share of a cause."""
    return {
        "n": len(some),
        "told": some["told"].abs().mean(),
        "off": (some["told"] - some["true"]).abs().mean(),
        "too much": (some["told"] - some["true"]).mean(),
        "in band %": 100 * some["inside"].mean(),
    }


def of_answers(some: pd.DataFrame) -> dict[str, float]:
    """One line on what is named of several."""
    said = some["chance"].map(perhaps)
    right = some["worse"] < 1e-9
    line: dict[str, float] = {"n": len(some), "told %": 100 * some["chance"].mean()}
    line["right %"] = 100 * right.mean()
    for word, name in (("", "plainly"), ("probably ", "probably"), ("perhaps ", "perhaps")):
        line[f"{name}-"] = (said == word).sum()
        line[f"{name}: right %"] = 100 * right[said == word].mean()
    line["over a unit worse %"] = 100 * (some["worse"] > MATTERS).mean()
    line["plainly so %"] = 100 * (some.loc[said == "", "worse"] > MATTERS).mean()
    return line


def tell(report: Report, found: Found) -> None:
    """All tables."""

    def by_shop(name: str, *more: str) -> Iterator[tuple[str, pd.DataFrame]]:
        for key, some in found[name].groupby(["shop", *more], sort=False):
            yield ", ".join(map(str, key)), some

    report.table("Ways from the bucket", {k: of_ways(s) for k, s in by_shop("ways")})
    causes = found["causes"][found["causes"]["cause"] != Mover.LEARNT]
    sure = np.where(causes["sure"], "", ", not sure")
    told = causes.assign(
        named=causes["place"] + np.where(causes["way"] == "", "", ", beside") + sure
    )
    lines = {", ".join(k): of_causes(s) for k, s in told.groupby(["shop", "named"], sort=False)}
    report.table("Causes as a sentence names them", lines)
    report.table("Every share", {k: of_shares(s) for k, s in by_shop("shares", "cause")})
    base = found["base"].assign(plainly=found["base"]["said"] == "")
    lines = {
        f"{shop}{'' if plainly else ', probably or perhaps'}": {
            "n": len(some),
            "right %": 100 * some["right"].mean(),
        }
        for (shop, plainly), some in base.groupby(["shop", "plainly"], sort=False)
    }
    report.table("What a base would do", lines)
    report.table("Named of several", {k: of_answers(s) for k, s in by_shop("beside", "asked")})
    between = found["pairs"].groupby("shop", sort=False)
    columns = {
        "n": between.size(),
        "apart": between["apart"].median(),
        "off": between["off"].median(),
        "in band %": 100 * between["inside"].mean(),
        "width": between["width"].median(),
        "as if alone: in band %": 100 * between["inside alone"].mean(),
        "its width": between["width alone"].median(),
    }
    report.table("Differences between two", pd.DataFrame(columns))


def main(argv: list[str] | None = None) -> int:
    """Command line."""
    report = Report("explained", __doc__)
    of_part.add_options(report.parser)
    arguments = report.parse(argv)
    each = of_part.asked(arguments, of_shop)
    tell(
        report,
        {name: pd.concat([one[name] for one in each], ignore_index=True) for name in each[0]},
    )
    report.record()
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
