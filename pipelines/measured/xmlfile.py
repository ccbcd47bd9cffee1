"""XML from elsewhere: no entities, no document type, bounded depth and size."""

from __future__ import annotations

import io
from xml.etree.ElementTree import Element, ParseError

from defusedxml.common import DefusedXmlException
from defusedxml.ElementTree import iterparse

from pipelines.measured.block import check_counts, refuse

MAX_DEPTH = 50
MAX_ELEMENTS = 400_000
MAX_TAG_BYTES = 1_000_000  # parsers take far too long over a tag with a million attributes


def parse(data: bytes, file: str) -> Element:
    """The root element; raises UserError for anything but sound and harmless XML."""
    root, depth, count = None, 0, 0
    again = "export the file again"
    if max(map(len, data.replace(b"\0", b"").split(b"<"))) > MAX_TAG_BYTES:
        refuse(file, f"holds an element of more than {MAX_TAG_BYTES // 1_000_000} MB", again)
    try:
        for event, element in iterparse(io.BytesIO(data), ("start", "end"), forbid_dtd=True):
            if event == "end":
                depth -= 1
                continue
            root = element if root is None else root
            depth, count = depth + 1, count + 1
            check_counts(file, 0, len(element.attrib))
            if depth > MAX_DEPTH:
                refuse(file, f"elements are nested more than {MAX_DEPTH} deep", again)
            if count > MAX_ELEMENTS:
                what = f"holds more than {MAX_ELEMENTS} elements"
                refuse(file, what, "split it into several files")
    except DefusedXmlException:
        what = "declares a document type or entities, which readings never need"
        refuse(file, what, "export it again without them")
    except ParseError as error:
        line = error.position[0] if error.position else 1
        what = f"is not sound XML ({str(error).split(':')[0]})"
        refuse(file, what, f"it may be cut short: {again}", where=f"line {line}")
    except (ValueError, LookupError):  # an encoding nobody knows, or bytes that are not in it
        refuse(file, "is XML in an encoding that cannot be read", "export it as UTF-8")
    if root is None:
        refuse(file, "is empty", again)
    return root


def local(element: Element) -> str:
    """The element's name without its namespace."""
    return element.tag.rpartition("}")[2] if isinstance(element.tag, str) else ""


def text_of(element: Element) -> str:
    return " ".join((element.text or "").split())
