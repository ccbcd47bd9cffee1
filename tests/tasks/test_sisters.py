"""Plants of a group tell each other of inks, where their owner allows."""

import shutil

import pytest

from learn.predict import telling
from pipelines.registry import versions
from pipelines.registry.archive import archive_of
from pipelines.tasks import groups
from pipelines.workspace.folders import Workspace
from tests.group_of_shops import NAMES, copy_of, group_of, learn_quickly, versions_in
from tests.quick_shop import began, run


@pytest.fixture(scope="module")
def fresh(tmp_path_factory):
    return group_of(tmp_path_factory.mktemp("sisters") / "fresh")


def shared(root, shares):
    """The group, its first shop allowing so much."""
    file = root / "group.toml"
    first = f'name = "{NAMES[0]}"'
    text = file.read_text(encoding="utf-8")
    assert first in text and "shares" not in text
    file.write_text(text.replace(first, f"{first}\nshares = {shares}"), encoding="utf-8")
    return root


def test_only_what_an_owner_allows_is_told_and_once(fresh, tmp_path, monkeypatch):
    monkeypatch.setattr(groups, "learn_plant", learn_quickly)
    monkeypatch.setattr(telling, "FEWEST", 2)  # these shops have printed two inks
    root = shared(copy_of(fresh, tmp_path / "told"), "true")
    for _ in range(2):  # the second time there is nothing new to tell
        code, said = run(root, "learn", "--group", "--workers", "1")
        assert code == 0, said
        others = [f"{name}/{n:04d}" for name in NAMES[1:] for n in (1, 2)]
        assert sorted(versions_in(root)) == sorted([f"{NAMES[0]}/0001", *others])
    code, said = run(root, "models", "--shop", NAMES[1], "--compare", "0001", "0002")
    assert code == 0 and "0002 was told what other plants know, on 0001" in " ".join(said.split())
    code, said = run(root, "status", "--shop", NAMES[1])
    assert code == 0 and NAMES[0] in said


def test_inks_that_are_not_listed_stay_at_home(fresh, tmp_path, monkeypatch):
    monkeypatch.setattr(groups, "learn_plant", learn_quickly)
    root = shared(copy_of(fresh, tmp_path / "listed"), '["no such ink"]')
    code, said = run(root, "learn", "--group", "--workers", "1")
    assert code == 0, said
    assert sorted(versions_in(root)) == sorted(f"{name}/0001" for name in NAMES)


def test_plants_of_other_light_or_condition_are_told_and_not_heard(fresh, tmp_path, monkeypatch):
    """One gives its colours under another illuminant: its figures and inks stay its own."""
    monkeypatch.setattr(groups, "learn_plant", learn_quickly)
    monkeypatch.setattr(telling, "FEWEST", 2)
    tables = tmp_path / "tables"
    shutil.copytree(began() / "tables", tables)
    settings = (tables / "shop.toml").read_text(encoding="utf-8")
    assert 'illuminant = "D50"' in settings
    (tables / "shop.toml").write_text(settings.replace('"D50"', '"D65"'), encoding="utf-8")
    root = shared(copy_of(fresh, tmp_path / "light"), "true")
    code, said = run(root, "import", str(tables), "--shop", NAMES[0])
    assert code == 0, said
    code, said = run(root, "learn", "--group", "--workers", "1")
    assert code == 0, said
    assert f"{NAMES[0]} gives its colours under D65, 2 degrees, the others under D50" in said
    assert sorted(versions_in(root)) == sorted(f"{name}/0001" for name in NAMES)


def test_what_was_told_outlasts_learning_and_is_forgotten_when_nobody_tells_it(
    fresh, tmp_path, monkeypatch
):
    """A batch appended, and all learnt anew; then the owner lets nothing travel any more."""
    monkeypatch.setattr(groups, "learn_plant", learn_quickly)
    monkeypatch.setattr(telling, "FEWEST", 2)
    root = shared(copy_of(fresh, tmp_path / "kept"), "true")
    one = NAMES[1]
    learn = ("learn", "--group", "--workers", "1")
    code, said = run(root, *learn)
    assert code == 0, said

    def told():
        found = versions.load(archive_of(Workspace(root), one)).meta["sisters"]
        return [plant for plant, *_ in found["heard"]], [s["plant"] for s in found["summaries"]]

    assert told() == ([NAMES[0]], [NAMES[0]])
    batch = ("record", str(began() / "in" / "known"), "--shop", one)
    for command in (batch, ("learn", "--shop", one), ("learn", "--refit", "--shop", one)):
        code, said = run(root, *command)
        assert code == 0, said
        assert told() == ([NAMES[0]], [NAMES[0]]), command
    file = root / "group.toml"
    file.write_text(file.read_text(encoding="utf-8").replace("shares = true", ""), encoding="utf-8")
    code, said = run(root, *learn)
    assert code == 0 and "No plant tells it of inks any more" in said
    assert told() == ([], [])
