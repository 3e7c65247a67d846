"""What is taken for an intermediate: the reagent of a second step, the solvent of a recrystallisation.

The example is a reductive amination in two steps: benzaldehyde and benzylamine to the imine, which is weighed, and its
reduction to dibenzylamine. Amounts are worked out by hand from molar masses (IUPAC 2021 abridged weights).
"""

from __future__ import annotations

from typing import Any

import pytest
from sqlmodel import Session

from server.core.chemistry.formula import read_formula
from server.core.space.variables import Role, Stage
from server.errors import InvalidInputError, NeedsConfirmationError
from server.services.analysis import analyse
from server.services.charges import Charge, add_material, make_charge, reference_of
from server.services.checkpoints import add_checkpoint, delete_checkpoint, update_checkpoint
from server.services.checkpoints import as_input as checkpoint_input
from server.services.inputs import CheckpointInput, FinishedRunInput, MaterialInput, PlannedRunInput, VariableInput
from server.services.massbalance import chemistry_of
from server.services.runs import note_weighed, plan_run, record_run, set_state, view_run, view_runs
from server.services.stages import ways_of
from server.services.stock import supply_of
from server.services.variables import add_variable
from server.services.writeups import compose
from server.storage import questions
from server.storage.tables import CheckpointRow, MaterialRow, PreparationRow, RunRow
from tests.factories import make_preparation, make_run

SCALE = 0.1
IMINE, AMINE = read_formula("C14H13N").molar_mass, read_formula("C14H15N").molar_mass
BOROHYDRIDE = read_formula("NaBH4").molar_mass
THEORY = SCALE * AMINE
SETTINGS = {"hold": 2.0, "bath": 120.0, "agent": "MgSO4"}


def key_of(row: PreparationRow | MaterialRow | RunRow | CheckpointRow) -> int:
    return int(row.id or 0)


def two_steps(session: Session, name: str = "Dibenzylamine", **reducing: Any) -> PreparationRow:
    preparation = make_preparation(session, name=name, product_formula="C14H15N", base_scale_mol=SCALE)
    preparation.theoretical_yield_g = None
    after = {"taken_after": Stage.REACTION}
    for material in (
        {"name": "benzaldehyde", "formula": "C7H6O"},
        {"name": "benzylamine", "formula": "C7H9N", "amount": 1.2},
        {"name": "borohydride", "formula": "NaBH4", **after, **reducing},
        {
            "name": "methanol",
            "role": "solvent",
            "amount_kind": "volume_per_gram",
            "amount": 5,
            "density_g_per_ml": 0.792,
            **after,
        },
    ):
        add_material(session, key_of(preparation), MaterialInput(**{"role": "reagent", **material}))
    return preparation


def material(session: Session, preparation: PreparationRow, name: str) -> MaterialRow:
    return next(m for m in questions.list_materials(session, key_of(preparation)) if m.name == name)


def base_charge(session: Session, preparation: PreparationRow) -> Charge:
    return make_charge(preparation, questions.list_materials(session, key_of(preparation)), {}, SCALE)


def planned(session: Session, preparation: PreparationRow, **settings: Any) -> RunRow:
    return plan_run(session, key_of(preparation), PlannedRunInput(settings={**SETTINGS, **settings}))


def imine(share: float, content: float = 100.0, **more: Any) -> CheckpointInput:
    """A checkpoint of so much of the theory of the imine."""
    mass = share * SCALE * IMINE / (content / 100.0)
    given = {"name": "imine", "stage": Stage.REACTION, "formula": "C14H13N", "mass_g": mass, "purity_percent": content}
    return CheckpointInput(**{**given, **more})


def lines_of(session: Session, run: RunRow) -> dict[str, Any]:
    charge = chemistry_of(session, *view_run(session, key_of(run))).planned
    assert charge is not None
    return {line.material.name: line for line in charge.lines}


def theory_of(session: Session, run: RunRow) -> float | None:
    return view_run(session, key_of(run))[1].theory_g


def test_a_plan_is_for_all_of_theory_and_says_so(session: Session) -> None:
    charge = base_charge(session, two_steps(session))
    lines = {line.material.name: line for line in charge.lines}
    assert lines["borohydride"].mass_g == pytest.approx(SCALE * BOROHYDRIDE)
    # Per gram counts from what the intermediate would be as product, whatever the reference is.
    assert lines["methanol"].volume_ml == pytest.approx(5 * THEORY)
    assert charge.theory is not None
    assert charge.theory.limiting.name == "benzaldehyde"
    assert charge.theory.mass_g == pytest.approx(THEORY)
    assert charge.problems == ()
    assert charge.interim_words == (
        "borohydride: here for all of theory after the reaction, 19.73 g as product: "
        f"{BOROHYDRIDE / AMINE:.3g} g for each g of product that it becomes.",
        "methanol: here for all of theory after the reaction, 19.73 g: 5 mL for each g that is weighed.",
    )


def test_amounts_follow_what_was_weighed(session: Session) -> None:
    preparation = two_steps(session)
    run = planned(session, preparation)
    # 80 % of theory, in a crude that holds 90 % of imine.
    add_checkpoint(session, key_of(run), imine(0.8, 90.0))
    lines, crude = lines_of(session, run), 0.8 * SCALE * IMINE / 0.9
    assert lines["borohydride"].mass_g == pytest.approx(0.8 * SCALE * BOROHYDRIDE)
    assert lines["methanol"].volume_ml == pytest.approx(5 * crude)
    assert lines["benzylamine"].moles == pytest.approx(1.2 * SCALE)
    assert chemistry_of(session, *view_run(session, key_of(run))).interim_words == (
        f"borohydride: for the {crude:.5g} g weighed after the reaction (80 % of theory).",
        f"methanol: for the {crude:.5g} g weighed after the reaction (80 % of theory).",
    )
    # The last of a stage counts; what was weighed elsewhere, or came back, does not.
    add_checkpoint(session, key_of(run), imine(0.7, confirm=["another_interim"]))
    add_checkpoint(session, key_of(run), imine(0.5, stage=Stage.WORK_UP))
    add_checkpoint(session, key_of(run), CheckpointInput(name="back", stage=Stage.REACTION, kind="recovered", mass_g=1))
    assert lines_of(session, run)["borohydride"].mass_g == pytest.approx(0.7 * SCALE * BOROHYDRIDE)


def test_fractions_of_an_intermediate_are_not_taken_for_one_after_another(session: Session) -> None:
    run = planned(session, two_steps(session))
    add_checkpoint(session, key_of(run), imine(0.5))
    fraction = imine(0.25, name="second fraction")
    with pytest.raises(NeedsConfirmationError, match="Fractions are entered once, as their sum") as asked:
        add_checkpoint(session, key_of(run), fraction)
    assert asked.value.code == "another_interim"
    # Where nothing is taken for it, two at one stage are not asked about: crude, then washed.
    for name in ("crude", "washed"):
        add_checkpoint(session, key_of(run), imine(0.5, name=name, stage=Stage.WORK_UP))
    add_checkpoint(session, key_of(run), fraction.model_copy(update={"confirm": ["another_interim"]}))
    assert lines_of(session, run)["borohydride"].material.share == pytest.approx(0.25, rel=1e-3)


def test_what_was_lost_before_stays_lost(session: Session) -> None:
    preparation = two_steps(session)
    reducing = key_of(material(session, preparation, "borohydride"))
    run = planned(session, preparation)
    note_weighed(session, key_of(run), {reducing: (0.8 * SCALE * BOROHYDRIDE, None)})
    # For how much of the imine that was is not known yet: it limits nothing.
    assert theory_of(session, run) == pytest.approx(THEORY)
    add_checkpoint(session, key_of(run), imine(0.8))
    assert theory_of(session, run) == pytest.approx(THEORY)
    # Nine tenths of what was there for it: that much less could be made.
    note_weighed(session, key_of(run), {reducing: (0.9 * 0.8 * SCALE * BOROHYDRIDE, None)})
    assert theory_of(session, run) == pytest.approx(0.9 * THEORY)
    (seen,) = [r for r in view_runs(session, preparation) if r.number == run.number]
    assert seen.theory_g == pytest.approx(0.9 * THEORY)
    data = FinishedRunInput(settings=SETTINGS, product_mass_g=0.5 * THEORY)
    finished = record_run(session, key_of(preparation), data, run_id=key_of(run))
    assert finished.theory_g == pytest.approx(0.9 * THEORY)
    assert finished.theory_source == "as-weighed amounts; borohydride limits"
    # The checkpoint is corrected later: the yield follows, as it does for weighed amounts.
    (mark,) = questions.list_checkpoints(session, key_of(run))
    corrected = checkpoint_input(mark).model_copy(update={"mass_g": 0.72 * SCALE * IMINE})
    update_checkpoint(session, key_of(mark), corrected)
    assert questions.get_run(session, key_of(run)).theory_g == pytest.approx(THEORY)
    delete_checkpoint(session, key_of(mark))
    more = add_checkpoint(session, key_of(run), imine(0.9))
    assert questions.get_run(session, key_of(run)).theory_g == pytest.approx(0.8 * THEORY)
    delete_checkpoint(session, key_of(more))
    assert questions.get_run(session, key_of(run)).theory_g == pytest.approx(THEORY)
    add_checkpoint(session, key_of(run), imine(0.9))
    # A yield that becomes unusual by it is asked about, and nothing is stored until then.
    with pytest.raises(NeedsConfirmationError, match=r"104.* is above 100 %"):
        update_checkpoint(
            session,
            key_of(questions.list_checkpoints(session, key_of(run))[0]),
            imine(1.0, mass_g=1.5 * SCALE * IMINE, confirm=["checkpoint_above_theory"]),
        )
    (kept,) = questions.list_checkpoints(session, key_of(run))
    assert kept.mass_g == pytest.approx(0.9 * SCALE * IMINE)


def test_more_at_the_start_is_more_to_lose(session: Session) -> None:
    preparation = two_steps(session)
    run = planned(session, preparation)
    weighed = {name: key_of(material(session, preparation, name)) for name in ("benzaldehyde", "borohydride")}
    # A tenth more of the aldehyde than planned: the imine is 88 % of the planned theory, 80 % of its own.
    note_weighed(session, key_of(run), {weighed["benzaldehyde"]: (1.1 * SCALE * read_formula("C7H6O").molar_mass, None)})
    add_checkpoint(session, key_of(run), imine(0.88))
    assert lines_of(session, run)["borohydride"].moles == pytest.approx(0.88 * SCALE)
    note_weighed(session, key_of(run), {weighed["borohydride"]: (0.88 * SCALE * BOROHYDRIDE, None)})
    assert theory_of(session, run) == pytest.approx(1.1 * THEORY)
    note_weighed(session, key_of(run), {weighed["borohydride"]: (0.44 * SCALE * BOROHYDRIDE, None)})
    assert theory_of(session, run) == pytest.approx(0.55 * THEORY)


def test_a_reagent_per_gram_of_a_wet_crude_limits_by_what_the_crude_holds(session: Session) -> None:
    # Worked by hand: a crude that is half imine gets twice the borohydride that its imine would get. 20 wt% of 16 g are
    # 3.2 g or 0.0846 mol, for 8 g or 0.041 mol of imine; 5 wt% are 0.0211 mol, which make half of that to amine.
    preparation = two_steps(session, amount_kind="mass_percent", amount=20)
    reducing = key_of(material(session, preparation, "borohydride"))
    run = planned(session, preparation)
    add_checkpoint(session, key_of(run), imine(0.0, 50.0, mass_g=16.0))
    assert lines_of(session, run)["borohydride"].mass_g == pytest.approx(3.2)
    assert theory_of(session, run) == pytest.approx(THEORY)
    note_weighed(session, key_of(run), {reducing: (0.8, None)})
    assert theory_of(session, run) == pytest.approx(THEORY * (0.8 / BOROHYDRIDE) / (8.0 / IMINE))
    # More aldehyde than planned: of its own theory the crude holds less, and the yield counts what was lost there.
    aldehyde = key_of(material(session, preparation, "benzaldehyde"))
    note_weighed(session, key_of(run), {aldehyde: (1.1 * SCALE * read_formula("C7H6O").molar_mass, None)})
    assert theory_of(session, run) == pytest.approx(1.1 * THEORY * (0.8 / BOROHYDRIDE) / (8.0 / IMINE))


def test_equivalents_as_weighed_count_from_the_intermediate(session: Session) -> None:
    preparation = two_steps(session)
    ratio = VariableInput(name="hydride", role=Role.RATIO, unit="eq", low=0.5, high=3, step=0.1, base=1, stage=Stage.REACTION_2)
    driven = add_variable(session, key_of(preparation), ratio)
    row = material(session, preparation, "borohydride")
    row.ratio_variable_id, row.coefficient = driven.id, 0.25
    run = planned(session, preparation, hydride=1.5)
    note_weighed(session, key_of(run), {key_of(row): (0.8 * SCALE * BOROHYDRIDE, None)})
    assert chemistry_of(session, *view_run(session, key_of(run))).as_weighed == ()
    add_checkpoint(session, key_of(run), imine(0.5))
    assert lines_of(session, run)["borohydride"].moles == pytest.approx(1.5 * 0.5 * SCALE)
    (one,) = chemistry_of(session, *view_run(session, key_of(run))).as_weighed
    assert (one.value, one.material, one.reference) == (1.6, "borohydride", "what was weighed after the reaction")


def test_stock_is_planned_for_all_of_theory_and_taken_for_what_was_there(session: Session) -> None:
    preparation = two_steps(session, stock_g=20.0)
    row = material(session, preparation, "borohydride")
    run = planned(session, preparation)
    supply = supply_of(session, preparation, view_runs(session, preparation))
    assert supply.left[str(row.id)].reserved_g == pytest.approx(SCALE * BOROHYDRIDE)
    set_state(session, key_of(run), "under_way")
    add_checkpoint(session, key_of(run), imine(0.6))
    record_run(session, key_of(preparation), FinishedRunInput(settings=SETTINGS, product_mass_g=9.0), run_id=key_of(run))
    supply = supply_of(session, preparation, view_runs(session, preparation))
    assert supply.left[str(row.id)].taken_g == pytest.approx(0.6 * SCALE * BOROHYDRIDE)
    methanol = material(session, preparation, "methanol")
    methanol.stock_g = 30.0
    rules = {rule.material: rule for rule in supply_of(session, preparation, view_runs(session, preparation)).rules()}
    assert rules["methanol"].mass_g == pytest.approx(5 * THEORY * 0.792)
    assert rules["borohydride"].mass_g == pytest.approx(SCALE * BOROHYDRIDE)


def test_nothing_is_the_reference_that_is_taken_for_an_intermediate(session: Session) -> None:
    preparation = two_steps(session)
    rows = [material(session, preparation, "borohydride"), material(session, preparation, "benzaldehyde")]
    reference = reference_of(rows)
    assert reference is not None
    assert reference.name == "benzaldehyde"
    with pytest.raises(InvalidInputError, match="Nothing is taken after the drying"):
        add_material(session, key_of(preparation), MaterialInput(name="x", role="wash", formula="H2O", taken_after=Stage.DRYING))


def test_without_theory_an_amount_per_gram_of_an_intermediate_is_named(session: Session) -> None:
    preparation = make_preparation(session, name="Unknown", base_scale_mol=SCALE)
    preparation.theoretical_yield_g = None
    given = {"name": "ethanol", "role": "solvent", "amount_kind": "volume_per_gram", "amount": 5, "taken_after": "work_up"}
    add_material(session, key_of(preparation), MaterialInput(**given))
    charge = base_charge(session, preparation)
    assert charge.problems == ("ethanol: an amount per gram of an intermediate needs the theoretical yield.",)
    assert charge.interim_words == ("ethanol: for all of theory after the work-up.",)
    # A theoretical yield that was entered does as well, and grows with the scale.
    preparation.theoretical_yield_g = 12.0
    rows = questions.list_materials(session, key_of(preparation))
    assert make_charge(preparation, rows, {}, 2 * SCALE).lines[0].volume_ml == pytest.approx(120.0)


def test_the_write_up_says_for_how_much_its_amounts_are(session: Session) -> None:
    preparation = two_steps(session)
    for bath in (110.0, 120.0, 130.0):
        make_run(session, preparation, 70.0, settings={"bath": bath})
    content = compose(session, analyse(session, key_of(preparation)))
    assert content["interims"][1].startswith("methanol: here for all of theory after the reaction, 19.73 g: 5 mL")


def test_what_waits_for_a_reagent_that_limits_is_neither_wet_nor_lost(session: Session) -> None:
    # Worked by hand: of the imine 0.09 mol are weighed, 90 % of theory, and the borohydride is for 0.6 of them. It could
    # make 0.054 mol of amine; 0.0486 mol are 90 % of that, so the yield is 0.9 · 0.9.
    preparation = two_steps(session, amount=0.6)
    run = planned(session, preparation)
    add_checkpoint(session, key_of(run), imine(0.9))
    assert theory_of(session, run) == pytest.approx(0.6 * THEORY)
    data = FinishedRunInput(settings=SETTINGS, product_mass_g=0.0486 * AMINE)
    record_run(session, key_of(preparation), data, run_id=key_of(run))
    # Theory is 0.054 mol over the 0.9 of the imine, whose content is known to 2 %: far worse than 2.04 g to 0.004 g.
    stored = questions.get_run(session, key_of(run))
    weighing = 0.01 / 6**0.5 / (0.054 * BOROHYDRIDE)
    assert stored.theory_u_g == pytest.approx(0.6 * THEORY * (0.02**2 + weighing**2) ** 0.5)
    balance = chemistry_of(session, *view_run(session, key_of(run))).balance
    assert balance is not None
    assert [s.recovery_percent for s in balance.stages] == [pytest.approx(90.0), pytest.approx(90.0)]
    assert balance.yield_percent == pytest.approx(81.0)
    assert "wet" not in balance.sentence
    (way,) = ways_of(session, preparation, view_runs(session, preparation)).ways
    assert list(way.left) == [Stage.REACTION]
    assert way.left[Stage.REACTION] == pytest.approx(90.0)
    assert way.percent == pytest.approx(81.0)
    assert way.gains == []
    # What came back of the borohydride was there at the second step.
    back = {"name": "hydride", "stage": Stage.WORK_UP, "kind": "recovered", "mass_g": 0.0054 * BOROHYDRIDE}
    add_checkpoint(session, key_of(run), CheckpointInput(**back))
    balance = chemistry_of(session, *view_run(session, key_of(run))).balance
    assert balance is not None
    assert [s.came_back_g for s in balance.stages] == [0.0, pytest.approx(0.0054 * AMINE)]
    assert balance.based_on_recovered_percent == pytest.approx(90.0)
    assert balance.stages[1].lost_g == pytest.approx(0.0, abs=1e-9)
    # More than all of the start can give is still asked about.
    with pytest.raises(NeedsConfirmationError, match=r"more than the 19\.73 g of theory"):
        add_checkpoint(session, key_of(run), imine(1.1))


def test_beside_a_theory_that_was_entered_an_intermediate_counts_as_it_was_weighed(session: Session) -> None:
    # By hand, as above, but with 19.73 g entered: 0.09 mol of imine are 90 % of that, and 0.0486 mol of amine 54 % of these.
    preparation = two_steps(session, amount=0.6)
    run = planned(session, preparation)
    add_checkpoint(session, key_of(run), imine(0.9))
    data = FinishedRunInput(settings=SETTINGS, product_mass_g=0.0486 * AMINE, theoretical_yield_g=THEORY)
    record_run(session, key_of(preparation), data, run_id=key_of(run))
    balance = chemistry_of(session, *view_run(session, key_of(run))).balance
    assert balance is not None
    assert [s.recovery_percent for s in balance.stages] == pytest.approx([90.0, 54.0])
    assert balance.yield_percent == pytest.approx(48.6)


def test_a_plan_awaits_the_intermediate_until_it_is_weighed(session: Session) -> None:
    run = planned(session, two_steps(session))
    assert chemistry_of(session, *view_run(session, key_of(run))).awaits_interim
    add_checkpoint(session, key_of(run), imine(0.9))
    assert not chemistry_of(session, *view_run(session, key_of(run))).awaits_interim
