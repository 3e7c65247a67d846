"""Drying agents: how much water they can bind, how much to take, and what they must not meet."""

from __future__ import annotations

import re
from dataclasses import dataclass

from server.core.chemistry.formula import read_formula
from server.errors import InvalidInputError

COMMON_PRACTICE = "common practice, no source"
# Words beside the name of a drying agent that say that it is dry.
_DRY_WORDS = {"anhydrous", "anhydr.", "anh.", "anhyd.", "dry", "dried", "powdered", "granular"}
# Beyond these nothing is dried in a laboratory.
SMALLEST_WATER_G = 1e-6
MOST_WATER_G = 1e6
LARGEST_EXCESS = 1000.0


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


def agent_called(text: str) -> DryingAgent | None:
    """The drying agent that a name or a formula means, however it is written; None for anything else.

    Examples
    --------
    >>> [agent_called(t).formula for t in ("Sodium sulphate, anhydrous", "MgSO4", "dried CaCl2")], agent_called("MgO")
    (['Na2SO4', 'MgSO4', 'CaCl2'], None)
    """
    words = text.casefold().replace("sulphate", "sulfate").translate(str.maketrans("₀₁₂₃₄₅₆₇₈₉", "0123456789"))
    told = " ".join(w for w in re.sub(r"[(),;]", " ", words).split() if w not in _DRY_WORDS)
    return next((a for a in AGENTS.values() if told in (a.name, a.formula.casefold())), None)


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
        If the agent is not known, or water or excess cannot be.
    """
    agent = agent_called(agent_name)
    if agent is None:
        raise InvalidInputError({"agent": f"No drying agent {agent_name[:40]} is known; known are {', '.join(AGENTS)}."})
    messages = {}
    if not SMALLEST_WATER_G <= water_g <= MOST_WATER_G:
        messages["water_g"] = f"Water must be more than 0 g, and at most {MOST_WATER_G / 1e6:g} t."
    if not 1 <= excess <= LARGEST_EXCESS:
        messages["excess"] = f"The excess must be at least 1 and at most {LARGEST_EXCESS:g}."
    if messages:
        raise InvalidInputError(messages)
    least = water_g / agent.capacity
    return DryingAdvice(agent, water_g, least, least * excess)
