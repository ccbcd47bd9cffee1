"""What a file declares of how it was measured, from keywords and from free text."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping

from pipelines.measured.block import CONDITIONS, listed, refuse

# Keywords that hold one fact, in order of trust.
_KEYWORDS = {
    "measurement_condition": (
        "MEASUREMENT_CONDITION",
        "MEASUREMENT_CONDITIONS",
        "MEASUREMENT_MODE",
        "FILTER",
        "FILTER_STATUS",
    ),
    "backing": ("SAMPLE_BACKING", "MEASUREMENT_BACKING", "BACKING"),
    "illuminant": ("ILLUMINANT", "ILLUMINANT_NAME"),
    "observer": ("OBSERVER", "OBSERVER_ANGLE"),
    "geometry": ("MEASUREMENT_GEOMETRY", "GEOMETRY"),
    "instrument": ("INSTRUMENT", "TARGET_INSTRUMENT", "INSTRUMENTATION"),
    "created": ("CREATED",),
}
# Keywords whose text may tell any of them, in order of trust.
_FREE_TEXT = (
    "WEIGHTING_FUNCTION",
    "COMPUTATIONAL_PARAMETER",
    "INSTRUMENTATION",
    "MEASUREMENT_SOURCE",
)
HEADER_KEYWORDS = {*_FREE_TEXT, *(key for keys in _KEYWORDS.values() for key in keys)}

_PATTERNS = {
    "measurement_condition": r"(?<![A-Za-z0-9])M([0-3])(?![A-Za-z0-9])",
    "backing": r"\b(white|black|self|own)[\s-]*back|back(?:ing)?[\s:=\"-]{1,3}(white|black|self)",
    "illuminant": r"(?<![A-Za-z0-9])(D50|D55|D60|D65|D75)(?![A-Za-z0-9])"
    r"|illuminant[\s,:=\"-]{1,3}(?:CIE\s)?(?:type\s)?([ACE]|FL?1?[0-9])(?![A-Za-z0-9])",
    "observer": r"(?<![0-9])(2|10)[\s_-]*(?:°|deg)|(?:observer|angle)[\s,:=\"-]{1,3}(2|10)\b",
    "geometry": r"(?<![0-9/])(45|0|8|d|di|de)\s?°?\s?[/:]\s?(45|0|8|d)(?![0-9/])",
}


def normal(fact: str, text: str) -> str:
    """A declared value in the form in which it is compared: D50, 2, M1, white, 45:0."""
    text = " ".join(text.split())
    if found := sorted(_found(fact, text)):
        return " or ".join(found)
    if fact == "illuminant":
        bare = re.fullmatch(r"(?:CIE\s)?(?:standard\s)?(?:illuminant\s)?FL?1?[0-9]|[ACE]", text)
        return text.split()[-1].replace("FL", "F") if bare else text
    if fact == "observer":
        bare = re.fullmatch(r"(?:CIE\s)?(2|10|1931|1964)(?:\.0+)?", text)
        return {"1931": "2", "1964": "10"}.get(bare[1], bare[1]) if bare else text
    if fact == "backing":
        word = re.search(r"white|black|self|own", text, re.IGNORECASE)
        return word[0].lower().replace("own", "self") if word else text.lower()
    return text


def from_keywords(header: Mapping[str, Iterable[str]], file: str) -> dict[str, str]:
    """Facts from header keywords (upper case) and their values.

    Raises UserError where keywords of one rank contradict each other.
    """
    facts: dict[str, str] = {}
    for fact, keywords in _KEYWORDS.items():
        for keyword in keywords:
            values = {normal(fact, text) for text in header.get(keyword, ()) if text.strip()}
            if fact == "measurement_condition":  # a filter may be named by other words
                values = {value for value in values if re.fullmatch(r"M[0-3]", value)}
            if values:
                facts[fact] = _one(fact, values, file, keyword)
                break
    for keyword in _FREE_TEXT:
        for fact in CONDITIONS:
            if fact not in facts:
                values = {v for text in header.get(keyword, ()) for v in _found(fact, text)}
                if values:
                    facts[fact] = _one(fact, values, file, keyword)
    return facts


def _found(fact: str, text: str) -> set[str]:
    if fact not in _PATTERNS:
        return set()
    matches = re.finditer(_PATTERNS[fact], text, re.IGNORECASE)
    found = [[group for group in match.groups() if group] for match in matches]
    match fact:
        case "measurement_condition":
            return {f"M{groups[0]}" for groups in found}
        case "backing":
            return {groups[0].lower().replace("own", "self") for groups in found}
        case "illuminant":
            return {groups[0].upper().replace("FL", "F") for groups in found}
        case "geometry":
            return {":".join(groups).lower() for groups in found}
        case _:
            return {groups[0] for groups in found}


def _one(fact: str, values: set[str], file: str, keyword: str) -> str:
    if len(values) > 1 and fact in CONDITIONS:
        what = f"declares several {CONDITIONS[fact]}, {listed(sorted(values))}"
        refuse(file, what, "export one condition a file", column=keyword)
    return "; ".join(sorted(values))
