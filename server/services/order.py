"""The order in which lines stand: of the charge as things are weighed, of variables as they come to mind."""

from __future__ import annotations

from collections.abc import Sequence

from sqlmodel import Session

from server.services.preparations import log_change
from server.storage import questions
from server.storage.tables import MaterialRow, VariableRow


def move_material_up(session: Session, material_id: int) -> MaterialRow:
    """Let a material change places with the one before it; the first one stays. Raises NotFoundError."""
    row = questions.get_material(session, material_id)
    _move_up(session, row, questions.list_materials(session, row.preparation_id), f"material {row.name} moved up")
    return row


def move_variable_up(session: Session, variable_id: int) -> VariableRow:
    """Let a variable change places with the one before it; the first one stays. Raises NotFoundError."""
    row = questions.get_variable(session, variable_id)
    _move_up(session, row, questions.list_variables(session, row.preparation_id), f"variable {row.name} moved up")
    return row


def _move_up(
    session: Session, row: MaterialRow | VariableRow, rows: Sequence[MaterialRow] | Sequence[VariableRow], what: str
) -> None:
    order: list[MaterialRow | VariableRow] = list(rows)
    place = next(k for k, one in enumerate(order) if one.id == row.id)
    if not place:
        return
    order[place - 1 : place + 1] = [row, order[place - 1]]
    for position, one in enumerate(order, start=1):
        one.position = position
        session.add(one)
    log_change(session, row.preparation_id, what)
    session.commit()
