"""The recipe prior: what a chemist knows about yield before the first run.

From the roles and stages of the variables alone, a vector of standard normal
numbers describes one mechanistic recipe: first-order conversion with an
Arrhenius rate in each reaction step, loss by over-reaction, reaction orders,
sometimes an equilibrium, a side reaction, a cliff in temperature, a rate limited
by gas uptake or mixing, a catalyst that dies, and losses in the work-up. The
numbers below are own judgement about preparative chemistry (common practice, no
source); the runs decide how much any of it counts.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import special

from server.core.space.coordinates import coded_ends
from server.core.space.variables import REACTION_STAGES, FloatArray, Role, Stage, Variable

GAS_CONSTANT = 8.314462618e-3  # kJ/(mol K), CODATA 2018 (exact since the 2019 SI)
_RATE_ROLES = (Role.RATIO, Role.LOADING, Role.CONCENTRATION)


class _Slots:
    """Hands out consecutive positions in the parameter vector."""

    def __init__(self) -> None:
        self.size = 0

    def take(self, count: int = 1) -> slice:
        start = self.size
        self.size += count
        return slice(start, self.size)


@dataclass(frozen=True)
class _Step:
    """One reaction step: which columns hold its time and its possible temperatures."""

    time: int | None
    temperatures: tuple[int, ...]
    slots: slice


_PER_STEP = 22
Pick = Callable[[slice, int], FloatArray]  # one parameter of every recipe, shape (n_recipes, 1)


@dataclass(frozen=True)
class _Shifts:
    """What ratios, loadings and choices do to the steps; each of shape (n_recipes, n_rows)."""

    log_rate: FloatArray
    over: FloatArray
    side: FloatArray
    balance: FloatArray


def _steps_of(variables: tuple[Variable, ...], slots: _Slots) -> list[_Step]:
    """Pair hold times with temperatures by stage; where a stage has several, the recipe draws the pairing."""
    steps: list[_Step] = []
    for stage in REACTION_STAGES:
        times = [j for j, v in enumerate(variables) if v.stage is stage and v.role is Role.HOLD_TIME]
        temperatures = tuple(j for j, v in enumerate(variables) if v.stage is stage and v.role is Role.TEMPERATURE)
        if not times and not temperatures and stage is not Stage.REACTION:
            continue
        each: list[int | None] = [*times] or [None]
        steps.extend(_Step(time, temperatures, slots.take(_PER_STEP)) for time in each)
    return steps


class RecipePrior:
    """Random mechanistic recipes over given variables.

    Parameters
    ----------
    variables : tuple of Variable

    Attributes
    ----------
    n_parameters : int
        Length of the standard normal vector that describes one recipe.
    """

    def __init__(self, variables: tuple[Variable, ...]) -> None:
        self.variables = variables
        slots = _Slots()
        self._overall = slots.take(4)
        self._steps = _steps_of(variables, slots)
        self._orders = {j: slots.take(6) for j, v in enumerate(variables) if v.role in _RATE_ROLES and v.stage in REACTION_STAGES}
        self._hills = {
            j: slots.take(4)
            for j, v in enumerate(variables)
            if not v.is_choice
            and j not in self._orders
            and not (v.role in (Role.HOLD_TIME, Role.TEMPERATURE) and v.stage in REACTION_STAGES)
        }
        self._choices = {j: slots.take(2 + 2 * len(v.choices)) for j, v in enumerate(variables) if v.is_choice}
        self.n_parameters = slots.size
        ends = {j: coded_ends(v) for j, v in enumerate(variables) if not v.is_choice}
        self._middles = {j: float(np.mean(both)) for j, both in ends.items()}
        self._spans = {j: float(np.ptp(both)) for j, both in ends.items()}

    def draw(self, count: int, rng: np.random.Generator) -> FloatArray:
        """Return ``count`` parameter vectors, shape (count, n_parameters)."""
        return rng.standard_normal((count, self.n_parameters))

    def yields(self, parameters: FloatArray, coded: FloatArray) -> FloatArray:
        """Yield of every recipe at every row of settings.

        Parameters
        ----------
        parameters : ndarray of shape (n_recipes, n_parameters)
        coded : ndarray of shape (n_rows, n_variables)

        Returns
        -------
        yields : ndarray of shape (n_recipes, n_rows)
            Between 0 and 100. [%]
        """
        n_recipes, n_rows = len(parameters), len(coded)

        def p(position: slice, k: int) -> FloatArray:
            return parameters[:, position.start + k][:, None]

        # Physical displacement from the middle of each range: ln-units for
        # logarithmic roles, 1000/K for temperatures.
        shift = {j: ((coded[:, j] - 0.5) * self._spans[j])[None, :] for j in self._middles}

        log_rate = np.zeros((n_recipes, n_rows))
        recovery_loss = np.zeros((n_recipes, n_rows))  # −ln recovery
        side_shift = np.zeros((n_recipes, n_rows))
        balance_shift = np.zeros((n_recipes, n_rows))
        over_shift = np.zeros((n_recipes, n_rows))
        for j, s in self._orders.items():
            ln_amount = shift[j]
            order = np.clip(0.6 + 0.5 * p(s, 0), -0.3, 2.0)
            log_rate += order * ln_amount
            over_shift += (order * (0.6 + 0.4 * p(s, 1))) * ln_amount
            side_shift += (0.8 * p(s, 2)) * ln_amount
            balance_shift += np.abs(0.9 + 0.6 * p(s, 3)) * ln_amount * (self.variables[j].role is not Role.LOADING)
            # Excess makes the work-up harder.
            recovery_loss += np.exp(np.log(0.03) + 1.1 * p(s, 4)) * np.clip(coded[:, j], 0.0, 1.5)[None, :] ** 1.5
        for j, s in self._choices.items():
            level = coded[:, j].astype(int)
            size = len(self.variables[j].choices)
            rates = parameters[:, s.start + 2 : s.start + 2 + size]
            losses = parameters[:, s.start + 2 + size : s.start + 2 + 2 * size]
            if self.variables[j].stage in REACTION_STAGES:
                log_rate += np.exp(np.log(0.35) + 0.9 * p(s, 0)) * rates[:, level]
            recovery_loss += np.exp(np.log(0.05) + 0.9 * p(s, 1)) * np.abs(losses[:, level])
        for j, s in self._hills.items():
            best = 0.5 + 0.42 * p(s, 0)
            size = np.exp(np.log(0.2) + 1.1 * p(s, 1))
            recovery_loss += size * (coded[:, j][None, :] - best) ** 2

        shifts = _Shifts(log_rate, over_shift, side_shift, balance_shift)
        product = np.ones((n_recipes, n_rows))
        for step in self._steps:
            product *= self._step(step, p, shift, coded, shifts)
        ceiling = special.expit(2.2 + 0.9 * p(self._overall, 0))
        return np.asarray(100.0 * ceiling * product * np.exp(-recovery_loss))

    def _step(self, step: _Step, p: Pick, shift: dict[int, FloatArray], coded: FloatArray, shifts: _Shifts) -> FloatArray:
        """Fraction of product after one reaction step, shape (n_recipes, n_rows)."""
        s = step.slots
        heat: FloatArray | float = 0.0  # 1000/T(middle) − 1000/T, so that rates grow with exp(Ea/R · heat/1000)
        coded_heat: FloatArray | None = None
        for rank, j in enumerate(step.temperatures):
            if len(step.temperatures) == 1:
                share: FloatArray | float = 1.0
            else:
                # Which of several temperatures governs this step is drawn, the one in the same place first.
                first = p(s, 18) < 0.8
                own = (self._rank_of(step) % len(step.temperatures)) == rank
                share = np.where(first, float(own), 1.0 - float(own)) / (1.0 if own else max(len(step.temperatures) - 1, 1))
            heat = heat + share * shift[j]
            part = share * coded[:, j][None, :]
            coded_heat = part if coded_heat is None else coded_heat + part
        scale = 1.0 / (GAS_CONSTANT * 1000.0)
        energy = np.clip(72.0 + 20.0 * p(s, 0), 20.0, 140.0) * scale
        over_energy = np.clip(energy / scale + 12.0 + 25.0 * p(s, 1), 10.0, 200.0) * scale
        log_k = 1.2 + 1.2 * p(s, 2) + energy * heat + shifts.log_rate
        log_over = 1.2 + 1.2 * p(s, 2) - 3.2 + 1.5 * p(s, 3) + over_energy * heat + shifts.over
        # Gas uptake or mixing may limit the rate, the more the hotter.
        limit = np.where(p(s, 4) > 1.1, 0.8 + 0.9 * p(s, 5) - np.abs(25.0 * p(s, 6)) * scale * heat, 30.0)
        log_k = -np.logaddexp(-log_k, -limit)
        time = np.exp(shift[step.time]) if step.time is not None else np.ones((1, coded.shape[0]))
        # Induction, and a catalyst that loses its activity.
        delay = np.where(p(s, 7) > 1.1, np.exp(-1.2 + 0.7 * p(s, 8)), 0.0)
        time = np.maximum(time - delay, 1e-6)
        decay = np.where(p(s, 9) > 1.0, np.exp(-0.5 + 1.0 * p(s, 10) + np.clip(60 + 25 * p(s, 10), 0, 150) * scale * heat), 1e-9)
        active_time = -np.expm1(-np.minimum(decay * time, 50.0)) / decay
        a = np.exp(np.clip(log_k, -25.0, 25.0)) * active_time
        b = np.exp(np.clip(log_over, -25.0, 25.0)) * time
        made = consecutive_fraction(a, b)
        with_balance = p(s, 11) > 0.5
        plateau = special.expit(2.0 + 1.0 * p(s, 12) + shifts.balance + (12.0 * p(s, 13)) * scale * heat)
        made = made * np.where(with_balance, plateau, 1.0)
        selectivity = special.expit(2.6 + 1.0 * p(s, 14) - (12.0 + 22.0 * p(s, 15)) * scale * heat - shifts.side)
        made = made * np.where(p(s, 16) > 0.3, selectivity, 1.0)
        if coded_heat is not None:
            edge = 0.85 + 0.3 * p(s, 19)
            cliff = 1.0 - special.expit(p(s, 20)) * special.expit((coded_heat - edge) / 0.05)
            made = made * np.where(p(s, 17) > 1.0, cliff, 1.0)
        return made

    def _rank_of(self, step: _Step) -> int:
        """Position of a step among those that share its temperatures."""
        return [s for s in self._steps if s.temperatures == step.temperatures].index(step)


def consecutive_fraction(a: FloatArray, b: FloatArray) -> FloatArray:
    """Fraction present as the intermediate of A → B → C, both first order.

    Parameters
    ----------
    a, b : ndarray, broadcastable
        k₁t and k₂t. [-]

    Returns
    -------
    fraction : ndarray
        a/(b − a)·(e^(−a) − e^(−b)), with its limit a·e^(−a) where a = b. [-]

    Notes
    -----
    Source: any physical chemistry text, consecutive first-order reactions.

    Examples
    --------
    >>> float(np.round(consecutive_fraction(np.array(2 * np.log(2.0)), np.array(np.log(2.0))), 12))
    0.5
    """
    gap = b - a
    small = np.abs(gap) < 1e-8 * (1.0 + np.abs(a))
    safe = np.where(small, 1.0, gap)
    ratio = np.where(small, 1.0, -np.expm1(-np.clip(safe, -700.0, 700.0)) / safe)
    # For b much smaller than a, e^(−a)·(e^(a−b) − 1) must not overflow: factor the larger exponential out.
    large_a = gap < -30.0
    direct = np.where(large_a, a / np.where(small, 1.0, -gap) * np.exp(-b), a * np.exp(-a) * ratio)
    return np.asarray(np.clip(direct, 0.0, 1.0))
