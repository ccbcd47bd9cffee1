"""The plants of a group side by side, in a block of text; what differs between them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

from pipelines.words.common import counted, number, percent


@dataclass(frozen=True)
class Plant:
    """One shop of a group at a glance; plain values, so that it can be kept as JSON.

    ``error`` (median dE00) and ``in_bands`` (share): every past print as predicted without its job;
    ``physics``: by physics alone, on the jobs held back when it was learnt; ``asked``: share of
    past prints for which a test print would have been asked; ``held``: share of the others that
    came within tolerance; ``kinds``: (what was left out, prints, median dE00, share in the bands);
    ``curve``: (prints learnt from, median dE00 of those that followed).
    """

    name: str
    prints: int
    viewing: str
    condition: str | None = None
    version: str | None = None
    made: str = ""
    done: str = ""
    error: float | None = None
    physics: float | None = None
    in_bands: float | None = None
    asked: float | None = None
    held: float | None = None
    drift: list[str] | None = None
    doubts: int = 0
    news: int = 0
    kinds: list[tuple[str, int, float, float]] = field(default_factory=list)
    curve: list[tuple[int, float]] = field(default_factory=list)
    advice: str = ""

    @property
    def model(self) -> str:
        """Its version, and of which day."""
        return f"{self.version} of {self.made}" if self.version else "none yet"

    @property
    def tests(self) -> str:
        """``31 of 100 asked for, 69 spared``"""
        if self.asked is None:
            return "-"
        asked = round(100 * self.asked)
        return f"{asked} of 100 asked for, {100 - asked} spared"

    @property
    def drifted(self) -> str:
        """How much has drifted, in two or three words."""
        if self.drift is None:
            return "not looked for"
        return counted(len(self.drift), "drift") if self.drift else "none seen"

    @property
    def share(self) -> str:
        """Of L, a and b in their 90 % bands."""
        return "-" if self.in_bands is None else percent(self.in_bands)


HEAD = ("plant", "prints", "model", "error", "in bands", "test prints", "drift")
LEGEND = (
    "Error: half of the prints came within so many dE00 of the prediction; in bands: share of L, a "
    "and b that the 90 % bands held; test prints: of 100. All of past prints, each predicted "
    "without its job."
)


def block(title: str, plants: Sequence[Plant], failed: dict[str, str], asked: int) -> list[str]:
    """All of it for a terminal; ``failed``: shop -> why; ``asked``: how many shops there are."""
    lines = [f"{title}: {len(plants)} of {counted(asked, 'plant')}."]
    if plants:
        rows = [HEAD, *map(_cells, plants)]
        widths = [max(len(row[i]) for row in rows) for i in range(len(HEAD))]
        right = (1, 3, 4)
        lines += [
            "  ".join(
                cell.rjust(w) if i in right else cell.ljust(w)
                for i, (cell, w) in enumerate(zip(row, widths, strict=True))
            ).rstrip()
            for row in rows
        ]
        lines.append(LEGEND)
    for plant in plants:
        lines += [f"{plant.name}: {text}" for text in told(plant)]
    lines += differences(plants)
    lines += not_done(failed)
    return lines


def _cells(plant: Plant) -> tuple[str, ...]:
    return (
        *(plant.name, str(plant.prints), plant.model, number(plant.error, 2), plant.share),
        *(plant.tests, plant.drifted),
    )


def told(plant: Plant) -> Iterator[str]:
    """What there is to say of one plant beside its figures."""
    if plant.done:
        yield plant.done
    yield from plant.drift or []
    if plant.news:
        yield f"{counted(plant.news, 'print')} not learnt yet; strikeoff learn takes them in."
    if plant.doubts:
        yield f"{counted(plant.doubts, 'print')} to decide on; strikeoff doubts lists them."
    if plant.held is not None:
        yield (
            f"of the prints for which no test would have been asked, {percent(plant.held)} came "
            "within tolerance."
        )
    if plant.curve and plant.error is not None:
        n, error = plant.curve[-1]
        yield (
            f"learnt from {counted(n, 'print')}, half of those that followed came within "
            f"{number(error, 2)} dE00; from all, within {number(plant.error, 2)}."
        )
    if plant.advice:
        yield plant.advice


def differences(plants: Sequence[Plant]) -> list[str]:
    """Plants whose colours are measured or looked at otherwise than those of most."""
    lines = []
    for part, what, many in (
        ("viewing", "gives its colours under", "the others under"),
        ("condition", "measures under condition", "the others under"),
    ):
        known = [p for p in plants if getattr(p, part) is not None]
        counts = Counter(getattr(p, part) for p in known)
        if len(counts) < 2:
            continue
        usual = counts.most_common(1)[0][0]
        lines += [
            f"{p.name} {what} {getattr(p, part)}, {many} {usual}: its figures and colours "
            "cannot be held against theirs."
            for p in known
            if getattr(p, part) != usual
        ]
    return lines


def not_done(failed: dict[str, str]) -> list[str]:
    """Why a shop was left out, a line each."""
    return [f"Not done: {name}: {why}." for name, why in failed.items()]


def from_json(values: dict[str, Any]) -> Plant:
    """A plant that was kept as JSON; raises TypeError or ValueError where it is none."""
    kinds = [(str(k), int(n), float(e), float(s)) for k, n, e, s in values.pop("kinds")]
    curve = [(int(n), float(e)) for n, e in values.pop("curve")]
    return Plant(**values, kinds=kinds, curve=curve)
