"""CGATS / ISO 28178 data as XML: the ASCII form's keywords as element or attribute names.

The standard's own element names could not be checked, so none is relied upon: a row is the
innermost element that names a sample and a colour with the keywords of the ASCII form, be they
attributes (``<set SAMPLE_ID="1" LAB_L="50" .../>``), elements (``<LAB_L>50</LAB_L>``), named
values (``<field name="LAB_L">50</field>``) or one level deeper (``<LAB><L>50</L>...``).
"""

from __future__ import annotations

import re
from xml.etree.ElementTree import Element

import pandas as pd

from pipelines.measured.block import Block, check_counts, check_tables, refuse
from pipelines.measured.columns import columns_of
from pipelines.measured.facts import from_keywords, is_field
from pipelines.measured.xmlfile import local, text_of

_NAMED_BY = ("name", "field", "keyword", "id")
_VALUED_BY = ("value",)


def read_cgats_xml(root: Element, file: str, said: list[str]) -> list[Block]:
    """The tables of an XML document: one for every element that holds rows."""
    tables: list[list[dict[str, str]]] = []
    header: dict[str, list[str]] = {}
    _collect(root, tables, header, file)
    if not tables:
        what = "is XML, but neither CxF3 nor samples with the keywords of CGATS"
        refuse(file, what, "export CxF3, CGATS text or CSV")
    check_tables(file, len(tables))
    facts = from_keywords(header, file, said)
    blocks = []
    start = 1
    for rows in tables:
        names = list(dict.fromkeys(name for row in rows for name in row))
        check_counts(file, len(rows), len(names))
        cells = [[row.get(name, "") for name in names] for row in rows]
        where = [f"sample {n}" for n in range(start, start + len(rows))]
        start += len(rows)
        frame = pd.DataFrame(cells, columns=names, dtype=object)
        blocks.append(Block(frame, where, dict(facts)))
    said.append("Read as XML with the keywords of CGATS.")
    return blocks


def _collect(
    element: Element, tables: list[list[dict[str, str]]], header: dict[str, list[str]], file: str
) -> None:
    """Depth first: rows below ``element`` to ``tables``, everything else to ``header``."""
    rows = []
    for child in element:
        fields = _fields(child) if len(child) or len(child.attrib) > 1 else None
        if fields and _is_row(fields, file):
            rows.append(fields)
        else:
            _note(child, header)
            _collect(child, tables, header, file)
    if rows:
        tables.append(rows)


def _is_row(fields: dict[str, str], file: str) -> bool:
    columns = columns_of(list(fields), file)
    return columns.has_colour and bool(columns.samples)


def _fields(element: Element) -> dict[str, str] | None:
    """Field -> text of a row; None when a field stands there twice: then it is no row."""
    pairs = [(name.rpartition("}")[2], text) for name, text in element.attrib.items()]
    for child in element:
        if len(child):
            group = local(child)
            pairs += [(f"{group}_{local(leaf)}", text_of(leaf)) for leaf in child]
        else:
            pairs.append(_named_value(child))
    fields = dict(pairs)
    return fields if len(fields) == len(pairs) else None


def _named_value(leaf: Element) -> tuple[str, str]:
    """Name and text of a leaf, which may carry either in an attribute."""
    given = {key.rpartition("}")[2].casefold(): text for key, text in leaf.attrib.items()}
    nm = given.get("nm", given.get("wavelength"))
    name = f"nm{nm}" if nm else next((given[k] for k in _NAMED_BY if k in given), local(leaf))
    text = next((given[key] for key in _VALUED_BY if key in given), text_of(leaf))
    return name, text


def _note(element: Element, header: dict[str, list[str]]) -> None:
    pairs = [*element.attrib.items(), _named_value(element)]
    for name, text in pairs:
        words = re.sub(r"(?<=[a-z])(?=[A-Z])", "_", name.rpartition("}")[2]).upper()
        if is_field(words) and text.strip():
            header.setdefault(words, []).append(" ".join(text.split()))
