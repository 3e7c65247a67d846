"""Gaussian-process arithmetic against closed forms and scikit-learn."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import linalg, special, stats
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import ConstantKernel, Matern

from server.core.model.kernels import Columns, PolynomialKernel, SmoothKernel
from server.core.model.mixture import Conditioned, Family, Mixture, factorise, log_likelihood
from server.core.model.runs import RunTable
from tests.factories import bath, hold

COLUMNS = Columns((0, 1), (), ())
VARIABLES = (hold(), bath())
KERNEL = SmoothKernel(COLUMNS, 10.0, (0.5, 1.2), constant=0.0)


def conditioned(x: np.ndarray, y: np.ndarray, noise: float) -> Conditioned:
    lower = factorise(KERNEL, x, np.full(len(x), noise**2))
    return Conditioned(np.array([1.0]), lambda p: np.zeros((1, len(p))), KERNEL, x, y[None, :], lower, noise**2)


@pytest.fixture
def data() -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(3)
    x = rng.random((9, 2))
    return x, 10 * np.sin(4 * x[:, 0]) + rng.normal(size=9)


def test_predictions_equal_scikit_learn(data: tuple[np.ndarray, np.ndarray]) -> None:
    x, y = data
    kernel = ConstantKernel(100.0, "fixed") * Matern([0.5, 1.2], "fixed", nu=2.5)
    reference = GaussianProcessRegressor(kernel, alpha=4.0 + 1e-6, optimizer=None).fit(x, y)
    points = np.random.default_rng(4).random((20, 2))
    mean, sd = reference.predict(points, return_std=True)
    own_mean, own_variance = conditioned(x, y, 2.0).moments(points)
    np.testing.assert_allclose(own_mean[0], mean, rtol=1e-8, atol=1e-8)
    np.testing.assert_allclose(np.sqrt(own_variance), sd, rtol=1e-6)


def test_log_likelihood_equals_scikit_learn(data: tuple[np.ndarray, np.ndarray]) -> None:
    x, y = data
    kernel = ConstantKernel(100.0, "fixed") * Matern([0.5, 1.2], "fixed", nu=2.5)
    reference = GaussianProcessRegressor(kernel, alpha=4.0 + 1e-6, optimizer=None).fit(x, y)
    lower = factorise(KERNEL, x, np.full(9, 4.0))
    assert log_likelihood(lower, y[None, :])[0] == pytest.approx(reference.log_marginal_likelihood_value_)


def test_one_run_gives_the_closed_form() -> None:
    # μ = a² y / (a² + s²), σ² = a² s² / (a² + s²) at the run itself.
    x, y = np.array([[0.3, 0.4]]), np.array([8.0])
    mean, variance = conditioned(x, y, 3.0).moments(x)
    assert mean[0, 0] == pytest.approx(100 * 8 / 109, rel=1e-6)
    assert variance[0] == pytest.approx(100 * 9 / 109, rel=1e-6)


def test_difference_equals_the_difference_of_means_and_knows_the_covariance(data: tuple[np.ndarray, np.ndarray]) -> None:
    x, y = data
    process = conditioned(x, y, 2.0)
    points = np.random.default_rng(5).random((6, 2))
    mean, variance = process.difference(points[:1], points)
    moments = process.moments(points)[0][0]
    np.testing.assert_allclose(mean[0], moments - moments[0], atol=1e-9)
    assert variance[0] < 1e-9  # a point against itself
    pairwise = process.difference(np.repeat(points[:1], 6, axis=0), points)
    np.testing.assert_allclose(pairwise[1], variance, atol=1e-9)


def test_leave_one_out_equals_really_leaving_out(data: tuple[np.ndarray, np.ndarray]) -> None:
    x, y = data
    family = Family("smooth", (conditioned(x, y, 2.0),))
    left_out = family.leave_one_out(y)
    for i in range(len(y)):
        keep = np.arange(len(y)) != i
        mean, variance = conditioned(x[keep], y[keep], 2.0).moments(x[i : i + 1])
        assert left_out.mean[i] == pytest.approx(mean[0, 0], abs=1e-4)
        assert left_out.sd[i] == pytest.approx(np.sqrt(variance[0] + 4.0), rel=1e-5)
        density = stats.norm.logpdf(y[i], left_out.mean[i], left_out.sd[i])
        assert left_out.log_density[i] == pytest.approx(density)


def test_leaving_blocks_out_equals_really_leaving_out(data: tuple[np.ndarray, np.ndarray]) -> None:
    # Two kinds of noise with equal prior weight: their weights without a block come from the rest alone.
    x, y = data
    noises = (1.0, 4.0)

    def posterior(rows: np.ndarray) -> np.ndarray:
        residuals = y[None, rows]
        logs = [log_likelihood(factorise(KERNEL, x[rows], np.full(len(rows), s**2)), residuals)[0] for s in noises]
        return np.asarray(special.softmax(logs))

    everything = np.arange(len(y))
    groups = [replace(conditioned(x, y, s), weights=np.array([w])) for s, w in zip(noises, posterior(everything), strict=True)]
    family = Family("smooth", tuple(groups))
    blocks = [np.array([0]), np.array([2, 0, 3]), np.array([1, 4])]
    found = family.density_without(blocks)
    for block, density in zip(blocks, found, strict=True):
        keep = np.setdiff1d(everything, block)
        parts = []
        for s in noises:
            mean, variance = conditioned(x[keep], y[keep], s).moments(x[block[:1]])
            parts.append(stats.norm.logpdf(y[block[0]], mean[0, 0], np.sqrt(variance[0] + s**2)))
        assert density == pytest.approx(special.logsumexp(np.log(posterior(keep)) + parts), abs=1e-4)


def test_mixture_moments_and_quantiles() -> None:
    # Two normals, weights 0.3 and 0.7: mean 7, variance 0.3·1 + 0.7·4 + 0.3·0.7·10² = 24.1.
    mixture = Mixture(np.array([0.3, 0.7]), np.array([[0.0], [10.0]]), np.array([[1.0], [4.0]]))
    assert mixture.mean[0] == pytest.approx(7.0)
    assert mixture.variance[0] == pytest.approx(24.1)
    for p in (0.05, 0.25, 0.5, 0.95):
        q = mixture.quantile(p)[0]
        assert 0.3 * stats.norm.cdf(q) + 0.7 * stats.norm.cdf(q, 10, 2) == pytest.approx(p, abs=1e-6)
    assert mixture.probability_above(5.0)[0] == pytest.approx(0.7 * stats.norm.sf(5, 10, 2), abs=1e-5)


@pytest.mark.parametrize(
    "kernel", [KERNEL, PolynomialKernel(COLUMNS, 12.0, 6.0, 5.0), PolynomialKernel(Columns((0,), (1,), (3,)), 8.0, 4.0, 3.0)]
)
def test_the_diagonal_is_the_diagonal(kernel: SmoothKernel | PolynomialKernel) -> None:
    points = np.column_stack([np.linspace(-0.2, 1.2, 7), np.array([0, 1, 2, 0, 1, 2, 1])])
    np.testing.assert_allclose(kernel.diagonal(points), np.diag(kernel(points, points)))


def test_the_mean_of_a_cut_value_agrees_with_drawn_ones() -> None:
    mixture = Mixture(np.array([0.3, 0.7]), np.array([[97.0, 3.0], [108.0, -4.0]]), np.array([[25.0, 16.0], [100.0, 4.0]]))
    rng = np.random.default_rng(1)
    first = rng.random(400_000) < 0.3
    for k in range(2):
        drawn = np.where(
            first,
            rng.normal(mixture.means[0, k], np.sqrt(mixture.variances[0, k]), 400_000),
            rng.normal(mixture.means[1, k], np.sqrt(mixture.variances[1, k]), 400_000),
        )
        assert mixture.mean_between(0.0, 100.0)[k] == pytest.approx(np.clip(drawn, 0.0, 100.0).mean(), abs=0.03)
    assert np.all(mixture.mean_between(-1e4, 1e4) == pytest.approx(mixture.mean))


def test_rows_that_carry_the_error_of_a_run_add_no_second_measurement() -> None:
    # Run 1 gave 60 with an error of 3; from it follows 30 at another setting, exactly half. Worked by hand: the difference
    # is known without that error, and so is nothing more of the yield itself.
    x = np.array([[0.5, 0.5], [0.4, 0.5]])
    table = RunTable(VARIABLES, x, np.array([60.0, 30.0]), np.array([0.0, 0.001]), (1, -1))
    np.testing.assert_allclose(table.errors(3.0), [[9.0, 4.5], [4.5, 2.25 + 1e-6]])
    # A run that is hardly known itself makes its row no better known.
    doubtful = RunTable(VARIABLES, x, np.array([60.0, 30.0]), np.array([40.0, 1.0]), (1, -1))
    np.testing.assert_allclose(doubtful.errors(3.0), [[1609.0, 804.5], [804.5, 402.25 + 1.0]])
    own = RunTable(VARIABLES, x, np.array([60.0, 30.0]), np.array([0.0, 0.001]), (1, 0))
    np.testing.assert_allclose(own.errors(3.0), [9.0, 9.0 + 1e-6])
    # Rows that follow from a run that is not there have an error of their own.
    np.testing.assert_allclose(RunTable(VARIABLES, x, np.ones(2), np.zeros(2), (2, -1)).errors(2.0), [4.0, 4.0])


def test_a_followed_run_is_known_no_better_than_it_was_measured() -> None:
    kernel = SmoothKernel(COLUMNS, 20.0, (2.0, 2.0), constant=0.0)
    x = np.array([[0.5, 0.5], [0.45, 0.5], [0.4, 0.5], [0.35, 0.5]])
    y = np.array([60.0, 57.0, 54.0, 51.0])

    def sd(numbers: tuple[int, ...]) -> float:
        table = RunTable(VARIABLES, x, y, np.array([0.0, 1.0, 1.0, 1.0]), numbers)
        lower = factorise(kernel, x, table.errors(4.0))
        to_run = linalg.solve_triangular(lower, kernel(x, x[:1]), lower=True)
        return float(np.sqrt(kernel.diagonal(x[:1]) - np.sum(to_run**2, axis=0))[0])

    alone = float(np.sqrt(1.0 / (1.0 / kernel.diagonal(x[:1])[0] + 1.0 / 16.0)))
    assert sd((1, 0, 0, 0)) < 0.65 * alone
    assert sd((1, -1, -1, -1)) > 0.9 * alone
