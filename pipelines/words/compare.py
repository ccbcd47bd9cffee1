"""Set-ups side by side: what they share, in what they differ, what comes of each."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from learn.colour.colorimetry import delta_e00
from learn.normal import Z90
from pipelines.words.common import SURE, chance, number, perhaps
from pipelines.words.prediction import NO_BASE, difference, interval, known, lab_of, setup_words
from pipelines.words.verdict import TOO_LITTLE, headline, vague

if TYPE_CHECKING:
    from learn.predict.beside import Beside

WIDTH = 88
# Others that may be nearest are named from this chance on, so many of them at most.
WORTH_NAMING, MOST_OTHERS = 0.1, 3


class SideBySide(NamedTuple):
    """n set-ups, in words."""

    shared: list[tuple[str, str]]  # heading and words of what all have in common
    labels: list[str]  # n, what differs in one line


def side_by_side(setups: Sequence[Mapping]) -> SideBySide:
    """``setups``: rows with the columns of a set-up and the names of inks and garments."""
    told = [dict(setup_words(setup)) for setup in setups]
    headings = list(dict.fromkeys(heading for one in told for heading in one))
    cells = {h: [one.get(h, "not given") for one in told] for h in headings}
    differs = [h for h in headings if len(set(cells[h])) > 1]
    shared = [(h, cells[h][0]) for h in headings if h not in differs]
    own = zip(*(cells[h] for h in differs), strict=True) if differs else ()
    labels = ["; ".join("no base" if c == NO_BASE else c for c in row) for row in own]
    return SideBySide(shared, labels or [""] * len(told))


def answer(rows: Sequence[Mapping], labels: Sequence[str], chances: Beside) -> list[str]:
    """Which lies nearest to the target, or to the bucket, and how far the prints are apart; how
    surely, where that is not plain."""
    aimed = all(known(row, "target_dE00") is not None for row in rows)
    goal, prefix = ("target", "target") if aimed else ("bucket", "shift")
    off = [np.nan if (d := difference(row, prefix)) is None else d for row in rows]
    if np.isnan(off).all():
        return [f"{TOO_LITTLE}: none is told to be nearer to the {goal}."]
    best = int(np.nanargmin(off))
    p = chances.nearest[best]
    others = [int(i) for i in np.argsort(-chances.nearest, kind="stable") if i != best]
    worth = [i for i in others if chances.nearest[i] >= WORTH_NAMING and not np.isnan(off[i])]

    def lies(i: int) -> str:
        return f"{i + 1} ({labels[i]}), {number(off[i])} dE00"

    told = f"Nearest to the {goal}: {perhaps(p)}{lies(best)}"
    if p < SURE:
        told += "".join(f", or {lies(i)}" for i in worth[:MOST_OTHERS])
    found = [f"{told}."]
    if len({str(row["ink_id"]) for row in rows}) == 1 and not any(map(vague, rows)):
        lab = np.array([lab_of(row) for row in rows])
        apart = delta_e00(lab[:, None], lab[None])
        one, other = sorted(np.unravel_index(np.argmax(apart), apart.shape))
        which = f"Furthest apart: {perhaps(chances.furthest[one, other])}{one + 1} and {other + 1}"
        far = f"{number(apart.max())} dE00"
        two = f"One print lies {far} from the other."
        found.append(two if len(rows) == 2 else f"{which}, {far} from one print to the other.")
    return found


def block(rows: Sequence[Mapping], found: SideBySide, answered: Sequence[str]) -> str:
    """Set-ups side by side as plain text; ``rows``: predictions with their set-ups' cells;
    ``answered``: by `answer`."""
    width = max(len(heading) for heading, _ in found.shared) if found.shared else 0
    lines = [line for said in answered for line in textwrap.wrap(said, WIDTH)]
    lines += [f"  {heading:<{width}}  {words}" for heading, words in found.shared]
    if lab_of(rows[0], "target_") is not None:
        target = "  ".join(f"{c} {number(rows[0]['target_' + c])}" for c in "Lab")
        lines.append(f"  {'Target':<{width}}  {target}")
    for i, (row, label) in enumerate(zip(rows, found.labels, strict=True)):
        said = headline(row).upper().replace("DE00", "dE00")
        lines += ["", f"{i + 1:>3}  {label}", f"     {said}", f"     {_numbers(row)}"]
    return "\n".join(lines)


def _numbers(row: Mapping) -> str:
    bands = [f"{c} {number(row[c])} +- {number(Z90 * row[c + '_sd'])}" for c in "Lab"]
    parts = ["  ".join(bands)]
    for goal, prefix in (("bucket", "shift"), ("target", "target")):
        if (off := difference(row, prefix)) is not None:
            parts.append(f"{goal} {number(off)} ({interval(row, prefix)})")
    parts.append(f"chance {chance(known(row, 'p_in_tolerance'))}")
    return "   ".join(parts)
