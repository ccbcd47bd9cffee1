"""Spectra in tables."""

from __future__ import annotations

import numpy as np

from pipelines.tables.spectra import SPECTRUM, gap_in, resample
from tests.tables.reading import read, refused


def test_spectra_are_resampled_to_400_700():
    smooth = np.exp(-(((np.arange(300, 800) - 560) / 60) ** 2))[None]  # by wavelength from 300

    def at(grid):
        return smooth[:, np.array(grid) - 300]

    want = at(range(400, 701, 10))
    for grid in (range(380, 731, 10), range(400, 701, 5), range(380, 781, 5)):
        assert gap_in(list(grid)) is None
        np.testing.assert_array_equal(resample(list(grid), at(grid)), want)
    for grid in (range(400, 701, 20), range(380, 721, 20), range(390, 731, 20)):
        got = resample(list(grid), at(grid))
        assert gap_in(list(grid)) is None
        np.testing.assert_allclose(got, want, atol=2e-3)
    assert gap_in([400, 410, 430]) == "the spectrum columns have a gap at 420 nm"
    assert gap_in(list(range(420, 701, 10))) == "the spectrum covers 420 to 700 nm only"


def test_a_20_nm_file_with_a_wider_range_is_read(tmp_path):
    grid = range(380, 731, 10)
    head = "substrate_id,kind," + ",".join(f"r{nm}" for nm in grid)
    rows = "tee-black,garment," + ",".join("0.04" for _ in grid)
    rows += "\ncard-white,card," + ",".join(f"{nm / 1000:.3f}" for nm in grid)
    shop = read(tmp_path, substrates=f"{head}\n{rows}\n").shop
    assert shop.substrates.loc[1, SPECTRUM].tolist() == [nm / 1000 for nm in range(400, 701, 10)]


def test_one_percent_row_of_prints_is_set_aside_and_all_are_refused(tmp_path):
    def prints(*scales):
        head = "print_id,substrate_id,ink_id,mesh_id,strokes,flash_count,"
        head += ",".join(f"r{nm}" for nm in range(400, 701, 10))
        rows = (
            f"P{i},tee-black,007,43-80,1,0," + ",".join(str(0.5 * s) for _ in range(31))
            for i, s in enumerate(scales)
        )
        return "\n".join([head, *rows]) + "\n"

    some = read(tmp_path, prints=prints(1, 1, 100))
    assert some.given.set_aside == {4: 'r400: "50.0" is too high and looks like percent'}
    assert "the spectra go up to 50" in refused(tmp_path, prints=prints(100, 100, 1))
