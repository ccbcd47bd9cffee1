"""CxF3 against an independent library; several conditions; spot colours."""

from __future__ import annotations

from importlib import resources

import colour_cxf
import numpy as np

from learn.colour.colorimetry import delta_e00
from pipelines.measured import read_measured, write_cxf
from pipelines.tables.spectra import SPECTRUM
from tests.measured.documents import (
    LAB,
    NAMES,
    SHOP,
    SPECTRA,
    csv,
    cxf,
    cxf_object,
    cxf_spec,
    cxf_spectrum,
    fields,
    read,
    refused,
)


def test_cxf3_sample_of_an_independent_library_gives_its_own_lab():
    """Source: the sample file inside the PyPI package colour-cxf 0.1.1, spectra 380-680 nm."""
    sample = resources.files(colour_cxf) / "tests" / "resources" / "sample.cxf"
    with resources.as_file(sample) as path:
        measured = read_measured(path, SHOP)
        theirs = colour_cxf.read_cxf_from_file(path).resources.object_collection
    objects = next(value for value in vars(theirs).values() if isinstance(value, list))
    lab = [
        [value.l, value.a, value.b]
        for one in objects
        for value in one.color_values.choice
        if type(value).__name__ == "ColorCielab"
    ]
    assert measured.frame["sample"].tolist() == [one.name for one in objects]
    # What is missing above 680 nm is filled up (ASTM E308).
    assert delta_e00(measured.frame[LAB].to_numpy(), lab).max() < 0.2


def test_cxf_we_write_is_read_by_an_independent_library(tmp_path):
    """Reference: colour-cxf 0.1.1, which refuses what the schema does not know."""
    frame = read(tmp_path, csv(fields("r{}"))).frame
    path = tmp_path / "out.cxf"
    facts = {"illuminant": "D50", "observer": "2", "measurement_condition": "M1"}
    facts |= {"geometry": "45:0", "backing": "white", "created": "2026-03-31T08:00:00Z"}
    write_cxf(frame, facts, path)
    theirs = colour_cxf.read_cxf_from_file(path).resources
    objects = next(v for v in vars(theirs.object_collection).values() if isinstance(v, list))
    values = np.array([one.color_values.choice[0].value for one in objects])
    assert np.array_equal(values, frame[SPECTRUM].to_numpy())
    specs = theirs.color_specification_collection
    spec = next(value for value in vars(specs).values() if isinstance(value, list))[0]
    device = spec.measurement_spec.device
    assert device.device_illumination.value.value == "M1_Daylight"
    assert spec.tristimulus_spec.illuminant_or_custom_illuminant.value.value == "D50"


def test_cxf_objects_under_several_conditions(tmp_path):
    specs = "".join(cxf_spec(m, f"{m}_x") for m in ("M0", "M1"))
    specs = specs.replace("M0_x", "M0_Incandescent").replace("M1_x", "M1_Daylight")
    objects = "".join(
        cxf_object(n, cxf_spectrum(s * 0.9, "M0") + cxf_spectrum(s, "M1"))
        for n, s in zip(NAMES, SPECTRA, strict=True)
    )
    assert "M0 and M1" in refused(tmp_path, cxf(objects, specs))
    measured = read(tmp_path, cxf(objects, specs), measurement_condition="M1")
    assert np.allclose(measured.frame[SPECTRUM], SPECTRA[:, 2:33], atol=1e-6)
    assert measured.facts["backing"] == "white"


def test_spot_colour_characterisation(tmp_path):
    objects = "".join(
        cxf_object(n, cxf_spectrum(s), "Standard") for n, s in zip(NAMES, SPECTRA, strict=True)
    ).replace('Id="id-dark red"', 'Id="id-P3"')
    sets = "".join(
        f'<x:MeasurementSet Background="{background}">'
        + "".join(f'<x:Measurement ObjectRef="id-{n}" TintPercentage="{t}"/>' for n, t in tints)
        + "</x:MeasurementSet>"
        for background, tints in (
            ("Substrate", [("P1", 0), ("P2", 100)]),
            ("Process Black", [("P3", 0), ("P4", 100)]),
        )
    )
    custom = (
        '<cc:CustomResources xmlns:x="urn:x"><x:SpotInkCharacterisation SpotInkName="red 1">'
        f"{sets}</x:SpotInkCharacterisation></cc:CustomResources>"
    )
    measured = read(tmp_path, cxf(objects, custom=custom))
    assert measured.frame["over"].tolist() == ["substrate", "substrate", "black", "black"]
    assert measured.frame["tint_pct"].tolist() == [0, 100, 0, 100]
    assert set(measured.frame["ink"]) == {"red 1"}
    assert "Spot colour red 1: 2 patches over the substrate, 2 over black." in measured.said
    lost = cxf(objects, custom=custom.replace("id-P4", "id-P9"))
    assert 'refers to "id-P9", which is no object of the file' in refused(tmp_path, lost)
