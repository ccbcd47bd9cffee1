"""A page of very many entries as several: one that leads to the others, all written as one."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from pathlib import Path

from pipelines.workspace.files import refuse_replacing, remove, write_texts

MOST = 200  # entries a page
MARK = re.compile(rb'<meta name="part-of" content="([^"]*)">')


def divided(groups: Sequence[Sequence[int]], most: int) -> list[list[int]]:
    """Entries for each page: ``groups`` in turn, none torn unless it is longer than a page."""
    parts: list[list[int]] = [[]]
    for group in groups:
        for piece in (group[i : i + most] for i in range(0, len(group), most)):
            if len(parts[-1]) + len(piece) > most:
                parts.append([])
            parts[-1] += piece
    return parts


def names(path: Path, n: int) -> list[Path]:
    """What ``n`` parts of a page are called; a single one is the page itself."""
    return [path] if n < 2 else [_part(path, k + 1) for k in range(n)]


def write(path: Path, texts: Mapping[Path, str]) -> None:
    """Write a page and its parts, all beside before any is renamed, ``path`` last; parts of an
    earlier, longer run are taken away. Raises UserError where a part would replace another file."""
    others = [file for file in texts if file != path]
    refuse_replacing(others, lambda file: _is_part(file, path), "give the page another name")
    write_texts({path: texts[path]} | dict(texts))
    k = len(texts)
    while _is_part(left := _part(path, k), path):
        remove(left)
        k += 1


def _part(path: Path, k: int) -> Path:
    return path.with_name(f"{path.stem}-part{k}{path.suffix}")


def _is_part(file: Path, path: Path) -> bool:
    """Whether this is ours to take away: the page says of which other it is a part."""
    if not file.is_file():
        return False
    with file.open("rb") as stream:
        found = MARK.search(stream.read(2000))
    return found is not None and found.group(1) == _mark(path).encode()


def _mark(path: Path) -> str:
    from markupsafe import escape

    return str(escape(path.name))
