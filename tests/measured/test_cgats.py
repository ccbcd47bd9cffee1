"""CGATS text against published data; tables of one reading and of several conditions."""

from __future__ import annotations

import numpy as np
import pandas as pd

from learn.colour.colorimetry import viewing, xyz_from_reflectance
from pipelines.measured import read_measured
from pipelines.tables.spectra import SPECTRUM
from tests import extract_published
from tests.measured.documents import LAB, PROOF, SHOP, SPECTRA, cgats, fields, lab_of, read, refused
from tests.published import PUBLISHED


def test_spectra_of_a_published_chart_give_its_published_xyz():
    """Source: press proof, public domain (datasets/published/README.md); XYZ for D50/2."""
    measured = read_measured(PROOF, SHOP)
    published = extract_published.read_cgats(PROOF)
    assert measured.frame["sample"].tolist() == published["SAMPLE_ID"].tolist()
    xyz = published[["XYZ_X", "XYZ_Y", "XYZ_Z"]].to_numpy()
    computed = xyz_from_reflectance(measured.frame[SPECTRUM].to_numpy(), viewing())
    # The file's own digits (0.05 in the last five samples) and its program's weights.
    assert np.abs(computed - xyz).max() < 0.2
    assert "Reflectance is in percent (up to 99.64): divided by 100." in measured.said


def test_published_lab_alone_is_read_as_it_stands(tmp_path):
    """Source: FOGRA39L, coated paper (datasets/published/README.md, coated_backings.csv)."""
    text = cgats(
        {"SAMPLE_ID": [1, 9], "LAB_L": ["95.00", "48.00"], "LAB_A": [0, 74], "LAB_B": [-2, -3]},
        'INSTRUMENTATION "D50, 2 degree, geometry 45/0, no polarisation filter, white backing, '
        'according to ISO 13655"\nCREATED "December 2006"',
    )
    path = PUBLISHED / "coated_backings.csv"
    solid = pd.read_csv(path).query("ink == 'M' and backing_id == 'c0m0y0k0'").iloc[0]
    measured = read(tmp_path, text)
    assert measured.frame[LAB].iloc[0].tolist() == [95, 0, -2]
    assert measured.frame[LAB].iloc[1].tolist() == solid[["print_L", "print_a", "print_b"]].tolist()
    assert measured.frame[SPECTRUM].isna().all(axis=None)
    assert measured.facts | {"instrument": ""} == {
        "illuminant": "D50",
        "observer": "2",
        "geometry": "45:0",
        "backing": "white",
        "created": "December 2006",
        "instrument": "",
    }


def test_two_tables_of_lab_and_spectra_are_one_reading(tmp_path):
    lab = lab_of(SPECTRA)
    first = {key: fields(lab=lab)[key] for key in ("SAMPLE_NAME", "LAB_L", "LAB_A", "LAB_B")}
    text = cgats(first) + "\n".join(cgats(fields()).split("\n")[1:])
    measured = read(tmp_path, text)
    assert len(measured.frame) == 4 and measured.frame[SPECTRUM].notna().all(axis=None)


def test_tables_of_two_measurement_conditions(tmp_path):
    both = cgats(fields(), 'MEASUREMENT_SOURCE "MeasurementCondition=M0 Filter=no"')
    both += cgats(fields(), 'MEASUREMENT_SOURCE "MeasurementCondition=M1 Filter=no"')
    sentence = refused(tmp_path, both)
    assert "mixes measurement conditions, M0 and M1" in sentence
    measured = read(tmp_path, both, measurement_condition="M1")
    assert len(measured.frame) == 4 and measured.facts["measurement_condition"] == "M1"
    sentence = refused(tmp_path, both, measurement_condition="M2")
    assert "is measured under M0 and M1, not M2" in sentence
