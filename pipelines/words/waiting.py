"""What prints that wait for a decision leave in doubt, in the words of the press floor."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from typing import TYPE_CHECKING

from pipelines.words.common import counted, listed, named
from pipelines.words.verdict import Called

if TYPE_CHECKING:
    from learn.monitoring.waiting import Waiting

UNTIL = "Until somebody decides, nothing with these goes straight to production."
MOST, SHOWN = 6, 8  # sentences; prints named in one
SUBJECTS = {
    "era": "Press {}: {of} on it",
    "mesh": "Mesh {}: {of} through it",
    "ink": "{}: {of} of it",
    "laid_on": "Garment {}: {of} on it",
}
KIND = {"era": "press", "ink": "ink", "laid_on": "garment"}


def in_doubt_lines(found: Collection[Waiting], called: Called) -> Iterator[str]:
    """A sentence for each lot, press, ... in doubt."""
    told = _widest(found)
    for one in told[:MOST]:
        yield waiting_sentence(one, called)
    if len(told) > MOST:
        yield f"And {counted(len(told) - MOST, 'more thing')} in doubt in that way."


def waiting_lines(found: Collection[Waiting], called: Called) -> Iterator[str]:
    """The same, and what to do about all of them."""
    if not found:
        return
    yield from in_doubt_lines(found, called)
    ids = list(dict.fromkeys(name for one in found if one.agree for name in one.waits))
    if ids:
        more = " ..." if len(ids) > SHOWN else ""
        yield (
            f"If they were measured right, strikeoff doubts keep {' '.join(ids[:SHOWN])}{more} "
            f"lets them be learnt. {UNTIL}"
        )
    else:
        yield f"strikeoff doubts lists them: keep those that were measured right. {UNTIL}"


def _widest(found: Collection[Waiting]) -> list[Waiting]:
    """Without those all of whose prints wait of something else, of more than these, as well."""
    sets = [set(one.waits) for one in found]
    return [one for one, own in zip(found, sets, strict=True) if not any(own < s for s in sets)]


def waiting_sentence(one: Waiting, called: Called) -> str:
    """``Bright red (C08), lot 24-06: both latest prints of it lie far from expected and wait for a
    decision (N01 and N02); they bear each other out.``"""
    column, level = one.level
    name, _, more = level.partition("\x1f")
    n, lately = len(one.waits), one.lately
    of = f"{n} of the {lately} latest prints"
    if n == lately:
        of = {1: "the latest print", 2: "both latest prints"}.get(n, f"all {n} latest prints")
    if column == "lot":
        head = f"{named(name, called['ink'].get(name))}, lot {more}: {of} of it"
    else:
        thing = named(name, called.get(KIND.get(column, ""), {}).get(name))
        head = SUBJECTS[column].format(thing, of=of)
    ids = [*one.waits[:SHOWN], *([f"{n - SHOWN} more"] if n > SHOWN else [])]
    agree = "; they bear each other out" if one.agree and n > 1 else ""
    lie, wait = ("lie", "wait") if lately > 1 else ("lies", "waits")
    return f"{head} {lie} far from expected and {wait} for a decision ({listed(ids)}){agree}."
