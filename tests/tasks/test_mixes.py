"""Mixes of which nothing but a recipe is known."""

from types import SimpleNamespace

import pandas as pd

from pipelines.tasks.mixes import unprinted_mixes


def test_a_mix_never_printed_is_told_with_the_command_that_reckons_by_its_recipe():
    inks = pd.DataFrame({"mix": ["red=1; white=1", "red=1; white=2", None]}, ["leaf", "old", "new"])
    model = SimpleNamespace(
        encoder_=SimpleNamespace(inks=inks), nothing_of=lambda: ["leaf", "new", "elsewhere"]
    )
    setups = pd.DataFrame({"ink_id": ["leaf", "leaf", "old", "new"]})
    (said,) = unprinted_mixes(model, {"leaf": "Leaf green"}, setups)
    assert said.startswith("Leaf green (leaf) is a mix never printed")
    assert 'strikeoff mix --have "Leaf green=100"' in said
