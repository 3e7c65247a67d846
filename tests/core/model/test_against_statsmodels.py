"""The shrunk models against statsmodels: the same posterior, reached by weighted least squares on augmented data.

A normal prior N(0, s²) on a coefficient is one more observation 'coefficient = 0' with
standard deviation s, so ordinary weighted least squares with a known scale gives the
posterior mean and covariance. Source: Gelman et al., Bayesian Data Analysis (3rd ed.),
section 14.8, 'Including numerical prior information' (section number from memory).
"""

from itertools import combinations

import numpy as np
import pytest
import statsmodels.api as sm

from server.core.model.kernels import PRIOR_MEAN, PRIOR_MEAN_SD, Columns, PolynomialKernel
from server.core.model.mixture import Conditioned, factorise
from server.core.space.variables import FloatArray, Role, Stage, Variable

NOISE = 2.5
SLOPE, PAIR, SQUARE = 12.0, 6.0, 6.0


def number(key: str) -> Variable:
    return Variable(key=key, name=key, role=Role.OTHER, unit="", stage=Stage.REACTION, low=0.0, high=1.0, base=0.5)


VARIABLES = (number("a"), number("b"), number("c"))


def terms(x: FloatArray, name: str) -> tuple[FloatArray, list[float]]:
    """Model matrix, intercept first, and the prior standard deviation of every coefficient."""
    z = 2.0 * x - 1.0
    columns, sds = [np.ones(len(x)), *z.T], [PRIOR_MEAN_SD, *[SLOPE] * x.shape[1]]
    if name != "line":
        for i, j in combinations(range(x.shape[1]), 2):
            columns.append(z[:, i] * z[:, j])
            sds.append(PAIR)
    if name == "quadratic":
        for j in range(x.shape[1]):
            columns.append((3 * z[:, j] ** 2 - 1) / 2)
            sds.append(SQUARE)
    return np.column_stack(columns), sds


@pytest.mark.parametrize("name", ["line", "pairs", "quadratic"])
@pytest.mark.parametrize("n_runs", [2, 5, 30])
def test_posterior_mean_and_variance_agree(name: str, n_runs: int) -> None:
    rng = np.random.default_rng(n_runs)
    x = rng.random((n_runs, 3))
    y = 60 + 10 * x[:, 0] - 8 * x[:, 1] ** 2 + 2.0 * rng.standard_normal(n_runs)
    new = rng.random((7, 3))

    matrix, sds = terms(x, name)
    augmented = np.vstack([matrix, np.eye(len(sds))])
    observed = np.concatenate([y - PRIOR_MEAN, np.zeros(len(sds))])
    weights = 1.0 / np.concatenate([np.full(n_runs, NOISE**2), np.square(sds)])
    reference = sm.WLS(observed, augmented, weights=weights).fit(cov_type="fixed scale", cov_kwds={"scale": 1.0})
    at = terms(new, name)[0]
    mean = PRIOR_MEAN + at @ reference.params
    variance = np.einsum("ij,jk,ik->i", at, reference.cov_params(), at)

    kernel = PolynomialKernel(
        Columns.of(VARIABLES), SLOPE, PAIR if name != "line" else 0.0, SQUARE if name == "quadratic" else 0.0
    )
    lower = factorise(kernel, x, np.full(n_runs, NOISE**2))
    ours = Conditioned(np.ones(1), lambda p: np.full((1, len(p)), PRIOR_MEAN), kernel, x, (y - PRIOR_MEAN)[None], lower, NOISE**2)
    our_mean, our_variance = ours.moments(new)
    np.testing.assert_allclose(our_mean[0], mean, rtol=1e-5)
    np.testing.assert_allclose(our_variance, variance, rtol=1e-4)
