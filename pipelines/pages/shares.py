"""Where the bars of shares lie, each beginning where the one before ends; templates draw them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from pipelines.words.why import Row


class Bar(NamedTuple):
    """One share; places in percent of the width."""

    words: str
    dE00: float
    x: str
    width: str
    back: bool  # it takes away


def bars(rows: Sequence[Row], total_dE00: float) -> list[Bar]:
    """The shares in their order, then their sum.

    Examples
    --------
    >>> from pipelines.words.why import Row
    >>> rows = [Row("cloth", 8.0, (0, 0, 0)), Row("base", -3.0, (0, 0, 0))]
    >>> [(bar.x, bar.width, bar.back) for bar in bars(rows, 5.0)]
    [('0.0%', '100.0%', False), ('62.5%', '37.5%', True), ('0.0%', '62.5%', False)]
    """
    ends = [0.0]
    for row in rows:
        ends.append(ends[-1] + row.dE00)
    low, high = min(ends), max(*ends, total_dE00, 1e-9)

    def bar(words: str, dE00: float, start: float, end: float) -> Bar:
        left, right = sorted((start, end))
        scale = 100 / (high - low)
        x, width = f"{(left - low) * scale:.1f}%", f"{(right - left) * scale:.1f}%"
        return Bar(words, dE00, x, width, end < start)

    found = [
        bar(row.label, row.dE00, start, end)
        for row, start, end in zip(rows, ends, ends[1:], strict=False)
    ]
    return [*found, bar("together", total_dE00, 0.0, total_dE00)]
