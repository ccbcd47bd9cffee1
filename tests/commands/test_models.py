"""`models`: listed, put in charge, compared."""

from __future__ import annotations

from pathlib import Path

from pipelines.registry import versions
from pipelines.registry.in_folder import InFolder
from tests.commands.counter import says
from tests.small_demo import as_before, small_model


def test_models_are_listed_put_in_charge_and_compared(shop, capsys):
    assert "no model has been learnt yet" in says(capsys, "models", code=2)
    for n, median in enumerate((0.4, 0.6)):
        facts = {"validation": {"median_dE00": median, "coverage90": 0.91}, "rows": {"prints": n}}
        versions.save(InFolder(Path("models/tiny")), *small_model().to_state(), facts)
    said = says(capsys, "models").splitlines()
    assert "0.40" in said[1]
    assert said[2].endswith("in charge")
    assert "Model 0001 is in charge, in place of 0002" in says(capsys, "models", "--use", "1")
    assert versions.load(InFolder(Path("models/tiny"))).version == "0001"
    said = says(capsys, "models", "--compare", "0001", "0002")
    assert "0.40        0.60" in said
    assert 'no model version "0009"; it has 0001, 0002' in says(
        capsys, "models", "--use", "9", code=2
    )
    (Path("models/tiny/0002") / "arrays.npz").write_bytes(b"PK")
    said = says(capsys, "models", "--use", "2", code=2)
    assert "damaged" in said
    assert versions.in_charge(InFolder(Path("models/tiny"))) == "0001"


def test_a_model_of_before_that_is_not_followed_is_told_in_one_sentence(shop, capsys):
    """Where an ink contradicts its card it was learnt otherwise than it would be predicted."""
    kept = InFolder(Path("models/tiny"))
    facts = {"validation": small_model().validation_, "set_aside": [], "rows": {}}
    versions.save(kept, *as_before(small_model()), facts)
    said = says(capsys, "predict", "red", "black", code=2)
    assert "models/tiny/0001: was learnt by an earlier version of this program" in said
    assert said.rstrip().endswith("run strikeoff learn to make a new one.")
    assert "strikeoff learn makes a new one" in says(capsys, "status")
    says(capsys, "learn")
    assert versions.in_charge(kept) == "0002"
    assert "by an earlier version" in says(capsys, "models", "--use", "1", code=2)
    assert versions.in_charge(kept) == "0002", "nothing that cannot be asked takes charge"
