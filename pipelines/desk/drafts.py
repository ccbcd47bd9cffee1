"""What was measured and not kept yet: held in memory alone until somebody says keep.

A draft is what was read of a file or of typed readings, with what was decided on it since. Looked
at, it is what the ledger would be with it; kept, just that is stored.
"""

from __future__ import annotations

import secrets
from collections import OrderedDict
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from threading import Lock

from pipelines.desk.words import words
from pipelines.ledger.incoming import Incoming
from pipelines.ledger.recording import Gate
from pipelines.ledger.state import Addition, Ledger, What, current
from pipelines.tasks.deciding import colour_cells, corrected, decided
from pipelines.tasks.recording import Recording
from pipelines.workspace.problems import Kind, UserError

MOST = 40  # of all browsers; beyond, the one that was not looked at for longest goes
Aims = dict[str, tuple[str, str]]  # print -> its target and tolerance as text


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
    """What was read, and the ``answers`` to it; ``target`` of all prints, ``aims`` of some."""

    incoming: Incoming
    declared: bool
    target: tuple[str, str] = ("", "")
    aims: Aims = field(default_factory=dict)
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


class Drafts:
    """The drafts of all browsers, each by a name that cannot be guessed."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._kept: OrderedDict[str, Draft] = OrderedDict()

    def put(self, draft: Draft) -> str:
        """Hold a new draft; its name."""
        name = secrets.token_urlsafe(12)
        with self._lock:
            self._kept[name] = draft
            while len(self._kept) > MOST:
                self._kept.popitem(last=False)
        return name

    def get(self, name: str) -> Draft:
        """A draft; raises UserError where there is none, or none any more."""
        with self._lock:
            if name not in self._kept:
                raise UserError(words().measured.gone, Kind.MISSING)
            self._kept.move_to_end(name)
            return self._kept[name]

    def change(self, name: str, draft: Draft, mark: str) -> None:
        """Put ``draft`` in the place of the one of that ``mark``; raises Changed if it is gone."""
        with self._lock:
            if name not in self._kept or self._kept[name].mark != mark:
                raise Changed
            self._kept[name] = draft

    def drop(self, name: str) -> None:
        """Forget a draft."""
        with self._lock:
            self._kept.pop(name, None)
