"""The chemistry of runs: what is taken, what is left over, and what would count twice."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest
from sqlmodel import Session

from server.core.chemistry.formula import read_formula
from server.core.space.limits import NotUsedRule, Space
from server.core.space.variables import Role, Stage
from server.errors import InvalidInputError, NeedsConfirmationError
from server.services.analysis import analyse
from server.services.charges import add_material, idle_choices, make_charge, update_material
from server.services.charges import as_input as material_input
from server.services.checkpoints import add_checkpoint
from server.services.inputs import CheckpointInput, FinishedRunInput, MaterialInput, PlannedRunInput, VariableInput
from server.services.massbalance import chemistry_of, crops_of
from server.services.runs import (
    RunView,
    has_another_charge_today,
    note_weighed,
    plan_run,
    record_run,
    renew_theories,
    set_state,
    view_run,
    with_another_theory,
)
from server.services.spaces import stored_space
from server.services.stock import Supply, missing_for, supply_of
from server.services.variables import add_variable, as_input, delete_variable, update_variable
from server.storage import questions
from server.storage.tables import MaterialRow, PreparationRow, RunRow, VariableRow
from tests.factories import make_preparation, make_run


def key_of(row: PreparationRow | MaterialRow | RunRow | VariableRow) -> int:
    return int(row.id or 0)


def made_of(session: Session, name: str, product: str, *materials: dict[str, Any], **more: Any) -> PreparationRow:
    """A preparation with the usual variables, for 0.1 mol."""
    preparation = make_preparation(session, name=name, product_formula=product, base_scale_mol=0.1, **more)
    preparation.theoretical_yield_g = None
    for material in materials:
        add_material(session, key_of(preparation), MaterialInput(**{"role": "reagent", **material}))
    return preparation


def charge_of(session: Session, preparation: PreparationRow, **settings: Any) -> Any:
    rows = questions.list_materials(session, key_of(preparation))
    keys = {v.name: str(v.id) for v in questions.list_variables(session, key_of(preparation))}
    return make_charge(preparation, rows, {keys[k]: v for k, v in settings.items()}, 0.1)


def test_a_reagent_of_which_no_moles_follow_is_named(session: Session) -> None:
    # 5.0 mL of aniline are 0.055 mol (density 1.022 g/mL, CRC Handbook, from memory), and limit.
    anhydride = {"name": "anhydride", "formula": "C4H6O3", "amount": 1.5}
    aniline = {"name": "aniline", "formula": "C6H7N", "amount_kind": "volume", "amount": 5.0}
    preparation = made_of(session, "Anilide", "C8H9NO", anhydride, aniline)
    charge = charge_of(session, preparation)
    assert charge.theory.limiting.name == "anhydride"
    (problem,) = charge.problems
    assert problem.startswith("aniline: no amount in moles follows without its density, so it is not looked at")
    known = made_of(session, "Again", "C8H9NO", anhydride, {**aniline, "density_g_per_ml": 1.022})
    charge = charge_of(session, known)
    assert (charge.theory.limiting.name, charge.problems) == ("aniline", ())
    assert charge.theory.mass_g == pytest.approx(5.0 * 1.022 / 93.13 * 135.17, rel=1e-3)


def test_water_of_crystallisation_is_not_counted_twice_unsaid(session: Session) -> None:
    salt = {"name": "vitriol", "formula": "CuSO4·5H2O", "water_percent": 36}
    preparation = made_of(session, "Ammine", "Cu(NH3)4SO4·H2O", salt)
    assert any("36 % water is what its formula holds already" in p for p in charge_of(session, preparation).problems)
    damp = made_of(session, "Damp", "Cu(NH3)4SO4·H2O", {**salt, "water_percent": 5})
    assert charge_of(session, damp).problems == ()


def test_water_from_the_solvent_balances_the_equation(session: Session) -> None:
    oxide = {"name": "oxide", "formula": "CuO"}
    acid = {"name": "acid", "formula": "H2SO4", "amount": 1.1}
    preparation = made_of(session, "Vitriol", "CuSO4·5H2O", oxide, acid)
    charge = charge_of(session, preparation)
    assert charge.problems == ()
    # CuO + H2SO4 + 4 H2O -> CuSO4·5H2O: one water comes of the reaction.
    assert charge.atom_economy_percent == pytest.approx(100.0, rel=1e-4)
    # CuCl2 + H2SO4 + 5 H2O -> CuSO4·5H2O + 2 HCl.
    chloride = made_of(session, "From chloride", "CuSO4·5H2O", {"name": "chloride", "formula": "CuCl2"}, acid)
    expected = 100 * 249.68 / (134.45 + 98.07 + 5 * 18.015)
    assert charge_of(session, chloride).atom_economy_percent == pytest.approx(expected, rel=1e-3)
    # With the water as a line of its own, it is not counted twice.
    water = {"name": "water", "formula": "H2O", "coefficient": 4, "amount": 40}
    told = made_of(session, "With water", "CuSO4·5H2O", oxide, acid, water)
    assert charge_of(session, told).atom_economy_percent == pytest.approx(100.0, rel=1e-4)


def test_a_run_of_an_older_version_keeps_its_charge(session: Session) -> None:
    salt = {"name": "salt", "formula": "CuSO4·5H2O"}
    preparation = made_of(session, "Trihydrate", "CuSO4·3H2O", salt)
    run = make_run(session, preparation, None, product_mass_g=15.0)
    before = chemistry_of(session, *view_run(session, key_of(run))).charge
    new = ("waters", "hydrogen", "oxygen", "times")
    assert run.made_with is not None
    run.made_with = {
        **run.made_with,
        "materials": [{k: v for k, v in m.items() if k not in new} for m in run.made_with["materials"]],
    }
    session.add(run)
    session.commit()
    found = chemistry_of(session, *view_run(session, key_of(run))).charge
    assert before is not None
    assert found is not None
    assert found.atom_economy_percent == before.atom_economy_percent
    assert not has_another_charge_today(session, preparation, view_run(session, key_of(run))[1])


def test_water_left_in_a_hydrate_is_asked_about(session: Session) -> None:
    preparation = made_of(session, "Vitriol", "CuSO4·5H2O", {"name": "oxide", "formula": "CuO"})
    with pytest.raises(NeedsConfirmationError, match=r"36 % is what CuSO4·5H2O holds as water of crystallisation") as asked:
        make_run(session, preparation, None, product_mass_g=20.0, residual_percent=36.0)
    assert (asked.value.field, asked.value.code) == ("residual_percent", "crystal_water")
    session.rollback()
    run = make_run(session, preparation, None, product_mass_g=20.0, residual_percent=36.0, confirm=["crystal_water"])
    # It was said: a correction of something else does not ask again.
    settings = {"hold": 2.0, "bath": 120.0, "agent": "MgSO4"}
    data = FinishedRunInput(settings=settings, product_mass_g=20.0, residual_percent=36.0, notes="dry")
    record_run(session, key_of(preparation), data, run_id=key_of(run))


def palladium(session: Session) -> tuple[PreparationRow, VariableRow]:
    preparation = made_of(session, "Coupling", "C12H10", {"name": "halide", "formula": "C6H5Br"})
    loading = VariableInput(name="Pd", role=Role.LOADING, unit="mol%", low=0.5, high=3, step=0.5, base=1)
    row = add_variable(session, key_of(preparation), loading)
    for name, formula, times in (("acetate", "Pd(OAc)2", 1), ("ligand", "C26H35O2P", 2)):
        driven = {"amount_kind": "mol_percent", "amount": 1, "ratio_variable_id": row.id, "ratio_factor": times, "stock_g": 5.0}
        add_material(session, key_of(preparation), MaterialInput(name=name, formula=formula, role="catalyst", **driven))
    return preparation, row


def test_a_ligand_keeps_its_ratio_to_the_metal(session: Session) -> None:
    preparation, row = palladium(session)
    lines = {line.material.name: line for line in charge_of(session, preparation, Pd=1.5).lines}
    assert lines["acetate"].moles == pytest.approx(0.0015)
    assert lines["ligand"].moles == pytest.approx(0.003)
    # The stock of the ligand is used up by twice as much.
    rules = {rule.material: rule for rule in supply_of(session, preparation, []).rules()}
    assert rules["ligand"].mass_g == pytest.approx(2 * 0.1 / 100 * 410.5, rel=1e-3)
    run = plan_run(session, key_of(preparation), PlannedRunInput(settings={"hold": 2, "bath": 120, "agent": "MgSO4", "Pd": 1.5}))
    ligand = next(m for m in questions.list_materials(session, key_of(preparation)) if m.name == "ligand")
    note_weighed(session, key_of(run), {key_of(ligand): (2 * lines["ligand"].mass_g / 3, None)})
    (as_weighed,) = chemistry_of(session, *view_run(session, key_of(run))).as_weighed
    assert as_weighed.value == pytest.approx(1.0, rel=1e-3)
    # Of metal and ligand that agree one speaks for both; where they do not, nobody knows.
    metal = next(m for m in questions.list_materials(session, key_of(preparation)) if m.name == "acetate")
    note_weighed(session, key_of(run), {key_of(metal): (2 * lines["acetate"].mass_g / 3, None)})
    assert [one.value for one in chemistry_of(session, *view_run(session, key_of(run))).as_weighed] == [
        pytest.approx(1.0, rel=1e-3)
    ]
    note_weighed(session, key_of(run), {key_of(metal): (lines["acetate"].mass_g, None)})
    assert chemistry_of(session, *view_run(session, key_of(run))).as_weighed == ()
    # 0.22 g and 0.83 g lie 3 % apart, which a balance that shows 0.01 g cannot tell.
    note_weighed(session, key_of(run), {key_of(metal): (0.22, None), key_of(ligand): (0.83, None)})
    (as_weighed,) = chemistry_of(session, *view_run(session, key_of(run))).as_weighed
    assert as_weighed.material == "acetate"
    assert as_weighed.value == pytest.approx(0.98, rel=1e-3)
    session.delete(questions.get_run(session, key_of(run)))
    session.commit()
    delete_variable(session, key_of(row))
    assert (ligand.amount, ligand.ratio_factor) == (2.0, 1.0)


def test_a_choice_says_nothing_where_none_of_what_it_selects_is_taken(session: Session) -> None:
    preparation = make_preparation(session)
    key = key_of(preparation)
    agent = next(v for v in questions.list_variables(session, key) if v.name == "agent")
    washes, much, thin = (
        add_variable(session, key, VariableInput(name=name, role=role, unit=unit, low=0, high=4, base=2))
        for name, role, unit in (("washes", "count", ""), ("much", "other", "g"), ("thin", "concentration", "mol/L"))
    )

    def idle(*lines: dict[str, Any]) -> tuple[tuple[str, str], ...]:
        rows = [
            MaterialRow(preparation_id=key, name="x", role="other", choice_variable_id=agent.id, choice="MgSO4", **line)
            for line in lines
        ]
        return idle_choices(rows)

    counted, dosed = {"count_variable_id": washes.id}, {"ratio_variable_id": much.id}
    assert idle(counted) == idle(counted, {**counted, **dosed}) == ((str(agent.id), str(washes.id)),)
    assert idle({**counted, **dosed}) == tuple((str(agent.id), str(v.id)) for v in (washes, much))
    # One that is taken all the same, by another number or always, is a difference.
    assert idle(counted, dosed) == idle(counted, {}) == idle({}) == idle() == ()
    # The less of it dissolves in a litre, the more is taken.
    assert idle({"amount_kind": "concentration", "ratio_variable_id": thin.id}) == ()
    brine = {"name": "brine", "role": "wash", "amount_kind": "volume", "amount": 5, "count_variable_id": washes.id}
    add_material(session, key, MaterialInput(**brine, choice_variable_id=agent.id, choice="MgSO4"))
    assert analyse(session, key).history.idle == ((str(agent.id), str(washes.id)),)


def taken_by_a_variable(session: Session, unit: str, kind: str, base: float, **rest: Any) -> tuple[PreparationRow, VariableRow]:
    preparation = made_of(session, "Coupling", "C12H10", {"name": "halide", "formula": "C6H5Br"})
    much = VariableInput(name="much", role="other", unit=unit, low=base / 2, high=2 * base, base=base)
    row = add_variable(session, key_of(preparation), much)
    line = {"name": "extra", "formula": "NaCl", "role": "other", "amount_kind": kind, "ratio_variable_id": row.id, **rest}
    add_material(session, key_of(preparation), MaterialInput(**line))
    return preparation, row


# By hand, at 0.1 mol, NaCl 58.44 g/mol and bromobenzene 157.01 g/mol (atomic weights: IUPAC).
@pytest.mark.parametrize(
    ("unit", "kind", "value", "mass_g", "volume_ml"),
    [
        ("mg", "mass", 250, 0.25, None),
        ("kg", "mass", 0.25, 250, None),
        ("µL", "volume", 250, None, 0.25),
        ("L", "volume", 0.25, None, 250),
        ("mol%", "equivalents", 5, 0.005 * 58.44, None),
        ("eq", "mol_percent", 0.05, 0.005 * 58.44, None),
        ("g/g", "mass_percent", 0.2, 0.2 * 15.701, None),
        ("mg/g", "mass_percent", 200, 0.2 * 15.701, None),
        ("µL/g", "volume_per_gram", 300, None, 0.3 * 15.701),
        ("mmol/L", "concentration", 200, None, 500),
    ],
)
def test_a_variable_sets_an_amount_in_its_own_unit(
    session: Session, unit: str, kind: str, value: float, mass_g: float | None, volume_ml: float | None
) -> None:
    preparation, row = taken_by_a_variable(session, unit, kind, value)
    line = next(one for one in charge_of(session, preparation, much=value).lines if one.material.name == "extra")
    assert line.mass_g == (None if mass_g is None else pytest.approx(mass_g, rel=1e-3))
    if volume_ml is not None:
        assert line.volume_ml == pytest.approx(volume_ml, rel=1e-3)
    # Without the variable the amount of the base recipe stays.
    delete_variable(session, key_of(row))
    (extra,) = (m for m in questions.list_materials(session, key_of(preparation)) if m.name == "extra")
    assert extra.amount == pytest.approx(line.material.amount)
    assert extra.unit_factor == 1.0


def test_what_was_weighed_sets_a_variable_in_its_own_unit(session: Session) -> None:
    preparation, _ = taken_by_a_variable(session, "mg", "mass", 200.0, ratio_factor=2.0, stock_g=5.0)
    (rule,) = supply_of(session, preparation, []).rules()
    assert rule.mass_g == pytest.approx(2e-3)  # of one mg, twice
    run = make_run(session, preparation, 70.0, settings={"much": 200.0})
    extra = next(m for m in questions.list_materials(session, key_of(preparation)) if m.name == "extra")
    note_weighed(session, key_of(run), {key_of(extra): (0.42, None)})
    (one,) = chemistry_of(session, *view_run(session, key_of(run))).as_weighed
    assert one.value == pytest.approx(210.0)


def test_a_change_of_unit_leaves_what_runs_took(session: Session) -> None:
    preparation, row = taken_by_a_variable(session, "mg", "mass", 200.0)
    run = make_run(session, preparation, 70.0, settings={"much": 250.0})

    def taken() -> float | None:
        charge = chemistry_of(session, *view_run(session, key_of(run))).charge
        assert charge is not None
        return next(line.mass_g for line in charge.lines if line.material.name == "extra")

    assert taken() == pytest.approx(0.25)
    in_grams = as_input(row).model_copy(update={"unit": "g", "low": 0.1, "high": 0.4, "base": "0.2"})
    update_variable(session, key_of(row), in_grams)
    assert view_run(session, key_of(run))[1].settings[str(row.id)] == pytest.approx(0.25)
    assert taken() == pytest.approx(0.25)
    (line,) = (one for one in charge_of(session, preparation, much=0.3).lines if one.material.name == "extra")
    assert line.mass_g == pytest.approx(0.3)


def test_numbers_that_are_amounts_are_not_read_in_another_unit(session: Session) -> None:
    preparation, row = taken_by_a_variable(session, "", "mass", 2.0)
    # Before any run the unit is free.
    update_variable(session, key_of(row), as_input(row).model_copy(update={"unit": "mg"}))
    (line,) = (one for one in charge_of(session, preparation, much=2.0).lines if one.material.name == "extra")
    assert line.mass_g == pytest.approx(0.002)
    update_variable(session, key_of(row), as_input(row).model_copy(update={"unit": ""}))
    run = make_run(session, preparation, 70.0, settings={"much": 2.0})
    words = "amount of extra, without a unit in g. They would be read in mg, and are converted only between mg, g, kg: choose"
    with pytest.raises(InvalidInputError, match=words):
        update_variable(session, key_of(row), as_input(row).model_copy(update={"unit": "mg"}))
    session.rollback()
    # The same unit by its name first, which leaves the numbers, and then a conversion.
    for unit, more in (("g", {"confirm": ["keep_numbers"]}), ("mg", {"low": 1000.0, "high": 4000.0, "base": "2000"})):
        update_variable(session, key_of(row), as_input(row).model_copy(update={"unit": unit, **more}))
    assert view_run(session, key_of(run))[1].settings[str(row.id)] == pytest.approx(2000.0)


def test_wt_percent_that_runs_were_made_with_is_not_read_per_gram(session: Session) -> None:
    preparation, row = taken_by_a_variable(session, "wt%", "mass_percent", 2.0)
    make_run(session, preparation, 70.0, settings={"much": 2.0})
    with pytest.raises(InvalidInputError, match=r"in wt%. They would be read in g/g, and cannot be converted: leave"):
        update_variable(session, key_of(row), as_input(row).model_copy(update={"unit": "g/g"}))


def test_another_multiple_leaves_what_finished_runs_were_made_with(session: Session) -> None:
    preparation, _ = palladium(session)
    run = make_run(session, preparation, 70.0, settings={"Pd": 2.0})
    ligand = next(m for m in questions.list_materials(session, key_of(preparation)) if m.name == "ligand")
    note_weighed(session, key_of(run), {key_of(ligand): (0.04 * 410.5 * 0.1, None)})

    def weighed() -> float:
        (one,) = chemistry_of(session, *view_run(session, key_of(run))).as_weighed
        return one.value

    before = weighed()
    data = material_input(ligand).model_copy(update={"ratio_factor": 1.0})
    update_material(session, key_of(ligand), data)
    assert weighed() == before == pytest.approx(2.0, rel=2e-3)


def test_another_multiple_leaves_what_finished_runs_were_planned_with(session: Session) -> None:
    # By hand: 1.5 mol% of palladium were planned and 2 taken, with twice the ligand, at 0.1 mol.
    preparation, _ = palladium(session)
    plan = PlannedRunInput(settings={"hold": 2.0, "bath": 120.0, "agent": "MgSO4", "Pd": 1.5})
    run = plan_run(session, key_of(preparation), plan)
    data = FinishedRunInput(settings={**plan.settings, "Pd": 2.0}, product_mass_g=8.0)
    record_run(session, key_of(preparation), data, run_id=key_of(run))
    ligand = next(m for m in questions.list_materials(session, key_of(preparation)) if m.name == "ligand")
    update_material(session, key_of(ligand), material_input(ligand).model_copy(update={"ratio_factor": 3.0}))
    found = chemistry_of(session, *view_run(session, key_of(run)))
    moles = [next(one for one in c.lines if one.material.name == "ligand").moles for c in (found.planned, found.charge) if c]
    assert moles == pytest.approx([0.003, 0.004])


def test_a_material_that_came_later_counts_with_the_settings_of_the_run(session: Session) -> None:
    # By hand: 2 mol% of 0.1 mol of lithium chloride (42.39 g/mol) are 0.0848 g; by default it is 1 mol%.
    preparation, row = palladium(session)
    run = make_run(session, preparation, 70.0, settings={"Pd": 2.0})
    later = {"name": "chloride", "formula": "LiCl", "role": "other", "amount_kind": "mol_percent", "amount": 1}
    chloride = add_material(session, key_of(preparation), MaterialInput(**later, ratio_variable_id=row.id))
    note_weighed(session, key_of(run), {key_of(chloride): (0.09, None)})
    charge = chemistry_of(session, *view_run(session, key_of(run))).charge
    assert charge is not None
    assert {line.material.name: line.moles for line in charge.lines}["chloride"] == pytest.approx(0.002)


def test_a_finished_run_was_planned_with_its_own_number_of_washes(session: Session) -> None:
    preparation = made_of(session, "Washed", "C8H8O2", {"name": "acid", "formula": "C7H6O2"})
    count = VariableInput(name="washes", role=Role.COUNT, low=1, high=4, base=2, stage=Stage.WORK_UP)
    washes = add_variable(session, key_of(preparation), count)
    brine = {"name": "brine", "role": "wash", "amount_kind": "volume", "amount": 20.0, "count_variable_id": washes.id}
    line = add_material(session, key_of(preparation), MaterialInput(**brine))
    plan = PlannedRunInput(settings={"hold": 2.0, "bath": 120.0, "agent": "MgSO4", "washes": 2})
    run = plan_run(session, key_of(preparation), plan)
    data = FinishedRunInput(settings={**plan.settings, "washes": 3}, product_mass_g=8.0)
    record_run(session, key_of(preparation), data, run_id=key_of(run))
    # What a wash takes today is not what was taken then.
    update_material(session, key_of(line), material_input(line).model_copy(update={"amount": 50.0}))
    found = chemistry_of(session, *view_run(session, key_of(run)))
    volumes = [next(one for one in c.lines if one.material.name == "brine").volume_ml for c in (found.planned, found.charge) if c]
    assert volumes == [40.0, 60.0]


def test_a_material_is_never_taken_less_than_not_at_all(session: Session) -> None:
    preparation, row = palladium(session)
    with pytest.raises(InvalidInputError, match="How many times the variable is taken must be more than 0"):
        add_material(
            session,
            key_of(preparation),
            MaterialInput(
                name="x", formula="CH4", role="other", ratio_variable_id=row.id, amount_kind="mol_percent", ratio_factor=0
            ),
        )


def test_two_of_an_intermediate_may_make_one_of_the_product(session: Session) -> None:
    # 2 C13H10O -> C26H22O2: 8.33 g of benzophenone in 0.05 mol become 8.38 g of 9.16 g.
    preparation = made_of(
        session, "Pinacol", "C26H22O2", {"name": "benzhydrol", "formula": "C13H12O", "coefficient": 2, "amount": 1}
    )
    run = make_run(session, preparation, None, product_mass_g=8.0, scale_mol=0.05)
    crude = {"name": "ketone", "stage": Stage.REACTION, "mass_g": 8.5, "purity_percent": 98}
    with pytest.raises(NeedsConfirmationError, match="more than the"):
        add_checkpoint(session, key_of(run), CheckpointInput(**crude, formula="C13H10O"))
    session.rollback()
    add_checkpoint(session, key_of(run), CheckpointInput(**crude, formula="2 C13H10O"))
    balance = chemistry_of(session, *view_run(session, key_of(run))).balance
    assert balance is not None
    assert balance.stages[0].end_g == pytest.approx(8.33 / (2 * 182.22) * 366.45, rel=1e-3)
    assert balance.stages[0].recovery_percent == pytest.approx(91.4, abs=0.1)


def test_a_resolution_is_no_loss_of_the_other_half(session: Session) -> None:
    racemate = {"name": "racemate", "formula": "C9H13NO2"}
    preparation = made_of(session, "Resolution", "C9H13NO2", racemate, product_coefficient=0.5)
    run = make_run(session, preparation, None, product_mass_g=7.0, purity_percent=99)
    add_checkpoint(
        session,
        key_of(run),
        CheckpointInput(name="other", stage=Stage.ISOLATION, kind="recovered", mass_g=7.3, purity_percent=95),
    )
    balance = chemistry_of(session, *view_run(session, key_of(run))).balance
    assert balance is not None
    assert balance.based_on_recovered_percent == pytest.approx(balance.yield_percent)
    assert "make up" not in balance.sentence


@pytest.mark.parametrize(
    ("product", "start", "other", "used_up"),
    [
        # A lipase acylates one enantiomer of an amine; the other stays over.
        ("C11H15NO2", "C8H11N", "C5H10O3", 0.5),
        ("C20H33NO", "C8H11N", "C14H26O2", 0.5),
        # Two of a styrene make a stilbene, two of an alcohol an acetal.
        ("C14H12", "C8H8", None, 1.0),
        ("C9H12O2", "CH4O", "C7H6O", 1.0),
    ],
)
def test_half_of_a_start_is_left_over_where_the_product_needs_one_only(
    session: Session, product: str, start: str, other: str | None, used_up: float
) -> None:
    preparation = made_of(session, "Half", product, {"name": "start", "formula": start, "coefficient": 2})
    if other is not None:
        more = MaterialInput(name="other", role="reagent", formula=other, amount=2)
        add_material(session, key_of(preparation), more)
    molar = {formula: read_formula(formula).molar_mass for formula in (product, start)}
    run = make_run(session, preparation, None, product_mass_g=0.05 * 0.9 * molar[product])
    # 45 % of all that was put in came back.
    back = {"name": "back", "stage": Stage.WORK_UP, "kind": "recovered", "mass_g": 0.1 * 0.45 * molar[start]}
    add_checkpoint(session, key_of(run), CheckpointInput(**back))
    balance = chemistry_of(session, *view_run(session, key_of(run))).balance
    assert balance is not None
    assert ("make up" in balance.sentence) == (used_up == 1.0)


def test_crops_are_parts_of_the_product_and_no_stretches_of_its_way(session: Session) -> None:
    preparation = make_preparation(session)
    run = make_run(session, preparation, None, product_mass_g=8.0, theoretical_yield_g=10.0)
    for name, mass, purity in (("first", 6.0, 99.0), ("second", 2.0, 95.0)):
        crop = CheckpointInput(name=name, stage=Stage.ISOLATION, kind="crop", mass_g=mass, purity_percent=purity)
        add_checkpoint(session, key_of(run), crop)
    crops = crops_of(session, key_of(run))
    assert crops is not None
    assert (crops.count, crops.mass_g, crops.purity_percent) == (2, 8.0, 98.0)
    nothing = {"name": "none", "stage": Stage.ISOLATION, "kind": "crop", "mass_g": 0.0, "confirm": ["checkpoint_of_nothing"]}
    add_checkpoint(session, key_of(run), CheckpointInput(**nothing))
    assert crops_of(session, key_of(run)) == crops
    assert chemistry_of(session, *view_run(session, key_of(run))).balance is None
    more = CheckpointInput(name="third", stage=Stage.ISOLATION, kind="crop", mass_g=3.0)
    with pytest.raises(NeedsConfirmationError, match=r"with the other crops 10\.84 g, more than the 10 g of theory"):
        add_checkpoint(session, key_of(run), more)
    session.rollback()
    with pytest.raises(InvalidInputError, match="A crop is a part of the product"):
        add_checkpoint(
            session,
            key_of(run),
            CheckpointInput(name="third", stage=Stage.ISOLATION, kind="crop", mass_g=1.0, formula="CH4"),
        )


def test_what_came_back_counts_beside_crops_too(session: Session) -> None:
    # By hand: 0.1 mol of benzoic acid (122.12 g/mol) to 0.05 mol of methyl benzoate (136.15 g/mol) in two crops, and
    # 0.02 mol of the acid back: 50 % of theory, 50/0.8 = 62.5 % of what was used up. The methanol was in excess.
    acid, methanol = {"name": "acid", "formula": "C7H6O2"}, {"name": "methanol", "formula": "CH4O", "amount": 5}
    preparation = made_of(session, "Methyl benzoate", "C8H8O2", acid, methanol)
    ids = {row.name: key_of(row) for row in questions.list_materials(session, key_of(preparation))}
    run = make_run(session, preparation, None, product_mass_g=6.8075)
    for data in (
        {"name": "first", "kind": "crop", "mass_g": 5.0},
        {"name": "second", "kind": "crop", "mass_g": 1.8},
        {"name": "acid", "kind": "recovered", "mass_g": 2.4424, "material_id": ids["acid"]},
        {"name": "methanol", "kind": "recovered", "mass_g": 9.0, "material_id": ids["methanol"]},
    ):
        add_checkpoint(session, key_of(run), CheckpointInput(**{"stage": Stage.ISOLATION, **data}))
    balance = chemistry_of(session, *view_run(session, key_of(run))).balance
    assert balance is not None
    assert balance.yield_percent == pytest.approx(50.0, abs=0.01)
    assert balance.based_on_recovered_percent == pytest.approx(62.5, abs=0.01)


def test_a_run_of_no_known_scale_has_no_charge(session: Session) -> None:
    preparation = make_preparation(session)
    acid = MaterialInput(name="acid", role="reagent", formula="C7H6O2", amount_kind="equivalents", amount=1)
    add_material(session, key_of(preparation), acid)
    settings: dict[str, float | str] = {"hold": 2.0, "bath": 120.0, "agent": "MgSO4"}
    for run in (plan_run(session, key_of(preparation), PlannedRunInput(settings=settings)), make_run(session, preparation, 70.0)):
        found = chemistry_of(session, *view_run(session, key_of(run)))
        assert (found.charge, found.planned, found.as_weighed, found.awaits_interim) == (None, None, (), False)
        assert (found.mass_intensity, found.e_factor) == (None, None)


def test_the_very_same_run_once_more_is_asked_about(session: Session) -> None:
    preparation = make_preparation(session)
    make_run(session, preparation, 71.5, reference="p. 12")
    with pytest.raises(NeedsConfirmationError, match="Was it sent twice") as asked:
        make_run(session, preparation, 71.5, reference="p. 12")
    assert (asked.value.field, asked.value.code) == ("yield_percent", "same_run")
    session.rollback()
    # Another page, another result, or a yes.
    make_run(session, preparation, 71.5, reference="p. 13")
    make_run(session, preparation, 71.4, reference="p. 12")
    make_run(session, preparation, 71.5, reference="p. 12", confirm=["same_run"])
    make_run(session, preparation, 71.5, reference="p. 12", scale_mol=0.2)
    make_run(session, preparation, 71.5, reference="p. 12", notes="the other flask")
    # Runs of which neither day nor page is known are repeats.
    make_run(session, preparation, 71.5)
    make_run(session, preparation, 71.5)
    assert [r.number for r in questions.list_runs(session, key_of(preparation))] == list(range(1, 9))


def test_an_abandoned_run_gets_no_result_unless_it_is_planned_again(session: Session) -> None:
    preparation = make_preparation(session)
    settings = {"hold": 2.0, "bath": 120.0, "agent": "MgSO4"}
    run = plan_run(session, key_of(preparation), PlannedRunInput(settings=settings))
    set_state(session, key_of(run), "abandoned")
    data = FinishedRunInput(settings=settings, yield_percent=60.0)
    with pytest.raises(InvalidInputError, match="was abandoned; plan it again first"):
        record_run(session, key_of(preparation), data, run_id=key_of(run))
    session.rollback()
    set_state(session, key_of(run), "planned")
    assert record_run(session, key_of(preparation), data, run_id=key_of(run)).state == "finished"


def test_a_mass_and_a_volume_that_contradict_each_other_are_asked_about(session: Session) -> None:
    lye = {"name": "lye", "formula": "NaOH", "amount": 0.4, "concentration_mol_per_l": 2.0, "density_g_per_ml": 1.08}
    preparation = made_of(session, "Salt", "C7H5NaO2", {"name": "acid", "formula": "C7H6O2"}, lye)
    run = plan_run(session, key_of(preparation), PlannedRunInput(settings={"hold": 2, "bath": 120, "agent": "MgSO4"}))
    row = next(m for m in questions.list_materials(session, key_of(preparation)) if m.name == "lye")
    with pytest.raises(NeedsConfirmationError, match=r"lye: 21\.6 g are 20 mL, but 50 mL are noted"):
        note_weighed(session, key_of(run), {key_of(row): (21.6, 50.0)})
    session.rollback()
    note_weighed(session, key_of(run), {key_of(row): (21.6, 20.0)})


def test_a_solution_that_was_weighed_and_measured_counts_by_its_volume(session: Session) -> None:
    # By hand: 20 mL of 2 mol/L are 0.04 mol; 21.6 g of 1.08 g/mL are the same, ± 0.01 g/√6 (two readings of 0.01 g).
    lye = {"name": "lye", "formula": "NaOH", "amount": 0.4, "concentration_mol_per_l": 2.0, "density_g_per_ml": 1.08}
    preparation = made_of(session, "Salt", "C7H5NaO2", {"name": "acid", "formula": "C7H6O2"}, lye)
    row = next(m for m in questions.list_materials(session, key_of(preparation)) if m.name == "lye")
    run = make_run(session, preparation, None, product_mass_g=5.0)

    def noted(mass_g: float | None, volume_ml: float | None) -> tuple[float, str]:
        note_weighed(session, key_of(run), {key_of(row): (mass_g, volume_ml)})
        stored = questions.get_run(session, key_of(run))
        assert stored.theory_g is not None
        assert stored.theory_g == pytest.approx(0.04 * 144.105, rel=1e-4)
        return stored.theory_u_g / stored.theory_g, stored.theory_source

    assert noted(21.6, 20.0) == (0.0, "as-weighed amounts; lye limits, its volume counts as exact")
    assert noted(None, 20.0) == (0.0, "as-weighed amounts; lye limits, its volume counts as exact")
    share, source = noted(21.6, None)
    assert share == pytest.approx(0.01 / 6**0.5 / 21.6)
    assert source == "as-weighed amounts; lye limits"


def test_a_content_that_is_not_known_exactly_is_part_of_the_yields_uncertainty(session: Session) -> None:
    """By hand: C7H14O2 from 8.815 g of C5H12O at 96 ± 2 %, weighed to 0.01 g; relative variances add (GUM, 5.1.6)."""
    own = {"name": "alcohol", "formula": "C5H12O", "purity_percent": 96.0}
    preparation = made_of(session, "Ester", "C7H14O2", own)
    (row,) = questions.list_materials(session, key_of(preparation))
    run = make_run(session, preparation, None, product_mass_g=9.0, purity_percent=99.0, purity_u_percent=0.5)
    product = (0.01 / 6**0.5 / 9.0) ** 2 + (0.5 / 99.0) ** 2 + (0.01 / 6**0.5 / (8.815 / 0.96)) ** 2

    def seen() -> RunView:
        return view_run(session, key_of(run))[1]

    def relative() -> tuple[float, float]:
        """Uncertainty of the yield as shown, and as runs are compared."""
        view = seen()
        assert view.run_yield is not None
        assert view.run_yield.percent == pytest.approx(100 * 9.0 * 0.99 / 13.0187, rel=1e-4)
        return view.run_yield.u / view.run_yield.percent, view.as_modelled[1] / view.run_yield.percent

    assert relative() == pytest.approx((product**0.5, product**0.5), rel=1e-4)
    # What is learnt of a bottle later changes no run unasked, noted or not.
    note_weighed(session, key_of(run), {key_of(row): (8.815 / 0.96, None)})
    update_material(session, key_of(row), material_input(row).model_copy(update={"purity_u_percent": 2.0}))
    assert relative() == pytest.approx((product**0.5, product**0.5), rel=1e-4)
    assert not has_another_charge_today(session, preparation, seen())
    assert [r.number for r in with_another_theory(session, preparation, [seen()])] == [1]
    assert renew_theories(session, key_of(preparation)) == [1]
    assert relative() == pytest.approx(((product + (2.0 / 96.0) ** 2) ** 0.5, product**0.5), rel=1e-4)
    assert with_another_theory(session, preparation, [seen()]) == []
    # A note keeps the bottle that it was taken from.
    settings = {"hold": 2, "bath": 120, "agent": "MgSO4"}
    planned = plan_run(session, key_of(preparation), PlannedRunInput(settings=settings))
    note_weighed(session, key_of(planned), {key_of(row): (8.815 / 0.96, None)})
    update_material(
        session, key_of(row), material_input(row).model_copy(update={"purity_percent": 99.0, "purity_u_percent": 0.1})
    )
    data = FinishedRunInput(settings=settings, product_mass_g=9.0)
    stored = record_run(session, key_of(preparation), data, run_id=key_of(planned))
    assert (stored.theory_content, stored.theory_content_u) == pytest.approx((0.96, 0.02))


@pytest.mark.parametrize(
    ("equivalents", "own_u", "counted"),
    [
        # The same moles of both, so either may run out first, and by 2 % more of the second one too.
        (1.0, None, (0.95, 0.019)),
        (1.02, None, (0.95, 0.019)),
        # 4.1 % more are beyond twice 2 %, unless the first is as badly known.
        (1.041, None, (0.98, 0.0)),
        (1.041, 1.0, (0.95, 0.019)),
        (1.2, 1.0, (0.98, 0.01)),
        # Of two the one counts that is known worse.
        (1.0, 3.0, (0.98, 0.03)),
    ],
)
def test_a_content_counts_where_its_material_may_run_out_first(
    session: Session, equivalents: float, own_u: float | None, counted: tuple[float, float]
) -> None:
    first = {"name": "alcohol", "formula": "C5H12O", "purity_percent": 98.0, "purity_u_percent": own_u}
    second = {"name": "acid", "formula": "C2H4O2", "amount": equivalents, "purity_percent": 95.0, "purity_u_percent": 1.9}
    stored = make_run(session, made_of(session, "Ester", "C7H14O2", first, second), None, product_mass_g=9.0)
    assert (stored.theory_content, stored.theory_content_u or 0.0) == pytest.approx(counted)
    assert stored.theory_source.startswith("planned amounts; alcohol limits")


def test_what_a_concentration_tells_needs_no_purity(session: Session) -> None:
    lye = {"name": "lye", "formula": "NaOH", "amount": 0.4, "concentration_mol_per_l": 2.0}
    with pytest.raises(InvalidInputError, match="The concentration says what is in a solution"):
        made_of(session, "Salt", "C7H5NaO2", {"name": "acid", "formula": "C7H6O2"}, {**lye, "purity_u_percent": 1.0})
    session.rollback()
    preparation = made_of(session, "Again", "C7H5NaO2", {"name": "acid", "formula": "C7H6O2", "purity_u_percent": 1.0}, lye)
    stored = make_run(session, preparation, None, product_mass_g=5.0)
    assert (stored.theory_source, stored.theory_content) == ("planned amounts; lye limits, its volume counts as exact", None)


def supply_for(session: Session, *materials: dict[str, Any]) -> tuple[Supply, Space]:
    """What is left for 0.1 mol, with washes (1 to 4), brine (20 to 50 mL) and a ratio (1 to 3) beside the usual variables."""
    preparation = made_of(session, "Stocked", "C7H14O2")
    variables = {v.name: v for v in questions.list_variables(session, key_of(preparation))}
    for data in (
        VariableInput(name="washes", role=Role.COUNT, low=1, high=4, base=2, stage=Stage.WORK_UP),
        VariableInput(name="brine", role=Role.VOLUME, unit="mL", low=20, high=50, step=10, base=20),
        VariableInput(name="ratio", role=Role.RATIO, low=1, high=3, step=0.1, base=1),
    ):
        variables[data.name] = add_variable(session, key_of(preparation), data)
    for material in materials:
        links = {name: variables[material[name]].id for name in material if name.endswith("variable_id")}
        add_material(session, key_of(preparation), MaterialInput(**{**material, **links}))
    return supply_of(session, preparation, []), stored_space(session, key_of(preparation))


ACID = {"name": "acid", "role": "reagent", "formula": "C2H4O2"}
SALT = {"name": "salt", "role": "drying_agent", "amount_kind": "mass", "amount": 5.0, "choice_variable_id": "agent"}
BRINE = {"name": "brine", "role": "wash", "amount_kind": "volume", "density_g_per_ml": 1.2, "ratio_variable_id": "brine"}


def test_only_the_material_of_the_chosen_option_is_taken(session: Session) -> None:
    supply, _ = supply_for(session, ACID, {**SALT, "choice": "MgSO4"}, {**SALT, "name": "other salt", "choice": "Na2SO4"})

    def names(**settings: Any) -> list[str]:
        return [line.material.name for line in charge_of(session, supply.preparation, **settings).lines]

    assert names(agent="MgSO4") == ["acid", "salt"]
    assert names(agent="Na2SO4") == ["acid", "other salt"]
    # Of a run whose option is not known, nothing is left out.
    assert names() == ["acid", "salt", "other salt"]


@pytest.mark.parametrize(("purity", "u", "message"), [(2.0, 2.1, "above the purity itself"), (98.0, -0.1, "cannot be below 0")])
def test_an_uncertainty_of_a_purity_that_cannot_be_meant_is_refused(
    session: Session, purity: float, u: float, message: str
) -> None:
    acid = {"name": "acid", "formula": "C7H6O2", "purity_percent": purity}
    with pytest.raises(InvalidInputError) as error:
        made_of(session, "Salt", "C7H5NaO2", {**acid, "purity_u_percent": u})
    assert message in error.value.messages["purity_u_percent"]
    session.rollback()
    # As uncertain as it is large is allowed, and so is exactly known.
    made_of(session, "Again", "C7H5NaO2", {**acid, "purity_u_percent": purity}, {**acid, "name": "sure", "purity_u_percent": 0.0})


@pytest.mark.parametrize(
    ("materials", "kept_out", "most"),
    [
        ([{**ACID, "stock_g": None}], [], None),
        ([{**ACID, "stock_g": 0.0}], ["no run (0 g of acid left)"], 0),
        # 0.1 mol of acetic acid are 6.0052 g.
        ([{**ACID, "stock_g": 6.0}], ["no run (6 g of acid left)"], 0),
        ([{**ACID, "stock_g": 6.0052}], [], 1),
        ([{**ACID, "stock_g": 13.0, "ratio_variable_id": "ratio"}], ["ratio at most 2.16 (13 g of acid left)"], 2),
        # 24 g for one wash with 20 mL, 240 g for four with 50 mL.
        (
            [{**BRINE, "stock_g": 100.0, "count_variable_id": "washes"}],
            ["less of washes or brine (100 g of brine left)"],
            4,
        ),
        ([{**BRINE, "stock_g": 240.0, "count_variable_id": "washes"}], [], 10),
        # What only one option needs ends no runs while another one needs nothing.
        ([{**SALT, "choice": "MgSO4", "stock_g": 4.0}], ["no agent MgSO4 (4 g of salt left)"], None),
        ([{**SALT, "choice": "MgSO4", "stock_g": 4.0}, {**SALT, "name": "x", "choice": "Na2SO4", "stock_g": 16.0}], None, 3),
        # Of two that the same option needs, the scarcer one counts.
        (
            [
                {**SALT, "choice": "MgSO4", "stock_g": 11.0},
                {**SALT, "name": "second", "choice": "MgSO4", "stock_g": 6.0},
                {**SALT, "name": "third", "choice": "MgSO4", "stock_g": 50.0},
                {**SALT, "name": "x", "choice": "Na2SO4", "stock_g": 16.0},
            ],
            [],
            4,
        ),
        # A density is needed to know the mass of a volume.
        ([{**BRINE, "stock_g": 1.0, "density_g_per_ml": None}], [], None),
    ],
)
def test_what_is_left_keeps_settings_out_and_ends_the_runs(
    session: Session, materials: list[dict[str, Any]], kept_out: list[str] | None, most: int | None
) -> None:
    supply, space = supply_for(session, *materials)
    if kept_out is not None:
        assert supply.keeps_out(space) == kept_out
    assert supply.most_runs(space) == most


def test_twice_the_scale_takes_twice_the_stock(session: Session) -> None:
    # By hand: 0.2 mol of acetic acid are 12.01 g, of which 25 g hold two.
    supply, space = supply_for(session, {**ACID, "stock_g": 25.0})
    assert (supply.most_runs(space), supply.most_runs(space, 0.2)) == (4, 2)
    (rule,) = supply.rules(0.2)
    assert (rule.mass_g, rule.left_g) == pytest.approx((12.0104, 25.0))


def test_what_is_short_for_runs_to_be_planned_is_named(session: Session) -> None:
    supply, space = supply_for(session, {**ACID, "stock_g": 25.0})

    def short(*scales: float | None) -> list[str]:
        return missing_for(supply.preparation, supply.materials, supply.left, [(space.base, scale) for scale in scales])

    assert short(None, 0.1, 0.2) == []
    # Five times 6.0052 g.
    assert short(*[None] * 5) == ["acid (30.03 g needed, 25 g free)"]
    assert short(0.4, 0.1) == ["acid (30.03 g needed, 25 g free)"]


@pytest.mark.parametrize(
    ("stock_g", "counted", "is_new"), [(25.0, False, False), (25.0, True, True), (24.0, False, True), (None, False, None)]
)
def test_a_stock_is_counted_when_its_number_changes_or_is_confirmed(
    session: Session, stock_g: float | None, counted: bool, is_new: bool | None
) -> None:
    supply, _ = supply_for(session, {**ACID, "stock_g": 25.0})
    (acid,) = supply.materials
    long_ago = datetime(2026, 1, 2, tzinfo=UTC)
    acid.stock_at = long_ago
    data = material_input(acid).model_copy(update={"stock_g": stock_g, "stock_counted": counted})
    found = update_material(session, key_of(acid), data).stock_at
    assert (None if found is None else found > long_ago) is is_new


def test_an_equation_that_does_not_balance_has_no_atom_economy(session: Session) -> None:
    # Ethyl 4-chloroacetoacetate (164.585 g/mol) is less than its alcohol (166.601 g/mol) until what brings the hydrogen is there.
    preparation = make_preparation(session, product_formula="C6H11ClO3", base_scale_mol=0.01)
    key = int(preparation.id or 0)
    preparation.theoretical_yield_g = None
    add_material(session, key, MaterialInput(name="ketone", role="reagent", formula="C6H9ClO3"))
    charge = charge_of(session, preparation)
    assert charge.atom_economy_percent is None
    assert [p for p in charge.problems if "does not balance" in p]
    add_material(session, key, MaterialInput(name="2-propanol", role="reagent", formula="C3H8O", amount=3))
    # 166.601 of 164.585 + 60.096 g/mol.
    assert charge_of(session, preparation).atom_economy_percent == pytest.approx(74.15, abs=0.01)


def test_an_option_that_is_not_used_any_more_makes_no_further_runs(session: Session) -> None:
    # 5 g a run: 11 g of one agent are 2 runs, 16 g of the other are 3, and of the other alone 3.
    lines = [{**SALT, "choice": "MgSO4", "stock_g": 11.0}, {**SALT, "name": "x", "choice": "Na2SO4", "stock_g": 16.0}]
    supply, space = supply_for(session, *lines)
    agent = next(v for v in space.variables if v.name == "agent")
    assert supply.most_runs(space) == 5
    barred = Space(space.variables, (NotUsedRule("no magnesium sulfate", agent.key, ("MgSO4",)),))
    assert supply.most_runs(barred) == 3


def test_what_no_run_takes_any_more_is_not_told_to_keep_settings_out(session: Session) -> None:
    supply, space = supply_for(session, {**SALT, "choice": "MgSO4", "stock_g": 1.0})
    agent = next(v for v in space.variables if v.name == "agent")
    assert supply.keeps_out(space) == ["no agent MgSO4 (1 g of salt left)"]
    assert supply.keeps_out(Space(space.variables, (NotUsedRule("none", agent.key, ("MgSO4",)),))) == []
