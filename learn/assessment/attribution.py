"""What limits accuracy now: which ink, garment, press or mesh, and how much could be learnt.

Two looks at every level. *Seen*: how far its past prints, each predicted without its job,
lay beyond the scatter of press and instrument; all levels are estimated together and
shrunk, so that neither two unlucky prints nor a garment that only one ink was printed on
takes the blame. *Stated*: how far beyond that scatter the model itself expects to be, and
how often it would ask for a test print, if usual set-ups were printed with it tomorrow.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from learn.assessment.cross_validation import Forecasts, expected_difference
from learn.colour.difference import difference
from learn.fit.eras import last_changes, presses_now
from learn.predict.protocol import RecallingModel
from learn.predict.verdict import ask_for_test

Array = NDArray[np.floating]

# Factor -> its column among the encoded features, and among set-ups.
FACTORS = {
    "ink": ("ink", "ink_id"),
    "garment": ("substrate", "substrate_id"),
    "press": ("press", "press_id"),
    "mesh": ("mesh", "mesh_id"),
}
USUAL_SETUPS = 24
SWEEPS = 40  # of the variance estimates; they settle in about twenty


@dataclass(frozen=True)
class Budget:
    """Mean dE00 of a print predicted without its job, and what it is made of."""

    error: float
    scatter: float  # expected from press and instrument, whatever is known
    instrument: float  # expected from the instrument alone

    @property
    def removable(self) -> float:
        """What more knowledge could take away at most."""
        return max(0.0, self.error - self.scatter)


class Effects(NamedTuple):
    """The mean plus the shrunk effect of each level of one factor."""

    mean: Array  # (levels,)
    sd: Array  # (levels,)


def crossed_effects(y: Array, factors: list[NDArray], group: NDArray) -> list[Effects]:
    """What ``y`` (n,) would be at every level of crossed factors, others being average.

    y = mean + sum over factors of a normal effect of the level + an effect of the group
    (``group`` (n,), codes) + noise. Variances by expectation maximisation (Searle, Casella &
    McCulloch 1992, Variance Components, chapter 8; from memory); groups are eliminated
    block by block, so that many cost little. A code of -1 in a factor is no level.
    """
    n = len(y)
    sizes = [int(code.max()) + 1 if len(code) else 0 for code in factors]
    Z = np.ones((n, 1 + sum(sizes)))
    ends = np.cumsum([1, *sizes])
    slices = [slice(a, b) for a, b in pairwise(ends)]
    for columns, code, size in zip(slices, factors, sizes, strict=True):
        Z[:, columns] = code[:, None] == np.arange(size)
    n_groups = int(group.max()) + 1
    count = np.bincount(group, minlength=n_groups).astype(float)
    shared = np.zeros((n_groups, Z.shape[1]))
    np.add.at(shared, group, Z)
    y_group = np.bincount(group, weights=y, minlength=n_groups)
    ZZ, Zy = Z.T @ Z, Z.T @ y

    noise = max(float(y.var()), 1e-12)
    variance, by_group = np.full(len(factors), noise / 4), noise / 4
    for _ in range(SWEEPS):
        prior = np.repeat([1e-9, *(1 / variance)], [1, *sizes])
        own = count / noise + 1 / by_group
        gone = shared / noise / own[:, None]
        C = np.linalg.inv(ZZ / noise + np.diag(prior) - gone.T @ (shared / noise))
        b = C @ (Zy - gone.T @ y_group) / noise
        c = y_group / noise / own - gone @ b
        c_variance = 1 / own + ((gone @ C) * gone).sum(axis=1)
        error = y - Z @ b - c[group]
        fitted = len(prior) + n_groups - prior @ np.diag(C) - c_variance.sum() / by_group
        noise = max(1e-12, float(error @ error + noise * fitted) / n)
        moments = b**2 + np.diag(C)
        variance = np.array(
            [max(1e-10, moments[s].mean()) if s.stop > s.start else 1.0 for s in slices]
        )
        by_group = max(1e-10, float(np.mean(c**2 + c_variance)))
    sd = np.sqrt(C[0, 0] + np.diag(C) + 2 * C[0])
    return [Effects(b[0] + b[s], sd[s]) for s in slices]


def budget(model: RecallingModel, f: Forecasts) -> Budget:
    """The whole history's mean error and its parts; ``f`` are forecasts without the own job."""
    instrument = model.history().instrument[f.at]
    alone = instrument[:, None, None] * np.eye(3)
    return Budget(
        float(f.error.mean()),
        float(expected_difference(f.mean, f.noise).mean()),
        float(expected_difference(f.mean, alone).mean()),
    )


def seen(model: RecallingModel, f: Forecasts) -> pd.DataFrame:
    """A row a level of every factor, by its past prints predicted without their job.

    Columns: factor, level, n (prints), jobs, partners (garments of an ink, else inks),
    error and scatter (mean dE00), beyond (dE00 beyond scatter, shrunk and freed of the
    other factors), beyond_sd, share (of what lies beyond scatter, within the factor).

    A print without whose job its ink was never printed tells of that ink alone: it counts for no
    other level, and what lies beyond of such an ink is its mean as it is.
    """
    X = model.history().X.iloc[f.at].reset_index(drop=True)
    X["press"] = X["era"]  # after a change it is another
    scatter = expected_difference(f.mean, f.noise).mean(axis=1)
    error, job = f.error, pd.factorize(f.group)[0]
    beyond = error - scatter
    again = pd.Series(job).groupby(X["ink"]).transform("nunique").to_numpy() > 1
    coded = [pd.factorize(X.loc[again, column]) for column, _ in FACTORS.values()]
    effects = (
        crossed_effects(beyond[again], [code for code, _ in coded], pd.factorize(job[again])[0])
        if again.any()
        else []
    )
    of_level = {
        (name, level): (float(mean), float(sd))
        for name, (_, levels), effect in zip(FACTORS, coded, effects, strict=False)
        for level, mean, sd in zip(levels, *effect, strict=True)
    }
    rows = []
    for name, (column, _) in FACTORS.items():
        partner = X["substrate" if name == "ink" else "ink"]
        for level in X[column].dropna().unique():
            mine = (X[column] == level).to_numpy()
            own, sd = of_level.get((name, level), (np.nan, np.nan))
            if name == "ink" and not again[mine].any():
                own, sd = float(beyond[mine].mean()), 0.0
            rows.append(
                {
                    "factor": name,
                    "level": level,
                    "n": int(mine.sum()),
                    "jobs": len(np.unique(job[mine])),
                    "partners": int(partner[mine].nunique()),
                    "error": float(error[mine].mean()),
                    "scatter": float(scatter[mine].mean()),
                    "beyond": own,
                    "beyond_sd": sd,
                }
            )
    frame = _as_it_stands(pd.DataFrame(rows), model.encoder_.changes)
    carried = frame["beyond"].clip(lower=0.0) * frame["n"]
    frame["share"] = carried / carried.groupby(frame["factor"]).transform("sum")
    return frame


def _as_it_stands(levels: pd.DataFrame, changes: pd.DataFrame) -> pd.DataFrame:
    """Levels without presses as they were before their last change; those after it by their id."""
    last = {one: f"{day:%Y-%m-%d}" for one, day in last_changes(changes).items()}
    press = levels["level"].str.partition("\x1f")
    now = (levels["factor"] != "press") | (press[2] == press[0].map(lambda one: last.get(one, "")))
    return levels.assign(level=press[0])[now].reset_index(drop=True)


def stated(model: RecallingModel, seed: int = 0) -> pd.DataFrame:
    """A row a level of every factor, those never printed included: what the model expects.

    Usual set-ups are drawn from the history, later half, and printed once more with the
    level in place of their own, a press as it stands since its last change. Columns: factor, level,
    n (prints so far; of a press, since that change), expected (mean dE00 beyond scatter), tests
    (share that would need a test print).
    """
    kept = model.history().prints
    rng = np.random.default_rng(seed)
    recent = (
        np.arange(len(kept))
        if kept["printed_on"].isna().all()
        else np.argsort(kept["printed_on"].to_numpy(), kind="stable")[len(kept) // 2 :]
    )
    usual = kept.iloc[np.sort(rng.permutation(recent)[:USUAL_SETUPS])]
    encoder = model.encoder_
    levels = {
        "ink": list(encoder.inks.index[encoder.inks["role"] != "underbase"]),
        "garment": list(encoder.substrates.index[encoder.substrates["kind"] == "garment"]),
        "press": sorted(kept["press_id"].dropna().unique()),
        "mesh": list(encoder.meshes.index),
    }
    asked, labels, last = [], [], last_changes(encoder.changes)
    for name, (_, column) in FACTORS.items():
        for level in levels[name]:
            changes = {column: level} | ({"ink_lot": None} if name == "ink" else {})
            if name == "press" and level in last:
                changes["printed_on"] = usual["printed_on"].clip(lower=last[level])
            asked.append(usual.assign(**changes))
            labels += [(name, level)] * len(usual)
    p = model.predict_lab(pd.concat(asked, ignore_index=True))
    beyond = expected_difference(p.mean, p.covariance) - expected_difference(p.mean, p.noise)
    tolerance = np.full(len(p.mean), model.settings_.tolerance_dE00)
    within = difference(p.mean, p.covariance, p.mean, tolerance).p_within
    frame = pd.DataFrame(labels, columns=["factor", "level"])
    frame["expected"] = beyond.mean(axis=1)
    frame["tests"] = ask_for_test(within, model.settings_).astype(float)
    frame = frame.groupby(["factor", "level"], sort=False, as_index=False).mean()
    there = kept.assign(press_id=presses_now(kept, encoder.changes))
    counts = {name: there[column].value_counts() for name, (_, column) in FACTORS.items()}
    frame["n"] = [
        int(counts[f].get(v, 0)) for f, v in zip(frame["factor"], frame["level"], strict=True)
    ]
    return frame


def limits(model: RecallingModel, f: Forecasts) -> pd.DataFrame:
    """Both looks side by side, the most limiting level of each factor first."""
    at = ["factor", "level"]
    both = stated(model).set_index(at).combine_first(seen(model, f).set_index(at)).reset_index()
    both["n"] = both["n"].astype(int)
    both["worst"] = both[["expected", "beyond"]].max(axis=1)
    rank = both["factor"].map(list(FACTORS).index)
    order = np.lexsort([-both["worst"], rank])
    return both.iloc[order].reset_index(drop=True)
