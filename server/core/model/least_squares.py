"""Ordinary least squares, on which the certified data sets are checked."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import linalg

from server.core.space.variables import FloatArray
from server.errors import NotReadyError


@dataclass(frozen=True)
class LeastSquares:
    """An ordinary least-squares fit; arrays of shape (n_terms,)."""

    coefficients: FloatArray
    standard_errors: FloatArray
    residual_sd: float
    residual_sum_of_squares: float
    degrees_of_freedom: int
    r_squared: float


def fit_least_squares(design: FloatArray, response: FloatArray) -> LeastSquares:
    """Fit response = design · coefficients by a pivoted QR decomposition.

    Parameters
    ----------
    design : ndarray of shape (n_runs, n_terms)
        Include a column of ones for a constant.
    response : ndarray of shape (n_runs,)

    Returns
    -------
    fit : LeastSquares
        R² is about the mean of the response.

    Raises
    ------
    NotReadyError
        If there are not more runs than terms, or terms are linearly dependent.

    Notes
    -----
    Columns are scaled to unit length first; one step of iterative refinement
    recovers digits lost to ill-conditioning. Source: Björck, Numerical Methods
    for Least Squares Problems, SIAM 1996, sec. 2.9 (from memory).
    """
    n, p = design.shape
    if n <= p:
        raise NotReadyError(f"A fit of {p} terms needs at least {p + 1} runs; there are {n}.", have=n, need=p + 1)
    scale = np.linalg.norm(design, axis=0)
    if np.any(scale == 0.0):
        raise NotReadyError("A term is zero in all runs, so its coefficient cannot be found.", have=p - 1, need=p)
    scaled = design / scale
    q, r, pivots = linalg.qr(scaled, mode="economic", pivoting=True)
    diagonal = np.abs(np.diag(r))
    rank = int(np.sum(diagonal > diagonal[0] * n * np.finfo(float).eps))
    if rank < p:
        raise NotReadyError(f"Only {rank} of {p} terms can be told apart with these runs.", have=rank, need=p)
    beta = np.zeros(p)
    for _ in range(2):
        residual = response - scaled @ beta
        beta[pivots] += linalg.solve_triangular(r, q.T @ residual)
    residual = response - scaled @ beta
    rss = float(residual @ residual)
    dof = n - p
    r_inverse = linalg.solve_triangular(r, np.eye(p))
    variance = np.empty(p)
    variance[pivots] = np.sum(r_inverse**2, axis=1)
    sd = float(np.sqrt(rss / dof))
    total = float(np.sum((response - response.mean()) ** 2))
    return LeastSquares(beta / scale, sd * np.sqrt(variance) / scale, sd, rss, dof, 1.0 - rss / total if total > 0 else 0.0)
