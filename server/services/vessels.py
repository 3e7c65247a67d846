"""Other scales: what amounts that grow with the scale break, and scales that no run was made at."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from typing import TYPE_CHECKING

from server.core.chemistry.charge import AT_BASE_SCALE
from server.core.space.limits import Space
from server.core.space.variables import Setting
from server.services.words import grows_with_scale, plain
from server.storage.tables import MaterialRow, PreparationRow

if TYPE_CHECKING:
    # Planning a run asks what its scale breaks.
    from server.services.runs import RunView

# At so many times the largest scale of the runs so far, heating, cooling and stirring are others. (Own judgement.)
MUCH_LARGER = 3.0


def variables_of_amounts(rows: Sequence[MaterialRow]) -> set[str]:
    """Keys of the variables that set masses or volumes at the base scale: these amounts grow with the scale."""
    return {str(row.ratio_variable_id) for row in rows if row.ratio_variable_id is not None and row.amount_kind in AT_BASE_SCALE}


def limits_at_scale(
    space: Space, settings: Mapping[str, Setting], scale: float | None, base_scale: float | None, driving: Collection[str]
) -> list[str]:
    """What another scale breaks: amounts grow with the scale, vessels do not. A sentence each.

    Parameters
    ----------
    scale, base_scale : float or None
        Scale of the run, and the one at which the settings hold. [mol]
    driving : collection of str
        Keys of the variables that set masses and volumes, see ``variables_of_amounts``.

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


def in_words(broken: Sequence[str]) -> list[str]:
    """What a scale breaks, as ``limits_at_scale`` names it, in sentences."""
    return [f"This scale breaks a limit: {text}." for text in broken]


def scales_made(preparation: PreparationRow, runs: Sequence[RunView]) -> list[float]:
    """Scales of those among the runs that are finished and count. [mol]"""
    base = preparation.base_scale_mol
    return [scale for r in runs if r.counts and (scale := r.row.scale_mol or base)]


def scale_remark(scale: float | None, made: Sequence[float]) -> str:
    """That no run was ``made`` at nearly so large a scale, of which the models know nothing; else empty. [mol]"""
    if scale is None or not made or scale <= MUCH_LARGER * max(made):
        return ""
    return f"No run was made above {plain(max(made), 3)} mol; the forecast knows nothing of the scale."
