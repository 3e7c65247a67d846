"""Choosing the scale: in moles, for a wanted product mass, or from the scarcest material on hand."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from server.core.chemistry.charge import scale_for_product
from server.core.space.variables import Setting
from server.errors import InvalidInputError
from server.services.charges import make_charge
from server.services.numbers import LARGEST, SMALLEST, NumberTextError, read_number
from server.storage.tables import MaterialRow, PreparationRow

SCALE_MODES = {
    "moles": "one equivalent / mol",
    "product": "wanted product mass / g",
    "material": "material on hand / g",
}


def check_scale(scale: float | None) -> float | None:
    """The scale as it was given, or None; InvalidInputError for one that cannot be. [mol]"""
    if scale is not None and not SMALLEST <= scale <= LARGEST:
        raise InvalidInputError({"scale_mol": "Enter a scale above 0 mol."})
    return scale


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
