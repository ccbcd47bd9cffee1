"""Checksums of stored versions, reading the files they are of, and what is said of damage."""

from __future__ import annotations

import hashlib
import re
from pathlib import Path
from typing import NamedTuple

from pipelines.workspace.problems import Kind, UserError

FACTS, ARRAYS, SEAL = "model.json", "arrays.npz", "SHA256"
CURRENT, CARD = "CURRENT", "forecasts.jsonl"
MAX_FACTS, MAX_ARRAYS, MAX_SHORT, MAX_CARD = 200_000_000, 4_000_000_000, 1_000, 1_000_000_000
OURS = re.compile(r"(?:0[0-9]{3}|[1-9][0-9]{3,8})")  # as numbers are written, no other digits
AGAIN = "run strikeoff learn to make a new one"


class Named(NamedTuple):
    """The version that was put in charge, and its seal then (None: by a program of before)."""

    name: str
    seal: str | None


class Overtaken(UserError):
    """Another version was put in charge meanwhile; nothing was changed."""

    def __init__(self) -> None:
        super().__init__(
            "another version was put in charge meanwhile; nothing was changed, run strikeoff learn "
            "again."
        )


def seal_for(name: str, facts: bytes) -> str:
    """SHA-256 of a version: of its name and ``facts``, which hold that of the arrays."""
    return hashlib.sha256(f"{name}\n".encode() + facts).hexdigest()


def number_after(names: list[str]) -> str:
    """The name of the next version."""
    return f"{max((int(name) for name in names), default=0) + 1:04d}"


def not_told(where: str, why: str) -> UserError:
    """What to say where it is not known which version is in charge."""
    return UserError(
        f"{where}: {why}, so that it is not known which model is in charge; strikeoff models lists "
        "them, strikeoff models --use VERSION puts one in charge.",
        Kind.DAMAGED,
    )


def bytes_of(path: Path, most: int) -> bytes:
    """All of a plain file; raises OSError or, where it is none or too large, ValueError."""
    if path.exists() and not path.is_file():
        msg = "no plain file"  # a pipe or a device never ends
        raise ValueError(msg)
    with path.open("rb") as stream:
        data = stream.read(most + 1)
    if len(data) > most:
        msg = "too large"
        raise ValueError(msg)
    return data


def checked(data: bytes, sha256: str) -> bytes:
    """The same; raises ValueError where it has another checksum."""
    if hashlib.sha256(data).hexdigest() != sha256:
        msg = "checksum"
        raise ValueError(msg)
    return data
