"""Checksums of stored versions, and reading the files they are of."""

from __future__ import annotations

import hashlib
from contextlib import suppress
from pathlib import Path

FACTS = "model.json"
MAX_FACTS = 200_000_000  # bytes


def seal_for(name: str, facts: bytes) -> str:
    """SHA-256 of a version: of its name and ``facts``, which hold that of the arrays."""
    return hashlib.sha256(f"{name}\n".encode() + facts).hexdigest()


def seal_of(path: Path) -> str | None:
    """The seal that fits a version as it is; None where it cannot be read."""
    with suppress(OSError, ValueError):
        return seal_for(path.name, bytes_of(path / FACTS, MAX_FACTS))
    return None


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
