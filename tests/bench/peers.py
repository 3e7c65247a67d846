"""Other ways to choose the next run, from general libraries, for the sample-efficiency benchmark.

Every chooser gets the same space, sees only the results that it asked for, and names a
working recipe among the runs that were made. None knows the noise or the truth.
"""

from __future__ import annotations

import importlib.util
import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from itertools import combinations
from typing import Any, Protocol

import numpy as np
from scipy import stats
from scipy.stats import qmc

from server.core.choose.opening import OPENING_RUNS, next_opening_run
from server.core.choose.proposal import History, Purpose, propose, working_recipe
from server.core.choose.search import draw_reachable
from server.core.model.ladder import END_LOSSES, PRIOR_WEIGHTS, Ladder, fit_ladder
from server.core.model.runs import RunTable
from server.core.space.coordinates import encode
from server.core.space.limits import Reach, Space, reach_of
from server.core.space.variables import FloatArray, Setting

Row = dict[str, Setting]
# So that some of 20 runs are left to act on the fit.
LONGEST_DESIGN = 13


class Chooser(Protocol):
    """Chooses runs one at a time."""

    def next_run(self, rows: Sequence[Row], yields: Sequence[float]) -> Row:
        """Settings of the next run, given all runs so far."""

    def recipe(self, rows: Sequence[Row], yields: Sequence[float]) -> int:
        """Position of the run that it would name as the working recipe."""


def grid_index(reach: Reach, unit: FloatArray) -> list[int]:
    """Nearest grid index per variable for a point of the unit cube (plain units, no roles)."""
    index = []
    for j, v in enumerate(reach.space.variables):
        count = len(reach.values[j])
        if v.is_choice:
            index.append(min(int(unit[j] * count), count - 1))
        else:
            index.append(int(np.clip(round(float(unit[j]) * (count - 1)), 0, count - 1)))
    return index


def best_observed(yields: Sequence[float]) -> int:
    """Position of the highest result."""
    return int(np.argmax(yields))


@dataclass
class WithOpening:
    """Another chooser behind the project's own opening runs."""

    inner: Chooser
    reach: Reach

    def next_run(self, rows: Sequence[Row], yields: Sequence[float]) -> Row:
        if len(rows) < OPENING_RUNS:
            variables = self.reach.space.variables
            done = encode(variables, rows) if rows else np.empty((0, len(variables)))
            return next_opening_run(self.reach, done)
        return self.inner.next_run(rows, yields)

    def recipe(self, rows: Sequence[Row], yields: Sequence[float]) -> int:
        return self.inner.recipe(rows, yields)


@dataclass
class OneAtATime:
    """One variable at a time by hand: from the best so far, step one variable while it helps, then the next.

    Common practice, no source.
    """

    reach: Reach
    rng: np.random.Generator
    turn: int = 0

    def next_run(self, rows: Sequence[Row], yields: Sequence[float]) -> Row:
        space = self.reach.space
        if not rows:
            return dict(space.base)
        best = dict(rows[best_observed(yields)])
        order = list(space.variables)
        for attempt in range(4 * len(order)):
            v = order[(self.turn + attempt) % len(order)]
            candidates: list[Setting] = []
            if v.is_choice:
                candidates = [c for c in v.choices if c != best[v.key]]
            else:
                grid = v.grid()
                here = int(np.argmin(np.abs(grid - float(best[v.key]))))
                stride = max(1, len(grid) // (4 if attempt < len(order) else 8))
                candidates = [float(grid[k]) for k in (here + stride, here - stride) if 0 <= k < len(grid)]
            for value in candidates:
                trial = {**best, v.key: value}
                if trial not in rows:
                    self.turn += attempt
                    return trial
        return self.reach.settings(list(draw_reachable(self.reach, 1, self.rng)[0]))

    def recipe(self, rows: Sequence[Row], yields: Sequence[float]) -> int:
        return best_observed(yields)


@dataclass
class SobolSpread:
    """Scrambled Sobol points over the whole of the limits (scipy.stats.qmc)."""

    reach: Reach
    seed: int

    def next_run(self, rows: Sequence[Row], yields: Sequence[float]) -> Row:
        points = qmc.Sobol(self.reach.n_variables, seed=self.seed).random(32)
        return self.reach.settings(grid_index(self.reach, points[len(rows)]))

    def recipe(self, rows: Sequence[Row], yields: Sequence[float]) -> int:
        return best_observed(yields)


@dataclass
class CentralComposite:
    """Two-level fraction, centre and axial points, then the optimum of a fitted quadratic.

    Box & Wilson, J. R. Stat. Soc. B 13 (1951) 1. The factorial part covers the middle
    half of each range; numbers of variables above three get a half or smaller fraction
    by defining the last columns as products. Choices take part in turn.
    """

    reach: Reach
    rng: np.random.Generator
    points: list[list[int]] = field(default_factory=list)

    def _design(self) -> list[list[int]]:
        d = self.reach.n_variables
        basic = min(d, 3)
        signs = np.array(np.meshgrid(*[[-1, 1]] * basic)).reshape(basic, -1).T
        columns = [signs[:, k] for k in range(basic)]
        products = [c for size in (2, 3) for c in combinations(range(basic), size)]
        columns += [np.prod(signs[:, list(products[k % len(products)])], axis=1) for k in range(d - basic)]
        corners = 0.5 + 0.25 * np.column_stack(columns)
        axial = np.full((2 * d, d), 0.5)
        for j in range(d):
            axial[2 * j, j], axial[2 * j + 1, j] = 0.05, 0.95
        points = np.vstack([np.full((1, d), 0.5), self.rng.permutation(corners), axial])
        for j, v in enumerate(self.reach.space.variables):
            if v.is_choice:
                points[:, j] = (np.arange(len(points)) % len(v.choices) + 0.5) / len(v.choices)
        return [grid_index(self.reach, p) for p in points]

    def next_run(self, rows: Sequence[Row], yields: Sequence[float]) -> Row:
        self.points = self.points or self._design()
        if len(rows) < min(len(self.points), LONGEST_DESIGN):
            return self.reach.settings(self.points[len(rows)])
        pool = draw_reachable(self.reach, 2000, self.rng)
        fit = _quadratic(self.reach, rows, np.array(yields))
        order = np.argsort(-fit(self.reach.coded_rows(pool)))
        for k in order:
            settings = self.reach.settings(list(pool[k]))
            if settings not in rows:
                return settings
        return self.reach.settings(list(pool[order[0]]))

    def recipe(self, rows: Sequence[Row], yields: Sequence[float]) -> int:
        return best_observed(yields)


def _quadratic(reach: Reach, rows: Sequence[Row], yields: FloatArray) -> Callable[[FloatArray], FloatArray]:
    """Quadratic fit by scikit-learn's ridge regression with a small penalty, so that it exists for any number of runs."""
    from sklearn.linear_model import Ridge
    from sklearn.preprocessing import PolynomialFeatures

    features = _one_hot(reach)
    poly = PolynomialFeatures(2)
    model = Ridge(alpha=1e-2).fit(poly.fit_transform(features(encode(reach.space.variables, rows))), yields)
    return lambda coded: np.asarray(model.predict(poly.transform(features(coded))))


def _one_hot(reach: Reach) -> Callable[[FloatArray], FloatArray]:
    def features(coded: FloatArray) -> FloatArray:
        parts = []
        for j, v in enumerate(reach.space.variables):
            if v.is_choice:
                parts.append((coded[:, [j]] == np.arange(len(v.choices))[None, :]).astype(float))
            else:
                parts.append(coded[:, [j]])
        return np.hstack(parts)

    return features


@dataclass
class TextbookProcess:
    """scikit-learn Gaussian process (Matérn 5/2 with one length per column, fitted noise) with expected improvement.

    Own start: ``n_start`` scrambled Sobol points.
    """

    reach: Reach
    seed: int
    n_start: int = 5

    def _fit(self, rows: Sequence[Row], yields: Sequence[float]) -> tuple[Any, Callable[[FloatArray], FloatArray]]:
        from sklearn.gaussian_process import GaussianProcessRegressor
        from sklearn.gaussian_process.kernels import ConstantKernel, Matern, WhiteKernel

        features = _one_hot(self.reach)
        x = features(encode(self.reach.space.variables, rows))
        kernel = ConstantKernel(1.0) * Matern(np.full(x.shape[1], 0.5), (0.05, 20.0), nu=2.5) + WhiteKernel(0.05, (1e-4, 1.0))
        model = GaussianProcessRegressor(kernel, normalize_y=True, n_restarts_optimizer=5, random_state=self.seed)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            model.fit(x, np.array(yields))
        return model, features

    def next_run(self, rows: Sequence[Row], yields: Sequence[float]) -> Row:
        if len(rows) < self.n_start:
            return SobolSpread(self.reach, self.seed).next_run(rows, yields)
        model, features = self._fit(rows, yields)
        pool = draw_reachable(self.reach, 2000, np.random.default_rng(self.seed + 1000 * len(rows)))
        mean, sd = model.predict(features(self.reach.coded_rows(pool)), return_std=True)
        at_runs = model.predict(features(encode(self.reach.space.variables, rows)))
        z = (mean - at_runs.max()) / np.maximum(sd, 1e-9)
        gain = sd * (z * stats.norm.cdf(z) + stats.norm.pdf(z))
        return self.reach.settings(list(pool[int(np.argmax(gain))]))

    def recipe(self, rows: Sequence[Row], yields: Sequence[float]) -> int:
        if len(rows) < 3:
            return best_observed(yields)
        model, features = self._fit(rows, yields)
        return int(np.argmax(model.predict(features(encode(self.reach.space.variables, rows)))))


@dataclass
class OptunaSampler:
    """A sampler of Optuna over the steps of every variable; ``kind`` is 'tpe' or 'gp'."""

    reach: Reach
    seed: int
    kind: str

    def next_run(self, rows: Sequence[Row], yields: Sequence[float]) -> Row:
        import optuna

        optuna.logging.set_verbosity(optuna.logging.ERROR)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            sampler: Any
            if self.kind == "gp":
                sampler = optuna.samplers.GPSampler(seed=self.seed + len(rows), n_startup_trials=5, deterministic_objective=False)
            else:
                sampler = optuna.samplers.TPESampler(seed=self.seed + len(rows), n_startup_trials=5)
            study = optuna.create_study(direction="maximize", sampler=sampler)
            distributions = {v.key: self._distribution(j) for j, v in enumerate(self.reach.space.variables)}
            for row, value in zip(rows, yields, strict=True):
                parameters = {v.key: self._parameter(j, row) for j, v in enumerate(self.reach.space.variables)}
                study.add_trial(optuna.trial.create_trial(params=parameters, distributions=distributions, value=float(value)))
            chosen = study.ask(fixed_distributions=distributions).params
        return {
            v.key: chosen[v.key] if v.is_choice else float(self.reach.values[j][chosen[v.key]])
            for j, v in enumerate(self.reach.space.variables)
        }

    def _distribution(self, j: int) -> Any:
        from optuna.distributions import CategoricalDistribution, IntDistribution

        v = self.reach.space.variables[j]
        return CategoricalDistribution(v.choices) if v.is_choice else IntDistribution(0, len(self.reach.values[j]) - 1)

    def _parameter(self, j: int, row: Row) -> Any:
        v = self.reach.space.variables[j]
        return row[v.key] if v.is_choice else int(np.argmin(np.abs(self.reach.values[j] - float(row[v.key]))))

    def recipe(self, rows: Sequence[Row], yields: Sequence[float]) -> int:
        return best_observed(yields)


@dataclass
class Own:
    """This project's engine, with ingredients that can be switched off."""

    space: Space
    rungs: tuple[str, ...] = tuple(PRIOR_WEIGHTS)
    losses: tuple[float, ...] = END_LOSSES
    new_ground: float | None = None
    doubt: bool = True
    opening: bool = True
    seed: int = 0
    best_seen: bool = False
    known: Ladder | None = None

    def fitted(self, rows: Sequence[Row], yields: Sequence[float]) -> tuple[RunTable, Ladder]:
        """The runs as a table and the ladder fitted to them."""
        variables = self.space.variables
        coded = encode(variables, rows).reshape(len(rows), len(variables))
        table = RunTable(variables, coded, np.array(yields, dtype=float), np.zeros(len(rows)), tuple(range(1, len(rows) + 1)))
        if self.known is None or self.known.table.n_runs != len(rows):
            self.known = fit_ladder(table, rungs=self.rungs, losses=self.losses)
            if not self.doubt:
                # The place where the cached property keeps its value.
                self.known.__dict__["doubt"] = 1.0
        return table, self.known

    def next_run(self, rows: Sequence[Row], yields: Sequence[float]) -> Row:
        if not self.opening and len(rows) < OPENING_RUNS:
            return SobolSpread(reach_of(self.space), self.seed).next_run(rows, yields)
        table, ladder = self.fitted(rows, yields)
        return propose(History(self.space, table, tuple(rows), (), self.new_ground), ladder, Purpose.RAISE).settings

    def recipe(self, rows: Sequence[Row], yields: Sequence[float]) -> int:
        if self.best_seen:
            return best_observed(yields)
        ladder = self.fitted(rows, yields)[1]
        found = working_recipe(ladder, self.space, rows)
        return 0 if found is None else found


Maker = Callable[[Space, int], Chooser]


def _other(make: Callable[[Reach, int], Chooser]) -> tuple[Maker, Maker]:
    """The chooser with its own start, and behind the project's opening runs."""

    def plain(space: Space, seed: int) -> Chooser:
        return make(reach_of(space), seed)

    def opened(space: Space, seed: int) -> Chooser:
        reach = reach_of(space)
        return WithOpening(make(reach, seed), reach)

    return plain, opened


_PROCESS = _other(lambda reach, seed: TextbookProcess(reach, seed))
_PROCESS_OPENED = _other(lambda reach, seed: TextbookProcess(reach, seed, n_start=OPENING_RUNS))
_TPE = _other(lambda reach, seed: OptunaSampler(reach, seed, "tpe"))
_GP = _other(lambda reach, seed: OptunaSampler(reach, seed, "gp"))
_WITHOUT_RECIPES = tuple(r for r in PRIOR_WEIGHTS if r != "recipes")

OWN: dict[str, Maker] = {"own engine": lambda space, seed: Own(space)}
PEERS: dict[str, Maker] = {
    "one at a time": lambda space, seed: OneAtATime(reach_of(space), np.random.default_rng(seed)),
    "Sobol spread": lambda space, seed: SobolSpread(reach_of(space), seed),
    "composite + quadratic": lambda space, seed: CentralComposite(reach_of(space), np.random.default_rng(seed)),
    "textbook GP-EI": _PROCESS[0],
    "textbook GP-EI, own opening": _PROCESS_OPENED[1],
    "Optuna TPE": _TPE[0],
    "Optuna TPE, own opening": _TPE[1],
    "Optuna GP": _GP[0],
    "Optuna GP, own opening": _GP[1],
}
WITHOUT: dict[str, Maker] = {
    "own, new ground limited": lambda space, seed: Own(space, new_ground=0.25),
    "own, no recipe prior": lambda space, seed: Own(space, rungs=_WITHOUT_RECIPES),
    "own, recipe prior alone": lambda space, seed: Own(space, rungs=("recipes",)),
    "own, no loss at the ends": lambda space, seed: Own(space, losses=(0.0,)),
    "own, no doubt factor": lambda space, seed: Own(space, doubt=False),
    "own, Sobol start": lambda space, seed: Own(space, opening=False, seed=seed),
    "own, best seen as recipe": lambda space, seed: Own(space, best_seen=True),
}


def torch_is_here() -> bool:
    """Optuna's GP sampler needs PyTorch, which the lock file leaves out for its size."""
    return importlib.util.find_spec("torch") is not None
