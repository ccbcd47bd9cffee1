"""A plan in words."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pandas as pd

import learn
from learn.colour.colorimetry import delta_e00
from learn.mixing.mixture import Mixing
from learn.mixing.recipes import recipes
from learn.predict.causes import Cause, Unseen, Verdict
from learn.predict.garments import outcome
from pipelines.words.common import named
from pipelines.words.plan import WIDTH, cost_words, no_mix_lands, plan_block
from pipelines.words.reasons import PlanWords
from tests.small_demo import GARMENTS, SMALL, small_model, small_shop

SETUP = {"press_id": "P1", "mesh_id": "M61-64", "strokes": 1.0, "flash_count": 0.0}
SETUP |= {"underbase_ink_id": "U1", "underbase_mesh_id": "M61-64", "underbase_strokes": 1.0}


def test_words_of_a_plan(small_plan):
    settings = small_shop().settings
    shades = learn.shades(
        small_model(),
        small_plan.target,
        {"mesh_id": "M77-55", "strokes": 1.0, "flash_count": 0.0, "press_id": "P1"},
        GARMENTS,
    )
    block = plan_block(small_plan, {"C08": "Bright red"}, shades, settings)
    answer, target, usual = block.splitlines()[:3]
    assert re.fullmatch(
        r"Line 1: (STRAIGHT TO PRODUCTION|TEST PRINT FIRST|CHANGE THE SET-UP FIRST), .* within 2 "
        r"dE00 of the target on every garment\.",
        answer,
    )
    assert target.startswith("  Target    L 33.0 a 55.0 b 28.0 on ")
    assert usual.startswith("  As usual  ")
    assert "set-ups looked at" in block
    asked = replace(small_plan, garments=small_plan.garments[:1])
    alone = plan_block(asked, {}, shades, settings).splitlines()[0]
    assert alone == answer.replace(" on every garment", "")
    assert "bucket match" in block
    assert "35 for a test print and 260" in cost_words(small_plan.lines, settings)


def test_a_plan_that_misses_says_so_first(small_plan):
    settings, where = small_shop().settings, {"mesh_id": "M77-55", "strokes": 1.0}
    where |= {"flash_count": 0.0, "press_id": "P1"}
    missed = learn.plan(small_model(), [20, 90, -60], GARMENTS[:1], limits=SMALL)
    shades = learn.shades(small_model(), missed.target, where, GARMENTS[:1])
    block = plan_block(missed, {}, shades, settings)
    assert re.match(r"Nothing lands: the nearest of these is .*\(tolerance 2\)\.\n", block)
    told = PlanWords(missed, {}).in_the_way().rstrip(".")
    said = " ".join(block.split())
    assert all(said.casefold().count(one.casefold()) == 1 for one in told.split("; "))


def test_a_plan_names_its_garments_before_their_codes(small_plan):
    base = {"underbase_ink_id": "U1", "underbase_mesh_id": "M61-64", "underbase_strokes": 1.0}
    over_one = {**base, "base_on": (GARMENTS[1],), "changes": ("base",)}
    unsure = {"cause": Cause.UNSURE, "verdict": Verdict.TEST, "worst_garment": GARMENTS[1]}
    unsure |= {"unseen": (Unseen("garment", "never", GARMENTS[0]),)}
    lines = [{**row, **over_one, **unsure} for row in small_plan.lines.to_dict("records")]
    asked = replace(small_plan, lines=pd.DataFrame(lines))
    cloths = {garment: f"Cloth {i}" for i, garment in enumerate(GARMENTS)}
    where = {"mesh_id": "M77-55", "strokes": 1.0, "flash_count": 0.0, "press_id": "P1"}
    shades = learn.shades(small_model(), small_plan.target, where, GARMENTS)
    block = plan_block(asked, {}, shades, small_shop().settings, garments=cloths)
    said = " ".join(block.split())
    assert all(len(line) <= WIDTH for line in block.splitlines())
    for garment in GARMENTS:
        assert named(garment, cloths[garment]) in said.partition("As usual")[0]
        assert said.count(garment) == said.count(f"({garment})") > 0
    assert f"on {named(GARMENTS[1], cloths[GARMENTS[1]])} only" in said


def test_what_is_said_of_mixes_that_miss_is_true_of_random_ones():
    """Of three inks, by thousands of mixes drawn by lot: none lands, or none by its mean."""
    model, inks = small_model(), ["C08", "C19", "C24"]
    mixing = Mixing.of(model, SETUP, GARMENTS[:1], inks)
    rng = np.random.default_rng(8)
    tried = rng.dirichlet(np.full(3, 0.6), 4000)
    lab = mixing.lab(tried)[:, 0]
    said = []
    for i in range(12):
        target = lab[rng.integers(len(lab))] + rng.normal(0, (2.0, 4.0, 20.0)[i % 3], 3)
        target[0] = np.clip(target[0], 4, 96)
        found = recipes(model, target, SETUP, GARMENTS[:1], inks=inks)
        off = delta_e00(lab, target)
        near = mixing.predict(tried[np.argsort(off)[:60]]).joint
        chance = outcome(near, target, found.tolerance).p_all.max()
        sentence = no_mix_lands(found)
        said.append(sentence[:24])
        if not sentence:
            assert found.lines["worst_dE00"].min() <= found.tolerance
            continue
        assert off.min() > found.tolerance
        assert "--base-ink" in sentence and "strikeoff plan" in sentence, "no dead end"
        if "No mix of these inks lands" in sentence:
            assert chance < 0.07
        else:
            assert abs(found.lines["p_all"].max() - chance) < 0.1
    assert len(set(said)) == 3
