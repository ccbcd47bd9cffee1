"""The versions of a shop's model: stored, read back and checked, and which one is in charge.

Where their bytes lie is an `Archive`'s matter. Loading runs no code from them: arrays are read with
pickling off, the rest is JSON.
"""

from __future__ import annotations

import hashlib
import io
import json
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

import numpy as np

from pipelines.registry.archive import Archive
from pipelines.registry.catalogue import OF_VERDICT
from pipelines.registry.sealed import AGAIN, CURRENT, OURS, not_told, seal_for
from pipelines.tables import csvfile
from pipelines.tables.folder import Given
from pipelines.tables.schema import PRESSES
from pipelines.tables.settings import read_settings
from pipelines.workspace.problems import Findings, Kind, UserError

# Before the present format what is in charge had no seal, and before that a version had none.
FORMAT, PLAIN_CURRENT, UNSEALED = (f"strikeoff model {n}" for n in (3, 2, 1))


@dataclass(frozen=True)
class StoredModel:
    """One version: the state of the model, and ``facts`` (data, validation, code version)."""

    version: str
    arrays: dict[str, np.ndarray]
    meta: dict[str, Any]
    facts: dict[str, Any]


def fingerprint(given: Given) -> str:
    """SHA-256 over all that is learnt from: tells whether a model has seen these data.

    Tables as given and the settings the colours rest on; tolerance, costs and the names of presses
    are not learnt, and neither are prints set aside on arrival.
    """
    settings = asdict(read_settings(given.shop_toml, given.name, Findings()))
    learnt = {name: value for name, value in settings.items() if name not in OF_VERDICT}
    digest = hashlib.sha256(repr(learnt).encode())
    used = given.tables["prints"].drop(index=list(given.set_aside))
    tables = {name: table for name, table in given.tables.items() if name != PRESSES.name}
    for name, table in sorted((tables | {"prints": used}).items()):
        digest.update(f"\n[{name}]\n{csvfile.to_csv(table)}".encode())
    digest.update(f"\n{sorted(given.trusted)}".encode())
    return digest.hexdigest()


def file_digest(path: Path) -> str:
    """SHA-256 of a file."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def database_stamp(source: Path | str) -> str:
    """The quick way to see that nothing in the shop's database has changed."""
    if isinstance(source, Path):
        return file_digest(source)
    from pipelines.ledger import store  # slow to import, and a file does without it

    return store.stamp(source)


def save(
    kept: Archive,
    arrays: dict[str, np.ndarray],
    meta: dict[str, Any],
    facts: dict[str, Any],
    *,
    charge: bool = True,
    mark: str | None = None,
) -> str:
    """Store a new version, put it in charge if wanted, return its name.

    With a ``mark`` (`Archive.mark`) raises Overtaken, nothing stored, if another version was put in
    charge since.
    """
    stream = io.BytesIO()
    plain: dict[str, Any] = {name: _plain(array) for name, array in arrays.items()}
    np.savez_compressed(stream, **plain)
    everything = {
        "format": FORMAT,
        "made": datetime.now(UTC).isoformat(timespec="seconds"),
        "code_version": _code_version(),
        "arrays_sha256": hashlib.sha256(stream.getvalue()).hexdigest(),
        "facts": facts,
        "meta": meta,
    }
    return kept.add(as_json(everything), stream.getvalue(), charge=charge, mark=mark)


def as_json(everything: dict[str, Any]) -> bytes:
    """What is written of a version, as it is stored."""
    return json.dumps(everything, indent=1, default=_jsonable).encode()


@contextmanager
def damage_passed_over() -> Iterator[None]:
    """What cannot be read is as if it were not there; a server that is gone is still an error."""
    try:
        yield
    except UserError as error:
        if error.kind != Kind.DAMAGED:
            raise


def take_over_if_waiting(kept: Archive) -> str | None:
    """Put in charge the version that was judged worth it by a program killed before it could.

    Its name; None where there is none, or it cannot be read.
    """
    for name in reversed(kept.waiting()):
        with damage_passed_over():
            put_in_charge(kept, name)
            return name
    return None


def refused(kept: Archive, version_name: str, digest: str) -> str | None:
    """The latest version that learnt the data ``digest`` after ``version_name``, and was not
    put in its place; None when there is none, or it still waits to be."""
    waiting = kept.waiting()
    for later in reversed(kept.names()):
        if int(later) <= int(version_name):
            break
        if later in waiting:
            continue
        with damage_passed_over():
            facts = described(kept, later)["facts"]
            after = facts.get("learnt", {}).get("after")
            if after == version_name and facts.get("data_sha256") == digest:
                return later
    return None


def has_learnt(kept: Archive, digest: str) -> bool:
    """Whether any stored version has learnt the data ``digest``."""
    for name in reversed(kept.names()):
        with damage_passed_over():
            if described(kept, name)["facts"].get("data_sha256") == digest:
                return True
    return False


def in_charge(kept: Archive) -> str | None:
    """The version that predicts, be it readable or not; None where nothing has been learnt.

    Raises UserError where it cannot be told which one that is, or where it is not what was put
    in charge.
    """
    named = kept.current()
    if named is None:
        return None
    name, seal = named
    now = _seal_of(kept, name)
    if (seal is not None and seal == now) or name not in kept.names():
        return name
    try:
        form = _facts(kept, name)["format"]
    except UserError:  # which is told when it is loaded
        return name
    if seal is None and form != FORMAT:
        return name
    if is_changed(kept, name):
        what = f"the model is not what was put in charge (it or {CURRENT} has changed)"
        raise UserError(f"{kept.where(name)}: {what}; {AGAIN}.", Kind.DAMAGED)
    raise not_told(kept.where(CURRENT), f"names {name} and was not written so")


def is_changed(kept: Archive, version_name: str) -> bool:
    """Whether a version was put in charge and is another now, sound in itself as it may be."""
    named = None
    with damage_passed_over():
        named = kept.current()
    if named is None or named.name != version_name or named.seal is None:
        return False
    return named.seal not in [_seal_of(kept, one) for one in kept.names()]


def _seal_of(kept: Archive, name: str) -> str | None:
    """The seal that fits a version as it is; None where it cannot be read."""
    with suppress(OSError, ValueError):
        return seal_for(name, kept.facts(name))
    return None


def put_in_charge(kept: Archive, version_name: str, mark: str | None = None) -> str:
    """Let a stored version predict from now on; the mark of that. ``mark`` as of `save`.

    Raises UserError when it cannot be read.
    """
    load(kept, version_name)
    return kept.put_in_charge(version_name, mark)


def described(kept: Archive, version_name: str) -> dict[str, Any]:
    """What is written of a version beside its arrays: ``made``, ``facts``, ``meta`` ...

    Raises UserError when there is no such version, or it is damaged.
    """
    names = kept.names()
    if version_name not in names:
        has = ", ".join(names) or "none"
        raise UserError(
            f'{kept.where()}: there is no model version "{version_name[:20]}"; it has {has}.'
        )
    everything = _facts(kept, version_name)
    if everything["facts"].get("validation") is None:
        raise _damaged(kept, version_name)
    return everything


def _facts(kept: Archive, name: str) -> dict[str, Any]:
    """What is written of a version, checked against its seal.

    Raises UserError where that is not what was stored, or of another form.
    """
    try:
        data = kept.facts(name)
        everything = json.loads(data)
        form = everything["format"]
        if form in (FORMAT, PLAIN_CURRENT) and kept.sealed(name) != seal_for(name, data):
            raise ValueError("seal")
        if form in (FORMAT, PLAIN_CURRENT, UNSEALED):
            return everything | {part: dict(everything[part]) for part in ("facts", "meta")}
    except PermissionError:
        raise
    except (OSError, ValueError, KeyError, TypeError, RecursionError) as error:
        raise _damaged(kept, name) from error
    raise UserError(
        f"{kept.where(name)}: was written by another version of this program (format "
        f"{str(form)[:40]!r}, this one reads {FORMAT!r}); {AGAIN}.",
        Kind.DAMAGED,
    )


def _damaged(kept: Archive, name: str) -> UserError:
    return UserError(
        f"{kept.where(name)}: the model is damaged, changed or missing; {AGAIN}.",
        Kind.DAMAGED,
    )


def load(kept: Archive, version_name: str | None = None) -> StoredModel:
    """The current (or the named) version.

    Raises UserError when there is none, or its files are damaged or not ours.
    """
    if version_name is None:
        version_name = in_charge(kept)
    if version_name is None:
        raise UserError(f"{kept.where()}: no model has been learnt yet; {AGAIN}.")
    missing = UserError(
        f'{kept.where()}: there is no model version "{version_name[:20]}"; {AGAIN}.', Kind.DAMAGED
    )
    if not OURS.fullmatch(version_name):
        raise missing
    try:
        everything = _facts(kept, version_name)
    except UserError:
        if version_name not in kept.names():
            raise missing from None
        raise
    try:
        data = kept.arrays(version_name, everything["arrays_sha256"])
        with np.load(io.BytesIO(data), allow_pickle=False) as stored:
            arrays = {name: stored[name] for name in stored.files}
        return StoredModel(version_name, arrays, everything["meta"], everything["facts"])
    except PermissionError:
        raise
    except (OSError, ValueError, KeyError, TypeError, zipfile.BadZipFile) as error:
        raise _damaged(kept, version_name) from error


def _plain(array: np.ndarray) -> np.ndarray:
    array = np.asarray(array)
    if array.dtype.hasobject:
        msg = "a model's arrays hold numbers or fixed-width text, not Python objects"
        raise TypeError(msg)
    return array


def _jsonable(value: object) -> object:
    if isinstance(value, np.ndarray | np.generic):
        return value.tolist()
    return str(value)


def _code_version() -> str:
    try:
        return version("strikeoff")
    except PackageNotFoundError:
        return "unknown"
