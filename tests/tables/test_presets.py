"""How a shop usually prints: sections of shop.toml."""

from __future__ import annotations

import pytest

from pipelines.tables.folder import known_in
from pipelines.tables.presets import preset_for, read_presets
from pipelines.workspace.problems import Findings
from tests.tables.reading import read, refused

TOML = """\
[usual.black]
base_mesh = "90-48"
[usual.dark]
base = "base white"
base_mesh = "43-80"
base_strokes = 2
strokes = 2
flashes = 1
[usual.any]
mesh = "77-55"
strokes = 1
squeegee = 75
[usual.light]
base = "none"
"""


@pytest.fixture
def presets(tmp_path):
    known = known_in(read(tmp_path, shop=TOML).given.tables)
    return read_presets(TOML, known, Findings())


def test_the_garments_own_section_comes_over_dark_and_that_over_any(presets):
    cells, titles = preset_for(presets, "tee-black", 17.0)
    assert titles == ["[usual.any]", "[usual.dark]", "[usual.black]"]
    assert cells == {
        "mesh_id": "77-55",
        "strokes": "2",
        "flash_count": "1",
        "squeegee_shore_a": "75",
        "underbase_ink_id": "white",
        "underbase_mesh_id": "90-48",
        "underbase_strokes": "2",
    }


def test_no_base_is_said_as_such(presets):
    cells, _ = preset_for(presets, "another", 50.0)
    assert [cells[f"underbase_{c}"] for c in ("ink_id", "mesh_id", "strokes")] == ["", "", ""]
    assert cells["strokes"] == "1"


def test_strokes_given_anew_leave_no_flash_of_before(tmp_path):
    toml = "[usual.any]\nstrokes = 2\nflashes = 1\n[usual.dark]\nstrokes = 1\n"
    known = known_in(read(tmp_path, shop=toml).given.tables)
    cells, _ = preset_for(read_presets(toml, known, Findings()), "tee-black", 17.0)
    assert cells == {"strokes": "1"}


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("strokes = 0", 'shop.toml, usual.dark.strokes: "0" is outside 1 to 20'),
        ("strokes = true", "shop.toml, usual.dark.strokes: True is no text or number"),
        ("strokes = 1\nflashes = 1", "1 flashes do not fit between 1 strokes"),
        ("base = 'Base wite'", 'usual.dark.base: "Base wite" is not in inks.csv'),
        ("mash = '77-55'", "shop.toml, usual.dark.mash: is not known; use one of mesh, "),
        ("[usual.blck]", 'usual.blck: "blck" is not in substrates.csv; write dark, light, any or'),
    ],
)
def test_what_is_wrong_in_a_section_is_one_sentence(tmp_path, line, said):
    assert said in refused(tmp_path, shop=f"[usual.dark]\n{line}\n")
