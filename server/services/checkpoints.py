"""Checkpoints of a run: weighed intermediates, and starting material that came back."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import cast

from sqlmodel import Session

from server.core.chemistry.balance import APART, CONTENT_U
from server.core.chemistry.charge import Product
from server.core.chemistry.formula import read_counted
from server.core.space.variables import THE_STAGE, Stage
from server.errors import FormulaTextError, InvalidInputError, NeedsConfirmationError, YieldwrightError
from server.services.charges import product_of, share_as_product, taken
from server.services.inputs import CheckpointInput, CheckpointKind, messages_of
from server.services.massbalance import chemistry_of
from server.services.preparations import log_change
from server.services.runs import renew_for_interims, view_run
from server.services.stages import run_theory, said_order, shares_used
from server.services.words import plain
from server.storage import questions
from server.storage.tables import CheckpointRow, RunRow

# So many times theory is no wet crude. (Own judgement.)
FAR_ABOVE = 3.0
WET = "Usually it is still wet or holds salts, so its content is lower: "


def as_input(row: CheckpointRow) -> CheckpointInput:
    """A stored checkpoint as it was entered."""
    return CheckpointInput(
        name=row.name,
        stage=Stage(row.stage),
        kind=cast(CheckpointKind, row.kind),
        material_id=row.material_id,
        mass_g=row.mass_g,
        purity_percent=row.purity_percent,
        formula=row.formula,
    )


def add_checkpoint(session: Session, run_id: int, data: CheckpointInput) -> CheckpointRow:
    """Add a checkpoint to a run, behind those of its stage and of earlier ones.

    Raises
    ------
    NotFoundError, InvalidInputError
    NeedsConfirmationError
        If it holds more product than theory allows, is the same as one that is there, or is one more of an intermediate
        for which something is taken.
    """
    run = questions.get_run(session, run_id)
    same = data.model_dump(mode="json", exclude={"confirm"})
    if any(as_input(c).model_dump(mode="json", exclude={"confirm"}) == same for c in questions.list_checkpoints(session, run_id)):
        message = f"There is a checkpoint {data.name} with the same mass and content already."
        asked = NeedsConfirmationError("mass_g", "same_checkpoint", message, "It was weighed twice: keep both")
        asked.raise_unless_in(data.confirm)
    _check(session, run, data)
    _ask_about_fractions(session, run, data)
    row = _stored(session, run, data)
    _renew(session, run, data.confirm)
    log_change(session, run.preparation_id, f"checkpoint {data.name} added", run_number=run.number)
    session.commit()
    return row


def store_checkpoint(session: Session, run: RunRow, data: CheckpointInput) -> CheckpointRow:
    """Add a checkpoint without commit; raises like ``add_checkpoint``."""
    _check(session, run, data)
    return _stored(session, run, data)


def _stored(session: Session, run: RunRow, data: CheckpointInput) -> CheckpointRow:
    row = CheckpointRow(run_id=int(run.id or 0), **data.model_dump(mode="json", exclude={"confirm"}))
    _place(session, run, row)
    session.add(row)
    return row


def update_checkpoint(session: Session, checkpoint_id: int, data: CheckpointInput) -> CheckpointRow:
    """Correct a checkpoint; with another stage it moves behind those of that stage.

    Raises
    ------
    NotFoundError, InvalidInputError
    NeedsConfirmationError
        If it holds more product than theory allows, unless that was kept before.
    """
    row = questions.get_checkpoint(session, checkpoint_id)
    run = questions.get_run(session, row.run_id)
    before = as_input(row)
    _check(session, run, data, before, checkpoint_id)
    old, new = (d.model_dump(mode="json", exclude={"confirm"}) for d in (before, data))
    changed = [name for name in new if new[name] != old[name]]
    if not changed:
        return row
    for name in changed:
        setattr(row, name, new[name])
    if "stage" in changed:
        _place(session, run, row)
    session.add(row)
    _renew(session, run, data.confirm)
    log_change(
        session,
        run.preparation_id,
        f"checkpoint {before.name} corrected",
        run_number=run.number,
        before={name: old[name] for name in changed},
        after={name: new[name] for name in changed},
    )
    session.commit()
    return row


def delete_checkpoint(session: Session, checkpoint_id: int) -> int:
    """Remove a checkpoint; return the run's id."""
    row = questions.get_checkpoint(session, checkpoint_id)
    run = questions.get_run(session, row.run_id)
    before = row.model_dump(mode="json")
    log_change(session, run.preparation_id, f"checkpoint {row.name} removed", run_number=run.number, before=before)
    session.delete(row)
    # What was said to the run once holds: it was asked when the amounts were noted.
    _renew(session, run, ["yield_above_100"])
    session.commit()
    return row.run_id


def _renew(session: Session, run: RunRow, confirm: Sequence[str]) -> None:
    try:
        renew_for_interims(session, run, confirm)
    except YieldwrightError:
        session.rollback()
        raise


def _place(session: Session, run: RunRow, row: CheckpointRow) -> None:
    """Number the checkpoints of a run anew, with this one behind those of its stage and of earlier ones."""
    order = said_order(questions.get_preparation(session, run.preparation_id))
    stage = Stage(row.stage)
    others = [c for c in questions.list_checkpoints(session, row.run_id) if c.id != row.id]
    place = max((k for k, c in enumerate(others, start=1) if not order.surely_before(stage, Stage(c.stage))), default=0)
    for position, one in enumerate([*others[:place], row, *others[place:]], start=1):
        one.position = position


def _ask_about_fractions(session: Session, run: RunRow, data: CheckpointInput) -> None:
    """What is taken for an intermediate follows the last one of its stage; fractions of a column are not one after another."""
    if data.kind != "product" or not any(
        m.taken_after == data.stage for m in questions.list_materials(session, run.preparation_id)
    ):
        return
    there = [c for c in questions.list_checkpoints(session, int(run.id or 0)) if c.kind == "product" and c.stage == data.stage]
    if there:
        last = there[-1]
        message = (
            f"{last.name}, {plain(last.mass_g, 5)} g, was weighed after {THE_STAGE[data.stage]} already. Of two the later one is "
            f"what is left of the earlier, and what is taken for it would follow the {plain(data.mass_g, 5)} g alone. "
            "Fractions are entered once, as their sum: correct the one that is there."
        )
        asked = NeedsConfirmationError("mass_g", "another_interim", message, "It is what was left of the earlier one")
        asked.raise_unless_in(data.confirm)


def _put_in(session: Session, run: RunRow, material_id: int | None) -> tuple[str, float, tuple[int | None, ...]] | None:
    """Name and mass of what may have come back, the compound alone, as weighed or else as planned [g], and the ids it goes by."""
    preparation, view = view_run(session, int(run.id or 0))
    chemistry = chemistry_of(session, preparation, view)
    if chemistry.charge is None:
        return None
    limiting = chemistry.charge.theory.limiting.key if chemistry.charge.theory else ""
    key = limiting if material_id is None else str(material_id)
    line = next((line for line in chemistry.charge.lines if line.material.key == key), None)
    if line is None:
        return None
    found = taken(line, chemistry.weighed.get(int(key)))
    m = found.material
    # Without a material, the limiting one is meant.
    ids: tuple[int | None, ...] = (int(key), None) if key == limiting else (int(key),)
    if found.moles is not None and m.molar_mass:
        return m.name, found.moles * m.molar_mass, ids
    if found.mass_g is None or m.concentration:
        return None
    return m.name, found.mass_g * m.content, ids


def check_amounts(data: CheckpointInput) -> None:
    """Refuse a mass or a content that cannot be; InvalidInputError with a sentence per field."""
    messages: dict[str, str] = {}
    if not data.mass_g >= 0:
        messages["mass_g"] = f"A mass of {data.mass_g:g} g is below 0."
    if not 0 < data.purity_percent <= 100:
        messages["purity_percent"] = "Content must be above 0 and at most 100 %."
    if data.formula:
        try:
            read_counted(data.formula)
        except FormulaTextError as error:
            messages["formula"] = str(error)
    if messages:
        raise InvalidInputError(messages)


def _check(
    session: Session, run: RunRow, data: CheckpointInput, before: CheckpointInput | None = None, own_id: int | None = None
) -> None:
    """Refuse what cannot be; ask about 0 g, and about more product than theory allows, unless ``before`` held as much.

    ``own_id`` is that of the checkpoint that is corrected.
    """
    messages = messages_of(lambda: check_amounts(data))
    product = product_of(questions.get_preparation(session, run.preparation_id))
    if data.formula and data.kind == "recovered":
        messages.setdefault("formula", "What was recovered has the formula of its material; leave this empty.")
    if data.formula and data.kind == "crop":
        messages.setdefault("formula", "A crop is a part of the product; leave this empty.")
    if data.formula and product is None:
        messages.setdefault("formula", "To count it as product, the preparation needs the product's formula. Enter that first.")
    known = {m.id for m in questions.list_materials(session, run.preparation_id)}
    if data.material_id is not None and data.material_id not in known:
        messages["material_id"] = "This material is not there (any more)."
    if not messages and data.kind == "recovered":
        put_in = _put_in(session, run, data.material_id)
        name, mass, ids = put_in or ("", math.inf, ())
        back = _holds(data) + sum(
            _holds(as_input(c))
            for c in questions.list_checkpoints(session, int(run.id or 0))
            if c.kind == "recovered" and c.material_id in ids and c.id != own_id
        )
        if back > mass * (1 + 1e-9):
            messages["mass_g"] = (
                f"{plain(back)} g of {name} came back, but only {plain(mass)} g were put in. Correct one of them."
            )
    if messages:
        raise InvalidInputError(messages)
    if data.mass_g == 0 and (before is None or before.mass_g > 0):
        message = "0 g says that nothing was there. Leave a checkpoint that was not weighed out, or say yes to keep it."
        NeedsConfirmationError("mass_g", "checkpoint_of_nothing", message, "Nothing was there").raise_unless_in(data.confirm)
    if data.kind != "recovered":
        _ask_about_theory(session, run, data, product, before, own_id)


def _ask_about_theory(
    session: Session,
    run: RunRow,
    data: CheckpointInput,
    product: Product | None,
    before: CheckpointInput | None,
    own_id: int | None,
) -> None:
    """More product than theory allows is mostly wet; crops count together."""
    held = _holds(data) * share_as_product(data.formula, product)
    was = _holds(before) * share_as_product(before.formula, product) if before and before.kind == data.kind else 0.0
    crops = 0.0
    if data.kind == "crop":
        others = questions.list_checkpoints(session, int(run.id or 0))
        crops = sum(_holds(as_input(c)) for c in others if c.kind == "crop" and c.id != own_id)
    if held <= was:
        return
    preparation, view = view_run(session, int(run.id or 0))
    theory_g = view.theory_g
    # Before a material comes that limits, all that was made of the others may be there.
    if theory_g:
        materials = questions.list_materials(session, run.preparation_id)
        used = shares_used(said_order(preparation), run_theory(session, preparation, materials, view))
        theory_g /= used.get(Stage(data.stage), 1.0)
    if theory_g and held + crops > theory_g * (1.0 + APART * CONTENT_U):
        with_others = f", with the other crops {plain(held + crops)} g" if crops else ""
        message = (
            f"{plain(data.mass_g, 5)} g at {data.purity_percent:.4g} % {'become' if data.formula else 'hold'} {plain(held)} g "
            f"of product{with_others}, more than the {plain(theory_g)} g of theory. "
            + ("Check the decimal point: " if held > FAR_ABOVE * theory_g else WET)
            + "correct it, or say yes to keep it."
        )
        asked = NeedsConfirmationError("purity_percent", "checkpoint_above_theory", message, "Keep it all the same")
        asked.raise_unless_in(data.confirm)


def _holds(data: CheckpointInput) -> float:
    """The compound weighed in a checkpoint. [g]"""
    return data.mass_g * data.purity_percent / 100.0
