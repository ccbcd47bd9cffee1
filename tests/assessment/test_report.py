"""Checking a model on its own history: shares, reliability, shrinkage, and the whole command."""

import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from functools import cache
from types import SimpleNamespace
from unittest.mock import patch

import numpy as np
import pandas as pd
import pytest
from scipy.stats import binomtest, norm

from learn.assessment import learning_curve as curve
from learn.assessment.attribution import crossed_effects
from learn.assessment.cross_validation import (
    Forecasts,
    crossed_factors,
    expected_difference,
    forecasts,
)
from learn.assessment.learning_curve import job_order, learning_curve, median_by_groups
from learn.assessment.reliability import (
    Share,
    binomial_band,
    brier,
    grouped_share,
    pseudo_targets,
    reliability,
    wilson,
)
from learn.assessment.report import Checkup, checkup
from learn.colour.colorimetry import delta_e00
from learn.colour.difference import difference
from learn.normal import Z90
from learn.predict import calibration
from learn.predict.model import ShiftModel
from pipelines.cli import main
from pipelines.ledger import store
from pipelines.pages.check import write_check_page
from pipelines.registry.catalogue import Catalogue
from pipelines.words.check import advice, bands_verdict, report
from tests.pages.test_prediction import Reader
from tests.published import table
from tests.small_demo import small_model, small_shop


def test_share_intervals_are_wilsons():
    """scipy's binomtest computes the same score interval independently."""
    for hits, n in ((0, 20), (9, 10), (45, 50), (300, 300)):
        theirs = binomtest(hits, n).proportion_ci(method="wilson")
        np.testing.assert_allclose(wilson(hits / n, n), theirs, atol=1e-12)


def test_honest_bands_are_the_published_binomial_ones():
    for row in table("coverage90_binomial_bands").itertuples():
        band = binomial_band(row.n_test)
        np.testing.assert_allclose(band, (row.accept_low_frac, row.accept_high_frac))


@pytest.mark.parametrize(
    ("share", "trials", "said"),
    [(0.90, 400, "hold"), (0.85, 400, "too narrow"), (0.96, 400, "too wide"), (0.9, 10, "too few")],
)
def test_bands_are_judged_against_nine_in_ten(share, trials, said):
    """By Wilson's interval: 34 of 40 may be honest 90 % bands, 340 of 400 cannot."""
    coverage = Share(share, *wilson(share, trials), trials)
    assert bands_verdict(SimpleNamespace(coverage=coverage)) == said


def test_prints_that_err_together_count_once():
    rng = np.random.default_rng(0)
    hit = rng.random(200) < 0.9
    alone = grouped_share(hit, np.arange(200))
    assert alone.trials == pytest.approx(200, rel=0.03)
    copied = grouped_share(np.repeat(hit, 7), np.repeat(np.arange(200), 7))
    np.testing.assert_allclose(copied, alone)
    held = []
    for _ in range(400):  # groups whose own share varies: the interval must still hold 95 %
        own = rng.beta(9, 1, 30)
        group = np.repeat(np.arange(30), 12)
        share = grouped_share(rng.random(360) < own[group], group)
        held.append(share.lo <= 0.9 <= share.hi)
    assert np.mean(held) > 0.92


def test_coverage_is_cross_checked():
    """Each half's factor comes from the other: its own residuals cannot help it."""
    rng = np.random.default_rng(1)
    group = np.repeat(np.arange(300), 3)
    z = 1.5 * rng.standard_normal((900, 3))
    factor = crossed_factors(z, group)
    inside = np.abs(z) <= Z90 * factor[:, None]
    low, high = binomial_band(2700)
    assert low - 0.01 < inside.mean() < high + 0.01
    half = factor == factor[0]
    assert 0.4 < half.mean() < 0.6
    wilder = np.where(half[:, None], 2 * z, z)
    again = crossed_factors(wilder, group)
    np.testing.assert_array_equal(again[half], factor[half])
    assert (again[~half] > factor[~half]).all()


def stated_and_came(confidence: float) -> pd.DataFrame:
    """Reliability of a simulated forecaster that believes its sd to be 1 / confidence of true."""
    rng = np.random.default_rng(2)
    n = 600
    mean = np.column_stack([rng.uniform(25, 90, n), *rng.uniform(-50, 50, (2, n))])
    root = rng.normal(0, 0.5, (n, 3, 3)) + 0.6 * np.eye(3)
    true = root @ root.transpose(0, 2, 1)
    measured = mean + np.einsum("nij,nj->ni", root, rng.standard_normal((n, 3)))
    believed = true / confidence**2
    aim = pseudo_targets(mean, believed, 2.0)
    each = np.repeat(np.arange(n), aim.shape[1])
    aim = aim.reshape(-1, 3)
    limit = np.full(len(each), 2.0)
    stated = difference(mean[each], believed[each], aim, limit).p_within
    return reliability(stated, delta_e00(measured[each], aim) <= 2.0, each)


def test_honest_chances_come_out_reliable_and_overconfident_ones_do_not():
    honest = stated_and_came(1.0)
    assert len(honest) == 10  # made-up targets reach all chances
    assert honest["holds"].sum() >= 9
    bold = stated_and_came(2.0)
    assert bold["holds"].sum() <= 6
    assert not bold["holds"].iloc[[0, -1]].any()  # too sure of missing and too sure of hitting
    assert (bold["observed"] - bold["stated"]).iloc[-1] < -0.05


def test_brier_score_of_a_coin_and_of_a_prophet():
    """Brier 1950: 0.25 for always one half, 0 for always right."""
    came = np.array([1.0, 0, 1, 0])
    assert brier(np.full(4, 0.5), came) == 0.25
    assert brier(came, came) == 0


def test_levels_are_shrunk_as_in_a_balanced_one_way_layout():
    """Searle, Casella & McCulloch 1992, sections 3.5 and 7.3 (from memory): effect variance
    (MSA - MSE) / n, shrinkage by n times it over itself plus noise."""
    rng = np.random.default_rng(3)
    levels, n = 25, 12
    code = np.repeat(np.arange(levels), n)
    y = 0.3 + rng.normal(0, 0.4, levels)[code] + rng.normal(0, 0.5, levels * n)
    cells = y.reshape(levels, n)
    msa = n * cells.mean(axis=1).var(ddof=1)
    mse = cells.var(axis=1, ddof=1).mean()
    keep = 1 - mse / msa
    expected = cells.mean() + keep * (cells.mean(axis=1) - cells.mean())
    (found,) = crossed_effects(y, [code], np.arange(len(y)))
    np.testing.assert_allclose(found.mean, expected, atol=0.01)


def test_two_unlucky_prints_do_not_make_the_worst_ink():
    rng = np.random.default_rng(4)
    ink = np.concatenate([np.repeat(np.arange(10), 40), [10, 10]])
    y = 0.1 + 0.5 * (ink == 3) + rng.normal(0, 0.4, len(ink))
    y[-2:] = 0.9  # a higher mean than that of ink 3
    (found,) = crossed_effects(y, [ink], np.arange(len(y)))
    assert found.mean.argmax() == 3
    assert found.sd[10] > 1.5 * found.sd[3]


def test_scatter_of_a_known_spread():
    """At L 50 CIEDE2000 weighs lightness by 1, so dE00 is |dL|; its mean is s sqrt(2 / pi)."""
    grey = np.tile([50.0, 0.0, 0.0], (200, 1))
    cov = np.tile(np.diag([0.01, 0, 0]), (200, 1, 1))
    assert expected_difference(grey, cov).mean() == pytest.approx(
        0.1 * np.sqrt(2 / np.pi), rel=0.02
    )


def test_median_interval_is_that_of_order_statistics():
    """Independent values: ranks n/2 -+ 0.98 sqrt(n), from the binomial distribution."""
    values = norm.ppf((np.arange(400) + 0.5) / 400)
    middle, lo, hi = median_by_groups(values, np.arange(400))
    assert middle == pytest.approx(0, abs=0.01)
    assert lo == pytest.approx(values[180], abs=0.03)
    assert hi == pytest.approx(values[219], abs=0.03)


def test_the_curve_learns_from_before_and_is_scored_on_after(monkeypatch):
    shop = small_shop()
    learnt = []

    class Fake(ShiftModel):
        def fit(self, part):
            learnt.append(set(part.prints["print_id"]))
            return self

    asked = []

    def score(model, prints, job):
        asked.append(prints)
        return len(prints)

    monkeypatch.setattr(curve, "_Refit", Fake)
    monkeypatch.setattr(curve, "_point", score)
    skip = np.zeros(len(shop.prints), bool)
    skip[-1] = True
    points, by_date = learning_curve(shop, skip)
    assert by_date and len(points) == len(curve.SHARES) == len(learnt)
    first = shop.prints.groupby("job_id")["printed_on"].min()
    for past, ahead in zip(learnt, asked, strict=True):
        assert not past & set(ahead["print_id"])
        before = shop.prints[shop.prints["print_id"].isin(past)]
        assert not set(before["job_id"]) & set(ahead["job_id"])
        assert first[before["job_id"]].max() <= first[ahead["job_id"]].min()
        assert shop.prints["print_id"].iloc[-1] not in set(ahead["print_id"])
    undated = shop.prints.assign(printed_on=pd.NaT)
    place, by_date = job_order(undated)
    assert not by_date
    np.testing.assert_array_equal(place, job_order(undated)[0])
    spread = pd.Series(place).groupby(undated["job_id"].to_numpy()).agg(np.ptp)
    assert (spread == 0).all()


@cache
def stored_small_model() -> ShiftModel:
    return ShiftModel.from_state(*small_model().to_state())


def test_a_stored_model_recalls_its_history():
    """Left-out predictions are those of the model that has just been fitted."""
    fitted, stored = small_model(), stored_small_model().recall(small_shop())
    np.testing.assert_array_equal(stored.keep_, fitted.keep_)
    job = fitted.rows_.X["job"]
    ours, theirs = calibration.leave_out(stored, job), calibration.leave_out(fitted, job)
    # the fitted model's last step went beyond where it was linearised
    assert np.quantile(np.abs(ours.error - theirs.error), 0.98) < 0.1
    np.testing.assert_allclose(ours.z.std(), theirs.z.std(), rtol=0.05)


@cache
def small_forecasts() -> list[Forecasts]:
    model = stored_small_model().recall(small_shop())
    return forecasts(model, model.physics_alone())


@contextmanager
def forecast_once() -> Iterator[None]:
    """Physics alone and what follows from it are computed once for all tests."""
    known = small_forecasts()
    with (
        patch.object(ShiftModel, "physics_alone", lambda _: None),
        patch("learn.assessment.report.forecasts", lambda *_: known),
    ):
        yield


@cache
def checked() -> Checkup:
    with forecast_once():
        return checkup(stored_small_model(), small_shop(), with_curve=False)


def test_checkup_of_the_small_demo_shop():
    found = checked()
    assert [k.kind for k in found.kinds] == calibration.ALL_SITUATIONS
    by_kind = {k.kind: k for k in found.kinds}
    for k in found.kinds:
        assert 0.5 * k.floor < k.error < k.physics + 0.3
        assert k.pit.sum() == 3 * k.n
        assert k.coverage.lo < k.coverage.share <= k.coverage.hi
    job = by_kind["job"]
    # within the binomial band of the trials it is worth, and some slack for a small model
    assert job.honest[0] - 0.03 < job.coverage.share < job.honest[1] + 0.03
    assert job.error < job.physics < job.nearest
    assert by_kind["ink"].nearest is None
    assert by_kind["ink"].half_width > job.half_width
    assert found.budget.error >= found.budget.scatter > found.budget.instrument
    assert found.chances.targets["holds"].mean() > 0.6
    rows = found.limits.set_index(["factor", "level"])
    assert rows.loc[("ink", "C08"), "n"] == 0  # bright red is in the tables, never printed
    assert np.isnan(rows.loc[("ink", "C08"), "beyond"])
    assert any("C08" in text and "never printed" in text for text in advice(found))
    assert rows.groupby("factor")["share"].sum().round(6).eq(1).all()


def test_page_and_text_say_the_same(tmp_path):
    found = replace(checked(), curve=[replace(checked().today, n=40)])
    catalogue = Catalogue.of(small_shop())
    page = tmp_path / "check.html"
    write_check_page(page, found, catalogue, "0007")
    html = page.read_text(encoding="utf-8")
    read = Reader(html)
    words = " ".join(read.words)
    assert not re.search(r"(src|href)=.?http|<script|nan\b|None\b", html)
    for text in advice(found):
        assert text in words
    lines = report(found)
    job = next(k for k in found.kinds if k.kind == "job")
    assert any(line.startswith("the job") and f"{job.error:.2f}" in line for line in lines)
    assert f"{job.error:.2f}" in words
    assert all(
        tag != "svg" or "aria-label" in at or "aria-hidden" in at or "class" in at
        for tag, at in read.tags
    )
    assert "0007" in words


@pytest.fixture
def workspace(tmp_path, monkeypatch):
    """A workspace whose model is the small demo shop's."""
    opened = SimpleNamespace(
        model=stored_small_model(),
        version="0001",
        catalogue=Catalogue.of(small_shop()),
        notes=[],
    )
    (tmp_path / "datasets" / "small").mkdir(parents=True)
    (tmp_path / "datasets" / "small" / "shop.db").touch()
    monkeypatch.setattr("pipelines.registry.opened.open_model", lambda *_: opened)
    monkeypatch.setattr(store, "read", lambda _: None)
    monkeypatch.setattr("pipelines.tables.folder.to_shop", lambda _: small_shop())
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("STRIKEOFF_WORKSPACE", raising=False)
    return opened


def test_check_from_the_command_line_with_a_real_refit(workspace, capsys, monkeypatch):
    monkeypatch.setattr(curve, "SHARES", (0.3,))
    monkeypatch.setattr(curve, "ITERATIONS", 2)
    with forecast_once():
        assert main(["check", "--page", "check.html"]) == 0
    said = capsys.readouterr()
    assert "learning curve: again from" in said.err
    assert "in time order" in said.out
    assert "What to do:" in said.out
    assert "The page is check.html." in said.out


def test_bad_input_is_one_sentence(workspace, capsys, monkeypatch, tmp_path):
    def refused(*arguments: str) -> str:
        assert main(["check", *arguments]) == 2
        err = [x for x in capsys.readouterr().err.splitlines() if not x.startswith("[")]
        assert len(err) == 1
        return err[0]

    assert 'No shop "east"' in refused("--shop", "east")
    assert "is a folder" in refused("--page", str(tmp_path))
    assert "there is no folder no" in refused("--page", "no/check.html")
    workspace.notes.append("the tables have changed")
    assert "have changed since version 0001" in refused()
    workspace.notes.clear()
    few = replace(small_shop(), prints=small_shop().prints.head(3))
    monkeypatch.setattr("pipelines.tables.folder.to_shop", lambda _: few)
    assert "at least 5 are needed" in refused()
    none = replace(few, prints=few.prints.head(0))
    monkeypatch.setattr("pipelines.tables.folder.to_shop", lambda _: none)
    assert "holds no measured print" in refused()
    monkeypatch.undo()
    monkeypatch.chdir(tmp_path)
    assert "no model has been learnt yet" in refused()
