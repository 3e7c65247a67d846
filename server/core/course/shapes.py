"""Shapes that readings of one run follow over time, with closed forms for the times that matter."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import TypeVar

import numpy as np

from server.core.space.variables import FloatArray


class Shape(StrEnum):
    """What the readings do."""

    PLATEAU = "plateau"
    RISE_AND_DECAY = "rise_and_decay"
    STRAIGHT = "straight"


SHAPE_WORDS = {
    Shape.PLATEAU: "delay and first-order approach to a plateau",
    Shape.RISE_AND_DECAY: "rise and decay (consecutive first order)",
    Shape.STRAIGHT: "a straight line (zero order)",
}


@dataclass(frozen=True)
class Form:
    """A shape with the parameters that are free.

    y(t) = start + size · g(t − delay), with g = 0 before the delay:

    plateau: g = 1 − exp(−k τ); rise and decay: g = k₁/(k₂ − k₁) (exp(−k₁ τ) − exp(−k₂ τ));
    straight: g = τ, or min(τ, end) with an end.
    """

    shape: Shape
    has_delay: bool = False
    has_start: bool = False
    has_end: bool = False

    @property
    def nonlinear(self) -> tuple[str, ...]:
        """Names of the parameters that do not enter linearly. Rates in 1/h, times in h."""
        names = {Shape.PLATEAU: ["rate"], Shape.RISE_AND_DECAY: ["rate", "decay"], Shape.STRAIGHT: []}[self.shape]
        return tuple(names + (["end"] if self.has_end else []) + (["delay"] if self.has_delay else []))

    @property
    def n_parameters(self) -> int:
        """Free parameters of the curve, the scatter not counted."""
        return len(self.nonlinear) + 1 + self.has_start

    def basis(self, nodes: FloatArray, hours: FloatArray) -> FloatArray:
        """g at every node and time.

        Parameters
        ----------
        nodes : ndarray of shape (n_nodes, n_nonlinear)
        hours : ndarray of shape (n_times,) [h]

        Returns
        -------
        g : ndarray of shape (n_nodes, n_times)
        """
        columns = {name: nodes[:, [k]] for k, name in enumerate(self.nonlinear)}
        tau = np.maximum(hours[None, :] - columns.get("delay", np.zeros((len(nodes), 1))), 0.0)
        if self.shape is Shape.PLATEAU:
            return np.asarray(-np.expm1(-columns["rate"] * tau))
        if self.shape is Shape.RISE_AND_DECAY:
            return consecutive(columns["rate"], columns["decay"], tau)
        return np.minimum(tau, columns["end"]) if self.has_end else tau


def consecutive(k1: FloatArray, k2: FloatArray, hours: FloatArray) -> FloatArray:
    """Intermediate B of A → B → C, both first order, per A at the start; the limit k τ exp(−k τ) for equal rates.

    Source: any physical chemistry text; for example Atkins & de Paula, Physical Chemistry, 'consecutive reactions'.
    """
    gap = k2 - k1
    is_close = np.abs(gap) < 1e-6 * np.maximum(k1, k2)
    safe = np.where(is_close, 1.0, gap)
    apart = k1 / safe * (np.exp(-k1 * hours) - np.exp(-k2 * hours))
    return np.asarray(np.where(is_close, k1 * hours * np.exp(-k1 * hours), apart))


def best_time(k1: float, k2: float) -> float:
    """Time of the most intermediate, ln(k₁/k₂)/(k₁ − k₂). [h]

    Examples
    --------
    >>> round(best_time(1.0, 0.5), 6), round(best_time(2.0, 2.0), 6)
    (1.386294, 0.5)
    """
    if abs(k1 - k2) < 1e-6 * max(k1, k2):
        return 1.0 / k1
    return math.log(k1 / k2) / (k1 - k2)


Time = TypeVar("Time", float, FloatArray)


def time_to(fraction: float, rate: Time, delay: Time | float = 0.0) -> Time:
    """Time at which a fraction of the plateau is reached, delay − ln(1 − fraction)/k. [h]

    Examples
    --------
    >>> round(time_to(0.5, 0.05), 6), round(time_to(0.99, 0.05), 6)
    (13.862944, 92.103404)
    """
    return delay - math.log1p(-fraction) / rate
