"""The recipe model: mechanistic recipes, each with a Gaussian-process discrepancy, weighed by the runs.

p(y | recipe, a, l, s) = N(y; recipe at the runs, a² C_l + s² I): the discrepancy of
size a and length l is what no recipe foresaw, s is the repeatability. Recipes are
not only drawn but *moved* towards the runs by tempered sequential Monte Carlo with
prior-preserving (preconditioned Crank–Nicolson) steps, so that a handful of draws
never carries all the weight. A large misfit moves weight to a large discrepancy,
that is, to a plain Gaussian process.

Sources: Del Moral, Doucet & Jasra, J. R. Stat. Soc. B 68 (2006) 411 (samplers);
Cotter et al., Statist. Sci. 28 (2013) 424 (steps); Kennedy & O'Hagan, J. R. Stat.
Soc. B 63 (2001) 425 (discrepancy).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np
from scipy import linalg, special

from server.core.model.kernels import Columns, SmoothKernel
from server.core.model.mixture import Conditioned, Family, Kernel, factorise
from server.core.model.recipes import RecipePrior
from server.core.model.repeatability import noise_levels
from server.core.model.runs import RunTable
from server.core.space.variables import FloatArray

_AMPLITUDES = (2.0, 5.0, 10.0, 20.0)
_AMPLITUDE_WEIGHTS = (0.25, 0.35, 0.25, 0.15)
_LENGTHS = (0.25, 0.6)


@dataclass(frozen=True)
class _GridPoint:
    kernel: Kernel
    lower: FloatArray
    inverse_lower: FloatArray
    log_determinant: float
    noise_variance: float
    log_prior: float


@dataclass(frozen=True)
class SamplerSize:
    """How hard the sampler works; smaller for many runs, where each evaluation costs more."""

    particles: int
    moves: int

    @classmethod
    def for_runs(cls, n_runs: int) -> SamplerSize:
        if n_runs <= 40:
            return cls(384, 5)
        return cls(192, 4) if n_runs <= 120 else cls(96, 3)


def _grid(table: RunTable) -> list[_GridPoint]:
    columns = Columns.of(table.variables)
    sparse = table.n_runs > 120
    points = []
    lengths = _LENGTHS[1:] if sparse else _LENGTHS
    root = np.sqrt(max(table.n_variables, 1))
    levels = noise_levels(table)
    for a, wa in zip(_AMPLITUDES, _AMPLITUDE_WEIGHTS, strict=True):
        for length in lengths:
            kernel = SmoothKernel(columns, a, (length * root,) * table.n_variables, constant=0.0)
            for s, ws in levels:
                lower = factorise(kernel, table.coded, table.errors(s))
                inverse = np.asarray(linalg.solve_triangular(lower, np.eye(len(lower)), lower=True))
                points.append(
                    _GridPoint(
                        kernel, lower, inverse, float(np.sum(np.log(np.diag(lower)))), s**2, float(np.log(wa * ws / len(lengths)))
                    )
                )
    return points


def _grid_log_posterior(grid: list[_GridPoint], residuals: FloatArray) -> FloatArray:
    """Unnormalised log posterior of every grid point, shape (n_recipes, n_grid)."""
    out = np.empty((len(residuals), len(grid)))
    for k, g in enumerate(grid):
        white = residuals @ g.inverse_lower.T
        out[:, k] = g.log_prior - 0.5 * np.einsum("ij,ij->i", white, white) - g.log_determinant
    return np.asarray(out - 0.5 * residuals.shape[1] * np.log(2.0 * np.pi))


def fit_recipes(table: RunTable, rng: np.random.Generator) -> Family:
    """Condition the recipe model on the runs.

    Parameters
    ----------
    table : RunTable
        In canonical order. No runs give the prior.
    rng : numpy.random.Generator

    Returns
    -------
    family : Family
        One equally weighted component per particle, grouped by discrepancy and noise.
    """
    prior = RecipePrior(table.variables)
    size = SamplerSize.for_runs(table.n_runs)
    particles = prior.draw(size.particles, rng)
    grid = _grid(table)

    def log_evidence(parameters: FloatArray) -> FloatArray:
        residuals = table.yields - prior.yields(parameters, table.coded)
        return np.asarray(special.logsumexp(_grid_log_posterior(grid, residuals), axis=1))

    evidence = 0.0
    if table.n_runs:
        particles, evidence = _temper(particles, log_evidence, size, rng)
    residuals = table.yields - prior.yields(particles, table.coded)
    log_grid = _grid_log_posterior(grid, residuals)
    chosen = np.argmax(log_grid + rng.gumbel(size=log_grid.shape), axis=1)
    groups = []
    for k in np.unique(chosen):
        members = chosen == k
        own = particles[members]
        groups.append(
            Conditioned(
                weights=np.full(int(members.sum()), 1.0 / len(particles)),
                means=partial(prior.yields, own),
                kernel=grid[k].kernel,
                coded=table.coded,
                residuals=residuals[members],
                lower=grid[k].lower,
                noise_variance=grid[k].noise_variance,
            )
        )
    return Family("recipes", tuple(groups), evidence)


def _temper(
    particles: FloatArray, log_evidence: Callable[[FloatArray], FloatArray], size: SamplerSize, rng: np.random.Generator
) -> tuple[FloatArray, float]:
    """Move particles from the prior to the posterior through powers of the likelihood.

    Returns
    -------
    particles : ndarray of shape (n_recipes, n_parameters)
    evidence : float
        ln p(yields), from the mean weights of the steps (Del Moral, Doucet & Jasra, sec. 3).
    """
    current = log_evidence(particles)
    power, step, evidence = 0.0, 0.5, 0.0
    count, width = particles.shape
    while power < 1.0:
        power_next = _next_power(current, power)
        evidence += float(special.logsumexp((power_next - power) * current)) - np.log(count)
        weights = special.softmax((power_next - power) * current)
        # Systematic resampling: one uniform number places all picks.
        picks = np.searchsorted(np.cumsum(weights), (rng.random() + np.arange(count)) / count)
        picks = np.minimum(picks, count - 1)
        particles, current = particles[picks], current[picks]
        power = power_next
        for _ in range(size.moves if power < 1.0 else 2 * size.moves):
            # A random half of the numbers moves at a time, which keeps acceptance up in many dimensions.
            moving = rng.random((count, width)) < 0.5
            fresh = rng.standard_normal((count, width))
            proposal = np.where(moving, np.sqrt(1.0 - step**2) * particles + step * fresh, particles)
            proposed = log_evidence(proposal)
            accept = np.log(rng.random(count)) < power * (proposed - current)
            particles = np.where(accept[:, None], proposal, particles)
            current = np.where(accept, proposed, current)
            step = float(np.clip(step * np.exp(0.6 * (accept.mean() - 0.25)), 0.03, 0.95))
    return particles, float(evidence)


def _next_power(log_likelihood: FloatArray, power: float) -> float:
    """Return the largest next power at which the effective sample size stays above half."""

    def effective(next_power: float) -> float:
        w = special.softmax((next_power - power) * log_likelihood)
        return float(1.0 / np.sum(w * w))

    target = 0.5 * len(log_likelihood)
    if effective(1.0) >= target:
        return 1.0
    low, high = power, 1.0
    for _ in range(30):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if effective(middle) >= target else (low, middle)
    # A floor on the stride guarantees an end even where one recipe towers above all others.
    return min(1.0, max(low, power + 1e-3))
