"""An ink and a garment are enough; what the rest is taken to be is told, and only slips are."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pandas as pd
import pytest

from learn.planning.plan import usual_setup
from pipelines.cli import main
from pipelines.tasks.usual import Usual, said
from tests.small_demo import DEMO, demo, small_shop
from tests.tables.reading import read
from tests.tiny_shop import TINY

DARK = """
[usual.dark]
base = "White base"
base_mesh = "43-80"
mesh = "61-64"
strokes = 1
press = "P2"
squeegee = 75
"""


@pytest.fixture
def says(capsys, learnt_workspace):
    def run(*command: str, code: int = 0, root: Path = learnt_workspace) -> str:
        assert main(["--workspace", str(root), *command]) == code
        said = capsys.readouterr()
        return " ".join((said.err if code else said.out + said.err).split())

    return run


@pytest.fixture
def with_presets(learnt_workspace, tmp_path, capsys) -> Path:
    """The learnt shop with a section on dark garments in its shop.toml."""
    shutil.copytree(learnt_workspace, tmp_path / "w")
    tables = tmp_path / "w" / "tables"
    toml = (DEMO / "tables" / "shop.toml").read_text() + DARK
    (tables / "shop.toml").write_text(toml)
    assert main(["--workspace", str(tmp_path / "w"), "import", str(tables), "--shop", "s"]) == 0
    capsys.readouterr()
    return tmp_path / "w"


@pytest.mark.parametrize(
    ("command", "slips"),
    [
        (["predict", "turquoise", "blck tee"], ["--garment: G02 Black"]),
        (["predict", "turqoise", "black tee"], ["--ink: C19 Turquoise"]),
        (["predict", "turquoise", "black tee", "--base-ink", "wite"], ["--base-ink: U1 White"]),
        (["predict", "turquoise", "black tee", "--mesh", "43-81"], ["--mesh: M43-80"]),
        (
            ["predict", "turqoise", "blck tee", "--base-ink", "wite bas"],
            ["--garment: G02 Black", "--base-ink: U1 White base", "--ink: C19 Turquoise"],
        ),
        (["why", "turqoise", "blck tee"], ["--garment: G02 Black", "--ink: C19 Turquoise"]),
        (["compare", "deep red", "blck tee,white"], ["--garment: G02 Black"]),
    ],
)
def test_a_slip_alone_is_told_and_what_was_meant(says, command, slips):
    said = says(*command, code=2)
    for slip in slips:
        option, meant = slip.split(": ")
        assert re.search(rf'{option}: [^?]*is "{meant}[^"]*" meant', said), said
    assert said.count("meant?") == len(slips)
    assert "missing" not in said
    assert "is empty" not in said


@pytest.mark.parametrize(
    ("command", "said"),
    [
        (
            ["predict", "black tee", "turquoise"],
            ['--ink: "black tee" is not', '--garment: "turquoise" is the ink Turquoise (C19); '],
        ),
        (
            ["predict", "G01", "C19"],
            ["the garment White (G01); name an ink here", "name a garment"],
        ),
        (["predict", "turquoise", "zzz"], ["strikeoff list garments names all there are."]),
        (["plan", "--target", "9,9,9", "--garment", "C19"], ["is the ink Turquoise (C19); name a"]),
        (["plan", "--target", "9,9,9", "--garment", "zzz"], ["strikeoff list garments names all"]),
    ],
)
def test_a_name_in_the_wrong_place_is_told_what_it_is(says, command, said):
    told = says(*command, code=2)
    assert all(one in told for one in said)


@pytest.mark.parametrize(
    "command",
    [
        ["predict", "deep red", "CARD"],
        ["predict", "deep red", "CARD", "--mesh", "43-80", "--strokes", "1"],
        ["why", "deep red", "CARD"],
        ["picture", "deep red", "CARD", "--page", "p.html"],
        ["compare", "deep red", "CARD,black tee"],
        ["plan", "--target", "33,55,28", "--garment", "CARD"],
        ["mix", "--target", "33,55,28", "--garment", "CARD"],
        ["new-ink", "--ink", "bright red", "--garment", "CARD"],
    ],
)
def test_a_card_is_no_garment(says, command):
    cloths = demo().substrates
    card = cloths.loc[cloths["kind"] == "card", "substrate_id"].iloc[0]
    said = says(*[part.replace("CARD", card) for part in command], code=2)
    assert re.search(rf"--garment: {card} .+ is a card, not a garment[:;] name the garment", said)


def test_every_command_takes_the_same_set_up_for_usual(says, tmp_path):
    alone = says("predict", "deep red", "black tee", "--out", str(tmp_path / "one.csv"))
    filled = re.search(r"Filled in (mesh, .* on Black \(G02\))", alone).group(1)
    shift = f"{pd.read_csv(tmp_path / 'one.csv')['shift_dE00'].iloc[0]:.1f} "
    why = says("why", "deep red", "black tee")
    beside = says("compare", "deep red", "black tee,white tee")
    assert filled in why
    said = r"Filled in mesh, .*: what the shop mostly does on Black \(G02\) and White \(G01\)"
    assert re.search(said, beside)
    assert [f"{shift}dE00 from the bucket" in why, f"bucket {shift}" in beside] == [True, True]


def test_a_press_has_the_settings_of_its_own_prints():
    """Whatever the shop mostly does, and whether the press is named or filled in."""
    prints = small_shop().prints
    shore = prints["press_id"].map({"P1": 65.0, "P2": 75.0})
    prints = prints.assign(squeegee_shore_a=shore)
    for press, expected in (("P1", 65.0), ("P2", 75.0), (None, None)):
        usual = usual_setup(prints, ["G01"], press)
        mostly = prints.loc[prints["press_id"] == usual["press_id"], "squeegee_shore_a"].mode()
        expected = mostly.iloc[0] if expected is None else expected
        assert usual["squeegee_shore_a"] == expected


def test_few_prints_say_what_they_have_alike(tmp_path):
    head, *_ = TINY["prints.csv"].splitlines()
    dark = [
        f"D{i},,,,tee-black,white,43-80,{base},007,,77-55,{i + 1},0,,46,58,31,"
        for i, base in enumerate((1, 2, 1))
    ]
    light = [f"W{n},,,B,tee-white,,,,007,,43-80,1,0,,46,58,31," for n in range(6)]
    rows = dark + light
    cloths = TINY["substrates.csv"] + f"tee-white,garment,cotton,White,{',' * 30},93,0,1\n"
    given = read(tmp_path, substrates=cloths, prints="\n".join([head, *rows, ""])).given
    asked = {"ink_id": "007", "substrate_id": "tee-black"}
    full, fills = Usual(given).completed(asked)
    assert (full["underbase_ink_id"], full["underbase_mesh_id"]) == ("white", "43-80")
    assert said(fills) == (
        "mesh, strokes and press: what the shop mostly does; "
        "base: all 3 prints on Black (tee-black)"
    )
    two = "\n".join([head, *rows[1:], ""])  # two prints may be alike by chance
    _, fills = Usual(read(tmp_path, substrates=cloths, prints=two).given).completed(asked)
    assert "all 2 prints" not in said(fills)


def test_no_base_is_filled_in_from_prints_of_another_type_of_ink(tmp_path):
    """Dark garments are printed over a base with plastisol; the few water-based prints are bare."""
    inks = TINY["inks.csv"] + "aqua,,water_based,colour,35\nsheer,,water_based,colour,\n"
    inks += "glue,,silicone,colour,\n"
    head, *_ = TINY["prints.csv"].splitlines()
    dark = [f"D{i},,,,tee-black,white,43-80,2,007,,77-55,1,0,,46,58,31," for i in range(12)]
    cloths = TINY["substrates.csv"] + f"tee-white,garment,cotton,White,{',' * 30},93,0,1\n"
    water = "W1,,,,tee-white,,,,aqua,,43-80,1,0,,46,58,31,"
    prints = "\n".join([head, *dark, water, ""])
    usual = Usual(read(tmp_path, inks=inks, substrates=cloths, prints=prints).given)

    def filled(ink: str) -> tuple[str, str | None, str | None]:
        full, fills = usual.completed({"ink_id": ink, "substrate_id": "tee-black"})
        typed, _ = usual.setup(["tee-black"], [ink])
        base = full.get("underbase_ink_id")
        assert (full["mesh_id"], base) == (typed["mesh_id"], typed["underbase_ink_id"])
        return full["mesh_id"], base, said(fills)

    on = "what the shop mostly does with plastisol inks on Black (tee-black)"
    assert filled("007") == ("77-55", "white", f"mesh, strokes and base: {on}")
    by_type = "what the shop mostly does with water-based inks"
    assert filled("sheer") == ("43-80", None, f"mesh, strokes and base: {by_type}")
    mesh, base, told = filled("glue")
    assert (mesh, base) == ("77-55", None)
    assert "base: none, as no silicone ink was printed yet" in str(told)
    assert usual.setup(["tee-black"])[0]["underbase_ink_id"] == "white"


def test_a_garment_of_few_prints_is_printed_like_others_as_dark_wherever_it_is_asked(tmp_path):
    """Most of the shop's prints lie bare on light garments."""
    head, *_ = TINY["prints.csv"].splitlines()
    dark = [f"D{i},,,,tee-black,white,43-80,2,007,,77-55,1,0,,46,58,31," for i in range(10)]
    light = [f"W{i},,,,tee-white,,,,007,,43-80,1,0,,46,58,31," for i in range(30)]
    cloths = TINY["substrates.csv"] + f"tee-white,garment,cotton,White,{',' * 30},93,0,1\n"
    cloths += f"tee-navy,garment,polyester,Navy,{',' * 30},20,2,-15\n"
    prints = "\n".join([head, *dark, *light, ""])
    usual = Usual(read(tmp_path, substrates=cloths, prints=prints).given)
    full, fills = usual.completed({"ink_id": "007", "substrate_id": "tee-navy"})
    assert full["underbase_ink_id"] == "white" and "on dark garments" in str(said(fills))
    typed, _ = usual.setup(["tee-navy"], ["007"])
    assert (typed["mesh_id"], typed["underbase_ink_id"]) == ("77-55", "white")
    assert usual.setup(["tee-white"])[0]["underbase_ink_id"] is None


def test_presets_come_first_everywhere(says, with_presets, tmp_path):
    at = {"root": with_presets}
    filled = "mesh, strokes, base, press and squeegee: [usual.dark] of shop.toml"
    assert filled in says("predict", "deep red", "black tee", **at)
    assert filled in says("why", "deep red", "black tee", **at)
    compared = says("compare", "deep red", "black tee", "--base-ink", "none,white base", **at)
    assert "Screen mesh M61-64, 1 stroke" in compared
    assert ["1 no base" in compared, "2 White base (U1) through mesh M43-80" in compared] == [1, 1]
    aim = ["--target", "33,55,28", "--garment", "black tee"]
    planned = says("plan", *aim, **at)
    assert "[usual.dark] of shop.toml" in planned
    assert re.search(r"As usual .* through M61-64, 1 stroke; base .* through M43-80", planned)
    assert "[usual.dark] of shop.toml" in says("mix", *aim, **at)
    listed = str(tmp_path / "red.csv")
    said = says("new-ink", "--ink", "bright red", "--garment", "black tee", "--out", listed, **at)
    assert "usual press and squeegee: [usual.dark] of shop.toml" in said
    prints = pd.read_csv(listed)
    assert set(prints["press_id"]) == {"P2"}
    assert set(prints["squeegee_shore_a"]) == {75}


def test_a_base_that_is_named_is_printed_as_it_usually_is(says):
    """That base, on that garment where it was often: with the screen of the ink given, and without;
    also on garments on which none is usual."""
    prints = small_shop().prints
    over = prints[prints["underbase_ink_id"] == "U1"]
    columns = ["underbase_mesh_id", "underbase_strokes"]
    mesh, strokes = over.loc[over["substrate_id"] == "G02", columns].value_counts().index[0]
    laid = f"Base White base (U1) through mesh {mesh}, {strokes:g} stroke"
    filled = "mesh of the base and strokes of the base: what the shop mostly does with this base"
    asked = ["predict", "deep red", "black tee", "--base-ink", "white base"]
    for screen in ([], ["--mesh", "77-55", "--strokes", "1"]):
        said = says(*asked, *screen)
        assert laid in said
        assert f"{filled} on Black (G02)" in said
        assert "Press not given" in said or not screen  # all else is left as it is
    here = (over["underbase_mesh_id"] == "M43-80") & (over["substrate_id"] == "G02")
    strokes = over.loc[here, "underbase_strokes"].mode()[0]
    said = says(*asked, *screen, "--base-mesh", "43-80")
    assert f"Base White base (U1) through mesh M43-80, {strokes:g} stroke" in said
    assert "Filled in strokes of the base: what the shop mostly does with this base" in said
    said = says(*asked, *screen, "--base-mesh", "43-80", "--base-strokes", "3")
    assert "M43-80, 3 strokes" in said and "Filled in" not in said
    assert f"{filled} " in says("predict", "deep red", "ash", "--base-ink", "white base", *screen)


def test_the_mesh_of_a_base_never_printed_may_be_left_open(says):
    screen = ["--mesh", "77-55", "--strokes", "1"]
    said = says("predict", "deep red", "black tee", *screen, "--base-ink", "bright red")
    left_open = (
        "--base-mesh is not given; taken as one of the meshes that bases go through here, though "
        "not surely: give it for a narrower band"
    )
    assert "Base Bright red (C08) Screen" in said and left_open in said
    said = says("predict", "deep red", "white tee", "--base-ink", "bright red")
    assert "Base Bright red (C08) Screen" in said and left_open in said
    assert "of the base" not in re.search(r"Filled in (.+?) Model", said)[1]
    assert "--base-strokes is not given; taken as bases are mostly printed here" in said
    said = says("predict", "deep red", "black tee", *screen, "--base-ink", "wite", code=2)
    assert said.count("strikeoff:") == 1 and said.startswith('strikeoff: --base-ink: "wite" is not')
    assert "mesh of the base" not in said


def test_presets_say_how_a_base_is_printed(says, with_presets):
    screen = ["--mesh", "77-55", "--strokes", "1"]
    asked = ["predict", "deep red", "black tee", "--base-ink", "white base", *screen]
    said = says(*asked, root=with_presets)
    assert "Base White base (U1) through mesh M43-80" in said
    assert "mesh of the base: [usual.dark] of shop.toml" in said


def test_no_base_is_no_base_whatever_else_is_said(says):
    bare = ["--base-ink", "none"]
    by_name = says("predict", "deep red", "black tee", *bare)
    assert "Base none, straight on the cloth" in by_name
    full = says("predict", "deep red", "black tee", "--mesh", "43-80", "--strokes", "1", *bare)
    assert "Base none, straight on the cloth" in full
    assert "Filled in" not in full
