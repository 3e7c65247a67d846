"""The cautions that stand on bench sheets and write-ups."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from server.core.chemistry.drying import AGENTS
from server.core.space.limits import Space
from server.core.space.variables import Setting
from server.services.charges import materials_for
from server.storage.tables import MaterialRow, PreparationRow

GENERAL_CAUTIONS = (
    "Read the safety data sheets of all materials and follow local rules.",
    "Have qualified people check work that is new to you; the app knows statistics, not your flask.",
    "When scaling up, heat removal falls behind as the volume grows.",
)


def cautions_for(
    preparation: PreparationRow, materials: Sequence[MaterialRow], space: Space, settings: Mapping[str, Setting]
) -> list[str]:
    """Broken limits first, then the chemist's own cautions, hazards of what is used, drying agents, and the usual ones."""
    cautions = [f"This plan breaks a limit: {text}" for text in space.broken_limits(settings)]
    cautions += [line for line in preparation.cautions.splitlines() if line.strip()]
    used = {m.key for m in materials_for(materials, settings)}
    for row in materials:
        lines = [line.strip() for line in row.hazards.splitlines() if line.strip()]
        if lines and str(row.id) in used:
            cautions.append(f"{row.name}: {'; '.join(lines)}")
    for v in space.variables:
        agent = AGENTS.get(str(settings[v.key])) if v.is_choice else None
        if agent is not None:
            cautions.extend(f"{agent.name}: {text} ({source})" for text, source in agent.cautions)
    return [*cautions, *GENERAL_CAUTIONS]
