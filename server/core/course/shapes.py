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
    SLOWING = "slowing"
    RISE_AND_DECAY = "rise_and_decay"
    STRAIGHT = "straight"


SHAPE_WORDS = {
    Shape.PLATEAU: "first-order approach to a plateau",
    Shape.SLOWING: "second-order approach to a plateau",
    Shape.RISE_AND_DECAY: "rise and decay (consecutive first order)",
    Shape.STRAIGHT: "a straight line (zero order)",
}


@dataclass(frozen=True)
class Form:
    """A shape with the parameters that are free.

    y(t) = start + size · g(t − delay), with g = 0 before the delay:

    plateau: g = 1 − exp(−k τ); slowing: g = k τ/(1 + k τ), second order in equal amounts, k times what was there at
    the start; rise and decay: g = k₁/(k₂ − k₁) (exp(−k₁ τ) − exp(−k₂ τ));
    straight: g = τ, or min(τ, end) with an end.
    """

    shape: Shape
    has_delay: bool = False
    has_start: bool = False
    has_end: bool = False

    @property
    def nonlinear(self) -> tuple[str, ...]:
        """Names of the parameters that do not enter linearly. Rates in 1/h, times in h."""
        names = {Shape.RISE_AND_DECAY: ["rate", "decay"], Shape.STRAIGHT: []}.get(self.shape, ["rate"])
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
        if self.shape is Shape.SLOWING:
            return np.asarray(columns["rate"] * tau / (1.0 + columns["rate"] * tau))
        if self.shape is Shape.RISE_AND_DECAY:
            return consecutive(columns["rate"], columns["decay"], tau)
        return np.minimum(tau, columns["end"]) if self.has_end else tau


# Shapes that come to a plateau, with one rate.
TO_A_PLATEAU = (Shape.PLATEAU, Shape.SLOWING)


def consecutive(k1: FloatArray, k2: FloatArray, hours: FloatArray) -> FloatArray:
    """Intermediate B of A → B → C, both first order, per A at the start; the limit k τ exp(−k τ) for equal rates.

    Rates [1/h] and times [h] may have any shapes that go together.

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


def time_to(fraction: float, rate: Time, delay: Time | float = 0.0, shape: Shape = Shape.PLATEAU) -> Time:
    """Time at which a fraction of the plateau is reached. [h]

    delay − ln(1 − fraction)/k, or where it slows as second order does, delay + fraction/(1 − fraction)/k.

    Examples
    --------
    >>> round(time_to(0.5, 0.05), 6), round(time_to(0.99, 0.05), 6)
    (13.862944, 92.103404)
    >>> round(time_to(0.5, 0.05, shape=Shape.SLOWING), 6), round(time_to(0.95, 2.0, 1.0, Shape.SLOWING), 6)
    (20.0, 10.5)
    """
    if shape is Shape.SLOWING:
        return delay + fraction / (1.0 - fraction) / rate
    return delay - math.log1p(-fraction) / rate


def no_longer_pays(share: float, rate: float, delay: float, shape: Shape) -> float:
    """Time from which a further hour brings less than a share of the plateau. [h]

    Examples
    --------
    >>> round(no_longer_pays(0.01, 1.0, 0.0, Shape.PLATEAU), 4)
    4.1465
    >>> t = no_longer_pays(0.01, 2.0, 0.0, Shape.SLOWING)
    >>> round(2 * (t + 1) / (1 + 2 * (t + 1)) - 2 * t / (1 + 2 * t), 6)
    0.01
    """
    if shape is Shape.SLOWING:
        # k/((1 + k τ)(1 + k (τ + 1))) = share, with u = 1 + k τ.
        u = 0.5 * (math.sqrt(rate * rate + 4.0 * rate / share) - rate)
        return delay + max((u - 1.0) / rate, 0.0)
    # size · exp(−k (t − delay)) · (1 − exp(−k · 1 h)) falls to the share of the size at this time.
    return delay + max(math.log(max(-math.expm1(-rate), 1e-12) / share) / rate, 0.0)
