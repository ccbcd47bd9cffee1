"""Models in a server's database: computers at once, copies, damage, rights, models of before."""

from __future__ import annotations

import json
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from itertools import chain
from pathlib import Path

import pytest
import sqlalchemy as sa

from pipelines.ledger import database, model_rows
from pipelines.registry import report_card, taking_over, versions
from pipelines.registry.in_database import COPIES, InDatabase
from pipelines.registry.in_folder import InFolder
from pipelines.registry.sealed import ARRAYS, CARD, FACTS
from pipelines.workspace.problems import UserError
from tests.registry.archives import does, import_shop, learn, numbers, record
from tests.servers import fresh_database


@pytest.fixture
def url(server: str, tmp_path: Path) -> Iterator[str]:
    """A tiny shop on a server, without models."""
    with fresh_database(server) as url:
        import_shop(url, tmp_path)
        yield url


def queries(kept: InDatabase, monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """What loading the model in charge asks of the database."""
    asked: list[str] = []
    engine = database.sa.create_engine

    def watched(*args, **options):
        made = engine(*args, **options)
        sa.event.listen(made, "before_cursor_execute", lambda *call: asked.append(call[2]))
        return made

    with monkeypatch.context() as patch:
        patch.setattr(database.sa, "create_engine", watched)
        versions.load(kept)
    return asked


def test_computers_that_store_at_once_lose_nothing(url, tmp_path):
    """Each has a version of its own; the two lists of a card become one; one is in charge."""
    computers = [InDatabase(url, tmp_path / f"{n}") for n in range(4)]

    def work(n: int) -> list[str]:
        kept = computers[n]
        names = [learn(kept, 10 * n + k + 1, charge=k % 2 == 0) for k in range(3)]
        while not report_card.add(kept, [record(names[0], f"P{n}")], report_card.read(kept)):
            pass
        return names

    with ThreadPoolExecutor(4) as threads:
        names = list(chain.from_iterable(threads.map(work, range(4))))
    assert sorted(names) == [f"{n:04d}" for n in range(1, 13)]
    for kept in computers:
        assert sorted(numbers(kept)) == [10 * n + k for n in range(4) for k in (1, 2, 3)]
    assert len({versions.in_charge(kept) for kept in computers}) == 1
    card = report_card.read(computers[0])
    assert sorted(next(iter(one.marks)) for one in card) == ["P0", "P1", "P2", "P3"]


def test_old_copies_go_but_for_those_in_use(url, tmp_path):
    """Of ten versions; the second is in charge, and the first is read all the while."""
    kept = InDatabase(url, tmp_path / "a")
    first = learn(kept, 1)
    second = learn(kept, 2)
    for n in range(3, 9):
        learn(kept, n, charge=False)
    copies = tmp_path / "a" / COPIES
    assert sorted(p.parent.name for p in copies.glob(f"*/{ARRAYS}")) == [
        second, "0005", "0006", "0007", "0008",
    ]  # fmt: skip
    assert len(list(copies.glob(f"*/{FACTS}"))) == 8
    with ThreadPoolExecutor(2) as threads:
        reading = threads.submit(lambda: [versions.load(kept, first) for _ in range(20)])
        other = InDatabase(url, tmp_path / "a")
        assert [learn(other, n, charge=False) for n in (9, 10)] == ["0009", "0010"]
    assert {len(one.arrays["x"]) for one in reading.result()} == {1}
    assert numbers(kept) == list(range(1, 11))


def test_a_copy_is_used_while_it_has_the_checksum_of_the_database(
    url, tmp_path, monkeypatch, capfd
):
    learn(InDatabase(url, tmp_path / "a"), 4)
    learn(InDatabase(url, tmp_path / "other"), 3)  # in charge: 0002
    here = tmp_path / "b"
    assert any("model_parts" in one for one in queries(InDatabase(url, here), monkeypatch))
    asked = queries(InDatabase(url, here), monkeypatch)
    assert not any("model_parts" in one or "models.facts" in one for one in asked)
    copy = here / COPIES / "0002"
    for file in (FACTS, ARRAYS):
        for damage in (b"", (copy / file).read_bytes()[:-1]):
            (copy / file).write_bytes(damage)
            capfd.readouterr()
            assert versions.load(InDatabase(url, here)).meta == {"n": 3}
            said = capfd.readouterr().err.splitlines()
            assert said == [
                f"note: {copy / file} was not what was stored; it has been fetched anew."
            ]
            assert versions.load(InDatabase(url, here)).meta == {"n": 3}
            assert capfd.readouterr().err == ""
    # A sound version of another number is none of this one.
    (copy / FACTS).write_bytes((tmp_path / "a" / COPIES / "0001" / FACTS).read_bytes())
    assert versions.load(InDatabase(url, here)).version == "0002"
    assert "fetched anew" in capfd.readouterr().err


def test_without_room_for_a_copy_the_model_is_fetched_and_one_sentence_says_so(
    url, tmp_path, monkeypatch, capfd
):
    learn(InDatabase(url, tmp_path / "a"), 3)

    def full(path: Path) -> None:
        raise OSError(28, "No space left on device", str(path))

    monkeypatch.setattr("pipelines.registry.in_database.beside", full)
    assert versions.load(InDatabase(url, tmp_path / "b")).meta == {"n": 3}
    said = capfd.readouterr().err.splitlines()
    assert len(said) == 1
    assert "no copy of the model can be kept here (No space left on device)" in said[0]
    assert not (tmp_path / "b" / COPIES).exists()


def test_large_arrays_go_in_parts(url, tmp_path, monkeypatch):
    monkeypatch.setattr(model_rows, "PART", 100)
    learn(InDatabase(url, tmp_path / "a"), 300)
    with database.reading(url) as connection:
        assert connection.execute(sa.text("SELECT count(*) FROM model_parts")).scalar() > 2
    assert versions.load(InDatabase(url, tmp_path / "b")).arrays["x"].tolist() == list(range(300))


OF_MODEL = "model 0002: the model is damaged, changed or missing; run strikeoff learn"
UNKNOWN = "so that it is not known which model is in charge; .* --use VERSION puts one in charge"
DAMAGES = {
    "a part": ("UPDATE model_parts SET data = set_byte(data, 40, 7) WHERE arrays IN "
               "(SELECT arrays FROM models WHERE version = 2)", OF_MODEL),
    "a part gone": ("DELETE FROM model_parts", OF_MODEL),
    "its description": ("UPDATE models SET facts = set_byte(facts, 9, 64)", OF_MODEL),
    "its seal": ("UPDATE models SET seal = was || '0' WHERE version = 2", "named|damaged"),
    "its number": ("UPDATE models SET version = 5 WHERE version = 2", "no model version"),
    "its row gone": ("DELETE FROM models WHERE version = 2", "no model version"),
    "another in charge": ("UPDATE charges SET version = 1", UNKNOWN),
    "the last charge gone": ("DELETE FROM charges WHERE id = 2", UNKNOWN),
    "no charges": ("DELETE FROM charges", UNKNOWN),
    "seals of charges gone": ("DELETE FROM seals WHERE of LIKE 'charge%'", UNKNOWN),
}  # fmt: skip


@pytest.mark.parametrize("kind", DAMAGES)
def test_a_damaged_row_is_told_and_the_version_before_is_put_in_charge(url, tmp_path, kind):
    for n in (1, 2):
        learn(InDatabase(url, tmp_path / "a"), n)
    damage, said = DAMAGES[kind]
    does(url, damage)
    here = InDatabase(url, tmp_path / "b")
    with pytest.raises(UserError, match=said) as error:
        versions.load(here)
    assert len(str(error.value).splitlines()) == 1
    if kind in ("a part gone", "its description"):  # of both
        return
    versions.put_in_charge(InDatabase(url, tmp_path / "b"), "0001")
    assert versions.load(InDatabase(url, tmp_path / "c")).meta == {"n": 1}
    assert learn(InDatabase(url, tmp_path / "c"), 7) in ("0002", "0003", "0006")
    assert versions.load(InDatabase(url, tmp_path / "b")).meta == {"n": 7}


@pytest.mark.parametrize(
    "damage",
    ["UPDATE forecasts SET line = replace(line, 'P1', 'P9')", "DELETE FROM forecasts WHERE id = 2",
     "UPDATE seals SET of = 'forecast x' WHERE of = 'forecast 1'"],
)  # fmt: skip
def test_a_damaged_report_card_is_told_and_an_emptied_one_begun_anew(url, tmp_path, damage):
    kept = InDatabase(url, tmp_path / "a")
    learn(kept, 1)
    report_card.add(kept, [record("0001", "P1"), record("0001", "P2")])
    does(url, damage)
    for ask in (report_card.read, lambda kept: report_card.add(kept, [record("0001", "P3")])):
        with pytest.raises(UserError, match=r'report card: is damaged .* "forecasts" emptied'):
            ask(kept)
    does(url, "DELETE FROM forecasts")
    report_card.add(kept, [record("0001", "P3")])
    assert [list(one.marks) for one in report_card.read(kept)] == [["P3"]]


def old_computer(folder: Path, first: int, damaged: bool = False) -> Path:
    """A folder of models from before: two, the second appended to the first, with a card."""
    own = InFolder(folder)
    learn(own, first)
    learn(own, first + 1, after="0001")
    report_card.add(own, [record("0001", f"P{first}"), record("0002", f"Q{first}")])
    if damaged:
        learn(own, first + 2, charge=False)
        (folder / "0003" / ARRAYS).write_bytes(b"PK")
    return folder


def test_what_computers_had_learnt_by_themselves_is_taken_over_once(url, tmp_path, capfd):
    one, other = old_computer(tmp_path / "one", 1, damaged=True), old_computer(tmp_path / "2", 11)
    files = {file: (one / "0002" / file).read_bytes() for file in (FACTS, ARRAYS)}
    assert versions.load(InDatabase(url, one)).meta == {"n": 2}
    assert capfd.readouterr().err.splitlines() == [
        f"note: taken into the shop's database: 2 models of this computer; 0002 is in charge; the "
        f"files are kept in {one / 'before'}.",
        f"note: 0003: damaged, so kept in {one / 'before'} and nowhere else.",
    ]
    copies = InDatabase(url, one).folder / COPIES / "0002"
    assert {file: (copies / file).read_bytes() for file in files} == files  # to the last byte
    assert sorted(p.name for p in (one / "before").iterdir())[:3] == ["0001", "0002", "0003"]
    assert (one / "before" / CARD).is_file()

    assert versions.load(InDatabase(url, other)).meta == {"n": 2}
    assert "2 models of this computer, as 0003, 0004; 0002 is in charge" in capfd.readouterr().err
    assert numbers(InDatabase(url, one)) == [1, 2, 11, 12]
    learnt = versions.described(InDatabase(url, one), "0004")["facts"]["learnt"]
    assert learnt == {"after": "0003", "fitted": "0003"}
    card = report_card.read(InDatabase(url, one))
    told = [(one.version, one.fitted, *one.marks) for one in card]
    assert told == [("0001", "0001", "P1"), ("0002", "0002", "Q1"),
                    ("0003", "0003", "P11"), ("0004", "0004", "Q11")]  # fmt: skip
    assert capfd.readouterr().err == ""  # said once


def test_killed_before_the_files_were_moved_nothing_is_taken_over_twice(
    url, tmp_path, monkeypatch, capfd
):
    folders = [old_computer(tmp_path / "one", 1), old_computer(tmp_path / "other", 11)]
    for folder in folders:
        for _ in range(2):
            with monkeypatch.context() as patch:
                patch.setattr(taking_over, "_keep", lambda _: (_ for _ in ()).throw(MemoryError))
                with pytest.raises(MemoryError):
                    InDatabase(url, folder).names()
    for folder in folders:
        assert numbers(InDatabase(url, folder)) == [1, 2, 11, 12]
    assert len(report_card.read(InDatabase(url, folders[0]))) == 4
    assert versions.in_charge(InDatabase(url, folders[0])) == "0002"


def test_rights_are_those_on_the_tables_of_the_shop(url, server, tmp_path):
    """Who may make no tables is told, and may then use those that the owner has made."""
    user = f"press_{str(sa.make_url(url).database)[-8:]}"  # roles are the whole server's
    does(url, f"CREATE ROLE {user} LOGIN", "REVOKE CREATE ON SCHEMA public FROM PUBLIC",
         f"GRANT SELECT, INSERT ON ALL TABLES IN SCHEMA public TO {user}")  # fmt: skip
    theirs = sa.make_url(url).set(username=user).render_as_string(hide_password=False)
    try:
        with pytest.raises(UserError, match="the tables for the shop's models cannot be made"):
            InDatabase(theirs, tmp_path / "a").names()
        with database.reading(url) as connection:
            assert database.form(connection) == database.FORM
        learn(InDatabase(url, tmp_path / "owner"), 1)
        learn(InDatabase(theirs, tmp_path / "a"), 2)
        assert numbers(InDatabase(theirs, tmp_path / "a")) == [1, 2]
        does(url, f"REVOKE INSERT ON models, model_parts FROM {user}")
        with pytest.raises(UserError, match=r"may not be read or written .*check the rights"):
            learn(InDatabase(theirs, tmp_path / "a"), 3)
        assert numbers(InDatabase(url, tmp_path / "owner")) == [1, 2]
    finally:
        does(url, f"DROP OWNED BY {user}", f"DROP ROLE {user}")


def test_what_is_stored_is_what_a_folder_holds(url, tmp_path):
    """JSON and arrays as a shop in files has them: no second form to keep up."""
    kept, folder = InDatabase(url, tmp_path / "a"), InFolder(tmp_path / "f")
    for where in (kept, folder):
        learn(where, 5)
    a, b = (json.loads(where.facts("0001")) for where in (kept, folder))
    assert a | {"made": "", "arrays_sha256": ""} == b | {"made": "", "arrays_sha256": ""}
    assert (tmp_path / "a" / COPIES / "0001" / ARRAYS).read_bytes()[:2] == b"PK"


def test_a_damaged_report_card_of_before_is_told_and_not_taken_over(url, tmp_path, capfd):
    folder = old_computer(tmp_path / "one", 1)
    (folder / CARD).write_bytes(b"{}\n")
    assert report_card.read(InDatabase(url, folder)) == []
    said = capfd.readouterr().err.splitlines()
    assert said[1:] == [
        f"note: the report card: damaged, so kept in {folder / 'before'} and nowhere else."
    ]
    assert (folder / "before" / CARD).read_bytes() == b"{}\n"
