"""Choosing the scale: in moles, for a wanted product mass, or from the scarcest material on hand."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from typing import TYPE_CHECKING

from server.core.chemistry.charge import scale_for_product
from server.core.space.limits import Space
from server.core.space.variables import Setting
from server.errors import InvalidInputError
from server.services.charges import make_charge
from server.services.numbers import LARGEST, SMALLEST, NumberTextError, read_number
from server.services.words import grows_with_scale, plain
from server.storage.tables import MaterialRow, PreparationRow

if TYPE_CHECKING:
    # Planning a run asks what its scale breaks.
    from server.services.runs import RunView

# At so many times the largest scale of the runs so far, heating, cooling and stirring are others. (Own judgement.)
MUCH_LARGER = 3.0

SCALE_MODES = {
    "moles": "amount of one equivalent / mol",
    "product": "wanted product mass / g",
    "material": "mass of one material on hand / g",
}


def check_scale(scale: float | None) -> float | None:
    """The scale as it was given, or None; InvalidInputError for one that cannot be. [mol]"""
    if scale is not None and not SMALLEST <= scale <= LARGEST:
        raise InvalidInputError({"scale_mol": "Enter a scale above 0 mol."})
    return scale


def limits_at_scale(
    space: Space, settings: Mapping[str, Setting], scale: float | None, base_scale: float | None, driving: Collection[str]
) -> list[str]:
    """What another scale breaks: amounts grow with the scale, vessels do not. A sentence each.

    Parameters
    ----------
    scale, base_scale : float or None
        Scale of the run, and the one at which the settings hold. [mol]
    driving : collection of str
        Keys of the variables that set masses and volumes, see ``charges.variables_of_amounts``.

    Notes
    -----
    A variable that has no upper hard limit ends where its range does. Where a range begins is no limit of the vessel, so
    below the base scale only a lower hard limit counts. Rules over amounts are looked at with the amounts at the scale.
    """
    if not scale or not base_scale or math.isclose(scale, base_scale):
        return []
    factor = scale / base_scale
    growing = [v for v in space.variables if grows_with_scale(v, driving)]
    there = {**settings, **{v.key: float(settings[v.key]) * factor for v in growing}}
    broken = []
    for v in growing:
        value, high = float(there[v.key]), v.high if v.hard_high is None else v.hard_high
        if factor > 1 and value > high * (1 + 1e-9):
            broken.append(f"{v.name}: {plain(value)} {v.unit} at {plain(scale)} mol, above the hard limit {plain(high)} {v.unit}")
        if factor < 1 and v.hard_low is not None and value < v.hard_low * (1 - 1e-9):
            low = v.hard_low
            broken.append(f"{v.name}: {plain(value)} {v.unit} at {plain(scale)} mol, below the hard limit {plain(low)} {v.unit}")
    keys = {v.key for v in growing}
    rules = [r.text for r in space.rules if keys & r.numbers and r.holds(settings) and not r.holds(there)]
    return broken + [f"the rule “{text}” does not hold at {plain(scale)} mol" for text in rules]


def scales_made(preparation: PreparationRow, runs: Sequence[RunView]) -> list[float]:
    """Scales of those among the runs that are finished and count. [mol]"""
    base = preparation.base_scale_mol
    return [scale for r in runs if r.counts and (scale := r.row.scale_mol or base)]


def scale_remark(scale: float | None, made: Sequence[float]) -> str:
    """That no run was ``made`` at nearly so large a scale, of which the models know nothing; else empty. [mol]"""
    if scale is None or not made or scale <= MUCH_LARGER * max(made):
        return ""
    return f"No run was made above {plain(max(made), 3)} mol; the forecast knows nothing of the scale."


def chosen_scale(
    preparation: PreparationRow, rows: Sequence[MaterialRow], settings: Mapping[str, Setting], typed: Mapping[str, str]
) -> float:
    """Return the scale that was asked for, the base scale if nothing was. [mol]

    Parameters
    ----------
    typed : mapping
        ``mode`` (moles, product or material), ``size``, and for product
        ``expected_yield`` [%], for material ``material`` (row id).

    Raises
    ------
    InvalidInputError
        With a sentence per field.
    """
    mode = typed.get("mode", "moles")
    if not typed.get("size", "").strip():
        return preparation.base_scale_mol or 1.0
    try:
        size = read_number(typed["size"])
    except NumberTextError as error:
        raise InvalidInputError({"size": str(error)}) from error
    if not size > 0:
        raise InvalidInputError({"size": "Enter a number above 0."})
    if mode == "moles":
        return size
    return _scale_from(preparation, rows, settings, typed, mode, size)


def _scale_from(
    preparation: PreparationRow,
    rows: Sequence[MaterialRow],
    settings: Mapping[str, Setting],
    typed: Mapping[str, str],
    mode: str,
    size: float,
) -> float:
    """The scale for a wanted product mass, or from the mass of one material."""
    unit = make_charge(preparation, rows, settings, 1.0)
    if mode == "product":
        if unit.theory is None or unit.product is None:
            raise InvalidInputError({"size": "A product mass needs the product's formula and at least one reagent in moles."})
        try:
            expected = read_number(typed.get("expected_yield", "") or "100")
        except NumberTextError as error:
            raise InvalidInputError({"expected_yield": str(error)}) from error
        if not 0.1 <= expected <= 100:
            raise InvalidInputError({"expected_yield": "The expected yield must be at least 0.1 and at most 100 %."})
        return scale_for_product(unit.product, size, expected, unit.theory.product_moles)
    if mode == "material":
        line = next((one for one in unit.lines if one.material.key == typed.get("material", "")), None)
        if line is None or not line.mass_g:
            raise InvalidInputError({"material": "Choose a material whose mass follows from the scale."})
        return size / line.mass_g
    raise InvalidInputError({"mode": "Choose one of the ways offered."})
