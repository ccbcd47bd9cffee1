"""A test print that a cell filled in would save is told of, and that cell does save it."""

from __future__ import annotations

import re
import shutil

import pandas as pd
import pytest

from learn.planning.plan import usual_setup
from pipelines.cli import main
from pipelines.tasks.left_open import READ_OFF
from pipelines.words.left_open import TOLD, LeftOpen, one_left_open
from tests.small_demo import small_model, small_shop

LEFT = {"press_id": "", "squeegee_shore_a": "", "off_contact_mm": ""}


def usual_jobs(path, n: int):
    """Set-ups as the shop mostly prints, each aimed at what it will look like."""
    prints = small_shop().prints
    row = prints[prints["underbase_ink_id"].notna()].iloc[[0]]
    screen = usual_setup(prints, row["substrate_id"].tolist())
    full = row.assign(**{c: screen[c] for c in READ_OFF})
    L, a, b = small_model().means(full)[0].round(2)
    table = full[["ink_id", "substrate_id", "mesh_id", "strokes"]]
    table = table.join(full[["underbase_ink_id", "underbase_mesh_id", "underbase_strokes"]])
    table = table.join(full[list(READ_OFF)]).assign(target=f"{L},{a},{b}")
    table = pd.concat([table] * n, ignore_index=True)
    return table.assign(setup_id=[f"S{i + 1}" for i in range(n)])


def predicted(root, table, folder, capsys) -> tuple[pd.DataFrame, str]:
    table.to_csv(folder / "jobs.csv", index=False)
    out = folder / "out.csv"
    wanted = ["predict", str(folder / "jobs.csv"), "--out", str(out), "--date", "none"]
    assert main(["--workspace", str(root), *wanted, "--page", str(folder / "out.html")]) == 0
    return pd.read_csv(out), capsys.readouterr().out


def between(root, table, folder, capsys) -> float:
    """A tolerance at which the set-up goes when filled in, and not when left open."""
    table = pd.concat([table.head(1)] * 20, ignore_index=True)
    table = table.assign(tolerance_dE00=[0.2 * (i + 1) for i in range(20)])
    table["setup_id"] = [f"T{i}" for i in range(20)]
    full, _ = predicted(root, table, folder, capsys)
    left, _ = predicted(root, table.assign(**LEFT), folder, capsys)
    where = (full["verdict"] == "go") & (left["verdict"] == "test")
    return float(table["tolerance_dE00"][where].iloc[0])


@pytest.fixture
def jobs(learnt_workspace, tmp_path, capsys):
    table = usual_jobs(tmp_path, TOLD + 2)
    return table.assign(tolerance_dE00=between(learnt_workspace, table, tmp_path, capsys))


def test_what_a_filled_in_cell_would_save_is_told(learnt_workspace, jobs, tmp_path, capsys):
    left, said = predicted(learnt_workspace, jobs.assign(**LEFT), tmp_path, capsys)
    assert (left["verdict"] == "test").all()
    found = re.search(r"(\d+) set-ups with a test print first would go .*: (S1 .*)\. Give", said)
    assert found, said
    assert int(found[1]) == TOLD + 2
    assert found[2].count("(press P") == TOLD and found[2].endswith("and 2 more")
    assert "Shore A" in found[2] and "mm" in found[2] and "deg" not in found[2]
    assert f'<p class="unsaid">{found[0]}' in (tmp_path / "out.html").read_text(encoding="utf-8")

    jobs.assign(**LEFT).to_csv(tmp_path / "jobs.csv", index=False)
    assert (
        main(["--workspace", str(learnt_workspace), "next-test", str(tmp_path / "jobs.csv")]) == 0
    )
    assert "would go straight to production if" in capsys.readouterr().out

    full, said = predicted(learnt_workspace, jobs, tmp_path, capsys)
    assert (full["verdict"] == "go").all(), "as it was told"
    assert "they leave open" not in said
    assert 'class="unsaid"' not in (tmp_path / "out.html").read_text(encoding="utf-8")


def test_of_one_set_up_it_stands_beside_the_answer(learnt_workspace, jobs, tmp_path, capsys):
    one = jobs.iloc[0].astype(object)
    options = {"--mesh": "mesh_id", "--strokes": "strokes", "--flashes": "flash_count"}
    options |= {"--base-ink": "underbase_ink_id", "--base-mesh": "underbase_mesh_id"}
    options |= {"--angle": "squeegee_angle_deg", "--eom": "eom_um", "--target": "target"}
    options |= {"--base-strokes": "underbase_strokes", "--tolerance": "tolerance_dE00"}
    words = [one["ink_id"], one["substrate_id"], "--date", "none"]
    words += [w for option, c in options.items() for w in (option, str(one[c]))]
    words += ["--page", str(tmp_path / "one.html")]
    assert main(["--workspace", str(learnt_workspace), "predict", *words]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "TEST PRINT FIRST" in said
    assert re.search(r"Left open With press P\d.* this would go straight to production", said)
    page = (tmp_path / "one.html").read_text(encoding="utf-8")
    assert re.search(r'<p class="unsaid">With press P\d.* would go straight to production', page)


@pytest.mark.parametrize(
    ("flashes", "words"), [(0.0, "With no flash between strokes"), (1.0, "With 1 flash between")]
)
def test_flashes_left_open_are_named(flashes, words):
    one = LeftOpen("S1", {"flash_count": flashes, "off_contact_mm": 2.0}, 0.95)
    said = one_left_open(one, {"press": {}})
    assert said.startswith(words) and "off-contact 2 mm, as the shop mostly has it" in said


def test_a_card_that_would_do_instead_of_a_test_print_is_told_and_does(
    learnt_workspace, tmp_path, capsys
):
    root = shutil.copytree(learnt_workspace, tmp_path / "shop")
    table = usual_jobs(tmp_path, 20).assign(ink_lot="X9")
    table = table.assign(tolerance_dE00=[0.15 * (i + 1) for i in range(20)])
    before, said = predicted(root, table, tmp_path, capsys)
    ink = table["ink_id"].iloc[0]
    found = re.search(
        rf"may do with a card .* lot X9 of [\w ]+ \({ink}\), (.*) for (.*); and", said
    )
    assert found, said
    named = set(re.findall(r"S\d+", found[2]))
    assert (before.set_index("setup_id")["verdict"][list(named)] == "test").all()
    draw = re.match(r"at (\d+) um over .+ \((\w+)\) and .+ \((\w+)\),", found[1])
    assert draw, found[1]
    own = pd.read_csv(root / "tables" / "drawdowns.csv", dtype=str)
    card = (
        (own["ink_id"] == ink)
        & (own["film_um"] == draw[1])
        & own["substrate_id"].isin(draw.groups())
    )
    assert card.sum() == 2
    own[card].assign(ink_lot="X9").to_csv(tmp_path / "cards.csv", index=False)
    assert main(["--workspace", str(root), "record", str(tmp_path / "cards.csv")]) == 0
    assert "as strong as the ink's other cards" in capsys.readouterr().out
    after, said = predicted(root, table, tmp_path, capsys)
    assert (after.set_index("setup_id")["verdict"][list(named)] == "go").all(), "as it was told"
    assert "with a card" not in said
