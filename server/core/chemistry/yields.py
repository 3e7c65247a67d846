"""The yield of a run with its standard uncertainty, and which input matters most.

Propagation follows the GUM (JCGM 100:2008, eq. 10); the uncertainties library does it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from uncertainties import nominal_value, std_dev, ufloat

from server.errors import InvalidInputError

# Residual solvent, water or salts are the usual reasons for more than 100 %.
ABOVE_100_REASONS = (
    "A yield above 100 % usually means that the product is still wet, holds solvent or salts, "
    "or that a mass or purity was noted wrongly."
)


CONTENT = "content of the limiting material"  # its line of the budget


@dataclass(frozen=True)
class Quantity:
    """A value with its standard uncertainty, both in the unit of the value."""

    value: float
    u: float = 0.0


@dataclass(frozen=True)
class TheoreticalYield(Quantity):
    """The product that all of the limiting material could give, with the uncertainty of the run's own weighing. [g]

    ``content`` is that of the limiting material, to which the value is proportional; None where something else tells it.
    [g/g] All runs from one bottle share its error, so its uncertainty is no part of how runs differ.
    """

    content: Quantity | None = None

    @property
    def content_u(self) -> float:
        """Standard uncertainty of the content; 0 where none was noted. [g/g]"""
        return self.content.u if self.content is not None else 0.0


@dataclass(frozen=True)
class BudgetLine:
    """One input's part of the uncertainty; ``share`` of the variance. [-]"""

    name: str
    value: float
    u: float
    unit: str
    contribution: float
    share: float


@dataclass(frozen=True)
class RunYield:
    """Percent yield. [%] ``u`` is the standard uncertainty; [percentage points]"""

    percent: float
    u: float
    pure_mass_g: float | None
    theoretical_g: float | None
    budget: tuple[BudgetLine, ...]

    @property
    def is_above_100(self) -> bool:
        return self.percent > 100.0

    @property
    def u_own(self) -> float:
        """The part of ``u`` that is not shared by all runs from one bottle of the limiting material. [percentage points]"""
        shared = sum(line.contribution**2 for line in self.budget if line.name == CONTENT)
        return float(max(self.u**2 - shared, 0.0) ** 0.5)


def yield_from_mass(
    product_mass: Quantity,
    theoretical_mass: Quantity,
    purity: Quantity = Quantity(1.0),
    residual: Quantity = Quantity(0.0),
    content: Quantity | None = None,
) -> RunYield:
    """Percent yield from the product mass.

    Parameters
    ----------
    product_mass, theoretical_mass : Quantity
        [g]
    purity : Quantity
        Mass fraction of product in the dry material. [0..1]
    residual : Quantity
        Mass fraction of solvent and water in the material as weighed. [0..1]
    content : Quantity or None
        Mass fraction of compound in the limiting material, with which ``theoretical_mass`` was worked out; part of the budget
        where it has an uncertainty. [0..1]

    Returns
    -------
    run_yield : RunYield

    Raises
    ------
    InvalidInputError
        If the theoretical yield is not above zero.

    Notes
    -----
    Y = 100 · m · P · (1 − w) / m_theory with m_theory proportional to the content, inputs independent.
    Source: JCGM 100:2008 (GUM), eq. 10; molar masses count as exact beside weighing.
    """
    if not theoretical_mass.value > 0:
        raise InvalidInputError({"theoretical_yield_g": "The theoretical yield must be more than 0 g."})
    inputs: dict[str, tuple[Any, Quantity, str]] = {}
    for name, quantity, unit in (
        ("product mass", product_mass, "g"),
        ("theoretical yield", theoretical_mass, "g"),
        ("purity", purity, "g/g"),
        ("solvent and water", residual, "g/g"),
        *([(CONTENT, content, "g/g")] if content is not None and content.u > 0 else []),
    ):
        # A value without uncertainty stays a plain number.
        inputs[name] = (ufloat(quantity.value, quantity.u) if quantity.u > 0 else quantity.value, quantity, unit)
    m, theory, p, w, *c = (inputs[k][0] for k in inputs)
    result = 100.0 * m * p * (1.0 - w) / theory
    if content is not None and c:
        result = result * content.value / c[0]
    value, u = float(nominal_value(result)), float(std_dev(result))
    variance = u**2
    components = result.error_components() if variance > 0 else {}
    budget = []
    for name, (variable, quantity, unit) in inputs.items():
        part = float(components.get(variable, 0.0) if quantity.u > 0 else 0.0)
        share = part**2 / variance if variance > 0 else 0.0
        budget.append(BudgetLine(name, quantity.value, quantity.u, unit, part, share))
    budget.sort(key=lambda line: -line.share)
    pure = product_mass.value * purity.value * (1.0 - residual.value)
    return RunYield(value, u, pure, theoretical_mass.value, tuple(budget))


def entered_yield(percent: float, u: float = 0.0) -> RunYield:
    """A yield that was worked out elsewhere and typed in. [%]"""
    return RunYield(percent, u, None, None, ())


def balance_uncertainty(readability_g: float) -> float:
    """Standard uncertainty of a weighing by difference from the readability alone. [g]

    Notes
    -----
    Two readings, each uniform over ± half a digit: u = d/√12 · √2 = d/√6.
    Source: JCGM 100:2008 (GUM), F.2.2.1 (resolution of a digital indication).
    """
    return float(readability_g / 6.0**0.5)
