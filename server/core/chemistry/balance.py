"""Mass balance: where the product went, stage by stage."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

from server.errors import InvalidInputError


@dataclass(frozen=True)
class Checkpoint:
    """A weighed intermediate that holds the product; ``purity`` is its mass fraction. [0..1]"""

    name: str
    stage: str
    mass_g: float
    purity: float = 1.0

    @property
    def product_g(self) -> float:
        return self.mass_g * self.purity


@dataclass(frozen=True)
class StageRecovery:
    """One stretch of the way: product at its end against product at its start."""

    from_name: str
    to_name: str
    stage: str
    start_g: float
    end_g: float

    @property
    def recovery_percent(self) -> float:
        return 100.0 * self.end_g / self.start_g

    @property
    def lost_g(self) -> float:
        return self.start_g - self.end_g


# More product after a stage than before it, beyond what weighing scatters by. [%] (own judgement)
GAIN = 101.0


@dataclass(frozen=True)
class MassBalance:
    """Where the product went.

    ``based_on_recovered_percent`` is the yield on the starting material that was not
    recovered (None if none was). ``sentence`` names the stage where most was lost.
    """

    stages: tuple[StageRecovery, ...]
    yield_percent: float
    based_on_recovered_percent: float | None
    sentence: str


def follow_the_product(
    theoretical_g: float,
    checkpoints: Sequence[Checkpoint],
    product_g: float | None,
    recovered_fraction: float | None = None,
) -> MassBalance:
    """Follow the product from theory through the checkpoints to the isolated mass.

    Parameters
    ----------
    theoretical_g : float
        Theoretical yield. [g]
    checkpoints : sequence of Checkpoint
        In the order of the work.
    product_g : float or None
        Isolated product, corrected for purity; None before it was weighed. [g]
    recovered_fraction : float or None
        Fraction of the limiting material that was recovered unchanged. [0..1]

    Raises
    ------
    InvalidInputError
        If theory is not above zero, or there is nothing to follow.
    """
    if not theoretical_g > 0:
        raise InvalidInputError({"theoretical_yield_g": "The theoretical yield must be more than 0 g."})
    marks = [Checkpoint("theory", "reaction", theoretical_g), *checkpoints]
    if product_g is not None:
        marks.append(Checkpoint("isolated product", "", product_g))
    if len(marks) == 1:
        raise InvalidInputError({"checkpoints": "Enter a checkpoint or the product mass to see where the product went."})
    stages = tuple(
        StageRecovery(a.name, b.name, b.stage, a.product_g, b.product_g) for a, b in itertools.pairwise(marks) if a.product_g > 0
    )
    final = marks[-1].product_g
    percent = 100.0 * final / theoretical_g
    on_recovered = None
    if recovered_fraction is not None:
        if not recovered_fraction >= 0:
            raise InvalidInputError({"recovered": "Recovered starting material cannot be less than nothing."})
        # Where as much came back as was put in, there is nothing left that a yield could be based on.
        on_recovered = percent / (1.0 - recovered_fraction) if recovered_fraction < 1.0 - 1e-9 else None
    sentence = _sentence(stages, theoretical_g, recovered_fraction or 0.0)
    empty = next((a for a, b in itertools.pairwise(marks) if a.product_g == 0.0 < b.product_g), None)
    if empty is not None:
        sentence += f" But {empty.name} held none, and there was product after it: one of the two is not right."
    accounted = percent + 100.0 * (recovered_fraction or 0.0)
    if recovered_fraction and accounted > GAIN:
        sentence += f" Product and recovered starting material make up {accounted:.0f} %: one of the two was not dry or pure."
    return MassBalance(stages, percent, on_recovered, sentence)


def _sentence(stages: Sequence[StageRecovery], theoretical_g: float, recovered: float) -> str:
    """Where most was lost; what came back as starting material was not lost before the first checkpoint."""

    def lost(s: StageRecovery) -> float:
        return s.lost_g - (recovered * theoretical_g if s is stages[0] else 0.0)

    worst = max(stages, key=lost)
    if lost(worst) <= 0:
        return "No stage lost product; a gain from one checkpoint to the next points to solvent, water or salts."
    share = 100.0 * lost(worst) / theoretical_g
    apart = ", starting material that came back not counted as lost" if recovered and worst is stages[0] else ""
    gained = [k for k, s in enumerate(stages) if s.recovery_percent > GAIN]
    more = ""
    if gained:
        # A gain up to where most seems lost says that it was never there; else the first of them is told.
        before = stages.index(worst) - 1
        s = stages[before if before in gained else gained[0]]
        than = "theory allows" if s is stages[0] else f"{s.from_name} did"
        why = "it was wet, or its content" if s is stages[0] else "one of the two was wet, or its content"
        told = f"{s.to_name} holds more product than {than}: {why} is not right."
        if before in gained:
            return f"{told[0].upper()}{told[1:]} So where most was lost cannot be told."
        more = f" But {told}"
    return (
        f"Most was lost between {worst.from_name} and {worst.to_name}: {lost(worst):.3g} g, "
        f"that is {share:.0f} % of theory (recovery there {worst.recovery_percent:.0f} %{apart}).{more}"
    )
