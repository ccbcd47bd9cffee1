"""Plants of a group tell each other of inks, where their owner allows."""

import shutil

from learn.predict import telling
from pipelines.registry import versions
from pipelines.registry.archive import archive_of
from pipelines.tasks import groups
from pipelines.workspace.folders import Workspace
from tests.group_of_shops import NAMES, copy_of, learn_quickly, versions_in
from tests.quick_shop import began, run

SHOPS = NAMES[:3]


def sharing(root, to, shares):
    """A copy of three shops of a group; the first allows so much to be told."""
    root = copy_of(root, to, SHOPS)
    first, *others = (f'[[shop]]\nname = "{name}"\n' for name in SHOPS)
    text = "".join([first, f"shares = {shares}\n", *others])
    (root / "group.toml").write_text(f'name = "Our plants"\n{text}', encoding="utf-8")
    return root


def test_only_what_an_owner_allows_is_told_and_once(serial, tmp_path, monkeypatch):
    monkeypatch.setattr(groups, "learn_plant", learn_quickly)
    monkeypatch.setattr(telling, "FEWEST", 2)  # these shops have printed two inks
    root = sharing(serial, tmp_path / "told", "true")
    for _ in range(2):  # the second time there is nothing new to tell
        code, said = run(root, "learn", "--group", "--workers", "1")
        assert code == 0, said
        others = [f"{name}/{n:04d}" for name in SHOPS[1:] for n in (1, 2)]
        assert sorted(versions_in(root)) == sorted([f"{SHOPS[0]}/0001", *others])
    code, said = run(root, "models", "--shop", SHOPS[1], "--compare", "0001", "0002")
    assert code == 0 and "0002 was told what other plants know, on 0001" in " ".join(said.split())
    code, said = run(root, "status", "--shop", SHOPS[1])
    assert code == 0 and SHOPS[0] in said


def test_inks_that_are_not_listed_stay_at_home(serial, tmp_path, monkeypatch):
    monkeypatch.setattr(groups, "learn_plant", learn_quickly)
    monkeypatch.setattr(telling, "FEWEST", 2)
    root = sharing(serial, tmp_path / "listed", '["no such ink"]')
    code, said = run(root, "learn", "--group", "--workers", "1")
    assert code == 0, said
    assert sorted(versions_in(root)) == sorted(f"{name}/0001" for name in SHOPS)


def test_plants_of_other_light_or_condition_are_told_and_not_heard(serial, tmp_path, monkeypatch):
    """One gives its colours under another illuminant: its figures and inks stay its own."""
    monkeypatch.setattr(groups, "learn_plant", learn_quickly)
    monkeypatch.setattr(telling, "FEWEST", 2)
    tables = tmp_path / "tables"
    shutil.copytree(began() / "tables", tables)
    settings = (tables / "shop.toml").read_text(encoding="utf-8")
    assert 'illuminant = "D50"' in settings
    (tables / "shop.toml").write_text(settings.replace('"D50"', '"D65"'), encoding="utf-8")
    root = sharing(serial, tmp_path / "light", "true")
    code, said = run(root, "import", str(tables), "--shop", SHOPS[0])
    assert code == 0, said
    code, said = run(root, "learn", "--group", "--workers", "1")
    assert code == 0, said
    assert f"{SHOPS[0]} gives its colours under D65, 2 degrees, the others under D50" in said
    anew = f"{SHOPS[0]}/0002"  # of the tables under another light
    assert sorted(versions_in(root)) == sorted([anew, *(f"{name}/0001" for name in SHOPS)])


def test_what_was_told_outlasts_learning_and_is_forgotten_when_nobody_tells_it(
    serial, tmp_path, monkeypatch
):
    """A batch appended, and all learnt anew; then the owner lets nothing travel any more."""
    monkeypatch.setattr(groups, "learn_plant", learn_quickly)
    monkeypatch.setattr(telling, "FEWEST", 2)
    root = sharing(serial, tmp_path / "kept", "true")
    one = SHOPS[1]
    learn = ("learn", "--group", "--workers", "1")
    code, said = run(root, *learn)
    assert code == 0, said

    def told():
        found = versions.load(archive_of(Workspace(root), one)).meta["sisters"]
        return [plant for plant, *_ in found["heard"]], [s["plant"] for s in found["summaries"]]

    assert told() == ([SHOPS[0]], [SHOPS[0]])
    batch = ("record", str(began() / "in" / "known"), "--shop", one)
    for command in (batch, ("learn", "--shop", one), ("learn", "--refit", "--shop", one)):
        code, said = run(root, *command)
        assert code == 0, said
        assert told() == ([SHOPS[0]], [SHOPS[0]]), command
    file = root / "group.toml"
    file.write_text(file.read_text(encoding="utf-8").replace("shares = true", ""), encoding="utf-8")
    code, said = run(root, *learn)
    assert code == 0 and "No plant tells it of inks any more" in said
    assert told() == ([], [])
