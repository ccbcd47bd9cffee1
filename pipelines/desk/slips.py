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


class Slips(UserError):
    """All that is wrong with a form: ``each`` as what the form calls its field, and a sentence."""

    lines = True

    def __init__(self, found: list[UserError]) -> None:
        told = dict.fromkeys(one for error in found for one in _each(error))
        self.each = list(told)[:SHOWN]
        self.perhaps = [meant for error in found for meant in _meant(error)]
        super().__init__("\n".join(said for _, said in self.each), found[0].kind)


def _meant(error: UserError) -> list[Meant]:
    if isinstance(error, Slips):
        return error.perhaps
    return [error] if isinstance(error, Meant) else []


class Gathering:
    """What is wrong in each of several ``with`` blocks, to be told at once.

    >>> found = Gathering()
    >>> with found:
    ...     raise Slip("Strokes: none.", Kind.MISSING, "Strokes")
    >>> with found:
    ...     raise Slip("Target: no colour.", Kind.UNREADABLE, "Target")
    >>> found.tell()
    Traceback (most recent call last):
    pipelines.desk.slips.Slips: Strokes: none.
    Target: no colour.
    """

    def __init__(self) -> None:
        self.found: list[UserError] = []

    def __enter__(self) -> None:
        pass

    def __exit__(self, _kind: object, error: BaseException | None, _trace: object) -> bool:
        if isinstance(error, Slips | Slip | InputProblems):
            self.found.append(error)
            return True
        return False

    def tell(self) -> None:
        """Raises Slips where anything was wrong."""
        if self.found:
            raise Slips(self.found)


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
    for i, (one, _) in enumerate(_each(error)):
        if one in fields:
            found.setdefault(fields[one], []).append(i)
    return found


def _each(error: UserError) -> list[tuple[str, str]]:
    """What the form calls a field with a mistake, and the sentence; "" for none of its fields."""
    if isinstance(error, Slips):
        return error.each
    if isinstance(error, InputProblems):  # told by what the form calls it
        return [(problem.file, str(problem)) for problem in error.problems[:SHOWN]]
    return [(error.called if isinstance(error, Slip) else "", str(error))]


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
        text = f"{error.called}: {error.instead}" if error.instead else text
        raise Meant(text, error.kind, error.called, error.text, perhaps) from None


def picked(called: str, text: str, column: str, known: Known, now: Now) -> str:
    """The identifier that ``text`` stands for in ``column`` of a set-up; raises Meant."""
    with by_name(now):
        return resolved(called, text, known, column, [])


def all_picked(called: str, texts: Iterable[str], column: str, known: Known, now: Now) -> list[str]:
    """Identifiers of all ``texts``, each once; raises Slips for those that are not known."""
    found, wrong = list[str](), Gathering()
    for text in texts:
        with wrong:
            found.append(picked(called, text, column, known, now))
    wrong.tell()
    return list(dict.fromkeys(found))


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
