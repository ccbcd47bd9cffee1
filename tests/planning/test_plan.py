"""Plans against what they are made of: single predictions, brute force, posterior draws."""

from __future__ import annotations

import itertools
from copy import copy
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from numpy.testing import assert_allclose

import learn
from learn.colour.colorimetry import delta_e00
from learn.colour.difference import local_metric
from learn.errors import Unusable
from learn.mixing.mixture import Mixing
from learn.planning.candidates import Grid, Limits
from learn.planning.new_ink import errors_after, plan_ink
from learn.planning.next_test import belief, rank_tests
from learn.planning.pareto import STEPS, WIDE, non_dominated
from learn.planning.plan import plan, usual_setup
from learn.planning.search import search
from learn.predict.garments import joint, on_garments, outcome
from learn.predict.model import ShiftModel
from learn.shop import UNDERBASE
from pipelines.cli import main
from pipelines.commands._options import by_option
from pipelines.ledger.incoming import read_sheet
from pipelines.measured.target import read_target
from pipelines.pages.press_sheet import cautions, operations, write_sheet
from pipelines.registry.catalogue import Catalogue
from pipelines.words.plan import cost_words, ink_block, plan_block
from tests.small_demo import held_out, small_model, small_shop, small_workspace

GARMENTS = ["G01", "G02", "G04"]  # white cotton, black cotton, grey blend
SMALL = Limits(inks=("C08", "C10", "C19"), meshes=("M43-80", "M77-55", "M120-34"), presses=("P1",))


@pytest.fixture(scope="module")
def grid():
    return Grid.of(small_model(), SMALL)


@pytest.fixture(scope="module")
def found():
    usual = usual_setup(small_shop().prints, GARMENTS)
    return plan(small_model(), [33, 55, 28], GARMENTS, limits=SMALL, usual=usual)


def test_every_name_the_package_offers_is_there():
    assert all(getattr(learn, name) is not None for name in learn.__all__)


def test_each_garment_of_a_joint_prediction_is_the_single_prediction(grid):
    setups = grid.setups(np.arange(0, len(grid), 41))
    together = joint(small_model(), setups, GARMENTS)
    alone = small_model().predict_lab(on_garments(setups, GARMENTS))
    assert_allclose(together.mean.reshape(-1, 3), alone.mean, atol=1e-9)
    blocks = [together.covariance[:, i : i + 3, i : i + 3] for i in (0, 3, 6)]
    assert_allclose(np.stack(blocks, axis=1).reshape(-1, 3, 3), alone.covariance, rtol=1e-9)


def test_errors_hang_together_over_garments_as_draws_of_the_weights_say(grid):
    # Mixing draws weights and goes through the optics; joint goes along the tangents.
    setup = grid.setups(np.array([8]))
    mixed = Mixing.of(small_model(), setup.iloc[0].to_dict(), GARMENTS, ["C08", "C10"])
    drawn = mixed.predict(np.eye(2)).joint.covariance
    twice = pd.concat([setup] * 2).assign(ink_id=["C08", "C10"], ink_lot=None)
    linear = joint(small_model(), twice, GARMENTS).covariance

    def correlation(covariance):
        sd = np.sqrt(np.einsum("nii->ni", covariance))
        return covariance / sd[:, :, None] / sd[:, None, :]

    assert_allclose(np.sqrt(np.einsum("nii->ni", drawn / linear)), 1.0, atol=0.3)
    assert np.abs(correlation(drawn) - correlation(linear)).max() < 0.25
    assert correlation(linear)[:, 0, 3].min() > 0.3  # one press, one ink: far from independent


def test_all_in_tolerance_is_between_product_and_least_chance(grid):
    predicted = joint(small_model(), grid.setups(np.arange(0, len(grid), 9)), GARMENTS)
    luck = outcome(predicted, predicted.mean[len(predicted.mean) // 2, 0] + [1.0, 0.5, 0.5], 2.5)
    assert (luck.p_all <= luck.p.min(axis=1)).all()
    some = luck.p_all > 0.05
    assert some.any()
    assert (luck.p_all[some] >= luck.p[some].prod(axis=1) - 0.03).all()


def test_the_search_finds_what_brute_force_finds(grid):
    target = np.array([33.0, 55.0, 28.0])
    scored = search(small_model(), grid, target, GARMENTS, 2.0)
    everything = grid.setups(np.arange(len(grid)))
    lab = small_model().predict_lab(on_garments(everything, GARMENTS)).mean
    dE = delta_e00(lab, target).reshape(len(grid), -1)
    alike = scored.based.all(axis=1) | ~scored.based.any(axis=1)
    assert_allclose(scored.dE[alike], dE[scored.numbers[alike]], atol=1e-6)
    best = np.sort(dE.max(axis=1))[:10]
    assert_allclose(np.sort(scored.dE[alike].max(axis=1))[:10], best, atol=1e-6)


def test_a_set_up_hidden_in_the_grid_is_found(grid):
    hidden = grid.setups(np.array([len(grid) // 3]))
    target = joint(small_model(), hidden, ["G04"]).mean[0, 0]
    told = plan(small_model(), target, ["G04"], limits=SMALL)
    assert told.lines["worst_dE00"].min() < 0.3
    assert told.reached
    assert not told.in_the_way


def test_blocks_and_film_limit(grid):
    numbers = np.concatenate(list(grid.blocks(97)))
    assert_allclose(numbers, np.arange(len(grid)))
    thin = Limits(inks=("C08",), presses=("P1",), max_film_um=30)
    told = plan(small_model(), [33, 55, 28], ["G01"], limits=thin)
    assert (told.lines["film_um"] <= 30).all()
    films = small_model().films_um(grid.setups(numbers).assign(substrate_id="G01"))
    assert sum(films).max() > 60  # the limit had something to do


def test_base_where_needed(found):
    mixed = plan(small_model(), found.target, ["G01", "G02"], limits=SMALL, tolerance=6, most=40)
    shared = mixed.colours.groupby("line")["based"].agg(["any", "all"])
    assert (shared["any"] & ~shared["all"]).any() or (shared["all"]).all()
    for i, on in enumerate(mixed.lines["base_on"], start=1):
        colours = mixed.colours[mixed.colours["line"] == i]
        assert set(on) == set(colours.loc[colours["based"], "substrate_id"])


def test_out_of_reach_says_how_near_and_why():
    told = plan(small_model(), [60, -70, 60], GARMENTS, limits=SMALL)
    assert not told.reached
    assert "the nearest is" in told.in_the_way[0]
    assert any("a mix may reach it" in sentence for sentence in told.in_the_way)


@given(arrays(float, st.tuples(st.integers(1, 12), st.integers(1, 4)), elements=st.integers(0, 4)))
def test_the_front_is_what_no_row_beats(values):
    kept = non_dominated(values)
    for i, j in itertools.permutations(range(len(values)), 2):
        if kept[i]:
            beats = (values[j] <= values[i]).all() and (values[j] < values[i]).any()
            assert not beats
    distinct = {tuple(row) for row in values[kept]}
    assert len(distinct) == kept.sum() >= 1


@pytest.mark.parametrize(("target", "inks"), [([33, 55, 28], 3), ([75, 15, 75], 1)])
def test_lines_of_one_ink_and_base_differ_in_something_that_matters(target, inks):
    told = plan(small_model(), target, ["G01", "G02"], tolerance=4, most=12).lines
    values = told[list(STEPS)].to_numpy() / list(STEPS.values())
    base = told["underbase_ink_id"].where(told["base_on"].map(len) > 0, "")
    way = list(zip(told["ink_id"], base, strict=True))
    alike = [(i, j) for i, j in itertools.combinations(range(len(told)), 2) if way[i] == way[j]]
    assert len(told) > 1
    assert all(np.abs(values[i] - values[j]).max() >= WIDE for i, j in alike)
    assert len(set(told["ink_id"])) == inks  # another one, where the first is not at hand
    assert told["p_all"].iloc[0] >= told["p_all"].max() - STEPS["p_all"]


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({"target": [45, 200, 0]}, "the target's a is 200"),
        ({"garments": ["G99"]}, "garment 'G99' is in none"),
        ({"garments": []}, "no garment to print on"),
        ({"tolerance": 0}, "must be above 0"),
        ({"limits": Limits(inks=("Q",))}, "ink 'Q' is in none"),
        ({"limits": Limits(inks=())}, "no ink to print with"),
        ({"limits": Limits(max_film_um=1.0)}, "so thin a film"),
    ],
)
def test_bad_input_is_one_sentence(changes, sentence):
    asked = {"target": [33, 55, 28], "garments": ["G01"], **changes}
    with pytest.raises(ValueError, match=sentence):
        plan(small_model(), asked.pop("target"), asked.pop("garments"), **asked)


# -- words, sheet, command line ---------------------------------------------------------


def test_targets(tmp_path):
    settings = small_shop().settings
    assert_allclose(read_target("#ffffff", settings).lab, [100, 0, 0], atol=0.05)
    assert_allclose(read_target("45; 60;30", settings).lab, [45, 60, 30])
    chip = tmp_path / "chip.csv"
    names = ",".join(f"r{nm}" for nm in range(400, 701, 10))
    chip.write_text(f"sample,{names}\nchip,{','.join(['0.5'] * 31)}\n")
    # Y of a grey of 0.5 is 50: L* = 116 cbrt(0.5) - 16 (ISO/CIE 11664-4)
    assert_allclose(read_target(str(chip), settings).lab, [76.07, 0, 0], atol=0.01)


def test_the_sheet_lists_prints_that_record_can_read(found, tmp_path):
    catalogue = Catalogue.of(small_shop())
    opened = SimpleNamespace(catalogue=catalogue, version="0001")
    listed = write_sheet(tmp_path / "job.html", found, 1, opened, "Job <7>")
    setups, _ = read_sheet(listed)
    assert list(setups["print_id"]) == ["Job-<7>-1", "Job-<7>-2", "Job-<7>-3"]
    assert list(setups["substrate_id"]) == GARMENTS
    page = (tmp_path / "job.html").read_text()
    assert "Job &lt;7&gt;" in page
    assert "<7>" not in page
    assert all(f"<b>{g}</b>" in page for g in GARMENTS)
    assert "data sheet" in page


def test_order_of_work_and_cautions(found):
    row = {**found.lines.iloc[0].to_dict(), "strokes": 3.0, "flash_count": 2.0, "base_on": ("G02",)}
    row |= {"underbase_ink_id": "U1", "underbase_mesh_id": "M43-80", "underbase_strokes": 2.0}
    steps = operations(row, GARMENTS, {"U1": "White base"})
    assert steps[0] == "Base on G02: U1 White base through M43-80, 2 strokes."
    assert sum(step.startswith("Flash") for step in steps) == 3
    assert "data sheet" in steps[1] and "with a swatch, not with a bare finger" in steps[1]
    assert any("G01, G04: no base" in step for step in steps)
    told = " ".join(cautions(80.0, {"G04": "blend", "G01": "cotton"}))
    assert "longer to cure" in told
    assert "G04: polyester dye migrates" in told
    assert "longer to cure" not in " ".join(cautions(20.0, {}))


def test_words_of_a_plan(found):
    settings = small_shop().settings
    shades = learn.shades(
        small_model(),
        found.target,
        {"mesh_id": "M77-55", "strokes": 1.0, "flash_count": 0.0, "press_id": "P1"},
        GARMENTS,
    )
    block = plan_block(found, {"C08": "Bright red"}, shades, settings)
    assert "set-ups looked at" in block
    assert "bucket match" in block
    assert "35 for a test print and 260" in cost_words(found.lines, settings)


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["--max-strokes", "x"], 'strikeoff: --max-strokes "x" is not a number'),
        (["--base-ink", "none", "--base-ink", "U1"], "contradict each other"),
        (["--lot", "C08"], "write it as NAME=VALUE"),
        (["--out", "nowhere/a.csv"], "there is no folder"),
    ],
)
def test_a_mistake_on_the_command_line_is_one_sentence(arguments, sentence, tmp_path, capsys):
    options = ["plan", "--target", "1,2,3", "--garment", "G01", "--workspace", str(tmp_path)]
    assert main([*options, *arguments]) == 2
    told = capsys.readouterr().err
    assert sentence in told
    assert len(told.strip().splitlines()) == 1


@pytest.mark.parametrize(
    ("limit", "sentence"),
    [
        ({"max_film_um": 0.0}, "--max-film is 0: it must be above 0."),
        ({"max_base_strokes": 0}, "--max-base-strokes is 0: 1 or more is possible."),
        ({"bare": False, "underbases": ()}, "neither a base nor printing without one is allowed"),
    ],
)
def test_what_cannot_be_met_is_told_by_its_option(limit, sentence):
    with pytest.raises(Unusable) as error:
        Limits(**limit)
    assert str(by_option(error.value)).startswith(sentence)


# -- which test print -------------------------------------------------------------------


@pytest.fixture(scope="module")
def open_jobs():
    jobs = held_out("unseen_ink").iloc[:12].reset_index(drop=True)
    return jobs.assign(
        target_L=jobs["true_L"],
        target_a=jobs["true_a"],
        target_b=jobs["true_b"],
        tolerance_dE00=2.0,
    )


def test_beliefs_are_predictions_with_what_they_share(open_jobs):
    known = belief(small_model(), open_jobs)
    alone = small_model().predict_lab(open_jobs)
    at = np.arange(len(open_jobs))
    assert_allclose(known.mean, alone.mean, atol=1e-9)
    assert_allclose(known.unknown[at, :, at, :] + known.scatter, alone.covariance, rtol=1e-8)


def test_a_test_print_is_learnt_as_a_gaussian_is_conditioned(open_jobs):
    known = belief(small_model(), open_jobs)
    reading = known.mean[3] + [1.0, -2.0, 0.5]
    after = known.after(3, reading)
    n = 3 * len(open_jobs)
    C, rows = known.unknown.reshape(n, n), slice(9, 12)
    gain = C[:, rows] @ np.linalg.inv(C[rows, rows] + known.scatter[3])
    assert_allclose(after.mean.ravel(), known.mean.ravel() + gain @ (reading - known.mean[3]))
    assert_allclose(after.unknown.reshape(n, n), C - gain @ C[rows], atol=1e-9)
    assert np.linalg.eigvalsh(after.unknown.reshape(n, n)).min() > -1e-6


def test_a_test_print_is_worth_most_where_many_jobs_share_the_ink(open_jobs):
    ranked = rank_tests(small_model(), open_jobs)
    assert (ranked["saving"].diff().dropna() <= 0).all()
    assert (ranked["saving"] >= -35.0 - 1e-6).all()  # at worst the test print itself is lost
    one = rank_tests(small_model(), open_jobs.iloc[:1])
    assert ranked["saving"].max() > one["saving"].max()
    with pytest.raises(ValueError, match="has no target"):
        rank_tests(small_model(), open_jobs.assign(target_L=np.nan))


def test_a_test_print_its_job_needs_anyway_costs_nothing_more(open_jobs):
    verdicts = small_model().predict(open_jobs).set_index("setup_id")
    far = open_jobs["setup_id"].iloc[0]
    jobs = open_jobs.assign(target_L=open_jobs["target_L"] + np.r_[40.0, np.zeros(11)])
    ranked = rank_tests(small_model(), jobs).set_index("setup_id")
    needed = ranked["verdict"] == "test"
    assert (ranked["saving"][needed] >= -1.0).all()  # but for the draws never below nought
    told = ["verdict", "cause"]
    asked = verdicts[told].loc[ranked.index].drop(far)
    pd.testing.assert_frame_equal(ranked[told].drop(far), asked)
    assert needed.drop(far).any()
    assert not needed[far]  # it misses: a test print settles nothing
    assert ranked["saving"][far] < ranked["saving"][needed].max()


# -- which prints describe an ink -------------------------------------------------------


@pytest.fixture(scope="module")
def new_ink():
    return plan_ink(small_model(), "C08", small_shop().prints, most=4)


def appended(prints: pd.DataFrame) -> ShiftModel:
    """The small model after it has learnt ``prints``, each read as it is predicted."""
    model = ShiftModel.from_state(*small_model().to_state())
    lab = pd.DataFrame(model.predict_lab(prints).mean, columns=list("Lab"))
    prints = prints.reset_index(drop=True).assign(**lab)
    prints["print_id"] = [f"T{i}" for i in range(len(prints))]
    shop = small_shop()
    return model.append(replace(shop, prints=pd.concat([shop.prints, prints], ignore_index=True)))


def rms_dE00(covariance, mean):
    return np.sqrt(np.einsum("nij,nij->n", local_metric(mean), covariance)).mean()


def test_the_first_print_leaves_usual_set_ups_least_unsure_of_all_once_learnt(new_ink):
    # Against the model that has really learnt the print, not against the update that chose it.
    first, usual = new_ink.prints.iloc[[0]], new_ink.usual.assign(ink_lot="at hand")
    on = ["substrate_id", "mesh_id", "strokes", "flash_count", *UNDERBASE]
    others = [first.assign(**row[on]) for _, row in usual.iloc[::5].iterrows()]

    def left(one: pd.DataFrame) -> float:
        day = usual["printed_on"].max()
        after = appended(one.assign(job_id="T", ink_lot="at hand", printed_on=day))
        predicted = after.predict_lab(usual)
        return rms_dE00(predicted.covariance, predicted.mean)

    best, *rest = [left(one) for one in [first, *others]]
    assert best <= 1.01 * min(rest)  # tangents move a little with what is learnt
    assert max(rest) > 1.05 * best  # the choice matters


def test_the_same_print_again_tells_less_than_another(new_ink):
    rows = pd.concat([new_ink.prints.iloc[[0, 0, 1]], new_ink.usual], ignore_index=True)
    rows = rows.assign(ink_lot="at hand", printed_on=new_ink.usual["printed_on"].max())
    usual = np.arange(3, len(rows))
    screen = np.r_[0, 0, 1, np.full(len(usual), -1)]  # once more through the same screen
    apart = np.r_[0, 2, 1, np.full(len(usual), -1)]
    left = []
    for job in (screen, apart):
        known = small_model().between(rows, job)
        known = known.after(0, known.mean[0])
        tests, metric = np.array([1, 2]), local_metric(known.mean[usual])
        left.append(errors_after(known, tests, usual, metric, np.ones(len(usual))))
        after = known.after(2, known.mean[2])
        own = after.unknown[usual, :, usual, :] + after.scatter[usual]
        assert_allclose(left[-1][1], rms_dE00(own, known.mean[usual]), rtol=1e-9)
    assert left[0][1] < left[0][0]
    assert left[1][0] < left[0][0]  # one screen errs in common: pulled anew it tells more


def test_an_ink_plan_says_when_to_stop(new_ink):
    within = np.r_[new_ink.before.within_dE00, new_ink.prints["within_dE00"]]
    assert (np.diff(within) < 0).all()
    assert 1 <= new_ink.enough <= 4
    gain, worth_it = -np.diff(within), 0.025 * small_shop().settings.tolerance_dE00
    assert (gain[: new_ink.enough] >= worth_it).all()
    assert new_ink.enough == 4 or gain[new_ink.enough] < worth_it
    often = plan_ink(small_model(), "C10", small_shop().prints, most=1)
    assert often.printed > 10
    assert often.before.within_dE00 < new_ink.before.within_dE00
    limited = plan_ink(
        small_model(), "C08", small_shop().prints, garments=["G02"], meshes=["M120-34"], most=2
    )
    assert set(limited.prints["substrate_id"]) == {"G02"}
    assert set(limited.prints["mesh_id"]) == {"M120-34"}
    assert limited.prints["within_dE00"].iloc[0] >= new_ink.prints["within_dE00"].iloc[0]


def test_what_a_print_tells_is_not_set_against_a_more_careful_judgement():
    """Where inks left out say that bands of new ones are too wide, the first print of one takes
    that allowance away; the print is worth pulling all the same."""
    model = copy(small_model())
    model.spread_factors_ = model.spread_factors_ | {"ink": 0.5}
    told = plan_ink(model, "C08", small_shop().prints, most=3)
    assert told.prints["within_dE00"].iloc[0] > told.before.within_dE00
    assert told.enough >= 1
    assert "judged more carefully" in ink_block(told, {}, {})


@pytest.fixture(scope="module")
def workspace(tmp_path_factory):
    return small_workspace(tmp_path_factory.mktemp("plan"))


def test_the_prints_of_an_ink_from_the_command_line_to_the_record(workspace, capsys, monkeypatch):
    monkeypatch.chdir(workspace)
    assert main(["new-ink", "--ink", "C08", "--out", "red.csv"]) == 0
    said = capsys.readouterr().out
    assert "C08 Bright red: never printed." in said
    assert "one print more would narrow that" in said
    assert "By model 0001." in said
    listed = pd.read_csv("red.csv", dtype=str, keep_default_na=False)
    assert said.count("dE00 of prediction") == len(listed) + 1
    assert (listed["ink_id"] == "C08").all()
    lab = small_model().predict_lab(read_sheet(workspace / "red.csv")[0].pipe(typed)).mean.round(2)
    measured = pd.DataFrame(lab, columns=list("Lab")).assign(sample=listed["print_id"])
    measured.to_csv("measured.csv", index=False)
    assert main(["record", "measured.csv", "--prints", "red.csv", "--dry-run"]) == 0
    assert f"{len(listed)} prints to learn from" in capsys.readouterr().out


def typed(cells: pd.DataFrame) -> pd.DataFrame:
    """Text cells of a list of prints as the model takes them."""
    numbers = ["underbase_strokes", "strokes", "flash_count", "readings"]
    some = cells.where(cells != "", None)
    return some.assign(**some[numbers].astype(float), printed_on=pd.NaT)


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["--ink", "C8"], '--ink "C8" is not in inks.csv; is "C08" meant?'),
        (["--ink", "U1"], "is an underbase: print it alone"),
        (["--ink", "C08", "--substrate", "tee"], '--garment "tee" is not in substrates.csv'),
        (["--ink", "C08", "--most", "0"], "--most 0: give 1 or more"),
        (["--ink", "C08", "--out", "nowhere/a.csv"], "there is no folder"),
    ],
)
def test_a_mistake_in_asking_for_an_ink_is_one_sentence(arguments, sentence, workspace, capsys):
    assert main(["new-ink", *arguments, "--workspace", str(workspace)]) == 2
    told = capsys.readouterr().err
    assert sentence in told
    assert len(told.strip().splitlines()) == 1


def test_plans_name_the_model_they_rest_on(workspace, capsys, monkeypatch, open_jobs):
    monkeypatch.chdir(workspace)
    columns = ["setup_id", "substrate_id", "ink_id", "mesh_id", "strokes", "flash_count"]
    open_jobs[[*columns, "target_L", "target_a", "target_b"]].to_csv("jobs.csv", index=False)
    aim = ["--target", "33,55,28", "--garment", "G01"]
    limits = ["--ink", "C08", "--mesh", "M77-55", "--base-ink", "none"]
    for command in (
        ["plan", *aim, *limits],
        ["mix", *aim, "--ink", "C08", "--ink", "C10", "--mesh", "M77-55", "--base-ink", "none"],
        ["next-test", "jobs.csv"],
    ):
        assert main(command) == 0
        assert "By model 0001." in capsys.readouterr().out


def test_a_shop_without_prints_is_told_how_to_begin():
    with pytest.raises(ValueError, match="white and a black garment"):
        plan_ink(small_model(), "C08", small_shop().prints.iloc[:0])
