"""What set-ups leave open that would go if it were as usual, in sentences."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, NamedTuple

from learn.process import SETTINGS
from pipelines.words.common import chance, counted, named

if TYPE_CHECKING:
    from pipelines.words.common import Names

TOLD = 5  # so many set-ups are named
GIVE = "Give what is really so before a test is printed."


class LeftOpen(NamedTuple):
    """A set-up that wants a test print, and would go if what it leaves open were as usual."""

    setup_id: str
    cells: dict[str, object]  # column -> how the shop mostly does it
    p_in_tolerance: float


def one_left_open(one: LeftOpen, presses: Names) -> str:
    """What to fill in, of the one set-up that was asked about."""
    return (
        f"with {_cells(one.cells, presses)}, as the shop mostly has it, this would go straight to "
        f"production ({chance(one.p_in_tolerance)}). {GIVE}"
    )


def many_left_open(found: Sequence[LeftOpen], presses: Names) -> str:
    """What to fill in, of set-ups of a file."""
    each = [f"{one.setup_id} ({_cells(one.cells, presses)})" for one in found[:TOLD]]
    each += [f"and {len(found) - TOLD} more"] * (len(found) > TOLD)
    leave = "it leaves" if len(found) == 1 else "they leave"
    return (
        f"{counted(len(found), 'set-up')} with a test print first would go straight to production "
        f"if what {leave} open were as the shop mostly has it: {'; '.join(each)}. {GIVE}"
    )


def _cells(cells: Mapping[str, object], presses: Names) -> str:
    """``press P1, off-contact 2 mm and stencil 15 um over mesh``."""
    press = str(cells.get("press_id", ""))
    said = [f"press {named(press, presses.get(press))}"] if press else []
    said += [f"{s.label} {cells[s.name]:g} {s.unit}" for s in SETTINGS if s.name in cells]
    return " and ".join(filter(None, [", ".join(said[:-1]), said[-1]]))
