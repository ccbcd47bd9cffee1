"""A target in every form it may be given."""

from __future__ import annotations

from numpy.testing import assert_allclose

from pipelines.measured.target import read_target
from tests.small_demo import small_shop


def test_targets(tmp_path):
    settings = small_shop().settings
    assert_allclose(read_target("#ffffff", settings).lab, [100, 0, 0], atol=0.05)
    assert_allclose(read_target("45; 60;30", settings).lab, [45, 60, 30])
    chip = tmp_path / "chip.csv"
    names = ",".join(f"r{nm}" for nm in range(400, 701, 10))
    chip.write_text(f"sample,{names}\nchip,{','.join(['0.5'] * 31)}\n")
    # Y of a grey of 0.5 is 50: L* = 116 cbrt(0.5) - 16 (ISO/CIE 11664-4)
    assert_allclose(read_target(str(chip), settings).lab, [76.07, 0, 0], atol=0.01)
