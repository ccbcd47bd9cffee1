"""The stack of layers: its derivatives against differences, its limits against single layers."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.special import expit

from learn.colour.colorimetry import lab_from_reflectance, viewing
from learn.fit.encoding import Encoder
from learn.physics import kubelka_munk, print_model
from learn.physics.drawdowns import DRAWDOWN_HAZE, SPECTRUM
from learn.physics.print_model import (
    CONSTANT_MEAN,
    CONSTANT_SD,
    CONSTANTS,
    LATENTS,
    Stack,
    State,
    column_of,
)
from learn.shop import Shop, ShopSettings

D50 = viewing("D50", "2")
N = 12  # set-ups; every other one has a base


def random_job(seed: int) -> tuple[Stack, State, np.ndarray]:
    """Set-ups (each with a top ink and a base of its own), where the physics stands, shifts."""
    rng = np.random.default_rng(seed)
    nm = np.arange(31)
    hump = np.exp(-0.5 * ((nm - rng.uniform(0, 30, (N, 1))) / 6) ** 2)
    log_k = np.concatenate([np.log(0.002 + 0.08 * hump), np.full((N, 31), np.log(6e-4))])
    log_s = np.concatenate(
        [np.log(rng.uniform(0.004, 0.05, (N, 1))) * np.ones(31), np.full((N, 31), np.log(0.06))]
    )
    grey = rng.uniform(0.02, 0.9, (N, 1))
    cloth = np.clip(grey * (1 + 0.2 * rng.standard_normal((N, 1)) * (nm - 15) / 15), 0.01, 0.95)
    own = [str(i) for i in range(N)]
    based = np.arange(N) % 2 == 1
    strokes = rng.integers(1, 4, N).astype(float)
    setups = pd.DataFrame(
        {
            "substrate_id": own,
            "underbase_ink_id": np.where(based, np.char.add("base ", own), None),
            "underbase_mesh_id": own,
            "underbase_strokes": rng.integers(1, 3, N).astype(float),
            "ink_id": own,
            "mesh_id": own,
            "strokes": strokes,
            "flash_count": np.floor(rng.uniform(0, strokes)),
            "eom_um": rng.uniform(5, 25, N),
        }
    )
    shop = Shop(
        settings=ShopSettings("made up"),
        inks=pd.DataFrame(
            {
                "ink_id": [*own, *np.char.add("base ", own)],
                "ink_type": np.where(np.arange(2 * N) % 3 == 0, "discharge", "plastisol"),
                "solids_vol_pct": rng.uniform(45, 100, 2 * N),
            }
        ),
        substrates=pd.DataFrame({"substrate_id": own, "kind": "garment", "fibre": "cotton"}).join(
            pd.DataFrame(cloth, columns=SPECTRUM)
        ),
        meshes=pd.DataFrame({"mesh_id": own, "threads_per_cm": rng.uniform(32, 140, N)}),
        drawdowns=pd.DataFrame(),
        prints=pd.DataFrame(),
    )
    constants = CONSTANT_MEAN + 0.5 * CONSTANT_SD * rng.standard_normal(len(CONSTANTS))
    shifts = 0.1 * rng.standard_normal((N, len(LATENTS)))
    stack = Encoder.of(shop, D50).layers(setups, shop.inks["ink_id"].tolist())
    return stack, State(constants, log_k, log_s), shifts


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_tangents_against_central_differences(seed):
    stack, state, shifts = random_job(seed)
    t = print_model.tangents(stack, state, shifts, D50)
    np.testing.assert_allclose(t.lab, print_model.lab(stack, state, shifts, D50), atol=1e-10)
    h = 1e-4
    close = {"rtol": 2e-3, "atol": 2e-3}

    def slope(at) -> np.ndarray:
        up, down = (print_model.lab(stack, *at(sign * h), D50) for sign in (1, -1))
        return (up - down) / (2 * h)

    for name, _ in LATENTS:
        step = np.eye(len(LATENTS))[column_of(name)]
        by_latent = slope(lambda h, step=step: (state, shifts + h * step))
        tangent = t.latents[:, :, column_of(name)]
        np.testing.assert_allclose(tangent, by_latent, err_msg=name, **close)
    for i, step in enumerate(np.eye(len(CONSTANTS))):
        by_constant = slope(
            lambda h, step=step: (replace(state, constants=state.constants + h * step), shifts)
        )
        name = CONSTANTS[i].name
        np.testing.assert_allclose(t.constants[:, :, i], by_constant, err_msg=name, **close)
    top, under = np.arange(2 * N) < N, np.arange(2 * N) >= N
    for name, which, inks in (
        ("log_k", t.ink_k, top),
        ("log_s", t.ink_s, top),
        ("log_k", t.base_k, under),
        ("log_s", t.base_s, under),
    ):
        for nm in range(31):
            step = inks[:, None] * (np.arange(31) == nm)

            def moved(h: float, name=name, step=step):
                return replace(state, **{name: getattr(state, name) + h * step}), shifts

            np.testing.assert_allclose(which[:, :, nm], slope(moved), **close)
    bare = stack.base < 0
    assert not t.base_k[bare].any() and not t.latents[bare][:, :, column_of("base_film")].any()
    assert not t.latents[~bare][:, :, column_of("soak")].any(), "a base seals the cloth"


def test_order_of_latents_means_nothing(monkeypatch):
    """An effect listed elsewhere rewires nothing: colours and tangents follow the names."""
    stack, state, shifts = random_job(3)
    before = print_model.tangents(stack, state, shifts, D50)
    order = np.random.default_rng(0).permutation(len(LATENTS))
    monkeypatch.setattr(print_model, "LATENTS", [LATENTS[i] for i in order])
    after = print_model.tangents(stack, state, shifts[:, order], D50)
    np.testing.assert_array_equal(after.lab, before.lab)
    np.testing.assert_array_equal(after.latents, before.latents[:, :, order])
    for name in ("constants", "ink_k", "ink_s", "base_k", "base_s"):
        np.testing.assert_array_equal(getattr(after, name), getattr(before, name), err_msg=name)
    films = [print_model.film_um(stack, state.constants, s) for s in (shifts[:, order], shifts)]
    assert not np.array_equal(*films), "shifts in another order are other shifts"


def with_film(stack: Stack, state: State, log_film: float) -> np.ndarray:
    """Reflectance (n, 31) with that much more or less of the top ink."""
    shifts = print_model.no_shift(len(stack))
    shifts[:, column_of("film")] = log_film
    return print_model.reflectance(stack, state, shifts)


FAST = {"log_migration": -30.0}  # no dye wanders
FLAT = {"log_fibres_um": -4.0}  # no fibre stands out of any film


def constants_with(**values: float) -> np.ndarray:
    return np.array([values.get(c.name, c.mean) for c in CONSTANTS])


def test_without_ink_the_base_is_seen():
    """Against single Kubelka-Munk layers laid by hand, films even."""
    stack, state, _ = random_job(3)
    stack = stack.take(stack.base >= 0)
    even = dict.fromkeys(("log_uneven_bare", "log_uneven_base", "log_uneven_under"), -12.0)
    state = replace(state, constants=constants_with(**even, **FAST, **FLAT))
    named = {c.name: c.mean for c in CONSTANTS}
    _, base_um = print_model.film_um(stack, state.constants, print_model.no_shift(len(stack)))
    cloth = kubelka_munk.wet_out(stack.cloth, expit(named["sealed_wet_out_logit"]))
    K, S = np.exp(state.log_k[stack.base]), np.exp(state.log_s[stack.base])
    by_hand = kubelka_munk.through_surface(
        kubelka_munk.reflectance_over(K, S, base_um[:, None], cloth)
    )
    seen = with_film(stack, state, -15.0)
    np.testing.assert_allclose(seen, by_hand + np.exp(named["log_haze"]), atol=2e-4)


def test_fibres_stand_out_of_thin_films_on_cloth_alone():
    """The share of the area that is not printed flat is seen through a tenth of the film; the more
    ink, the less of it, and on a card there is none."""
    stack, state, _ = random_job(5)
    bare = stack.take(stack.base < 0)

    def shift_of(stack: Stack, log_film: float, **values: float) -> np.ndarray:
        """What fibres do to the reflectance (n, 31)."""
        seen = [
            with_film(stack, replace(state, constants=constants_with(**FAST, **own)), log_film)
            for own in (values, values | FLAT)
        ]
        return np.abs(seen[0] - seen[1])

    few, many = (shift_of(bare, 0.0, log_fibres=np.log(share)) for share in (0.01, 0.02))
    np.testing.assert_allclose(many, 2 * few, rtol=0.05)  # but for the surface
    by_film = [shift_of(bare, log_film).max() for log_film in (0.0, 1.0, 2.0, 3.0)]
    assert np.all(np.diff(by_film) < 0) and by_film[-1] < 1e-4
    assert not shift_of(replace(bare, pores=np.zeros(len(bare))), 0.0).any()
    based = stack.take(stack.base >= 0)
    assert (
        0
        < shift_of(based, 0.0).max()
        < shift_of(replace(based, base=-np.ones_like(based.base)), 0.0).max()
    )


def test_without_ink_the_wet_cloth_is_seen():
    stack, state, _ = random_job(4)
    stack = stack.take(stack.base < 0)
    state = replace(state, constants=CONSTANT_MEAN)
    named = {c.name: c.mean for c in CONSTANTS}
    wet = kubelka_munk.wet_out(stack.cloth, expit(named["wet_out_logit"]))
    by_hand = kubelka_munk.through_surface(wet)
    seen = with_film(stack, state, -15.0)
    np.testing.assert_allclose(seen, by_hand + np.exp(named["log_haze"]), atol=1e-3)


def test_a_thicker_film_takes_more_of_the_dye_up_to_a_share():
    """Of ink that neither hides nor colours: no film takes none, and the last micrometre least."""
    stack, state, _ = random_job(4)
    stack = stack.take((stack.discharges > 0) & (stack.base < 0) & (stack.pores > 0))
    assert len(stack)
    clear = replace(
        state, constants=constants_with(**FAST), log_k=state.log_k - 20.0, log_s=state.log_s - 20.0
    )
    films = np.array([-15.0, -1.0, 0.0, 1.0, 2.0, 4.0, 5.0])
    seen = np.array([with_film(stack, clear, film).mean(axis=1) for film in films])
    assert (np.diff(seen, axis=0) > -1e-6).all()
    np.testing.assert_allclose(seen[-1], seen[-2], atol=1e-4)
    share = expit(dict((c.name, c.mean) for c in CONSTANTS)["discharge_logit"])
    wet_out = expit(dict((c.name, c.mean) for c in CONSTANTS)["wet_out_logit"])
    left = kubelka_munk.wet_out(kubelka_munk.less_dyed(stack.cloth, 1 - share), wet_out)
    haze = np.exp(dict((c.name, c.mean) for c in CONSTANTS)["log_haze"])
    most = (kubelka_munk.through_surface(left) + haze).mean(axis=1)
    np.testing.assert_allclose(seen[-1], most, atol=2e-3)


@pytest.mark.parametrize("seed", [5, 6])
def test_a_very_thick_film_is_the_bucket(seed):
    """On any ground, base or none; the haze of a print and of a well made equal."""
    stack, state, _ = random_job(seed)
    state = replace(state, constants=constants_with(log_haze=np.log(DRAWDOWN_HAZE), **FAST))
    bucket = print_model.bucket_reflectance(state.log_k, state.log_s)[stack.ink]
    np.testing.assert_allclose(with_film(stack, state, 12.0), bucket, atol=1e-4)


@pytest.mark.parametrize(("fibres", "slack"), [(FLAT, 1e-9), ({}, 1e-4)])
@pytest.mark.parametrize("seed", [3, 7, 8])
def test_more_film_moves_towards_the_bucket_and_never_back(seed, fibres, slack):
    """Over a base, at every wavelength; on bare cloth from the film that has stopped sinking.
    Fibres that stand out are laid flat by a film, and may carry it past the bucket by a trace."""
    stack, state, _ = random_job(seed)
    constants = constants_with(log_haze=np.log(DRAWDOWN_HAZE), **FAST, **fibres)
    state = replace(state, constants=constants)
    bucket = print_model.bucket_reflectance(state.log_k, state.log_s)[stack.ink]
    ladder = np.stack([with_film(stack, state, x) for x in np.linspace(-8, 8, 60)])
    away = np.abs(ladder - bucket)
    based = stack.base >= 0
    assert (np.diff(away[:, based], axis=0) <= slack).all()
    assert (np.diff(away[30:, ~based], axis=0) <= slack).all()


def test_loose_dye_dulls_the_lowest_film():
    """Common practice, no source: dye of the garment wanders into what is printed on it. The more,
    the darker where the cloth absorbs; none out of card; and a thick film stays the bucket."""
    stack, state, _ = random_job(9)
    loose = [constants_with(log_migration=m) for m in (-30.0, -8.0, -6.0)]
    states = [replace(state, constants=constants) for constants in loose]
    seen = np.array([with_film(stack, one, 0.0) for one in states])
    cloth = stack.pores > 0
    assert (np.diff(seen[:, cloth], axis=0) < 1e-12).all()
    assert (seen[0, cloth] - seen[2, cloth]).max() > 0.01
    np.testing.assert_array_equal(seen[0, ~cloth], seen[2, ~cloth])
    fast, wandering = (with_film(stack, one, 16.0) for one in states[:2])
    np.testing.assert_allclose(wandering, fast, atol=1e-3)


def test_film_in_um():
    """25 cm3/m2, 65 % transferred: 16.25 um; then a flashed stroke at 85 %, and 40 % solids."""
    stack, _, _ = random_job(10)
    stack = replace(
        stack,
        volume=np.full(N, 25.0),
        stencil_um=np.zeros(N),
        log_solids=np.tile(np.log([1.0, 1.0, 0.4]), N)[:N],
        strokes=np.tile([1.0, 2.0, 2.0], N)[:N],
        flashes=np.tile([0.0, 1.0, 1.0], N)[:N],
    )
    constants = constants_with(
        log_transfer=np.log(0.65), mesh_slope=0.0, flash_gain_logit=np.log(0.85 / 0.15)
    )
    top, _ = print_model.film_um(stack, constants, print_model.no_shift(N))
    np.testing.assert_allclose(top[:3], 16.25 * np.array([1.0, 1.85, 0.74]))


def test_a_stencil_builds_up_the_film_of_its_own_screen():
    """Wet thickness is that of the mesh plus the stencil's build (thick-film form, micrasem.com);
    an underbase goes through another screen."""
    stack, state, _ = random_job(10)
    zero = print_model.no_shift(N)
    more = stack.stencil_um + 10.0
    top, base = print_model.film_um(stack, state.constants, zero)
    thick, same = print_model.film_um(replace(stack, stencil_um=more), state.constants, zero)
    assert (thick > 1.02 * top).all()
    np.testing.assert_array_equal(same, base)
    same, thick = print_model.film_um(replace(stack, base_stencil_um=more), state.constants, zero)
    assert (thick > 1.02 * base)[stack.base >= 0].all()
    np.testing.assert_array_equal(same, top)


def test_films_multiply():
    """Twice the solids, twice the film; a flashed stroke adds more than a wet one."""
    stack, state, _ = random_job(10)
    zero = print_model.no_shift(N)
    top, base = print_model.film_um(stack, state.constants, zero)
    twice = replace(stack, log_solids=stack.log_solids + np.log(2))
    np.testing.assert_allclose(print_model.film_um(twice, state.constants, zero)[0], 2 * top)
    assert (base[stack.base < 0] == 0).all() and (base[stack.base >= 0] > 0).all()
    one, wet, flashed = (
        print_model.film_um(
            replace(stack, strokes=np.full(N, s), flashes=np.full(N, f)), state.constants, zero
        )[0]
        for s, f in ((1.0, 0.0), (2.0, 0.0), (2.0, 1.0))
    )
    assert (one < wet).all() and (wet < flashed).all()


@pytest.mark.parametrize("log_film", [-50.0, 0.0, 50.0])
@pytest.mark.parametrize("log_ks", [-16.0, 4.0])
def test_no_overflow_for_extreme_inks_and_films(log_film, log_ks):
    stack, state, _ = random_job(11)
    for log_k, log_s in ((log_ks, 0.0), (-5.0, log_ks), (log_ks, log_ks)):
        flat = State(state.constants, np.full((2 * N, 31), log_k), np.full((2 * N, 31), log_s))
        with np.errstate(over="raise", invalid="raise", divide="raise"):
            r = with_film(stack, flat, log_film)
            t = print_model.tangents(stack, flat, print_model.no_shift(N) + log_film / 10, D50)
        assert ((r >= 0) & (r <= 1.1)).all()
        assert all(np.isfinite(part).all() for part in t)
        assert np.isfinite(lab_from_reflectance(r, D50)).all()
