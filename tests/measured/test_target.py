"""A target in every form it may be given on the command line."""

from __future__ import annotations

import pytest
from numpy.testing import assert_allclose

from learn.colour.colorimetry import viewing
from learn.shop import ShopSettings
from pipelines.measured.target import read_target
from pipelines.tables.targets import Targets, none_named
from pipelines.workspace.problems import UserError

SETTINGS = ShopSettings("invented")


def lab_of(text):
    return read_target(text, Targets(viewing(), none_named), SETTINGS).lab


def test_targets(tmp_path):
    assert_allclose(lab_of("#ffffff"), [100, 0, 0], atol=0.05)
    assert_allclose(lab_of("45; 60;30"), [45, 60, 30])
    assert_allclose(lab_of("45,5; 60,1; -30,2"), [45.5, 60.1, -30.2])
    chip = tmp_path / "chip.csv"
    names = ",".join(f"r{nm}" for nm in range(400, 701, 10))
    chip.write_text(f"sample,{names}\nchip,{','.join(['0.5'] * 31)}\n")
    # Y of a grey of 0.5 is 50: L* = 116 cbrt(0.5) - 16 (ISO/CIE 11664-4)
    assert_allclose(lab_of(str(chip)), [76.07, 0, 0], atol=0.01)


def test_a_file_of_several_chips_is_not_one_target(tmp_path):
    chips = tmp_path / "chips.csv"
    chips.write_text("sample,L,a,b\nred,45,60,30\nblue,30,5,-40\ngrey,50,0,0\nsun,80,5,80\n")
    with pytest.raises(UserError) as refused:
        lab_of(str(chips))
    assert 'chips.csv" holds 4 readings that are not of one chip: red 45.0,60.0,30.0; ' in str(
        refused.value
    )
    chips.write_text("sample,L,a,b\nred,45,60,30\nred,45.3,60.2,30.1\n")
    assert_allclose(lab_of(str(chips)), [45.15, 60.1, 30.05])


def test_a_chip_whose_lab_is_not_that_of_its_spectrum_is_refused(tmp_path):
    chip = tmp_path / "chip.csv"
    nm = range(400, 701, 10)
    head = ",".join(["sample", "L", "a", "b", *(f"{one} nm" for one in nm)])
    spectrum = ",".join(f"{0.1 + (one - 400) / 600:.4f}" for one in nm)
    chip.write_text(f"{head}\nred,,,,{spectrum}\n")
    L, a, b = lab_of(str(chip))
    assert min(a, b) > 5
    chip.write_text(f"{head}\nred,{L:.2f},{a:.2f},{b:.2f},{spectrum}\n")
    assert_allclose(lab_of(str(chip)), [L, a, b])
    chip.write_text(f"{head}\nred,{L - 4:.2f},{a:.2f},{b:.2f},{spectrum}\n")
    with pytest.raises(UserError, match=r"Lab and spectrum are .* dE00 apart"):
        lab_of(str(chip))


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (
            "chp.cxf",
            '--target "chp.cxf" names a file, and there is none; correct its name, or give',
        ),
        ("scarlet", '--target "scarlet" is no target; give L,a,b as 45,60,30, a screen colour'),
        ("45,60", '"45,60" is not the three numbers of a colour'),
        ("45,60,200", "b is 200"),
        ("#12", '"#12" is not a screen colour; write it as #rrggbb'),
        ("b5203a", '(is "#b5203a" meant?)'),
    ],
)
def test_what_is_no_target_is_one_sentence(text, sentence):
    with pytest.raises(UserError) as refused:
        lab_of(text)
    assert sentence in str(refused.value)
    assert len(str(refused.value).splitlines()) == 1
