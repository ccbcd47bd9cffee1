"""What a file declares of how it was measured, from keywords, columns and free text."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping

from pipelines.measured.block import CONDITIONS, listed, refuse
from pipelines.tables.cells import shown

# A keyword or a column -> the fact it holds, in order of trust; in small letters, without blanks
# and underscores. Of CGATS.17: MEASUREMENT_SOURCE, MEASUREMENT_GEOMETRY, FILTER, POLARIZATION,
# SAMPLE_BACKING, WEIGHTING_FUNCTION and COMPUTATIONAL_PARAMETER (from memory); ILLUMINANT,
# OBSERVER, DEVICE_CLASS and INSTRUMENTATION as seen in files; the rest is words of the trade.
FIELDS = {
    "measurementcondition": "measurement_condition",
    "measurementconditions": "measurement_condition",
    "mcondition": "measurement_condition",
    "messbedingung": "measurement_condition",
    "measurementmode": "measurement_condition",
    "mode": "measurement_condition",
    "filter": "filter",
    "filterstatus": "filter",
    "uvfilter": "filter",
    "polarization": "filter",
    "polarisation": "filter",
    "polarizer": "filter",
    "polarizationfilter": "filter",
    "polarisationfilter": "filter",
    "samplebacking": "backing",
    "measurementbacking": "backing",
    "backing": "backing",
    "illuminant": "illuminant",
    "illuminantname": "illuminant",
    "illuminationname": "illuminant",
    "illumination": "illuminant",
    "lightsource": "illuminant",
    "lichtart": "illuminant",
    "illum": "illuminant",
    "light": "illuminant",
    "licht": "illuminant",
    "illuminantobserver": "illuminant",
    "observer": "observer",
    "observerangle": "observer",
    "standardobserver": "observer",
    "beobachter": "observer",
    "normalbeobachter": "observer",
    "measurementgeometry": "geometry",
    "geometry": "geometry",
    "specular": "specular",
    "specularcomponent": "specular",
    "measurementtype": "quantity",
    "deviceclass": "quantity",
    "whitebase": "white",
    "colourspace": "space",
    "colorspace": "space",
    "colourscale": "space",
    "colorscale": "space",
    "farbraum": "space",
    "instrument": "instrument",
    "targetinstrument": "instrument",
    "instrumentation": "instrument",
    "created": "created",
}
_LOOSE = ("light", "licht")  # columns that may be about anything: only a light known here counts
# Keywords whose text may tell any of them, in order of trust.
_FREE_TEXT = (
    "weightingfunction",
    "computationalparameter",
    "instrumentation",
    "measurementsource",
    "descriptor",
)
_HINTS = re.compile(
    r"illum|observ|filter|polari|backing|geometr|specular|transmi|emissi|light|uvcut|measurementcond",
)

_LIGHT = r"D50|D55|D60|D65|D75"
_BETWEEN = r"\s*[/,;_-]\s*"
_PATTERNS = {
    "measurement_condition": r"(?<![A-Za-z0-9])M([0-3])(?![A-Za-z0-9])",
    "backing": r"\b(white|black|self|own)[\s-]*back|back(?:ing)?[\s:=\"-]{1,3}(white|black|self)",
    "illuminant": rf"(?<![A-Za-z0-9])({_LIGHT})(?![A-Za-z0-9])"
    r"|illuminant[\s,:=\"-]{1,3}(?:CIE\s)?(?:type\s)?([ACE]|FL?1?[0-9])(?![A-Za-z0-9])"
    rf"|^(?:CIE\s)?([ACE]|FL?1?[0-9]){_BETWEEN}(?:2|10)\b",
    "observer": r"(?<![0-9])(2|10)[\s_-]*(?:°|deg)|(?:observer|angle)[\s,:=\"-]{1,3}(2|10)\b"
    rf"|\b(?:{_LIGHT}|[ACE]|FL?1?[0-9]){_BETWEEN}(2|10)\b|\b(1931|1964)\b",
    "geometry": r"(?<![0-9/])(45|0|8|d|di|de)\s?°?\s?[/:]\s?(45|0|8|d)(?![0-9/])",
    "specular": r"(?<![a-z])(di\s?[:/]\s?8|SPIN|SCI|specular (?:component )?included)(?![a-z])"
    r"|(?<![a-z])(de\s?[:/]\s?8|SPEX|SCE|specular (?:component )?excluded)(?![a-z])",
    "filter": r"(?<![a-z])filter[\s:=]{1,3}\"?([\w-]+)",
    # What else than absolute white a reflectance is of: the bare ground is then no part of it.
    "white": r"white[\s_-]?base[\s:=\"-]{1,3}(pap\w*|rel\w*|sub\w*|media)"
    r"|^\s*(pap\w*|rel\w*|sub\w*|media)\s*$",
    "space": r"(hunter|luv|yuv|xyy|lch|hsv|hsl|rgb|din\s?-?99|yxy|munsell)",
    "quantity": r"(transmitt|transmiss|transpar|emissi|radian|(?<!il)luminan|display|emisinput"
    r"|projector|monitor)",
}
_YEARS = {"1931": "2", "1964": "10"}


def plain(field: str) -> str:
    """A keyword or the head of a column as `FIELDS` has it."""
    return re.sub(r"[\W_]", "", field).casefold()


def is_field(keyword: str) -> bool:
    """Whether a keyword may tell how the readings were made, understood or not."""
    name = plain(keyword)
    return name in FIELDS or name in _FREE_TEXT or bool(_HINTS.search(name))


def not_understood(keyword: str) -> bool:
    """Whether a field that is not known may tell how the readings were made."""
    name = plain(keyword)
    return bool(_HINTS.search(name)) and name not in FIELDS and name not in _FREE_TEXT


def heard(field: str, column: Iterable[str]) -> bool:
    """Whether a column of conditions or of gloss tells something, or nothing is in it."""
    texts = [text for text in {*column} if text.strip()]
    telling = FIELDS.get(plain(field)) in ("measurement_condition", "specular")
    return not telling or all(understood(field, text) for text in texts)


def normal(fact: str, text: str) -> str:
    """A declared value in the form in which it is compared: D50, 2, M1, white, 45:0."""
    text = " ".join(text.split())
    if found := sorted(found_in(fact, text)):
        return " or ".join(found)
    if fact == "illuminant":
        bare = re.fullmatch(r"(?:CIE\s)?(?:standard\s)?(?:illuminant\s)?FL?1?[0-9]|[ACE]", text)
        return text.split()[-1].replace("FL", "F") if bare else text
    if fact == "observer":
        bare = re.fullmatch(r"(?:CIE\s)?(2|10)(?:\.0+)?", text)
        return bare[1] if bare else text
    if fact == "backing":
        word = re.search(r"white|black|self|own", text, re.IGNORECASE)
        return word[0].lower().replace("own", "self") if word else text.lower()
    return text


def understood(field: str, text: str) -> dict[str, str]:
    """All that one field tells: light and observer may stand in one, the gloss in the geometry."""
    name, text = plain(field), " ".join(text.split())
    fact = FIELDS[name]
    told = _besides(fact, text)
    match fact:
        case "measurement_condition":  # a filter may be named by other words
            if re.fullmatch(r"M[0-3]", value := normal(fact, text)):
                told[fact] = value
            told |= _geometry("mode", text)
        case "filter":
            if behind := _behind_a_filter(name, text):
                told[fact] = behind
        case "geometry" | "specular":
            told |= _geometry(fact, text)
        case "quantity":
            pass
        case "white" | "space":
            if found := found_in(fact, text):
                told[fact] = found.pop()
        case _ if name not in _LOOSE:
            told.setdefault(fact, normal(fact, text))
    return told


def _besides(fact: str, text: str) -> dict[str, str]:
    """What stands in a field that is another's to tell: light and observer, light let through."""
    told: dict[str, str] = {}
    for other in ("illuminant", "observer"):
        if fact in ("illuminant", "observer") and (found := found_in(other, text)):
            told[other] = " or ".join(sorted(found))
    if fact in ("measurement_condition", "geometry", "quantity") and (
        found := found_in("quantity", text)
    ):
        told["quantity"] = found.pop()
    if fact == "geometry" and re.search(r"[/:]\s*180|180\s*°?\s*[/:]", text):
        told["quantity"] = "light let through"
    return told


def _geometry(fact: str, text: str) -> dict[str, str]:
    """Geometry, and whether the gloss is in it, which either may tell."""
    told = {"geometry": normal(fact, text)} if fact == "geometry" else {}
    if fact == "specular" and (word := re.match(r"in|ex", text.casefold())):
        told["specular"] = f"{word[0]}cluded"
    if found := found_in("specular", text):
        told["specular"] = " or ".join(sorted(found))
    return told


def _behind_a_filter(name: str, text: str) -> str | None:
    """M0 to M3 of a filter's name, else what it is; None where it says nothing.

    ISO 13655: M2 is without ultraviolet, M3 polarised; a lamp without any filter and without
    another word is M0 (common practice, no source).
    """
    word = re.sub(r"[\W_]", "", text).casefold().removeprefix("filter")
    on = word in ("yes", "true", "on", "1", "crossed", "linear")
    off = word in (
        "",
        "no",
        "none",
        "not",
        "off",
        "false",
        "0",
        "nofilter",
        "without",
        "unfiltered",
    )
    if name.startswith("polari"):
        return "M3" if on or (not off and "pol" in word and not word.startswith("un")) else None
    if name == "uvfilter":
        return "M2" if on or re.search(r"cut|excl|block", word) else None
    if re.fullmatch(r"m[0-3]", word):
        return word.upper()
    if re.search(r"uv.*(cut|excl|block|off|barrier)|(no|without)uv", word):
        return "M2"
    if re.match(r"(x|cross)?pol", word):
        return "M3"
    if off:
        return "M0"
    return f"filter {text}" if "d65" in word or "partial" in word or "custom" in word else None


def from_keywords(
    header: Mapping[str, Iterable[str]], file: str, said: list[str]
) -> dict[str, str]:
    """Facts from header keywords (upper case) and their values.

    Raises UserError where keywords of one rank contradict each other, or one field another.
    """
    given = {plain(keyword): (keyword, [*values]) for keyword, values in header.items()}
    facts: dict[str, str] = {}
    aside: list[tuple[str, str, str]] = []  # what a field tells that is another's to tell
    for name, fact in FIELDS.items():
        keyword, values = given.get(name, ("", []))
        told = [understood(name, text) for text in values if text.strip()]
        if not heard(name, values):
            said.append(f"{keyword} {shown(values[0])} is not understood, and left aside.")
        own = {one[fact] for one in told if fact in one}
        if own and fact in ("illuminant", "observer"):
            own |= {facts[fact]} if fact in facts else set()
            facts[fact] = _one(fact, own, file, keyword)
        elif own and fact not in facts:
            facts[fact] = _one(fact, own, file, keyword)
        aside += [(k, v, keyword) for one in told for k, v in one.items() if k != fact]
    for fact, value, keyword in aside:
        if facts.setdefault(fact, value) != value:
            _one(fact, {value, facts[fact]}, file, keyword)
    for name in _FREE_TEXT:
        keyword, values = given.get(name, ("", []))
        for fact in CONDITIONS if name != "descriptor" else ("illuminant", "observer"):
            if fact in facts:
                continue
            if found := {v for text in values for v in found_in(fact, text)}:
                facts[fact] = _one(fact, found, file, keyword)
    for keyword, values in given.values():
        if not_understood(keyword) and any(text.strip() for text in values):
            said.append(f"{keyword} {shown(values[0])} is not understood, and left aside.")
    return facts


def of_columns(cells: Mapping[str, Iterable[str]], file: str) -> dict[str, str]:
    """Facts from columns that hold conditions; raises UserError where the rows are mixed."""
    facts: dict[str, str] = {}
    for field, column in cells.items():
        told = [understood(field, text) for text in {*column} if text.strip()]
        for fact in dict.fromkeys(key for one in told for key in one):
            values = {one[fact] for one in told if fact in one}
            if len(values) > 1 and fact in CONDITIONS:
                what = f"mixes {CONDITIONS[fact]}, {listed(sorted(values))}"
                refuse(file, what, "export one condition a file", column=field)
            value = "; ".join(sorted(values))
            if facts.setdefault(fact, value) != value:
                _one(fact, {value, facts[fact]}, file, field)
    return facts


def found_in(fact: str, text: str) -> set[str]:
    """All values of a fact that a text names."""
    if fact not in _PATTERNS:
        return set()
    matches = [*re.finditer(_PATTERNS[fact], text, re.IGNORECASE)]
    found = [[group for group in match.groups() if group] for match in matches]
    match fact:
        case "measurement_condition":
            return {f"M{groups[0]}" for groups in found}
        case "backing":
            return {groups[0].lower().replace("own", "self") for groups in found}
        case "illuminant":
            return {groups[0].upper().replace("FL", "F") for groups in found}
        case "observer":
            return {_YEARS.get(groups[0], groups[0]) for groups in found}
        case "geometry":
            return {":".join(groups).lower() for groups in found}
        case "specular":
            return {"included" if match[1] else "excluded" for match in matches}
        case "filter":
            values = (_behind_a_filter("filter", groups[0]) for groups in found)
            return {value for value in values if value}
        case "white" | "space":
            return {groups[0] for groups in found}
        case _:
            let_through = {groups[0].lower().startswith("trans") for groups in found}
            return {"light let through" if one else "light given off" for one in let_through}


def _one(fact: str, values: set[str], file: str, keyword: str) -> str:
    if len(values) > 1 and fact in CONDITIONS:
        what = f"declares several {CONDITIONS[fact]}, {listed(sorted(values))}"
        refuse(file, what, "export one condition a file", column=keyword)
    return "; ".join(sorted(values))
