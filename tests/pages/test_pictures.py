"""Every page: its pictures can be read aloud, and names from a shop's tables stay names."""

import re
from types import SimpleNamespace
from xml.etree import ElementTree

import numpy as np
import pandas as pd
import pytest

from learn.assessment.attribution import Budget
from learn.assessment.cross_validation import KindScore
from learn.assessment.learning_curve import Point
from learn.assessment.reliability import Share
from learn.assessment.report import Chances, Checkup
from learn.normal import Z90
from learn.predict.causes import Cause, Verdict
from learn.shop import ShopSettings
from pipelines.pages import render
from pipelines.pages.check import write_check_page
from pipelines.pages.prediction import write_page
from pipelines.pages.press_sheet import write_sheet
from pipelines.registry.catalogue import Catalogue
from tests.pages.test_prediction import VALIDATION, Reader, frames

BAD = "<b>&\"'</b>"  # a name that would be markup if it were not escaped
DECORATION = {"key", "sign", "store", "strip"}  # beside words that say the same


def checkup(name: str = "red-7") -> Checkup:
    """Made-up findings, every number another one."""

    def kind(kind: str, start: float) -> KindScore:
        return KindScore(
            kind, 211, 37, start, start + 0.21, start + 0.83, start + 1.37,
            Share(0.873, 0.812, 0.921, 120.0), (0.84, 0.95), 1.27, 0.36, 0.68,
            np.arange(10.0, 20.0),
        )  # fmt: skip

    stated = [0.03, 0.27, 0.55, 0.98]
    table = pd.DataFrame({"n": [31, 12, 14, 57], "stated": stated})
    table = table.assign(observed=[0.02, 0.31, 0.21, 0.96], lo=[0, 0.2, 0.1, 0.9])
    table = table.assign(hi=[0.1, 0.5, 0.4, 1.0], holds=[True, True, False, True])
    share = Share(0.731, 0.655, 0.799, 90.0)
    points = [Point(n, (e, e - 0.1, e + 0.1), share, share) for n, e in ((40, 1.83), (160, 0.94))]
    limits = pd.DataFrame({"factor": ["ink", "press"], "level": [name, "auto-1"], "n": [23, 211]})
    limits = limits.assign(partners=4, jobs=9, error=[0.77, 0.59], scatter=[0.33, 0.34])
    limits = limits.assign(beyond=[0.44, 0.25], beyond_sd=0.05, share=0.5, expected=[0.52, 0.19])
    limits = limits.assign(tests=[0.17, 0.06], worst=[0.52, 0.25])
    return Checkup(
        n_prints=211, n_jobs=37, n_set_aside=3, tolerance_dE00=2.0, chance_needed=0.87,
        kinds=[kind("job", 0.31), kind("ink", 0.42)],
        chances=Chances(table.head(2), table, 0.071, share, share),
        today=points[-1], curve=points[:1], by_date=True, budget=Budget(0.66, 0.34, 0.12),
        limits=limits, known_from={name: "spectra"}, recorded={},
    )  # fmt: skip


def prediction_page(path, name):
    predictions, setups = frames(3)
    predictions["setup_id"] = setups["setup_id"] = [f"{name} {i}" for i in range(3)]
    predictions["reason"] = setups["ink_name"] = setups["substrate_id"] = name
    settings = ShopSettings(name)
    write_page(
        path, predictions, setups, shop_name=name, model_version=name, settings=settings,
        validation=VALIDATION,
    )  # fmt: skip


def catalogue(name):
    words = {"inks": {name: {"ink_name": name}}, "substrates": {name: {"colour_name": name}}}
    return Catalogue(ShopSettings(name), words | {"meshes": {}, "presses": {}})


def check_page(path, name):
    write_check_page(path, checkup(name), catalogue(name), name)


def press_sheet(path, name):
    line = {"press_id": name, "ink_id": name, "mesh_id": name, "strokes": 2.0, "flash_count": 1.0}
    line |= {"base_on": (name,), "film_um": 81.0, "p_all": 0.71, "test_print": "yes"}
    line |= dict.fromkeys(("underbase_ink_id", "underbase_mesh_id"), name)
    line |= {"underbase_strokes": 1.0, "ink_lot": name}
    line |= {"verdict": Verdict.TEST, "cause": Cause.UNSURE, "unseen": (), "worst_garment": name}
    line |= {"worst_dE00": 1.1, "worst_hi": 2.3}
    colour = {"line": 1, "substrate_id": name, "based": True, "L": 51.0, "a": 61.0, "b": 31.0}
    colour |= {"L_sd": 0.5, "a_sd": 0.6, "b_sd": 0.7, "dE00": 1.1, "p": 0.7}
    plan = SimpleNamespace(
        target=np.array([50.0, 60.0, 30.0]), tolerance=2.0, garments=[name],
        lines=pd.DataFrame([line]), colours=pd.DataFrame([colour]),
    )  # fmt: skip
    write_sheet(path, plan, 1, SimpleNamespace(catalogue=catalogue(name), by=name), name)


PAGES = {"prediction": prediction_page, "check": check_page, "sheet": press_sheet}


@pytest.fixture(params=PAGES)
def html(request, tmp_path):
    PAGES[request.param](tmp_path / "page.html", BAD)
    return (tmp_path / "page.html").read_text(encoding="utf-8")


def pictures(html: str) -> list[ElementTree.Element]:
    """Every svg of a page that is not within another, as XML."""
    found = [ElementTree.fromstring(text) for text in re.findall(r"<svg\b.*?</svg>", html, re.S)]
    assert len(found) == html.count("<svg")  # none lies within another
    return found


def faults(svg: ElementTree.Element) -> list[str]:
    """What keeps a picture from being read aloud; nothing for mere decoration."""
    if svg.get("aria-hidden") == "true":
        return [] if svg.get("class") in DECORATION and not svg.get("role") else ["hidden"]
    named = {e.get("id"): "".join(e.itertext()).strip() for e in svg if e.tag in ("title", "desc")}
    wrong = [] if svg.get("role") == "img" else ["role"]
    if len(named) != 2 or svg.get("aria-labelledby", "").split() != list(named):
        return [*wrong, "labelledby"]
    title, described = named.values()
    wrong += [] if title else ["title"]
    return wrong + ([] if re.search(r"\d", described) else ["desc"])


def test_every_picture_is_told_in_words(html):
    assert [fault for svg in pictures(html) for fault in faults(svg)] == []


@pytest.mark.parametrize(
    ("svg", "fault"),
    [
        ('<svg class="strip"/>', ["role", "labelledby"]),
        ('<svg role="img" aria-label="A curve"/>', ["labelledby"]),
        ('<svg class="view" aria-hidden="true"/>', ["hidden"]),
        (
            '<svg role="img" aria-labelledby="t d"><title id="t"/><desc id="d">x</desc></svg>',
            ["title", "desc"],
        ),
        (
            '<svg role="img" aria-labelledby="t"><title id="t">A</title><desc>1</desc></svg>',
            ["labelledby"],
        ),
    ],
)
def test_a_mute_picture_is_seen(svg, fault):
    assert faults(ElementTree.fromstring(svg)) == fault


def test_ids_are_unique_and_every_reference_is_there(html):
    ids = re.findall(r'\bid="([^"]+)"', html)
    assert len(ids) == len(set(ids))
    used = re.findall(r'href="#([^"]+)"|url\(#([^)]+)\)', html)
    assert {a or b for a, b in used} <= set(ids)


def luminance(colour: str) -> float:
    """Relative luminance of #rrggbb (W3C, Web Content Accessibility Guidelines 2.1)."""
    colour = colour.lstrip("#")
    colour = colour if len(colour) == 6 else "".join(2 * c for c in colour)
    c = np.array([int(colour[i : i + 2], 16) for i in (0, 2, 4)]) / 255
    return float(
        np.where(c <= 0.03928, c / 12.92, ((c + 0.055) / 1.055) ** 2.4) @ [0.2126, 0.7152, 0.0722]
    )


def contrast(one: str, other: str) -> float:
    """Ratio of WCAG 2.1, 1 to 21."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_text_stands_out_from_every_ground():
    """WCAG 2.1, criterion 1.4.3: at least 4.5 to 1."""
    assert contrast("#000", "#ffffff") == pytest.approx(21)
    style = render.environment().get_template("style.css").render()
    text = set(re.findall(r"(?<![-\w])color:(#\w+)", style)) - {"#fff"}
    text |= set(re.findall(r"text\{[^}]*fill:(#\w+)", style))
    grounds = {"#e9e9e9", "#f6f6f6", "#fff", "#c6c6c6"}
    assert text >= {"#1a1a1a", "#4d4d4d", "#333"}
    assert min(contrast(one, ground) for one in text for ground in grounds) >= 4.5
    assert contrast("#fff", "#1a1a1a") >= 4.5  # the verdict that is light on dark


def test_chart_text_stands_out_and_is_large_enough(tmp_path):
    """As above; nine points is 12 px of a browser's 96 an inch."""
    check_page(tmp_path / "page.html", "red-7")
    seen = 0
    for svg in pictures((tmp_path / "page.html").read_text(encoding="utf-8")):
        for text in svg.iter("text"):
            style = text.get("style") or ""
            if "font-size" not in style:
                continue  # the page's own style, 12 px
            seen += 1
            assert float(re.search(r"font-size: ([\d.]+)px", style).group(1)) >= 9
            fill = re.search(r"fill: (#\w+)", style)
            assert contrast(fill.group(1) if fill else "#000000", "#e9e9e9") >= 4.5
    assert seen > 40


def test_names_stay_names(html):
    assert BAD not in html
    tags = Reader(html)
    assert "script" not in {tag for tag, _ in tags.tags}
    assert tags.text.count(BAD) >= 5
    assert not re.search(r"https?:|@import|javascript:", html)


def described(path, title: str) -> str:
    for svg in pictures(path.read_text(encoding="utf-8")):
        named = {e.tag: "".join(e.itertext()) for e in svg if e.tag in ("title", "desc")}
        if named.get("title") == title:
            return named["desc"]
    raise AssertionError(title)


def test_descriptions_name_the_numbers_shown(tmp_path):
    path = tmp_path / "page.html"
    prediction_page(path, "north")
    predictions, setups = frames(3)
    row, aim = predictions.iloc[1], setups.iloc[1]
    said = described(path, "north 1: a* b* plane")
    assert f"bucket a* {row['bucket_a']:.1f}, b* {row['bucket_b']:.1f}" in said
    assert f"print a* {row['a']:.1f} +- {Z90 * row['a_sd']:.1f}" in said
    assert f"target a* {aim['target_a']:.1f}" in said
    assert f"print L* {row['L']:.1f} +- {1.645 * row['L_sd']:.1f}" in described(
        path, "north 1: lightness scale"
    )
    said = described(path, "north 1: colour difference, dE00")
    assert said == (
        "target to print 1.2, 90 % 0.4 to 2.4; bucket to print 4.0, 90 % 2.5 to 6.0; tolerance 2"
    )
    check_page(path, "red-7")
    assert described(path, "Made-up targets") == (
        "stated 3 %, observed 2 %; stated 27 %, observed 31 %; stated 55 %, observed 21 %; "
        "stated 98 %, observed 96 %"
    )
    assert described(path, "Half of the prints within, dE00").endswith(
        "40 prints 1.83; 160 prints 0.94"
    )
    assert "seen 0.44 +- 0.08" in described(path, "red-7 (red-7): dE00 off, scatter apart")
    assert "0.12" in described(path, "Mean dE00 and what it is made of")
