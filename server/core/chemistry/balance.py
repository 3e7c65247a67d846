"""Mass balance: where the product went, stage by stage."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

from server.errors import InvalidInputError

# The content of a checkpoint is an estimate, known about this well. [share of it] (own judgement)
CONTENT_U = 0.02
# Less is dust of the arithmetic. [part of theory]
_NOTHING = 1e-9
# What is further apart than so many standard uncertainties is apart. [-]
APART = 2.0


@dataclass(frozen=True)
class Checkpoint:
    """A weighed intermediate that holds the product; ``purity`` is its mass fraction, known to ``u_share`` of it. [0..1]"""

    name: str
    stage: str
    mass_g: float
    purity: float = 1.0
    u_share: float = CONTENT_U

    @property
    def product_g(self) -> float:
        return self.mass_g * self.purity

    @property
    def u_g(self) -> float:
        """Standard uncertainty of the product in it. [g]"""
        return self.product_g * self.u_share


@dataclass(frozen=True)
class StageRecovery:
    """One stretch of the way: product at its end against product at its start.

    ``came_back_g`` is starting material that came back, as the product that it could have become; it is not lost. [g]
    """

    from_name: str
    to_name: str
    stage: str
    start_g: float
    end_g: float
    came_back_g: float = 0.0

    @property
    def recovery_percent(self) -> float:
        return 100.0 * self.end_g / self.start_g

    @property
    def lost_g(self) -> float:
        return self.start_g - self.end_g - self.came_back_g


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

    @property
    def is_more_than_was_there(self) -> bool:
        """Whether more was weighed than the starting material that did not come back can give, as far as it is shown."""
        return self.based_on_recovered_percent is not None and round(self.based_on_recovered_percent, 1) > 100.0


def follow_the_product(
    theoretical_g: float,
    checkpoints: Sequence[Checkpoint],
    product_g: float | None,
    recovered_fraction: float | None = None,
    share_of_start: float = 1.0,
    limits_from: int = 0,
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
    share_of_start : float
        Part of the limiting material that theory uses up: less than 1 in a resolution, where the rest is left over
        whatever is done. [0..1]
    limits_from : int
        Number of checkpoints before the limiting material is taken: more than 0 where that is a reagent for an intermediate,
        and what these checkpoints hold counts as what it can become.

    Raises
    ------
    InvalidInputError
        If theory is not above zero, or there is nothing to follow.
    """
    if not theoretical_g > 0:
        raise InvalidInputError({"theoretical_yield_g": "The theoretical yield must be more than 0 g."})
    marks = [Checkpoint("theory", "reaction", theoretical_g, u_share=0.0), *checkpoints]
    if product_g is not None:
        marks.append(Checkpoint("isolated product", "", product_g, u_share=0.0))
    if len(marks) == 1:
        raise InvalidInputError({"checkpoints": "Enter a checkpoint or the product mass to see where the product went."})
    places = [k for k, mark in enumerate(marks[:-1]) if mark.product_g > 0]
    pairs = [(marks[k], marks[k + 1]) for k in places]
    # What theory leaves over came back without being missing.
    back = max(0.0, ((recovered_fraction or 0.0) - (1.0 - share_of_start)) / share_of_start)
    stages = tuple(
        StageRecovery(a.name, b.name, b.stage, a.product_g, b.product_g, back * a.product_g if a is marks[limits_from] else 0.0)
        for a, b in pairs
    )
    final = marks[-1].product_g
    percent = 100.0 * final / theoretical_g
    on_recovered = None
    if recovered_fraction is not None:
        if not recovered_fraction >= 0:
            raise InvalidInputError({"recovered": "Recovered starting material cannot be less than nothing."})
        # Where as much came back as was put in, there is nothing left that a yield could be based on.
        on_recovered = percent / (1.0 - back) if back < 1.0 - 1e-9 else None
    sentence = _sentence(stages, places, [mark.u_g for mark in marks], theoretical_g)
    empty = next((a for a, b in itertools.pairwise(marks) if a.product_g == 0.0 < b.product_g), None)
    if empty is not None:
        sentence += f" But {empty.name} held none, and there was product after it: one of the two is not right."
    # What was lost later was there before; what was lost before the limiting material came cannot have taken any of it.
    there = marks[limits_from].product_g
    for mark in (marks[-1], max(marks[limits_from + 1 :], key=lambda m: m.product_g, default=marks[-1])):
        if not there > 0 or mark is marks[limits_from]:
            break
        accounted = 100.0 * (mark.product_g / there * share_of_start + (recovered_fraction or 0.0))
        if recovered_fraction and accounted > 100.0 * (1.0 + APART * CONTENT_U):
            what = "Product" if mark is marks[-1] else f"The product in {mark.name}"
            sentence += f" {what} and recovered starting material make up {accounted:.0f} %: one of the two was not dry or pure."
            break
    return MassBalance(stages, percent, on_recovered, sentence)


def _grams(mass: float) -> str:
    return f"{mass:.3g} g" if mass < 999.5 else f"{mass:.0f} g"


def _sentence(stages: Sequence[StageRecovery], places: Sequence[int], u_g: Sequence[float], theoretical_g: float) -> str:
    """Where most was lost; what came back as starting material was not lost before the first checkpoint.

    Parameters
    ----------
    places : sequence of int
        Of each stage: position of the mark at its start.
    u_g : sequence of float
        Standard uncertainty of the product at each mark, independent of each other. [g]
    """
    worst = max(stages, key=lambda s: s.lost_g)
    if worst.lost_g <= _NOTHING * theoretical_g:
        return "No stage lost product; a gain from one checkpoint to the next points to solvent, water or salts."
    share = 100.0 * worst.lost_g / theoretical_g
    apart = ", starting material that came back not counted as lost" if worst.came_back_g else ""
    gained = [k for k, s in enumerate(stages) if s.end_g - s.start_g > APART * math.hypot(u_g[places[k]], u_g[places[k] + 1])]
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
    most = (
        f"Most was lost between {worst.from_name} and {worst.to_name}: {_grams(worst.lost_g)}, "
        f"that is {share:.0f} % of theory (recovery there {worst.recovery_percent:.0f} %{apart})"
    )
    others = [s for s in stages if s is not worst]
    second = max(others, key=lambda s: s.lost_g) if others else None
    if second is not None and second.lost_g > _NOTHING * theoretical_g:
        # Neighbours share a mark, whose uncertainty enters the difference of the two losses twice.
        parts = [0.0] * len(u_g)
        for s, sign in ((worst, 1.0), (second, -1.0)):
            k = places[stages.index(s)]
            parts[k] += sign
            parts[k + 1] -= sign
        u = math.hypot(*(part * one for part, one in zip(parts, u_g, strict=True)))
        if worst.lost_g - second.lost_g < APART * u:
            return (
                f"{most}, or between {second.from_name} and {second.to_name}: {_grams(second.lost_g)}. With contents known to "
                f"some {100 * CONTENT_U:.0f} %, which of the two cannot be told.{more}"
            )
    return f"{most}.{more}"
