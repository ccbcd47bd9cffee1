"""Plants of a group tell each other of inks, where their owner allows."""

import pytest

from learn.predict import telling
from pipelines.tasks import groups
from tests.group_of_shops import NAMES, copy_of, group_of, learn_quickly, versions_in
from tests.quick_shop import run


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
