"""Charges: what to weigh for a run, its theoretical yield, and how far the stock goes."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass, field, replace
from typing import Any

from sqlmodel import Session

from server.core.chemistry.balance import CONTENT_U
from server.core.chemistry.charge import (
    FEWEST_DIGITS,
    IN_MOLES,
    MEASURED_BY_VOLUME,
    PER_GRAM,
    RELATIVE,
    AmountKind,
    ChargeLine,
    Material,
    MaterialRole,
    Product,
    Theory,
    amount_weighed,
    atom_economy,
    charge_line,
    extents,
    moles_in,
    round_to_readability,
    scale_for_runs,
    stock_runs,
    theoretical_yield,
    uncounted_stock,
)
from server.core.chemistry.formula import read_counted, read_formula
from server.core.chemistry.yields import Quantity, TheoreticalYield, balance_uncertainty
from server.core.space.variables import THE_STAGE, Role, Setting, Stage
from server.errors import FormulaTextError, InvalidInputError, NotReadyError
from server.services.cells import bare_unit
from server.services.inputs import MaterialInput
from server.services.numbers import LARGEST, SMALLEST
from server.services.preparations import check_positive, log_change, move_up, now
from server.services.words import plain
from server.storage import questions
from server.storage.tables import CheckpointRow, MaterialRow, PreparationRow, VariableRow, WeighedRow

MOST_MATERIALS = 40
# Osmium has 22.587 g/mL at 20 °C, the most of all elements; water 55.3 mol/L at 25 °C, more than any common solution.
# (CRC Handbook of Chemistry and Physics, from memory.)
DENSEST = 23.0  # [g/mL]
MOST_CONCENTRATED = 60.0  # [mol/L]
# A variable with one of these roles may be the amount of a material; a time or a temperature is none, and a
# number of washes says how many times an amount is taken.
DRIVING_ROLES = (Role.RATIO, Role.LOADING, Role.VOLUME, Role.CONCENTRATION, Role.OTHER)


# Units in which a variable may set an amount of each kind, as ``bare_unit`` writes them, with what one of them is in the
# unit of the amount; none said is that unit.
UNITS_OF_AMOUNT: Mapping[AmountKind, Mapping[str, float]] = {
    AmountKind.EQUIVALENTS: {"eq": 1.0, "mol/mol": 1.0, "": 1.0, "mol%": 1e-2},
    AmountKind.MOL_PERCENT: {"mol%": 1.0, "%": 1.0, "": 1.0, "eq": 1e2, "mol/mol": 1e2},
    AmountKind.MASS: {"g": 1.0, "": 1.0, "mg": 1e-3, "kg": 1e3},
    AmountKind.VOLUME: {"ml": 1.0, "": 1.0, "μl": 1e-3, "ul": 1e-3, "l": 1e3},
    AmountKind.MASS_PERCENT: {"wt%": 1.0, "%": 1.0, "g/100g": 1.0, "": 1.0, "g/g": 1e2, "mg/g": 0.1},
    AmountKind.VOLUME_PER_GRAM: {"ml/g": 1.0, "l/kg": 1.0, "": 1.0, "μl/mg": 1.0, "μl/g": 1e-3},
    AmountKind.CONCENTRATION: {"mol/l": 1.0, "m": 1.0, "": 1.0, "mmol/l": 1e-3, "mm": 1e-3, "mmol/ml": 1.0},
}
UNIT_WORDS = {
    AmountKind.EQUIVALENTS: "equivalents (mol/mol)",
    AmountKind.MOL_PERCENT: "mol%",
    AmountKind.MASS: "g",
    AmountKind.VOLUME: "mL",
    AmountKind.MASS_PERCENT: "wt% of the reference",
    AmountKind.VOLUME_PER_GRAM: "mL per g of the reference",
    AmountKind.CONCENTRATION: "mol/L",
}


def why_not_driven(kind: AmountKind, role: Role, unit: str, name: str) -> str:
    """Why a variable cannot set an amount of this kind; empty where it can."""
    if role not in DRIVING_ROLES:
        return "Choose a ratio, a loading, a volume, or another variable whose number is an amount."
    if bare_unit(unit) not in UNITS_OF_AMOUNT[kind]:
        differ = f"{name} is in {unit}, but this amount is in {UNIT_WORDS[kind]}."
        return f"{differ} One cannot be worked out from the other: {_way_out(unit)}."
    return ""


def unit_factor(kind: AmountKind, unit: str) -> float:
    """What one unit of a variable is in the unit of the amount that it sets: 0.001 of mg for g. [-]

    Raises
    ------
    KeyError
        If a variable in this unit cannot set such an amount.
    """
    return UNITS_OF_AMOUNT[kind][bare_unit(unit)]


def _way_out(unit: str) -> str:
    """How an amount and a variable in this unit get the same one."""
    fits = [UNIT_WORDS[kind] for kind, units in UNITS_OF_AMOUNT.items() if bare_unit(unit) in units]
    if fits:
        return f"give the amount as {' or '.join(fits)}"
    *most, last = UNIT_WORDS.values()
    return f"amounts are given in {', '.join(most)} or {last}, so let the variable be in one of these"


def _molar_mass(row: MaterialRow) -> float | None:
    if row.molar_mass is None and row.formula:
        # A formula that was stored when more was read as one; the charge says that it is missing.
        with suppress(FormulaTextError):
            return read_formula(row.formula).molar_mass
    return row.molar_mass


def _atoms(row: MaterialRow) -> dict[str, Any]:
    """Water of crystallisation, hydrogen and oxygen of the formula of a material; nothing where it has none that can be read."""
    with suppress(FormulaTextError):
        if row.formula:
            formula = read_formula(row.formula)
            return {"waters": formula.waters, "hydrogen": formula.count("H"), "oxygen": formula.count("O")}
    return {}


def reference_of(rows: Sequence[MaterialRow]) -> MaterialRow | None:
    """The first reagent of which one equivalent is always taken, with a molar mass; None without one."""
    for row in rows:
        is_one = row.role == MaterialRole.REAGENT and row.amount_kind == AmountKind.EQUIVALENTS and row.amount == 1.0
        if (
            is_one
            and not row.taken_after
            and row.ratio_variable_id is None
            and row.choice_variable_id is None
            and _molar_mass(row)
        ):
            return row
    return None


def reference_molar_mass(rows: Sequence[MaterialRow]) -> float | None:
    """Molar mass of the reference; None without one. [g/mol]"""
    row = reference_of(rows)
    return _molar_mass(row) if row is not None else None


def material_of(
    row: MaterialRow, *, amount: float | None = None, portions: float = 1.0, reference: float | None = None
) -> Material:
    """Return the core's material for a row, with another amount or several portions where a variable says so.

    ``reference`` is the molar mass of the reference. [g/mol]
    """
    return Material(
        key=str(row.id),
        name=row.name,
        role=MaterialRole(row.role),
        amount_kind=AmountKind(row.amount_kind),
        amount=row.amount if amount is None else amount,
        molar_mass=_molar_mass(row),
        **_atoms(row),
        times=row.ratio_factor if row.ratio_variable_id is not None else 1.0,
        coefficient=row.coefficient,
        purity=row.purity_percent / 100.0,
        purity_u=(row.purity_u_percent or 0.0) / 100.0,
        water=row.water_percent / 100.0,
        concentration=row.concentration_mol_per_l,
        density=row.density_g_per_ml,
        stock=row.stock_g,
        portions=portions,
        reference_molar_mass=reference if AmountKind(row.amount_kind) in PER_GRAM and not row.taken_after else None,
        taken_after=row.taken_after,
    )


def product_of(preparation: PreparationRow) -> Product | None:
    """Return the product, or None where its formula is not entered or cannot be read."""
    if not preparation.product_formula:
        return None
    try:
        return Product(read_formula(preparation.product_formula).molar_mass, preparation.product_coefficient)
    except FormulaTextError:
        return None


def share_as_product(formula: str, product: Product | None) -> float:
    """Mass of product that one gram of an intermediate becomes; 1 where it is the product itself. [g/g]

    Mole for mole, unless a number before the formula says how many make one of the product.
    """
    if not formula or product is None:
        return 1.0
    try:
        count, read = read_counted(formula)
        return product.molar_mass / (count * read.molar_mass)
    except FormulaTextError:
        return 1.0  # stored when more was read as a formula


@dataclass(frozen=True)
class Interim:
    """What was weighed at the end of a stage [g], and the product that it holds or becomes [g]."""

    mass_g: float
    product_g: float


def interims_of(checkpoints: Sequence[CheckpointRow], product: Product | None) -> dict[str, Interim]:
    """Weighed intermediates of a run by stage, for what is taken for them; of several of one stage the last counts."""
    return {
        c.stage: Interim(c.mass_g, c.mass_g * c.purity_percent / 100.0 * share_as_product(c.formula, product))
        for c in checkpoints
        if c.kind == "product"
    }


def all_interims(
    session: Session, preparation: PreparationRow, materials: Sequence[MaterialRow]
) -> dict[int, dict[str, Interim]]:
    """Weighed intermediates of all runs, by run id and stage, where anything of the charge is taken for one."""
    if not any(m.taken_after for m in materials):
        return {}
    by_run: dict[int, list[CheckpointRow]] = {}
    for row in questions.list_all_checkpoints(session, int(preparation.id or 0)):
        by_run.setdefault(row.run_id, []).append(row)
    product = product_of(preparation)
    return {run_id: interims_of(rows, product) for run_id, rows in by_run.items()}


@dataclass(frozen=True)
class Charge:
    """The whole charge at one scale, for given settings.

    ``lines`` leave out materials whose choice is not chosen; ``problems`` says for a
    material why its amount cannot be worked out; ``theory`` is None without a product
    formula or reagents. ``whole_g`` is the theoretical yield by the materials that are not
    taken for an intermediate, where some are and it is known [g]; ``interims`` are those weighed, by stage.
    """

    scale_mol: float
    lines: tuple[ChargeLine, ...]
    rounded_g: Mapping[str, float]
    problems: tuple[str, ...]
    product: Product | None
    theory: Theory | None
    atom_economy_percent: float | None
    runs_in_stock: tuple[int, Material] | None
    whole_g: float | None = None
    interims: Mapping[str, Interim] = field(default_factory=dict)

    @property
    def interim_words(self) -> tuple[str, ...]:
        """A sentence for every line that is taken for an intermediate: for how much its amount is, and what to take otherwise."""
        followed = [line for line in self.lines if line.material.taken_after]
        return tuple(words for line in followed if (words := self._interim_words(line)))

    def _interim_words(self, line: ChargeLine) -> str:
        m = line.material
        after = f"after {THE_STAGE[Stage(m.taken_after)]}"
        if not self.whole_g:
            return f"{m.name}: for all of theory {after}."
        one = self.interims.get(m.taken_after)
        if one is not None:
            percent = f"{100 * one.product_g / self.whole_g:.0f} % of theory"
            return f"{m.name}: for the {plain(one.mass_g, 5)} g weighed {after} ({percent})."
        by_volume = m.amount_kind in MEASURED_BY_VOLUME or m.concentration
        amount, unit = (line.volume_ml, "mL") if by_volume or line.mass_g is None else (line.mass_g, "g")
        each, as_product = (
            ("each g that is weighed", "") if m.amount_kind in PER_GRAM else ("each g of product that it becomes", " as product")
        )
        rate = f": {plain(amount / self.whole_g, 3)} {unit} for {each}" if amount is not None else ""
        return f"{m.name}: here for all of theory {after}, {plain(self.whole_g)} g{as_product}{rate}."

    def scale_for_runs(self, n_runs: int) -> float | None:
        """Largest scale at which ``n_runs`` fit the stock. [mol]"""
        return scale_for_runs(self.lines, self.scale_mol, n_runs)


def materials_for(rows: Sequence[MaterialRow], settings: Mapping[str, Setting]) -> list[Material]:
    """Materials with amounts from the settings: a ratio drives equivalents, a choice selects lines, a count multiplies.

    Parameters
    ----------
    settings : mapping
        By variable key (row id as text); may be empty (then entered amounts hold).
    """
    out = []
    reference = reference_molar_mass(rows)
    for row in rows:
        chosen = settings.get(str(row.choice_variable_id)) if row.choice_variable_id is not None else None
        if chosen is not None and row.choice is not None and chosen != row.choice:
            continue
        driven = settings.get(str(row.ratio_variable_id)) if row.ratio_variable_id is not None else None
        count = settings.get(str(row.count_variable_id)) if row.count_variable_id is not None else None
        amount = float(driven) * row.amount_of_one if driven is not None else None
        portions = float(count) if count is not None else 1.0
        out.append(material_of(row, amount=amount, portions=portions, reference=reference))
    return out


# Options that mean that nothing is taken.
_NOTHING = ("none", "no", "nothing", "without", "neat", "-", "–", "0")


def options_without_material(rows: Sequence[MaterialRow], settings: Mapping[str, Setting]) -> list[str]:
    """Chosen options that no material is for, of choices of which other options have one."""
    found = []
    for key in dict.fromkeys(row.choice_variable_id for row in rows if row.choice_variable_id is not None):
        chosen = settings.get(str(key))
        if (
            chosen is not None
            and str(chosen).casefold() not in _NOTHING
            and not any(row.choice == chosen for row in rows if row.choice_variable_id == key)
        ):
            found.append(str(chosen))
    return found


def idle_choices(rows: Sequence[MaterialRow]) -> tuple[tuple[str, str], ...]:
    """Choices that say nothing while a number is 0: all that they select is taken that many times, or that much.

    Returns
    -------
    pairs : tuple of (key of the choice, key of the number)
    """
    pairs = []
    for choice in dict.fromkeys(row.choice_variable_id for row in rows if row.choice_variable_id is not None):
        selected = [row for row in rows if row.choice_variable_id == choice]
        # A concentration does not take less of a liquid the lower it is.
        if any(row.amount_kind == AmountKind.CONCENTRATION for row in selected):
            continue
        # A wash is taken so many times, an additive so much.
        shared = set.intersection(*({row.ratio_variable_id, row.count_variable_id} for row in selected))
        pairs += [(str(choice), str(number)) for number in sorted(n for n in shared if n is not None)]
    return tuple(pairs)


def make_charge(
    preparation: PreparationRow,
    rows: Sequence[MaterialRow],
    settings: Mapping[str, Setting],
    scale_mol: float,
    stock: Mapping[str, float] | None = None,
    made: MadeWith | None = None,
    interims: Mapping[str, Interim] | None = None,
) -> Charge:
    """Work out the charge.

    Parameters
    ----------
    stock : mapping or None
        What is left of a material, by its id as text; as it was counted where None. [g]
    made : MadeWith or None
        What a finished run was made with, instead of what ``rows`` and ``settings`` say today.
    interims : mapping or None
        What was weighed of the intermediates, by stage; what is taken for one that is not there is for all of theory.

    Raises
    ------
    InvalidInputError
        If the scale is not above 0 mol.
    """
    if made is not None:
        return _charge_of(preparation, made, scale_mol, interims=interims)
    today = MadeWith(tuple(materials_for(rows, settings)), preparation.base_scale_mol)
    charge = _charge_of(preparation, today, scale_mol, stock, interims)
    missing = tuple(f"The charge has nothing for “{option}”." for option in options_without_material(rows, settings))
    return replace(charge, problems=missing + charge.problems)


@dataclass(frozen=True)
class MadeWith:
    """Materials with the amounts that the settings of a run give them, and the scale at which masses and volumes hold. [mol]"""

    materials: tuple[Material, ...]
    base_scale_mol: float | None

    @classmethod
    def of(cls, rows: Sequence[MaterialRow], settings: Mapping[str, Setting], base_scale_mol: float | None) -> MadeWith:
        """What settings take by the charge as it is; stock plays no part."""
        return cls(tuple(replace(m, stock=None) for m in materials_for(rows, settings)), base_scale_mol)

    def at(self, rows: Sequence[MaterialRow], settings: Mapping[str, Setting]) -> MadeWith:
        """The same bottles with the amounts that other settings give, where variables drive them today.

        What no variable drives is as it was, and a variable is taken as many times as it was then.
        """
        driven = {str(row.id) for row in rows if row.ratio_variable_id is not None}
        counted = {str(row.id) for row in rows if row.count_variable_id is not None}
        today = {m.key: m for m in materials_for(rows, settings)}
        materials = []
        for m in self.materials:
            now_taken = today.get(m.key)
            if now_taken is not None and m.amount_kind is now_taken.amount_kind:
                amount = now_taken.amount * m.times / now_taken.times if m.key in driven else m.amount
                m = replace(m, amount=amount, portions=now_taken.portions if m.key in counted else m.portions)
            materials.append(m)
        return MadeWith(tuple(materials), self.base_scale_mol)

    def to_json(self) -> dict[str, Any]:
        """What is kept with a run."""
        return {"base_scale_mol": self.base_scale_mol, "materials": [asdict(m) for m in self.materials]}

    @classmethod
    def from_json(cls, kept: Mapping[str, Any] | None) -> MadeWith | None:
        """What was kept with a run; None without."""
        if kept is None:
            return None
        materials = tuple(
            Material(**{**m, "role": MaterialRole(m["role"]), "amount_kind": AmountKind(m["amount_kind"])})
            for m in kept["materials"]
        )
        return cls(materials, kept["base_scale_mol"])


def entered_theory(preparation: PreparationRow, scale_mol: float | None) -> float | None:
    """The theoretical yield that was entered with the preparation, which grows with the scale; None without one. [g]"""
    entered, base = preparation.theoretical_yield_g, preparation.base_scale_mol
    if entered is None or scale_mol is None or base is None or math.isclose(scale_mol, base):
        return entered
    return entered * scale_mol / base


def _whole_theory(preparation: PreparationRow, made: MadeWith, scale_mol: float) -> float | None:
    """Theoretical yield by the materials that are not taken for an intermediate, else as it was entered; None without. [g]"""
    available = []
    for material in made.materials:
        with suppress(InvalidInputError):
            moles = None if material.taken_after else charge_line(material, scale_mol, made.base_scale_mol).moles
            if moles is not None:
                available.append((material, moles))
    product = product_of(preparation)
    if product is not None:
        with suppress(NotReadyError):
            return theoretical_yield(product, available).mass_g
    return entered_theory(preparation, scale_mol)


def follow_interims(
    preparation: PreparationRow, made: MadeWith, scale_mol: float, interims: Mapping[str, Interim]
) -> tuple[MadeWith, float | None]:
    """Materials that are taken for an intermediate, with the share of theory that was weighed of it; and theory. [g]

    Notes
    -----
    Amounts per gram count from the mass as it was weighed, all others from the product that it holds or becomes.
    """
    if not any(m.taken_after for m in made.materials):
        return made, None
    whole = _whole_theory(preparation, made, scale_mol)
    materials = []
    for material in made.materials:
        if material.taken_after and whole:
            is_per_gram = material.amount_kind in PER_GRAM
            one = interims.get(material.taken_after)
            share = None if one is None else (one.mass_g if is_per_gram else one.product_g) / whole
            held = one.product_g / whole if one is not None and is_per_gram else None
            material = replace(material, share=share, held=held, reference_molar_mass=whole / scale_mol if is_per_gram else None)
        materials.append(material)
    return MadeWith(tuple(materials), made.base_scale_mol), whole


def _charge_of(
    preparation: PreparationRow,
    made: MadeWith,
    scale_mol: float,
    stock: Mapping[str, float] | None = None,
    interims: Mapping[str, Interim] | None = None,
) -> Charge:
    """Work out the charge of materials with known amounts; see ``make_charge``."""
    if not SMALLEST <= scale_mol <= LARGEST:
        raise InvalidInputError({"scale_mol": f"A scale of {scale_mol:g} mol cannot be meant. Enter a number above 0."})
    interims = interims or {}
    made, whole = follow_interims(preparation, made, scale_mol, interims)
    lines, problems, rounded = [], [], {}
    for material in made.materials:
        if stock is not None and material.stock is not None:
            material = replace(material, stock=stock.get(material.key, material.stock))
        try:
            line = charge_line(material, scale_mol, made.base_scale_mol)
        except InvalidInputError as error:
            problems.append(str(error))
            line = ChargeLine(material, None, None, None)
        lines.append(line)
        if line.mass_g is not None:
            rounded[material.key] = round_to_readability(line.mass_g, preparation.balance_readability_g)
            if 0 < line.mass_g < FEWEST_DIGITS * preparation.balance_readability_g:
                problems.append(
                    f"{material.name}: {plain(line.mass_g, 3)} g cannot be weighed on a balance that shows "
                    f"{preparation.balance_readability_g:g} g. Take a finer one, or a solution."
                )
    problems += [_water_twice(m) for m in made.materials if is_crystal_water(m.water, m.molar_mass, m.waters)]
    problems += [
        f"{material.name}: its density is needed to count its stock in runs, because the stock is in g."
        for material in uncounted_stock(lines)
    ]
    product = product_of(preparation)
    if product is None and preparation.product_formula:
        problems.append(f"The product's formula {preparation.product_formula} cannot be read. Correct it with the preparation.")
    theory = None
    economy = None
    if product is not None:
        problems += [_no_moles(line.material) for line in lines if _has_no_moles(line)]
        try:
            theory = theoretical_yield(product, [(line.material, line.moles) for line in lines if line.moles is not None])
            water_g = _water_from_solvent(preparation, product, made.materials)
            economy = atom_economy(product, made.materials, water_g)
            if economy > 100.0 * (1 + 1e-3):
                problems.append("The equation does not balance: more product than reagents. Check coefficients and lines.")
                economy = None
        except NotReadyError as error:
            problems.append(str(error))
    return Charge(scale_mol, tuple(lines), rounded, tuple(problems), product, theory, economy, stock_runs(lines), whole, interims)


# A content of water this close to that of the formula, in parts of it, is most likely the same water. (Own judgement.)
_SAME_WATER = 0.1


def is_crystal_water(water: float, molar_mass: float | None, waters: float) -> bool:
    """Whether a content of water is just what the formula holds as water of crystallisation: it would count twice. [g/g]"""
    if not molar_mass or not waters:
        return False
    share = waters * read_formula("H2O").molar_mass / molar_mass
    return abs(water - share) <= _SAME_WATER * share


def _water_twice(material: Material) -> str:
    return (
        f"{material.name}: {plain(100 * material.water, 3)} % water is what its formula holds already as water of "
        "crystallisation. Enter only water beyond that, or the formula of the dry compound."
    )


def _has_no_moles(line: ChargeLine) -> bool:
    """Whether a reagent is taken, but nobody knows how many moles of it."""
    is_taken = bool(line.mass_g or line.volume_ml)
    return line.material.role is MaterialRole.REAGENT and line.material.coefficient > 0 and is_taken and line.moles is None


def _no_moles(material: Material) -> str:
    by_volume = material.amount_kind in MEASURED_BY_VOLUME
    lacks = [
        "formula or molar mass" if material.molar_mass is None and not material.concentration else "",
        "density" if by_volume and not material.density and not material.concentration else "",
    ]
    return (
        f"{material.name}: no amount in moles follows without its {' and its '.join(filter(None, lacks)) or 'density'}, so it is "
        "not looked at when the limiting material is sought."
    )


def _water_from_solvent(preparation: PreparationRow, product: Product, materials: Sequence[Material]) -> float:
    """Water of crystallisation that the product takes from the solvent, per mole of the equation. [g/mol]

    Notes
    -----
    As much as the product holds more of hydrogen or oxygen than the reagents bring, and no more than its formula shows
    as water beyond theirs: with nothing else formed of these elements this balances the equation.
    """
    formula = read_formula(preparation.product_formula)
    reagents = [m for m in materials if m.role is MaterialRole.REAGENT]
    most = product.coefficient * formula.waters - sum(m.coefficient * m.waters for m in reagents)
    if most <= 0 or any(m.hydrogen is None or m.oxygen is None for m in reagents):
        return 0.0
    lacks_h = product.coefficient * formula.count("H") - sum(m.coefficient * (m.hydrogen or 0.0) for m in reagents)
    lacks_o = product.coefficient * formula.count("O") - sum(m.coefficient * (m.oxygen or 0.0) for m in reagents)
    return min(most, max(0.0, lacks_h / 2.0, lacks_o)) * read_formula("H2O").molar_mass


def weighed_theory(
    preparation: PreparationRow, charge: Charge, weighed: Mapping[int, WeighedRow], readability_g: float | None = None
) -> tuple[Theory, TheoreticalYield] | None:
    """Theoretical yield of a run from what was weighed, and from its charge where nothing was noted.

    Returns
    -------
    theory : Theory
    quantity : TheoreticalYield
        The same with its standard uncertainty from weighing the limiting material, as noted or as planned; 0
        where that is measured by volume. Where that was taken for an intermediate, from the content of that one too.
        Beside it the content of the limiting material, or of one that may as well limit, see ``_content_that_counts``. [g]

    Notes
    -----
    A noted mass from which no amount follows (of a solution without a density) leaves the plan standing. The
    uncertainties of what was taken and of the share that it was taken for add as in a quotient (JCGM 100:2008, 5.1.6).
    """
    product = product_of(preparation)
    if product is None:
        return None
    available: list[tuple[Material, float]] = []
    masses: dict[str, float | None] = {}
    contents: dict[str, Quantity | None] = {}
    for line in charge.lines:
        by_volume = line.material.concentration or line.material.amount_kind in MEASURED_BY_VOLUME
        masses[line.material.key] = None if by_volume else line.mass_g
        note = weighed.get(int(line.material.key))
        put_in = taken(line, note)
        moles = put_in.moles
        contents[line.material.key] = content_of(put_in.material)
        if note is not None and moles is not None:
            # Of a solution the volume tells the moles, though it was weighed as well.
            is_by_volume = put_in.material.concentration and note.volume_ml is not None
            masses[line.material.key] = None if is_by_volume else note.mass_g
        if line.material.taken_after and line.material.share is None and note is not None:
            continue  # taken for less than all of theory, and for how much is not known
        if (amount := line.moles if moles is None else moles) is not None:
            available.append((line.material, amount))
    try:
        available = _of_the_whole(charge, product, available)
        theory = theoretical_yield(product, available)
    except NotReadyError:
        return None
    mass = masses[theory.limiting.key]
    u_relative = balance_uncertainty(readability_g or preparation.balance_readability_g) / mass if mass else 0.0
    if theory.limiting.share is not None:
        # Of how much of theory it was taken for, the content of the intermediate says.
        u_relative = math.hypot(u_relative, CONTENT_U)
    return theory, TheoreticalYield(theory.mass_g, theory.mass_g * u_relative, _content_that_counts(theory, available, contents))


def _content_that_counts(
    theory: Theory, available: Sequence[tuple[Material, float]], contents: Mapping[str, Quantity | None]
) -> Quantity | None:
    """Content of the limiting material, or of another reagent that is less well known and may as well run out first.

    Notes
    -----
    May: it lasts no longer than by twice the standard uncertainty of the two contents. Of a theoretical yield that is the
    smaller of two this is rather more than its standard deviation: σ instead of 0.58 σ where only one of two equal amounts is
    uncertain, and instead of 0.83 σ where both are (half-normal and smallest of two normal variables).
    """

    def relative(content: Quantity | None) -> float:
        return content.u / content.value if content is not None else 0.0

    counted = limiting = contents[theory.limiting.key]
    reagents = extents(available)
    least = next(extent for m, _, extent in reagents if m.key == theory.limiting.key)
    for m, _, extent in reagents:
        u = relative(contents[m.key])
        if u > relative(counted) and extent <= least * (1.0 + 2.0 * math.hypot(u, relative(limiting))):
            counted = contents[m.key]
    return counted


def content_of(material: Material) -> Quantity | None:
    """Compound in a material as weighed, with its standard uncertainty; None where a concentration tells how much. [g/g]"""
    if material.concentration is not None:
        return None
    return Quantity(material.content, material.purity_u * (1.0 - material.water))


def _of_the_whole(charge: Charge, product: Product, available: Sequence[tuple[Material, float]]) -> list[tuple[Material, float]]:
    """The same, with shares of what was really weighed at the start instead of what was planned. Raises NotReadyError."""
    if not charge.whole_g:
        return list(available)
    first = theoretical_yield(product, [(m, n) for m, n in available if not m.taken_after])
    ratio = charge.whole_g / first.mass_g
    return [(replace(m, held=m.part_of_theory * ratio) if m.taken_after else m, n) for m, n in available]


@dataclass(frozen=True)
class Taken:
    """What of a material went into a run: as noted, else as its line of the charge says; None where it cannot be known.

    ``material`` is as it was bottled then. ``mass_g`` is that of all that was put in, ``moles`` the compound alone.
    """

    material: Material
    mass_g: float | None
    moles: float | None


def taken(line: ChargeLine, note: WeighedRow | None) -> Taken:
    """Work out what went in; a note counts whatever the plan was."""
    material = as_bottled(line.material, note)
    if note is None:
        return Taken(material, line.mass_g, line.moles)
    mass = note.mass_g
    if mass is None and note.volume_ml is not None and material.density:
        mass = note.volume_ml * material.density
    return Taken(material, mass, moles_in(material, mass_g=note.mass_g, volume_ml=note.volume_ml))


def as_bottled(material: Material, note: WeighedRow | None) -> Material:
    """The material with what its bottle held when the amount was noted: another bottle came later, perhaps.

    A density or an uncertainty that was not known then may have been looked up since.
    """
    if note is None or note.purity_percent is None:
        return material
    purity_u = (note.purity_u_percent or 0.0) / 100.0
    if note.purity_u_percent is None and math.isclose(note.purity_percent, 100.0 * material.purity):
        purity_u = material.purity_u
    return replace(
        material,
        purity=note.purity_percent / 100.0,
        purity_u=purity_u,
        water=(note.water_percent or 0.0) / 100.0,
        concentration=note.concentration_mol_per_l,
        density=note.density_g_per_ml or material.density,
    )


@dataclass(frozen=True)
class AsWeighed:
    """The value of a variable that follows from what was weighed.

    ``variable`` is its key; ``reference`` names the material that one equivalent was read from, or the intermediate that
    the amount was for, and is empty where that was not weighed and the planned scale counts.
    """

    variable: str
    material: str
    value: float
    reference: str

    def differs_from(self, setting: Setting) -> bool:
        """Whether it lies off a setting by more than weighing scatters by. (1 %; own judgement.)"""
        return abs(self.value - float(setting)) > 0.01 * max(abs(float(setting)), abs(self.value))


@dataclass(frozen=True)
class _Weighed:
    """What one weighed material says of the variable that sets its amount, and how far its mass is rounded. [-]"""

    said: AsWeighed
    rounding: float

    def agrees_with(self, other: _Weighed) -> bool:
        """Whether the two values differ by no more than weighing scatters by and the balance can tell."""
        one, two = self.said.value, other.said.value
        return abs(one - two) <= (0.01 + self.rounding + other.rounding) * max(abs(one), abs(two))


def settings_as_weighed(
    made: MadeWith, rows: Sequence[MaterialRow], scale_mol: float, weighed: Mapping[int, WeighedRow], readability_g: float
) -> tuple[AsWeighed, ...]:
    """Variables that set the amount of a weighed material, as the weighed amounts have it.

    Notes
    -----
    One equivalent is the first weighed reagent that is given in equivalents and not driven
    by a variable, one with exactly 1 equivalent before others; masses and volumes are those of the
    planned scale whatever was weighed of it. A variable that drives several weighed materials
    is left out where they disagree. What was taken for an intermediate counts from that, and tells nothing without it.
    """
    # Of several that agree, as metal and ligand, the first one speaks for all.
    by_variable = _said_by_materials(made, rows, scale_mol, weighed, readability_g)
    return tuple(ones[0].said for ones in by_variable.values() if all(ones[0].agrees_with(one) for one in ones))


def contradicting_as_weighed(
    made: MadeWith, rows: Sequence[MaterialRow], scale_mol: float, weighed: Mapping[int, WeighedRow], readability_g: float
) -> tuple[tuple[AsWeighed, ...], ...]:
    """For each variable of which the weighed materials disagree: what each of them says."""
    by_variable = _said_by_materials(made, rows, scale_mol, weighed, readability_g)
    apart = [ones for ones in by_variable.values() if not all(ones[0].agrees_with(one) for one in ones)]
    return tuple(tuple(one.said for one in ones) for ones in apart)


def _said_by_materials(
    made: MadeWith, rows: Sequence[MaterialRow], scale_mol: float, weighed: Mapping[int, WeighedRow], readability_g: float
) -> dict[str, list[_Weighed]]:
    """What every weighed material says of the variable that sets its amount, by variable."""
    materials = {m.key: as_bottled(m, weighed[int(m.key)]) for m in made.materials if int(m.key) in weighed}
    noted = {key: weighed[int(key)] for key in materials}
    driven = {str(row.id): str(row.ratio_variable_id) for row in rows if row.ratio_variable_id is not None}
    units = {str(row.id): row.unit_factor for row in rows}
    scale, reference = _one_equivalent(list(materials.values()), noted, driven) or (scale_mol, "")
    by_variable: dict[str, list[_Weighed]] = {}
    for key, material in materials.items():
        if key not in driven or (material.taken_after and material.share is None):
            continue
        note = noted[key]
        one, named = (scale, reference) if material.amount_kind in RELATIVE else (scale_mol, "")
        if material.taken_after:
            one, named = scale_mol, f"what was weighed after {THE_STAGE[Stage(material.taken_after)]}"
        value = amount_weighed(material, one, made.base_scale_mol, mass_g=note.mass_g, volume_ml=note.volume_ml)
        if value is not None:
            weighed_value = AsWeighed(driven[key], material.name, float(f"{value / (material.times * units[key]):.4g}"), named)
            rounding = 0.5 * readability_g / note.mass_g if note.mass_g else 0.0
            by_variable.setdefault(driven[key], []).append(_Weighed(weighed_value, rounding))
    return by_variable


def _one_equivalent(
    materials: Sequence[Material], noted: Mapping[str, WeighedRow], driven: Mapping[str, str]
) -> tuple[float, str] | None:
    """Moles of one equivalent by the weighed reagent that says them, and its name; None where none does. [mol]"""
    fixed = [
        m
        for m in materials
        if m.key not in driven and not m.taken_after
        if m.role is MaterialRole.REAGENT and m.amount_kind is AmountKind.EQUIVALENTS and m.amount > 0
    ]
    for material in sorted(fixed, key=lambda m: m.amount != 1.0):
        note = noted[material.key]
        moles = moles_in(material, mass_g=note.mass_g, volume_ml=note.volume_ml)
        if moles:
            return moles / material.amount, material.name
    return None


def check_material(session: Session, preparation_id: int, data: MaterialInput, own_id: int | None = None) -> None:
    """Refuse values that cannot be; InvalidInputError with a sentence per field.

    Parameters
    ----------
    own_id : int or None
        Of the material that is changed; None for a new one.
    """
    messages: dict[str, str] = {}
    rows = questions.list_materials(session, preparation_id)
    # Materials that had the same name before may keep it.
    is_renamed = all(m.name != data.name for m in rows if m.id == own_id)
    if is_renamed and any(m.name == data.name for m in rows):
        messages["name"] = f"There is a material named “{data.name}” already. Add what this one is for, such as “for washing”."
    _check_compound(data, messages)
    _check_bottle(data, messages)
    _check_amount(data, messages)
    if data.taken_after == Stage.DRYING:
        messages["taken_after"] = "Nothing is taken after the drying. Choose an earlier stage, or the scale of the run."
    _check_links(data, {v.id: v for v in questions.list_variables(session, preparation_id)}, messages)
    if messages:
        raise InvalidInputError(messages)


def _check_compound(data: MaterialInput, messages: dict[str, str]) -> None:
    if data.formula:
        try:
            read_formula(data.formula)
        except FormulaTextError as error:
            messages["formula"] = str(error)
    check_positive(data.molar_mass, "molar_mass", "The molar mass", messages)
    check_positive(data.coefficient, "coefficient", "The coefficient", messages)


def _check_bottle(data: MaterialInput, messages: dict[str, str]) -> None:
    check_positive(data.concentration_mol_per_l, "concentration_mol_per_l", "The concentration", messages)
    check_positive(data.density_g_per_ml, "density_g_per_ml", "The density", messages)
    if data.concentration_mol_per_l is not None and data.concentration_mol_per_l > MOST_CONCENTRATED:
        messages["concentration_mol_per_l"] = (
            f"{data.concentration_mol_per_l:g} mol/L cannot be: pure water has 55. Is it mmol/L?"
        )
    if data.density_g_per_ml is not None and data.density_g_per_ml > DENSEST:
        messages["density_g_per_ml"] = f"{data.density_g_per_ml:g} g/mL cannot be: osmium has 22.6. Is it g/L?"
    if data.price_per_g is not None and data.price_per_g < 0:
        messages["price_per_g"] = "A price cannot be below 0."
    if data.stock_g is not None and data.stock_g < 0:
        messages["stock_g"] = "The stock cannot be below 0 g."
    if not 0 < data.purity_percent <= 100:
        messages["purity_percent"] = "Purity must be above 0 and at most 100 %."
    if not 0 <= data.water_percent < 100:
        messages["water_percent"] = "Water content must be at least 0 and below 100 %."
    _check_purity_u(data, messages)


def _check_purity_u(data: MaterialInput, messages: dict[str, str]) -> None:
    if data.purity_u_percent is None:
        return
    if data.concentration_mol_per_l is not None:
        messages["purity_u_percent"] = "The concentration says what is in a solution, not the purity: leave this empty."
    elif data.purity_u_percent < 0:
        messages["purity_u_percent"] = "A standard uncertainty cannot be below 0."
    elif data.purity_u_percent > data.purity_percent:
        messages["purity_u_percent"] = "A standard uncertainty above the purity itself cannot be meant. [%]"


def _check_amount(data: MaterialInput, messages: dict[str, str]) -> None:
    if data.amount < 0:
        messages["amount"] = f"An amount cannot be below 0; this is {data.amount:g}."
    check_positive(data.ratio_factor, "ratio_factor", "How many times the variable is taken", messages)
    if data.amount_kind is AmountKind.CONCENTRATION and not data.amount > 0:
        messages.setdefault("amount", "A concentration must be above 0 mol/L.")
    if data.amount_kind in IN_MOLES and not data.formula and data.molar_mass is None and data.concentration_mol_per_l is None:
        messages.setdefault("formula", "Equivalents need a formula or a molar mass, or the concentration of a solution.")


def _check_links(data: MaterialInput, by_id: Mapping[int | None, VariableRow], messages: dict[str, str]) -> None:
    """The variables that say how much is taken, how many times, and whether at all."""
    if data.ratio_variable_id is not None:
        driving = by_id.get(data.ratio_variable_id)
        if driving is None:
            messages["ratio_variable_id"] = "This variable is not there (any more)."
        elif why_not := why_not_driven(data.amount_kind, Role(driving.role), driving.unit, driving.name):
            messages["ratio_variable_id"] = why_not
    if data.count_variable_id is not None:
        counting = by_id.get(data.count_variable_id)
        if counting is None or counting.role != Role.COUNT:
            messages["count_variable_id"] = "Choose a variable that counts, such as the number of washes."
    if data.choice_variable_id is None and data.choice:
        messages["choice_variable_id"] = f"Choose the variable of which “{data.choice}” is an option."
    if data.choice_variable_id is not None:
        chosen = by_id.get(data.choice_variable_id)
        if chosen is None or chosen.role != Role.CHOICE:
            messages["choice_variable_id"] = "Choose a variable that is a choice."
        elif data.choice not in chosen.choices:
            messages["choice"] = f"Choose one of {', '.join(chosen.choices)}."


def _with_known_option(session: Session, preparation_id: int, data: MaterialInput) -> MaterialInput:
    """The option as the variable spells it, where it was typed in other letters."""
    variable = next((v for v in questions.list_variables(session, preparation_id) if v.id == data.choice_variable_id), None)
    alike = [c for c in variable.choices if c.casefold() == str(data.choice or "").casefold()] if variable is not None else []
    return data.model_copy(update={"choice": alike[0]}) if len(alike) == 1 else data


def _factor_for(session: Session, data: MaterialInput) -> float:
    """What one unit of the variable that sets the amount is in the unit of that; 1 without one."""
    if data.ratio_variable_id is None:
        return 1.0
    return unit_factor(data.amount_kind, questions.get_variable(session, data.ratio_variable_id).unit)


def _apply(row: MaterialRow, data: MaterialInput, factor: float) -> None:
    before, after = row.stock_g, data.stock_g
    is_same = before is not None and after is not None and math.isclose(before, after, rel_tol=1e-9)
    if data.stock_counted or not (is_same or before is after is None):
        row.stock_at = None if data.stock_g is None else now()
    for name, value in data.model_dump(mode="json", exclude={"stock_counted"}).items():
        setattr(row, name, value)
    row.unit_factor = factor


def add_material(session: Session, preparation_id: int, data: MaterialInput) -> MaterialRow:
    """Add a line of the charge.

    Raises
    ------
    NotFoundError, InvalidInputError
    """
    questions.get_preparation(session, preparation_id)
    data = _with_known_option(session, preparation_id, data)
    check_material(session, preparation_id, data)
    if len(questions.list_materials(session, preparation_id)) >= MOST_MATERIALS:
        raise InvalidInputError({"name": f"A preparation can have at most {MOST_MATERIALS} materials."})
    row = MaterialRow(preparation_id=preparation_id, name=data.name, role=data.role.value)
    _apply(row, data, _factor_for(session, data))
    row.position = questions.next_position(session, MaterialRow, preparation_id)
    session.add(row)
    log_change(session, preparation_id, f"material {data.name} added")
    session.commit()
    return row


def update_material(session: Session, material_id: int, data: MaterialInput) -> MaterialRow:
    """Change a line of the charge; raises like ``add_material``."""
    row = questions.get_material(session, material_id)
    data = _with_known_option(session, row.preparation_id, data)
    check_material(session, row.preparation_id, data, row.id)
    before = row.model_dump(mode="json")
    _apply(row, data, _factor_for(session, data))
    after = row.model_dump(mode="json")
    changed = {k for k in before if before[k] != after[k]}
    log_change(
        session,
        row.preparation_id,
        f"material {row.name} changed",
        before={k: before[k] for k in changed},
        after={k: after[k] for k in changed},
    )
    session.add(row)
    session.commit()
    return row


def move_material_up(session: Session, material_id: int) -> MaterialRow:
    """Let a material change places with the one before it; the first one stays. Raises NotFoundError."""
    row = questions.get_material(session, material_id)
    move_up(session, questions.list_materials(session, row.preparation_id), row)
    return row


def delete_material(session: Session, material_id: int) -> int:
    """Remove a line of the charge; return the preparation's id.

    Raises
    ------
    NotFoundError
    InvalidInputError
        Where a run has an amount of it noted as weighed, on which its theoretical yield rests, or a checkpoint of it.
    """
    row = questions.get_material(session, material_id)
    keeps = "or keep the line with an amount of 0."
    if recovered := {c.run_id for c in questions.list_all_checkpoints(session, row.preparation_id) if c.material_id == row.id}:
        where = f"is a checkpoint of {_named_runs(session, row.preparation_id, recovered)}"
        raise InvalidInputError({"form": f"What was recovered of {row.name} {where}. Remove it there first, {keeps}"})
    if weighed := {w.run_id for w in questions.list_weighed(session, row.preparation_id) if w.material_id == row.id}:
        where = f"is noted in {_named_runs(session, row.preparation_id, weighed)}, and would be lost"
        raise InvalidInputError({"form": f"What was weighed of {row.name} {where}. Empty it there first, {keeps}"})
    log_change(session, row.preparation_id, f"material {row.name} removed", before=row.model_dump(mode="json"))
    session.delete(row)
    session.commit()
    return row.preparation_id


def _named_runs(session: Session, preparation_id: int, run_ids: Collection[int]) -> str:
    numbers = sorted(run.number for run in questions.list_runs(session, preparation_id) if run.id in run_ids)
    return f"run {', '.join(map(str, numbers))}"


def as_input(row: MaterialRow) -> MaterialInput:
    """Return the input that would recreate the material."""
    return MaterialInput(**{name: getattr(row, name) for name in MaterialInput.model_fields if name != "stock_counted"})
