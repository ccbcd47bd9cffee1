"""Spot-colour characterisation of ISO 17972-4 inside CxF3: which object is which tint.

One element an ink, with sets of measurements over the bare substrate and over black, each
measurement referring to an object. The names below are from memory: an element called
SpotInkCharacterisation (or with z), and below it anything that names an object of the file,
under an attribute or element about background (black or not) and about tint (percent).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from xml.etree.ElementTree import Element

from pipelines.measured.block import refuse
from pipelines.measured.xmlfile import local, text_of
from pipelines.tables.cells import shown

_REFERENCE = re.compile(r"(object|sample|measurement)?_?(id)?ref(erence)?|objectid|objectref")


@dataclass(frozen=True)
class Tint:
    """``over``: "substrate" or "black"; ``tint_pct`` 0 to 100, NaN if not told."""

    ink: str | None
    over: str | None
    tint_pct: float


def spot_inks(root: Element, file: str, said: list[str]) -> dict[str, Tint]:
    """Object Id -> ink, background and tint, of all characterisations in the file."""
    tints: dict[str, Tint] = {}
    for element in root.iter():
        if not re.fullmatch(r"SpotInkCharacteri[sz]ation", local(element)):
            continue
        ink = _fact(element, "spotinkname") or _fact(element, "name") or ""
        mine: dict[str, Tint] = {}
        _walk(element, Tint(" ".join(ink.split()) or None, "substrate", float("nan")), mine, file)
        if again := sorted(tints.keys() & mine.keys()):
            # The bare substrate may serve several inks; anything else cannot be two things.
            for key in again:
                if tints[key].tint_pct != 0 or mine[key].tint_pct != 0:
                    what = f"object {shown(key)} is claimed by two inks"
                    refuse(file, what, "export the file again")
        tints |= mine
        counts = [sum(t.over == over for t in mine.values()) for over in ("substrate", "black")]
        said.append(
            f"Spot colour {ink or '(no name)'}: {counts[0]} patches over the substrate, "
            f"{counts[1]} over black."
        )
    return tints


def _walk(element: Element, above: Tint, tints: dict[str, Tint], file: str) -> None:
    over, pct = above.over, above.tint_pct
    if background := _fact(element, "background") or _fact(element, "backing"):
        over = "black" if "black" in background.casefold() else "substrate"
    if text := next((t for n, t in _facts(element).items() if "tint" in n), None):
        pct = _percent(text, file)
    here = Tint(above.ink, over, pct)
    for name, text in _facts(element).items():
        if _REFERENCE.fullmatch(name) and text and tints.setdefault(text, here) != here:
            what = f"object {shown(text)} is claimed as two different patches"
            refuse(file, what, "export the file again")
    for child in element:
        _walk(child, here, tints, file)


def _facts(element: Element) -> dict[str, str]:
    """Attributes and leaf children of an element by lower-case name."""
    facts = {local(child).casefold(): text_of(child) for child in element if not len(child)}
    return facts | {k.rpartition("}")[2].casefold(): v.strip() for k, v in element.attrib.items()}


def _fact(element: Element, name: str) -> str | None:
    return _facts(element).get(name)


def _percent(text: str, file: str) -> float:
    if not re.fullmatch(r"[0-9]{1,3}(\.[0-9]*)?\s*%?", text) or float(text.rstrip("% ")) > 100:
        refuse(file, f"a tint of {shown(text)} is no percentage", "export the file again")
    return float(text.rstrip("% "))
