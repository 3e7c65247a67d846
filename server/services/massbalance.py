"""The chemistry of one run: its charge, what was weighed, where the product went, how wasteful it was."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass

from sqlmodel import Session

from server.core.chemistry.balance import Checkpoint, MassBalance, follow_the_product
from server.core.chemistry.charge import ChargeLine, MaterialRole, Product, Theory, process_mass_intensity
from server.core.chemistry.formula import read_formula
from server.core.chemistry.yields import balance_uncertainty
from server.core.space.variables import Stage
from server.errors import FormulaTextError, InvalidInputError
from server.services.charges import (
    AsWeighed,
    Charge,
    MadeWith,
    follow_interims,
    interims_of,
    make_charge,
    product_of,
    settings_as_weighed,
    share_as_product,
    taken,
    weighed_theory,
)
from server.services.runs import RunView, made_with, weighed_of
from server.services.stages import order_of_work, shares_used
from server.storage import questions
from server.storage.tables import MaterialRow, PreparationRow, WeighedRow


@dataclass(frozen=True)
class RunChemistry:
    """What follows from the materials of a run; parts are None where data are missing.

    ``charge`` is worked out for the settings as run, ``planned`` for those planned;
    ``as_weighed`` holds the variables whose value follows from weighed amounts;
    ``mass_intensity`` is the mass of everything put in per mass of product [g/g];
    ``without_mass`` names the materials whose mass is not known, so that they are not counted;
    ``can_be_noted`` are the lines of today's charge, of which amounts may be noted.
    """

    charge: Charge | None
    planned: Charge | None
    weighed: Mapping[int, WeighedRow]
    as_weighed: tuple[AsWeighed, ...]
    balance: MassBalance | None
    balance_problem: str
    mass_intensity: float | None
    without_mass: tuple[str, ...]
    can_be_noted: tuple[ChargeLine, ...]

    @property
    def interim_words(self) -> tuple[str, ...]:
        """For how much of an intermediate the planned amounts are, line by line."""
        return self.planned.interim_words if self.planned else ()

    @property
    def awaits_interim(self) -> bool:
        """Whether something is taken for an intermediate that was not weighed yet."""
        lines = self.planned.lines if self.planned else ()
        return any(line.material.taken_after and line.material.share is None for line in lines)

    def planned_amounts(self, key: str) -> tuple[float | None, float | None]:
        """Mass as the balance shows it [g] and volume [mL] that a material was planned with; as run where it was not planned."""
        for charge in (self.planned, self.charge):
            if charge is None:
                continue
            for line in charge.lines:
                if line.material.key == key:
                    return charge.rounded_g.get(key), line.volume_ml
        return None, None

    @property
    def e_factor(self) -> float | None:
        """Waste per product, everything counted. [g/g]"""
        return None if self.mass_intensity is None else self.mass_intensity - 1.0


def chemistry_of(session: Session, preparation: PreparationRow, run: RunView) -> RunChemistry:
    """Collect the chemistry of a run."""
    assert preparation.id is not None
    assert run.row.id is not None
    rows = questions.list_materials(session, preparation.id)
    scale = run.row.scale_mol or preparation.base_scale_mol
    interims = interims_of(questions.list_checkpoints(session, run.row.id), product_of(preparation))
    today = make_charge(preparation, rows, run.settings, scale, interims=interims) if scale and rows else None
    # A finished run stays what it was made with, whatever becomes of the charge.
    made = made_with(session, run.row)
    charge = today
    if scale and made is not None:
        charge = make_charge(preparation, rows, run.settings, scale, made=made, interims=interims)
    planned = charge
    if scale and rows and run.planned != run.settings:
        then = made.at(rows, run.planned) if made is not None else None
        planned = make_charge(preparation, rows, run.planned, scale, made=then, interims=interims)
    weighed = weighed_of(session, run.row.id)
    theory = weighed_theory(preparation, charge, weighed, run.row.readability_g) if charge else None
    balance, problem = _balance(session, preparation, run, theory[0] if theory else None, product_of(preparation))
    intensity, without_mass = _intensity(run, charge, weighed)
    taken_from = made or MadeWith.of(rows, run.settings, preparation.base_scale_mol)
    found: tuple[AsWeighed, ...] = ()
    if scale:
        followed, _ = follow_interims(preparation, taken_from, scale, interims)
        readability = run.row.readability_g or preparation.balance_readability_g
        found = settings_as_weighed(followed, rows, scale, weighed, readability)
    # A material that came under another option since keeps its place where its amount was noted.
    lines = today.lines if today else ()
    there = {line.material.key for line in lines}
    noted = [line for line in (charge.lines if charge else ()) if int(line.material.key) in weighed]
    can_be_noted = (*lines, *(line for line in noted if line.material.key not in there))
    return RunChemistry(charge, planned, weighed, found, balance, problem, intensity, without_mass, can_be_noted)


def _balance(
    session: Session, preparation: PreparationRow, run: RunView, theory: Theory | None, made: Product | None
) -> tuple[MassBalance | None, str]:
    rows = questions.list_checkpoints(session, int(run.row.id or 0))
    # An intermediate counts as the product that it becomes.
    held = [c for c in rows if c.kind == "product"]
    is_entered = run.row.theoretical_yield_g is not None
    used = shares_used(order_of_work(session, preparation), None if is_entered else theory)
    marks = [
        Checkpoint(
            c.name,
            c.stage,
            c.mass_g * share_as_product(c.formula, made) * used.get(Stage(c.stage), 1.0),
            c.purity_percent / 100.0,
        )
        for c in held
    ]
    before_it = sum(Stage(c.stage) in used for c in held)
    product = run.run_yield.pure_mass_g if run.run_yield else None
    if not marks and not any(c.kind == "recovered" for c in rows):
        # Without a checkpoint there is one stretch from theory to product: it says nothing about where.
        return None, ""
    if run.theory_g is None:
        return None, "Stage recoveries need the theoretical yield."
    recovered = None
    # What came back of a material in excess says nothing about the yield.
    limiting = theory.limiting.key if theory is not None else ""
    masses = [
        c.mass_g * c.purity_percent / 100.0
        for c in rows
        if c.kind == "recovered" and (c.material_id is None or str(c.material_id) == limiting)
    ]
    used_up = 1.0
    if masses and theory is not None and theory.limiting.molar_mass:
        recovered = sum(masses) / theory.limiting.molar_mass / theory.limiting_moles
        used_up = _used_up(session, preparation, theory)
    try:
        return follow_the_product(run.theory_g, marks, product, recovered, used_up, before_it), ""
    except InvalidInputError as error:
        return None, str(error)


def _used_up(session: Session, preparation: PreparationRow, theory: Theory) -> float:
    """Part of the limiting material that theory uses up: half in a resolution, whose product is made of one of two."""
    rows = questions.list_materials(session, int(preparation.id or 0))
    row = next((m for m in rows if str(m.id) == theory.limiting.key), None)
    with suppress(FormulaTextError):
        if row is not None and row.formula and preparation.product_formula and _needs_one_only(preparation, row, rows):
            return min(1.0, theory.product_moles * theory.limiting.part_of_theory / theory.limiting_moles)
    return 1.0


def _needs_one_only(preparation: PreparationRow, start: MaterialRow, rows: Sequence[MaterialRow]) -> bool:
    """Whether the product needs no second one of the start, by its formula: the same, or carbon that one and the others have."""
    product = read_formula(preparation.product_formula)
    if read_formula(start.formula).atoms == product.atoms:
        return True
    others = [m for m in rows if m.id != start.id and m.role == MaterialRole.REAGENT and m.formula]
    brought = sum(m.coefficient * read_formula(m.formula).count("C") for m in others)
    of_start = read_formula(start.formula).count("C")
    needed = preparation.product_coefficient * product.count("C") - brought
    return of_start > 0 and needed <= preparation.product_coefficient * of_start


@dataclass(frozen=True)
class Crops:
    """The parts in which the product of a run was isolated: their number, mass [g], and mean content by mass [%]."""

    count: int
    mass_g: float
    purity_percent: float

    def mass_u_g(self, readability_g: float) -> float:
        """Standard uncertainty of the mass, each crop weighed by itself: independent, so their variances add up. [g]"""
        return balance_uncertainty(readability_g) * math.sqrt(self.count)


def crops_of(session: Session, run_id: int) -> Crops | None:
    """The crops or fractions of a run together; None without any."""
    rows = [c for c in questions.list_checkpoints(session, run_id) if c.kind == "crop" and c.mass_g > 0]
    if not rows:
        return None
    mass = sum(c.mass_g for c in rows)
    return Crops(len(rows), mass, sum(c.mass_g * c.purity_percent for c in rows) / mass)


def _intensity(run: RunView, charge: Charge | None, weighed: Mapping[int, WeighedRow]) -> tuple[float | None, tuple[str, ...]]:
    product = run.run_yield.pure_mass_g if run.run_yield else None
    if charge is None or not product:
        return None, ()
    masses, without_mass = [], []
    for line in charge.lines:
        mass = taken(line, weighed.get(int(line.material.key))).mass_g
        if mass is None:
            without_mass.append(line.material.name)
        else:
            masses.append(mass)
    # Less than came out was never all that went in.
    return (process_mass_intensity(masses, product) if sum(masses) >= product else None), tuple(without_mass)
