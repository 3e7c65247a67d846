"""The charge: what to weigh at a scale, which material limits, and the theoretical yield."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum

from server.errors import InvalidInputError, NotReadyError


class MaterialRole(StrEnum):
    """What a material is for."""

    REAGENT = "reagent"
    SOLVENT = "solvent"
    CATALYST = "catalyst"
    DRYING_AGENT = "drying_agent"
    WASH = "wash"
    OTHER = "other"


class AmountKind(StrEnum):
    """How the amount of a material is given."""

    EQUIVALENTS = "equivalents"  # mol per mol of the scale
    MOL_PERCENT = "mol_percent"  # mol per 100 mol of the scale
    MASS = "mass"  # g at the base scale
    VOLUME = "volume"  # mL at the base scale
    MASS_PERCENT = "mass_percent"  # g per 100 g of the reference
    VOLUME_PER_GRAM = "volume_per_gram"  # mL per g of the reference
    CONCENTRATION = "concentration"  # mol of the scale per L of this liquid


# Amounts that follow from moles of the compound; and those that follow from the reference, whatever the base scale.
IN_MOLES = (AmountKind.EQUIVALENTS, AmountKind.MOL_PERCENT)
PER_GRAM = (AmountKind.MASS_PERCENT, AmountKind.VOLUME_PER_GRAM)
RELATIVE = (*IN_MOLES, *PER_GRAM, AmountKind.CONCENTRATION)
# Reagents whose amounts differ by less run out together: the dust of the arithmetic.
_TOGETHER = 1e-9
# Amounts that are entered for the base scale and grow with it.
AT_BASE_SCALE = (AmountKind.MASS, AmountKind.VOLUME)
MEASURED_BY_VOLUME = (AmountKind.VOLUME, AmountKind.VOLUME_PER_GRAM, AmountKind.CONCENTRATION)


@dataclass(frozen=True)
class Material:
    """A line of the charge.

    Attributes
    ----------
    molar_mass : float or None
        [g/mol]
    coefficient : float
        Stoichiometric coefficient in the balanced equation; only reagents use it. [-]
    amount : float
        In the unit of ``amount_kind``, at ``base_scale`` for masses and volumes.
    purity : float
        Mass fraction of the compound in the dry material. [0..1]
    water : float
        Mass fraction of water in the material as weighed. [0..1]
    concentration : float or None
        Of a solution. [mol/L]
    density : float or None
        [g/mL]
    stock : float or None
        What is on hand. [g]
    portions : float
        How many times the amount is taken, such as the number of washes. [-]
    reference_molar_mass : float or None
        Of the reagent of which one equivalent is the scale, for amounts per gram of it. [g/mol]
    waters : float
        Water of crystallisation that is part of its formula and molar mass, in moles per mole. [-]
    hydrogen, oxygen : float or None
        Atoms in its formula; None where it has none that is known.
    times : float
        How many times the variable that sets the amount is taken. [-]
    taken_after : str
        Stage whose weighed intermediate the amount is for; empty where it is for the scale. Per gram then counts
        from the mass of that intermediate.
    share : float or None
        Part of the amount for all of theory that is taken, by what was weighed of that intermediate; None while it is not
        known, and all of it is meant. [-]
    held : float or None
        Part of theory that the weighed intermediate holds as product; None where that is ``share``. Amounts per gram
        count from its mass, impurities included, so there the two differ. [-]
    purity_u : float
        Standard uncertainty of ``purity``. [0..1]
    """

    key: str
    name: str
    role: MaterialRole
    amount_kind: AmountKind
    amount: float
    molar_mass: float | None = None
    coefficient: float = 1.0
    purity: float = 1.0
    water: float = 0.0
    concentration: float | None = None
    density: float | None = None
    stock: float | None = None
    portions: float = 1.0
    reference_molar_mass: float | None = None
    # These say nothing of what is taken: two lines that differ in them alone are one.
    waters: float = field(default=0.0, compare=False)
    hydrogen: float | None = field(default=None, compare=False)
    oxygen: float | None = field(default=None, compare=False)
    times: float = field(default=1.0, compare=False)
    taken_after: str = ""
    share: float | None = field(default=None, compare=False)
    held: float | None = field(default=None, compare=False)
    purity_u: float = field(default=0.0, compare=False)

    @property
    def part(self) -> float:
        """Part of the amount for all of theory that is taken. [-]"""
        return 1.0 if self.share is None else self.share

    @property
    def part_of_theory(self) -> float:
        """Part of theory for which it is taken. [-]"""
        return self.part if self.held is None else self.held

    def with_atoms_of(self, other: Material | None) -> Material:
        """The same with the atoms of another of the same molar mass, where its own are not known."""
        if self.hydrogen is not None or other is None or other.molar_mass != self.molar_mass:
            return self
        return replace(self, waters=other.waters, hydrogen=other.hydrogen, oxygen=other.oxygen)

    @property
    def content(self) -> float:
        """Mass of compound per mass of material as weighed. [-]"""
        return self.purity * (1.0 - self.water)


@dataclass(frozen=True)
class ChargeLine:
    """What to weigh or measure of one material, all portions together; None where it cannot be known."""

    material: Material
    moles: float | None
    mass_g: float | None
    volume_ml: float | None


@dataclass(frozen=True)
class Product:
    """The product: molar mass [g/mol] and stoichiometric coefficient [-]."""

    molar_mass: float
    coefficient: float = 1.0


@dataclass(frozen=True)
class Theory:
    """Theoretical yield and the material that limits it.

    ``start_g`` is what the materials allow that are not taken for an intermediate: more than ``mass_g`` where one that is
    taken for an intermediate limits. [g]
    """

    limiting: Material
    limiting_moles: float
    product_moles: float
    mass_g: float
    start_g: float

    @property
    def used_share(self) -> float:
        """Part of what was there before the limiting material came that it lets become product. [-]"""
        return self.mass_g / self.start_g


def charge_line(material: Material, scale: float, base_scale: float | None) -> ChargeLine:
    """Work out one line of the charge.

    Parameters
    ----------
    material : Material
    scale : float
        Amount of the reference, one equivalent; what is taken for an intermediate follows its share of theory. [mol]
    base_scale : float or None
        The scale at which masses and volumes were entered. [mol]

    Raises
    ------
    InvalidInputError
        If a needed molar mass, density, reference or base scale is missing, naming it.
    """
    if not (math.isfinite(scale) and scale > 0):
        raise InvalidInputError({"scale": "The scale must be more than 0 mol."})
    scale *= material.part
    if material.amount_kind in IN_MOLES:
        moles = material.amount * material.portions * scale / (100.0 if material.amount_kind is AmountKind.MOL_PERCENT else 1.0)
        if material.concentration:
            volume = 1000.0 * moles / material.concentration
            return ChargeLine(material, moles, volume * material.density if material.density else None, volume)
        if material.molar_mass is None:
            raise InvalidInputError(
                {"formula": f"{material.name}: equivalents need a formula or a molar mass (or a solution's concentration)."}
            )
        mass = moles * material.molar_mass / material.content
        return ChargeLine(material, moles, mass, mass / material.density if material.density else None)
    if material.amount_kind is AmountKind.CONCENTRATION:
        if not material.amount > 0:
            raise InvalidInputError({"amount": f"{material.name}: a concentration of 0 mol/L says no volume."})
        return _line_of_volume(material, 1000.0 * scale * material.portions / material.amount)
    if material.amount_kind in RELATIVE:
        amount = material.amount * material.portions * scale * _reference_molar_mass(material)
        if material.amount_kind is AmountKind.VOLUME_PER_GRAM:
            return _line_of_volume(material, amount)
        return _line_of_mass(material, amount / 100.0)
    if base_scale is None:
        raise InvalidInputError({"base_scale_mol": f"{material.name}: a mass or volume needs the scale at which it was entered."})
    amount = material.amount * material.portions * scale / base_scale
    return _line_of_mass(material, amount) if material.amount_kind is AmountKind.MASS else _line_of_volume(material, amount)


def _line_of_mass(material: Material, mass_g: float) -> ChargeLine:
    return ChargeLine(
        material, moles_in(material, mass_g=mass_g), mass_g, mass_g / material.density if material.density else None
    )


def _line_of_volume(material: Material, volume_ml: float) -> ChargeLine:
    mass_g = volume_ml * material.density if material.density else None
    return ChargeLine(material, moles_in(material, volume_ml=volume_ml), mass_g, volume_ml)


def _reference_molar_mass(material: Material) -> float:
    if material.reference_molar_mass is None:
        message = (
            f"{material.name}: an amount per gram of an intermediate needs the theoretical yield."
            if material.taken_after
            else f"{material.name}: an amount per gram needs a reference, a reagent of which 1 equivalent is taken, "
            "with its formula or molar mass."
        )
        raise InvalidInputError({"amount_kind": message})
    return material.reference_molar_mass


def moles_in(material: Material, *, mass_g: float | None = None, volume_ml: float | None = None) -> float | None:
    """Amount of the compound in a weighed mass or measured volume. [mol] None where it cannot be known."""
    if material.concentration:
        # What is dissolved counts by its volume, so a solution needs no molar mass.
        if volume_ml is None and mass_g is not None and material.density:
            volume_ml = mass_g / material.density
        return None if volume_ml is None else volume_ml / 1000.0 * material.concentration
    if mass_g is None and volume_ml is not None and material.density:
        mass_g = volume_ml * material.density
    if mass_g is None or not material.molar_mass:
        return None
    return mass_g * material.content / material.molar_mass


def amount_weighed(
    material: Material, scale: float, base_scale: float | None, *, mass_g: float | None = None, volume_ml: float | None = None
) -> float | None:
    """What a weighed mass or measured volume means in the unit of the material's amount: the inverse of ``charge_line``.

    Parameters
    ----------
    scale : float
        Amount of the reference that was really taken, one equivalent. [mol]
    base_scale : float or None
        The scale at which masses and volumes were entered. [mol]

    Returns
    -------
    amount : float or None
        Of one portion, in the unit of the material's amount; None where it cannot be known.
    """
    if not material.portions * material.part > 0:
        return None
    scale *= material.portions * material.part
    if material.amount_kind in IN_MOLES:
        moles = moles_in(material, mass_g=mass_g, volume_ml=volume_ml)
        if moles is None:
            return None
        return moles / scale * (100.0 if material.amount_kind is AmountKind.MOL_PERCENT else 1.0)
    if material.amount_kind not in MEASURED_BY_VOLUME:
        taken = volume_ml * material.density if mass_g is None and volume_ml is not None and material.density else mass_g
    else:
        taken = mass_g / material.density if volume_ml is None and mass_g is not None and material.density else volume_ml
    if taken is None:
        return None
    if material.amount_kind is AmountKind.CONCENTRATION:
        return 1000.0 * scale / taken if taken > 0 else None
    if material.amount_kind in RELATIVE:
        per_gram = taken / (scale * material.reference_molar_mass) if material.reference_molar_mass else None
        return 100.0 * per_gram if per_gram is not None and material.amount_kind is AmountKind.MASS_PERCENT else per_gram
    return None if base_scale is None else taken * base_scale / scale


def extents(available: Sequence[tuple[Material, float]]) -> list[tuple[Material, float, float]]:
    """Reagents among materials and their moles, each with its moles and the extent of the reaction that it allows. [mol]

    The extent is moles divided by stoichiometric coefficient, and by the share of theory for which they were taken. What is
    left out (0 mol, as in a control) limits nothing and is not among them.
    """
    return [
        (m, n, n / (m.coefficient * m.part_of_theory))
        for m, n in available
        if m.role is MaterialRole.REAGENT and m.coefficient * m.part_of_theory > 0 and n > 0
    ]


def theoretical_yield(product: Product, available: Sequence[tuple[Material, float]]) -> Theory:
    """Find the limiting reagent and the theoretical yield.

    Parameters
    ----------
    available : sequence of (material, moles)
        Only materials whose role is reagent count, see ``extents``. [mol]

    Raises
    ------
    NotReadyError
        If there is no reagent with a known amount.

    Notes
    -----
    The smallest extent limits. What was taken for an intermediate says nothing of what was lost before it.
    Source: OpenStax Chemistry 2e, sec. 4.4.
    """
    reagents = extents(available)
    if not reagents:
        raise NotReadyError("The theoretical yield needs at least one reagent with a known amount in moles.", have=0, need=1)
    least = min(extent for _, _, extent in reagents)
    # Of those that run out together, as in a stoichiometric mixture, the first one of the charge.
    limiting, moles, extent = next(one for one in reagents if one[2] <= least * (1 + _TOGETHER))
    product_moles = extent * product.coefficient
    mass_g = product_moles * product.molar_mass
    start = [n / m.coefficient for m, n, _ in reagents if not m.taken_after] if limiting.taken_after else []
    start_g = min(start) * product.coefficient * product.molar_mass if start else mass_g
    return Theory(limiting, moles, product_moles, mass_g, start_g)


def atom_economy(product: Product, reagents: Sequence[Material], other_g: float = 0.0) -> float:
    """Mass of product per mass of reagents in the balanced equation. [%]

    Parameters
    ----------
    other_g : float
        What the equation takes beside the reagents, per mole of the equation: water of crystallisation from the solvent. [g/mol]

    Notes
    -----
    Source: Trost, Science 254 (1991) 1471.

    Raises
    ------
    NotReadyError
        If a reagent has no molar mass.
    """
    total = 0.0
    for m in reagents:
        if m.role is not MaterialRole.REAGENT:
            continue
        if m.molar_mass is None:
            raise NotReadyError(f"Atom economy needs the molar mass of {m.name}.", have=0, need=1)
        total += m.coefficient * m.molar_mass
    if total == 0.0:
        raise NotReadyError("Atom economy needs at least one reagent.", have=0, need=1)
    return 100.0 * product.coefficient * product.molar_mass / (total + other_g)


def process_mass_intensity(masses_g: Sequence[float], product_g: float) -> float:
    """Mass of everything put in, water and solvents included, per mass of product. [g/g]

    The E factor with everything counted is this number minus one.

    Raises
    ------
    NotReadyError
        For a product mass of 0 g or less.

    Notes
    -----
    Sources: Jiménez-González et al., Org. Process Res. Dev. 15 (2011) 912; Sheldon,
    Green Chem. 9 (2007) 1273.
    """
    if product_g <= 0:
        raise NotReadyError("Mass intensity needs a product mass above 0 g.", have=0, need=1)
    return sum(masses_g) / product_g


# A mass of fewer steps of the balance than this cannot be weighed on it: half a step is 10 % of it. (Own judgement.)
FEWEST_DIGITS = 5


def round_to_readability(mass_g: float, readability_g: float) -> float:
    """Round a mass to what the balance shows; what is too little for it keeps three digits. [g]

    Examples
    --------
    >>> round_to_readability(12.3456, 0.01), round_to_readability(0.0021281, 0.01)
    (12.35, 0.00213)
    """
    if mass_g < FEWEST_DIGITS * readability_g:
        return float(f"{mass_g:.3g}")
    decimals = max(0, -math.floor(math.log10(readability_g)))
    return round(round(mass_g / readability_g) * readability_g, decimals + 1)


def scale_for_product(product: Product, target_g: float, expected_yield_percent: float, product_moles_per_mol: float) -> float:
    """Scale at which the expected yield gives the wanted mass. [mol]

    Parameters
    ----------
    product_moles_per_mol : float
        Moles of product in theory per mol of scale.

    Raises
    ------
    InvalidInputError
        For an expected yield of 0 % or less.
    """
    if expected_yield_percent <= 0:
        raise InvalidInputError({"expected_yield": "The expected yield must be above 0 %."})
    return target_g / product.molar_mass / (expected_yield_percent / 100.0) / product_moles_per_mol


def stock_runs(lines: Sequence[ChargeLine]) -> tuple[int, Material] | None:
    """How many runs the stock allows and which material runs out first; None where no stock is entered."""
    found: tuple[int, Material] | None = None
    for line in lines:
        if line.material.stock is None or not line.mass_g:
            continue
        runs = math.floor(line.material.stock / line.mass_g * (1 + 1e-12))
        if found is None or runs < found[0]:
            found = (runs, line.material)
    return found


def uncounted_stock(lines: Sequence[ChargeLine]) -> list[Material]:
    """Materials with a stock that cannot be counted in runs, because the mass that a run takes is not known."""
    return [line.material for line in lines if line.material.stock is not None and line.mass_g is None]


def scale_for_runs(lines: Sequence[ChargeLine], scale: float, n_runs: int) -> float | None:
    """Largest scale at which ``n_runs`` runs fit the stock. [mol] None where no stock is entered."""
    limits = [
        scale * line.material.stock / (n_runs * line.mass_g) for line in lines if line.material.stock is not None and line.mass_g
    ]
    return min(limits) if limits else None
