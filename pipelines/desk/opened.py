"""The shop as the page sees it: model and tables stay loaded, and are read again when they change.

Requests come in several threads. Whoever finds that the store or the version in charge is another
reads them anew, once, while the others wait; what a request has in hand never changes under it.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Hashable
from concurrent.futures import Future
from contextlib import suppress
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from threading import Lock, Thread, Timer
from typing import TYPE_CHECKING, Any, NamedTuple, TypeVar

from pipelines.desk.choices import Choices
from pipelines.desk.words import words
from pipelines.ledger import store
from pipelines.ledger.state import Ledger, State, current
from pipelines.registry import versions
from pipelines.registry.archive import archive_of
from pipelines.registry.opened import Opened, open_model
from pipelines.tables.dates import last_day
from pipelines.tables.folder import Given
from pipelines.tasks.usual import Usual
from pipelines.workspace.folders import Workspace
from pipelines.workspace.problems import Kind, UserError

if TYPE_CHECKING:
    from learn.monitoring.status import Glance

T = TypeVar("T")
# New inks that whoever opens a page waits for, a second or less; more are told to the model behind
# it, once the page is there, and can be asked about a little later.
MOST_NEW, LATER_S = 50, 2.0
MOST_WORKS = 500  # kept at a time; what was asked for longest ago goes first


class Late(NamedTuple):
    """What takes seconds: there, not there yet, or not to be had and why."""

    found: Any
    pending: bool
    trouble: str


@dataclass(frozen=True)
class Now:
    """One state of a shop: its tables, and its model where there is one that can be read."""

    workspace: Workspace
    shop: str
    ledger: Ledger
    state: State
    model: Opened | None
    no_model: UserError | None  # why there is none
    _works: OrderedDict[Hashable, Future] = field(default_factory=OrderedDict)
    _lock: Lock = field(default_factory=Lock)

    @property
    def given(self) -> Given:
        """The shop's tables as they are given."""
        return self.state.given

    @property
    def unreadable(self) -> bool:
        """Whether something was learnt that cannot be read now."""
        return self.no_model is not None and self.no_model.kind != Kind.MISSING

    @property
    def opened(self) -> Opened:
        """The model; raises UserError where there is none."""
        if self.model is None:
            assert self.no_model is not None
            raise self.no_model
        return self.model

    @cached_property
    def usual(self) -> Usual:
        """How the shop usually prints, and its tables, typed."""
        return Usual(self.given)

    @cached_property
    def choices(self) -> Choices:
        """What can be picked by name; raises UserError where there is no model."""
        return Choices.of(self.opened, self.usual.shop.prints)

    def glance(self) -> Glance:
        """What drifts as of today; raises Unusable where none of the prints learnt from is left."""
        from learn.monitoring.status import glance

        until = last_day()
        return self.once(
            ("glance", until), lambda: glance(self.opened.learnt, self.usual.shop, until)
        )

    def once(self, key: Hashable, work: Callable[[], T]) -> T:
        """What ``work`` gives, done once in this state of the shop; others who want it wait."""
        return self._begun(key, work, lambda run: run()).result()

    def later(self, key: Hashable, work: Callable[[], T]) -> Future[T]:
        """The same, begun at once and not waited for: what takes seconds."""
        return self._begun(key, work, lambda run: Thread(target=run, daemon=True).start())

    def late(self, key: Hashable, work: Callable[[], T]) -> Late:
        """The same as far as it has come: begun by the first who asks, told to the next."""
        begun = self.later(key, work)
        if not begun.done():
            return Late(None, True, "")
        try:
            return Late(begun.result(), False, "")
        except UserError as error:
            return Late(None, False, str(error))

    def _begun(
        self, key: Hashable, work: Callable[[], T], how: Callable[[Callable[[], None]], None]
    ) -> Future[T]:
        with self._lock:
            found, mine = self._works.get(key), key not in self._works
            if found is None:
                found = self._works[key] = Future()
            self._works.move_to_end(key)
            while len(self._works) > MOST_WORKS:
                self._works.popitem(last=False)  # whoever waits for it holds it

        def run() -> None:
            try:
                found.set_result(work())
            except BaseException as error:  # noqa: BLE001  whoever asks for the result gets it
                found.set_exception(error)

        if mine:
            how(run)
        return found


class Desk:
    """What the page stands on: a workspace, and the shop it was opened for, if there is one yet."""

    def __init__(self, workspace: Workspace, shop: str | None) -> None:
        self.workspace, self._shop = workspace, shop
        self._lock = Lock()
        self._now: Now | None = None
        self._mark: Hashable = None

    @property
    def shop(self) -> str:
        """The shop's name; raises UserError where there is none, or several and none was named."""
        return self.workspace.pick(self._shop)

    def turn_to(self, shop: str) -> None:
        """Stand on this shop from now on."""
        self._shop = shop

    def now(self) -> Now:
        """The shop as it is; raises UserError where its tables cannot be read."""
        shop = self.shop
        with self._lock:
            mark = (shop, *_marks(self.workspace, shop))
            if self._now is None or mark != self._mark:
                self._now = now = self._read(shop)
                self._mark = mark  # taken before: what changes meanwhile is read next time
                if now.model is not None and now.model.coming:
                    behind = Timer(LATER_S, self._tell_all, (now,))
                    behind.daemon = True
                    behind.start()
            return self._now

    def _read(self, shop: str) -> Now:
        source = self.workspace.database(shop)
        ledger = store.read_ledger(source)
        if not ledger.batches:
            raise UserError(f"{shop} holds no tables; run strikeoff import first.", Kind.MISSING)
        state, model, why = current(ledger), None, None
        try:
            model = open_model(self.workspace, shop, most_new=MOST_NEW, given=state.given)
        except UserError as error:
            learnt = archive_of(self.workspace, shop).names()
            why = error if learnt else UserError(words().trouble.no_model, Kind.MISSING)
        return Now(self.workspace, shop, ledger, state, model, why)

    def _tell_all(self, now: Now) -> None:
        """Tell the model of the inks that are ``coming``; the next request finds them."""
        with suppress(UserError):  # what is wrong the next request that reads the shop is told
            model = open_model(now.workspace, now.shop, given=now.given)
            told = Now(now.workspace, now.shop, now.ledger, now.state, model, None)
            with self._lock:
                if self._now is now:
                    self._now = told


def _marks(workspace: Workspace, shop: str) -> tuple[Hashable, ...]:
    """What is different once the store or the version in charge is, quick to find."""
    source = workspace.database(shop)
    if isinstance(source, Path):
        found = source.stat()
        stamp: Hashable = (found.st_mtime_ns, found.st_size, found.st_ino)
    else:
        stamp = store.stamp(source)
    try:
        return stamp, versions.in_charge(archive_of(workspace, shop))
    except UserError as error:  # told by whoever opens it
        return stamp, str(error)
