"""What is left of the materials: the stock as counted, less what runs took since and what planned ones will take.

Proposals keep to it, see ``Supply``.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import TYPE_CHECKING

from sqlmodel import Session

from server.core.chemistry.charge import AmountKind, Material, charge_line
from server.core.model.effects import listed
from server.core.space.limits import NotUsedRule, Space, StockRule
from server.core.space.variables import Setting
from server.errors import InvalidInputError
from server.services.charges import (
    Interim,
    MadeWith,
    all_interims,
    follow_interims,
    make_charge,
    material_of,
    reference_molar_mass,
    taken,
)
from server.services.words import plain
from server.storage import questions
from server.storage.tables import MaterialRow, PreparationRow, RunRow, WeighedRow

if TYPE_CHECKING:
    # Planning a run asks what is left.
    from server.services.runs import RunView


# Less is dust of the arithmetic. [g]
_NOTHING = 1e-6


@dataclass(frozen=True)
class StockLeft:
    """Stock of one material as counted, what finished runs took since, and what pending runs will take. [g]"""

    counted_g: float
    taken_g: float
    reserved_g: float

    @property
    def balance_g(self) -> float:
        """What is left after all runs, those that are planned included; below 0 where it does not reach for them. [g]"""
        return self.counted_g - self.taken_g - self.reserved_g

    @property
    def free_g(self) -> float:
        """What further runs may use. [g]"""
        return max(0.0, self.balance_g)


def stock_left(
    session: Session, preparation: PreparationRow, materials: Sequence[MaterialRow], runs: Sequence[RunView]
) -> dict[str, StockLeft]:
    """What is left of every material with a stock, by the material's id as text.

    Notes
    -----
    A run takes what was noted as weighed, else what the charge says for its settings and scale. One
    that was abandoned before it was started took nothing. Past runs that were brought in from a table
    without a day are taken for older than the count.
    """
    counted = {str(m.id): m for m in materials if m.stock_g is not None}
    if not counted:
        return {}
    gone, reserved = dict.fromkeys(counted, 0.0), dict.fromkeys(counted, 0.0)
    weighed: dict[int, dict[str, WeighedRow]] = {}
    for note in questions.list_weighed(session, int(preparation.id or 0)):
        weighed.setdefault(note.run_id, {})[str(note.material_id)] = note
    interims = all_interims(session, preparation, materials)
    for run in runs:
        since = [key for key, m in counted.items() if _will_take(run.row, m.stock_at) or _took_after(run.row, m.stock_at)]
        if not since:
            continue
        key_of_run = int(run.row.id or 0)
        masses = _masses_of(preparation, materials, run, weighed.get(key_of_run, {}), interims.get(key_of_run, {}))
        for key in since:
            (reserved if run.is_pending else gone)[key] += masses.get(key, 0.0)
    return {key: StockLeft(float(m.stock_g or 0.0), gone[key], reserved[key]) for key, m in counted.items()}


@dataclass(frozen=True)
class Supply:
    """The materials of a preparation and what is left of those that are counted, by their ids as text."""

    preparation: PreparationRow
    materials: tuple[MaterialRow, ...]
    left: Mapping[str, StockLeft]

    @property
    def free_g(self) -> dict[str, float]:
        """What further runs may use. [g]"""
        return {key: one.free_g for key, one in self.left.items()}

    @property
    def short_words(self) -> str:
        """That the runs which are planned or under way need more than there is, material by material; empty where none do."""
        short = [
            f"{m.name} by {plain(-one.balance_g, 3)} g"
            for m in self.materials
            if (one := self.left.get(str(m.id))) and one.reserved_g > 0 and one.balance_g < -_NOTHING
        ]
        return f"The runs that are planned or under way need more than is left: short of {listed(short)}." if short else ""

    def rules(self, scale_mol: float | None = None) -> tuple[StockRule, ...]:
        """What further runs may take of every material that is counted, as rules over the settings.

        Parameters
        ----------
        scale_mol : float or None
            Scale of the further runs; the base scale where None. [mol]

        Notes
        -----
        A material whose mass cannot be worked out, as of a solution without a density, limits nothing; nor does a
        liquid whose volume a concentration sets.
        """
        base = self.preparation.base_scale_mol
        scale = scale_mol or base
        rules = []
        reference = reference_molar_mass(self.materials)
        for row in self.materials:
            one = self.left.get(str(row.id))
            # What a concentration takes does not grow with the setting.
            thins = row.amount_kind == AmountKind.CONCENTRATION and row.ratio_variable_id is not None
            if one is None or not base or thins:
                continue
            whole = material_of(row, amount=None if row.ratio_variable_id is None else row.amount_of_one, reference=reference)
            if whole.taken_after:
                whole = self._for_all_of_theory(whole, scale or base)
            with suppress(InvalidInputError):
                if mass := charge_line(whole, scale or base, base).mass_g:
                    text = f"{plain(one.free_g)} g of {row.name} left"
                    option = (str(row.choice_variable_id), row.choice) if row.choice_variable_id and row.choice else None
                    amount, count = _key(row.ratio_variable_id), _key(row.count_variable_id)
                    rules.append(StockRule(text, row.name, mass, one.free_g, amount, count, option))
        return tuple(rules)

    def _for_all_of_theory(self, material: Material, scale_mol: float) -> Material:
        """A material that is taken for an intermediate, as it is planned: for all that theory gives."""
        made = MadeWith.of(self.materials, {}, self.preparation.base_scale_mol)
        followed, _ = follow_interims(self.preparation, made, scale_mol, {})
        masses = {m.key: m.reference_molar_mass for m in followed.materials}
        return replace(material, reference_molar_mass=masses.get(material.key))

    def keeps_out(self, space: Space) -> list[str]:
        """Say what further runs at the base scale are kept from, one phrase for every material that limits any setting."""
        found = []
        not_used = _not_used(space)
        for rule in self.rules():
            if rule.option in not_used:
                continue
            numbers = [v for v in space.variables if v.key in rule.numbers]
            least = _least_g(rule, space)
            most = rule.mass_g * math.prod(v.high for v in numbers)
            if most <= rule.left_g * (1 + 1e-9):
                continue
            with_option = f" with {rule.option[1]}" if rule.option else ""
            if least > rule.left_g * (1 + 1e-9):
                what = f"no {space.variable(rule.option[0]).name} {rule.option[1]}" if rule.option else "no run"
            elif len(numbers) == 1:
                (v,) = numbers
                what = f"{v.name} at most {plain(rule.left_g / rule.mass_g, 3)} {v.unit}".rstrip() + with_option
            else:
                what = f"less of {' or '.join(v.name for v in numbers)}{with_option}"
            found.append(f"{what} ({rule.text})")
        return found

    def most_runs(self, space: Space, scale_mol: float | None = None) -> int | None:
        """For how many further runs there is stock at most, whatever their settings; None where no stock ends them.

        Notes
        -----
        Amounts are taken at the low ends of their ranges. What only one option of a choice needs ends the runs only
        where all its other options run out too.
        """
        of_every_run: list[int] = []
        by_choice: dict[str, dict[str, int]] = {}
        for rule in self.rules(scale_mol):
            least = _least_g(rule, space)
            if least <= 0:
                continue
            runs = math.floor(rule.left_g / least + 1e-9)
            if rule.option is None:
                of_every_run.append(runs)
            else:
                key, option = rule.option
                options = by_choice.setdefault(key, {})
                options[option] = min(runs, options.get(option, runs))
        not_used = _not_used(space)
        for key, options in by_choice.items():
            usable = [option for option in space.variable(key).choices if (key, option) not in not_used]
            if all(option in options for option in usable):
                of_every_run.append(sum(options[option] for option in usable))
        return min(of_every_run, default=None)


def _not_used(space: Space) -> set[tuple[str, str]]:
    """Options that a rule forbids, with the keys of their choices."""
    return {(rule.key, option) for rule in space.rules if isinstance(rule, NotUsedRule) for option in rule.options}


def _least_g(rule: StockRule, space: Space) -> float:
    """What a run takes at least, where it takes the material at all. [g]"""
    return rule.mass_g * math.prod(v.low for v in space.variables if v.key in rule.numbers)


def supply_of(session: Session, preparation: PreparationRow, runs: Sequence[RunView]) -> Supply:
    """Collect the materials and what is left of them."""
    materials = tuple(questions.list_materials(session, int(preparation.id or 0)))
    return Supply(preparation, materials, stock_left(session, preparation, materials, runs))


def _key(variable_id: int | None) -> str | None:
    return None if variable_id is None else str(variable_id)


def _took_after(run: RunRow, counted_at: datetime | None) -> bool:
    """Whether a run that is over took its materials after the stock was counted."""
    if counted_at is None or (run.state == "abandoned" and run.started_at is None and run.made_on is None):
        return False
    counted_on = counted_at.astimezone().date()
    if run.made_on and (made_on := date.fromisoformat(run.made_on)) != counted_on:
        return made_on > counted_on
    moment = run.started_at or run.finished_at
    return moment is not None and moment > counted_at


def _will_take(run: RunRow, counted_at: datetime | None) -> bool:
    """Whether a run that is not over has still to take its materials: not one that was under way before the stock was counted."""
    if run.state not in ("planned", "under_way"):
        return False
    return counted_at is None or run.started_at is None or run.started_at > counted_at


def missing_for(
    preparation: PreparationRow,
    materials: Sequence[MaterialRow],
    left: Mapping[str, StockLeft],
    wanted: Sequence[tuple[Mapping[str, Setting], float | None]],
) -> list[str]:
    """What is short for runs that are about to be planned: one phrase for every material that does not reach for all.

    Parameters
    ----------
    left : mapping
        What is left beside them, by the material's id as text.
    wanted : sequence of (settings, scale)
        The runs; the base scale where none is given. [mol]
    """
    needed: dict[str, float] = {}
    for settings, scale in wanted:
        if scale_mol := scale or preparation.base_scale_mol:
            for line in make_charge(preparation, materials, settings, scale_mol).lines:
                needed[line.material.key] = needed.get(line.material.key, 0.0) + (line.mass_g or 0.0)
    short = []
    for m in materials:
        one, need = left.get(str(m.id)), needed.get(str(m.id), 0.0)
        if one is not None and need > 0 and need > one.balance_g + _NOTHING:
            short.append(f"{m.name} ({plain(need, 4)} g needed, {plain(one.free_g, 4)} g free)")
    return short


def _masses_of(
    preparation: PreparationRow,
    materials: Sequence[MaterialRow],
    run: RunView,
    weighed: Mapping[str, WeighedRow],
    interims: Mapping[str, Interim],
) -> dict[str, float]:
    """What a run took or will take, by the material's id as text; only what was noted where no scale is known. [g]"""
    scale = run.row.scale_mol or preparation.base_scale_mol
    if not scale:
        return {key: note.mass_g for key, note in weighed.items() if note.mass_g is not None}
    made = MadeWith.from_json(run.row.made_with) if run.row.state == "finished" else None
    charge = make_charge(preparation, materials, run.settings, scale, made=made, interims=interims)
    found = {line.material.key: taken(line, weighed.get(line.material.key)).mass_g for line in charge.lines}
    return {key: mass for key, mass in found.items() if mass is not None}
