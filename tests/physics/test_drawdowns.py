"""The shelf: K and S of inks made up here, read back from drawdowns made up here.

The drawdowns are Kubelka-Munk films under a Saunderson surface (both checked against
published values in test_kubelka_munk), with the reading and film errors the shelf allows for.
"""

import numpy as np
import pandas as pd
import pytest

from learn.colour.colorimetry import WAVELENGTHS_NM, lab_from_reflectance, viewing
from learn.physics import drawdowns, kubelka_munk, print_model
from learn.physics.drawdowns import LAB, SPECTRUM
from learn.physics.shelf import POSTERIOR_DIRECTIONS, USUAL, Shelf, describe_shelf

D50 = viewing("D50", "2")
NM = WAVELENGTHS_NM
CARDS = pd.DataFrame(
    {
        "substrate_id": ["white", "black", "shirt", "black shirt"],
        "kind": ["card", "card", "garment", "garment"],
        "fibre": ["paper", "paper", "cotton", "cotton"],
    }
)
CARD_R = np.array([0.82, 0.012, 0.78, 0.03])[:, None] * np.ones(31)
Ink = tuple[np.ndarray, np.ndarray]


def made_up_ink(seed: int) -> Ink:
    """K and S (31,) per um: two bands of absorption, scattering that falls with wavelength."""
    rng = np.random.default_rng(seed)
    K = np.full(31, 0.0015)
    for _ in range(2):
        centre, width = rng.uniform(420, 660), rng.uniform(30, 60)
        K += rng.uniform(0.02, 0.15) * np.exp(-0.5 * ((NM - centre) / width) ** 2)
    return K, rng.uniform(0.006, 0.05) * (NM / 550) ** -rng.uniform(0, 1)


def reading(ink: Ink, film_um: float, card: str) -> np.ndarray:
    """Measured reflectance (31,) of a drawdown."""
    K, S = ink
    if np.isinf(film_um):
        body = kubelka_munk.r_infinity(K, S)
    else:
        back = CARD_R[CARDS["substrate_id"].tolist().index(card)]
        if "shirt" in card:  # cloth has no surface, and is darker wet
            back = kubelka_munk.wet_out(back, drawdowns.CLOTH_WET_OUT)
        else:
            back = kubelka_munk.beneath_surface(back)
        body = kubelka_munk.reflectance_over(K, S, film_um, back)
    return kubelka_munk.through_surface(body) + drawdowns.DRAWDOWN_HAZE


def drawdown(ink_id: str, film_um: float, card: str, r: np.ndarray, as_lab: bool = False) -> dict:
    row = {"ink_id": ink_id, "substrate_id": card, "film_um": film_um}
    lab = dict(zip(LAB, lab_from_reflectance(r, D50), strict=True))
    return row | (lab if as_lab else dict(zip(SPECTRUM, r, strict=True)))


def shelf_of(
    ids: list[str], rows: list[dict], role: str = "colour", missed: float | None = None
) -> Shelf:
    columns = ["ink_id", "substrate_id", "film_um", *SPECTRUM, *LAB]
    table = pd.DataFrame({"ink_id": ids, "role": role})
    cards = pd.DataFrame(rows, columns=columns)
    return describe_shelf(table, cards, CARDS, CARD_R, D50, missed=missed)


def print_lab(log_k: np.ndarray, log_s: np.ndarray) -> np.ndarray:
    """Lab (3, 3) of 15 um over dark, middle and light."""
    back = np.array([0.03, 0.3, 0.8])[:, None]
    r = kubelka_munk.reflectance_over(np.exp(log_k), np.exp(log_s), 15.0, back)
    return lab_from_reflectance(kubelka_munk.through_surface(r), D50)


def print_sd(shelf: Shelf, at: int) -> np.ndarray:
    """Standard deviation of `print_lab` by what the drawdowns leave open."""
    k, s = shelf.log_k[at], shelf.log_s[at]
    variance, step = np.zeros((3, 3)), 1e-4
    for d in range(POSTERIOR_DIRECTIONS):
        dk, ds = step * shelf.directions_k[at, d], step * shelf.directions_s[at, d]
        variance += ((print_lab(k + dk, s + ds) - print_lab(k - dk, s - ds)) / (2 * step)) ** 2
    return np.sqrt(variance)


BOTH_CARDS = [(25.0, "white"), (25.0, "black"), (60.0, "white"), (60.0, "black")]


def test_k_and_s_from_clean_drawdowns():
    """Without errors of reading, film or theory, both come back wherever they can be seen; nearly
    so where it is not known that theory misses nothing."""
    truth = [made_up_ink(seed) for seed in range(6)]
    ids = [f"I{i}" for i in range(6)]
    rows = [
        drawdown(ids[i], film, card, reading(ink, film, card))
        for i, ink in enumerate(truth)
        for film, card in BOTH_CARDS
    ]
    K, S = (np.stack([ink[i] for ink in truth]) for i in (0, 1))
    careful = shelf_of(ids, rows)
    assert np.median(np.abs(np.exp(careful.log_k) / K - 1)) < 0.06
    assert np.median(np.abs(np.exp(careful.log_s) / S - 1)) < 0.06
    shelf = shelf_of(ids, rows, missed=0.0)
    assert shelf.known_from == ["spectra"] * 6
    assert np.median(np.abs(np.exp(shelf.log_k) / K - 1)) < 0.02
    assert np.median(np.abs(np.exp(shelf.log_s) / S - 1)) < 0.02
    for i, (k, s) in enumerate(truth):
        gap = print_lab(shelf.log_k[i], shelf.log_s[i]) - print_lab(np.log(k), np.log(s))
        assert np.abs(gap).max() < 0.6


@pytest.mark.parametrize("absorption", [0.05, 0.25, 1.0])
@pytest.mark.parametrize("cards", [["white", "black"], ["white"]])
def test_near_black_inks(absorption, cards):
    """As dark as they were drawn down, far from where every ink starts."""
    ink = absorption * np.linspace(1.0, 0.8, 31), np.full(31, 0.003)
    rows = [drawdown("black", 25.0, card, reading(ink, 25.0, card)) for card in cards]
    shelf = shelf_of(["black"], rows)
    r = kubelka_munk.reflectance_over(
        np.exp(shelf.log_k[0]), np.exp(shelf.log_s[0]), 25.0, CARD_R[0]
    )
    r = kubelka_munk.through_surface(r) + drawdowns.DRAWDOWN_HAZE
    off = lab_from_reflectance(r, D50) - lab_from_reflectance(reading(ink, 25.0, "white"), D50)
    assert np.abs(off).max() < 1.5


def test_shirts_serve_as_cards():
    """Printed on a white and on a black shirt: less sure than cards, but not beside the mark."""
    truth = [made_up_ink(seed) for seed in range(6)]
    ids = [f"I{i}" for i in range(6)]
    rows = [
        drawdown(ids[i], 25.0, shirt, reading(ink, 25.0, shirt))
        for i, ink in enumerate(truth)
        for shirt in ("shirt", "black shirt")
    ]
    shelf = shelf_of(ids, rows, missed=0.0)
    assert shelf.known_from == ["spectra"] * 6
    K = np.stack([ink[0] for ink in truth])
    clear = K < 0.02  # where the shirt shows through
    assert abs(np.median(np.exp(shelf.log_k)[clear] / K[clear]) - 1) < 0.05


def test_noisy_drawdowns_miss_by_as_much_as_the_posterior_says():
    """30 inks, films 3 % off, readings off and theory too: 90 % intervals of a print's Lab hold
    about 90 %; and the cards tell how much theory misses."""
    rng = np.random.default_rng(1)
    nm = np.array([float(band[1:]) for band in SPECTRUM])
    near = np.exp(-0.5 * ((nm[:, None] - nm) / drawdowns.MISSED_NM) ** 2)
    missed = 0.03 * np.linalg.cholesky(near + 1e-9 * np.eye(31))
    truth = [made_up_ink(100 + i) for i in range(30)]
    ids = [f"I{i}" for i in range(30)]
    rows, plain = [], []
    for i, ink in enumerate(truth):
        for film, card in BOTH_CARDS[:2]:
            true = reading(ink, film * (1 + drawdowns.FILM_ERROR * rng.standard_normal()), card)
            for table, r in ((rows, true * (1 + missed @ rng.standard_normal(31))), (plain, true)):
                error = drawdowns.READING_FLOOR + drawdowns.READING_SHARE * r
                table.append(drawdown(ids[i], film, card, r + error * rng.standard_normal(31)))
    assert shelf_of(ids, plain).missed < shelf_of(ids, rows).missed <= 0.04
    assert shelf_of(["none"], []).missed == USUAL, "without cards, as is usual"
    shelf = shelf_of(ids, rows, missed=0.03)
    z = [
        (print_lab(shelf.log_k[i], shelf.log_s[i]) - print_lab(*np.log(truth[i])))
        / print_sd(shelf, i)
        for i in range(30)
    ]
    inside = np.abs(z) < 1.645
    assert 0.80 < inside.mean() < 0.98


@pytest.mark.parametrize("missed", [0.005, 0.015, 0.04])
def test_cards_tell_what_theory_misses(missed):
    rng = np.random.default_rng(3)
    alike = np.linalg.cholesky(drawdowns.missed_of(np.ones(31), missed) + 1e-9 * np.eye(31))
    ids, rows = [f"I{i}" for i in range(24)], []
    for i, ink_id in enumerate(ids):
        for film, card in BOTH_CARDS:
            laid = film * np.exp(drawdowns.FILM_ERROR * rng.standard_normal())
            r = reading(made_up_ink(200 + i), laid, card) * (1 + alike @ rng.standard_normal(31))
            error = drawdowns.READING_FLOOR + drawdowns.READING_SHARE * r
            rows.append(drawdown(ink_id, film, card, r + error * rng.standard_normal(31)))
    assert missed / 1.5 < shelf_of(ids, rows).missed < 1.5 * missed


def test_the_less_was_measured_the_wider_the_band():
    """One ink told in five ways, beside inks that are well known; what theory misses is missed of
    spectra and of Lab alike, and leaves less between them."""
    peers = {f"P{i}": made_up_ink(20 + i) for i in range(4)}
    ink = made_up_ink(3)
    both = BOTH_CARDS[:2]
    told = {
        "spectra": [drawdown("spectra", f, c, reading(ink, f, c)) for f, c in both],
        "Lab": [drawdown("Lab", f, c, reading(ink, f, c), as_lab=True) for f, c in both],
        "white": [drawdown("white", 25.0, "white", reading(ink, 25.0, "white"))],
        "shirt": [drawdown("shirt", 25.0, "shirt", reading(ink, 25.0, "shirt"))],
        "nothing": [],
    }
    rows = [drawdown(i, f, c, reading(p, f, c)) for i, p in peers.items() for f, c in BOTH_CARDS]
    rows += [r for told_rows in told.values() for r in told_rows]
    shelf = shelf_of([*peers, *told], rows)
    mean = {name: print_sd(shelf, 4 + i).mean() for i, name in enumerate(told)}
    assert mean["spectra"] < min(mean["Lab"], mean["white"], mean["shirt"])
    assert max(mean["Lab"], mean["white"], mean["shirt"]) < mean["nothing"] / 2
    shelf = shelf_of([*peers, *told], rows, missed=0.0)
    assert shelf.known_from[4:] == ["spectra", "Lab", "one backing", "one backing", "nothing"]
    sd = {name: print_sd(shelf, 4 + i) for i, name in enumerate(told)}
    assert sd["spectra"].max() < 2.0
    for name in ("Lab", "white", "shirt"):
        assert (sd[name] > sd["spectra"]).all(), name
        assert sd[name].mean() > 1.5 * sd["spectra"].mean(), name
        assert sd[name].mean() < sd["nothing"].mean() / 2, name
    # over white the white card tells most; over dark it hardly helps
    assert sd["white"][2].mean() < sd["white"][0].mean()
    assert sd["nothing"].mean() > 5
    assert shelf.index(pd.Series(["Lab", None, "other"])).tolist() == [5, -1, -1]


def test_a_measured_bucket_is_the_bucket():
    ink = made_up_ink(5)
    well = reading(ink, np.inf, "white")
    shelf = shelf_of(
        ["with", "without"],
        [
            drawdown("with", 25.0, "white", reading(ink, 25.0, "white")),
            drawdown("with", np.inf, "white", well),
            drawdown("without", 25.0, "white", reading(ink, 25.0, "white")),
        ],
    )
    np.testing.assert_allclose(shelf.bucket_measured[0], lab_from_reflectance(well, D50))
    assert np.isnan(shelf.bucket_measured[1]).all()
    r = print_model.bucket_reflectance(shelf.log_k, shelf.log_s)
    off = np.abs(lab_from_reflectance(r, D50) - lab_from_reflectance(well, D50)).max(axis=1)
    assert off[0] < 1 and off[0] < off[1]


@pytest.mark.parametrize("as_lab", [False, True])
@pytest.mark.parametrize("film_um", [1e-3, 25.0, 1e4, np.inf])
@pytest.mark.parametrize("level", [0.0, 0.02, 0.98, 1.1])
def test_readings_at_every_extreme_give_a_finite_ink(level, film_um, as_lab):
    """Black holes, brighteners, films far too thin and far too thick: nothing overflows."""
    rows = [
        drawdown("X", film_um, card, np.full(31, level), as_lab=as_lab)
        for card in ("white", "black", "shirt")
    ]
    with np.errstate(over="raise", invalid="raise", divide="raise"):
        shelf = shelf_of(["X"], rows)
        bucket = print_model.bucket_reflectance(shelf.log_k, shelf.log_s)
    for values in (shelf.log_k, shelf.log_s, shelf.directions_k, shelf.directions_s):
        assert np.isfinite(values).all()
    assert ((bucket >= 0) & (bucket <= 1.01)).all()


def test_bases_and_colours_start_from_their_own_prior():
    """Common practice, no source: a base scatters more and absorbs less than a colour."""
    base, colour = shelf_of(["X"], [], role="underbase"), shelf_of(["X"], [])
    assert (base.log_s > colour.log_s).all() and (base.log_k < colour.log_k).all()


def test_a_table_without_spectra_or_without_lab():
    ink = made_up_ink(7)
    by_lab = [drawdown("X", f, c, reading(ink, f, c), as_lab=True) for f, c in BOTH_CARDS]
    by_spectrum = [drawdown("X", f, c, reading(ink, f, c)) for f, c in BOTH_CARDS]
    white = [row for row in by_lab if row["substrate_id"] == "white"]
    told = (by_lab, "Lab"), (by_spectrum, "spectra"), (white, "one backing")
    for rows, known_from in told:
        table = pd.DataFrame({"ink_id": ["X"], "role": "colour"})
        shelf = describe_shelf(table, pd.DataFrame(rows), CARDS, CARD_R, D50)
        assert shelf.known_from == [known_from]


def test_ink_takes_a_cards_surface_but_not_a_cloths():
    body = drawdowns.body_of(CARDS, CARD_R)
    np.testing.assert_allclose(body[:2], kubelka_munk.beneath_surface(CARD_R[:2]))
    np.testing.assert_allclose(body[2], CARD_R[2])
