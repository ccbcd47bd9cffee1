"""Batch after batch: forecast, learnt, judged; every prediction comes again from its version."""

from __future__ import annotations

import shutil
import sys
from dataclasses import replace
from pathlib import Path
from subprocess import PIPE, Popen
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from learn.assessment import forecasts
from learn.fit.fingerprints import marks_of
from learn.predict.model import ShiftModel
from learn.shop import ShopSettings
from pipelines.cli import main
from pipelines.ledger import store
from pipelines.registry import in_folder, promotion, report_card, versions
from pipelines.registry.in_folder import InFolder
from pipelines.registry.sealed import CURRENT, FACTS
from pipelines.tables.folder import read_folder, to_shop
from pipelines.tasks.learnt import scored
from tests.assessment.test_forecasts import simulated
from tests.small_demo import write_tables
from tests.words.test_plain import STATISTICS

ROOT = Path(__file__).parents[2]
INKS = ["C06", "C10", "C24", "U1"]


class Quick(ShiftModel):
    """The model with a short search, as these tests are not about how well it learns."""

    def __init__(self, **parameters):
        super().__init__(**({"max_iterations": 1, "restarts": 0} | parameters))


@pytest.fixture(scope="module")
def learnt(tmp_path_factory) -> tuple[Path, list[pd.DataFrame]]:
    """A shop that has learnt once, and two batches that come in after."""
    root = tmp_path_factory.mktemp("loop")
    late = []

    def early(prints: pd.DataFrame) -> pd.DataFrame:
        jobs = prints["job_id"].drop_duplicates().tolist()[::3]
        late.append(prints[prints["job_id"].isin(jobs[-10:])])
        return prints[prints["job_id"].isin(jobs[:-10])]

    write_tables(root / "tables", INKS, early)
    late = late[0]
    job = late["job_id"].to_numpy()
    first = np.isin(job, pd.unique(job)[:5])
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("learn.predict.model.ShiftModel", Quick)
        assert main(["--workspace", str(root), "import", str(root / "tables"), "--shop", "s"]) == 0
        assert main(["--workspace", str(root), "learn"]) == 0
    return root, [late[first], late[~first]]


@pytest.fixture
def says(learnt, monkeypatch, capsys):
    """Run a command on the shop; what it printed."""
    monkeypatch.setattr("learn.predict.model.ShiftModel", Quick)
    monkeypatch.setattr(promotion, "GROWN", 0.2)  # the shop is small

    def run(*command: str) -> str:
        capsys.readouterr()
        assert main(["--workspace", str(learnt[0]), *command]) == 0
        return capsys.readouterr().out

    return run


def test_batches_are_forecast_then_learnt_and_predictions_come_again(learnt, says, monkeypatch):
    root, batches = learnt
    folder, setups = root / "models" / "s", str(root / "jobs.csv")

    def record(batch: pd.DataFrame) -> None:
        batch.to_csv(root / "batch.csv", index=False)
        assert f"{len(batch)} prints to learn from" in says("record", str(root / "batch.csv"))

    def predicted(*more: str) -> tuple[bytes, str]:
        said = says("predict", setups, "--out", str(root / "out.csv"), *more)
        return (root / "out.csv").read_bytes(), said

    columns = ["substrate_id", "ink_id", "mesh_id", "strokes", "flash_count"]
    jobs = batches[1][columns].assign(setup_id=batches[1]["print_id"], ink_lot="new")
    jobs.to_csv(setups, index=False)
    before, said = predicted()
    assert "by model 0001" in said
    assert "Nothing new since model 0001" in says("learn")

    record(batches[0])
    worse = forecasts.Paired(6, 5, 0.3, 0.1, 0.5)
    with monkeypatch.context() as patch:
        patch.setattr(promotion, "judged_append", lambda *_: worse)
        said = says("learn")
    assert f"{len(batches[0])} new prints of 5 jobs, as model 0001 forecast them" in said
    assert f"Appended {len(batches[0])} prints to model 0001" in said
    assert "Model 0002 is kept, not used; 0001 stays in charge" in said
    assert "30 % worse (90 % sure: 10 % worse to 50 % worse; 6 prints of 5 jobs)" in said
    assert predicted()[0] == before
    assert "Model 0002 has learnt all this, and 0001 is in charge" in says("learn")

    # The report card by hand: the stored model had learnt none of the batch.
    first = report_card.read(InFolder(folder))[0]
    stored = versions.load(InFolder(folder), "0001")
    model = Quick.from_state(stored.arrays, stored.meta)
    shop = to_shop(store.read(root / "datasets" / "s" / "shop.db"))
    prints = shop.prints[shop.prints["print_id"].isin(batches[0]["print_id"])]
    by_hand = forecasts.forecast(model, prints)
    np.testing.assert_allclose(first.forecasts["energy"], by_hand["energy"], atol=1e-5)
    chance = model.predict(prints.assign(setup_id=prints["print_id"]))[
        "p_in_tolerance"
    ]  # aims at its own prediction
    assert first.forecasts["sure"].tolist() == (chance >= shop.settings.confidence).tolist()
    assert not set(first.marks) & set(model.marks_["prints"])
    paired = forecasts.compare(
        forecasts.by_halves(model, shop, list(first.marks), frozenset()), by_hand
    )
    assert (paired.jobs, paired.prints) == (5, len(prints))

    says("models", "--use", "2")
    after, said = predicted()
    assert "by model 0002" in said
    assert after != before
    record(batches[1])
    said, details = says("learn", "--details").split("Details:\n")
    assert "Learnt anew" in said
    assert not STATISTICS.search(said)
    assert "CRPS" in details
    assert not STATISTICS.search(says("models") + says("models", "--compare", "2", "1"))
    assert "CRPS" in says("models", "--details")
    assert "came since all was last learnt anew, more than 20 %" in said
    assert "beside model 0002" in said
    told = [(r.version, r.in_charge, r.fitted) for r in report_card.read(InFolder(folder))]
    assert told == [("0001", True, "0001"), ("0002", True, "0001"), ("0001", False, "0001")]
    assert predicted("--model", "0001")[0] == before
    assert predicted("--model", "2")[0] == after
    assert "0002     20" in says("models").split("Report card")[1]
    said = says("models", "--compare", "2", "1")
    assert "0002 was appended to 0001" in said
    assert "On 1 batch both forecast before learning: 0002 forecast " in said

    # A print set aside on arrival is counted once, and forecast when it is brought back.
    odd = batches[1].head(1).assign(print_id="X1", job_id="X", L="99", a="0", b="0")
    odd.to_csv(root / "batch.csv", index=False)
    assert "1 doubtful and set aside" in says("record", str(root / "batch.csv"))
    said = says("learn")
    assert "could be forecast by model 0003; 1 of 1 set aside on arrival, not scored" in said
    assert "Nothing new since model 0003" in said
    assert "set aside on arrival" not in says("learn")
    said = says("models").splitlines()[-1]
    assert said.split() == ["0003", *said.split()[1:3], "0", "1"]
    says("doubts", "keep", "X1")
    assert "1 new print of 1 job, as model 0003 forecast them:" in says("learn")
    last = [record for record in report_card.read(InFolder(folder)) if record.in_charge][-1]
    assert (list(last.marks), last.aside) == (["X1"], [])
    assert last.forecasts["dE00"][0] > 5


@pytest.fixture
def loop(learnt, monkeypatch, tmp_path) -> tuple[list[str], Path]:
    """A copy of the shop of its own, which has learnt once and recorded the first batch."""
    monkeypatch.setattr("learn.predict.model.ShiftModel", Quick)
    root, batches = learnt
    at, folder = ["--workspace", str(tmp_path)], tmp_path / "models" / "s"
    assert main([*at, "import", str(root / "tables"), "--shop", "s"]) == 0
    shutil.copytree(root / "models" / "s" / "0001", folder / "0001")
    versions.put_in_charge(InFolder(folder), "0001")
    batches[0].to_csv(tmp_path / "batch.csv", index=False)
    assert main([*at, "record", str(tmp_path / "batch.csv")]) == 0
    return at, folder


def test_killed_before_it_takes_over_the_next_learn_puts_it_in_charge(loop, monkeypatch, capfd):
    at, folder = loop
    write_text = in_folder.write_text

    def killed(path: Path, text: str) -> None:
        if path.name == CURRENT:
            raise KeyboardInterrupt
        write_text(path, text)

    with monkeypatch.context() as patch:
        patch.setattr(in_folder, "write_text", killed)
        patch.setattr(promotion, "judged_append", lambda *_: None)
        assert main([*at, "learn"]) == 130
    assert (InFolder(folder).names(), versions.in_charge(InFolder(folder))) == (
        ["0001", "0002"],
        "0001",
    )
    capfd.readouterr()
    assert main([*at, "learn"]) == 0
    said = capfd.readouterr().out
    assert said.startswith("Model 0002 takes over now")
    assert "Nothing new since model 0002" in said
    assert versions.in_charge(InFolder(folder)) == "0002"
    assert main([*at, "models", "--use", "1"]) == 0  # a person's word stands
    assert main([*at, "learn"]) == 0
    assert versions.in_charge(InFolder(folder)) == "0001"


def test_two_learning_at_once_count_a_batch_once(loop, learnt):
    """In programs of their own: what learns must not be forked, its threads do not survive it."""
    at, folder = loop
    asked = [sys.executable, "-m", "pipelines.cli", *at, "learn"]
    both = [Popen(asked, stdout=PIPE, stderr=PIPE, text=True, cwd=ROOT) for _ in range(2)]
    told = [one.communicate(timeout=300) for one in both]
    assert [one.returncode for one in both] == [0, 0], told
    out, err = ("".join(texts) for texts in zip(*told, strict=True))
    assert err.count("another strikeoff learn is at work here; waiting") == 1
    assert out.count("Stored as version") == 1
    assert out.count("nothing was changed.") == 1
    assert InFolder(folder).names() == ["0001", "0002"]
    own = [record for record in report_card.read(InFolder(folder)) if record.in_charge]
    assert [len(record.marks) for record in own] == [len(learnt[1][0])]


def test_a_damaged_version_is_told_and_the_one_before_offered(loop, tmp_path, capfd):
    at, folder = loop
    assert main([*at, "learn"]) == 0
    assert main([*at, "models", "--use", "2"]) == 0
    with (folder / "0002" / FACTS).open("a") as file:
        file.write(" ")
    assert main([*at, "list", "inks"]) == main([*at, "export", str(tmp_path / "out")]) == 0
    assert main([*at, "predict", str(tmp_path / "batch.csv"), "--out", "out.csv"]) == 2
    said = capfd.readouterr().err.splitlines()[-1]
    assert "damaged, changed or missing; run strikeoff learn" in said
    assert said.endswith("strikeoff models --use 0001.")


@pytest.mark.parametrize(
    ("change", "how", "why"),
    [
        ({}, "nothing", ""),
        ({"repeatability_dE00": 0.4}, "refit", "repeatability_dE00 has changed"),
        ({"tolerance_dE00": 5.0}, "nothing", ""),
        ({"L": 50.0}, "refit", "P00"),
    ],
)
def test_what_calls_for_learning_anew(learnt, monkeypatch, change, how, why):
    monkeypatch.setattr("learn.predict.model.ShiftModel", Quick)
    root, _ = learnt
    shop = to_shop(read_folder(root / "tables", name="s").given)
    settings = {name: value for name, value in change.items() if name != "L"}
    shop = replace(shop, settings=replace(shop.settings, **settings))
    if "L" in change:
        garment = shop.prints["strokes"].where(shop.prints.index != 3, 3.0)
        shop = replace(shop, prints=shop.prints.assign(strokes=garment))
    charge = promotion.opened(InFolder(root / "models" / "s"), "0001", shop)
    step = promotion.next_step(charge, shop, marks_of(shop), frozenset(), [])
    assert step.how == how
    assert why in step.why


def test_what_is_told_of_a_version_says_no_more_than_its_prints_do():
    def told(change: float, low: float, high: float) -> tuple[bool, str]:
        taken, why = promotion.judgement(
            forecasts.Paired(30, 22, change, low, high), "0001", "refit"
        )
        return taken, why.rpartition("beside model 0001")[2]

    assert told(0.017, -0.007, 0.045) == (True, ": not clearly worse")
    assert told(0.029, 0.003, 0.057) == (True, ": not clearly worse"), "sure, and no matter"
    assert told(-0.02, -0.05, 0.01) == (True, "")
    assert told(0.3, 0.1, 0.5) == (False, ": worse beyond doubt")
    few, many = (
        scored(report_card.Record("0001", True, "0001", simulated(jobs, 1), {}))[1]
        for jobs in (1, 60)
    )
    assert few.endswith("; too few prints to tell whether they are right.")
    assert "(of so many, right ones hold " in many


def test_forecasts_that_turned_bad_bring_back_the_version_before_or_a_full_fit():
    def record(version: str, **quality: float) -> report_card.Record:
        return report_card.Record(
            version, version == "0002", "0001", simulated(30, 1, **quality), {"P0": 1}
        )

    new, old = (promotion.Charge(None, version, "0001", {}) for version in ("0002", "0001"))
    card = [record("0001"), record("0002", skill=1.4)]
    assert promotion.forecast_worse(card, new, old).surely_worse
    assert promotion.forecast_worse([record("0001", skill=1.4), record("0002")], new, old) is None
    assert promotion.forecast_worse(card, new, None) is None

    marks = {"prints": {f"P{i}": i for i in range(100)}, "inks": {}}
    model = SimpleNamespace(
        settings_=ShopSettings(name="s"),
        marks_={"prints": {f"P{i}": i for i in range(95)}, "inks": {}},
        set_aside_=pd.DataFrame({"print_id": ["P7"]}),
        appended_=0,
    )
    shop = SimpleNamespace(settings=ShopSettings(name="s"))
    charge = promotion.Charge(model, "0002", "0001", {})

    def step(card: list, *trusted: str) -> promotion.Step:
        return promotion.next_step(charge, shop, marks, trusted, card)

    assert step([record("0002")]).how == "append"
    narrow = step([record("0002", stated=0.5)])
    assert (narrow.how, "contradict" in narrow.why) == ("refit", True)
    assert step([record("0001", stated=0.5)]).how == "append"  # was not in charge
    model.marks_ = {**marks, "inks": {}}
    assert step([]).how == "nothing"
    marks["inks"]["new"] = 1
    assert step([]).how == "append"
    assert "P7, once left out as plainly wrong" in step([], "P7").why
