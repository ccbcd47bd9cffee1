"""What is written is read again."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from learn.colour.colorimetry import lab_from_reflectance, viewing
from pipelines.measured import read_measured, write_cgats, write_cxf
from pipelines.tables.spectra import SPECTRUM
from tests.measured.documents import LAB, QUICK, SHOP

VALUE = st.floats(0.01, 1.1)
ALONE = st.floats(0.01, 1.0)
WORDS = st.text(
    st.characters(codec="utf-8", categories=("L", "N", "P", "S", "Zs")), min_size=1, max_size=12
).map(lambda text: " ".join(text.split()))
NAME = WORDS.filter(bool)


@st.composite
def readings(draw: st.DrawFn) -> pd.DataFrame:
    """A frame as `Measured` has it: readings with a spectrum first, then with Lab alone."""
    spectra = draw(arrays(float, st.tuples(st.integers(0, 3), st.just(31)), elements=VALUE))
    fewest = int(not len(spectra))
    unseen = draw(arrays(float, st.tuples(st.integers(fewest, 3), st.just(31)), elements=ALONE))
    alone = lab_from_reflectance(unseen, viewing())
    lab = np.vstack([lab_from_reflectance(spectra, viewing()), *alone])
    nothing = np.full((len(alone), 31), np.nan)
    colour = np.hstack([lab, np.vstack([spectra, nothing])])
    names = draw(st.lists(NAME, min_size=len(colour), max_size=len(colour)))
    frame = pd.DataFrame(colour, columns=[*LAB, *SPECTRUM])
    return pd.concat([pd.DataFrame({"sample": names, "where": ""}), frame], axis=1)


FACTS = st.fixed_dictionaries(
    {"illuminant": st.just("D50"), "observer": st.just("2")},
    optional={
        "measurement_condition": st.sampled_from(["M0", "M1", "M2", "M3"]),
        "backing": st.sampled_from(["white", "black", "self"]),
        "geometry": st.sampled_from(["45:0", "0:45"]),
        "created": st.just("2026-03-31T08:00:00Z"),
    },
)


@pytest.mark.parametrize("write", [write_cgats, write_cxf])
@given(frame=readings(), facts=FACTS)
@settings(max_examples=25, **QUICK)
def test_what_we_write_we_read_again(write, frame, facts, tmp_path):
    path = tmp_path / "out"
    write(frame, facts, path)
    measured = read_measured(path, SHOP)
    wanted = ["sample", *LAB, *SPECTRUM]
    pd.testing.assert_frame_equal(
        measured.frame[wanted], frame[wanted], check_exact=False, rtol=0, atol=1e-9
    )
    assert np.array_equal(measured.frame[SPECTRUM], frame[SPECTRUM], equal_nan=True)
    created = measured.facts.pop("created", None)
    assert created == facts.get("created", created)
    assert measured.facts == {key: text for key, text in facts.items() if key != "created"}
