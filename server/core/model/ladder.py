"""The ladder of response models, from the mean to the recipe prior, and their average.

Every rung is conditioned on the same runs; rungs are averaged by how well each
foresaw the other runs from a single one (evidence) times a prior weight. Shrinkage
priors make fewer runs than terms a normal state.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from scipy import special
from scipy.stats import qmc

from server.core.model.kernels import PRIOR_MEAN, Columns, PolynomialKernel, SmoothKernel
from server.core.model.mixture import (
    Conditioned,
    Family,
    Kernel,
    LeftOut,
    Means,
    Mixture,
    factorise,
    log_likelihood,
    normal_log_density,
)
from server.core.model.recipe_fit import fit_recipes
from server.core.model.repeatability import noise_levels, unusual_noise
from server.core.model.runs import Beside, RunTable
from server.core.space.variables import FloatArray, Variable

RUNG_WORDS = {
    "mean": "the mean of all runs, each setting with its own surprise",
    "line": "straight lines",
    "pairs": "straight lines with pair terms",
    "quadratic": "a quadratic surface",
    "smooth": "a smooth surface (Gaussian process)",
    "recipes": "simulated recipes (kinetics and work-up losses) with a smooth correction",
}
PRIOR_WEIGHTS = {"mean": 0.03, "line": 0.07, "pairs": 0.08, "quadratic": 0.15, "smooth": 0.32, "recipes": 0.4}
_SLOPES = (5.0, 12.0, 25.0)
# Quadratic and pair terms are expected to be about half as large as slopes (effect hierarchy;
# common practice, no source).
_HIGHER_ORDER = 0.5
# Losses of yield at the end of one variable's range against its middle that are thought possible before any run.
# [percentage points] Whoever sets the ranges puts the best settings inside them more often than at an end. Smooth
# models that do not know this promise most at the ends, where no run corrects them; the runs say which loss holds.
# Source of the observation: Siivola et al., IEEE MLSP (2018), arXiv:1704.00963 (their remedy differs).
END_LOSSES = (5.0, 10.0, 20.0)
# What is said to have moved the yield comes from the runs alone: without this, runs that are all alike would show optima.
NO_END_LOSSES = (0.0,)
# Rungs that are the same with any losses.
_WITHOUT_LOSSES = ("mean", "recipes")
# Median of the scatter that is drawn for smooth surfaces. [percentage points]
USUAL_NOISE = 2.3
# Length scale of surprises that tell nothing about their neighbours. [coded units, per √variables]
ROUGH_LENGTH = 0.06
FEWEST_RUNS_FOR_WEIGHTS = 3
# Trust in the models' own spreads, in runs; and the largest surprise of one run, in standard deviations.
DOUBT_PRIOR = 3.0
# Trust in evidence beside the runs before they say whether it helps to predict them (own judgement).
PRIOR_TRUST = 0.9
LARGEST_SURPRISE = 4.0
# Models with less weight are left out of predictions.
_NEGLIGIBLE = 0.005


def _prior_means(table: RunTable, losses: tuple[float, ...]) -> Means:
    """Mean surfaces before any run, one per loss: highest in the middle of every range.

    Notes
    -----
    The loss grows with the square of the distance from the middle and is divided by √d for d numeric
    variables, since few of many variables matter (own judgement). Averaged over the ranges, every
    surface is at ``PRIOR_MEAN``.
    """
    numeric = [j for j, v in enumerate(table.variables) if not v.is_choice]
    heights = np.array(losses)[:, None] / math.sqrt(max(len(numeric), 1))

    def means(points: FloatArray) -> FloatArray:
        off_centre = (2.0 * points[:, numeric] - 1.0) ** 2 - 1.0 / 3.0
        return np.asarray(PRIOR_MEAN - heights * off_centre.sum(axis=1)[None, :])

    return means


def _weighed(name: str, table: RunTable, candidates: list[tuple[Kernel, float, float]], losses: tuple[float, ...]) -> Family:
    """Condition (kernel, noise, log prior) candidates and keep those that carry weight."""
    factors, scores = [], []
    means = _prior_means(table, losses)
    residuals = table.yields[None, :] - means(table.coded)
    for kernel, noise, log_prior in candidates:
        lower = factorise(kernel, table.coded, table.errors(noise))
        factors.append(lower)
        scores.append(log_prior + log_likelihood(lower, residuals))
    beforehand = special.logsumexp([log_prior for _, _, log_prior in candidates]) + math.log(len(losses))
    evidence = float(special.logsumexp(np.array(scores)) - beforehand)
    weights = special.softmax(np.array(scores))
    shares = weights.sum(axis=1)
    keep = np.flatnonzero(shares > 2e-3 * shares.max())
    weights = weights / shares[keep].sum()
    groups = tuple(
        Conditioned(weights[k], means, candidates[k][0], table.coded, residuals, factors[k], candidates[k][1] ** 2) for k in keep
    )
    return Family(name, groups, evidence)


def fit_polynomial(table: RunTable, name: str, losses: tuple[float, ...] = END_LOSSES) -> Family:
    """Condition the straight-line, pair-term or quadratic model on the runs.

    Parameters
    ----------
    name : str
        'line', 'pairs' or 'quadratic'.
    """
    columns = Columns.of(table.variables)
    levels = noise_levels(table)
    candidates: list[tuple[Kernel, float, float]] = []
    for slope in _SLOPES:
        kernel = PolynomialKernel(
            columns,
            slope=slope,
            pair=_HIGHER_ORDER * slope if name in ("pairs", "quadratic") else 0.0,
            square=_HIGHER_ORDER * slope if name == "quadratic" else 0.0,
        )
        candidates += [(kernel, noise, math.log(w)) for noise, w in levels]
    return _weighed(name, table, candidates, losses)


def fit_mean(table: RunTable) -> Family:
    """Condition 'the mean, and every setting its own surprise' on the runs.

    Notes
    -----
    The surprises are a Gaussian process so rough that runs tell next to nothing about
    other settings. They are no noise: a repeat is expected to give the same again.
    """
    columns = Columns.of(table.variables)
    lengths = (ROUGH_LENGTH * math.sqrt(max(table.n_variables, 1)),) * table.n_variables
    levels = noise_levels(table)
    candidates: list[tuple[Kernel, float, float]] = [
        (SmoothKernel(columns, amplitude, lengths), noise, math.log(w)) for amplitude in (4.0, 9.0, 16.0) for noise, w in levels
    ]
    return _weighed("mean", table, candidates, (0.0,))


def fit_smooth(table: RunTable, losses: tuple[float, ...] = END_LOSSES) -> Family:
    """Condition Gaussian processes with drawn length scales, amplitudes and noise on the runs.

    Notes
    -----
    Length scales grow with the square root of the number of variables (so that
    the prior's wiggliness along a diagonal stays put), and each variable is
    nearly inert in two of five draws.
    """
    columns = Columns.of(table.variables)
    d = table.n_variables
    # Powers of two, as Sobol points want.
    count = 128 if table.n_runs <= 60 else 64 if table.n_runs <= 200 else 32
    uniform = qmc.Sobol(2 * d + 3, seed=20).random(count)
    normal = special.ndtri(np.clip(uniform, 1e-6, 1 - 1e-6))
    candidates: list[tuple[Kernel, float, float]] = []
    # Scatter that repeats show above the usual: half of the draws lie about it.
    own = unusual_noise(table)
    usual = USUAL_NOISE if table.scatter is None else table.scatter
    for k in range(count):
        base = 0.42 * math.sqrt(d) * math.exp(0.6 * normal[k, 0])
        inert = uniform[k, 3 : 3 + d] < 0.4
        lengths = base * np.exp(0.3 * normal[k, 3 + d :]) * np.where(inert, 5.0, 1.0)
        amplitude = 14.0 * math.exp(0.5 * normal[k, 1])
        noise = (own if own is not None and k % 2 else usual) * math.exp(0.4 * normal[k, 2])
        candidates.append((SmoothKernel(columns, amplitude, tuple(lengths)), noise, 0.0))
    return _weighed("smooth", table, candidates, losses)


@dataclass(frozen=True)
class Ladder:
    """All rungs, conditioned on one table of runs, and their weights (summing to 1).

    ``informed`` are the same rungs conditioned on the evidence beside the runs too, and
    ``trust`` is the weight that they have against those that know the runs alone.
    """

    table: RunTable
    rungs: tuple[Family, ...]
    weights: FloatArray
    left_out: tuple[LeftOut, ...]
    informed: tuple[Family, ...] = ()
    trust: float = 0.0

    def _joined(self, parts: list[Mixture]) -> Mixture:
        joined = Mixture(
            np.concatenate([w * m.weights for (w, _), m in zip(self._parts, parts, strict=True)]),
            np.concatenate([m.means for m in parts]),
            np.concatenate([m.variances for m in parts]),
        )
        if self.doubt == 1.0:
            return joined
        centre = joined.mean
        return Mixture(joined.weights, centre + self.doubt * (joined.means - centre), self.doubt**2 * joined.variances)

    @cached_property
    def doubt(self) -> float:
        """Factor by which every spread is widened because forecasts of left-out runs missed by more than they should.

        Notes
        -----
        c² = (ν + Σ z²)/(ν + n) with z the left-out residuals in their own standard
        deviations and ν = ``DOUBT_PRIOR`` runs' worth of trust; never below 1. Failed runs do not count: that
        something went wrong elsewhere is no reason to doubt every forecast.
        """
        usual = ~self.table.failed
        if usual.sum() < FEWEST_RUNS_FOR_WEIGHTS:
            return 1.0
        mean, sd = self.averaged_left_out
        squared = np.minimum(((self.table.yields - mean) / sd)[usual] ** 2, LARGEST_SURPRISE**2)
        return math.sqrt(max(1.0, (DOUBT_PRIOR + float(squared.sum())) / (DOUBT_PRIOR + int(usual.sum()))))

    @cached_property
    def _used(self) -> list[int]:
        return [k for k, w in enumerate(self.weights) if w > _NEGLIGIBLE]

    @cached_property
    def _used_weights(self) -> FloatArray:
        w = self.weights[self._used]
        return np.asarray(w / w.sum())

    @cached_property
    def _parts(self) -> list[tuple[float, Family]]:
        """What predictions are averaged over: weight and rung, with and without the evidence beside the runs."""
        weighed = list(zip(self._used_weights, self._used, strict=True))
        plain = [(float((1.0 - self.trust) * w), self.rungs[k]) for w, k in weighed]
        informed = [(float(self.trust * w), self.informed[k]) for w, k in weighed if self.informed]
        kept = [(w, family) for w, family in plain + informed if w > _NEGLIGIBLE]
        total = sum(w for w, _ in kept)
        return [(w / total, family) for w, family in kept]

    def predict(self, points: FloatArray, *, with_noise: bool = False) -> Mixture:
        """Return the averaged mixture for the yield at coded points, shape (n_points, n_variables)."""
        return self._joined([family.predict(points, with_noise=with_noise) for _, family in self._parts])

    def difference(self, first: FloatArray, second: FloatArray) -> Mixture:
        """Return the averaged mixture for yield(second) − yield(first), row by row."""
        return self._joined([family.difference(first, second) for _, family in self._parts])

    def draw(self, points: FloatArray, count: int, rng: np.random.Generator) -> FloatArray:
        """Draw the yield at all points together from the averaged models, without noise.

        Returns
        -------
        draws : ndarray of shape (count, n_points)
        """
        share = rng.multinomial(count, [w for w, _ in self._parts])
        parts = [family.draw(points, int(n), rng) for (_, family), n in zip(self._parts, share, strict=True) if n]
        draws = np.vstack(parts)
        if self.doubt == 1.0:
            return draws
        centre = self.predict(points).mean
        return np.asarray(centre + self.doubt * (draws - centre))

    @property
    def noise_sd(self) -> float:
        """Posterior mean of the repeatability standard deviation. [percentage points]"""
        total = 0.0
        for w, k in zip(self._used_weights, self._used, strict=True):
            total += w * sum(float(g.weights.sum()) * math.sqrt(g.noise_variance) for g in self.rungs[k].groups)
        return total

    @cached_property
    def averaged_left_out(self) -> tuple[FloatArray, FloatArray]:
        """Mean and sd of each run predicted from the others, averaged over rungs; shapes (n_runs,)."""
        means = np.array([self.left_out[k].mean for k in self._used])
        sds = np.array([self.left_out[k].sd for k in self._used])
        w = self._used_weights[:, None]
        mean = np.sum(w * means, axis=0)
        variance = np.sum(w * (sds**2 + (means - mean) ** 2), axis=0)
        return mean, np.sqrt(variance)


def fit_ladder(
    table: RunTable,
    *,
    seed: int = 0,
    rungs: tuple[str, ...] = tuple(PRIOR_WEIGHTS),
    losses: tuple[float, ...] = END_LOSSES,
    beside: Beside | None = None,
    trust: float | None = None,
    report: Callable[[float, str], None] | None = None,
    known: Ladder | None = None,
    without_failures: Ladder | None = None,
) -> Ladder:
    """Condition every rung on the runs and weigh the rungs.

    Parameters
    ----------
    table : RunTable
        Any number of runs, zero included (then everything is prior).
    seed : int
        Seed of the recipe sampler; results are a function of runs and seed only.
    rungs : tuple of str
        Names of the rungs to use; all by default.
    losses : tuple of float
        Losses of yield at the end of a range that are thought possible, see ``END_LOSSES``. [points]
    beside : Beside or None
        Evidence that is no run (what time courses say about other holds, checkpoints about other
        work-ups). A second set of rungs is conditioned on it too; their weights and the doubt come
        from the runs alone, and the trust from how well each set predicts the runs it has not seen.
    trust : float or None
        Trust in ``beside`` where it is known already: runs that are only expected teach nothing about it.
    report : callable or None
        Told the share done and what is being done, before every rung; may raise to stop.
    known : Ladder or None
        The same fit with other losses: rungs that do not depend on them are taken over.
    without_failures : Ladder or None
        The same fit of the runs that did not fail, and of what rests on them: its weights and trust are taken over.

    Returns
    -------
    ladder : Ladder

    Notes
    -----
    Weights: prior × evidence, see ``_log_evidence``, over the runs that did not fail, from three of them on.
    """
    table = table.in_canonical_order()
    beside = beside.in_canonical_order() if beside is not None and beside.n_rows else None
    steps = len(rungs) * (2 if beside is not None else 1)
    families = []
    taken = {f.name: f for f in known.rungs if f.name in _WITHOUT_LOSSES} if known is not None else {}
    for k, name in enumerate(rungs):
        if report is not None:
            report(k / steps, f"fitting {RUNG_WORDS[name]}")
        families.append(taken[name] if name in taken else _fit_rung(name, table, seed, losses))
    log_weights = np.log([PRIOR_WEIGHTS[name] for name in rungs])
    left_out = tuple(f.leave_one_out(table.yields) if table.n_runs else LeftOut(*(np.empty(0),) * 3) for f in families)
    # A failure says that something went wrong: what did not fail chooses between models.
    usual = table if not table.failed.any() else table.without_failures()
    fits = families
    if without_failures is not None:
        trust = trust if trust is not None else without_failures.trust if without_failures.informed else PRIOR_TRUST
    elif usual.n_runs >= FEWEST_RUNS_FOR_WEIGHTS:
        fits = families if usual is table else [_fit_rung(name, usual, seed, losses) for name in rungs]
        log_weights = log_weights + _log_evidence(fits, usual, seed, losses)
    weights = special.softmax(log_weights) if without_failures is None else without_failures.weights
    if beside is None:
        return Ladder(table, tuple(families), weights, left_out)
    # The runs come first, so that positions of runs stay.
    joined = table.joined_with(beside.table)
    informed = []
    taken = {f.name: f for f in known.informed if f.name in _WITHOUT_LOSSES} if known is not None else {}
    for k, name in enumerate(rungs):
        if report is not None:
            report((len(rungs) + k) / steps, f"fitting {RUNG_WORDS[name]}, with time courses and checkpoints")
        informed.append(taken[name] if name in taken else _fit_rung(name, joined, seed, losses))
    if trust is None and usual is not table and usual.n_runs >= FEWEST_RUNS_FOR_WEIGHTS:
        few = beside.without_failures(table)
        left_few = tuple(f.leave_one_out(usual.yields) for f in fits)
        informed_few = [_fit_rung(name, usual.joined_with(few.table), seed, losses) for name in rungs] if few else fits
        trust = _trust(usual, few, weights, left_few, informed_few) if few else PRIOR_TRUST
    if trust is None:
        trust = _trust(table, beside, weights, left_out, informed)
    return Ladder(table, tuple(families), weights, left_out, tuple(informed), trust)


def _log_evidence(families: Sequence[Family], table: RunTable, seed: int, losses: tuple[float, ...]) -> FloatArray:
    """ln p(all other runs | one run) of every rung, averaged over which run that is; shape (n_rungs,).

    Parameters
    ----------
    families : sequence of Family
        Conditioned on ``table``.

    Notes
    -----
    ln p(y) − mean ln p(yᵢ): how high yields are at all, every rung may learn from one run. Source:
    Berger & Pericchi, J. Am. Stat. Assoc. 91 (1996) 109 (geometric intrinsic Bayes factor).
    """
    found = np.empty(len(families))
    for k, family in enumerate(families):
        alone = _before_any_run(family.name, table.variables, table.scatter, seed, losses).predict(table.coded, with_noise=True)
        density = normal_log_density(table.yields, alone.means, alone.variances + table.extra_sd**2)
        single = special.logsumexp(np.log(alone.weights)[:, None] + density, axis=0)
        found[k] = family.evidence - float(single.mean())
    return found


@lru_cache(maxsize=64)
def _before_any_run(
    name: str, variables: tuple[Variable, ...], scatter: float | None, seed: int, losses: tuple[float, ...]
) -> Family:
    """A rung without runs; the same for every fit over the same variables."""
    nothing = RunTable(variables, np.empty((0, len(variables))), np.empty(0), np.empty(0), (), scatter=scatter)
    return _fit_rung(name, nothing, seed, losses)


def _trust(
    table: RunTable, beside: Beside, weights: FloatArray, left_out: tuple[LeftOut, ...], informed: Sequence[Family]
) -> float:
    """Weight of the rungs that know the evidence beside the runs against those that do not; of runs that did not fail.

    Notes
    -----
    Prior × exp(Σᵢ ln p(yᵢ | what does not rest on run i)): with a run, all evidence worked out from it is left out.
    Source of the idea: Yao, Vehtari, Simpson & Gelman, Bayesian Anal. 13 (2018) 917 (pseudo-BMA).
    """
    n = table.n_runs
    if n - table.failed.sum() < FEWEST_RUNS_FOR_WEIGHTS:
        return PRIOR_TRUST
    used = [k for k, w in enumerate(weights) if w > _NEGLIGIBLE]
    log_weights = np.log(weights[used] / weights[used].sum())[:, None]
    blocks = [
        np.array([i, *(n + m for m, on in enumerate(beside.rests_on) if number in on)], dtype=int)
        for i, number in enumerate(table.numbers)
    ]
    plain = special.logsumexp(log_weights + np.array([left_out[k].log_density for k in used]), axis=0)
    with_it = special.logsumexp(log_weights + np.array([informed[k].density_without(blocks) for k in used]), axis=0)
    return float(special.expit(special.logit(PRIOR_TRUST) + np.sum(with_it - plain)))


def _fit_rung(name: str, table: RunTable, seed: int, losses: tuple[float, ...]) -> Family:
    if name == "recipes":
        return fit_recipes(table, np.random.default_rng(seed))
    if name == "smooth":
        return fit_smooth(table, losses)
    return fit_mean(table) if name == "mean" else fit_polynomial(table, name, losses)
