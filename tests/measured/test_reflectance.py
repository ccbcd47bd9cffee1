"""Spectra of every spelling, scale and step."""

from __future__ import annotations

import numpy as np
import pytest

from learn.colour.colorimetry import WAVELENGTHS_NM, delta_e00, lab_from_reflectance, viewing
from pipelines.measured import read_measured
from pipelines.tables.spectra import SPECTRUM
from tests import extract_published
from tests.measured.documents import (
    LAB,
    NAMES,
    PROOF,
    SHOP,
    SPECTRA,
    cgats,
    fields,
    lab_of,
    read,
    refused,
)


@pytest.mark.parametrize("first", [380, 390, 400])
def test_20_nm_steps_hardly_change_the_colour_of_real_prints(first, tmp_path):
    """Source: press proof as above: every second band against all of them."""
    whole = extract_published.read_cgats(PROOF)
    names = [n for n in whole if n.startswith("SPEC_") and (int(n[5:]) - first) % 20 == 0]
    names = [name for name in names if int(name[5:]) >= first]
    half = {"SAMPLE_ID": whole["SAMPLE_ID"].tolist()} | {n: whole[n].tolist() for n in names}
    measured = read(tmp_path, cgats(half))
    truth = lab_from_reflectance(read_measured(PROOF, SHOP).frame[SPECTRUM].to_numpy(), viewing())
    assert delta_e00(measured.frame[LAB].to_numpy(), truth).max() < 0.2
    assert "20 nm steps: interpolated to 10 nm (Sprague)." in measured.said


SPELLINGS = ["SPECTRAL_NM{}", "SPECTRAL_NM_{}", "SPECTRAL_PCT_{}", "SPEC_{}", "NM{}", "nm{}"]
SPELLINGS += ["R_{}", "r{}", "{}", "{}nm", "{} nm", "SPECTRUM_{}", "SPECTRAL_{}"]


@pytest.mark.parametrize("scale", [1, 100])
@pytest.mark.parametrize("spelling", SPELLINGS)
def test_spelling_and_scale_change_nothing(spelling, scale, tmp_path):
    measured = read(tmp_path, cgats(fields(spelling, scale)))
    assert np.allclose(measured.frame[SPECTRUM], SPECTRA[:, 2:33], atol=1e-6)
    assert np.allclose(measured.frame[LAB], lab_of(SPECTRA), atol=1e-3)
    assert measured.frame["sample"].tolist() == NAMES
    word = "percent" if scale == 100 else "fractions"
    assert any(f"Reflectance is in {word}" in sentence for sentence in measured.said)


def test_5_nm_steps_and_a_wide_range(tmp_path):
    nm = np.arange(360, 781, 5)
    values = 0.2 + 0.001 * (nm - 360)
    columns = {"SAMPLE_ID": ["A"]} | {f"nm{n}": [v] for n, v in zip(nm, values, strict=True)}
    measured = read(tmp_path, cgats(columns))
    assert np.allclose(measured.frame[SPECTRUM], 0.2 + 0.001 * (WAVELENGTHS_NM - 360))
    assert "5 nm steps: the values at 400, 410 ... 700 nm are taken." in measured.said


def test_lab_of_another_light_is_computed_anew_where_the_file_declares_it(tmp_path):
    lab = lab_of(SPECTRA, "D65", "10")
    header = 'WEIGHTING_FUNCTION "ILLUMINANT, D65"\nWEIGHTING_FUNCTION "OBSERVER, 10 degree"'
    measured = read(tmp_path, cgats(fields(lab=lab), header))
    assert np.allclose(measured.frame[LAB], lab_of(SPECTRA), atol=1e-3)
    assert any("computed anew from the spectra for D50/2" in s for s in measured.said)
    sentence = refused(tmp_path, cgats(fields(lab=lab)))
    assert "they would agree for D65/10: declare it" in sentence
    sentence = refused(tmp_path, cgats(fields(lab=lab_of(SPECTRA)), 'ILLUMINANT "D65"'))
    assert "apart under D65/2" in sentence
