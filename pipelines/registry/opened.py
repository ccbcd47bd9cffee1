"""A shop's model, opened: ready to predict, with what its set-ups may name.

It answers by all that is in the tables: what was recorded since it learnt is learnt in passing,
where something is predicted, and stored by ``learn`` alone. A new lot that prints otherwise is
known from its first prints on.
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass, replace
from functools import cached_property, partial
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from learn.predict.causes import ENDS
from pipelines.measured.target import with_chips
from pipelines.registry import versions
from pipelines.registry.archive import Archive, archive_of
from pipelines.registry.catalogue import OF_VERDICT, Catalogue
from pipelines.registry.sealed import AGAIN
from pipelines.registry.unlearnt import NONE, Unlearnt, once_learnt, same_colours, unlearnt
from pipelines.registry.versions import StoredModel
from pipelines.registry.waiting import prints_waiting, waiting_in
from pipelines.tables.folder import Given, targets_of, to_shop
from pipelines.tables.names import Names
from pipelines.tables.schema import PREDICTION_COLUMNS
from pipelines.tables.targets import Targets, none_named
from pipelines.words.common import counted
from pipelines.words.verdict import reason, test_print
from pipelines.workspace.folders import Workspace
from pipelines.workspace.problems import Kind, UserError

if TYPE_CHECKING:
    from learn.monitoring.waiting import Waiting
    from learn.predict.model import ShiftModel
    from learn.shop import Shop


@dataclass(frozen=True)
class Opened:
    """A shop's current model, ready to predict, with what its set-ups may name."""

    learnt: ShiftModel  # as it is stored, told of what the tables name
    version: str
    validation: dict
    catalogue: Catalogue
    notes: list[str]
    rows_of_targets: Callable[[], pd.DataFrame] = none_named
    coming: int = 0  # new inks that it has not been told of yet
    since: Unlearnt = NONE  # what the tables hold that it has not learnt
    recorded: Callable[[], ShiftModel] | None = None  # with the prints of these, where there are
    waiting: Callable[[ShiftModel], list[Waiting]] | None = None  # where prints wait

    @cached_property
    def model(self) -> ShiftModel:
        """What answers: it has learnt what was recorded since, too, which takes seconds, and is
        sure of nothing that is :attr:`in_doubt`."""
        off = {one.level: one.apart for one in self.in_doubt}
        return self.counted.waiting_for(off) if off else self.counted

    @cached_property
    def in_doubt(self) -> list[Waiting]:
        """What prints that wait for a decision leave in doubt."""
        return [] if self.waiting is None else self.waiting(self.counted)

    @cached_property
    def counted(self) -> ShiftModel:
        """The model with what was recorded since it learnt: what is expected of prints that come
        in, or wait."""
        return self.learnt if self.recorded is None else self.recorded()

    @property
    def by(self) -> str:
        """What answers, as it is called: its version, and how the tables differ from it."""
        n = len(self.since.new) if self.recorded is not None else 0
        more = f" with {counted(n, 'print')} recorded since" if n else ""
        behind = f", learnt before {self.since.contrary} changed" if self.since.contrary else ""
        return f"{self.version}{more}{behind}"

    @cached_property
    def targets(self) -> Targets:
        """Reads the targets of jobs, under the viewing condition of the model."""
        return Targets(self.model.viewing_, self.rows_of_targets)

    def targets_beside(self, file: Path, chips: list[Path] | None = None) -> Targets:
        """The same, with chips measured in files that are named as seen from ``file``; those that
        are read join ``chips``."""
        return with_chips(self.targets, self.catalogue.settings, file.parent, chips)

    @cached_property
    def known(self) -> dict[str, Names]:
        """What set-ups may name."""
        return self.catalogue.names()

    def predict(self, setups: pd.DataFrame) -> pd.DataFrame:
        """The Predictions table, one row a set-up in the order given, and the ends of each band."""
        return self._told(setups, self.model.predict(setups))

    def predict_jobs(self, setups: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
        """The same, and the verdict on every job (`learn.predict.jobs.judge_jobs`)."""
        from learn.predict.jobs import judge_jobs  # a single set-up does not need it

        found = self.model.predict(setups)
        return self._told(setups, found), judge_jobs(self.model, setups, found)

    def _new_lots(self, setups: pd.DataFrame) -> list[str]:
        """The lot that each set-up names, of an ink that was printed, where nothing is known of it;
        else nothing."""
        model, lots = self.model, setups.reindex(columns=["ink_id", "ink_lot"])
        return [
            ""
            if pd.isna(lot) or model.knows_lot(ink, lot) or not model.prints_of(ink)
            else str(lot)
            for ink, lot in lots.itertuples(index=False)
        ]

    def _told(self, setups: pd.DataFrame, found: pd.DataFrame) -> pd.DataFrame:
        called = self.catalogue.things()
        garments = [called["garment"].get(garment) for garment in setups["substrate_id"]]
        told = [
            {**row, "colour_name": garment, "new_lot": lot}
            for row, garment, lot in zip(
                found.to_dict("records"), garments, self._new_lots(setups), strict=True
            )
        ]
        return found.assign(
            test_print=[test_print(row) for row in told],
            reason=[reason(row, called) for row in told],
        )[[*PREDICTION_COLUMNS, *(end + c for end in ENDS for c in "Lab")]]


def counts_now(
    workspace: Workspace, shop_name: str, print_ids: Collection[str], what: str = "it"
) -> str:
    """Whether ``what`` was decided on prints counts in answers already, as a sentence."""
    try:
        opened = open_model(workspace, shop_name)
    except UserError:  # none that answers
        return once_learnt(what)
    return opened.since.waits(print_ids, counted_here=opened.recorded is not None, what=what)


def read_model(kept: Archive, version: str | None = None) -> tuple[StoredModel, ShiftModel]:
    """A stored version of a shop's model, the one in charge unless named, and what it holds.

    Raises UserError when there is none, or it cannot be read by this version; where that is the
    one in charge, the latest that can be read is offered.
    """
    if version is not None:
        return _read(kept, version)
    try:
        return _read(kept, None)
    except UserError as error:
        if error.kind != Kind.DAMAGED:
            raise
        latest = _latest_readable(kept)
        if latest is None:
            raise
        raise UserError(
            f"{error} Or use the latest that can be read: strikeoff models --use {latest}.",
            Kind.DAMAGED,
        ) from error


def _read(kept: Archive, version: str | None) -> tuple[StoredModel, ShiftModel]:
    stored = versions.load(kept, version)
    from learn.predict.model import ShiftModel  # takes seconds to import, and may not be needed

    try:
        return stored, ShiftModel.from_state(stored.arrays, stored.meta)
    except (KeyError, ValueError, TypeError, AttributeError, IndexError) as error:
        raise _unreadable(kept, stored) from error


def _latest_readable(kept: Archive) -> str | None:
    for name in reversed(kept.names()):
        if not versions.is_changed(kept, name):
            with versions.damage_passed_over():
                _read(kept, name)
                return name
    return None


def _unreadable(kept: Archive, stored: StoredModel) -> UserError:
    from learn.predict.serialise import FORM  # imported by then

    form, what = stored.meta.get("form"), "does not hold a model this version can read"
    if isinstance(form, int) and form != FORM:
        which = "an earlier" if form < FORM else "a later"
        what = f"was learnt by {which} version of this program, and this one would not follow it"
    return UserError(f"{kept.where(stored.version)}: {what}; {AGAIN}.", Kind.DAMAGED)


def open_model(
    workspace: Workspace,
    shop_name: str,
    version: str | None = None,
    *,
    most_new: int | None = None,
    given: Given | None = None,
) -> Opened:
    """The model in charge of a shop, under the settings of now; or a version as it was then.

    Either is told of what has come into the tables since it learnt; its files stay as they are.
    More than ``most_new`` inks that have come in, which take a while, are left out. ``given``: the
    tables, where they were read before.

    Raises UserError when there is none, or it is damaged.
    """
    kept = archive_of(workspace, shop_name)
    if version is not None:
        version = version.zfill(4) if version.isdigit() else version
        versions.described(kept, version)  # says which ones there are
    stored, model = read_model(kept, version)
    try:
        catalogue = Catalogue.from_facts(stored.facts["catalogue"])
        validation, database = stored.facts["validation"], stored.facts["database_sha256"]
        counted = not stored.facts.get("waiting", 0)
    except (KeyError, ValueError, TypeError, AttributeError, IndexError) as error:
        raise _unreadable(kept, stored) from error
    notes: list[str] = []
    coming, since, recorded, waiting = 0, NONE, None, None

    def opened() -> Opened:
        return Opened(
            model, stored.version, validation, catalogue, notes,
            lambda: _targets(given or workspace.database(shop_name)),
            coming, since, recorded, waiting,
        )  # fmt: skip

    stamp = versions.database_stamp(workspace.database(shop_name))
    # one of before begins with the server's name; what it did not count is told by the tables
    if not str(database).endswith(stamp) or not counted:
        from pipelines.ledger import (
            store,  # not needed, and slow to import, where nothing has changed
        )

        given = given or store.read(workspace.database(shop_name))
        shop = whole = to_shop(given)
        if most_new is not None:
            shop, coming = _with_few_new(shop, model, most_new)
        now = Catalogue.of(shop, prints_waiting(given))
        model = model.told_of(shop, gone=version is not None)
        if version is not None:
            if any(
                getattr(now.settings, name) != getattr(catalogue.settings, name)
                for name in OF_VERDICT
            ):
                notes.append(
                    f"shop.toml has changed; verdicts are by what held when {version} learnt."
                )
            catalogue = catalogue.joined(now)
            return opened()
        catalogue = catalogue.updated(now)
        model.settings_ = catalogue.settings
        if given.waiting and same_colours(model, shop):
            waiting = partial(waiting_in, given=given)
        if found := unlearnt(model, whole, given.trusted):
            since = found
            tried = versions.refused(kept, stored.version, versions.fingerprint(given))
            # where these very prints, learnt on top, made it worse, it answers without them
            hurt = tried and versions.described(kept, tried)["facts"]["learnt"]["how"] == "append"
            if since.new and same_colours(model, shop) and not hurt:
                from learn.predict.append import with_recorded

                recorded = partial(with_recorded, model, shop, given.trusted)
            notes += since.notes(counted_here=recorded is not None, tried=tried)
    return opened()


def _with_few_new(shop: Shop, model: ShiftModel, most: int) -> tuple[Shop, int]:
    """The shop without the inks that a model does not know, if these are more than ``most``; and
    how many were left out."""
    new = set(shop.inks["ink_id"]) - set(model.encoder_.inks.index)
    if len(new) <= most:
        return shop, 0
    inks, drawdowns, tints, prints = shop.inks, shop.drawdowns, shop.tints, shop.prints
    own = ~prints[["ink_id", "underbase_ink_id"]].isin(new).any(axis=1)
    few = replace(
        shop,
        prints=prints[own].reset_index(drop=True),
        inks=inks[~inks["ink_id"].isin(new)].reset_index(drop=True),
        drawdowns=drawdowns[~drawdowns["ink_id"].isin(new)].reset_index(drop=True),
        tints=tints[~tints[["ink_id", "mixed_with"]].isin(new).any(axis=1)].reset_index(drop=True),
    )
    return few, len(new)


def _targets(source: Given | Path | str) -> pd.DataFrame:
    if not isinstance(source, Given):
        from pipelines.ledger import store  # slow to import, and seldom needed

        source = store.read(source)
    return targets_of(source)[0]
