"""Read a file of measured prints, whatever it is called: its content tells the format."""

from __future__ import annotations

import re
from contextlib import suppress
from pathlib import Path

from learn.shop import ShopSettings
from pipelines.measured import sheets
from pipelines.measured.block import MAX_BYTES, MAX_LINE, MAX_LINES, Block, refuse
from pipelines.measured.cgats import looks_like_cgats, read_cgats
from pipelines.measured.decide import Expected, Measured, decide
from pipelines.workspace.files import read_at_most

_OLD_EXCEL = bytes.fromhex("d0cf11e0a1b11ae1")
_WORKBOOKS = (".xlsx", ".xlsm")
_UTF16 = (b"\xff\xfe", b"\xfe\xff")


def read_measured(
    path: Path,
    settings: ShopSettings,
    *,
    measurement_condition: str | None = None,
    gloss_included: bool = False,
    reflectance: str | None = None,
    expected_L: Expected | None = None,
) -> Measured:
    """Read CGATS.17 / ISO 28178 (ASCII or XML), CxF3 / ISO 17972, CSV or an Excel workbook.

    ``measurement_condition``: M0, M1, M2 or M3 where the file must be, or is to be read, under
    that one. ``gloss_included``: readings with the gloss in them are meant (a sphere with the
    specular component included). ``reflectance``: "fraction" or "percent", as the user says where
    nothing in the file tells; ``expected_L``: names of samples -> L (n,) as the shop knows such
    prints, NaN where it does not, which tells dark ones in percent from pale ones in fractions.
    Nothing is written anywhere.

    Raises UserError, in one sentence, for whatever cannot be read without guessing.
    """
    path = Path(path)
    data = _bytes(path)
    said: list[str] = []
    blocks = _blocks(path, data, said)
    return decide(
        blocks,
        settings,
        path.name,
        said,
        measurement_condition,
        gloss_included,
        reflectance,
        expected_L,
    )


def _bytes(path: Path) -> bytes:
    data = read_at_most(path, MAX_BYTES)
    if not data.strip():
        refuse(path.name, "is empty", "export the file again")
    return data


def _blocks(path: Path, data: bytes, said: list[str]) -> list[Block]:
    file = path.name
    if data.startswith(b"PK\x03\x04"):
        return sheets.read_workbook(data, file, said)
    if data.startswith(_OLD_EXCEL):
        refuse(file, "is a workbook in the old .xls form", "save it as .xlsx or as CSV UTF-8")
    if _is_xml(data):
        from pipelines.measured.cgats_xml import read_cgats_xml
        from pipelines.measured.cxf import read_cxf
        from pipelines.measured.xmlfile import local, parse

        root = parse(data, file)
        return (read_cxf if local(root) == "CxF" else read_cgats_xml)(root, file, said)
    if data.startswith(_UTF16):  # "Unicode text" of a spreadsheet
        with suppress(UnicodeDecodeError):
            data = data.decode("utf-16").encode()
    if b"\0" in data:
        if path.suffix.casefold() in _WORKBOOKS:
            refuse(file, "is damaged: it is no workbook", "save the workbook again as .xlsx")
        do = "save it as UTF-8 (CSV UTF-8 in a spreadsheet)"
        refuse(file, "is not a text file", do)
    text = _decoded(data, said)
    lines = re.split(r"\r\n|\r|\n", text, maxsplit=MAX_LINES)
    if len(lines) > MAX_LINES:
        refuse(file, f"has more than {MAX_LINES} lines", "split it into several files")
    if (longest := max(lines, key=len)) and len(longest) > MAX_LINE:
        where = f"line {lines.index(longest) + 1}"
        refuse(file, f"is longer than {MAX_LINE} signs", "check the file", where=where)
    if looks_like_cgats(text):
        return read_cgats(lines, file, said)
    return sheets.read_csv(data, file, said)


def _is_xml(data: bytes) -> bool:
    start = data[:4000].replace(b"\0", b"").lstrip(b"\xef\xbb\xbf\xff\xfe \t\r\n")
    return bool(re.match(rb"<[?!A-Za-z_]", start))


def _decoded(data: bytes, said: list[str]) -> str:
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        said.append("The file is not UTF-8: read as Western European (Windows-1252) text.")
    try:
        return data.decode("cp1252")
    except UnicodeDecodeError:
        return data.decode("latin-1")
