"""The way of the product of every run: what its checkpoints say is left at the end of each stage."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from sqlmodel import Session

from server.core.model.stagewise import Way
from server.core.space.variables import Stage
from server.services.runs import RunView
from server.storage import questions
from server.storage.tables import CheckpointRow


@dataclass(frozen=True)
class Ways:
    """Ways of the runs that have checkpoints, and the numbers of runs whose checkpoints run against the order of stages."""

    ways: tuple[Way, ...]
    out_of_order: tuple[int, ...] = ()


def ways_of(session: Session, preparation_id: int, counting: Sequence[RunView]) -> Ways:
    """Read the checkpoints of the counting runs that gave a yield.

    A run takes part if its theoretical yield is known. Of several checkpoints of one stage the
    last counts: it stands at the stage's end.
    """
    by_run: dict[int, list[CheckpointRow]] = {}
    for row in questions.list_all_checkpoints(session, preparation_id):
        if row.kind == "product":
            by_run.setdefault(row.run_id, []).append(row)
    order = [s.value for s in Stage]
    ways, out_of_order = [], []
    for run in counting:
        rows = by_run.get(int(run.row.id or 0), [])
        if not rows or not run.theory_g or run.row.outcome != "yield" or run.percent is None:
            continue
        places = [order.index(c.stage) for c in rows]
        if places != sorted(places):
            out_of_order.append(run.number)
            continue
        left = {Stage(c.stage): c.mass_g * c.purity_percent / run.theory_g for c in rows}
        ways.append(Way(run.number, left, run.percent))
    return Ways(tuple(ways), tuple(out_of_order))
