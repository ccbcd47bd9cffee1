"""A shop's models as they travel to a worker, and what it adds to them, to be stored on return.

A parcel is an `Archive` in memory: bytes that were read here, sealed as they were. Nothing it holds
can run, and a worker stores nothing: what it adds comes back, and is stored by who sent it, once.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from functools import partial
from typing import Any

from pipelines.registry import versions
from pipelines.registry.archive import Archive
from pipelines.registry.sealed import Named, Overtaken, checked, number_after, seal_for
from pipelines.workspace.problems import UserError


@dataclass(frozen=True)
class Added:
    """A version to be stored."""

    facts: bytes
    arrays: bytes
    charge: bool


@dataclass
class Parcel:
    """An `Archive` (see there) that was packed by :func:`packed`.

    ``done``: what was added, in order: lines of the report card, versions, or the name of one that
    was put in charge.
    """

    place: str
    parts: dict[str, bytes]  # version -> facts
    numbers: dict[str, bytes]  # version -> arrays, of those that may be opened
    seals: dict[str, str]
    now: Named | UserError | None
    marked: str
    lines: bytes
    done: list[list[str] | Added | str] = field(default_factory=list)

    def where(self, part: str = "") -> str:
        return f"{self.place}/{part}" if part else self.place

    def names(self) -> list[str]:
        return sorted(self.parts, key=int)

    def facts(self, name: str) -> bytes:
        return _there(self.parts, name)

    def arrays(self, name: str, sha256: str) -> bytes:
        return checked(_there(self.numbers, name), sha256)

    def sealed(self, name: str) -> str:
        return _there(self.seals, name)

    def current(self) -> Named | None:
        if isinstance(self.now, UserError):
            raise self.now
        return self.now

    def mark(self) -> str:
        return self.marked

    def waiting(self) -> list[str]:
        return []  # what waited has taken over before it was packed

    def add(self, facts: bytes, arrays: bytes, *, charge: bool, mark: str | None = None) -> str:
        self._refuse_other(mark)
        self.done.append(Added(facts, arrays, charge))
        name = number_after(self.names())
        self.parts[name], self.numbers[name] = facts, arrays
        self.seals[name] = seal_for(name, facts)
        if charge:
            self.now = Named(name, self.seals[name])
            self.marked = f"{name} {self.seals[name]}"
        return name

    def put_in_charge(self, name: str, mark: str | None = None) -> str:
        self._refuse_other(mark)
        self.done.append(name)
        self.now = Named(name, seal_for(name, self.facts(name)))
        self.marked = f"{name} {self.now.seal}"
        return self.marked

    def _refuse_other(self, mark: str | None) -> None:
        if mark is not None and mark != self.marked:
            raise Overtaken

    def card(self) -> bytes:
        return self.lines

    def add_to_card(self, more: Callable[[bytes], list[str] | None]) -> bool:
        lines = more(self.lines)
        if lines is None:
            return False
        self.done.append(lines)
        self.lines += "".join(f"{line}\n" for line in lines).encode()
        return True


def _there(parts: dict[str, Any], name: str) -> Any:
    """Raises ValueError for what was not packed, as for a file that is not there."""
    if name not in parts:
        msg = "not packed"
        raise ValueError(msg)
    return parts[name]


def packed(kept: Archive) -> Parcel:
    """All that learning, checking and a glance look at: facts of every version, and the arrays of
    the one in charge and of the newest other.

    What cannot be read is left out: the worker finds it missing, and says what is said here.

    Raises UserError where the archive cannot be reached or its report card is not sound.
    """
    names = kept.names()
    now: Named | UserError | None
    try:
        now = kept.current()
    except UserError as error:
        now = error
    charge = now.name if isinstance(now, Named) else None
    opened = {charge, *[name for name in names if name != charge][-1:]}
    parts: dict[str, bytes] = {}
    numbers: dict[str, bytes] = {}
    seals: dict[str, str] = {}
    for name in names:
        parts[name] = b""
        with suppress(OSError, ValueError):
            parts[name] = kept.facts(name)
            seals[name] = kept.sealed(name)
        if name in opened:
            with suppress(OSError, ValueError, KeyError, TypeError):
                numbers[name] = kept.arrays(name, json.loads(parts[name])["arrays_sha256"])
    return Parcel(kept.where().rstrip("/"), parts, numbers, seals, now, kept.mark(), kept.card())


def unpacked(kept: Archive, before: Parcel, after: Parcel) -> bool:
    """Store what a worker added; False where that had been stored before, and nothing is.

    A version is known by its shop, what it learnt (tables and settings), how, after which version,
    and the form of the code: a task done twice is stored once.

    Raises Overtaken, nothing stored, where another learnt or put a version in charge meanwhile.
    """
    new = [one for one in after.done if isinstance(one, Added)]
    since = [name for name in kept.names() if name not in before.parts]
    if new and since and _key(new[-1].facts) in [_key(kept.facts(name)) for name in since]:
        return False
    if kept.mark() != before.marked or kept.card() != before.lines:
        raise Overtaken
    mark = before.marked
    for one in after.done:
        if isinstance(one, Added):
            kept.add(one.facts, one.arrays, charge=one.charge, mark=mark)
        elif isinstance(one, str):
            mark = versions.put_in_charge(kept, one, mark)
        else:
            kept.add_to_card(partial(_as_they_are, one))
    return True


def _as_they_are(lines: list[str], _: bytes) -> list[str]:
    return lines


def _key(facts: bytes) -> tuple[object, ...]:
    everything = json.loads(facts)
    learnt = everything["facts"]["learnt"]
    form = everything["meta"]["form"]
    return everything["facts"]["data_sha256"], learnt["how"], learnt["after"], form
