"""``strikeoff list``, and names on the command line."""

from __future__ import annotations

import csv

import openpyxl
import pytest

from pipelines.cli import main
from pipelines.commands.list_things import lines
from pipelines.tasks.things import things
from tests.small_demo import small_shop


@pytest.fixture
def ask(learnt_workspace, capsys):
    def asked(*arguments: str) -> tuple[int, str, str]:
        code = main(["--workspace", str(learnt_workspace), *arguments])
        return (code, *capsys.readouterr())

    return asked


def test_inks_are_listed_by_name_with_what_is_known(ask, tmp_path):
    code, out, _ = ask("list", "inks", "--out", str(tmp_path / "l.csv"))
    rows = list(csv.DictReader((tmp_path / "l.csv").open(encoding="utf-8")))
    shop = small_shop()
    assert code == 0
    assert [row["id"] for row in rows] == shop.inks["ink_id"].tolist()
    for row in rows:
        top = (shop.prints["ink_id"] == row["id"]).sum()
        assert int(row["prints"]) == top + (shop.prints["underbase_ink_id"] == row["id"]).sum()
        assert float(row["opacity_lo"]) <= float(row["opacity_pct"]) <= float(row["opacity_hi"])
    assert ask("list", "inks", "--out", str(tmp_path / "l.xlsx"))[0] == 0
    sheet = openpyxl.load_workbook(tmp_path / "l.xlsx")["Inks"]
    assert [row[0].value for row in sheet.iter_rows(min_row=2)] == [row["id"] for row in rows]
    code, out, _ = ask("list", "inks", "brig", "re")
    assert code == 0
    assert "C08  Bright red" in out
    assert "Turquoise" not in out
    assert "\x1b" not in out


def test_before_anything_is_learnt_the_list_is_there(shop, capsys):
    assert main(["list", "inks"]) == 0
    out = capsys.readouterr().out
    assert "007    Red, warm" in out
    assert "covers" not in out
    assert main(["list", "garments", "purple"]) == 2
    assert 'has no garments with "purple"' in capsys.readouterr().err
    assert main(["list", "jobs"]) == 0
    assert "Red, warm on Black" in capsys.readouterr().out


def test_a_garments_swatch_is_its_colour():
    """A neutral grey of L* 53.585 is sRGB 128, 128, 128 (IEC 61966-2-1)."""
    from learn.colour.colorimetry import viewing

    found = things("garments", small_shop(), None).head(1).assign(L=53.585, a=0.0, b=0.0)
    assert "\x1b[48;2;128;128;128m    \x1b[0m" in lines(found, viewing("D50", "2"))[1]


def test_an_ink_and_a_garment_are_enough(ask):
    code, out, err = ask("predict", "turq", "black tee", "--target", "#2040a0")
    _, by_options, _ = ask("predict", "--ink", "C19", "--garment", "G02", "--target", "#2040a0")
    assert code == 0
    assert 'read "turq" as ink Turquoise (C19)' in err
    assert 'read "black tee" as garment Black (G02)' in err
    assert "Filled in mesh, strokes" in out
    assert "what the shop mostly does on" in " ".join(out.split())
    assert out == by_options
    code, _, err = ask("predict", "red", "black tee")
    assert code == 2
    assert "may be" in err


def test_a_full_set_up_is_left_as_it_is(ask):
    given = ["--ink", "C19", "--garment", "G02", "--mesh", "M77-55", "--strokes", "1"]
    code, out, _ = ask("predict", *given)
    assert code == 0
    assert "Filled in" not in out
    assert "none, straight on the cloth" in out


def test_garments_with_commas_repeated_and_by_name_are_the_same(ask):
    plan = ["plan", "--target", "33,50,24", "--max-strokes", "1"]
    code, commas, _ = ask(*plan, "--garment", "G01,G02")
    assert code == 0
    assert ask(*plan, "--garment", "G01", "--garment", "G02")[1] == commas
    assert ask(*plan, "--garment", "white cotton,black cotton")[1] == commas
