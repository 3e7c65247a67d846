"""Simulated preparations for the benchmarks: yields from Arrhenius kinetics and work-up losses.

All data here are invented. None of these functions shares code with the recipe
prior; two of them (``smooth`` and ``misleading``) are surfaces that no mechanistic
recipe foresees.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.integrate import solve_ivp

from server.core.space.limits import Space
from server.core.space.variables import Role, Setting, Stage, Variable

R = 8.314e-3


@dataclass(frozen=True)
class Preparation:
    """A simulated preparation: ``truth`` gives the noise-free yield. [%]"""

    name: str
    space: Space
    truth: Callable[[dict[str, Setting]], float]
    noise: float = 2.0


def rate_constant(k_ref: float, energy: float, celsius: float, ref: float) -> float:
    """Arrhenius: the rate constant at ``celsius`` from that at ``ref`` [°C]; ``energy`` in kJ/mol."""
    return k_ref * float(np.exp(energy / R * (1.0 / (ref + 273.15) - 1.0 / (celsius + 273.15))))


def number(
    name: str, role: Role, unit: str, low: float, high: float, step: float, base: float, stage: Stage = Stage.REACTION
) -> Variable:
    """A numeric variable whose key is its name."""
    return Variable(name, name, role, unit, low, high, step, base, stage)


def choice(name: str, choices: tuple[str, ...], base: str, stage: Stage = Stage.REACTION) -> Variable:
    """A choice whose key is its name."""
    return Variable(name, name, Role.CHOICE, choices=choices, base=base, stage=stage)


def logistic(x: float) -> float:
    """Step from 0 to 1, safe for large arguments."""
    return 1.0 / (1.0 + math.exp(-min(max(x, -60.0), 60.0)))


def percent(fraction: float) -> float:
    """A fraction as a yield between 0 and 100. [%]"""
    return min(max(100.0 * fraction, 0.0), 100.0)


def over_reaction() -> Preparation:
    space = Space(
        (
            number("hold", Role.HOLD_TIME, "h", 0.5, 8, 0.25, 1.5),
            number("bath", Role.TEMPERATURE, "°C", 40, 110, 5, 60),
            number("ratio", Role.RATIO, "", 1, 3, 0.1, 1.2),
        )
    )

    def truth(s: dict[str, Setting]) -> float:
        t, temp, r = float(s["hold"]), float(s["bath"]), float(s["ratio"])
        k1 = rate_constant(0.35, 62, temp, 70) * r**0.9
        k2 = rate_constant(0.03, 95, temp, 70) * r**0.5
        b = k1 / (k2 - k1) * (np.exp(-k1 * t) - np.exp(-k2 * t))
        return 94 * float(b) * (1 - 0.03 * (r - 1))

    return Preparation("over-reaction", space, truth)


def two_stage_hold() -> Preparation:
    space = Space(
        (
            number("hold1", Role.HOLD_TIME, "h", 0.25, 4, 0.25, 1),
            number("temp1", Role.TEMPERATURE, "°C", 0, 40, 5, 20),
            number("hold2", Role.HOLD_TIME, "h", 0.5, 10, 0.5, 2, Stage.REACTION_2),
            number("temp2", Role.TEMPERATURE, "°C", 50, 120, 5, 70, Stage.REACTION_2),
        )
    )

    def truth(s: dict[str, Setting]) -> float:
        k1, d1 = rate_constant(1.2, 50, float(s["temp1"]), 20), rate_constant(0.05, 80, float(s["temp1"]), 20)
        k2, d2 = rate_constant(0.25, 75, float(s["temp2"]), 80), rate_constant(0.015, 110, float(s["temp2"]), 80)

        def rates(_t: float, y: np.ndarray, a: float, b: float) -> list[float]:
            return [-a * y[0], a * y[0] - b * y[1]]

        first = solve_ivp(rates, (0, float(s["hold1"])), [1, 0], args=(k1, d1), rtol=1e-6).y[1, -1]
        second = solve_ivp(rates, (0, float(s["hold2"])), [first, 0], args=(k2, d2), rtol=1e-6).y[1, -1]
        return 96 * float(second)

    return Preparation("two-stage hold", space, truth)


def reversible_shift() -> Preparation:
    space = Space(
        (
            number("hold", Role.HOLD_TIME, "h", 0.5, 6, 0.5, 1.5),
            number("bath", Role.TEMPERATURE, "°C", 90, 150, 5, 110),
            number("ratio", Role.RATIO, "", 1, 5, 0.25, 1.5),
            number("acid", Role.LOADING, "mol%", 0.5, 8, 0.5, 2),
            number("washes", Role.COUNT, "", 1, 5, 1, 2, Stage.WORK_UP),
        )
    )

    def truth(s: dict[str, Setting]) -> float:
        r, a = float(s["ratio"]), float(s["acid"])
        k = rate_constant(0.45, 58, float(s["bath"]), 115) * (a / 2) ** 0.8
        equilibrium = 4.0
        # Conversion at equilibrium of A + B = C + D from K (r excess of B).
        q = equilibrium
        x_eq = ((q * (1 + r)) - np.sqrt((q * (1 + r)) ** 2 - 4 * (q - 1) * q * r)) / (2 * (q - 1))
        x = x_eq * (1 - np.exp(-k * float(s["hold"]) * (1 + 0.3 * r)))
        side = np.exp(-rate_constant(0.012, 90, float(s["bath"]), 115) * float(s["hold"]) * a / 2)
        w = float(s["washes"])
        recovery = 0.97 - 0.03 * (w - 2) ** 2 * (w > 2) - 0.05 * (w < 2) - 0.012 * (r - 1) ** 1.5
        return float(100 * x * side * recovery)

    return Preparation("reversible with a shift", space, truth)


def competing() -> Preparation:
    space = Space(
        (
            number("hold", Role.HOLD_TIME, "h", 1, 24, 1, 6),
            number("temp", Role.TEMPERATURE, "°C", -20, 40, 5, 10),
            number("ratio", Role.RATIO, "", 1, 2.5, 0.1, 1.3),
            number("conc", Role.CONCENTRATION, "mol/L", 0.05, 1, 0.05, 0.4),
        )
    )

    def truth(s: dict[str, Setting]) -> float:
        c, r = float(s["conc"]), float(s["ratio"])
        k = rate_constant(0.9, 48, float(s["temp"]), 10) * c**1.0 * r
        side = rate_constant(0.25, 78, float(s["temp"]), 10) * c**1.8 * r**1.4
        x = 1 - np.exp(-(k + side) * float(s["hold"]))
        return float(97 * x * k / (k + side))

    return Preparation("competing selectivity", space, truth)


def cliff() -> Preparation:
    space = Space(
        (
            number("hold", Role.HOLD_TIME, "min", 10, 120, 5, 30),
            number("temp", Role.TEMPERATURE, "°C", 60, 130, 2, 80),
            number("loading", Role.LOADING, "mol%", 0.5, 5, 0.25, 1.5),
        )
    )

    def truth(s: dict[str, Setting]) -> float:
        temp = float(s["temp"])
        k = rate_constant(0.02, 70, temp, 90) * (float(s["loading"]) / 1.5) ** 0.7
        x = 1 - np.exp(-k * float(s["hold"]))
        alive = 1 / (1 + np.exp((temp - 112) / 2.0))
        return float(92 * x * (0.15 + 0.85 * alive))

    return Preparation("cliff", space, truth)


def mixed_choices() -> Preparation:
    space = Space(
        (
            number("hold", Role.HOLD_TIME, "h", 0.5, 6, 0.5, 2),
            number("temp", Role.TEMPERATURE, "°C", 30, 90, 5, 50),
            choice("solvent", ("A", "B", "C", "D"), "A"),
            choice("agent", ("p", "q", "r"), "p", Stage.DRYING),
            number("antisolvent", Role.VOLUME, "mL/g", 1, 8, 0.5, 3, Stage.ISOLATION),
        )
    )
    rate = {"A": 1.0, "B": 2.2, "C": 0.5, "D": 1.4}
    ruin = {"A": 1.0, "B": 1.3, "C": 0.6, "D": 0.5}
    keep = {"p": 0.95, "q": 0.86, "r": 0.98}

    def truth(s: dict[str, Setting]) -> float:
        k = rate_constant(0.4, 66, float(s["temp"]), 60) * rate[str(s["solvent"])]
        d = rate_constant(0.06, 92, float(s["temp"]), 60) * ruin[str(s["solvent"])]
        t = float(s["hold"])
        b = k / (d - k) * (np.exp(-k * t) - np.exp(-d * t))
        v = float(s["antisolvent"])
        crystals = 1 - np.exp(-0.7 * v) - 0.012 * max(v - 4, 0) ** 1.5
        return float(100 * b * crystals * keep[str(s["agent"])])

    return Preparation("mixed choices", space, truth)


def eight_variables() -> Preparation:
    space = Space(
        (
            number("hold", Role.HOLD_TIME, "h", 1, 16, 1, 4),
            number("temp", Role.TEMPERATURE, "°C", 20, 100, 5, 50),
            number("ratio", Role.RATIO, "", 1, 3, 0.1, 1.2),
            number("loading", Role.LOADING, "mol%", 1, 10, 0.5, 4),
            number("stirring", Role.OTHER, "1/min", 200, 1000, 50, 500),
            number("washes", Role.COUNT, "", 1, 5, 1, 3, Stage.WORK_UP),
            number("water", Role.VOLUME, "mL", 10, 100, 5, 40, Stage.QUENCH),
            number("cool", Role.TEMPERATURE, "°C", -10, 20, 2, 4, Stage.ISOLATION),
        )
    )

    def truth(s: dict[str, Setting]) -> float:
        k = rate_constant(0.25, 60, float(s["temp"]), 60)
        d = rate_constant(0.012, 100, float(s["temp"]), 60)
        t = float(s["hold"])
        b = k / (d - k) * (np.exp(-k * t) - np.exp(-d * t))
        crystals = 0.97 - 0.006 * (float(s["cool"]) + 10)
        return float(96 * b * crystals)

    return Preparation("eight, three matter", space, truth)


def published_quadratic() -> Preparation:
    # Central-composite example, Montgomery, Design and Analysis of Experiments, table 11.6
    # (coefficients from memory): y = 79.94 + 0.995a + 0.515b − 1.376a² − 1.001b² + 0.25ab.
    space = Space(
        (
            number("time", Role.HOLD_TIME, "min", 60, 110, 1, 70),
            number("temp", Role.TEMPERATURE, "°F", 150, 200, 1, 160),
        )
    )

    def truth(s: dict[str, Setting]) -> float:
        a, b = (float(s["time"]) - 85) / 5, (float(s["temp"]) - 175) / 5
        return max(79.94 + 0.995 * a + 0.515 * b - 1.376 * a * a - 1.001 * b * b + 0.25 * a * b, 0.0)

    return Preparation("published quadratic", space, truth, noise=1.0)


def smooth() -> Preparation:
    space = Space(tuple(number(f"x{k}", Role.OTHER, "", 0, 10, 0.25, 5) for k in range(3)))
    rng = np.random.default_rng(11)
    waves = rng.normal(size=(24, 3)) * 2.2
    phases, heights = rng.uniform(0, 2 * np.pi, 24), rng.normal(size=24)

    def truth(s: dict[str, Setting]) -> float:
        x = np.array([float(s[f"x{k}"]) / 10 for k in range(3)])
        f = float(np.sum(heights * np.cos(waves @ x + phases)) / np.sqrt(12))
        return 100 / (1 + float(np.exp(-(0.4 + 0.9 * f))))

    return Preparation("random smooth", space, truth)


def misleading() -> Preparation:
    # Yield falls with time and there are two separated optima in temperature and ratio.
    space = Space(
        (
            number("hold", Role.HOLD_TIME, "h", 0.5, 8, 0.5, 4),
            number("temp", Role.TEMPERATURE, "°C", 0, 100, 5, 50),
            number("ratio", Role.RATIO, "", 1, 4, 0.25, 2),
        )
    )

    def truth(s: dict[str, Setting]) -> float:
        u, r = float(s["temp"]) / 100, (float(s["ratio"]) - 1) / 3
        one = np.exp(-(((u - 0.2) / 0.18) ** 2 + ((r - 0.75) / 0.25) ** 2))
        two = np.exp(-(((u - 0.8) / 0.2) ** 2 + ((r - 0.3) / 0.3) ** 2))
        return float((30 + 55 * one + 42 * two) * (1 - 0.05 * (float(s["hold"]) - 0.5)))

    return Preparation("roles mislead", space, truth)


ALL = (
    over_reaction,
    two_stage_hold,
    reversible_shift,
    competing,
    cliff,
    mixed_choices,
    eight_variables,
    published_quadratic,
    smooth,
    misleading,
)
