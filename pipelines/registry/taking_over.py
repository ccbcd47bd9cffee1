"""What a computer had learnt by itself is taken into the shop's database, once.

Numbers stay as they are where the database holds no model yet; else they go on from its own. All of
it is one transaction, under the lock, for the numbers are not known before. The files are kept.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import NamedTuple

import sqlalchemy as sa

from pipelines.ledger import database, migrate, seals, store
from pipelines.ledger.database import CHARGES, FORECASTS, MODELS
from pipelines.ledger.model_rows import add_arrays, add_charge, add_version
from pipelines.registry import versions
from pipelines.registry.in_folder import CARD_SEAL, InFolder
from pipelines.registry.sealed import CARD, CURRENT, number_after, seal_for
from pipelines.words.common import counted
from pipelines.workspace.files import refuse_unwritable
from pipelines.workspace.problems import UserError
from pipelines.workspace.progress import tell

BEFORE = "before"  # where the files are kept


class Taken(NamedTuple):
    """Own version -> its name in the database; those not sound; who is in charge in the end."""

    names: dict[str, str]
    damaged: list[str]
    charge: str | None


def is_left(folder: Path) -> bool:
    """Whether a folder holds models or a report card of its own."""
    return any(os.path.lexists(folder / name) for name in _files(folder))


def _files(folder: Path) -> list[str]:
    return [*InFolder(folder).names(), CURRENT, CARD, CARD_SEAL]


def take_over(source: str, folder: Path) -> None:
    """Let the database hold models, and those of ``folder`` with them; say so.

    Raises UserError, nothing changed, where it is no shop's or one may not do so.
    """
    store.read_ledger(source)  # brings one of form 1 to form 2
    own = InFolder(folder)
    if is_left(folder):
        refuse_unwritable(folder)
    taken = Taken({}, [], None)
    with database.writing(source) as connection:
        found = database.form(connection)
        if found == database.FORM:
            migrate.with_models(connection, database.label(source))
        if is_left(folder):
            taken = _taken(connection, own)
    if is_left(folder):
        _keep(folder)
        _say(folder, taken)


def _taken(connection: sa.Connection, own: InFolder) -> Taken:
    """Add what is not there yet: a program may have been killed before it moved the files away."""
    known = connection.execute(sa.select(MODELS.c.version, MODELS.c.seal, MODELS.c.was)).all()
    there = [f"{row.version:04d}" for row in known]
    by_seal = {row.was: f"{row.version:04d}" for row in known}
    by_seal |= {row.seal: f"{row.version:04d}" for row in known}
    names: dict[str, str] = {}
    now: dict[str, str] = {}  # own version -> the seal it has in the database
    damaged = []
    first = not there
    for name in own.names():
        try:
            versions.load(own, name)
        except UserError:
            damaged.append(name)
            continue
        facts = own.facts(name)
        was = seal_for(name, facts)
        if was in by_seal:
            names[name] = by_seal[was]
            continue
        names[name] = name if first else number_after(there)
        there.append(names[name])
        everything = json.loads(facts)
        key = add_arrays(connection, own.arrays(name, everything["arrays_sha256"]))
        if names[name] != name:
            facts = versions.as_json(_renamed(everything, names))
        now[name] = seal_for(names[name], facts)
        add_version(connection, names[name], now[name], facts, key, was)
    try:
        card = own.card()
    except UserError:
        damaged.append("the report card")
        card = b""
    known_lines = set(connection.execute(sa.select(FORECASTS.c.line)).scalars())
    lines = [(line,) for line in _lines(card, names) if line not in known_lines]
    seals.add(connection, FORECASTS, lines)
    return Taken(names, damaged, _charge(connection, own, names, now))


def _charge(
    connection: sa.Connection, own: InFolder, names: dict[str, str], seals_now: dict[str, str]
) -> str | None:
    """The version in charge: the database's, or else this computer's; None where neither is known,
    which is told by whoever asks for it."""
    last = sa.select(CHARGES.c.version).order_by(CHARGES.c.id.desc()).limit(1)
    number = connection.execute(last).scalar()
    if number is not None:
        return f"{number:04d}"
    with suppress(UserError):
        mine = next(reversed(own.waiting()), None) or versions.in_charge(own)
        if mine in seals_now:
            add_charge(connection, names[mine], seals_now[mine])
            return names[mine]
    return None


def _renamed(everything: dict, names: dict[str, str]) -> dict:
    """What is written of a version, where it names others as they are called now."""
    learnt = everything["facts"].get("learnt") or {}
    for part in ("fitted", "after"):
        if part in learnt:
            learnt[part] = names.get(learnt[part])
    return everything


def _lines(card: bytes, names: dict[str, str]) -> Iterator[str]:
    """The lines of a report card, likewise."""
    same = all(name == now for name, now in names.items())
    for line in card.decode(errors="replace").splitlines():
        try:
            told = json.loads(line)
            if same:
                yield line
            elif told["version"] in names:
                now = {part: names.get(told[part]) for part in ("version", "fitted")}
                yield json.dumps(told | now)
        except (ValueError, KeyError, TypeError):  # cut off by a killed program
            continue


def _keep(folder: Path) -> None:
    """Move the files to where they are looked for by nobody."""
    (folder / BEFORE).mkdir(exist_ok=True)
    for name in _files(folder):
        place, n = folder / BEFORE / name, 1
        while os.path.lexists(place):
            place, n = place.with_name(f"{name}-{n}"), n + 1
        with suppress(FileNotFoundError):  # or another program here has just done so
            os.rename(folder / name, place)


def _say(folder: Path, taken: Taken) -> None:
    said, names = [], taken.names
    if names:
        which = ""
        if list(names) != list(names.values()):
            which = f", as {', '.join(names.values())}"
        charge = "" if taken.charge is None else f"; {taken.charge} is in charge"
        said.append(
            f"taken into the shop's database: {counted(len(names), 'model')} of this computer"
            f"{which}{charge}; the files are kept in {folder / BEFORE}."
        )
    if taken.damaged:
        said.append(
            f"{', '.join(taken.damaged)}: damaged, so kept in {folder / BEFORE} and nowhere else."
        )
    tell(said)
