"""`start`: a first day."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import pandas as pd

from tests.commands.counter import says, write
from tests.tiny_shop import TINY, write_shop


def test_the_empty_tables_are_written_and_never_over_others(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert "its first sheet says what to do" in says(capsys, "start", "new")
    before = Path("new/shop.xlsx").read_bytes()
    assert "is there already" in says(capsys, "start", "new", code=2)
    assert Path("new/shop.xlsx").read_bytes() == before
    says(capsys, "start", "new", "--force")
    says(capsys, "start", "new", "--csv")
    assert Path("new/meshes.csv").read_text().startswith("mesh_id,threads_per_cm,thread_um")
    assert 'import "a b/shop.xlsx" --dry-run' in says(capsys, "start", "a b"), "can be copied"


def test_the_first_prints_are_listed_screen_by_screen_and_recorded(shop, capsys):
    said = says(capsys, "start", "first", "--first-prints", "--mesh", "77-55")
    # two colour inks on one garment, bare and over the one base
    assert "4 prints of 2 inks, 3 screens, none put up twice." in said
    assert "cannot be told before a model has learnt" in said
    listed = pd.read_csv("first/first-prints.csv", dtype=str, keep_default_na=False)
    screens = (listed["ink_id"] + listed["mesh_id"]).tolist()
    assert len([1 for a, b in pairwise(screens) if a != b]) == 1
    assert sorted(listed["underbase_ink_id"]) == ["", "", "white", "white"]
    assert set(listed["substrate_id"]) == {"tee-black"}
    page = Path("first/first-prints.html").read_text()
    assert all(print_id in page for print_id in listed["print_id"])
    assert "Flash and dryer burn skin" in page
    assert "is there already" in says(capsys, "start", "first", "--first-prints", code=2)
    rows = "".join(f"{print_id},40,10,{-n}\n" for n, print_id in enumerate(listed["print_id"]))
    write("measured.csv", rows, header="print_id,L,a,b\n")
    recorded = says(capsys, "record", "measured.csv", "--prints", "first/first-prints.csv")
    assert "4 prints to learn from" in recorded


def test_first_prints_over_a_base_of_another_type_are_told(tmp_path, monkeypatch, capsys):
    """P3, blue over white, is the one print that shows how water-based inks take to plastisol."""
    monkeypatch.chdir(tmp_path)
    *rest, _ = TINY["prints.csv"].splitlines()
    write_shop(tmp_path / "in", prints="\n".join([*rest, ""]))
    says(capsys, "import", "in", "--shop", "s")
    never = "blue: water-based inks were never printed over a plastisol base"
    asked = ["start", "a", "--first-prints", "--mesh", "77-55"]
    assert f"{never}: their prints are without one" in says(capsys, *asked)
    listed = pd.read_csv("a/first-prints.csv", dtype=str, keep_default_na=False)
    assert dict(listed.groupby("ink_id")["underbase_ink_id"].max()) == {"007": "white", "blue": ""}
    named = says(capsys, *["b" if one == "a" else one for one in asked], "--base-ink", "white")
    assert f"{never}: mind it" in named
    listed = pd.read_csv("b/first-prints.csv", dtype=str, keep_default_na=False)
    assert set(listed.groupby("ink_id")["underbase_ink_id"].max()) == {"white"}


def test_a_model_asks_for_fewer_and_says_what_will_be_known(learnt_workspace, tmp_path, capsys):
    inks = ["--ink", "C08", "--ink", "C10"]
    root = str(learnt_workspace)
    folder = str(tmp_path / "f")
    said = says(capsys, "--workspace", root, "start", folder, "--first-prints", *inks)
    assert said.count("known to within") == 2


def test_options_of_the_first_prints_go_with_them(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert "--ink goes with --first-prints" in says(capsys, "start", "x", "--ink", "red", code=2)
