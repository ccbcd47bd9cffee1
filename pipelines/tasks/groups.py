"""Learn, check or look at all shops of a group: read here, done by workers, stored here.

What fails is told in the end and stops no other shop. Each result is stored as it comes, so that
the same command once more goes on where one that was ended stood.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

from pipelines.registry.parcel import Parcel, packed, unpacked
from pipelines.registry.sealed import Overtaken, bytes_of
from pipelines.tables.group import FILE, Group, Member
from pipelines.tasks.crew import TROUBLE, Done, carried_out, code
from pipelines.tasks.learning import LOCK, Sent
from pipelines.tasks.plants import (
    POINTS,
    Asked,
    Learnt,
    check_part,
    learn_plant,
    look_at,
    tell_plant,
)
from pipelines.tasks.sisters import Known, worth_hearing
from pipelines.words.common import listed
from pipelines.words.group import Plant, from_json
from pipelines.workspace.alone import if_free
from pipelines.workspace.files import refuse_unwritable, write_text
from pipelines.workspace.problems import UserError

CHECKED = "checked.json"  # beside the models: what a check found, and what it rests on
MOST_BYTES = 10_000_000
BUSY = "another strikeoff learn is at work on it; give the command again when that has ended"
Say = Callable[[str], None]


@dataclass
class Found:
    """What came of a group: its plants as far as they could be looked at, and the others."""

    group: Group
    plants: dict[str, Plant] = field(default_factory=dict)
    failed: dict[str, str] = field(default_factory=dict)
    lost: UserError | None = None  # why the work ended before all was done

    def in_order(self) -> list[Plant]:
        """The plants in the order of ``group.toml``."""
        return [self.plants[m.name] for m in self.group.members if m.name in self.plants]


@dataclass(frozen=True)
class Engine:
    """Where the work is done: processes here, or the workers of a Dask scheduler."""

    workers: int = 1
    cluster: str | None = None


def learn_all(group: Group, engine: Engine, say: Say, *, refit: bool = False) -> Found:
    """Learn what is new in every shop, store it, and tell plants what the others know."""
    found = Found(group)
    before: dict[str, Parcel] = {}

    def ready() -> Iterator[Asked]:
        for member, asked in _read(found, group.members, refuse=True):
            before[member.name] = _short(asked.parcel)
            if isinstance(member.shares, tuple):
                _say_unknown(member.name, member.shares, asked, say)
            yield replace(asked, refit=refit, shares=member.shares)

    members = {member.name: member for member in group.members}
    known: dict[str, Known] = {}
    for name, learnt in _answers(found, learn_plant, ready(), engine):
        with _troubles(found, name):
            _store(members[name], before.pop(name), learnt)
            found.plants[name], known[name] = learnt.plant, learnt.known
            say(f"{name}: {learnt.plant.done} ({_so_far(found)})")
    if found.lost is None:
        _tell_each_other(found, known, engine, say)
    return found


def _say_unknown(name: str, shares: Collection[str], asked: Asked, say: Say) -> None:
    """Which of the ids a shop ``shares`` are no inks of its tables."""
    inks = set(asked.sent.state.given.tables["inks"]["ink_id"].str.strip())
    if unknown := [ink for ink in shares if ink not in inks]:
        what = f"{listed(unknown)}, which no ink of its tables is called"
        say(f"{name}: shares {what}; write the ids of its inks into {FILE}.")


def _tell_each_other(found: Found, known: Mapping[str, Known], engine: Engine, say: Say) -> None:
    """What plants know of inks they share is told to the others; only summaries travel.

    A plant to which nobody tells anything any more forgets what it was told.
    """
    members = {m.name: m for m in found.group.members if m.name in known}
    tells = {name: one for name in members if (one := known[name].tells) is not None}
    others = {name: [one for of, one in tells.items() if of != name] for name in members}
    ask = [m for name, m in members.items() if others[name] or known[name].told]
    if not ask:
        return
    telling, before = Found(found.group), {}

    def ready() -> Iterator[Asked]:
        for member, asked in _read(telling, ask, refuse=True):
            before[member.name] = _short(asked.parcel)
            yield replace(asked, others=worth_hearing(asked.sent.state, others[member.name]))

    # a worker may have been lost since the work began
    for name, told in _answers(telling, tell_plant, ready(), engine, least=1):
        with _troubles(telling, name):
            _store(members[name], before.pop(name), told)
            if told.parcel.done:
                was = found.plants[name].done
                found.plants[name] = replace(told.plant, done=f"{was} {told.plant.done}.")
                say(f"{name}: {told.plant.done}")
    found.lost = telling.lost
    for name, why in telling.failed.items():
        found.failed[name] = f"it has learnt, but not what the other plants know: {why}"


def look_at_all(group: Group, engine: Engine, say: Say) -> Found:
    """Every shop at a glance; nothing is changed."""
    found = Found(group)
    ready = (asked for _, asked in _read(found, group.members))
    for name, plant in _answers(found, look_at, ready, engine):
        found.plants[name] = plant
        say(f"{name} ({_so_far(found)})")
    return found


def check_all(group: Group, engine: Engine, say: Say, *, quick: bool = False) -> Found:
    """Check every shop; what was checked before and has not changed is not checked again."""
    found = Found(group)
    parts: dict[str, dict[int | None, Any]] = {}
    keys: dict[str, tuple[Member, str]] = {}

    def ready() -> Iterator[Asked]:
        for member, asked in _read(found, group.members):
            key = _key(asked, quick)
            if (known := _kept(member, key)) is not None:
                found.plants[member.name] = known
                say(f"{member.name}: as it was checked before ({_so_far(found)})")
                continue
            keys[member.name] = member, key
            parts[member.name] = {}
            for part in (None, *range(0 if quick else POINTS)):
                yield replace(asked, part=part)

    for name, (part, answer) in _answers(found, check_part, ready(), engine):
        if name in found.failed:
            continue
        done = parts[name]
        done[part] = answer
        if len(done) == (1 if quick else 1 + POINTS):
            points = sorted(done[i] for i in range(len(done) - 1) if done[i] is not None)
            plant = replace(done[None], curve=points)
            with _troubles(found, name):
                _keep(*keys[name], plant)
                found.plants[name] = plant
                say(f"{name}: checked ({_so_far(found)})")
    return found


def _answers(
    found: Found,
    work: Callable[[Asked], Any],
    ready: Iterable[Asked],
    engine: Engine,
    least: int = 2,
) -> Iterator[tuple[str, Any]]:
    """The answers of all that came to a good end; the others are among ``failed``."""
    done: Done[Any]
    at_work = carried_out(work, ready, workers=engine.workers, cluster=engine.cluster, least=least)
    try:
        for done in at_work:
            name = done.key[0]
            if done.answer is None:
                found.failed[name] = done.trouble
            else:
                yield name, done.answer
    except UserError as error:
        found.lost = error


def _so_far(found: Found) -> str:
    return f"{len(found.plants) + len(found.failed)} of {len(found.group.members)}"


@contextmanager
def _troubles(found: Found, name: str) -> Iterator[None]:
    """What goes wrong within is told of a shop, and stops no other."""
    try:
        yield
    except TROUBLE as error:
        found.failed[name] = str(error).rstrip(".")


def _read(
    found: Found, members: Iterable[Member], *, refuse: bool = False
) -> Iterator[tuple[Member, Asked]]:
    """Every shop that can be read, as it is sent; ``refuse``: where nothing could be stored."""
    for member in members:
        asked = None
        with _troubles(found, member.name):
            if refuse:
                refuse_unwritable(member.workspace.models(member.shop))
            asked = _asked(member)
        if asked is not None:
            yield member, asked


def _asked(member: Member) -> Asked:
    from pipelines.ledger import store
    from pipelines.ledger.state import current
    from pipelines.registry import versions
    from pipelines.registry.archive import archive_of

    database = member.workspace.database(member.shop)
    stamp = versions.database_stamp(database)
    ledger = store.read_ledger(database)
    if not ledger.batches:
        raise UserError("it holds no tables; run strikeoff import first")
    states = ledger.states()
    conditions = [b.condition for b in ledger.batches if states[b.id] and b.condition]
    kept = archive_of(member.workspace, member.shop)
    if kept.waiting() and _folder(member).is_dir():
        with _alone(member):
            versions.take_over_if_waiting(kept)
    sent = Sent(member.name, current(ledger), stamp)
    return Asked(sent, packed(kept), conditions[-1] if conditions else None)


def _folder(member: Member) -> Path:
    return member.workspace.models(member.shop)


@contextmanager
def _alone(member: Member) -> Iterator[None]:
    """Nobody else on this computer learns the shop meanwhile; raises UserError if one does."""
    _folder(member).mkdir(parents=True, exist_ok=True)
    with if_free(_folder(member) / LOCK) as free:
        if not free:
            raise UserError(BUSY)
        yield


def _store(member: Member, before: Parcel, learnt: Learnt) -> None:
    from pipelines.registry.archive import archive_of

    if not learnt.parcel.done:
        return
    with _alone(member):
        try:
            unpacked(archive_of(member.workspace, member.shop), before, learnt.parcel)
        except Overtaken:
            raise UserError(
                "it was learnt by another meanwhile; nothing was changed, give the command again"
            ) from None


def _short(parcel: Parcel) -> Parcel:
    """What it held when it was sent, without the arrays."""
    return replace(parcel, numbers={}, parts=dict(parcel.parts))


def _key(asked: Asked, quick: bool) -> str:
    """What a check rests on: the shop, its tables and settings, the model, and the code."""
    from pipelines.tables.folder import digest_of

    given = asked.sent.state.given
    rest: list[Any] = [asked.sent.name, asked.condition, asked.parcel.marked, quick, code()]
    rest += [given.shop_toml, digest_of(given), sorted(given.set_aside), sorted(given.trusted)]
    return hashlib.sha256(json.dumps(rest, sort_keys=True).encode()).hexdigest()


def _kept(member: Member, key: str) -> Plant | None:
    """What an earlier check found, if all it rests on is as it was."""
    with suppress(OSError, ValueError, KeyError, TypeError):
        stored = json.loads(bytes_of(_folder(member) / CHECKED, MOST_BYTES))
        if stored["key"] == key:
            return from_json(stored["plant"])
    return None


def _keep(member: Member, key: str, plant: Plant) -> None:
    text = json.dumps({"key": key, "plant": asdict(plant)}, indent=1)
    write_text(_folder(member) / CHECKED, text + "\n")
