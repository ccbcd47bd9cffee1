"""Which prints describe an ink best, in which order, and how many are enough.

An ink never or seldom printed is vague in a few ways - how much of it a screen lays, how strong
it is, how it soaks in - and each print of it tells something of every other. So the first print
is the one that leaves the shop's usual set-ups with this ink least unsure, the next the one that
does so once the first is known, and so on (sequential Gaussian design, as in Krause, Singh &
Guestrin 2008, JMLR 9:235, from memory; here for the mean error over the set-ups that will be
printed). The covariance after a print does not depend on its reading, so all of it is known before
the press runs.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from learn.colour.difference import from_mean, local_metric, within
from learn.errors import Unusable
from learn.gp.covariance import Belief
from learn.normal import drawn_errors
from learn.planning.plan import usual_setup
from learn.planning.prospect import Prospect
from learn.predict.verdict import ask_for_test
from learn.shop import SETUP_COLUMNS, UNDERBASE, latest_lots

if TYPE_CHECKING:
    from learn.predict.protocol import PrintModel

Array = NDArray[np.floating]

SCREEN = ["mesh_id", "strokes", "flash_count"]
USUAL_SETUPS = 48
SAME_TYPE = 60  # prints of inks of one type from which these alone say what is usual
MOSTLY = 0.9  # share of the prints whose garments, screens and bases are the usual ones
GARMENTS, SCREENS, BASES = 10, 8, 3  # of them at most
NEAREST = 12  # so many candidates are looked at more closely
NEXT_TO_NOTHING = 0.025  # of the tolerance: a print that narrows the band by less is not pulled
DRAWS = 256  # and mirrored
AT_HAND = "at hand"  # the one lot of an ink none of whose prints names any


class Sureness(NamedTuple):
    """How well the usual set-ups are known."""

    within_dE00: float  # nine of ten prints lie so near their prediction, all set-ups together
    go: float  # share that goes straight to production where the prediction is the target


@dataclass(frozen=True)
class InkPlan:
    """The prints that describe an ink, the best first.

    ``prints``: the columns of a set-up, and of :class:`Sureness` once this print and those
    above it are known. ``enough``: how many of them are worth pulling; the one after these
    would by itself bring ``within_dE00`` down by ``next_gain``, and ``more`` says whether that is
    still worth it.
    """

    ink_id: str
    known_from: str  # its drawdowns: "spectra", "one backing", "Lab" or "nothing"
    printed: int  # prints so far
    usual: pd.DataFrame  # set-ups of the shop, with this ink
    before: Sureness
    other_inks: Sureness  # the same set-ups with the inks they were printed with
    prints: pd.DataFrame
    enough: int
    next_gain: float
    more: bool


def plan_ink(
    model: PrintModel,
    ink: str,
    prints: pd.DataFrame,
    *,
    garments: list[str] | None = None,
    meshes: list[str] | None = None,
    most: int = 6,
    settings: Mapping[str, Any] | None = None,
    until: pd.Timestamp | None = None,
) -> InkPlan:
    """The prints of ``ink`` to pull, in their order.

    Parameters
    ----------
    prints : the shop's prints: what it usually does is taken from them, and the lot of the ink
        that is open, which is the one last printed
    garments, meshes : what the test prints may be pulled on and through; the usual ones
        unless given
    most : prints at most
    settings : press and settings of the test prints; the usual ones where they are not named
    until : the last day that a print can be of; a later one does not tell which lot is open

    Raises
    ------
    Unusable
        for an ink, garment or mesh the tables do not name, an underbase, or a shop
        without prints.
    """
    encoder = model.encoder_
    named = [("ink", encoder.inks, [ink]), ("mesh", encoder.meshes, meshes or [])]
    for what, table, ids in [*named, ("garment", encoder.substrates, garments or [])]:
        for one in ids:
            if one not in table.index:
                msg = f"{what} '{one}' is in none of the shop's tables"
                raise Unusable(msg)
    if encoder.inks.loc[ink, "role"] == "underbase":
        msg = f"ink '{ink}' is an underbase: print it alone on a white and on a black garment"
        raise Unusable(msg)
    if most < 1:
        msg = f"is {most}: 1 or more prints are possible"
        raise Unusable(msg, name="most")
    past = past_of(model, ink, prints)
    usual = usual_of(past)
    # what was printed of the lot that is open tells of the prints to come
    lot = latest_lots(prints, until).get(ink, AT_HAND)
    asked = usual.assign(ink_id=ink, ink_lot=lot, job_id=None)
    choice = _choice(past, ink, garments, meshes, settings or {})
    choice = choice.assign(ink_lot=lot, printed_on=asked["printed_on"].max())
    pulled, sure, gain = _greedy(model, choice, asked, most + 1)
    little = gain < NEXT_TO_NOTHING * model.settings_.tolerance_dE00
    enough = int(np.argmax([*little[:most], True]))
    own = model.predict_lab(usual.assign(job_id=None))
    return InkPlan(
        ink,
        model.known_from(ink),
        model.prints_of(ink),
        asked.assign(ink_lot=None),
        sure[0],
        _sureness(own.mean, own.covariance, model),
        choice.iloc[pulled[:most]]
        .reset_index(drop=True)
        .assign(ink_lot=None, printed_on=pd.NaT)
        .join(pd.DataFrame(sure[1 : most + 1])),
        enough,
        float(gain[enough]),
        not bool(little[enough]),
    )


def past_of(model: PrintModel, ink: str, prints: pd.DataFrame) -> pd.DataFrame:
    """The prints that say what is usual for this ink: the later half, of its type if enough."""
    encoder = model.encoder_
    inks = encoder.inks
    here = prints[prints["ink_id"].isin(inks.index[inks["role"] != "underbase"])]
    here = here.reindex(columns=["print_id", *SETUP_COLUMNS])
    here = here.drop(index=here.index[encoder.unknown(here)["row"].to_numpy(int)])
    if not len(here):
        msg = (
            "there is no print yet that says what is usual: print the ink on a white and a black "
            "garment, each with and without a base"
        )
        raise Unusable(msg)
    over, asked = (encoder.over(one) for one in (here, here.assign(ink_id=ink)))
    # how it takes to a base over which no ink of its type was printed, no print tells
    strange = (asked.notna() & ~asked.isin(over)).to_numpy()
    here = here.assign(**dict.fromkeys(UNDERBASE)) if strange.all() else here[~strange]
    alike = inks.loc[here["ink_id"], "ink_type"].to_numpy() == inks.loc[ink, "ink_type"]
    here = here[alike] if alike.sum() >= SAME_TYPE else here
    here = here.sort_values("printed_on", kind="stable", na_position="first")
    return here.iloc[len(here) // 2 :]


def usual_of(past: pd.DataFrame) -> pd.DataFrame:
    """A sample of what is printed: every n-th print, in the order of garment, base and screen."""
    past = past.sort_values(["substrate_id", *UNDERBASE, *SCREEN], kind="stable")
    n = min(USUAL_SETUPS, len(past))
    rows = past.iloc[((np.arange(n) + 0.5) * len(past) / n).astype(int)]
    return rows.reset_index(drop=True).assign(printed_on=past["printed_on"].max())


def _choice(
    past: pd.DataFrame,
    ink: str,
    garments: list[str] | None,
    meshes: list[str] | None,
    settings: Mapping[str, Any],
) -> pd.DataFrame:
    """Prints that could be pulled: garment x base or none x screen, at the usual settings."""
    on = _mostly(past, ["substrate_id"], GARMENTS)
    if garments:
        on = pd.DataFrame({"substrate_id": list(dict.fromkeys(garments))})
    screens = _mostly(past, SCREEN, SCREENS)
    if meshes:
        often = past[past["mesh_id"].isin(meshes)]
        rest = [m for m in dict.fromkeys(meshes) if m not in set(often["mesh_id"])]
        single = pd.DataFrame({"mesh_id": rest, "strokes": 1.0, "flash_count": 0.0})
        screens = pd.concat([_mostly(often, SCREEN, SCREENS), single]).reset_index(drop=True)
    bases = _mostly(past, UNDERBASE, BASES)
    grid = on.merge(screens, how="cross").merge(bases, how="cross")
    usual = usual_setup(past, list(on["substrate_id"]))
    kept = {c: v for c, v in usual.items() if c not in (*SCREEN, *UNDERBASE)} | dict(settings)
    grid = grid.assign(**kept, ink_id=ink, readings=3.0)
    return grid.reindex(columns=SETUP_COLUMNS)


def _mostly(past: pd.DataFrame, columns: list[str], most: int) -> pd.DataFrame:
    """The most frequent values of ``columns`` together, down to `MOSTLY` of the prints."""
    counts = past[columns].value_counts(dropna=False)
    share = counts.to_numpy() / max(1, counts.sum())
    n = int((np.cumsum(share) - share < MOSTLY).sum())
    frame = counts.index[: min(n, most)].to_frame(index=False)
    return frame.astype({c: object for c in columns if c.endswith("_id")}).where(
        frame.notna(), None
    )


def _greedy(
    model: PrintModel, choice: pd.DataFrame, usual: pd.DataFrame, most: int
) -> tuple[list[int], list[Sureness], Array]:
    """Positions in ``choice`` of the prints to pull; how sure the usual set-ups are before the
    first and after each; and by how much each by itself narrows ``within_dE00``, (most,). Of those
    that leave the least mean error the one is pulled after which this, which is told, is least.

    By itself: under the spread factors that hold after it. An ink printed once is judged more
    carefully than one never printed, and what the print tells must not be set against that.
    """
    both = pd.concat([choice, usual], ignore_index=True)
    n = len(choice)
    # prints through one screen are pulled in one go; every usual set-up is a job to come
    screen = np.concatenate([pd.factorize(choice["mesh_id"])[0], np.full(len(usual), -1)])
    prospect = Prospect.of(model, both, screen)
    known = prospect.printed  # which any of them makes it
    metric = local_metric(known.mean[n:])
    at = np.arange(n, n + len(usual))

    def sureness(known: Belief, spread: Array) -> Sureness:
        covariance = known.own(at) + known.scatter[at]
        return _sureness(known.mean[at], covariance * (spread**2)[:, None, None], model)

    spread = model.spread(usual)
    pulled: list[int] = []
    sure, gain = [sureness(prospect.now, spread)], np.empty(most)
    for k in range(most):
        errors = errors_after(known, np.arange(n), at, metric, spread)
        after: list[tuple[float, int, Sureness, Belief, Array]] = []
        nearest = np.argsort(errors, kind="stable")[:NEAREST].tolist()
        spreads = model.spreads(usual, [choice.iloc[[*pulled, one]] for one in nearest])
        for one, then in zip(nearest, spreads, strict=True):
            left = known.after(one, known.mean[one])
            found = sureness(left, then)
            after.append((found.within_dE00, one, found, left, then))
        _, best, found, left, spread = min(after, key=lambda one: one[:2])
        pulled.append(best)
        without = sureness(known, spread)
        known = left
        sure.append(found)
        gain[k] = without.within_dE00 - sure[-1].within_dE00
    return pulled, sure, gain


def errors_after(
    known: Belief, tests: NDArray[np.intp], usual: NDArray[np.intp], metric: Array, spread: Array
) -> Array:
    """Mean error (root mean square dE00) of the ``usual`` set-ups after each of ``tests``, (t,).

    ``tests`` and ``usual`` are positions in ``known``; ``metric`` (m, 3, 3) and ``spread`` (m,)
    belong to ``usual``.
    """
    own = known.own(usual) + known.scatter[usual]
    before = np.einsum("mij,mij->m", metric, own)
    seen = known.unknown[usual[:, None], :, tests, :]  # (m, t, 3, 3)
    total = known.own(tests) + known.scatter[tests]
    gain = seen @ np.linalg.inv(total)
    removed = np.einsum("mtil,mtjl,mij->mt", gain, seen, metric, optimize=True)
    left = np.maximum(before[:, None] - removed, 0.0)
    return (spread[:, None] * np.sqrt(left)).mean(axis=0)


def _sureness(mean: Array, covariance: Array, model: PrintModel) -> Sureness:
    """Of set-ups predicted as N(mean (m, 3), covariance (m, 3, 3))."""
    dE = from_mean(mean, covariance, drawn_errors(DRAWS, 3, seed=3))
    p = within(dE, model.settings_.tolerance_dE00)
    go = ~ask_for_test(p, model.settings_)  # the prediction is the target: it cannot miss
    return Sureness(float(np.quantile(dE, 0.9)), float(go.mean()))
