"""The worst files within the limit of size are read, or refused, in seconds."""

from __future__ import annotations

import time

import numpy as np

from tests.measured.documents import (
    SPECTRA,
    cxf,
    cxf_lab,
    cxf_object,
    cxf_spec,
    cxf_spectrum,
    lab_of,
    read,
    refused,
)

SECONDS = 10.0  # a few where nothing else runs; it was minutes


def test_very_many_tables_are_refused_at_once(tmp_path):
    one = "BEGIN_DATA\nP1 50 20 30\nEND_DATA\n"
    fields = "BEGIN_DATA_FORMAT\nSAMPLE_ID LAB_L LAB_A LAB_B\nEND_DATA_FORMAT\n"
    start = time.process_time()
    said = refused(tmp_path, "CGATS.17\n" + fields + one * 27_000)
    assert "more than 200 tables" in said
    assert time.process_time() - start < SECONDS


def test_patches_that_alternate_between_conditions_are_a_table_a_condition(tmp_path):
    specs = "".join(cxf_spec(m, m) for m in ("M0", "M1", "M2"))
    spectra, lab = SPECTRA, lab_of(SPECTRA)
    at = np.arange(1600) % len(spectra)
    objects = "".join(
        cxf_object(f"P{n}-{m}", cxf_spectrum(spectra[k], m) + cxf_lab(lab[k], m))
        for n, k in enumerate(at)
        for m in ("M0", "M1", "M2")
    )
    start = time.process_time()
    found = read(tmp_path, cxf(objects, specs), measurement_condition="M1")
    assert time.process_time() - start < SECONDS
    assert found.frame["sample"].tolist() == [f"P{n}-M1" for n in range(1600)]
