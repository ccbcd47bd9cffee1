"""`models`: listed, put in charge, compared."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from pipelines.registry import versions
from pipelines.registry.in_folder import InFolder
from tests.commands.counter import says


def test_models_are_listed_put_in_charge_and_compared(shop, capsys):
    assert "no model has been learnt yet" in says(capsys, "models", code=2)
    for n, median in enumerate((0.4, 0.6)):
        facts = {"validation": {"median_dE00": median, "coverage90": 0.91}, "rows": {"prints": n}}
        versions.save(InFolder(Path("models/tiny")), {"x": np.zeros(1)}, {}, facts)
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
