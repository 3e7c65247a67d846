"""Covariance functions over coded coordinates, with choices as exchangeable levels.

The simple response models are Gaussian processes too: a straight line with a
normal prior on its slopes has the kernel Σ z z′. Writing all models as kernels
gives shrinkage, intervals and leave-one-out predictions from one piece of code.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from server.core.space.variables import FloatArray, Variable

# Before any run: yields of a preparation that somebody bothers to improve (own judgement).
PRIOR_MEAN = 55.0
PRIOR_MEAN_SD = 25.0


@dataclass(frozen=True)
class Columns:
    """Which coded columns are numbers and which are choices (with their number of levels)."""

    numeric: tuple[int, ...]
    choice: tuple[int, ...]
    n_levels: tuple[int, ...]

    @classmethod
    def of(cls, variables: tuple[Variable, ...]) -> Columns:
        numeric = tuple(j for j, v in enumerate(variables) if not v.is_choice)
        choice = tuple(j for j, v in enumerate(variables) if v.is_choice)
        return cls(numeric, choice, tuple(len(variables[j].choices) for j in choice))


def _products(columns: Columns, a: FloatArray, b: FloatArray) -> list[FloatArray]:
    """Return per variable the product of centred coordinates, shapes (len(a), len(b)).

    A choice with m levels contributes (m·[same] − 1)/(m − 1), which has mean
    zero over levels and 1 on the diagonal, so levels are exchangeable.
    """
    out = [np.outer(2.0 * a[:, j] - 1.0, 2.0 * b[:, j] - 1.0) for j in columns.numeric]
    for j, m in zip(columns.choice, columns.n_levels, strict=True):
        same = a[:, j][:, None] == b[:, j][None, :]
        out.append((m * same - 1.0) / max(m - 1, 1))
    return out


@dataclass(frozen=True)
class PolynomialKernel:
    """Kernel of a polynomial with independent normal priors on its coefficients.

    Attributes
    ----------
    slope, pair, square : float
        Standard deviations of the coefficients on z = 2x − 1, on z·z′ of two
        variables and on (3z² − 1)/2. Zero drops these terms. [percentage points]
    """

    columns: Columns
    slope: float
    pair: float = 0.0
    square: float = 0.0

    def __call__(self, a: FloatArray, b: FloatArray) -> FloatArray:
        total = np.full((len(a), len(b)), PRIOR_MEAN_SD**2)
        if self.slope == 0.0:
            return total
        products = _products(self.columns, a, b)
        total += self.slope**2 * sum(products)
        if self.pair:
            plain = np.sum(products, axis=0)
            total += self.pair**2 * 0.5 * (plain**2 - sum(p * p for p in products))
        if self.square:
            for j in self.columns.numeric:
                total += self.square**2 * np.outer(_bend(a[:, j]), _bend(b[:, j]))
        return total

    def diagonal(self, points: FloatArray) -> FloatArray:
        """Return k(x, x) for every row; shape (n_points,)."""
        total = np.full(len(points), PRIOR_MEAN_SD**2)
        squares = [(2.0 * points[:, j] - 1.0) ** 2 for j in self.columns.numeric]
        squares += [np.ones(len(points)) for _ in self.columns.choice]
        if self.slope == 0.0 or not squares:
            return total
        plain = np.sum(squares, axis=0)
        total += self.slope**2 * plain
        total += self.pair**2 * 0.5 * (plain**2 - np.sum(np.square(squares), axis=0))
        for j in self.columns.numeric:
            total += self.square**2 * _bend(points[:, j]) ** 2
        return total


def _bend(x: FloatArray) -> FloatArray:
    """Second Legendre polynomial of z = 2x − 1."""
    return np.asarray(0.5 * (3.0 * (2.0 * x - 1.0) ** 2 - 1.0))


@dataclass(frozen=True)
class SmoothKernel:
    """Matérn-5/2 kernel with one length scale per variable, plus a constant.

    Attributes
    ----------
    amplitude : float
        Standard deviation of the smooth part. [percentage points]
    lengths : tuple of length n_variables
        Length scales in coded units; two different levels of a choice lie one unit apart. [-]
    constant : float
        Standard deviation of the common level; 0 for none. [percentage points]

    Notes
    -----
    k = a² (1 + √5 r + 5r²/3) exp(−√5 r). Source: Rasmussen & Williams (2006), eq. 4.17.
    """

    columns: Columns
    amplitude: float
    lengths: tuple[float, ...]
    constant: float = PRIOR_MEAN_SD

    def __call__(self, a: FloatArray, b: FloatArray) -> FloatArray:
        # Imported here because scikit-learn takes a second to load.
        from sklearn.gaussian_process.kernels import Matern

        correlation = Matern(length_scale=1.0, nu=2.5)(self._features(a), self._features(b))
        return np.asarray(self.constant**2 + self.amplitude**2 * correlation)

    def _features(self, points: FloatArray) -> FloatArray:
        """Numbers over their length scales, and each choice as indicator columns that put two options one unit apart."""
        lengths = np.asarray(self.lengths)
        numeric = list(self.columns.numeric)
        parts = [points[:, numeric] / lengths[numeric]]
        for j, m in zip(self.columns.choice, self.columns.n_levels, strict=True):
            parts.append((points[:, [j]] == np.arange(m)[None, :]) * (np.sqrt(0.5) / lengths[j]))
        return np.hstack(parts)

    def diagonal(self, points: FloatArray) -> FloatArray:
        """Return k(x, x) for every row; shape (n_points,)."""
        return np.full(len(points), self.constant**2 + self.amplitude**2)
