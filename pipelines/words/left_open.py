"""What set-ups leave open that would go if it were as usual, in sentences."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, NamedTuple

from learn.process import SETTINGS
from learn.shop import NEW_LOT
from pipelines.words.common import chance, counted, named

if TYPE_CHECKING:
    from pipelines.words.common import Names

    Things = Mapping[str, Names]

TOLD = 5  # so many set-ups are named
GIVE = "Give what is really so before a test is printed."
RECORD = "in a table with the columns of drawdowns.csv, the lot as ink_lot"
ELSE = "If it reads otherwise, the answer goes by that."


class CardOf(NamedTuple):
    """A card of a lot, drawn down as the ink's own was."""

    ink: str
    lot: str
    film_um: float
    over: tuple[str, ...]  # substrates


class LeftOpen(NamedTuple):
    """A set-up that wants a test print, and would go if what it leaves open were as usual."""

    setup_id: str
    cells: dict[str, object]  # column -> how the shop mostly does it
    p_in_tolerance: float
    card: CardOf | None = None  # of its lot, if it reads like the ink's own


def one_left_open(one: LeftOpen, things: Things) -> str:
    """What to fill in, or which card to draw down, of the one set-up that was asked about.

    ``things``: what inks, garments and presses are called (`Catalogue.things`).
    """
    how_likely = f"straight to production ({chance(one.p_in_tolerance)})"
    usual = f"with {_cells(one.cells, things)}, as the shop mostly has it" if one.cells else ""
    if one.card is None:
        return _sentence(f"{usual}, this would go {how_likely}. {GIVE}")
    lot = _lot(one.card, things)
    return _sentence(
        f"{lot} was never printed, and a card of it may do instead of a test "
        f"print: draw it down {_drawn(one.card, things)}, as the ink's own was, and record what it "
        f"reads, {RECORD}. If it reads like the ink's own, this goes {how_likely}"
        f"{', ' * bool(usual)}{usual}. {ELSE}"
    )


def many_left_open(found: Sequence[LeftOpen], things: Things) -> list[str]:
    """What to fill in, and which cards to draw down, of set-ups of a file: a sentence or two."""
    told = []
    if open_cells := [one for one in found if one.card is None]:
        leave = "it leaves" if len(open_cells) == 1 else "they leave"
        told.append(
            f"{counted(len(open_cells), 'set-up')} with a test print first would go straight to "
            f"production if what {leave} open were as the shop mostly has it: "
            f"{_some([_with_cells(one, things) for one in open_cells])}. {GIVE}"
        )
    by_card: dict[CardOf, list[LeftOpen]] = {}
    for one in found:
        if one.card is not None:
            by_card.setdefault(one.card, []).append(one)
    if by_card:
        n = sum(map(len, by_card.values()))
        each = [
            f"{_lot(card, things)}, {_drawn(card, things)}, for "
            + ", ".join(_with_cells(one, things, "with ") for one in ones)
            for card, ones in by_card.items()
        ]
        first = "it goes" if n == 1 else "they go"
        told.append(
            f"{counted(n, 'set-up')} with a test print first may do with a card of a lot that was "
            f"never printed: {first} straight to production if it reads like the ink's own. Draw "
            f"down, as these were, {_some(each)}; and record what they read, {RECORD}. {ELSE}"
        )
    return told


def _sentence(said: str) -> str:
    return f"{said[:1].upper()}{said[1:]}"


def _some(each: Sequence[str]) -> str:
    return "; ".join([*each[:TOLD], *[f"and {len(each) - TOLD} more"] * (len(each) > TOLD)])


def _with_cells(one: LeftOpen, things: Things, how: str = "") -> str:
    return f"{one.setup_id} ({how}{_cells(one.cells, things)})" if one.cells else one.setup_id


def _lot(card: CardOf, things: Things) -> str:
    """``lot 24-07 of Bright red (C08)``."""
    which = "a new lot" if card.lot == NEW_LOT else f"lot {card.lot}"
    return f"{which} of {named(card.ink, things['ink'].get(card.ink))}"


def _drawn(card: CardOf, things: Things) -> str:
    """``at 40 um over White card (W) and Black card (K)``."""
    over = [named(one, things["garment"].get(one)) for one in card.over]
    return f"at {card.film_um:g} um over {' and '.join(over)}"


def _cells(cells: Mapping[str, object], things: Things) -> str:
    """``1 flash between strokes, press P1, off-contact 2 mm and stencil 15 um over mesh``."""
    said, press = [], str(cells.get("press_id", ""))
    if "flash_count" in cells:
        n = float(str(cells["flash_count"]))
        said.append(f"{counted(n, 'flash', 'flashes') if n else 'no flash'} between strokes")
    if press:
        said.append(f"press {named(press, things['press'].get(press))}")
    said += [f"{s.label} {cells[s.name]:g} {s.unit}" for s in SETTINGS if s.name in cells]
    return " and ".join(filter(None, [", ".join(said[:-1]), said[-1]]))
