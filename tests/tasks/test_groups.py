"""A group learnt, checked and looked at: the same bytes by any engine, whatever is killed."""

from __future__ import annotations

import sqlite3
from dataclasses import replace
from importlib.metadata import version

import pytest

from pipelines.registry.archive import archive_of
from pipelines.registry.parcel import packed, unpacked
from pipelines.tables.group import read_group
from pipelines.tasks import groups
from pipelines.tasks.groups import Engine, learn_all
from pipelines.workspace.folders import Workspace
from tests.cluster import running_cluster
from tests.group_of_shops import NAMES, check_quickly, copy_of, learn_quickly, versions_in
from tests.quick_shop import run


@pytest.fixture(autouse=True)
def quickly(monkeypatch):
    monkeypatch.setattr(groups, "learn_plant", learn_quickly)
    monkeypatch.setattr(groups, "check_part", check_quickly)


@pytest.fixture(scope="module")
def cluster(tmp_path_factory):
    with running_cluster(tmp_path_factory.mktemp("dask")) as running:
        yield running


def test_each_shop_is_learnt_once(serial):
    assert sorted(versions_in(serial)) == sorted(f"{name}/0001" for name in NAMES)


def test_two_workers_give_the_same_bytes(fresh, serial, tmp_path):
    root = copy_of(fresh, tmp_path / "two")
    code, said = run(root, "learn", "--group", "--workers", "2", "--page", str(tmp_path / "g.html"))
    assert code == 0, said
    assert versions_in(root) == versions_in(serial)
    page = (tmp_path / "g.html").read_text(encoding="utf-8")
    assert all(name in page for name in NAMES)


def test_a_scheduler_gives_the_same_bytes_though_a_worker_is_killed(
    fresh, serial, cluster, tmp_path
):
    root, said = copy_of(fresh, tmp_path / "dask"), []
    file = root / "group.toml"  # one tells the others, once all have learnt
    file.write_text(file.read_text().replace('name = "north"', 'name = "north"\nshares = true'))

    def say(text):
        said.append(text)
        if len(said) == 1:  # half-way: others are at work
            cluster.workers[0].kill()

    group = read_group(root / "group.toml", Workspace(root))
    found = learn_all(group, Engine(cluster=cluster.address), say)
    assert (found.failed, found.lost) == ({}, None)
    assert len(said) == len(NAMES)
    assert versions_in(root) == versions_in(serial)  # none lost, none twice
    cluster.joined_by(tmp_path)


def test_a_worker_with_several_threads_or_other_packages_is_told(fresh, cluster, tmp_path):
    """The one has two threads; the other finds another version of a package than is here."""
    other = tmp_path / "packages" / "joblib-0.1.dist-info"
    other.mkdir(parents=True)
    (other / "METADATA").write_text("Metadata-Version: 2.1\nName: joblib\nVersion: 0.1\n")
    for options, packages, what in (
        (("--nthreads", "2"), None, "does 2 tasks at once"),
        ((), other.parent, f"has joblib 0.1, here {version('joblib')}; install there what is here"),
    ):
        cluster.joined_by(tmp_path, *options, packages=packages)
        code, said = run(fresh, "learn", "--group", "--cluster", cluster.address)
        assert (code, len(said.splitlines())) == (2, 1), said
        assert what in said
        assert versions_in(fresh) == {}
        cluster.workers[-1].kill()


def test_a_scheduler_that_is_lost_is_told_and_the_next_run_goes_on(
    fresh, serial, tmp_path, monkeypatch
):
    root, said = copy_of(fresh, tmp_path / "lost"), []
    with running_cluster(tmp_path / "dask") as running:
        monkeypatch.setattr(groups, "_so_far", lambda _: running.scheduler.kill() or "now")
        code, told = run(root, "learn", "--group", "--cluster", running.address)
    assert code == 2
    assert "was lost on the way" in told
    assert "Traceback" not in told
    before = versions_in(root)
    assert 1 <= len(before) < len(NAMES)
    monkeypatch.setattr(groups, "_so_far", lambda _: "")
    code, told = run(root, "learn", "--group", "--workers", "1")
    assert code == 0, said
    assert told.count("Nothing new") >= len(before)
    assert versions_in(root) == versions_in(serial)


def test_a_shop_that_fails_is_told_at_the_end_and_stops_no_other(serial, tmp_path):
    root = copy_of(serial, tmp_path / "damaged")
    (root / "datasets" / "south" / "shop.db").write_bytes(b"no database")
    code, said = run(root, "status", "--group", "--workers", "1")
    assert code == 1
    assert "3 of 4 plants" in said
    assert said.strip().splitlines()[-1].startswith("Not done: south:")


def test_a_result_that_comes_twice_is_stored_once(fresh, tmp_path):
    root = copy_of(fresh, tmp_path / "twice")
    group = read_group(root / "group.toml", Workspace(root))
    asked = groups._asked(group.members[0])
    before = replace(asked.parcel)
    before.parts = dict(before.parts)
    first, again = learn_quickly(asked), learn_quickly(groups._asked(group.members[0]))
    kept = archive_of(Workspace(root), "north")
    assert unpacked(kept, before, first.parcel)
    assert not unpacked(kept, before, again.parcel)
    assert list(versions_in(root)) == ["north/0001"]


def test_another_who_learnt_meanwhile_is_told_and_nothing_is_changed(serial, fresh, tmp_path):
    root = copy_of(fresh, tmp_path / "meanwhile")
    member = read_group(root / "group.toml", Workspace(root)).members[0]
    asked = groups._asked(member)
    before = replace(asked.parcel, parts=dict(asked.parcel.parts))
    learnt = learn_quickly(replace(asked, refit=True))
    kept = archive_of(Workspace(root), "north")
    theirs = packed(archive_of(Workspace(serial), "north"))
    facts = theirs.facts("0001").replace(b'"data_sha256": "', b'"data_sha256": "0')
    kept.add(facts, theirs.numbers["0001"], charge=True)
    with pytest.raises(Exception, match="by another meanwhile"):
        groups._store(member, before, learnt)
    assert list(versions_in(root)) == ["north/0001"]


def test_a_check_that_was_made_is_not_made_again(serial, tmp_path):
    root = copy_of(serial, tmp_path / "checked")
    command = ("check", "--group", "--quick", "--workers", "1")
    (first, told), (second, again) = run(root, *command), run(root, *command)
    assert (first, second) == (0, 0), told
    assert again.count("as it was checked before") == len(NAMES)
    tables = [text[text.index("Checked,") :] for text in (told, again)]
    assert tables[0] == tables[1]
    with sqlite3.connect(root / "datasets" / "south" / "shop.db") as other:
        assert other.execute("SELECT count(*) FROM batches").fetchone() == (1,)


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (("learn", "--cluster", "tcp://h:1"), "--cluster goes with --group"),
        (("learn", "--group", "--shop", "north"), "--shop is about one shop"),
        (("status", "--group", "--workers", "2", "--cluster", "tcp://h:1"), "not both"),
        (("check", "--group", "nowhere.toml"), "there is no such file"),
    ],
)
def test_options_that_do_not_go_together_are_told(fresh, options, said):
    code, told = run(fresh, *options)
    assert code == 2
    assert said in told
