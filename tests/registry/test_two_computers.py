"""Two computers of one shop whose data and models lie on a server."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from unittest import mock

import pytest

from pipelines.registry import promotion, report_card, versions
from pipelines.registry.archive import archive_of
from pipelines.workspace.folders import Workspace
from tests.quick_shop import began, run
from tests.registry.archives import does
from tests.servers import fresh_database

SHOP = "s"
Says = Callable[..., str]


@pytest.fixture
def url(server: str) -> Iterator[str]:
    with fresh_database(server) as url:
        yield url


@pytest.fixture
def computers(url: str, tmp_path: Path) -> tuple[Path, Path]:
    """The first has learnt, recorded a batch since, and knows the server; so does the other."""
    one, other = tmp_path / "one", tmp_path / "other"
    one.mkdir()
    shutil.copytree(began() / "models", one / "models")
    for command in (
        ("import", str(began() / "tables"), "--shop", SHOP, "--database", url),
        ("record", str(began() / "in" / "known")),
    ):
        code, said = run(one, *command)
        assert code == 0, said
    shutil.copytree(one / "datasets", other / "datasets")
    return one, other


def does_well(root: Path, *command: str) -> str:
    code, said = run(root, *command)
    assert code == 0, said
    return said


def predicted(root: Path) -> bytes:
    does_well(root, "predict", str(began() / "jobs.csv"), "--out", str(root / "out.csv"))
    return (root / "out.csv").read_bytes()


def test_what_one_has_learnt_the_other_predicts_by(computers):
    one, other = computers
    assert predicted(one) == predicted(other)
    assert "Model 0002 is in charge" in does_well(one, "learn", "--workers", "1")
    assert predicted(one) == predicted(other)
    assert "by model 0002" in does_well(
        other, "predict", str(began() / "jobs.csv"), "--out", str(other / "out.csv")
    )
    assert "Nothing new since model 0002" in does_well(other, "learn", "--workers", "1")
    does_well(other, "models", "--use", "1")
    assert "0001 is in charge already" in does_well(one, "models", "--use", "1")


def at_once(computers: tuple[Path, Path], when: str) -> tuple[str, str]:
    """What the first says, and the other, which comes to its end before the first does ``when``."""
    one, other = computers
    theirs: list[str] = []
    own = getattr(promotion, when)

    def meanwhile(*arguments):
        if not theirs:
            theirs.append("")
            theirs[0] = does_well(other, "learn", "--workers", "1")
        return own(*arguments)

    with mock.patch.object(promotion, when, meanwhile):
        return does_well(one, "learn", "--workers", "1"), theirs[0]


def test_who_is_overtaken_before_the_long_work_looks_again(computers):
    said, theirs = at_once(computers, "score_batch")
    assert "Model 0002 is in charge" in theirs
    assert "another version was put in charge meanwhile; looking again" in said
    assert "Nothing new since model 0002" in said
    kept = archive_of(Workspace(computers[0]), SHOP)
    assert [len(record.marks) for record in report_card.read(kept)] == [9]


def test_two_that_learn_at_once_store_a_version_each_and_one_is_in_charge(computers):
    one, other = computers
    said, theirs = at_once(computers, "learnt_anew")
    assert "Model 0002 is in charge" in theirs
    assert "Model 0003 is kept, not used; 0002 stays in charge: model 0002 was put in" in said
    for root in computers:
        kept = archive_of(Workspace(root), SHOP)
        assert (kept.names(), versions.in_charge(kept)) == (["0001", "0002", "0003"], "0002")
        learnt = [versions.load(kept, name).facts["learnt"] for name in kept.names()]
        assert [one["put_in_charge"] for one in learnt] == [True, True, False]
        card = [record for record in report_card.read(kept) if record.in_charge]
        assert [len(record.marks) for record in card] == [9]  # each print is forecast once
    assert predicted(one) == predicted(other)


def test_a_damaged_version_is_told_and_the_one_before_offered(computers, url):
    one, other = computers
    before = predicted(other)
    does_well(one, "learn", "--workers", "1")
    does(url, "UPDATE model_parts SET data = set_byte(data, 99, 7) WHERE arrays IN "
         "(SELECT arrays FROM models WHERE version = 2)")  # fmt: skip
    jobs = ["predict", str(began() / "jobs.csv"), "--out", str(other / "out.csv")]
    code, said = run(other, *jobs)
    assert (code, len(said.splitlines())) == (2, 1)
    assert "model 0002: the model is damaged, changed or missing" in said
    assert said.endswith("strikeoff models --use 0001.\n")
    code, said = run(other, "record", str(began() / "in" / "mesh"))
    assert (code, "cannot be read by this version; run strikeoff learn first" in said) == (2, True)
    does_well(other, "models", "--use", "0001")
    assert predicted(other) == before
    assert predicted(one) == before


def test_a_server_that_has_gone_is_no_damaged_model(computers, url):
    """What cannot be reached must not be learnt anew, nor be said to be damaged."""
    one, other = computers
    does_well(one, "learn", "--workers", "1")
    load = versions.load

    def gone(*arguments):
        does(url, "SELECT pg_terminate_backend(pg_backend_pid())")
        return load(*arguments)

    for command in ("learn", "status", "predict"):
        words = [command, *([str(began() / "jobs.csv"), "--out", "out"] * (command == "predict"))]
        with mock.patch.object(versions, "load", gone):
            code, said = run(other, *words)
        assert code == 2, said
        assert "the connection to the server was lost" in said.splitlines()[-1]
        assert "damaged" not in said
    assert archive_of(Workspace(other), SHOP).names() == ["0001", "0002"]
