"""The way of the product of every run: what its checkpoints say is left at the end of each stage."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from sqlmodel import Session

from server.core.chemistry.charge import Theory
from server.core.model.stagewise import USUAL_ORDER, Way, WorkOrder
from server.core.space.variables import Stage
from server.services.charges import (
    Interim,
    all_interims,
    interims_of,
    make_charge,
    product_of,
    share_as_product,
    weighed_theory,
)
from server.services.runs import RunView, made_with, weighed_of
from server.storage import questions
from server.storage.tables import CheckpointRow, MaterialRow, PreparationRow


@dataclass(frozen=True)
class Ways:
    """Ways of the runs that have checkpoints.

    ``out_of_order`` are runs that were weighed in another order of stages. ``intermediates`` says, by run number and stage,
    what was weighed where it was not the product: its formula, and the mass of product that a gram of it becomes.
    """

    ways: tuple[Way, ...] = ()
    out_of_order: tuple[int, ...] = ()
    order: WorkOrder = USUAL_ORDER
    intermediates: Mapping[tuple[int, Stage], tuple[str, float]] = field(default_factory=dict)


def order_of_work(session: Session, preparation: PreparationRow) -> WorkOrder:
    """The order of the stages: as the chemist has said it, else as most runs were weighed."""
    rows = questions.list_all_checkpoints(session, int(preparation.id or 0))
    return _order(preparation, [c for c in rows if c.kind == "product"])


def said_order(preparation: PreparationRow) -> WorkOrder:
    """The order of the stages as far as the chemist has said it."""
    return WorkOrder.of([], _drying_first(preparation))


def _drying_first(preparation: PreparationRow) -> bool | None:
    return {"before": True, "after": False}.get(preparation.drying)


def _order(preparation: PreparationRow, rows: Sequence[CheckpointRow]) -> WorkOrder:
    sequences: dict[int, list[Stage]] = {}
    for c in rows:
        sequences.setdefault(c.run_id, []).append(Stage(c.stage))
    return WorkOrder.of(list(sequences.values()), _drying_first(preparation))


def shares_used(order: WorkOrder, theory: Theory | None) -> Mapping[Stage, float]:
    """By stage, the part of what is weighed at its end that can become product: less than 1 before a material comes that limits.

    Such a material is taken for an intermediate. Theory counts what was lost before it, so that intermediate counts as what
    that material lets it become.
    """
    if theory is None or not theory.limiting.taken_after:
        return {}
    return dict.fromkeys(order.up_to(Stage(theory.limiting.taken_after)), theory.used_share)


def run_theory(
    session: Session,
    preparation: PreparationRow,
    materials: Sequence[MaterialRow],
    run: RunView,
    interims: Mapping[str, Interim] | None = None,
) -> Theory | None:
    """Theoretical yield of a run by its materials; None where it was entered or does not follow from them."""
    scale = run.row.scale_mol or preparation.base_scale_mol
    if not scale or run.row.theoretical_yield_g is not None:
        return None
    run_id = int(run.row.id or 0)
    if interims is None:
        interims = interims_of(questions.list_checkpoints(session, run_id), product_of(preparation))
    charge = make_charge(preparation, materials, run.settings, scale, made=made_with(session, run.row), interims=interims)
    found = weighed_theory(preparation, charge, weighed_of(session, run_id), run.row.readability_g)
    return found[0] if found is not None else None


def ways_of(session: Session, preparation: PreparationRow, counting: Sequence[RunView]) -> Ways:
    """Read the checkpoints of the counting runs that gave a yield.

    A run takes part if its theoretical yield is known, and its yield can be. Of several checkpoints of one stage the
    last counts: it stands at the stage's end. An intermediate counts as the product that it becomes.
    """
    by_run: dict[int, list[CheckpointRow]] = {}
    weighed = [c for c in questions.list_all_checkpoints(session, int(preparation.id or 0)) if c.kind == "product"]
    for row in weighed:
        by_run.setdefault(row.run_id, []).append(row)
    found = [
        (run, run.theory_g, run.percent, by_run[int(run.row.id or 0)])
        for run in counting
        if int(run.row.id or 0) in by_run and run.row.outcome == "yield" and not run.is_too_high
    ]
    order = _order(preparation, weighed)
    product = product_of(preparation)
    ways, out_of_order = [], []
    # Only where something is taken for an intermediate may it limit.
    materials = questions.list_materials(session, int(preparation.id or 0))
    interims = all_interims(session, preparation, materials)
    intermediates: dict[tuple[int, Stage], tuple[str, float]] = {}
    for run, theory_g, percent, rows in found:
        if not theory_g or percent is None:
            continue
        if not order.agrees([Stage(c.stage) for c in rows]):
            out_of_order.append(run.number)
            continue
        own = interims.get(int(run.row.id or 0))
        used = shares_used(order, run_theory(session, preparation, materials, run, own)) if own else {}
        left = {
            Stage(c.stage): c.mass_g
            * c.purity_percent
            * share_as_product(c.formula, product)
            * used.get(Stage(c.stage), 1.0)
            / theory_g
            for c in rows
        }
        ways.append(Way(run.number, left, percent))
        for c in rows:
            intermediates.pop((run.number, Stage(c.stage)), None)
            if c.formula:
                intermediates[run.number, Stage(c.stage)] = c.formula, share_as_product(c.formula, product)
    return Ways(tuple(ways), tuple(out_of_order), order, intermediates)
