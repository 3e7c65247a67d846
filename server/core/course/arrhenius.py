"""Rate constants of several runs against temperature: activation energy, and the hold at another temperature."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

from server.errors import NotReadyError

# kJ/(mol K); CODATA 2018, exact in the SI.
GAS_CONSTANT = 8.314462618e-3
FEWEST_TEMPERATURES = 2
# Logarithms beyond this are nonsense anyway, and would overflow.
_LARGEST_LOG = 200.0
SMALLEST_STEP = 1.0  # K; closer temperatures do not count as different


@dataclass(frozen=True)
class RateAt:
    """A rate constant at a temperature. Kelvin, 1/h; ``u_log`` is the standard uncertainty of ln k."""

    run_number: int
    kelvin: float
    rate: float
    u_log: float


@dataclass(frozen=True)
class Arrhenius:
    """ln k = intercept − energy/(R T).

    Attributes
    ----------
    energy, energy_low, energy_high : float
        Activation energy with its 90 % range (None with two points: a line through both). [kJ/mol]
    lowest, highest : float
        Temperatures that were tried. [K]
    """

    energy: float
    energy_low: float | None
    energy_high: float | None
    intercept: float
    scatter: float
    covariance: np.ndarray
    degrees_of_freedom: int
    lowest: float
    highest: float
    points: tuple[RateAt, ...]

    def rate(self, kelvin: float) -> float:
        """Rate constant at a temperature. [1/h]"""
        return math.exp(float(np.clip(self.intercept - self.energy / (GAS_CONSTANT * kelvin), -_LARGEST_LOG, _LARGEST_LOG)))

    def rate_range(self, kelvin: float) -> tuple[float, float] | None:
        """90 % range of the rate constant; None with two points only. [1/h]"""
        if self.degrees_of_freedom < 1:
            return None
        x = np.array([1.0, -1.0 / (GAS_CONSTANT * kelvin)])
        u = math.sqrt(float(x @ self.covariance @ x))
        reach = min(float(stats.t.ppf(0.95, self.degrees_of_freedom)) * u, _LARGEST_LOG)
        return self.rate(kelvin) * math.exp(-reach), self.rate(kelvin) * math.exp(reach)

    def is_new_ground(self, kelvin: float) -> bool:
        """Whether a temperature lies outside those that were tried."""
        return not self.lowest - 1e-9 <= kelvin <= self.highest + 1e-9


def fit_arrhenius(points: Sequence[RateAt]) -> Arrhenius:
    """Fit ln k against 1/T by weighted least squares.

    Raises
    ------
    NotReadyError
        With rates at fewer than two different temperatures.

    Notes
    -----
    Weights 1/(u² + s²) with s, the scatter between runs, such that the weighted residuals
    have their expected size (Paule & Mandel, J. Res. NBS 87 (1982) 377); s = 0 where the
    uncertainties alone explain it. Source of the law: OpenStax Chemistry 2e, sec. 12.5.
    """
    temperatures = np.array([p.kelvin for p in points])
    different = 1 + int(np.sum(np.diff(np.sort(temperatures)) >= SMALLEST_STEP - 1e-9)) if len(temperatures) else 0
    if different < FEWEST_TEMPERATURES:
        raise NotReadyError(
            f"Time courses at {different} temperature{'' if different == 1 else 's'} so far; an activation energy needs two.",
            have=different,
            need=FEWEST_TEMPERATURES,
        )
    y = np.log([p.rate for p in points])
    u = np.array([max(p.u_log, 1e-6) for p in points])
    x = np.column_stack([np.ones(len(points)), -1.0 / (GAS_CONSTANT * temperatures)])
    dof = len(points) - 2

    def solve(extra: float) -> tuple[np.ndarray, np.ndarray, float]:
        weights = 1.0 / (u**2 + extra)
        covariance = np.linalg.inv(x.T @ (weights[:, None] * x))
        solution = covariance @ (x.T @ (weights * y))
        return solution, covariance, float(weights @ (y - x @ solution) ** 2)

    extra = 0.0
    if dof > 0 and solve(0.0)[2] > dof:
        low, high = 0.0, max(float(np.var(y)), 1e-6) * 10.0
        for _ in range(80):
            extra = 0.5 * (low + high)
            low, high = (extra, high) if solve(extra)[2] > dof else (low, extra)
    solution, covariance, _ = solve(extra)
    energy_low = energy_high = None
    if dof > 0:
        reach = float(stats.t.ppf(0.95, dof)) * math.sqrt(float(covariance[1, 1]))
        energy_low, energy_high = float(solution[1]) - reach, float(solution[1]) + reach
    return Arrhenius(
        float(solution[1]),
        energy_low,
        energy_high,
        float(solution[0]),
        math.sqrt(extra),
        covariance,
        dof,
        float(temperatures.min()),
        float(temperatures.max()),
        tuple(points),
    )
