"""What was typed and is not right, in a sentence by names; and what may be meant, to be tapped."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager

from pipelines.desk.choices import Choice
from pipelines.desk.opened import Now
from pipelines.desk.words import words
from pipelines.tables.folder import known_in
from pipelines.tables.names import Known, NotNamed, resolved
from pipelines.tables.targets import FORMS, NotATarget, Target, Targets
from pipelines.workspace.problems import SHOWN, InputProblems, Kind, UserError


class Slip(UserError):
    """What is wrong with one field, by what the form has it ``called``."""

    def __init__(self, said: str, kind: Kind, called: str) -> None:
        super().__init__(said, kind)
        self.called = called


class Meant(Slip):
    """A name that fits several things, or none; ``perhaps`` one of these was meant by ``text``."""

    def __init__(
        self, said: str, kind: Kind, called: str, text: str, perhaps: list[Choice]
    ) -> None:
        super().__init__(said, kind, called)
        self.text, self.perhaps = text, perhaps


@contextmanager
def of(called: str) -> Iterator[None]:
    """Whatever is wrong in here is so of the field that is ``called`` so."""
    try:
        yield
    except (Slip, InputProblems):  # which say it themselves
        raise
    except UserError as error:
        raise Slip(str(error), error.kind, called) from None


def marks(error: UserError, fields: Mapping[str, str]) -> dict[str, list[int]]:
    """Fields to be marked, and which of the sentences of ``error`` are about each.

    ``fields``: what a form calls its fields -> their names.
    """
    found: dict[str, list[int]] = {}
    called = [error.called] if isinstance(error, Slip) else []
    if isinstance(error, InputProblems):  # told by what the form calls it
        called = [problem.file for problem in error.problems[:SHOWN]]
    for i, one in enumerate(called):
        if one in fields:
            found.setdefault(fields[one], []).append(i)
    return found


@contextmanager
def by_name(now: Now) -> Iterator[None]:
    """Turns what a command would say of a name into what the page says: by names, without files."""
    try:
        yield
    except NotNamed as error:
        perhaps = [_choice(one, now) for one in error.perhaps]
        told = words().slips
        said = told.several if error.kind == Kind.AMBIGUOUS else told.near if perhaps else told.none
        names = [one.name for one in perhaps]
        last = f" {told.last} ".join([", ".join(names[:-1]), names[-1]] if names[1:] else names)
        text = said.format(called=error.called, text=error.text, names=last)
        raise Meant(text, error.kind, error.called, error.text, perhaps) from None


def picked(called: str, text: str, column: str, known: Known, now: Now) -> str:
    """The identifier that ``text`` stands for in ``column`` of a set-up; raises Meant."""
    with by_name(now):
        return resolved(called, text, known, column, [])


def known_of(
    called: str, texts: Iterable[str], column: str, known: Known, now: Now
) -> tuple[list[str], str]:
    """Identifiers of those that are known, and the last of those that are not: what a form shows
    again of names of which one is wrong."""
    found, lost = list[str](), ""
    for text in texts:
        try:
            found.append(picked(called, text, column, known, now))
        except Meant:
            lost = text
    return list(dict.fromkeys(found)), lost


def aim(called: str, text: str, targets: Targets) -> Target:
    """The target that ``text`` means; nothing that a client writes is looked for among files."""
    try:
        return targets.read(text)
    except NotATarget as error:
        do = words().slips.target if FORMS in error.do else error.do
        meant = words().slips.meant.format(name=error.meant) if error.meant else ""
        said = f'{called} "{text}" {error.what}; {do}{meant}.'
        raise Slip(said, Kind.UNREADABLE, called) from None


def _choice(one: str, now: Now) -> Choice:
    if now.model is not None:
        choices = now.choices
        for kind in (choices.inks, choices.garments, choices.bases, choices.screens):
            if one in kind:
                return kind[one]
    known = known_in(now.given.tables)
    label = next((names.label(one) for names in known.values() if one in names), one)
    return Choice(one, label, "")
