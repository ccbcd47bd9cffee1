"""What came into a shop's store, in words."""

from __future__ import annotations

from collections.abc import Mapping

from pipelines.words.common import counted

# Tables -> what one row of them is, and several.
KINDS = {
    "inks": ("ink", "inks"),
    "substrates": ("garment or card", "garments and cards"),
    "meshes": ("screen", "screens"),
    "changes": ("change of a press", "changes of presses"),
    "drawdowns": ("drawdown", "drawdowns"),
    "prints": ("print", "prints"),
    "targets": ("target", "targets"),
    "aims": ("target of a print", "targets of prints"),
}


def brought(counts: Mapping[str, int]) -> str:
    """What a batch brought, by its counts.

    >>> brought({"inks": 3, "substrates": 1, "prints": 20, "set aside": 2})
    '3 inks, 1 garment or card, 20 prints (2 set aside)'
    """
    said = [counted(counts[k], *nouns) for k, nouns in KINDS.items() if counts.get(k)]
    out = counts.get("set aside", 0) + counts.get("doubtful", 0)
    return ", ".join(said) + (f" ({out} set aside)" if out else "")
