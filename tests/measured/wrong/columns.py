"""CSV and workbooks: the files, and what their columns may declare."""

from __future__ import annotations

from tests.measured.documents import csv, workbook
from tests.measured.wrong.readings import Readings, columns_of


def _sheet_columns(one: Readings) -> dict[str, list[object]]:
    more = {key: [value] * len(one.spectra) for key, value in one.declared}
    return columns_of(one, "sample", "{} nm", "{axis}") | more


def csv_file(one: Readings) -> bytes:
    return csv(_sheet_columns(one)).encode()


def comma(one: Readings) -> bytes:
    columns = {
        name: [str(c).replace(".", ",") if isinstance(c, float) else c for c in cells]
        for name, cells in _sheet_columns(one).items()
    }
    return csv(columns, ";").encode()


def xlsx(one: Readings) -> bytes:
    return workbook(_sheet_columns(one))


WRITERS = {"csv": csv_file, "csv_comma": comma, "xlsx": xlsx}
# What a file may say of how it was measured, by the fact meant.
LIGHTS = (
    ("illuminant", "D65"),
    ("light source", "D65"),
    ("Illuminant/Observer", "D65/2°"),
    ("illumination", "D65"),
    ("illuminant", "TL84"),
    ("Lichtart", "D65"),
    ("light", "D65"),
)
OBSERVERS = (
    ("observer", "10"),
    ("observer angle", "10°"),
    ("illuminant", "D50/10 deg"),
    ("standard observer", "CIE 1964"),
    ("Beobachter", "10°"),
    ("Illuminant/Observer", "D50-10"),
)
FILTERS = (
    ("filter", "UVcut"),
    ("filter", "Pol"),
    ("filter", "no"),
    ("polarisation", "on"),
    ("measurement condition", "M0"),
    ("measurement mode", "M2"),
)
NO_PRINTS = (
    ("measurement type", "transmittance"),
    ("mode", "emissive"),
    ("device class", "DISPLAY"),
)
GLOSS = (
    ("geometry", "d/8 SCI"),
    ("specular", "included"),
)
