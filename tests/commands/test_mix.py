"""``strikeoff mix`` and the tables: mixes recorded, tints counted, an old mix used up."""

from __future__ import annotations

import shutil

import pytest

from pipelines.cli import main

AIM = ["mix", "--target", "50,55,28", "--garment", "G01", "--mesh", "M77-55", "--base-ink", "none"]


@pytest.fixture
def says(learnt_workspace, tmp_path, monkeypatch, capsys):
    """Runs a command in a workspace of its own: exit code, and all that was said."""
    shutil.copytree(learnt_workspace, tmp_path / "work")
    monkeypatch.chdir(tmp_path / "work")

    def run(*words: str) -> tuple[int, str]:
        code = main([*words])
        said = capsys.readouterr()
        return code, " ".join((said.out + said.err).split())

    return run


def record(folder, tables: dict[str, str]) -> str:
    folder.mkdir()
    for name, text in tables.items():
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")
    return str(folder)


def test_a_mix_is_recorded_teaches_its_inks_and_is_used_up(says, tmp_path):
    inks = [*AIM, "--ink", "C08", "--ink", "C24"]
    code, before = says(*inks)
    assert code == 0
    assert "How much Bright red (C08) and Bright white (C24) do in a mix is taken" in before
    assert "usual of pigments, a third to three times" in before
    assert "One card of each, 1 part in 4 of white" in before
    coming = record(
        tmp_path / "coming",
        {
            "inks": "ink_id,ink_name,ink_type,role,mix\n"
            'MX1,Coral,plastisol,colour,"Bright red=60; C24=40"\n',
            "drawdowns": "ink_id,substrate_id,film_um,mixed_with,share_pct,L,a,b\n"
            "C08,KCARD,60,C24,20,63,40,18\n",
            "prints": "print_id,printed_on,substrate_id,ink_id,mesh_id,strokes,flash_count,L,a,b\n"
            "MP1,2024-11-02,G01,MX1,M77-55,1,0,50,52,26\n",
        },
    )
    code, said = says("record", coming)
    assert code == 0 and "1 new ink, 1 new drawdown" in said
    code, after = says(*inks)
    assert code == 0
    assert "Bright red (C08)" in after and "One card of each" not in after
    code, worth = says("new-ink", "--ink", "C10")
    assert code == 0 and "Where it will be mixed: of its mixes with" in worth
    assert "Where it will be mixed" not in says("new-ink", "--ink", "C08")[1]
    code, used = says(*AIM, "--have", "Coral=100", "--bucket", "2")
    assert code == 0
    assert "this mix has been printed so (MP1), which counts as its test print" in used
    assert "leave the mix as it is" in used, "it came out within a unit of the target"
    redder = ["46,61,34" if one == "50,55,28" else one for one in AIM]
    code, used = says(*redder, "--have", "Coral=100", "--bucket", "2")
    assert code == 0
    added = used.split("Add to your 2 kg:")[1].split("Then:")[0]
    # what was printed of it is lighter and less chromatic than that: more of the red
    assert "C08" in added and "MX1" not in added


def test_an_ink_of_which_nothing_is_known_is_mixed_only_where_it_is_named(says, tmp_path):
    inks = "ink_id,ink_name,ink_type,role\nNEW1,Coral,plastisol,colour\n"
    card = "ink_id,substrate_id,film_um,mixed_with,share_pct,L,a,b\nNEW1,KCARD,60,C24,20,63,40,18\n"
    coming = {"inks": inks, "drawdowns": card}  # which tells how strong it is, not what it is
    assert says("record", record(tmp_path / "coming", coming))[0] == 0
    left_out = "left out: nothing is measured and nothing printed of ink Coral (NEW1) by itself, so"
    for have in ([], ["--have", "C08=50", "--have", "C24=50"]):
        code, said = says(*AIM, *have)
        assert code == 0
        assert said.count(left_out) == 1 and said.count("NEW1") == 1
    code, said = says(*AIM, "--ink", "C24", "--ink", "NEW1")
    assert code == 0 and left_out not in said
    assert "% Coral (NEW1)" in said and "test print first" in said


def test_what_cannot_be_mixed_is_one_sentence(says):
    for words, sentence in (
        (["--measured", "G01=50,50,25"], "--measured is the test print of a mix: say with --have"),
        (["--strokes", "0"], "--strokes 0: give 1 or more"),
        (["--strokes", "1", "--flashes", "1"], "1 flash between 1 stroke: give at most one less"),
        (["--density", "C08=0"], "--density of 'C08' is 0 g/ml: it must be above 0"),
        (["--have", "C08=105", "--have", "C24=-5"], "has -5 % of 'C24': a share is 0 or more"),
        (["--lot", "none"], '--lot "none": write it as INK=LOT, such as red=24-06'),
    ):
        code, said = says(*AIM, *words)
        assert code == 2
        assert sentence in said
        assert said.count("strikeoff:") == 1
