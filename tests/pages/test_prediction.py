"""The prediction page and the terminal block."""

import os
import re
from html.parser import HTMLParser

import colour
import numpy as np
import pandas as pd
import pytest
from scipy import stats

from learn.normal import Z90
from learn.predict.causes import Cause
from learn.predict.verdict import ask_for_test
from learn.shop import SETUP_COLUMNS, ShopSettings
from pipelines.figures.plane import ELLIPSE90, outline_directions, tolerance_outline
from pipelines.pages import render
from pipelines.pages.prediction import write_page
from pipelines.words.prediction import (
    chance,
    go_from,
    setup_words,
    summary_block,
)
from pipelines.words.verdict import HEADLINES

VOID = {"meta", "link", "br", "img", "input", "hr"}
VALIDATION = {
    "n_prints": 812,
    "n_jobs": 140,
    "median_dE00": 0.81,
    "coverage90": 0.893,
    "physics_median_dE00": 1.72,
    "nearest_median_dE00": 2.31,
}


class Reader(HTMLParser):
    """Collects what a page holds and insists that every element is closed in order."""

    def __init__(self, html):
        super().__init__()
        self.open, self.tags, self.words = [], [], []
        self.feed(html)
        self.close()
        assert not self.open

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        assert self.open and self.open.pop() == tag

    def handle_data(self, data):
        if not self.open or self.open[-1] not in {"style", "title", "desc"}:
            self.words.append(data)

    @property
    def text(self):
        return " ".join("".join(self.words).split())


def frames(n, *, targets=True, seed=3):
    """Set-ups and predictions of an invented shop; every third one wants a test print."""
    rng = np.random.default_rng(seed)
    lab = rng.uniform([25, -20, -20], [80, 20, 20], (n, 3))
    bucket, target = lab + rng.normal(0, 3, (n, 3)), lab + rng.normal(0, 1, (n, 3))
    sd = rng.uniform(0.3, 1.5, (n, 3))
    ids = [f"setup-{i}" for i in range(n)]
    wants_test = np.arange(n) % 3 == 0
    predictions = pd.DataFrame({"setup_id": ids})
    predictions[["L", "a", "b"]] = lab
    predictions[["L_sd", "a_sd", "b_sd"]] = sd
    predictions[["bucket_L", "bucket_a", "bucket_b"]] = bucket
    predictions[["shift_dE00", "shift_lo", "shift_hi"]] = [4.0, 2.5, 6.0]
    predictions[["target_dE00", "target_lo", "target_hi"]] = [1.2, 0.4, 2.4] if targets else np.nan
    predictions["p_in_tolerance"] = np.where(wants_test, 0.62, 0.95)
    predictions["test_print"] = np.where(wants_test, "yes", "no")
    predictions["reason"] = np.where(wants_test, "Too unsure.", "Close to 34 past prints.")
    sure = Cause.SURE if targets else Cause.NO_TARGET
    predictions["cause"] = [Cause.UNSURE if test else sure for test in wants_test]
    predictions["verdict"] = [cause.verdict for cause in predictions["cause"]]
    setups = pd.DataFrame({"setup_id": ids}).reindex(columns=["setup_id", *SETUP_COLUMNS])
    setups = setups.assign(substrate_id="tee-black", ink_id="red-7", mesh_id="m77", strokes=2.0)
    setups = setups.assign(flash_count=1.0, press_id="auto-1")
    if targets:
        setups[["target_L", "target_a", "target_b"]] = target
        setups["tolerance_dE00"] = 2.0
    return predictions, setups


def page(tmp_path, predictions, setups, *, shop_name="Invented Shop", validation=VALIDATION):
    path = tmp_path / "page.html"
    write_page(
        path,
        predictions,
        setups,
        shop_name=shop_name,
        model_version="v3",
        settings=ShopSettings(shop_name),
        validation=validation,
    )
    return path.read_text(encoding="utf-8")


def test_every_setup_is_there_with_its_verdict_in_words(tmp_path):
    reader = Reader(page(tmp_path, *frames(24)))
    ids = [attrs["id"] for tag, attrs in reader.tags if tag == "article"]
    links = [attrs["href"] for tag, attrs in reader.tags if tag == "a"]
    assert ids == [f"s{i}" for i in range(1, 25)]
    assert sorted(links) == sorted(f"#{i}" for i in ids)
    # Each name once in the overview and once on its card.
    named = re.findall(r"setup-\d+", " ".join(reader.words))
    assert sorted(named) == sorted([f"setup-{i}" for i in range(24)] * 2)
    assert "16 straight to production" in reader.text and "8 test print first" in reader.text
    assert reader.text.count("Test print first") == 2 * 8
    assert "812 prints of 140 jobs" in reader.text and "89 %" in reader.text


def test_page_needs_nothing_from_outside(tmp_path):
    html = page(tmp_path, *frames(3))
    for tag, attrs in Reader(html).tags:
        assert tag not in {"script", "link", "img", "iframe", "object"}
        assert "src" not in attrs
        assert attrs.get("href", "#").startswith("#")
    assert not re.search(r"https?:|url\(|@import|javascript:", html)


def test_names_are_escaped(tmp_path):
    bad = "<script>alert('x')</script>&\""
    predictions, setups = frames(1)
    predictions = predictions.assign(setup_id=bad, reason=bad)
    fields = ["setup_id", "ink_id", "ink_name", "job_id", "substrate_id", "press_id"]
    setups = setups.assign(**dict.fromkeys(fields, bad))
    reader = Reader(page(tmp_path, predictions, setups, shop_name=bad))
    assert "script" not in {tag for tag, _ in reader.tags}
    assert reader.text.count(bad) >= 8


@pytest.mark.parametrize(
    ("lab", "fill"),
    [
        ((100, 0, 0), "#ffffff"),  # the perfect white, by definition of sRGB and CIELAB
        ((0, 0, 0), "#000000"),
        # Lab (D50) examples of CSS Color Module Level 4, W3C; values from memory.
        ((29.2345, 39.3825, 20.0664), "#7d2329"),
        ((62.2345, -34.9638, 47.7721), "#68a639"),
        ((67.5345, -8.6911, -41.6019), "#62acef"),
    ],
)
def test_swatch_shows_the_colour(tmp_path, lab, fill):
    predictions, setups = frames(1)
    predictions[["L", "a", "b"]] = np.array([lab], float)
    swatches = re.findall(r'<figure><div style="background:(#\w{6})"', page(tmp_path, *frames(1)))
    assert len(swatches) == 3
    html = page(tmp_path, predictions, setups)
    assert re.findall(r'<figure><div style="background:(#\w{6})"', html)[1] == fill


def test_colour_outside_the_screen_is_said_in_words(tmp_path):
    words = "more vivid than a screen can show"
    predictions, setups = frames(1)
    assert words not in page(tmp_path, predictions, setups)
    # A full cyan ink lies outside sRGB (common practice, no source).
    predictions[["L", "a", "b"]] = [55.0, -37.0, -50.0]
    assert page(tmp_path, predictions, setups).count(words) == 1


def test_tolerance_outline_lies_at_the_tolerance():
    """Against CIEDE2000 of colour-science."""
    target = np.array([[30, 5, 5], [50, 60, 40], [85, -5, 90], [25, 20, -55], [60, 0, 0.0]])
    tolerance = np.array([1.0, 2.0, 3.5, 2.0, 0.5])
    outline = tolerance_outline(target, tolerance, outline_directions())
    found = colour.delta_E(np.broadcast_to(target[:, None], outline.shape), outline)
    np.testing.assert_allclose(found, np.broadcast_to(tolerance[:, None], found.shape), atol=1e-4)


def test_bands_hold_ninety_percent():
    """Against scipy's normal and chi-square distributions."""
    assert pytest.approx(stats.norm.ppf(0.95), abs=1e-3) == Z90
    assert pytest.approx(np.sqrt(stats.chi2.ppf(0.9, 2)), abs=1e-3) == ELLIPSE90


def test_a_bucket_far_off_does_not_shrink_the_view(tmp_path):
    predictions, setups = frames(1)
    assert "beyond</text>" not in page(tmp_path, predictions, setups)
    predictions[["L", "a", "b"]] = setups[["target_L", "target_a", "target_b"]] = [40.0, 0.0, 0.0]
    predictions[["bucket_L", "bucket_a", "bucket_b"]] = [40.0, 70.0, 10.0]
    assert page(tmp_path, predictions, setups).count("beyond</text>") == 1


def test_no_targets(tmp_path):
    reader = Reader(page(tmp_path, *frames(2, targets=False)))
    assert "target to print" not in reader.text.lower() and "nan" not in reader.text.lower()
    assert reader.text.count("bucket to print") == 2


def test_bare_minimum_of_columns(tmp_path):
    predictions, setups = frames(2)
    setups = setups[["setup_id", "ink_id", "substrate_id"]]
    predictions["p_in_tolerance"] = np.nan
    text = Reader(page(tmp_path, predictions, setups, validation={})).text
    assert "has not been checked" in text and "mesh not given" in text
    assert "nan" not in text.lower()


def test_empty_run_says_so(tmp_path):
    text = Reader(page(tmp_path, *frames(0))).text
    assert "There is no set-up in this run" in text and "data sheet" in text


def test_hundred_setups_stay_under_a_megabyte(tmp_path):
    assert len(page(tmp_path, *frames(100)).encode()) < 1_000_000


def test_a_failed_page_leaves_the_old_one(tmp_path, monkeypatch):
    old = page(tmp_path, *frames(1))

    def refuse(*_):
        raise OSError("disk full")

    monkeypatch.setattr(os, "replace", refuse)
    with pytest.raises(OSError, match="disk full"):
        page(tmp_path, *frames(2))
    assert (tmp_path / "page.html").read_text(encoding="utf-8") == old
    assert [file.name for file in tmp_path.iterdir()] == ["page.html"]


def test_type_is_large_enough_and_page_is_neutral():
    STYLE = render.environment().get_template("style.css").render()
    sizes = [float(size) for size in re.findall(r"font(?:-size)?:(\d+)px", STYLE)]
    zoom = float(re.search(r"zoom:([.\d]+)", STYLE).group(1))
    assert min(sizes) * zoom >= 11
    greys = re.findall(r"#([0-9a-f]{6}|[0-9a-f]{3})\b", STYLE)
    assert greys and all(g == g[: len(g) // 3] * 3 for g in greys)


def test_setup_in_press_words():
    words = dict(
        setup_words(
            {
                "ink_id": "red-7",
                "ink_lot": "L22",
                "substrate_id": "tee-black",
                "underbase_ink_id": "white-1",
                "underbase_mesh_id": "m43",
                "underbase_strokes": 1.0,
                "mesh_id": "m77",
                "strokes": 2.0,
                "flash_count": 1.0,
                "off_contact_mm": np.nan,
                "printed_on": pd.NaT,
            }
        )
    )
    assert words == {
        "Ink": "red-7, lot L22",
        "Garment": "tee-black",
        "Base": "white-1 through mesh m43, 1 stroke",
        "Screen": "mesh m77, 2 strokes with 1 flash between",
        "Press": "not given",
    }


def test_summary_block():
    predictions, setups = frames(1)
    predictions[["L", "a", "b"]] = [45.26, -0.04, 20.0]
    predictions[["L_sd", "a_sd", "b_sd"]] = 1.0
    block = summary_block(predictions.iloc[0], setups.iloc[0])
    assert block.startswith("setup-0: TEST PRINT FIRST\n")
    assert "L   45.3 +- 1.6" in block and "a    0.0 +- 1.6" in block and "90 % band" in block
    assert "bucket to print 4.0 dE00, 90 % 2.5 to 6.0" in block
    assert "target to print 1.2 dE00, 90 % 0.4 to 2.4" in block
    assert "62 % (next print within 2 dE00 of the target)" in block
    assert max(map(len, block.splitlines())) <= 88 and block.isascii()
    predictions, setups = frames(1, targets=False)
    block = summary_block(predictions.iloc[0], setups.iloc[0])
    assert "62 % (next print within tolerance of the predicted colour; no target given)" in block
    assert "Target" not in block and "nan" not in block.lower()


def test_each_kind_of_answer_has_its_own_words_and_sign(tmp_path):
    predictions, setups = frames(len(Cause))
    predictions = predictions.assign(
        cause=list(Cause), verdict=[cause.verdict for cause in Cause], p_in_tolerance=0.5
    )
    html = page(tmp_path, predictions, setups)
    text = Reader(html).text
    for words in ("1 straight to production", "2 test print first", "3 change the set-up first"):
        assert words in text
    assert "1 predictable, no target" in text
    assert text.count("Predictable, 4.0 dE00 from the bucket") == 1  # on its card
    assert len({*re.findall(r'id="sign-\w+" d="([^"]+)"', html)}) == 4
    drawn = {one: html.count(f'href="#sign-{one}"') for one in HEADLINES}  # head, overview, cards
    assert drawn == {"change": 1 + 2 * 3, "test": 1 + 2 * 2, "no_target": 1 + 2, "go": 1 + 2}
    # The overview has those to change on top, then the test prints, what goes straight on last.
    kinds = [list(Cause)[int(n) - 1] for n in re.findall(r'href="#s(\d)"', html)]
    assert [one.verdict for one in kinds] == 3 * ["change"] + 3 * ["test"] + ["go"]
    assert kinds[5] == Cause.NO_TARGET


def test_the_chance_from_which_a_setup_goes_straight_on():
    """Against the verdicts of `learn.predict.verdict` on either side of it."""
    for costs in ({}, {"cost_test_print": 35.0, "cost_spoiled_print": 260.0}):
        settings = ShopSettings("x", **costs)
        least, by_cost = go_from(settings)
        assert by_cost == bool(costs)
        asked = ask_for_test(np.array([least - 1e-6, least + 1e-6]), settings)
        assert asked.tolist() == [True, False]


def test_chance_never_claims_certainty():
    assert [chance(p) for p in (0.0, 0.5, 1.0, np.nan)] == [
        "under 1 %",
        "50 %",
        "over 99 %",
        "not known",
    ]


def test_a_print_lies_between_the_ends_of_its_band(tmp_path):
    predictions, setups = frames(2)
    plain = page(tmp_path, predictions, setups)
    assert 'class="ends"' not in plain  # a table of an earlier version does not hold them
    predictions[["end1_L", "end1_a", "end1_b"]] = predictions[["L", "a", "b"]] - [3, 0, 0]
    predictions[["end2_L", "end2_a", "end2_b"]] = predictions[["L", "a", "b"]] + [3, 0, 0]
    reader = Reader(page(tmp_path, predictions, setups))
    assert reader.text.count("at worst like this: darker") == 2
    assert reader.text.count("or like this: lighter") == 2
    view = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D50"]
    dark = predictions[["end1_L", "end1_a", "end1_b"]].to_numpy()[0]
    rgb = colour.XYZ_to_sRGB(colour.Lab_to_XYZ(dark, view), view).clip(0, 1)
    fills = [a["style"] for tag, a in reader.tags if tag == "i" and "style" in a]
    shown = [tuple(int(f[-6:][k : k + 2], 16) for k in (0, 2, 4)) for f in fills]
    assert any(np.abs(np.array(one) - 255 * rgb).max() <= 2 for one in shown)
