"""Learnt models on disk: ``models/<shop>/0001/`` with arrays and JSON, and which is current.

Loading runs no code from a file: arrays are read with pickling off, the rest is JSON.
"""

from __future__ import annotations

import hashlib
import io
import json
import os
import re
import shutil
import tempfile
import zipfile
from contextlib import suppress
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

import numpy as np

from pipelines.registry.catalogue import OF_VERDICT
from pipelines.registry.sealed import FACTS, MAX_FACTS, bytes_of, seal_for, seal_of
from pipelines.tables import csvfile
from pipelines.tables.folder import Given
from pipelines.tables.schema import PRESSES
from pipelines.tables.settings import read_settings
from pipelines.workspace.files import sweep, write_text
from pipelines.workspace.problems import Findings, Kind, UserError

# Before the present format CURRENT had no seal, and before that a version had none.
FORMAT, PLAIN_CURRENT, UNSEALED = (f"strikeoff model {n}" for n in (3, 2, 1))
ARRAYS, SEAL, CURRENT = "arrays.npz", "SHA256", "CURRENT"
WAITS = "TAKES-OVER"  # in a version judged worth it, until CURRENT names it
MAX_ARRAYS, MAX_SHORT = 4_000_000_000, 1_000  # bytes
_OURS = re.compile(r"(?:0[0-9]{3}|[1-9][0-9]{3,8})")  # as numbers are written, no other digits
AGAIN = "run strikeoff learn to make a new one"


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
    folder: Path,
    arrays: dict[str, np.ndarray],
    meta: dict[str, Any],
    facts: dict[str, Any],
    *,
    charge: bool = True,
) -> str:
    """Store a new version under ``folder``, put it in charge if wanted, return its name."""
    folder.mkdir(parents=True, exist_ok=True)
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
    text = json.dumps(everything, indent=1, default=_jsonable).encode()
    sweep(folder, ".new-*")
    fresh = Path(tempfile.mkdtemp(prefix=".new-", dir=folder))
    try:
        (fresh / ARRAYS).write_bytes(stream.getvalue())
        (fresh / FACTS).write_bytes(text)
        if charge:
            (fresh / WAITS).touch()  # arrives with the version: a kill cannot come between
        fresh.chmod(0o755)
        name = _take_next_number(fresh, folder, text)
    finally:
        shutil.rmtree(fresh, ignore_errors=True)
    if charge:
        _take_over(folder, name)
    return name


def _take_over(folder: Path, name: str) -> None:
    path = folder / CURRENT
    if os.path.lexists(path) and (path.is_symlink() or not path.is_file()):  # not ours: kept
        path.rename(folder / f"{CURRENT}.damaged-{datetime.now(UTC):%Y%m%dT%H%M%S}")
    write_text(path, f"{name} {seal_of(folder / name)}\n")
    for other in versions(folder):
        (folder / other / WAITS).unlink(missing_ok=True)


def take_over_if_waiting(folder: Path) -> str | None:
    """Put in charge the version that was judged worth it by a program killed before it could.

    Its name; None where there is none, or it cannot be read.
    """
    for name in reversed(versions(folder)):
        if (folder / name / WAITS).exists():
            with suppress(UserError):
                put_in_charge(folder, name)
                return name
    return None


def _take_next_number(fresh: Path, folder: Path, facts: bytes) -> str:
    """Rename into the next version; one more where another program takes that number first."""
    while True:
        name = f"{max((int(v) for v in versions(folder)), default=0) + 1:04d}"
        (fresh / SEAL).write_text(seal_for(name, facts) + "\n", encoding="ascii")
        try:
            os.rename(fresh, folder / name)
        except OSError:
            if not (folder / name).exists():
                raise
        else:
            return name


def versions(folder: Path) -> list[str]:
    """All stored versions, oldest first."""
    found = [p.name for p in folder.glob("[0-9]*") if _OURS.fullmatch(p.name) and p.is_dir()]
    return sorted(found, key=int)


def refused(folder: Path, version_name: str, digest: str) -> str | None:
    """The latest version that learnt the data ``digest`` after ``version_name``, and was not
    put in its place; None when there is none, or it still waits to be."""
    for later in reversed(versions(folder)):
        if int(later) <= int(version_name):
            break
        if (folder / later / WAITS).exists():
            continue
        try:
            facts = described(folder, later)["facts"]
        except UserError:
            continue
        after = facts.get("learnt", {}).get("after")
        if after == version_name and facts.get("data_sha256") == digest:
            return later
    return None


def has_learnt(folder: Path, digest: str) -> bool:
    """Whether any stored version has learnt the data ``digest``."""
    for name in reversed(versions(folder)):
        with suppress(UserError):
            if described(folder, name)["facts"].get("data_sha256") == digest:
                return True
    return False


def in_charge(folder: Path) -> str | None:
    """The version that predicts, be it readable or not; None where nothing has been learnt.

    Raises UserError where it cannot be told which one that is - ``CURRENT`` is damaged, changed
    or missing - or where it is not what was put in charge.
    """
    waits = all((folder / one / WAITS).exists() for one in versions(folder))
    if waits and not os.path.lexists(folder / CURRENT):
        return None  # or the first is there, and its program was killed before it took over
    name, seal = _current(folder)
    if name not in versions(folder) or seal == seal_of(folder / name):
        return name
    try:
        form = _facts(folder / name)["format"]
    except UserError:  # which is told when it is loaded
        return name
    if seal is None and form != FORMAT:
        return name
    if is_changed(folder, name):
        what = f"the model is not what was put in charge (it or {CURRENT} has changed)"
        raise UserError(f"{folder / name}: {what}; {AGAIN}.", Kind.DAMAGED)
    raise _not_told(folder / CURRENT, f"names {name} and was not written so")


def is_changed(folder: Path, version_name: str) -> bool:
    """Whether a version was put in charge and is another now, sound in itself as it may be."""
    try:
        name, seal = _current(folder)
    except UserError:
        return False
    fits = [seal_of(folder / one) for one in versions(folder)]
    return name == version_name and seal is not None and seal not in fits


def _current(folder: Path) -> tuple[str, str | None]:
    """What ``CURRENT`` says: a version and its seal then; raises UserError if it says nothing."""
    path = folder / CURRENT
    try:
        name, *seal = bytes_of(path, MAX_SHORT).decode("ascii").split()
    except FileNotFoundError:
        raise _not_told(path, "is missing") from None
    except PermissionError:
        raise
    except (OSError, ValueError):
        raise _not_told(path, "is damaged") from None
    if len(seal) > 1 or not _OURS.fullmatch(name):
        raise _not_told(path, "is damaged")
    return name, seal[0] if seal else None


def _not_told(path: Path, why: str) -> UserError:
    return UserError(
        f"{path}: {why}, so that it is not known which model is in charge; strikeoff models lists "
        "them, strikeoff models --use VERSION puts one in charge.",
        Kind.DAMAGED,
    )


def put_in_charge(folder: Path, version_name: str) -> None:
    """Let a stored version predict from now on; raises UserError when it cannot be read."""
    load(folder, version_name)
    _take_over(folder, version_name)


def described(folder: Path, version_name: str) -> dict[str, Any]:
    """What is written of a version beside its arrays: ``made``, ``facts``, ``meta`` ...

    Raises UserError when there is no such version, or it is damaged.
    """
    if version_name not in versions(folder):
        has = ", ".join(versions(folder)) or "none"
        raise UserError(f'{folder}: there is no model version "{version_name[:20]}"; it has {has}.')
    everything = _facts(folder / version_name)
    if everything["facts"].get("validation") is None:
        raise _damaged(folder / version_name)
    return everything


def _facts(path: Path) -> dict[str, Any]:
    """What is written of a version, checked against its seal.

    Raises UserError where that is not what was stored, or of another form.
    """
    try:
        data = bytes_of(path / FACTS, MAX_FACTS)
        everything = json.loads(data)
        form = everything["format"]
        sealed = form in (FORMAT, PLAIN_CURRENT)
        if sealed and bytes_of(path / SEAL, MAX_SHORT).decode().strip() != seal_for(
            path.name, data
        ):
            raise ValueError("seal")
        if form in (FORMAT, PLAIN_CURRENT, UNSEALED):
            return everything | {name: dict(everything[name]) for name in ("facts", "meta")}
    except PermissionError:
        raise
    except (OSError, ValueError, KeyError, TypeError, RecursionError) as error:
        raise _damaged(path) from error
    raise UserError(
        f"{path}: was written by another version of this program (format {str(form)[:40]!r}, this "
        f"one reads {FORMAT!r}); {AGAIN}.",
        Kind.DAMAGED,
    )


def _damaged(path: Path) -> UserError:
    return UserError(
        f"{path}: the model's files are damaged, changed or missing; {AGAIN}.", Kind.DAMAGED
    )


def load(folder: Path, version_name: str | None = None) -> StoredModel:
    """The current (or the named) version.

    Raises UserError when there is none, or its files are damaged or not ours.
    """
    if version_name is None:
        version_name = in_charge(folder)
    if version_name is None:
        raise UserError(f"{folder}: no model has been learnt yet; {AGAIN}.")
    if version_name not in versions(folder):
        raise UserError(
            f'{folder}: there is no model version "{version_name[:20]}"; {AGAIN}.', Kind.DAMAGED
        )
    path = folder / version_name
    everything = _facts(path)
    try:
        data = bytes_of(path / ARRAYS, MAX_ARRAYS)
        if hashlib.sha256(data).hexdigest() != everything["arrays_sha256"]:
            raise ValueError("checksum")
        with np.load(io.BytesIO(data), allow_pickle=False) as stored:
            arrays = {name: stored[name] for name in stored.files}
        return StoredModel(version_name, arrays, everything["meta"], everything["facts"])
    except PermissionError:
        raise
    except (OSError, ValueError, KeyError, TypeError, zipfile.BadZipFile) as error:
        raise _damaged(path) from error


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
