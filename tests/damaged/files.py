"""Files flipped, cut, emptied, or made another thing; and the form of every damage."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np

Damage = Callable[[Path, np.random.Generator], None]  # to the shop in a folder
Kinds = dict[str, dict[str, Damage]]  # kind -> name -> damage


def remove(path: Path) -> None:
    if path.is_dir() and not path.is_symlink():
        shutil.rmtree(path)
    else:
        path.unlink(missing_ok=True)


def flip(path: Path, rng: np.random.Generator) -> None:
    data = bytearray(path.read_bytes())
    at = rng.choice(np.flatnonzero(np.frombuffer(data, np.uint8)))
    data[at] ^= 1 << rng.integers(8)
    path.write_bytes(data)


def whole_file(path: Path, how: str) -> None:
    data = path.read_bytes()
    if how == "cut":
        path.write_bytes(data[: len(data) // 2])
        return
    if how == "grown":
        path.write_bytes(data + b"\n0\n")
        return
    path.unlink()
    if how == "empty":
        path.touch()
    elif how == "a folder":
        path.mkdir()
    elif how == "a link to nothing":
        path.symlink_to("nowhere")
    elif how == "a pipe":
        os.mkfifo(path)
    elif how == "a device":
        path.symlink_to("/dev/zero")
    elif how == "unreadable":
        path.write_bytes(data)
        path.chmod(0)
    else:
        assert how == "gone"


HOW = ("cut", "grown", "gone", "empty", "a folder", "a link to nothing", "a pipe", "a device",
       "unreadable")  # fmt: skip


def cases(kinds: Kinds, every: int = 1) -> Iterator[tuple[str, str, Damage]]:
    """Kind, name and damage; of each kind every so many, beginning with its first."""
    as_root = hasattr(os, "geteuid") and os.geteuid() == 0
    for kind, damages in kinds.items():
        fit = [one for one in damages.items() if not (as_root and one[0].endswith("unreadable"))]
        for name, damage in fit[::every]:
            yield kind, name, damage
