"""The Gaussian process solved in its features, against the same sums done the plain way.

Plain means dense: every covariance written out, one multivariate normal (SciPy), one GP of
scikit-learn, and the worked examples of datasets/published/gp_regression_worked.csv.
"""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.stats import multivariate_normal, norm
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import RBF, ConstantKernel

from learn.fit import hyperparameters as hypers
from learn.gp import leave_out, posterior
from learn.gp.design_matrix import Phi
from learn.gp.posterior import Block, Design, Hyper
from learn.gp.terms import FittedTerm, Term
from tests.published import table

N, SIZES = 14, (3, 4, 2)
JOB = np.array([0, 0, 0, 1, 2, 2, 3, 3, 3, 4, 1, 2, 4, 0])
# Two inks: jobs 0 and 3 with one, the others with the other.
INK = np.isin(JOB, [0, 3]).astype(int)


def small_problem(seed: int = 0, scaled: bool = True) -> tuple[Design, Hyper]:
    """14 prints of 5 jobs in 2 inks, which have columns in common and of their own; a block
    without remainder, one along a vector, one free."""
    rng = np.random.default_rng(seed)
    ends = np.cumsum(SIZES)
    blocks = [
        Block(name, slice(end - size, end), direction, remainder)
        for name, size, end, direction, remainder in zip(
            ["constants", "film", "free"],
            SIZES,
            ends,
            [None, 0, 2],
            [None, rng.uniform(0, 1, N), rng.uniform(0, 1, N)],
            strict=True,
        )
    ]
    directions = rng.normal(size=(N, 2, 3))
    phi = rng.normal(size=(N, 3, ends[-1]))
    for ink, others in ((0, [1, 4, 8]), (1, [0, 5])):
        phi[np.ix_(ink == INK, [0, 1, 2], others)] = 0.0
    design = Design(
        phi=Phi.of(phi, INK),
        y=rng.normal(size=(N, 3)) * 2,
        blocks=blocks,
        directions=directions,
        instrument=rng.uniform(0.05, 0.2, N),
        job=JOB,
        job_directions=directions[:, :2],
        noise_scale=rng.uniform(1, 3, N) if scaled else np.zeros(0),
    )
    hyper = Hyper(
        block=rng.normal(-0.3, 0.3, 3), noise=rng.normal(-1, 0.3, 3), job=rng.normal(-1, 0.3, 2)
    )
    return design, hyper


def dense(design: Design, hyper: Hyper) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Prior of the weights (p, p), of good prints' noise and of the noise as weighted (3n, 3n)."""
    n, p = design.phi.n, design.phi.p
    prior = np.zeros((p, p))
    for block, log_sd in zip(design.blocks, hyper.block, strict=True):
        for column in range(block.columns.start, block.columns.stop):
            prior[column, column] = np.exp(log_sd) ** 2
    good, weighted = np.zeros((3 * n, 3 * n)), np.zeros((3 * n, 3 * n))
    free = design.directions.shape[1]
    for i in range(n):
        own = (design.instrument[i] + np.exp(hyper.noise[free]) ** 2) * np.eye(3)
        for d in range(free):
            u = design.directions[i, d]
            own += np.exp(hyper.noise[d]) ** 2 * np.outer(u, u)
        for block, log_sd in zip(design.blocks, hyper.block, strict=True):
            if block.remainder is not None:
                u = design.directions[i, block.direction] if block.direction < free else None
                along = np.eye(3) if u is None else np.outer(u, u)
                own += np.exp(log_sd) ** 2 * block.remainder[i] * along
        at = slice(3 * i, 3 * i + 3)
        good[at, at] += own
        weighted[at, at] += own * (design.noise_scale[i] if len(design.noise_scale) else 1)
    for i in range(n):
        for j in range(n):
            if design.job[i] == design.job[j]:
                for r, log_sd in enumerate(hyper.job):
                    shared = np.outer(design.job_directions[i, r], design.job_directions[j, r])
                    for noise in (good, weighted):
                        noise[3 * i : 3 * i + 3, 3 * j : 3 * j + 3] += np.exp(log_sd) ** 2 * shared
    return prior, good, weighted


@pytest.mark.parametrize("scaled", [True, False])
def test_weights_and_likelihood_by_dense_algebra(scaled):
    """Rasmussen & Williams 2006, section 2.1.2; SciPy's multivariate normal."""
    design, hyper = small_problem(1, scaled)
    prior, _, noise = dense(design, hyper)
    flat = design.phi.dense().reshape(3 * N, -1)
    sigma = flat @ prior @ flat.T + noise
    gain = prior @ flat.T @ np.linalg.inv(sigma)
    post = posterior.posterior(design, hyper)
    np.testing.assert_allclose(post.mean, gain @ design.y.ravel(), rtol=1e-9)
    covariance = prior - gain @ flat @ prior
    np.testing.assert_allclose(post.covariance, covariance, atol=1e-10)
    likelihood = multivariate_normal(cov=sigma).logpdf(design.y.ravel())
    assert post.log_evidence == pytest.approx(likelihood, rel=1e-11)
    assert posterior.evidence(design, hyper)[0] == pytest.approx(likelihood, rel=1e-11)

    new = np.random.default_rng(2).normal(size=(5, 3, flat.shape[1]))
    mean, cov = posterior.predict(Phi.of(new), post)
    np.testing.assert_allclose(mean, new @ gain @ design.y.ravel(), rtol=1e-9)
    np.testing.assert_allclose(cov, new @ covariance @ new.transpose(0, 2, 1), atol=1e-10)

    w, error = np.linspace(-1, 1, flat.shape[1]), design.y - 0.3
    misfit = error.ravel() @ np.linalg.solve(noise, error.ravel())
    misfit += w @ np.linalg.solve(prior, w)
    assert posterior.penalised_misfit(design, hyper, error, w) == pytest.approx(misfit, rel=1e-10)


def test_noise_with_and_without_what_features_miss():
    design, hyper = small_problem(3, scaled=False)
    _, good, _ = dense(design, replace(hyper, job=np.full(2, -50.0)))
    at = np.arange(N)
    own = good.reshape(N, 3, N, 3)[at, :, at, :]
    np.testing.assert_allclose(posterior.noise_blocks(design, hyper), own, rtol=1e-12)
    # nothing missed: remainders of zero
    carried = [replace(b, remainder=None) for b in design.blocks]
    bare = posterior.noise_blocks(replace(design, blocks=carried), hyper)
    np.testing.assert_array_equal(posterior.own_noise(design, hyper), bare)
    assert (np.linalg.eigvalsh(own - bare) > -1e-12).all()


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_gradient_against_finite_differences(seed):
    design, hyper = small_problem(seed)
    _, gradient = posterior.evidence(design, hyper)
    analytic = np.concatenate([gradient.block, gradient.noise, gradient.job])
    x, step = hyper.vector(), 1e-5

    def slope(value) -> float:
        return (value(step) - value(-step)) / (2 * step)

    for k, axis in enumerate(np.eye(len(x))):

        def at_hyper(h: float, axis=axis) -> float:
            return posterior.evidence(design, hyper.of(x + h * axis))[0]

        assert analytic[k] == pytest.approx(slope(at_hyper), rel=1e-6, abs=1e-6)
    rng = np.random.default_rng(seed)
    for _ in range(30):
        part = rng.integers(2)
        values = design.phi.parts[part].matrix
        at = tuple(rng.integers(s) for s in values.shape)

        def moved(h: float, values=values, at=at) -> float:
            was, values[at] = values[at], values[at] + h
            value = posterior.evidence(design, hyper)[0]
            values[at] = was
            return value

        assert gradient.phi[part][at] == pytest.approx(slope(moved), rel=1e-5, abs=1e-6)
    for b in (1, 2):
        for i in range(N):

            def missed(h: float, b=b, i=i) -> float:
                blocks = list(design.blocks)
                rest = blocks[b].remainder.copy()
                rest[i] += h
                blocks[b] = replace(blocks[b], remainder=rest)
                return posterior.evidence(replace(design, blocks=blocks), hyper)[0]

            by_rest = np.exp(2 * hyper.block[b]) * gradient.along[i, design.blocks[b].direction]
            assert by_rest == pytest.approx(slope(missed), rel=1e-5, abs=1e-6)


@pytest.mark.parametrize("groups", ["jobs", "whole jobs together", "single prints", "all in one"])
@pytest.mark.parametrize("by", ["predictions", "precision"])
@pytest.mark.parametrize("scaled", [True, False])
def test_leaving_groups_out_is_fitting_without_them(groups, by, scaled, monkeypatch):
    """Rasmussen & Williams 2006, section 5.4.2, against every group refitted without."""
    design, hyper = small_problem(4, scaled)
    group = {
        "jobs": design.job,
        "whole jobs together": design.job // 2,
        "single prints": np.arange(N),
        "all in one": np.zeros(N, int),
    }[groups]
    monkeypatch.setattr(leave_out, "SMALL_SHARE", 99.0 if by == "predictions" else 0.0)
    left = leave_out.leave_groups_out(design, hyper, posterior.posterior(design, hyper), group)
    prior, good, noise = dense(design, hyper)
    flat, y = design.phi.dense().reshape(3 * N, -1), design.y.ravel()
    for g in np.unique(group):
        own = np.repeat(group == g, 3)
        rest = ~own
        sigma = flat[rest] @ prior @ flat[rest].T + noise[np.ix_(rest, rest)]
        gain = flat[own] @ prior @ flat[rest].T @ np.linalg.inv(sigma)
        np.testing.assert_allclose(left.mean[group == g].ravel(), gain @ y[rest], atol=1e-5)
        wide = flat[own] @ prior @ flat[own].T - gain @ flat[rest] @ prior @ flat[own].T
        wide = wide + good[np.ix_(own, own)]
        k, at = own.sum() // 3, np.arange(own.sum() // 3)
        blocks = wide.reshape(k, 3, k, 3)[at, :, at, :]
        np.testing.assert_allclose(left.covariance[group == g], blocks, rtol=1e-4, atol=1e-6)


def test_leaving_one_print_out_keeps_the_rest_of_its_job():
    """Against the multivariate normal of all prints, conditioned on all but one."""
    design, hyper = small_problem(7)
    prior, good, noise = dense(design, hyper)
    flat, y = design.phi.dense().reshape(3 * N, -1), design.y.ravel()
    sigma = flat @ prior @ flat.T + noise
    _, error, covariance = posterior.leave_one_out(design, hyper)
    for i in range(N):
        own = np.arange(3 * i, 3 * i + 3)
        rest = np.setdiff1d(np.arange(3 * N), own)
        gain = sigma[np.ix_(own, rest)] @ np.linalg.inv(sigma[np.ix_(rest, rest)])
        np.testing.assert_allclose(error[i], y[own] - gain @ y[rest], atol=1e-9)
        wide = sigma[np.ix_(own, own)] - gain @ sigma[np.ix_(rest, own)]
        wide += (good - noise)[np.ix_(own, own)]
        np.testing.assert_allclose(covariance[i], wide, atol=1e-9)


def test_a_batch_added_later_is_all_learnt_at_once():
    design, hyper = small_problem(8, scaled=False)
    first = np.isin(JOB, [0, 1, 4])
    post = posterior.posterior(design.take(first), hyper)
    post = posterior.updated(post, design.take(~first), hyper)
    at_once = posterior.posterior(design, hyper)
    np.testing.assert_allclose(post.mean, at_once.mean, atol=1e-10)
    np.testing.assert_allclose(post.covariance, at_once.covariance, atol=1e-10)


def single_channel(phi: np.ndarray, y: np.ndarray, variance: float) -> tuple[Design, Hyper]:
    """Scalar regression as a design: the two other channels say nothing."""
    n, p = phi.shape
    wide = np.zeros((n, 3, p))
    wide[:, 0] = phi
    design = Design(
        phi=Phi.of(wide),
        y=np.column_stack([y, np.zeros((n, 2))]),
        blocks=[Block("smooth", slice(0, p))],
        directions=np.zeros((n, 0, 3)),
        instrument=np.full(n, variance),
        job=np.arange(n),
        job_directions=np.zeros((n, 0, 3)),
    )
    return design, Hyper(np.zeros(1), np.array([-40.0]), np.zeros(0))


@pytest.mark.parametrize("case", ["A", "B", "C"])
def test_worked_examples(case):
    """gp_regression_worked.csv, 30-digit arithmetic of Algorithm 2.1; C after Ebden 2008.

    Features are the exact root of the RBF gram over training and test points.
    """
    rows = table("gp_regression_worked")
    rows = rows[rows["case"] == case]
    first = rows.iloc[0]
    x = np.array(str(first["x_train"]).split(";"), float)
    y = np.array(str(first["y_train"]).split(";"), float)
    points = np.concatenate([x, rows["x_star"]])
    gram = first["sigma_f"] ** 2 * np.exp(
        -0.5 * ((points[:, None] - points) / first["length"]) ** 2
    )
    values, vectors = np.linalg.eigh(gram)
    root = vectors * np.sqrt(np.maximum(values, 0))
    # case B is free of noise, which no program that inverts it can be
    variance = max(first["sigma_n"] ** 2, 1e-9)
    tolerance = {"atol": 1e-6, "rtol": 1e-6} if case == "B" else {"atol": 2e-12, "rtol": 1e-10}
    design, hyper = single_channel(root[: len(x)], y, variance)
    post = posterior.posterior(design, hyper)
    new = np.zeros((len(rows), 3, root.shape[1]))
    new[:, 0] = root[len(x) :]
    mean, cov = posterior.predict(Phi.of(new), post)
    np.testing.assert_allclose(mean[:, 0], rows["mean"], **tolerance)
    np.testing.assert_allclose(cov[:, 0, 0], rows["var_latent"], **tolerance)
    if case != "B":
        np.testing.assert_allclose(cov[:, 0, 0] + variance, rows["var_observed"], **tolerance)
    silent = 2 * len(x) * norm(scale=np.sqrt(variance)).logpdf(0)
    likelihood = first["log_marginal_likelihood"]
    assert post.log_evidence - silent == pytest.approx(
        likelihood, abs=2e-6 if case == "B" else 2e-9
    )


def test_scikit_learn_agrees_on_the_shared_special_case():
    """One smooth term, an inducing point at every print: an ordinary GP in L, a and b."""
    rng = np.random.default_rng(5)
    x, sd, noise, length = np.sort(rng.uniform(-3, 3, 25)), 0.8, 0.3, 1.3
    y = np.column_stack([np.sin(x), np.cos(2 * x), x / 3]) + rng.normal(0, noise, (25, 3))
    X = pd.DataFrame({"day": x})
    term = FittedTerm.of(Term("free: day", "free", sd, smooth=("day",), points=50), X)
    size = term.size
    assert size == 25

    def free(psi: np.ndarray) -> np.ndarray:
        phi = np.zeros((len(psi), 3, 3 * size))
        for c in range(3):
            phi[:, c, c * size : (c + 1) * size] = psi
        return phi

    def problem(log_length: float) -> Design:
        psi, rest = term.features(X, np.array([log_length]))
        return Design(
            phi=Phi.of(free(psi)),
            y=y,
            blocks=[Block("free: day", slice(0, 3 * size), 0, rest)],
            directions=np.zeros((25, 0, 3)),
            instrument=np.zeros(25),
            job=np.arange(25),
            job_directions=np.zeros((25, 0, 3)),
        )

    hyper = Hyper(np.log([sd]), np.log([noise]), np.zeros(0))
    design = problem(np.log(length))
    value, gradient = posterior.evidence(design, hyper)
    post = posterior.posterior(design, hyper)
    at = pd.DataFrame({"day": [-9.0, -2.9, -1.234, 0.0, 0.77, 2.2, 4.0]})
    psi, rest = term.features(at, np.log([length]))
    mean, cov = posterior.predict(Phi.of(free(psi)), post)
    cov = cov + sd**2 * rest[:, None, None] * np.eye(3)

    log_likelihood, slopes = 0.0, np.zeros(2)
    for c in range(3):
        kernel = ConstantKernel(sd**2) * RBF(length)
        engine = GaussianProcessRegressor(kernel, alpha=noise**2, optimizer=None)
        engine.fit(x[:, None], y[:, c])
        ours, theirs = np.sqrt(cov[:, c, c]), engine.predict(at.to_numpy(), return_std=True)
        # our gram carries a ridge of 1e-6, which shows far outside
        np.testing.assert_allclose(mean[:, c], theirs[0], atol=1e-3)
        np.testing.assert_allclose(ours, theirs[1], atol=1e-3)
        theta = engine.kernel_.theta
        more, by_theta = engine.log_marginal_likelihood(theta, eval_gradient=True)
        log_likelihood, slopes = log_likelihood + more, slopes + by_theta
    assert value == pytest.approx(log_likelihood, abs=2e-3)
    assert gradient.block[0] == pytest.approx(2 * slopes[0], abs=5e-3)  # theta is log variance
    step = 1e-4
    wider, narrower = (term.features(X, np.array([np.log(length) + h])) for h in (step, -step))
    by_length = (gradient.phi[0] * free(wider[0] - narrower[0])).sum() / (2 * step)
    by_length += sd**2 * gradient.along[:, 0] @ (wider[1] - narrower[1]) / (2 * step)
    assert by_length == pytest.approx(slopes[1], abs=1e-2)


def test_bands_hold_what_they_say_of_data_from_the_model():
    """coverage90_binomial_bands.csv: 1,000 new prints of jobs not seen, drawn from the prior."""
    rng = np.random.default_rng(6)
    design, hyper = small_problem(6, scaled=False)
    prior, _, noise = dense(design, hyper)
    # the last job is what comes next; the others were printed
    past, new = design.take(design.job < 4), design.take(design.job == 4)
    old = np.repeat(design.job < 4, 3)
    root = np.linalg.cholesky(noise)
    flat = design.phi.dense().reshape(3 * N, -1)
    shared = np.einsum(
        "nri,r,nrj->nij", new.job_directions, np.exp(2 * hyper.job), new.job_directions
    )
    own = posterior.noise_blocks(new, hyper) + shared
    inside, by_left_out = [], []
    for _ in range(1000):
        w = np.sqrt(np.diag(prior)) * rng.standard_normal(len(prior))
        y = flat @ w + root @ rng.standard_normal(3 * N)
        seen = replace(past, y=y[old].reshape(-1, 3))
        post = posterior.posterior(seen, hyper)
        mean, cov = posterior.predict(new.phi, post)
        z = (y[~old].reshape(-1, 3) - mean) / np.sqrt(np.einsum("nii->ni", cov + own))
        inside.append(abs(z[0, 0]) <= norm.ppf(0.95))
        left = leave_out.leave_groups_out(seen, hyper, post, seen.job)
        z = (seen.y - left.mean) / np.sqrt(np.einsum("nii->ni", left.covariance))
        by_left_out.append(abs(z[0, 0]) <= norm.ppf(0.95))
    band = table("coverage90_binomial_bands").set_index("n_test").loc[1000]
    for held in (inside, by_left_out):
        assert band["accept_low_95pct_count"] <= sum(held) <= band["accept_high_95pct_count"]


def test_hyper_parameters_of_a_known_optimum():
    """Quadratic evidence and Gaussian priors: the product of Gaussians, in closed form."""
    peak, width = np.array([0.5, -1.0, 2.0]), np.array([0.2, 0.5, 1.0])
    median, spread = np.array([0.0, 0.0, 1.7]), np.array([0.4, 0.3, 0.0])

    def evidence(x: np.ndarray) -> tuple[float, np.ndarray]:
        away = (x - peak) / width
        return -0.5 * away @ away, -away / width

    found = hypers.maximise(evidence, median.copy(), median, spread, 50)
    trust = np.where(spread > 0, spread, 1.0) ** 2 / (width**2 + spread**2)
    expected = np.where(spread > 0, median + trust * (peak - median), median)
    assert found.converged
    assert found.steepest < 1e-2
    np.testing.assert_allclose(found.at, expected, atol=1e-3)
