"""Charts: what is drawn is what the data say, and files are what their names promise."""

import os
import subprocess
import sys
from functools import partial
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pandas as pd
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.text import Text
from numpy.testing import assert_allclose

from learn.assessment.learning_curve import Point
from learn.assessment.reliability import Share, binomial_band
from learn.predict.causes import ENDS
from pipelines.figures import answers, canvas
from pipelines.figures.chances import ReliabilityDisplay
from pipelines.figures.history import HistoryDisplay
from pipelines.figures.opacity import OpacityDisplay
from pipelines.figures.places import PlacesDisplay
from pipelines.figures.plane import ColourPlaneDisplay, draw_planes
from pipelines.figures.shares import SharesDisplay
from pipelines.figures.side_by_side import SideBySideDisplay
from pipelines.words.why import Row
from pipelines.workspace.problems import UserError
from tests.small_demo import held_out, small_model, small_shop


def drawn(ax, marker: str) -> np.ndarray:
    """Points (n, 2) drawn with a marker."""
    lines = [line.get_xydata() for line in ax.lines if line.get_marker() == marker]
    return np.vstack(lines)


def curve(n: int, error: float) -> Point:
    share = Share(0.31, 0.22, 0.43, 60.0)
    return Point(n, (error, error - 0.1, error + 0.2), share, share)


HISTORY = [curve(40, 1.8), curve(160, 0.9), curve(400, 0.7)]
BAD = r"<S2> $\frac$ & $x"  # markup and mathematics, if it were read as such
ROW = {"setup_id": "S1", "L": 50.0, "a": 40.0, "b": 20.0, "L_sd": 0.5, "a_sd": 1.0, "b_sd": 0.7}
ROW |= {"bucket_L": 48.0, "bucket_a": 44.0, "bucket_b": 24.0}
ROW |= {"target_L": 50.0, "target_a": 41.0, "target_b": 21.0}


def test_reliability_draws_what_came_of_what_was_stated():
    stated, came = [0.12, 0.18, 0.91, 0.95, 0.97, 0.93], [0, 1, 1, 1, 1, 0]
    display = ReliabilityDisplay.from_predictions(stated, came).plot()
    at = np.vstack([drawn(display.ax_, "o"), drawn(display.ax_, "s")])
    assert_allclose(at[np.argsort(at[:, 0])], [[15, 50], [94, 75]])
    diagonal = [line for line in display.ax_.lines if line.get_linestyle() == "--"]
    assert len(diagonal) == 1
    assert display.figure_ is display.ax_.figure


def test_a_bin_that_does_not_hold_has_another_mark():
    rng = np.random.default_rng(0)
    stated = np.repeat([0.25, 0.75], 400)
    came = rng.random(800) < np.repeat([0.25, 0.4], 400)
    ax = ReliabilityDisplay.from_predictions(stated, came).plot().ax_
    assert_allclose(drawn(ax, "o")[:, 0], [25])
    assert_allclose(drawn(ax, "s")[:, 0], [75])


def test_reliability_of_a_model_is_that_of_its_check():
    """The whole check of the model reckons the same table by its own way."""
    from learn.assessment.report import checkup

    table = ReliabilityDisplay.from_model(small_model(), small_shop()).table
    checked = checkup(small_model(), small_shop(), with_curve=False).chances.targets
    pd.testing.assert_frame_equal(table, checked)


def test_history_draws_the_whole_as_another_mark():
    display = HistoryDisplay(HISTORY).plot()
    assert_allclose(drawn(display.ax_, "o"), [[40, 1.8], [160, 0.9]])
    assert_allclose(drawn(display.ax_, "s"), [[400, 0.7]])
    (bars,) = display.ax_.collections
    assert_allclose(next(iter(bars.get_paths())).vertices, [[40, 1.7], [40, 2.0]])
    assert_allclose(HistoryDisplay(HISTORY, "tests").rows[0], [40, 31, 22, 43])


def test_places_are_shares():
    display = PlacesDisplay([10, 20, 30, 40], 200.0).plot()
    assert_allclose([bar.get_height() for bar in display.ax_.patches], [10, 20, 30, 40])
    low, high = binomial_band(200.0, 0.25)
    levels = [line.get_ydata()[0] for line in display.ax_.lines]
    assert_allclose(levels, [100 * low, 100 * high])


def test_plane_shows_colours_where_they_are_and_nine_in_ten_of_next_prints():
    display = ColourPlaneDisplay.from_predictions(ROW).plot()
    ax = display.ax_
    assert_allclose(drawn(ax, "o"), [[40, 20]])
    assert_allclose(drawn(ax, "s"), [[44, 24]])
    assert_allclose(drawn(ax, "+"), [[41, 21]])
    tilted = ColourPlaneDisplay({"print": [50, 40, 20]}, [[1, 0, 0], [0, 1, 0.6], [0, 0.6, 1]])
    draws = np.random.default_rng(1).multivariate_normal([40, 20], tilted.covariance[1:, 1:], 20000)
    from matplotlib.path import Path as Outline

    assert Outline(tilted.ellipse).contains_points(draws).mean() == pytest.approx(0.9, abs=0.01)
    assert ax.get_aspect() == 1.0


def test_plane_of_a_model_is_its_prediction():
    setups = held_out("next_prints").head(2).assign(target_L=50.0, target_a=10.0, target_b=10.0)
    display = ColourPlaneDisplay.from_model(small_model(), setups, 1)
    p = small_model().predict_lab(setups)
    assert_allclose(display.labs["print"], p.mean[1], atol=1e-9)
    assert_allclose(display.covariance, p.covariance[1], atol=1e-9)
    assert_allclose(display.labs["target"], [50, 10, 10])


def test_opacity_grows_with_film_from_nothing_to_all():
    """Exact limits: no film hides nothing, a thick one all (Kubelka 1948: R0 -> R infinity)."""
    films = [1e-6, 5, 20, 80, 1e4]
    display = OpacityDisplay.from_model(small_model(), "C24", films).plot()
    low, middle, high = display.ratio.T
    assert_allclose(middle[[0, -1]], [0, 1], atol=1e-4)
    assert (np.diff(middle) > 0).all()
    assert (low <= middle).all() and (middle <= high).all()
    assert_allclose(display.ax_.lines[0].get_xydata(), np.column_stack([films, 100 * middle]))
    with pytest.raises(ValueError, match="no ink none on the shelf"):
        OpacityDisplay.from_model(small_model(), "none")


DISPLAYS = [
    ReliabilityDisplay.from_predictions([0.12, 0.18, 0.91], [0, 1, 1]),
    HistoryDisplay(HISTORY),
    PlacesDisplay([10, 20, 30, 40], 200.0),
    ColourPlaneDisplay.from_predictions(ROW),
    OpacityDisplay([10, 40], [[0.5, 0.6, 0.7], [0.96, 0.985, 0.99]], "white"),
]


@pytest.mark.parametrize("display", DISPLAYS, ids=lambda d: type(d).__name__)
def test_every_display_draws_on_axes_given_and_tells_its_numbers(display):
    ax = Figure().add_subplot()
    assert display.plot(ax, title="A title") is display
    assert display.ax_ is ax
    assert ax.get_title(loc="left") == "A title"
    assert sum(c.isdigit() for c in display.described) >= 4
    assert min(text.get_fontsize() for text in [*ax.get_xticklabels(), ax.xaxis.label]) >= 9


LONG = "Größe-Äquatorblau-Überdruck (F27-ÄÖÜ), Los Ü-0815; dunkelgrau meliert, Baumwolle; " * 2
SIDE = ROW | dict.fromkeys(("shift_dE00", "target_dE00"), 0.2)
SIDE |= dict.fromkeys(("shift_lo", "target_lo"), 0.1)
SIDE |= dict.fromkeys(("shift_hi", "target_hi"), 9.0)
SIDE |= {end + c: 50.0 for end in ENDS for c in "Lab"}


def rows_side_by_side(n: int, *, aimed: bool) -> Figure:
    row = SIDE if aimed else SIDE | {"target_dE00": None}
    return SideBySideDisplay([row] * n, [LONG if i % 2 else "G1" for i in range(n)]).plot().figure_


def planes(n: int, name: str, sd: float = 1.0) -> Figure:
    bands = {f"{c}_sd": sd for c in "Lab"}
    row = ROW | bands | {"setup_id": name, "bucket_a": 100.0}
    return draw_planes([ColourPlaneDisplay.from_predictions(row)] * n)[0]


def bars(name: str) -> Figure:
    rows = [Row(f"{i}: {name}", v, (0.0, 0.0, 0.0)) for i, v in enumerate((30.2, 12.0, -4.0, 0.05))]
    return SharesDisplay(rows, 38.25, name).plot().figure_


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize(
    "draw",
    [
        *(partial(rows_side_by_side, n, aimed=a) for n in (1, 2, 9, 24) for a in (True, False)),
        *(partial(planes, n, LONG) for n in (1, 2, 3, 5, 60)),
        partial(planes, 1, "S1", 200.0),
        partial(planes, 1, "M" * 99),
        partial(planes, 1, "\N{CJK UNIFIED IDEOGRAPH-58A8}"),  # a letter the font lacks
        partial(bars, LONG),
        lambda: OpacityDisplay([10, 40], [[0.5, 0.6, 0.7], [0.9, 0.98, 1]], LONG).plot().figure_,
    ],
)
def test_whatever_the_names_all_words_are_in_the_picture_and_none_over_another(draw):
    figure = draw()
    with canvas.style():
        drawn_on = FigureCanvasAgg(figure)
        drawn_on.draw()
    beyond = [
        label
        for ax in figure.axes
        for axis in (ax.xaxis, ax.yaxis)
        for label, at in zip(axis.get_ticklabels(), axis.get_ticklocs(), strict=False)
        if not min(axis.get_view_interval()) <= at <= max(axis.get_view_interval())
    ]
    texts = [t for t in figure.findobj(Text) if t.get_text() and t not in beyond]
    boxes = np.array([t.get_window_extent().extents for t in texts if t.get_visible()])
    assert len(boxes) >= 8
    assert (boxes >= -1).all() and (boxes <= 1 + np.array(drawn_on.get_width_height() * 2)).all()
    low, high = boxes[:, None, :2], boxes[None, :, 2:]
    overlap = (np.minimum(high, boxes[:, None, 2:]) - np.maximum(low, boxes[None, :, :2])).min(-1)
    assert (overlap[~np.eye(len(boxes), dtype=bool)] < 1).all()


def test_words_are_broken_where_they_may_be_and_nothing_is_lost():
    assert canvas.wrapped("red on black", 9.0) == "red on black"
    assert canvas.wrapped("red on black", 0.5) == "red on\nblack"
    assert canvas.wrapped("Tiefblau-Unterdruck", 1.0) == "Tiefblau-\nUnterdruck"
    assert canvas.wrapped("x" * 50, 1.0).replace("\n", "") == "x" * 50
    assert canvas.wrapped("red on black on white", 0.8, 2).endswith(" ...")


def test_two_charts_on_one_page_share_no_id_and_leave_no_style_behind():
    def page() -> list[str]:
        display = HistoryDisplay(HISTORY).plot()
        return [canvas.inline_svg(display.figure_, "<b>", "1 & 2", name) for name in ("x", "y")]

    one, other = (ElementTree.fromstring(svg) for svg in page())
    ids = [{e.get("id") for e in svg.iter() if e.get("id")} for svg in (one, other)]
    assert ids[0] and not ids[0] & ids[1]
    assert not [e for e in one.iter() if e.tag in ("style", "metadata", "script")]
    assert one.find("title").text == "<b>" and one.find("desc").text == "1 & 2"
    assert page() == page()  # to the last byte


@pytest.mark.parametrize(
    ("name", "begins"), [("x.png", b"\x89PNG\r\n\x1a\n"), ("x.PDF", b"%PDF-"), ("x.svg", b"<svg")]
)
def test_a_file_is_what_its_name_says_and_the_same_twice(tmp_path, name, begins):
    path = tmp_path / name

    def written() -> bytes:
        figure, described = draw_planes([ColourPlaneDisplay.from_predictions(ROW)] * 3)
        canvas.write(path, figure, "Next week & <more>", described)
        return path.read_bytes()

    first = written()
    assert first.startswith(begins)
    assert len(first) > 5000
    assert written() == first
    assert [p.name for p in tmp_path.iterdir()] == [name]


@pytest.mark.parametrize("name", ["x.jpg", "x", ".png"])
def test_another_kind_of_file_is_one_sentence(name):
    with pytest.raises(UserError) as told:
        canvas.refuse_suffix(Path(name))
    assert str(told.value) == f"--figure {name}: call it .png, .pdf or .svg."


def test_a_figure_has_room_for_so_many():
    answers.refuse_count(60)
    with pytest.raises(UserError, match="room for 60 set-ups, and 61 are given"):
        answers.refuse_count(61)
    with pytest.raises(UserError, match="no set-up is given"):
        answers.refuse_count(0)


def test_the_figure_of_predictions_shows_each_with_its_own_target(tmp_path):
    predictions = pd.DataFrame([ROW, ROW | {"setup_id": BAD, "a": 30.0}])
    predictions = predictions.drop(columns=["target_L", "target_a", "target_b"])
    nothing = dict.fromkeys(("target_L", "target_a", "target_b", "tolerance_dE00"))
    aims = pd.DataFrame([ROW | {"tolerance_dE00": 1.5}, nothing])
    answers.write_predictions(tmp_path / "x.svg", predictions, aims, small_shop().settings)
    svg = ElementTree.parse(tmp_path / "x.svg").getroot()
    described = svg.find("{http://www.w3.org/2000/svg}desc").text
    assert "S1: bucket a* 44.0, b* 24.0; print a* 40.0 +- 1.6, b* 20.0 +- 1.2; " in described
    assert "target a* 41.0, b* 21.0; tolerance 1.5 dE00" in described
    assert f"{BAD}: bucket a* 44.0, b* 24.0; print a* 30.0" in described
    assert described.count("target") == 1
    texts = {"".join(e.itertext()) for e in svg.iter("{http://www.w3.org/2000/svg}text")}
    assert {"S1", BAD, "print", "90 % of next prints", "tolerance"} <= texts


def test_nothing_that_draws_is_imported_before_it_is_needed():
    """A cold answer without page or figure waits for neither."""
    code = (
        "import sys, pipelines.cli, pipelines.commands.predict, pipelines.commands.check, "
        "pipelines.commands.plan, pipelines.registry.opened, learn.predict.model, "
        "pipelines.pages.render, pipelines.figures.plane, pipelines.figures.canvas; "
        "print(sorted({m.split('.')[0] for m in sys.modules} & {'jinja2', 'matplotlib'}))"
    )
    environment = os.environ | {"PYTHONPATH": str(Path(__file__).parents[2])}
    run = [sys.executable, "-c", code]
    said = subprocess.run(run, capture_output=True, text=True, check=True, env=environment)
    assert said.stdout.strip() == "[]"
