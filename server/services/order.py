"""The order in which the lines of the charge stand: that in which things are weighed."""

from __future__ import annotations

from sqlmodel import Session

from server.services.preparations import log_change
from server.storage import questions
from server.storage.tables import MaterialRow


def move_material_up(session: Session, material_id: int) -> MaterialRow:
    """Let a material change places with the one before it; the first one stays. Raises NotFoundError."""
    row = questions.get_material(session, material_id)
    order = list(questions.list_materials(session, row.preparation_id))
    place = next(k for k, one in enumerate(order) if one.id == row.id)
    if not place:
        return row
    order[place - 1 : place + 1] = [row, order[place - 1]]
    for position, one in enumerate(order, start=1):
        one.position = position
        session.add(one)
    log_change(session, row.preparation_id, f"material {row.name} moved up")
    session.commit()
    return row
