"""The model in charge looks at prints that come in; what it finds is said in words."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd

from learn.shop import jobs_of
from pipelines.ledger.recording import Doubt, Gate
from pipelines.registry.archive import archive_of
from pipelines.registry.catalogue import Catalogue
from pipelines.registry.opened import Opened, open_model
from pipelines.registry.waiting import prints_waiting
from pipelines.tables.bases import usual_bases
from pipelines.tables.folder import Given, check_added, to_shop
from pipelines.tables.settings import read_settings
from pipelines.tables.spectra import SPECTRUM
from pipelines.words.common import Names, named
from pipelines.workspace.folders import Workspace
from pipelines.workspace.problems import Findings, Kind, UserError

if TYPE_CHECKING:
    from learn.monitoring.inspection import Arrival


def gate_of(workspace: Workspace, shop: str, notes: list[str]) -> Gate | None:
    """The check by the model in charge; None, and a note, where nothing has been learnt yet.

    Raises UserError where the model in charge cannot be read: what came in past it would be
    learnt from before any model had looked at it.
    """
    kept = archive_of(workspace, shop)
    if not kept.names():
        notes.append("Not checked against a model: none has been learnt yet.")
        return None
    try:
        opened = open_model(workspace, shop)
    except UserError as error:
        if error.kind != Kind.DAMAGED:
            raise
        raise UserError(
            f"{kept.where()}: the model in charge, against which prints are checked, cannot be "
            "read by this version; run strikeoff learn first, then this again; nothing was changed."
        ) from error
    gate = gate_by(opened)
    if gate is None:
        notes.append("Not checked against a model: the one in charge has learnt from no print.")
    return gate


def gate_by(opened: Opened) -> Gate | None:
    """The check by a model and what was recorded since it learnt; None by one that has learnt from
    no print: what it expects rests on cards and theory alone."""
    if not opened.learnt.marks_["prints"]:
        return None
    model = opened.counted
    from learn.monitoring import inspection  # takes seconds to import, as does the model
    from learn.physics.drawdowns import lab_columns
    from learn.predict.protocol import PrintModel

    def gate(prints: pd.DataFrame, lab: np.ndarray, typed: np.ndarray, given: Given) -> list[Doubt]:
        told = model.told_of(to_shop(given))  # of what comes with them, too
        bases, inks = usual_bases(given.tables["prints"]), _ink_names(given)
        earlier = prints_waiting(given) if isinstance(model, PrintModel) else None
        waiting = None if earlier is None else (earlier, lab_columns(earlier, model.viewing_))
        found = inspection.inspect_arrivals(
            told, prints, lab, typed=typed, bases=bases, waiting=waiting
        )
        return [
            Doubt(str(prints["print_id"].iloc[i]), _words(found, i, prints.iloc[i], inks),
                  float(found.distance[i]))
            for i in np.flatnonzero(found.doubtful).tolist()
        ]  # fmt: skip

    return gate


def _ink_names(given: Given) -> Names:
    """Ink -> what the shop calls it."""
    cells = given.tables["inks"].reindex(columns=["ink_id", "ink_name"]).fillna("")
    return dict(cells.map(str.strip).itertuples(index=False))


def _words(found: Arrival, i: int, setup: pd.Series, inks: Names) -> str:
    """``12.0 dE00 from expected; looks like ink Navy (C17) instead of Turquoise (C19): was it
    swapped?``"""
    said = f"{found.dE00[i]:.1f} dE00 from expected"
    expected = ", ".join(f"{v:.0f}" for v in found.expected[i])
    slip = found.slips[i]
    if slip is None:
        return f"{said} (L, a, b {expected})"
    one, either = slip.names[0], " or ".join(slip.names)

    def ink(code: str) -> str:
        return named(code, inks.get(code))

    match slip.kind:
        case "ink":
            either = " or ".join(map(ink, slip.names))
            guess = f"ink {either} instead of {ink(setup['ink_id'])}: was it swapped?"
        case "base" if one:
            guess = f"a print over base {ink(one)}: is the base missing from the row?"
        case "base":
            guess = f"a print without base {ink(setup['underbase_ink_id'])}: was it left out?"
        case "print":
            guess = f"print {either} of the same batch: were they mixed up?"
        case _:
            guess = f"{one}: was it typed so?"
    return f"{said}; looks like {guess}"


class Seen(NamedTuple):
    """A print beside what the model in charge expects of it; NaN where that is not known."""

    setup: dict
    lab: np.ndarray  # (3,) measured
    expected: np.ndarray  # (3,)
    dE00: float
    fills: tuple[str, str]  # both as a screen shows them; empty where not known
    guess: str  # the likely slip, in words; empty where none stands out


def look_at(workspace: Workspace, shop: str, given: Given, rows: list[int]) -> dict[int, Seen]:
    """Prints that were set aside, by row, held against the model in charge and what was recorded
    since it learnt. Mix-ups are looked for among the prints of one job.

    Raises UserError where there is no model, or it is damaged.
    """
    from learn.colour.colorimetry import srgb_hex, viewing
    from learn.monitoring import inspection
    from learn.physics.drawdowns import lab_columns

    model = open_model(workspace, shop, given=given).counted
    cells = given.tables["prints"]
    typed, _ = check_added(given, cells)
    typed = Catalogue.of(to_shop(given)).describe(typed.set_axis(cells.index))
    settings = read_settings(given.shop_toml, given.name, Findings())
    view = viewing(settings.illuminant, settings.observer)
    lab, bases = lab_columns(typed, view), usual_bases(cells)
    by_hand = typed[SPECTRUM].isna().any(axis=1).to_numpy()
    job = jobs_of(typed["job_id"]).to_numpy()
    place = {row: i for i, row in enumerate(typed.index)}
    seen, inks = {}, _ink_names(given)
    for name in dict.fromkeys(job[place[row]] for row in rows):
        at = np.flatnonzero(job == name)
        prints = typed.iloc[at]
        found = inspection.inspect_arrivals(model, prints, lab[at], typed=by_hand[at], bases=bases)
        for row in set(rows) & set(prints.index):
            i = int(np.flatnonzero(prints.index == row)[0])
            said = _words(found, i, prints.iloc[i], inks) if found.slips[i] else ""
            both = lab[at[i]], found.expected[i]
            one, other = (str(srgb_hex(v, view)) if np.isfinite(v).all() else "" for v in both)
            setup, guess = prints.iloc[i].to_dict(), said.partition("; ")[2]
            seen[row] = Seen(setup, *both, float(found.dE00[i]), (one, other), guess)
    return seen
