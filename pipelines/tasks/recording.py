"""A batch of measured prints on its way into the shop: read, looked at, stored."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from pipelines.workspace.problems import Findings, InputProblems, UserError

if TYPE_CHECKING:
    from pathlib import Path

    from learn.shop import Shop
    from pipelines.ledger.database import Source
    from pipelines.ledger.incoming import Called, Incoming
    from pipelines.ledger.recording import Gate, Report
    from pipelines.ledger.replacing import Difference
    from pipelines.ledger.state import Addition, Ledger, State
    from pipelines.ledger.store import Plan
    from pipelines.tables.folder import Given


def read_batch(
    given: Given,
    path: Path,
    sheet: Path | None,
    condition: str | None,
    *,
    as_declared: bool,
    reflectance: str | None = None,
    called: Called | None = None,
) -> Incoming:
    """What a file, or a folder, holds, and what its prints were meant to be; see
    `pipelines.ledger.incoming.read_incoming`."""
    from dataclasses import replace

    from pipelines.ledger.aims import aims_in
    from pipelines.ledger.incoming import OPTIONS, only_book, read_incoming
    from pipelines.tables.settings import read_settings

    settings = read_settings(given.shop_toml, given.name, Findings())
    book = only_book(path)
    incoming = read_incoming(
        book,
        sheet,
        settings,
        condition,
        as_declared,
        called or OPTIONS,
        reflectance=reflectance,
        given=given,
    )
    said = [] if book == path else [f"{path}: read from the workbook {book.name}."]
    return replace(incoming, aims=aims_in(sheet or book), said=[*said, *incoming.said])


@dataclass
class Recording:
    """What ``incoming`` adds to a ledger: a plan for `pipelines.ledger.store.change`, which may try
    it several times; the fields tell of the last try."""

    incoming: Incoming
    gate: Gate | None
    declared: bool
    replace: int | None = None  # a batch that gives way to it
    report: Report = field(init=False)
    differs: Difference = field(init=False)

    def __post_init__(self) -> None:
        from pipelines.ledger.recording import Report
        from pipelines.ledger.replacing import Difference

        self.report, self.differs = Report(), Difference()

    def __call__(self, ledger: Ledger) -> Addition | None:
        """The addition; see `pipelines.ledger.recording.plan` and `replacing.plan_replacement`."""
        from pipelines.ledger.recording import plan
        from pipelines.ledger.replacing import plan_replacement

        told = {"declared": self.declared}
        if self.replace is None:
            addition, self.report = plan(ledger, self.incoming, self.gate, **told)
        else:
            addition, self.report, self.differs = plan_replacement(
                ledger, self.replace, self.incoming, self.gate, **told
            )
        return addition

    def stored(self, source: Source, *, dry_run: bool = False) -> int | None:
        """Store it, unless dry; its batch, None where none was stored."""
        try:
            return stored(source, self, dry_run)
        except InputProblems as error:
            error.notes = [*self.incoming.said, *error.notes]
            if self.replace is None or error.problems[0].file == self.incoming.file:
                raise
            first = error.problems[0]
            raise UserError(
                f"Batch {self.replace} cannot be replaced by {self.incoming.file}: then "
                f"{first.file} has {first.reason}; keep in it what later batches need; nothing "
                "was changed."
            ) from None


def stored(source: Source, planned: Plan, dry_run: bool) -> int | None:
    """Store a plan, unless dry: then what it leads to is checked alone. The number of its batch,
    None where none was stored."""
    from pipelines.ledger import store

    if dry_run:
        usable(store.read_ledger(source), planned)
        return None
    done = store.change(source, planned)
    return done.batch.id if done and done.batch else None


def usable(ledger: Ledger, planned: Plan) -> tuple[State, Shop]:
    """What would hold then; raises UserError where that is no shop that can be used."""
    from pipelines.ledger.state import current
    from pipelines.tables.folder import to_shop

    addition = planned(ledger)
    if addition is not None:
        ledger += ledger.numbered(addition, "", "")
    state = current(ledger)
    return state, to_shop(state.given)
