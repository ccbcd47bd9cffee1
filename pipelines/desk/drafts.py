"""What was measured and not kept yet.

A draft is what was read of a file or of typed readings, with what was decided on it since. Looked
at, it is what the ledger would be with it; kept, just that is stored.
"""

from __future__ import annotations

import secrets
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from pipelines.desk.words import words
from pipelines.ledger.incoming import Incoming
from pipelines.ledger.recording import Gate
from pipelines.ledger.state import Addition, Ledger, What, current
from pipelines.tasks.deciding import colour_cells, corrected, decided
from pipelines.tasks.recording import Recording
from pipelines.workspace.problems import Kind, UserError


class Changed(UserError):
    """A form was made from an older state than there is now; nothing was done."""

    def __init__(self) -> None:
        super().__init__(words().measured.changed, Kind.CONTRADICTION)


def _mark() -> str:
    return secrets.token_hex(6)


@dataclass(frozen=True)
class Answer:
    """One decision on prints: kept or set aside, or (``changes``: print -> column -> text)
    corrected; ``lab``: by a colour that was typed in."""

    verb: What
    print_ids: tuple[str, ...]
    reason: str = ""
    changes: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    lab: bool = False

    def made(self, ledger: Ledger, gate: Gate | None) -> Addition | None:
        """What it adds to a ledger."""
        if self.verb != "corrected":
            return decided(ledger, self.verb, list(self.print_ids), self.reason)
        changes = dict(self.changes)
        if self.lab:
            state = current(ledger)
            changes = {one: colour_cells(state, one, cells) for one, cells in changes.items()}
        return corrected(ledger, changes, gate, self.reason, typed=True)


@dataclass(frozen=True)
class Draft:
    """What was read, and the ``answers`` to it."""

    incoming: Incoming
    declared: bool
    notes: tuple[str, ...] = ()  # how it was read
    answers: tuple[Answer, ...] = ()
    mark: str = field(default_factory=_mark)  # another one after every change

    def with_answers(self, answers: tuple[Answer, ...]) -> Draft:
        """The same, decided otherwise."""
        return replace(self, answers=answers, mark=_mark())


@dataclass
class Planned:
    """A draft as a plan for `pipelines.ledger.store.change`."""

    draft: Draft
    gate: Gate | None
    recording: Recording = field(init=False)

    def __post_init__(self) -> None:
        self.recording = Recording(self.draft.incoming, self.gate, self.draft.declared)

    def __call__(self, ledger: Ledger) -> Addition | None:
        """The batch, and what was decided on its prints."""
        addition = self.recording(ledger)
        for answer in self.draft.answers if addition is not None else ():
            assert addition is not None
            after = ledger + ledger.numbered(addition, "", "")
            if (more := answer.made(after, self.gate)) is not None:
                addition = Addition(addition.batch, (*addition.decisions, *more.decisions))
        return addition
