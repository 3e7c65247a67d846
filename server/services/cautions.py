"""The cautions that stand on bench sheets and write-ups."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from server.core.chemistry.charge import MaterialRole
from server.core.chemistry.drying import agent_called
from server.core.space.limits import Space
from server.core.space.variables import Setting
from server.services.charges import materials_for
from server.services.vessels import in_words, limits_at_scale, scale_remark, variables_of_amounts
from server.storage.tables import MaterialRow, PreparationRow

GENERAL_CAUTIONS = (
    "Read the safety data sheets of all materials and follow local rules.",
    "Have qualified people check work that is new to you; the app knows statistics, not your flask.",
    "When scaling up, heat removal falls behind as the volume grows.",
)


def cautions_for(
    preparation: PreparationRow,
    materials: Sequence[MaterialRow],
    space: Space,
    settings: Mapping[str, Setting],
    scale_mol: float | None = None,
    made_mol: Sequence[float] = (),
) -> list[str]:
    """Broken limits first, then the chemist's own cautions, hazards of what is used, drying agents, and the usual ones.

    Parameters
    ----------
    scale_mol : float or None
        Scale of the run; the base scale where None. [mol]
    made_mol : sequence of float
        Scales of the finished runs that count. [mol]
    """
    cautions = [f"This plan breaks a limit: {text}" for text in space.broken_limits(settings)]
    driving = variables_of_amounts(materials)
    at_scale = limits_at_scale(space, settings, scale_mol, preparation.base_scale_mol, driving)
    cautions += in_words(at_scale)
    if remark := scale_remark(scale_mol or preparation.base_scale_mol, made_mol):
        cautions.append(f"{remark} Heating, cooling, stirring and gas evolution are others at this scale: go up in steps.")
    cautions += [line for line in preparation.cautions.splitlines() if line.strip()]
    used = {m.key for m in materials_for(materials, settings)}
    for row in materials:
        lines = [line.strip() for line in row.hazards.splitlines() if line.strip()]
        if lines and str(row.id) in used:
            cautions.append(f"{row.name}: {'; '.join(lines)}")
    named = [str(settings[v.key]) for v in space.variables if v.is_choice]
    for row in materials:
        if row.role == MaterialRole.DRYING_AGENT and str(row.id) in used:
            named += [row.name, row.formula]
    agents = {agent.name: agent for text in named if (agent := agent_called(text)) is not None}
    for agent in agents.values():
        cautions.extend(f"{agent.name}: {text} ({source})" for text, source in agent.cautions)
    return [*cautions, *GENERAL_CAUTIONS]
