"""What came into a shop's store, in words."""

from __future__ import annotations

from collections.abc import Mapping

KINDS = ("inks", "substrates", "meshes", "changes", "drawdowns", "prints", "targets", "aims")


def brought(counts: Mapping[str, int]) -> str:
    """What a batch brought, by its counts.

    >>> brought({"inks": 3, "prints": 20, "set aside": 2})
    '3 inks, 20 prints (2 set aside)'
    """
    said = [f"{counts[kind]} {kind}" for kind in KINDS if counts.get(kind)]
    out = counts.get("set aside", 0) + counts.get("doubtful", 0)
    return ", ".join(said) + (f" ({out} set aside)" if out else "")
