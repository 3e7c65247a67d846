"""Variables of a preparation: what may be set, where, in which steps.

A variable's *role* is its physical meaning; it decides how settings are coded
(see ``coordinates``) and what the recipe prior assumes about it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
Setting = float | str
Settings = Mapping[str, Setting]

# Numbers closer than this are the same setting: what was weighed or read off is never quite the same. [range of a variable]
# (Own judgement.)
ALIKE = 0.005
# More grid points than this and a variable counts as continuous for searching.
MOST_GRID_POINTS = 400


class Role(StrEnum):
    """Physical meaning of a variable."""

    HOLD_TIME = "hold_time"
    TEMPERATURE = "temperature"
    RATIO = "ratio"
    LOADING = "loading"
    CONCENTRATION = "concentration"
    VOLUME = "volume"
    COUNT = "count"
    CHOICE = "choice"
    OTHER = "other"


class Stage(StrEnum):
    """Part of the preparation in which a variable acts."""

    REACTION = "reaction"
    REACTION_2 = "reaction_2"
    REACTION_3 = "reaction_3"
    QUENCH = "quench"
    WORK_UP = "work_up"
    ISOLATION = "isolation"
    DRYING = "drying"


REACTION_STAGES = (Stage.REACTION, Stage.REACTION_2, Stage.REACTION_3)
STAGE_WORDS = {
    Stage.REACTION: "reaction",
    Stage.REACTION_2: "reaction, second part",
    Stage.REACTION_3: "reaction, third part",
    Stage.QUENCH: "quench",
    Stage.WORK_UP: "work-up",
    Stage.ISOLATION: "isolation",
    Stage.DRYING: "drying",
}
# As in 'after the work-up'.
THE_STAGE = {stage: f"the {words}" for stage, words in STAGE_WORDS.items()} | {
    Stage.REACTION_2: "the second part of the reaction",
    Stage.REACTION_3: "the third part of the reaction",
}


@dataclass(frozen=True)
class Variable:
    """One variable; numbers are in ``unit``, ``choices`` is empty unless the role is choice.

    ``low``..``high`` is the range that proposals use; ``hard_low``..``hard_high``
    is what may never be left, planned by hand or not (equal to the range if not given).
    ``seen_low``..``seen_high``, where given, is where runs have been: coordinates are scaled over it and the
    range together, so that what runs outside the range tell does not depend on where it ends today.
    """

    key: str
    name: str
    role: Role
    unit: str = ""
    low: float = 0.0
    high: float = 1.0
    step: float | None = None
    base: float | str = 0.0
    stage: Stage = Stage.REACTION
    choices: tuple[str, ...] = ()
    hard_low: float | None = None
    hard_high: float | None = None
    seen_low: float | None = None
    seen_high: float | None = None

    @property
    def is_choice(self) -> bool:
        return self.role is Role.CHOICE

    @property
    def coded_low(self) -> float:
        """Where coordinates are 0. [unit]"""
        return self.low if self.seen_low is None else min(self.low, self.seen_low)

    @property
    def coded_high(self) -> float:
        """Where coordinates are 1. [unit]"""
        return self.high if self.seen_high is None else max(self.high, self.seen_high)

    @property
    def span(self) -> float:
        """High minus low. [unit]"""
        return self.high - self.low

    @property
    def working_step(self) -> float:
        """The step, or where none is given a round number near a fiftieth of the range. [unit]"""
        if self.step is not None:
            return self.step
        if self.role is Role.COUNT:
            return 1.0
        return round_step(self.span / 50.0)

    def grid(self) -> FloatArray:
        """All reachable values, ascending: low, low + step, … not above high. [unit]

        Returns
        -------
        values : ndarray of shape (n_values,)
        """
        step = self.working_step
        count = math.floor(self.span / step * (1 + 1e-12) + 1e-9) + 1
        return np.round(self.low + step * np.arange(count), 10)

    def snap(self, value: float) -> float:
        """Return the reachable value that lies nearest to ``value``. [unit]"""
        step = self.working_step
        last = math.floor(self.span / step * (1 + 1e-12) + 1e-9)
        index = min(max(round((value - self.low) / step), 0), last)
        return round(self.low + index * step, 10)


def round_step(rough: float) -> float:
    """Return the largest of 1, 2, 5 times a power of ten that does not exceed ``rough``."""
    power = 10.0 ** math.floor(math.log10(rough))
    for factor in (5.0, 2.0):
        if factor * power <= rough * (1 + 1e-12):
            return factor * power
    return power
