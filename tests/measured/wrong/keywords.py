"""CGATS text and XML: the files, and what their keywords may declare."""

from __future__ import annotations

from tests.measured.documents import cgats, cgats_xml
from tests.measured.wrong.readings import Readings, columns_of


def text(one: Readings) -> bytes:
    header = "\n".join(f'{key} "{value}"' for key, value in one.declared)
    return cgats(columns_of(one, "SAMPLE_NAME", "SPECTRAL_NM{}", "{space}_{axis}"), header).encode()


def in_tables(*parts: Readings) -> bytes:
    """Several tables in one text."""
    first, *rest = (text(one).decode() for one in parts)
    return "\n".join([first, *(one.split("\n", 1)[1] for one in rest)]).encode()


def tabs(one: Readings) -> bytes:
    header = "\r\n".join(f'{key} "{value}"' for key, value in one.declared)
    text = cgats(columns_of(one, "SAMPLE_ID", "nm{}", "{space}_{axis}"), header, sep="\t")
    return text.encode()


def xml(one: Readings) -> bytes:
    text = cgats_xml(columns_of(one, "SAMPLE_NAME", "SPECTRAL_NM{}", "{space}_{axis}"))
    header = "".join(f"<{key}>{value}</{key}>" for key, value in one.declared)
    return text.replace("<OBSERVER>2</OBSERVER>", header).encode()


WRITERS = {"cgats": text, "cgats_tabs": tabs, "cgats_xml": xml}
# What a file may say of how it was measured, by the fact meant.
LIGHTS = (
    ("ILLUMINATION_NAME", "D65"),
    ("ILLUMINANT", "D65"),
    ("ILLUMINANT_NAME", "CIE D65"),
    ("WEIGHTING_FUNCTION", "ILLUMINANT, D65"),
    ("MEASUREMENT_SOURCE", "Illumination=D65"),
    ("LIGHT_SOURCE", "D65"),
    ("ILLUMINANT", "store light"),
    ("DESCRIPTOR", "Lab D65/2 deg"),
)
OBSERVERS = (
    ("OBSERVER", "10"),
    ("OBSERVER_ANGLE", "10 degree"),
    ("OBSERVER", "CIE 1964"),
    ("WEIGHTING_FUNCTION", "OBSERVER, 10 degree"),
    ("ILLUMINANT", "D50/10 deg"),
    ("ILLUMINATION_NAME", "D50/10"),
    ("OBSERVER", "D50-10"),
)
FILTERS = (
    ("FILTER", "UVcut"),
    ("FILTER", "Pol"),
    ("FILTER", "no"),
    ("FILTER", "UV excluded"),
    ("POLARIZATION", "yes"),
    ("MEASUREMENT_SOURCE", "Illumination=D50 Filter=UVcut"),
    ("MEASUREMENT_CONDITION", "M2"),
)
NO_PRINTS = (
    ("DEVICE_CLASS", "DISPLAY"),
    ("MEASUREMENT_TYPE", "transmittance"),
    ("MEASUREMENT_GEOMETRY", "transmission 0/d"),
    ("MEASUREMENT_MODE", "emissive"),
    ("MEASUREMENT_SOURCE", "Emission"),
)
GLOSS = (
    ("MEASUREMENT_GEOMETRY", "d/8 specular included"),
    ("MEASUREMENT_GEOMETRY", "di:8"),
    ("GEOMETRY", "SPIN"),
    ("SPECULAR", "included"),
)
