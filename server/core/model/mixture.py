"""Gaussian mixtures: the one form in which every response model answers.

Each model of the ladder is a weighted set of Gaussian processes that share the
runs and differ in mean function, kernel and noise. Conditioned on the runs, the
yield at any settings is then a mixture of normal distributions, in closed form.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from scipy import linalg, special

from server.core.space.variables import FloatArray


class Kernel(Protocol):
    """A covariance function over coded settings."""

    def __call__(self, a: FloatArray, b: FloatArray) -> FloatArray:
        """Return the covariance, shape (len(a), len(b))."""

    def diagonal(self, points: FloatArray) -> FloatArray:
        """Return the variance at every row, shape (len(points),)."""


# means(X) -> one row per component that shares the kernel, shape (n_components, len(X))
Means = Callable[[FloatArray], FloatArray]

_JITTER = 1e-6
_LOG_2PI = float(np.log(2.0 * np.pi))


@dataclass(frozen=True)
class Conditioned:
    """Gaussian processes with a common kernel and noise, conditioned on the runs.

    Attributes
    ----------
    weights : ndarray of shape (n_components,)
    residuals : ndarray of shape (n_components, n_runs)
        Yields minus each component's mean at the runs. [percentage points]
    lower : ndarray of shape (n_runs, n_runs)
        Cholesky factor of kernel + noise at the runs.
    noise_variance : float
        Repeatability variance of a new run. [points²]
    """

    weights: FloatArray
    means: Means
    kernel: Kernel
    coded: FloatArray
    residuals: FloatArray
    lower: FloatArray
    noise_variance: float

    @property
    def n_components(self) -> int:
        return len(self.weights)

    def _solve(self, points: FloatArray) -> FloatArray:
        """Return L⁻¹ k(runs, points), shape (n_runs, n_points)."""
        cross = self.kernel(self.coded, points)
        return np.asarray(linalg.solve_triangular(self.lower, cross, lower=True, check_finite=False))

    def moments(self, points: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return means (n_components, n_points) and the shared variance (n_points,) of the yield without noise."""
        mean = self.means(points)
        prior = self.kernel.diagonal(points)
        if len(self.coded) == 0:
            return mean, prior
        v = self._solve(points)
        white = linalg.solve_triangular(self.lower, self.residuals.T, lower=True, check_finite=False)
        return mean + white.T @ v, np.maximum(prior - np.sum(v * v, axis=0), 1e-9)

    def difference(self, first: FloatArray, second: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return mean (n_components, n_points) and variance (n_points,) of yield(second) − yield(first).

        ``first`` has one row per row of ``second``, or a single row for all.
        """
        mean = self.means(second) - self.means(first)
        if len(first) == 1:
            paired = self.kernel(first, second)[0]
        else:
            paired = np.array([self.kernel(a[None], b[None])[0, 0] for a, b in zip(first, second, strict=True)])
        variance = self.kernel.diagonal(first) + self.kernel.diagonal(second) - 2.0 * paired
        if len(self.coded):
            v = self._solve(second) - self._solve(first)
            white = linalg.solve_triangular(self.lower, self.residuals.T, lower=True, check_finite=False)
            mean = mean + white.T @ v
            variance = variance - np.sum(v * v, axis=0)
        return mean, np.maximum(variance, 1e-12)

    def joint(self, points: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return means (n_components, n_points) and the shared covariance (n_points, n_points), without noise."""
        mean = self.means(points)
        covariance = self.kernel(points, points)
        if len(self.coded):
            v = self._solve(points)
            white = linalg.solve_triangular(self.lower, self.residuals.T, lower=True, check_finite=False)
            mean = mean + white.T @ v
            covariance = covariance - v.T @ v
        return mean, covariance

    def leave_one_out(self) -> tuple[FloatArray, FloatArray]:
        """Return means (n_components, n_runs) and variances (n_runs,) for each run, without that run.

        Notes
        -----
        μᵢ = yᵢ − [K⁻¹r]ᵢ/[K⁻¹]ᵢᵢ and σᵢ² = 1/[K⁻¹]ᵢᵢ.
        Source: Rasmussen & Williams, Gaussian Processes for Machine Learning, eq. 5.12.
        """
        inverse = linalg.cho_solve((self.lower, True), np.eye(len(self.coded)), check_finite=False)
        diagonal = np.diag(inverse)
        # Residual minus its left-out prediction, seen from the component's own mean.
        return self.residuals - (self.residuals @ inverse) / diagonal, 1.0 / diagonal

    def leave_out(self, blocks: Sequence[np.ndarray]) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Predict the first row of each block from the rows outside it.

        Returns
        -------
        missed : ndarray of shape (n_components, n_blocks)
            What the row gave minus its prediction. [percentage points]
        variance : ndarray of shape (n_blocks,)
        log_density : ndarray of shape (n_components, n_blocks)
            Of all rows of a block together.

        Notes
        -----
        With A the block of K⁻¹, y_B misses its prediction by A⁻¹[K⁻¹r]_B, with covariance A⁻¹;
        the single-row case is ``leave_one_out``. From the inverse of a partitioned matrix.
        """
        inverse = linalg.cho_solve((self.lower, True), np.eye(len(self.coded)), check_finite=False)
        whitened = self.residuals @ inverse
        missed = np.empty((self.n_components, len(blocks)))
        variance = np.empty(len(blocks))
        log_density = np.empty((self.n_components, len(blocks)))
        for k, block in enumerate(blocks):
            part = inverse[np.ix_(block, block)]
            lower = linalg.cholesky(part, lower=True, check_finite=False)
            covariance = linalg.cho_solve((lower, True), np.eye(len(block)), check_finite=False)
            own = whitened[:, block]
            missed[:, k] = own @ covariance[:, 0]
            variance[k] = covariance[0, 0]
            square = np.einsum("ij,jk,ik->i", own, covariance, own)
            log_density[:, k] = -0.5 * (square + len(block) * _LOG_2PI) + np.sum(np.log(np.diag(lower)))
        return missed, variance, log_density


def factorise(kernel: Kernel, coded: FloatArray, errors: FloatArray) -> FloatArray:
    """Return the lower Cholesky factor of kernel + errors at the runs, shape (n_runs, n_runs).

    Parameters
    ----------
    errors : ndarray of shape (n_runs,) or (n_runs, n_runs)
        Variances of the runs' errors, or their covariance. [points²]
    """
    matrix = kernel(coded, coded)
    matrix[np.diag_indices_from(matrix)] += _JITTER
    matrix += np.diag(errors) if errors.ndim == 1 else errors
    return np.asarray(linalg.cholesky(matrix, lower=True, check_finite=False))


def log_likelihood(lower: FloatArray, residuals: FloatArray) -> FloatArray:
    """Return ln N(residual; 0, L Lᵀ) for every row of ``residuals``; shape (n_components,)."""
    white = linalg.solve_triangular(lower, residuals.T, lower=True, check_finite=False)
    n = lower.shape[0]
    return np.asarray(-0.5 * np.sum(white * white, axis=0) - np.sum(np.log(np.diag(lower))) - 0.5 * n * _LOG_2PI)


def normal_log_density(x: FloatArray, mean: FloatArray, variance: FloatArray) -> FloatArray:
    """Logarithm of the normal density, elementwise over broadcastable arrays. [-]"""
    return np.asarray(-0.5 * ((x - mean) ** 2 / variance + np.log(variance) + _LOG_2PI))


def expected_improvement(mean: FloatArray, variance: FloatArray) -> FloatArray:
    """Expected positive part of a normal variable, elementwise over broadcastable arrays. [unit of the mean]

    Notes
    -----
    EI = μ Φ(μ/σ) + σ φ(μ/σ). Source: Jones, Schonlau & Welch, J. Global Optim. 13 (1998) 455, eq. 15.

    Examples
    --------
    >>> float(np.round(expected_improvement(np.array(-2.0), np.array(4.0)), 7))
    0.1666309
    """
    sd = np.sqrt(np.maximum(variance, 1e-18))
    z = mean / sd
    density = np.exp(-0.5 * z * z) / np.sqrt(2.0 * np.pi)
    return np.asarray(mean * special.ndtr(z) + sd * density)


@dataclass(frozen=True)
class Mixture:
    """Weighted normals at each of n points: ``means`` and ``variances`` have shape (n_components, n_points)."""

    weights: FloatArray
    means: FloatArray
    variances: FloatArray

    @property
    def mean(self) -> FloatArray:
        return np.asarray(self.weights @ self.means)

    @property
    def variance(self) -> FloatArray:
        """Total variance: within components plus between them. Shape (n_points,)."""
        between = self.weights @ (self.means - self.mean) ** 2
        return np.asarray(self.weights @ self.variances + between)

    @property
    def sd(self) -> FloatArray:
        return np.sqrt(self.variance)

    def mean_between(self, low: float, high: float) -> FloatArray:
        """Mean of the value cut at ``low`` and ``high``. Shape (n_points,).

        Notes
        -----
        min(max(X, a), b) = a + (X − a)⁺ − (X − b)⁺, and the mean of a positive part is ``expected_improvement``.
        """
        cut = expected_improvement(self.means - low, self.variances) - expected_improvement(self.means - high, self.variances)
        return np.asarray(np.clip(low + self.weights @ cut, low, high))

    def probability_above(self, threshold: float | FloatArray) -> FloatArray:
        """Return P(value > threshold) at each point, with one threshold or one for each. Shape (n_points,)."""
        z = (self.means - threshold) / np.sqrt(self.variances)
        return np.asarray(np.clip(self.weights @ special.ndtr(z), 0.0, 1.0))

    def quantile(self, probability: float) -> FloatArray:
        """Return the quantile at each point by bisection on the mixture's distribution function."""
        spread = np.sqrt(self.variances)
        z = special.ndtri(probability)
        low = np.min(self.means + (z - 0.01) * spread, axis=0) - 1e-6
        high = np.max(self.means + (z + 0.01) * spread, axis=0) + 1e-6
        for _ in range(32):
            middle = 0.5 * (low + high)
            below = self.weights @ special.ndtr((middle - self.means) / spread)
            low = np.where(below < probability, middle, low)
            high = np.where(below < probability, high, middle)
        return np.asarray(0.5 * (low + high))


@dataclass(frozen=True)
class Family:
    """One model of the ladder, conditioned: groups of components with weights that sum to 1.

    ``evidence`` is ln p(yields) before any run was known, averaged over the prior of everything in it.
    """

    name: str
    groups: tuple[Conditioned, ...]
    evidence: float = 0.0

    def predict(self, points: FloatArray, *, with_noise: bool = False) -> Mixture:
        """Return the mixture for the yield at coded ``points`` of shape (n_points, n_variables)."""
        means, variances, weights = [], [], []
        for g in self.groups:
            mean, variance = g.moments(points)
            means.append(mean)
            variances.append(np.broadcast_to(variance + (g.noise_variance if with_noise else 0.0), mean.shape))
            weights.append(g.weights)
        return Mixture(np.concatenate(weights), np.concatenate(means), np.concatenate(variances))

    def difference(self, first: FloatArray, second: FloatArray) -> Mixture:
        """Return the mixture for yield(second) − yield(first), row by row."""
        means, variances, weights = [], [], []
        for g in self.groups:
            mean, variance = g.difference(first, second)
            means.append(mean)
            variances.append(np.broadcast_to(variance, mean.shape))
            weights.append(g.weights)
        return Mixture(np.concatenate(weights), np.concatenate(means), np.concatenate(variances))

    def draw(self, points: FloatArray, count: int, rng: np.random.Generator) -> FloatArray:
        """Draw the yields at all points together, without noise; shape (count, n_points)."""
        sizes = np.array([g.n_components for g in self.groups])
        weights = np.concatenate([g.weights for g in self.groups])
        picks = rng.choice(len(weights), size=count, p=weights / weights.sum())
        owner = np.repeat(np.arange(len(self.groups)), sizes)
        within = np.concatenate([np.arange(n) for n in sizes])
        out = np.empty((count, len(points)))
        for k in np.unique(owner[picks]):
            mean, covariance = self.groups[k].joint(points)
            mine = np.flatnonzero(owner[picks] == k)
            # Eigenvalues instead of Cholesky: points may coincide with runs or with each other.
            values, vectors = linalg.eigh(covariance, check_finite=False)
            root = vectors * np.sqrt(np.maximum(values, 0.0))
            out[mine] = mean[within[picks[mine]]] + rng.standard_normal((len(mine), len(points))) @ root.T
        return out

    def leave_one_out(self, yields: FloatArray) -> LeftOut:
        """Predict every run from the others, re-weighing the components without it.

        Notes
        -----
        p(yᵢ | y₋ᵢ) = 1 / Σ_c w_c / p_c(yᵢ | y₋ᵢ), with w_c the weights given all runs.
        Source: Gelfand, Dey & Chang (1992), in Bayesian Statistics 4, eq. 9 (from memory).
        """
        means, variances, weights = [], [], []
        for g in self.groups:
            residual_mean, variance = g.leave_one_out()
            means.append(yields - g.residuals + residual_mean)
            variances.append(np.broadcast_to(variance, residual_mean.shape))
            weights.append(g.weights)
        all_means, all_variances = np.concatenate(means), np.concatenate(variances)
        log_weights = np.log(np.maximum(np.concatenate(weights), 1e-300))[:, None]
        log_density = normal_log_density(yields, all_means, all_variances)
        log_inverse = special.logsumexp(log_weights - log_density, axis=0)
        left_out = np.exp(log_weights - log_density - log_inverse)
        mean = np.sum(left_out * all_means, axis=0)
        second = np.sum(left_out * (all_variances + (all_means - mean) ** 2), axis=0)
        return LeftOut(mean, np.sqrt(second), -log_inverse)

    def density_without(self, blocks: Sequence[np.ndarray]) -> FloatArray:
        """Log density of the first row of each block, given the rows outside it. Shape (n_blocks,).

        Notes
        -----
        The components are re-weighed without the block, as in ``leave_one_out``.
        """
        missed, spread, together, weights = [], [], [], []
        for g in self.groups:
            one, variance, log_density = g.leave_out(blocks)
            missed.append(one)
            spread.append(np.broadcast_to(variance, one.shape))
            together.append(log_density)
            weights.append(g.weights)
        log_weights = np.log(np.maximum(np.concatenate(weights), 1e-300))[:, None] - np.concatenate(together)
        log_weights = log_weights - special.logsumexp(log_weights, axis=0)
        density = normal_log_density(np.concatenate(missed), np.zeros(1), np.concatenate(spread))
        return np.asarray(special.logsumexp(log_weights + density, axis=0))


@dataclass(frozen=True)
class LeftOut:
    """Predictions of each run from the others; all arrays of shape (n_runs,)."""

    mean: FloatArray
    sd: FloatArray
    log_density: FloatArray
