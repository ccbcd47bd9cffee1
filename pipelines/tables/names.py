"""Names instead of identifiers: what a shop calls its inks, garments and screens.

An identifier as it stands is never read as anything else. Then come, each only where the ones
before find nothing: the identifier in other letters (``c08``, ``M 43 80``), a whole name or alias,
its words in any order, some of its words, the beginnings of its words. What fits two things alike
is never chosen between. Case, accents, umlauts (``ö``, ``oe`` or ``o``), blanks, hyphens and
underscores do not count. Numbers are only ever taken whole.
"""

from __future__ import annotations

import difflib
import math
import re
import unicodedata
from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import TYPE_CHECKING

from pipelines.tables.elsewhere import of_another_kind, where_listed
from pipelines.tables.schema import SETUPS, Table
from pipelines.words.common import named
from pipelines.workspace.problems import Kind, Problem, UserError

if TYPE_CHECKING:
    import pandas as pd

# Columns that say in words what an identifier stands for.
WORDS = {
    "inks": ["ink_name", "role", "aliases"],
    "substrates": ["colour_name", "fibre", "kind", "aliases"],
    "meshes": ["threads_per_cm", "thread_um", "aliases"],
    "presses": ["press_name", "aliases"],
}
LISTED = "listed"  # marks a press of the table, where others are named by prints alone
Words = dict[str, dict[str, dict[str, str | None]]]  # table -> id -> column -> text
NO_CARD = "name the garment that is printed on (drawdowns.csv holds what is drawn down on a card)"
INK, BASE_INK, GARMENT, CARD, MESH, PRESS = "ink", "base ink", "garment", "card", "mesh", "press"
SHIRT = frozenset({"tee", "tees", "shirt", "shirts", "t", "tshirt", "garment"})  # any garment
TOLD = 6  # things that a name may stand for
MOST_WORDS = 8  # more are no name of anything
_NEVER = 9  # the rank of what does not fit

_GERMAN = str.maketrans({"ä": "ae", "ö": "oe", "ü": "ue", "ø": "oe", "å": "aa"})
_PLAIN = str.maketrans({"ø": "o", "æ": "ae", "œ": "oe", "ł": "l", "đ": "d"})


Word = tuple[str, str]  # without its umlauts, and with them written out


@dataclass(frozen=True)
class Phrase:
    """A text as it is compared: its words."""

    words: tuple[Word, ...]

    @classmethod
    @lru_cache(maxsize=4096)  # a shop's names are asked for whenever its tables are
    def of(cls, text: str) -> Phrase:
        """The words of a text."""
        folded = unicodedata.normalize("NFC", text).casefold()
        return cls(tuple(zip(_split(folded), _split(folded.translate(_GERMAN)), strict=True)))

    @cached_property
    def joined(self) -> frozenset[str]:
        """All words as one, in both spellings: blanks and hyphens do not count, but between two
        numbers, which stay apart."""
        return frozenset(_joined(spelling) for spelling in zip(*self.words, strict=True))

    @property
    def spoken(self) -> bool:
        """Whether it holds a word proper; a number alone has to be the whole name."""
        return any(plain.isalpha() and len(plain) > 1 for plain, _ in self.words)

    def same_words(self, other: Phrase) -> bool:
        return len(self.words) == len(other.words) and self.among(other)

    def among(self, other: Phrase) -> bool:
        """Whether every word stands in the other, each in a place of its own."""
        return _placed(self.words, other.words, _same)

    def begins(self, other: Phrase) -> bool:
        """Whether every word begins one of the other's, each in a place of its own."""
        return _placed(self.words, other.words, _begins)


def _joined(words: tuple[str, ...]) -> str:
    """
    >>> _joined(("m", "120", "34")), _joined(("c", "08"))
    ('m120-34', 'c08')
    """
    return re.sub(r"(?<=[0-9]) (?=[0-9])", "-", " ".join(words)).replace(" ", "")


def _alike(one: str, other: str) -> float:
    return difflib.SequenceMatcher(None, one, other).ratio()


def _split(folded: str) -> list[str]:
    stripped = unicodedata.normalize("NFKD", folded.translate(_PLAIN))
    return re.findall(r"[^\W_]+", "".join(c for c in stripped if not unicodedata.combining(c)))


def _same(one: Word, other: Word) -> bool:
    return not set(one).isdisjoint(other)


def _begins(one: Word, other: Word) -> bool:
    if one[0].isalpha():
        return any(word.startswith(one) for word in other)
    return _same(one, other)


def _placed(
    words: tuple[Word, ...], places: tuple[Word, ...], fits: Callable[[Word, Word], bool]
) -> bool:
    """Whether all words can be put into places at once; few are tried one after the other."""
    if len(words) > len(places) or len(words) > MOST_WORDS:
        return False
    return not words or any(
        fits(words[0], place) and _placed(words[1:], places[:i] + places[i + 1 :], fits)
        for i, place in enumerate(places)
    )


@dataclass(frozen=True)
class Entry:
    """One thing: its identifier, what it is, what it is called, what else describes it."""

    id: str
    noun: str
    names: tuple[str, ...] = ()
    further: str = ""  # the fibre

    @property
    def called(self) -> str:
        """``Bright red (C08)``"""
        return self.id if self.noun == MESH else named(self.id, *self.names[:1])

    @property
    def label(self) -> str:
        """``C08 Bright red``, as it can be typed."""
        return self.id if self.noun == MESH else " ".join([self.id, *self.names[:1]])


_NEGATIVE = re.compile(r"[-\u2212]\s*\d.*")


class Names:
    """What the things of one table are called.

    Not ``complete``: there are others besides; then only another spelling stands for one of these.

    Examples
    --------
    >>> shelf = Names([Entry("C08", "ink", ("Bright red",)), Entry("C10", "ink", ("Deep red",))])
    >>> shelf.find("bright RED"), shelf.find("dee"), shelf.find("red"), shelf.find("c8")
    (['C08'], ['C10'], ['C08', 'C10'], [])
    >>> shelf.closest("Brigth Red")
    'C08 Bright red'
    """

    def __init__(self, entries: Collection[Entry], *, complete: bool = True) -> None:
        self.complete = complete
        self.entries = {entry.id: entry for entry in entries}
        self._phrases = {
            e.id: (Phrase.of(e.id), [Phrase.of(n) for n in e.names], Phrase.of(e.further))
            for e in entries
        }

    def __contains__(self, one: object) -> bool:
        return one in self.entries

    def __iter__(self) -> Iterator[str]:
        return iter(self.entries)

    def __len__(self) -> int:
        return len(self.entries)

    def called(self, one: str) -> str:
        """``Bright red (C08)``; the identifier alone where it has no name, or is not known."""
        return self.entries[one].called if one in self.entries else one

    def label(self, one: str) -> str:
        """``C08 Bright red``, as it can be typed; the identifier alone where it has no name, or is
        not known."""
        return self.entries[one].label if one in self.entries else one

    def noun(self, one: str) -> str:
        return self.entries[one].noun

    def find(self, text: str, nouns: Collection[str] | None = None) -> list[str]:
        """The identifiers that ``text`` fits best, among things of these nouns (all of them).

        One is the answer, several cannot be told apart, none is none.
        """
        text = text.strip()
        if text in self.entries:
            return [text]
        if _NEGATIVE.fullmatch(text):  # a hyphen does not count, and no screen has -43 threads
            return []
        among = [e for e in self.entries.values() if nouns is None or e.noun in nouns]
        asked = Phrase.of(text)
        found = self._best(asked, among, loosely=self.complete)
        if not found:  # "black tee" where the garment is called Black
            bare = Phrase(tuple(word for word in asked.words if word[0] not in SHIRT))
            found = self._best(bare, [e for e in among if e.noun == GARMENT], loosely=False)
        return found

    def closest(self, text: str, nouns: Collection[str] | None = None) -> str | None:
        """What may have been meant, by identifier and name; None where nothing is near."""
        near = self.nearest(text, nouns)
        return None if near is None else self.label(near)

    def nearest(self, text: str, nouns: Collection[str] | None = None) -> str | None:
        """The identifier of what may have been meant; None where nothing is near."""
        near: list[tuple[float, str]] = []
        asked = text.casefold().split()
        bare = [word for word in asked if word not in SHIRT] or asked
        for entry in self.entries.values():
            if nouns is None or entry.noun in nouns:
                words = bare if entry.noun == GARMENT else asked
                for name in (entry.id, *entry.names):
                    whole = _alike(name.casefold(), " ".join(words))
                    first = " ".join(name.casefold().split()[: len(words)])
                    # a beginning is less than a whole name
                    near.append((max(whole, 0.95 * _alike(first, " ".join(words))), entry.id))
        ratio, one = max(near, default=(0.0, ""), key=lambda pair: pair[0])
        return one if ratio >= 0.6 else None

    def _best(self, asked: Phrase, among: list[Entry], *, loosely: bool) -> list[str]:
        if not asked.words:
            return []
        ranks = {e.id: self._rank(asked, e.id, loosely=loosely) for e in among}
        best = min(ranks.values(), default=_NEVER)
        return [] if best == _NEVER else [one for one, rank in ranks.items() if rank == best]

    def _rank(self, asked: Phrase, one: str, *, loosely: bool) -> int:
        own, names, further = self._phrases[one]
        if asked.joined & own.joined:
            return 1
        if any(asked.joined & name.joined for name in names):
            return 2
        if names and asked.joined & Phrase(own.words + names[0].words).joined:
            return 2  # as it is told: "C08 Bright red"
        if not asked.spoken:
            return _NEVER
        described = [own, *names, *(Phrase(n.words + further.words) for n in names[:1])]
        if any(asked.same_words(phrase) for phrase in described):
            return 3
        if loosely and any(asked.among(phrase) for phrase in described):
            return 4
        if loosely and any(asked.begins(phrase) for phrase in described[1:]):
            return 5
        return _NEVER


Known = Mapping[str, Names]  # table -> what its things are called


def words_of(table: str, frame: pd.DataFrame, key: str) -> dict[str, dict[str, str | None]]:
    """The columns of `WORDS` of a typed table, by identifier."""
    columns = [c for c in WORDS[table] if c in frame]
    nothing = dict.fromkeys(WORDS[table])
    return {
        one: nothing | {c: _word(cell) for c, cell in zip(columns, cells, strict=True)}
        for one, *cells in zip(frame[key], *(frame[c] for c in columns), strict=True)
        if isinstance(one, str)
    }


def _word(cell: object) -> str | None:
    if isinstance(cell, float):
        return None if math.isnan(cell) else f"{cell:g}"
    return None if cell is None else str(cell)


def names_of(words: Words) -> dict[str, Names]:
    """What the things of each table are called, from their columns of `WORDS`."""
    make = {"inks": _ink, "substrates": _substrate, "meshes": _mesh, "presses": _press}
    return {
        table: Names(
            [make[table](one, told) for one, told in described.items()],
            complete=table != "presses" or any(LISTED in told for told in described.values()),
        )
        for table, described in words.items()
    }


def _ink(one: str, told: Mapping[str, str | None]) -> Entry:
    noun = BASE_INK if told.get("role") == "underbase" else INK
    return Entry(one, noun, _named(told.get("ink_name"), told))


def _substrate(one: str, told: Mapping[str, str | None]) -> Entry:
    noun = CARD if told.get("kind") == "card" else GARMENT
    return Entry(one, noun, _named(told.get("colour_name"), told), told.get("fibre") or "")


def _mesh(one: str, told: Mapping[str, str | None]) -> Entry:
    """A screen is also called by its count, ``43``, or count and thread, ``43-80``."""
    count, thread = told.get("threads_per_cm"), told.get("thread_um")
    numbers = [f"{count}-{thread}"] if count and thread else []
    return Entry(one, MESH, (*_named(None, told), *numbers, *([count] if count else [])))


def _press(one: str, told: Mapping[str, str | None]) -> Entry:
    return Entry(one, PRESS, _named(told.get("press_name"), told))


def _named(name: str | None, told: Mapping[str, str | None]) -> tuple[str, ...]:
    aliases = (told.get("aliases") or "").split(";")
    return tuple(text.strip() for text in (name or "", *aliases) if text.strip())


def found_in(text: str, names: Names, *, table: str, column: str) -> list[str]:
    """The identifiers that ``text`` may stand for in a column: none, one or several.

    Cards are not printed on; of inks that it fits alike the base is meant for a base.
    """
    if on_garments(table, column):
        return [one for one in names.find(text, (GARMENT,)) if names.noun(one) == GARMENT]
    found = names.find(text)
    if column == "underbase_ink_id":
        return [one for one in found if names.noun(one) == BASE_INK] or found
    return found


def on_garments(table: str, column: str) -> bool:
    """Whether a column of a table names what is printed on: garments, and no cards."""
    return column == "substrate_id" and table != "drawdowns"


def card_in(text: str, names: Names, *, table: str, column: str) -> str | None:
    """What is wrong where a card stands for a garment; None where none does."""
    cards = names.find(text, (CARD,)) if on_garments(table, column) else []
    if not cards or any(names.noun(one) != CARD for one in cards):
        return None
    return f"{listed(cards, names)} is a card, not a garment"


def nearest_in(text: str, names: Names, *, table: str, column: str) -> str | None:
    """What may have been meant in a column, as `found_in` reads it; None where nothing is near."""
    if on_garments(table, column):
        return names.nearest(text, (GARMENT,))
    base = names.nearest(text, (BASE_INK,)) if column == "underbase_ink_id" else None
    return base or names.nearest(text)


def closest_in(text: str, names: Names, *, table: str, column: str) -> str | None:
    """The same by identifier and name."""
    near = nearest_in(text, names, table=table, column=column)
    return None if near is None else names.label(near)


class NotNamed(UserError):
    """A name that fits several things, or none: ``called`` what was asked for, ``text`` the name,
    ``perhaps`` the identifiers that may be meant, ``instead`` what it names of another kind."""

    def __init__(
        self, said: str, kind: Kind, called: str, text: str, perhaps: Collection[str] = ()
    ) -> None:
        super().__init__(said, kind)
        self.called, self.text, self.perhaps = called, text, tuple(perhaps)
        self.instead = ""

    @classmethod
    def by_kind(cls, called: str, text: str, instead: str) -> NotNamed:
        """Where ``text`` names something else than what was asked for."""
        error = cls(f"{called}: {instead}", Kind.CONTRADICTION, called, text)
        error.instead = instead
        return error


@dataclass(frozen=True)
class Reading:
    """A name that was read as an identifier, and in how many rows."""

    text: str
    noun: str
    called: str
    rows: int

    def __str__(self) -> str:
        rows = "in 1 row" if self.rows == 1 else f"in {self.rows} rows"
        return f"{self.on_command_line.removesuffix('.')}, {rows}."

    @property
    def on_command_line(self) -> str:
        return f'read "{self.text}" as {self.noun} {self.called}.'


def with_ids(table: Table, cells: pd.DataFrame, known: Known) -> tuple[pd.DataFrame, list[Reading]]:
    """Text cells with identifiers for the names that stand for one thing, and what was read how.

    A name that fits several things, or none, stays: `fault` tells of it.
    """
    changed, readings = {}, []
    for column in table.columns:
        names = known.get(column.refers_to or "")
        if names is None or column.name not in cells:
            continue
        given = cells[column.name]
        counts = given.str.strip().value_counts(sort=False)
        ids = {}
        for text in counts.index:
            if not text or text in names:
                continue
            found = found_in(text, names, table=table.name, column=column.name)
            if len(found) == 1:
                ids[text] = found[0]
                noun, called = names.noun(found[0]), names.called(found[0])
                readings.append(Reading(" ".join(text.split()), noun, called, int(counts[text])))
        if ids:
            stripped = given.str.strip()
            changed[column.name] = given.mask(stripped.isin(list(ids)), stripped.map(ids))
    return (cells.assign(**changed) if changed else cells), _once(readings)


def _once(readings: list[Reading]) -> list[Reading]:
    """One reading a name and thing, over all columns."""
    rows: dict[tuple[str, str, str], int] = {}
    for r in readings:
        key = (r.text, r.noun, r.called)
        rows[key] = rows.get(key, 0) + r.rows
    return [Reading(*key, n) for key, n in rows.items()]


def fault(
    text: str,
    names: Names,
    table: Table,
    column: str,
    file: str,
    row: int,
    known: Known | None = None,
) -> Problem:
    """Why a cell stands for nothing: it fits several things, or none, or, among all that is
    ``known``, one of another kind."""
    refers_to = next(c.refers_to for c in table.columns if c.name == column)
    found = found_in(text, names, table=table.name, column=column)
    if found:
        what = f'"{text}" may be {listed(found, names)}'
        return Problem(file, row, column, what, "write one of them", Kind.AMBIGUOUS)
    if card := card_in(text, names, table=table.name, column=column):
        return Problem(file, row, column, card, NO_CARD, Kind.CONTRADICTION)
    if other := of_another_kind(text, known or {}, refers_to or ""):
        return Problem(file, row, column, *other, Kind.UNKNOWN)
    what = f'"{text}" is not in {refers_to}.csv'
    meant = closest_in(text, names, table=table.name, column=column)
    return Problem(file, row, column, what, added_to(refers_to or ""), Kind.UNKNOWN, meant)


def added_to(table: str) -> str:
    """What to do about a name that nothing of a table is called."""
    return f"add it to {table}.csv or correct it"


def new_press(text: str, names: Names) -> str | None:
    """A note on a press that no table and no print names, where the shop has no table of them;
    None where nothing is known of its presses."""
    if not len(names):
        return None
    close = names.closest(text)
    hint = f'is "{close}" meant?' if close else f"they name {listed(list(names), names, 'and')}."
    return f'no print so far names a press "{text}"; {hint} It is taken as a new one.'


def listed(found: list[str], names: Names, last: str = "or") -> str:
    """``C08 Bright red, C09 Bright red opaque or C10 Deep red``"""
    labels = [names.label(one) for one in found[:TOLD]]
    if len(found) > TOLD:
        return f"{', '.join(labels)} {last} {len(found) - TOLD} more"
    return f"{', '.join(labels[:-1])} {last} {labels[-1]}" if labels[1:] else labels[0]


def table_of(column: str) -> str:
    """The table that a column of a set-up refers to; "" for none."""
    told = SETUPS.column(column)
    return (told and told.refers_to) or ""


def resolved(option: str, text: str, known: Known, column: str, said: list[str]) -> str:
    """The identifier that ``text`` stands for on the command line; told in ``said`` if by name.

    Raises NotNamed where it fits several things or none.
    """
    table = table_of(column)
    names, text = known[table], text.strip()
    found = found_in(text, names, table="setups", column=column)
    if len(found) > 1:
        said_of = f'{option} "{text}" may be {listed(found, names)}; write one of them.'
        raise NotNamed(said_of, Kind.AMBIGUOUS, option, text, found)
    if not found and not names.complete:
        said += filter(None, [new_press(text, names)])
        return text
    if not found:
        if card := card_in(text, names, table="setups", column=column):
            raise NotNamed.by_kind(option, text, f"{card}: {NO_CARD}.")
        if other := of_another_kind(text, known, table):
            raise NotNamed.by_kind(option, text, f"{'; '.join(other)}.")
        near = nearest_in(text, names, table="setups", column=column)
        hint = f'is "{names.label(near)}" meant?' if near else f"{where_listed(table)}."
        said_of = f'{option} "{text}" is not in {table}.csv; {hint}'
        raise NotNamed(said_of, Kind.UNKNOWN, option, text, [near] if near else [])
    if found[0] != text:
        said.append(Reading(text, names.noun(found[0]), names.called(found[0]), 1).on_command_line)
    return found[0]
