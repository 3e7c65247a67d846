"""Drying agents: how much water they can bind, how much to take, and what they must not meet."""

from __future__ import annotations

from dataclasses import dataclass

from server.core.chemistry.formula import read_formula
from server.errors import InvalidInputError

COMMON_PRACTICE = "common practice, no source"


@dataclass(frozen=True)
class DryingAgent:
    """A drying agent and the hydrate up to which it binds water.

    ``cautions`` are (sentence, source) pairs; ``avoid`` the product classes it must not meet.
    """

    name: str
    formula: str
    hydrate_water: float
    cautions: tuple[tuple[str, str], ...]
    avoid: tuple[str, ...] = ()

    @property
    def capacity(self) -> float:
        """Water bound per mass of agent by hydrate stoichiometry: a ceiling. [g/g]

        Examples
        --------
        >>> round(AGENTS["magnesium sulfate"].capacity, 4)
        1.0477
        """
        return self.hydrate_water * read_formula("H2O").molar_mass / read_formula(self.formula).molar_mass


AGENTS: dict[str, DryingAgent] = {
    agent.name: agent
    for agent in (
        DryingAgent(
            "magnesium sulfate",
            "MgSO4",
            7,
            (
                ("Slightly acidic: may affect very acid-sensitive compounds.", COMMON_PRACTICE),
                ("Warms on taking up water; add in portions to low-boiling solvents.", COMMON_PRACTICE),
            ),
            ("acid-sensitive",),
        ),
        DryingAgent(
            "sodium sulfate",
            "Na2SO4",
            10,
            (
                ("Slow: allow 15 min or more.", COMMON_PRACTICE),
                (
                    "Gives the water back above 32.4 °C, where the decahydrate ends.",
                    "handbook transition point 32.38 °C, from memory",
                ),
            ),
        ),
        DryingAgent(
            "calcium chloride",
            "CaCl2",
            2,
            (
                (
                    "Forms adducts with alcohols, phenols, amines, amides and many ketones and esters: product is lost.",
                    COMMON_PRACTICE,
                ),
                ("Technical grades hold lime: not for acids.", COMMON_PRACTICE),
            ),
            ("alcohol", "phenol", "amine", "amide", "ketone", "ester", "acid"),
        ),
        DryingAgent(
            "potassium carbonate",
            "K2CO3",
            1.5,
            (
                ("A base: reacts with acids (gas!) and acidic phenols.", COMMON_PRACTICE),
                ("May epimerise or condense base-sensitive compounds.", COMMON_PRACTICE),
            ),
            ("acid", "phenol", "base-sensitive"),
        ),
    )
}


@dataclass(frozen=True)
class DryingAdvice:
    """How much agent to take. [g] ``least_g`` is the stoichiometric minimum."""

    agent: DryingAgent
    water_g: float
    least_g: float
    suggested_g: float


def advise_drying(agent_name: str, water_g: float, excess: float = 3.0) -> DryingAdvice:
    """Suggest an amount of drying agent.

    Parameters
    ----------
    water_g : float
        Water to be removed. [g]
    excess : float
        Multiple of the stoichiometric minimum; hydrates form incompletely, so 2 to 5 is usual
        (common practice, no source). [-]

    Raises
    ------
    InvalidInputError
        If the agent is not known, or water or excess are not positive.
    """
    if agent_name not in AGENTS:
        raise InvalidInputError({"agent": f"No drying agent {agent_name} is known; known are {', '.join(AGENTS)}."})
    if not water_g > 0 or not excess >= 1:
        raise InvalidInputError({"water_g": "Water must be more than 0 g and the excess at least 1."})
    agent = AGENTS[agent_name]
    least = water_g / agent.capacity
    return DryingAdvice(agent, water_g, least, least * excess)
