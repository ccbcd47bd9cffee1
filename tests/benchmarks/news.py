"""What is new - lots, drift, settings never tried, new inks - on shops of the second family.

``python -m tests.benchmarks.news [--part choose|check|last|large] [--shops N] [--workers N]
[--out FILE] [--before FILE]``. The shops (`tests.worlds`) have laws of their own, drawn by lot and
shared with nothing in `learn`. Each is learnt once and asked for prints of every kind it kept back.
Choices are made on the part ``choose``; ``last``, and ``large`` with 6,000 prints a shop, are run
once a release and nothing is chosen on them.

| kind | what is new |
|---|---|
| next | nothing but a lot now and then: the usual run, right after the history |
| new_mesh | a mesh known by its sheet alone |
| new_garment, new_family | bare cloth measured alone; of a hue never printed on |
| lot | a lot a good quarter stronger or weaker and turned in hue, 3-13 prints at the end |
| lot_new | a lot never printed, of the shop's common run |
| press_1, press_2, press_3 | the press that drifts on, by thirds of 150 days |
| far | 90 Shore, nearly upright, 6 mm off contact, the finest mesh, a new press, all at once |
| strokes | five strokes, three flashes, on the coarsest mesh |
| press_new | an unknown press, four strokes |
| thin | one stroke through the finest mesh of the history on bare dark cloth |
| ink_new, ink_white | drawdowns alone; a card over white alone |
| few_prints | inks with one to three prints |

Columns: dE00 to the noise-free colour (median, 90 % quantile, physics alone); share of measured L,
a, b in 90 % bands, and of the worst shop; root mean square of standardised errors (1: as told);
jobs let go, beside those that someone would let go who knew all but chance, and of those gone how
many came out within tolerance of their target. Targets lie 0 to 4.5 dE00 off the true colour: they
tell of it, so that more goes well than any forecast can have said. "as told %" would be let go if
true colours lay about the predictions just as these say. "informed %" would let go who knew every
law and thing of the shop but its lots, learnt from their prints, and what empty cells hold
(`tests.worlds.informed`): from there to the oracle's nobody can get; what lacks to it is learnt
from too few prints, or not at all.
Whether chances are honest is told apart, for targets as far off the predicted colour.
``--without`` draws the same shops without some of their troubles (`tests.worlds.kinder`): what goes
more often then is what these cost, and nobody can know a lot never printed or a cell left empty.
``--out`` keeps every print for a comparison: ``--before`` of a later run takes such a file and
tells what changed, print by print.
"""

from __future__ import annotations

import time
from collections.abc import Collection
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from learn.colour.colorimetry import delta_e00
from learn.colour.difference import difference
from learn.normal import Z90, believed, root
from learn.predict.model import ShiftModel
from learn.predict.protocol import Prediction
from learn.predict.verdict import chance_needed
from pipelines.workspace.progress import Progress
from tests.benchmarks.results import Report
from tests.worlds import tables
from tests.worlds.informed import Informed
from tests.worlds.kinder import TROUBLES
from tests.worlds.light import lab_of
from tests.worlds.parts import PARTS, Which
from tests.worlds.shop import KINDS, draw_shop
from tests.worlds.world import chance_within

ROWS = (
    "next",
    "new_mesh",
    "new_garment",
    "new_family",
    "lot",
    "lot_new",
    "press_1",
    "press_2",
    "press_3",
    "far",
    "strokes",
    "press_new",
    "thin",
    "ink_new",
    "ink_white",
    "few_prints",
)
INSIDE = ["L in", "a in", "b in"]
# Kinds of which all is known but lots and empty cells.
KNOWN_KINDS = ("next", "lot", "lot_new")
KEYS = ["shop kind", "seed", "kind", "setup_id"]
RESAMPLES = 1000


def of_shop(
    which: Which, without: Collection[str] = ()
) -> tuple[pd.DataFrame, dict[str, float | str]]:
    """Every print kept back by a shop, a row each, and a line on the shop itself."""
    drawn = draw_shop(*which, without=without)
    shop = tables.read(drawn)
    started = time.perf_counter()
    learnt = ShiftModel(n_jobs=1).fit(shop)
    seconds = time.perf_counter() - started
    physics, informed = learnt.physics_alone(bands=False), Informed.of(drawn)
    model = ShiftModel.from_state(*learnt.to_state())  # as a shop has it: stored, and read again
    tolerance, needed = shop.settings.tolerance_dE00, chance_needed(shop.settings)
    out = []
    for kind, query in drawn.queries.items():
        setups = tables.read_query(drawn, shop, query)
        said = model.predict_lab(setups)
        measured = lab_of(query.measured)
        sd = np.sqrt(np.einsum("nii->ni", said.covariance))
        off = np.abs(measured - said.mean)
        prints = drawn.world.next_prints(query.setups)
        chance = chance_within(prints, query.target, tolerance)
        away = query.target - query.true_lab
        aim = said.mean + away
        frame = pd.DataFrame(
            {
                "shop kind": which.kind,
                "seed": which.seed,
                "kind": kind,
                "setup_id": setups["setup_id"],
                "dE00": delta_e00(said.mean, query.true_lab),
                "physics": delta_e00(physics.means(setups), query.true_lab),
                "z2": ((off / sd) ** 2).mean(axis=1),
                "width": 2 * Z90 * sd.mean(axis=1),
                "go": model.predict(setups)["verdict"].to_numpy() == "go",
                "as told": _told(said, _drawn(said) + away, tolerance) >= needed,
                "oracle": chance >= needed,
                "chance told": _told(said, aim, tolerance),
                "came true": chance_within(prints, aim, tolerance),
                "held": delta_e00(measured, query.target) <= tolerance,
            }
        )
        if kind in KNOWN_KINDS:
            chance = chance_within(informed.next_prints(query), query.target, tolerance)
            frame["informed"] = (chance >= needed).astype(float)
        out.append(frame.assign(**dict(zip(INSIDE, (off <= Z90 * sd).T, strict=True))))
    aside = set(model.set_aside_["print_id"])
    wrong = {f"H{i + 1:05d}" for i in drawn.wrong}
    line = {
        "kind": which.kind,
        "n": len(shop.prints),
        "seconds": seconds,
        "wrong": len(wrong),
        "wrong found": len(wrong & aside),
        "good aside": len(aside - wrong),
        "good aside a 1000": 1000 * len(aside - wrong) / (len(shop.prints) - len(wrong)),
    }
    return pd.concat(out, ignore_index=True), line


def _told(said: Prediction, aim: NDArray, tolerance: float) -> NDArray:
    """Chance (n,) told of prints to lie near their aims (n, 3); none where they will not."""
    found = difference(said.mean, said.covariance, aim, np.full(len(aim), tolerance)).p_within
    return np.where(delta_e00(said.mean, aim) <= tolerance, found, 0.0)


def _drawn(said: Prediction) -> NDArray:
    """True colours (n, 3) as they would be if the predictions were right in every way."""
    z = believed(np.random.default_rng(0).standard_normal((len(said.mean), 4)))
    return said.mean + (root(said.covariance - said.noise) @ z[:, :, None])[:, :, 0]


def honesty(found: pd.DataFrame) -> dict[str, dict[str, float]]:
    """Chances told, by tenths, and what came true of them."""
    tenth = np.minimum((10 * found["chance told"]).astype(int), 9)
    return {
        f"{10 * k} to {10 * k + 10} %": {
            "n": len(some),
            "told %": 100 * some["chance told"].mean(),
            "true %": 100 * some["came true"].mean(),
        }
        for k, some in found[found["chance told"] > 0].groupby(tenth)
    }


def figures(found: pd.DataFrame) -> dict[str, float]:
    """One line on some prints kept back."""
    inside = found[INSIDE].mean(axis=1)
    go, oracle = found["go"], found["oracle"]
    return {
        "n": len(found),
        "dE00": found["dE00"].median(),
        "p90": found["dE00"].quantile(0.9),
        "physics": found["physics"].median(),
        "cover %": 100 * inside.mean(),
        "worst %": 100 * inside.groupby(found["seed"]).mean().min(),
        "spread": np.sqrt(found["z2"].mean()),
        "width": found["width"].mean(),
        "go %": 100 * go.mean(),
        "as told %": 100 * found["as told"].mean(),
        "informed %": 100 * found["informed"].mean(),
        "oracle %": 100 * oracle.mean(),
        "held %": 100 * found.loc[go, "held"].mean() if go.any() else np.nan,
    }


def changes(before: pd.DataFrame, now: pd.DataFrame) -> dict[str, float]:
    """What changed of the same prints; the 90 % interval is over shops and their prints."""
    both = before.merge(now, on=KEYS, suffixes=(" then", ""))
    rng = np.random.default_rng(0)
    gain = np.log(both["dE00"] + 0.1) - np.log(both["dE00 then"] + 0.1)
    # ten prints drawn one after the other: some two to five jobs
    by = [g.to_numpy() for _, g in gain.groupby([both["seed"], both["setup_id"].str[:4]])]
    means = [
        np.concatenate([by[j] for j in rng.integers(len(by), size=len(by))]).mean()
        for _ in range(RESAMPLES)
    ]
    low, high = 100 * np.expm1(np.quantile(means, [0.05, 0.95]))
    then = both[[f"{c} then" for c in INSIDE]].to_numpy(bool).mean()
    return {
        "n": len(both),
        "dE00 then": both["dE00 then"].median(),
        "dE00": both["dE00"].median(),
        "change %": 100 * np.expm1(gain.mean()),
        "from %": low,
        "to %": high,
        "cover then %": 100 * then,
        "cover %": 100 * both[INSIDE].to_numpy(bool).mean(),
        "width then": both["width then"].mean(),
        "width": both["width"].mean(),
        "go then %": 100 * both["go then"].mean(),
        "go %": 100 * both["go"].mean(),
    }


def learnt(
    shops: list[Which], workers: int, without: Collection[str] = ()
) -> tuple[pd.DataFrame, dict[str, dict]]:
    """All shops, ``workers`` at once with one thread each."""
    from joblib import Parallel, delayed

    progress = Progress()
    longest = sorted(range(len(shops)), key=lambda i: -shops[i].size)
    progress(f"{len(shops)} shops, {workers} at once")
    asked = Parallel(n_jobs=workers)(delayed(of_shop)(shops[i], without) for i in longest)
    done = [asked[longest.index(i)] for i in range(len(shops))]
    lines = {f"{w.kind} {w.seed}": line for w, (_, line) in zip(shops, done, strict=True)}
    return pd.concat([found for found, _ in done], ignore_index=True), lines


def main(argv: list[str] | None = None) -> int:
    """Command line."""
    report = Report("news", __doc__)
    parser = report.parser
    parser.add_argument("--part", choices=PARTS, default="choose")
    parser.add_argument("--shops", type=int, help="of each kind of shop (default: all)")
    parser.add_argument("--kind", choices=KINDS, action="append", help="of shop (default: all)")
    parser.add_argument("--without", choices=TROUBLES, nargs="+", default=[])
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--out", type=Path, help="CSV of every print, to compare with")
    parser.add_argument("--before", type=Path, help="such a file of an earlier run")
    arguments = report.parse(argv)
    shops = []
    for kind in arguments.kind or KINDS:
        shops += [w for w in PARTS[arguments.part] if w.kind == kind][: arguments.shops]
    found, lines = learnt(shops, arguments.workers, arguments.without)
    if arguments.out:
        found.round(4).to_csv(arguments.out, index=False)
    for kind, some in found.groupby("shop kind", sort=False):
        rows = {name: figures(some[some["kind"] == name]) for name in ROWS}
        report.table(f"{kind}, {some['seed'].nunique()} shops", rows)
        report.table(f"{kind}: chances told and come true", honesty(some))
        if arguments.before:
            then = pd.read_csv(arguments.before)
            then = then[then["shop kind"] == kind]
            rows = {
                name: changes(then[then["kind"] == name], some[some["kind"] == name])
                for name in ROWS
            }
            report.table(f"{kind}: before and now", rows)
    report.table("Shops: wrong rows of the history, and good ones set aside", lines)
    report.record()
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
