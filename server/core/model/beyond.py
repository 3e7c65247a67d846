"""What the settings leave of the yields, and columns fitted to it beside the averaged models.

A forecast without a run leaves more of its yield than the settings do not explain: of two repeats, each one's forecast is
nearly the other one, so both lie off by their whole difference, with opposite signs. Means and slopes of such residuals are
too large, and their scatter is not that of independent runs. Here a column is fitted beside the models' surface instead.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import linalg

from server.core.model.ladder import Ladder
from server.core.model.least_squares import fit_least_squares
from server.core.space.variables import FloatArray


@dataclass(frozen=True)
class Left:
    """Yields minus the averaged mean of the models, with the covariance in which these expect them.

    Attributes
    ----------
    off : ndarray of shape (n_runs,)
        [percentage points]
    covariance : ndarray of shape (n_runs, n_runs)
        Of the surface over the settings and of the errors together. [points²]
    errors : ndarray of shape (n_runs, n_runs)
        Of the errors alone. [points²]
    """

    off: FloatArray
    covariance: FloatArray
    errors: FloatArray

    @classmethod
    def by_settings(cls, ladder: Ladder) -> Left:
        """What the settings leave, rows in the order of ``ladder.table``; averaged over the models that know the runs alone.

        Means that were moved towards the runs, as those of recipes, hold some of a column that went partly along with
        settings: in 60 simulated preparations with settings at random, 6 points between two lots came out as 5.4, and a drift
        of 1 point a run as 0.8.
        """
        table = ladder.table
        parts = [(w * g.weights, g) for w, rung in zip(ladder.weights, ladder.rungs, strict=True) for g in rung.groups]
        mean = sum((w @ (table.yields - g.residuals) for w, g in parts), np.zeros(table.n_runs))
        covariance = np.zeros((table.n_runs, table.n_runs))
        errors = np.zeros_like(covariance)
        for w, g in parts:
            apart = table.yields - g.residuals - mean
            of_errors = table.errors(float(np.sqrt(g.noise_variance)))
            errors += w.sum() * (np.diag(of_errors) if of_errors.ndim == 1 else of_errors)
            covariance += w.sum() * (g.lower @ g.lower.T) + (apart * w[:, None]).T @ apart
        return cls(table.yields - mean, covariance, errors)

    @classmethod
    def independent(cls, values: FloatArray) -> Left:
        """Values, shape (n,), that scatter alike and independently about one mean, as in a textbook."""
        return cls(values, np.eye(len(values)), np.eye(len(values)))

    def rows(self, which: np.ndarray) -> Left:
        """The same of some runs, by position or by yes and no."""
        at = np.arange(len(self.off))[which]
        return Left(self.off[at], self.covariance[np.ix_(at, at)], self.errors[np.ix_(at, at)])


@dataclass(frozen=True)
class Added:
    """Columns fitted to what the settings leave.

    Attributes
    ----------
    coefficients, standard_errors : ndarray of shape (n_columns,)
        [percentage points per unit of the column]
    squares : float
        Weighted sum of squares of what the columns leave. [-]
    scale : float
        Mean square of it: 1 where runs scatter as the models expect. [-]
    dof : float
        Degrees of freedom in which runs tell how far they scatter: those that no surface over the settings could take up.
    error_variance : float
        Of a single run, by the models and the scale. [points²]
    precision : ndarray of shape (n_runs, n_runs)
        P = K⁻¹ − K⁻¹X(XᵀK⁻¹X)⁻¹XᵀK⁻¹ with K the covariance and X the columns. [1/points²]
    """

    coefficients: FloatArray
    standard_errors: FloatArray
    squares: float
    scale: float
    dof: float
    error_variance: float
    precision: FloatArray


def fit_beside(left: Left, columns: FloatArray) -> Added:
    """Fit columns to what the settings leave, by generalised least squares.

    Parameters
    ----------
    columns : ndarray of shape (n_runs, n_columns)
        With a constant among them.

    Raises
    ------
    NotReadyError
        If there are not more runs than columns, or columns are linearly dependent.

    Notes
    -----
    Unbiased whatever the covariance, where the mean does not depend on the runs. The shape of the covariance is that of the
    models, its scale comes from the runs, with tr(PE) degrees of freedom, E the covariance of the errors: for independent
    runs n − n_columns. It is the ordinary fit of what the Cholesky factor of the covariance makes independent.
    Sources: Aitken, Proc. R. Soc. Edinburgh 55 (1935) 42 (generalised least squares); Cressie, Statistics for Spatial Data
    (1993), section 3.4 (columns beside a Gaussian process: universal kriging).
    """
    factor = linalg.cholesky(left.covariance, lower=True, check_finite=False)
    x, y, root = (linalg.solve_triangular(factor, a, lower=True) for a in (columns, left.off, np.eye(len(left.off))))
    fit = fit_least_squares(x, y)
    spanned = np.linalg.qr(x)[0]
    beside = root - spanned @ (spanned.T @ root)
    precision = beside.T @ beside
    dof = max(1.0, float(np.sum(precision * left.errors)))
    squares, scale = fit.residual_sum_of_squares, fit.residual_sd**2
    error_variance = scale * float(np.mean(np.diag(left.errors)))
    return Added(fit.coefficients, fit.standard_errors, squares, scale, dof, error_variance, precision)
