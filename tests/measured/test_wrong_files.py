"""No wrong file is believed, no right one refused; and all ways of declaring are understood."""

from __future__ import annotations

import pytest

from pipelines.measured.facts import from_keywords, of_columns
from tests.measured.documents import SPECTRA, cxf_spec, read
from tests.measured.wrong import WRITERS, outcome, right, wrong
from tests.measured.wrong.cxf import FILTERS, LIGHTS
from tests.measured.wrong.readings import Readings


@pytest.mark.parametrize("kind", WRITERS)
def test_no_wrong_file_is_believed(kind, tmp_path):
    cases = {name: case for name, case in wrong().items() if name.startswith(f"{kind}:")}
    became = {name: outcome(case, tmp_path / "day.dat") for name, case in cases.items()}
    assert len(became) > 20
    assert {name: said for name, (one, said) in became.items() if one == "believed"} == {}


@pytest.mark.parametrize("kind", WRITERS)
def test_no_right_file_is_refused(kind, tmp_path):
    cases = {name: case for name, case in right().items() if name.startswith(f"{kind}:")}
    became = {name: outcome(case, tmp_path / "day.dat") for name, case in cases.items()}
    assert len(became) > 10
    assert {name: said for name, (one, said) in became.items() if one != "right"} == {}


# How conditions are declared: keyword or head of a column, what stands there, what it means.
# Values of CGATS.17 and ISO 13655 from memory; angles and names as in files of instruments.
DECLARED = [
    ("ILLUMINANT", "D65", {"illuminant": "D65"}),
    ("ILLUMINATION_NAME", "D65", {"illuminant": "D65"}),
    ("ILLUMINANT_NAME", "CIE D50", {"illuminant": "D50"}),
    ("LIGHT_SOURCE", "FL11", {"illuminant": "F11"}),
    ("ILLUMINANT", "A", {"illuminant": "A"}),
    ("ILLUMINANT", "A/10", {"illuminant": "A", "observer": "10"}),
    ("ILLUMINANT", "D50/10 deg", {"illuminant": "D50", "observer": "10"}),
    ("ILLUMINANT", "D65, 2°", {"illuminant": "D65", "observer": "2"}),
    ("ILLUMINANT", "shop window", {"illuminant": "shop window"}),
    ("LIGHT", "in the morning", {}),
    ("OBSERVER", "2", {"observer": "2"}),
    ("OBSERVER", "10_Degree", {"observer": "10"}),
    ("OBSERVER", "CIE 1964", {"observer": "10"}),
    ("OBSERVER", "D50/2", {"illuminant": "D50", "observer": "2"}),
    ("OBSERVER_ANGLE", "10.0", {"observer": "10"}),
    ("STANDARD_OBSERVER", "CIE 1931", {"observer": "2"}),
    ("MEASUREMENT_CONDITION", "M1", {"measurement_condition": "M1"}),
    ("MEASUREMENT_MODE", "M3 (polarised)", {"measurement_condition": "M3"}),
    ("FILTER", "UVcut", {"filter": "M2"}),
    ("FILTER", "UV-excluded", {"filter": "M2"}),
    ("FILTER", "Pol", {"filter": "M3"}),
    ("FILTER", "no", {"filter": "M0"}),
    ("FILTER", "M1", {"filter": "M1"}),
    ("FILTER_STATUS", "T", {}),  # of densities
    ("POLARIZATION", "yes", {"filter": "M3"}),
    ("POLARIZATION", "no", {}),
    ("SAMPLE_BACKING", "Black", {"backing": "black"}),
    ("MEASUREMENT_GEOMETRY", "45/0", {"geometry": "45:0"}),
    ("MEASUREMENT_GEOMETRY", "d/8, specular included", {"geometry": "d:8", "specular": "included"}),
    ("MEASUREMENT_GEOMETRY", "de:8", {"geometry": "de:8", "specular": "excluded"}),
    ("MEASUREMENT_GEOMETRY", "0/d transmission",
     {"geometry": "0:d", "quantity": "light let through"}),
    ("MEASUREMENT_TYPE", "Reflectance", {}),
    ("MEASUREMENT_TYPE", "emissive", {"quantity": "light given off"}),
    ("DEVICE_CLASS", "DISPLAY", {"quantity": "light given off"}),
    ("DEVICE_CLASS", "OUTPUT", {}),
]  # fmt: skip
FREE_TEXT = [
    ("WEIGHTING_FUNCTION", "ILLUMINANT, D65", {"illuminant": "D65"}),
    ("WEIGHTING_FUNCTION", "OBSERVER, 10 degree", {"observer": "10"}),
    ("COMPUTATIONAL_PARAMETER", "Illuminant D50, 2 degree", {"illuminant": "D50", "observer": "2"}),
    ("MEASUREMENT_SOURCE", "Illumination=D50 ObserverAngle=2 Filter=UVcut",
     {"illuminant": "D50", "observer": "2", "filter": "M2"}),
    ("MEASUREMENT_SOURCE", "MeasurementCondition=M1 Filter=no",
     {"measurement_condition": "M1", "filter": "M0"}),
]  # fmt: skip


@pytest.mark.parametrize(("field", "value", "facts"), [*DECLARED, *FREE_TEXT])
def test_declared_under_a_keyword(field, value, facts):
    said: list[str] = []
    assert from_keywords({field: [value]}, "x", said) == facts
    assert said == []


@pytest.mark.parametrize(("field", "value", "facts"), DECLARED)
@pytest.mark.parametrize("spelled", [str.lower, lambda name: name.title().replace("_", " ")])
def test_declared_in_a_column(field, value, facts, spelled):
    assert of_columns({spelled(field): [value, "", value]}, "x") == facts


def test_declared_in_cxf(tmp_path):
    def facts(spec: str) -> dict[str, str]:
        content = WRITERS["cxf"](Readings(SPECTRA, spec=spec))
        return read(tmp_path, content).facts

    usual = {"illuminant": "D50", "observer": "2", "backing": "white"}
    usual |= {"measurement_condition": "M1", "created": "2026-03-31T08:00:00Z"}
    assert facts(cxf_spec()) == usual
    assert facts(LIGHTS["custom"])["illuminant"] == "a light of its own shop window"
    assert facts(LIGHTS["10 degree"])["observer"] == "10"
    assert facts(FILTERS["polarised"])["measurement_condition"] == "M3"
    assert facts(FILTERS["UV excluded"])["measurement_condition"] == "M2"
    assert facts(FILTERS["no filter"])["measurement_condition"] == "M0"
    assert "measurement_condition" not in facts(FILTERS["lamp of its own"])


def test_what_is_declared_and_not_understood_is_told(tmp_path):
    readings = Readings(SPECTRA, declared=(("LAMP_LIGHT_KIND", "blue"),))
    said = read(tmp_path, WRITERS["cgats"](readings)).said
    assert 'LAMP_LIGHT_KIND "blue" is not understood, and left aside.' in said
    said = read(tmp_path, WRITERS["csv"](readings)).said
    assert "Not understood, and left aside: LAMP_LIGHT_KIND." in said
