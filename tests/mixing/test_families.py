"""One ink family a bucket."""

from __future__ import annotations

import copy
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from learn.errors import Unusable
from learn.mixing.families import families, may_join, refuse_crossing
from learn.mixing.mixture import Mixing
from learn.mixing.recipes import recipes
from pipelines.tables.settings import read_settings
from pipelines.words.plan import mixing_caution, recipes_block
from pipelines.workspace.problems import Findings
from tests.mixing.test_recipes import INKS, SETUP
from tests.small_demo import small_model

TYPES = pd.Series({"a": "plastisol", "b": "silicone", "c": "water_based", "d": None})
GARMENTS = ["G01"]
AIM = [55, 50, 20]


def other_types(*, mixable=(), **ink_type):
    """The small model with other types of ink on its shelf."""
    model = copy.copy(small_model())
    shelf = model.encoder_.inks
    new = shelf["ink_type"].astype(object).mask(shelf.index.isin(ink_type), None)
    new.loc[list(ink_type)] = list(ink_type.values())
    model.encoder_ = copy.copy(model.encoder_)
    object.__setattr__(model.encoder_, "inks", shelf.assign(ink_type=new))
    model.settings_ = replace(model.settings_, mixable=mixable)
    return model


def test_types_that_overlap_do_not_all_go_into_one_bucket():
    pairs = [("plastisol", "silicone"), ("silicone", "water_based")]
    assert [set(f.inks) for f in families(TYPES, pairs)] == [{"a", "b"}, {"b", "c"}]
    with pytest.raises(Unusable, match="a is plastisol and b is silicone and c is water-based"):
        refuse_crossing(TYPES[["a", "b", "c"]], pairs)
    assert may_join(TYPES, ["a"], pairs) == ["b"]
    assert may_join(TYPES, ["a"], []) == []


def test_named_inks_of_two_types_are_refused_unless_the_shop_allows_it():
    with pytest.raises(Unusable, match=r'mixable = \[\["plastisol", "silicone"\]\]'):
        recipes(other_types(C24="silicone"), AIM, SETUP, GARMENTS, inks=INKS)
    with pytest.raises(Unusable, match="inks of one type only"):
        Mixing.of(other_types(C24="silicone"), SETUP, GARMENTS, ["C08", "C24"])
    with pytest.raises(Unusable, match="the type of ink C24 is not known"):
        recipes(other_types(C24=None), AIM, SETUP, GARMENTS, inks=INKS)
    allowed = other_types(C24="silicone", mixable=(("plastisol", "silicone"),))
    told = recipes(allowed, AIM, SETUP, GARMENTS, inks=["C08", "C24"])
    said = mixing_caution(allowed.encoder_.inks["ink_type"], told.lines["inks"].tolist())
    assert "CAUTION: plastisol and silicone in one bucket" in said
    assert "data sheets" in said


def test_where_none_are_named_each_type_is_sought_by_itself():
    model = other_types(C24="silicone", C26="silicone", C10=None)
    told = recipes(model, AIM, SETUP, GARMENTS)
    types = model.encoder_.inks["ink_type"]
    assert all(len(set(types[list(mix)])) == 1 for mix in told.lines["inks"])
    assert told.untyped == ("C10",)
    assert [family.types for family in told.families] == [("plastisol",), ("silicone",)]
    best = np.nanmin([family.worst_dE00 for family in told.families])
    assert told.lines["worst_dE00"].iloc[0] == pytest.approx(best)
    block = " ".join(recipes_block(told, {}, model.settings_, 1.0).split())
    assert "Sought one type of ink at a time: plastisol" in block
    assert "Left out, as their ink_type is not in inks.csv: C10" in block


def test_what_may_be_mixed_stands_in_the_settings_of_a_shop():
    findings = Findings()
    settings = read_settings('mixable = [["plastisol", "silicone"]]', "s", findings)
    assert settings.mixable == (("plastisol", "silicone"),)
    assert not findings.problems
    read_settings('mixable = [["plastisol", "silicon"]]', "s", findings)
    assert "no list of lists of ink types" in str(findings.problems[0])
