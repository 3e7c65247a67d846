"""Needs, runs left, several at once, and the record, through the services."""

from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import numpy as np
import pytest
from sqlmodel import Session

from server.core.choose.proposal import Purpose
from server.core.model.curves import pair_picture, response_curve
from server.core.model.drift import drift_with_order
from server.core.model.effects import Evidence, find_effects
from server.core.space.variables import Role
from server.errors import InvalidInputError, NeedsConfirmationError, NotReadyError
from server.services.analysis import analyse
from server.services.charges import add_material, update_material
from server.services.charges import as_input as charge_as_input
from server.services.decisions import COST, HOURS, Decisions, RunsLeft, accept_proposal, accept_proposals, run_otherwise
from server.services.inputs import (
    ChangedPlanInput,
    FinishedRunInput,
    MaterialInput,
    NotUsedLimitInput,
    PlannedRunInput,
    VariableInput,
)
from server.services.preparations import as_input, today, update_preparation
from server.services.readings import start_run
from server.services.runs import change_plan, note_weighed, plan_run, record_run, set_state, store_result, view_runs
from server.services.stock import stock_left
from server.services.variables import add_limit, add_variable, update_variable
from server.services.variables import as_input as variable_as_input
from server.storage import questions
from tests.factories import make_preparation, make_run


def priced(session: Session, **more: Any) -> int:
    """A preparation with a ratio variable, two priced materials and four runs."""
    preparation = make_preparation(session, product_formula="C7H14O2", base_scale_mol=0.1, **more)
    key = int(preparation.id or 0)
    ratio = add_variable(session, key, VariableInput(name="ratio", role="ratio", low=1, high=3, step=0.5, base=1))
    alcohol = {"name": "alcohol", "role": "reagent", "formula": "C5H12O", "amount": 1, "stock_g": 40, "price_per_g": 0.5}
    acid = {
        "name": "acid",
        "role": "reagent",
        "formula": "CH3COOH",
        "amount": 1,
        "ratio_variable_id": ratio.id,
        "price_per_g": 0.1,
    }
    for raw in (alcohol, acid):
        add_material(session, key, MaterialInput.model_validate(raw))
    for hold, value, percent in ((2.0, 1.0, 50.0), (3.0, 1.5, 60.0), (4.0, 2.0, 65.0), (1.0, 2.5, 55.0)):
        make_run(session, preparation, percent, settings={"hold": hold, "ratio": value}, made_on=date(2026, 1, 5))
    return key


@pytest.mark.parametrize(
    ("day", "pace", "planned", "runs", "words"),
    [
        (date(2026, 3, 31), 5, 0, 1, "time for 1 more run until"),
        (date(2026, 3, 26), 1, 0, 1, "time for 1 more run until"),
        (date(2026, 3, 26), 7, 0, 6, "time for 6 more runs until"),
        (date(2026, 3, 31), 5, 1, 0, "the run that is planned or under way takes the time until 2026-03-31"),
        (date(2026, 4, 1), 5, 0, 0, "the day to finish by, 2026-03-31, is past"),
    ],
)
def test_as_long_as_a_day_is_left_so_is_a_run(
    session: Session, day: date, pace: int, planned: int, runs: int, words: str
) -> None:
    preparation = make_preparation(session, finish_by=date(2026, 3, 31), runs_per_week=pace)
    make_run(session, preparation, 60.0)
    for _ in range(planned):
        plan_run(session, int(preparation.id or 0), PlannedRunInput(settings={"hold": 2, "bath": 120, "agent": "MgSO4"}))
    left = Decisions(analyse(session, int(preparation.id or 0))).runs_left(day)
    assert left.by_date == runs
    assert words in left.sentence + left.hindrance


def test_needs_and_cost_follow_the_settings(session: Session) -> None:
    key = priced(session)
    analysis = analyse(session, key)
    ratio = next(v.key for v in analysis.space.variables if v.name == "ratio")
    needs = Decisions(analysis).needs({**analysis.space.base, ratio: 2.0})
    assert needs is not None
    # 0.1 mol of C5H12O is 8.815 g, 0.2 mol of CH3COOH is 12.010 g (standard atomic weights, abridged).
    masses = {m.name: m.mass_g for m in needs.materials}
    assert masses["alcohol"] == pytest.approx(8.815, abs=0.002)
    assert masses["acid"] == pytest.approx(12.010, abs=0.002)
    assert needs.cost == pytest.approx(0.5 * 8.815 + 0.1 * 12.010, abs=0.002)
    assert not needs.cost_is_partial
    assert not any(m.is_short for m in needs.materials)
    ten = Decisions(analysis).needs({**analysis.space.base, ratio: 2.0}, 0.5)
    assert ten is not None
    assert [m.name for m in ten.materials if m.is_short] == ["alcohol"]


def test_what_runs_tell_does_not_depend_on_where_a_range_ends_today(session: Session) -> None:
    preparation = make_preparation(session)
    key = int(preparation.id or 0)
    for hold, bath, percent in ((1, 100, 40.0), (2, 110, 48.0), (3, 120, 55.0), (4, 150, 66.0), (2, 140, 61.0), (1, 150, 60.0)):
        make_run(session, preparation, percent, settings={"hold": hold, "bath": bath})
    before = analyse(session, key)
    row = questions.list_variables(session, key)[1]
    update_variable(session, int(row.id or 0), variable_as_input(row).model_copy(update={"high": 130.0, "hard_high": 150.0}))
    after = analyse(session, key)
    assert before.wide is None
    assert after.wide is not None
    assert np.array_equal(after.wide.table.coded, before.table.coded)
    for one, again in zip(before.effects, after.effects, strict=True):
        assert again.evidence == one.evidence
        assert again.change == (None if one.change is None else pytest.approx(one.change, abs=1e-9))
    # Proposals keep to the range.
    assert max(after.history.reach().values[1]) == 130.0


def test_runs_left_by_stock_and_date(session: Session) -> None:
    key = priced(session, finish_by=date(2026, 3, 31), runs_per_week=2)
    decisions = Decisions(analyse(session, key))
    # 40 g / 8.815 g = 4.5; from 18 to 31 March are 14 days, at two runs a week.
    left = decisions.runs_left(date(2026, 3, 18))
    assert (left.by_stock, left.scarce, left.by_date) == (4, "alcohol", 4)
    assert left.sentence == ("There is stock for 4 more runs (alcohol runs out first) and time for 4 more runs until 2026-03-31.")
    assert decisions.runs_left(date(2026, 4, 2)).by_date == 0
    assert decisions.runs_left(date(2026, 4, 2)).sentence == (
        "There is stock for 4 more runs (alcohol runs out first). The day to finish by, 2026-03-31, is past."
    )
    alcohol = questions.list_materials(session, key)[0]
    alcohol.stock_g = 5.0
    session.add(alcohol)
    session.commit()
    left = Decisions(analyse(session, key)).runs_left(date(2026, 3, 18))
    assert left.sentence == ("There is stock for 0 more runs (alcohol runs out first) and time for 4 more runs until 2026-03-31.")


def test_stock_is_what_was_counted_less_what_runs_took_since_and_will_take(session: Session) -> None:
    key = priced(session)
    (alcohol, _) = questions.list_materials(session, key)
    preparation = questions.get_preparation(session, key)
    one_run = 8.815  # 0.1 mol of C5H12O

    def left() -> tuple[float, float]:
        found = stock_left(session, preparation, questions.list_materials(session, key), view_runs(session, preparation))
        return found[str(alcohol.id)].taken_g, found[str(alcohol.id)].reserved_g

    # The four runs were made before the stock was counted; then it turns out that run 2 was made later.
    assert left() == pytest.approx((0.0, 0.0), abs=0.01)
    for number, day in ((1, date(2020, 1, 1)), (2, today() + timedelta(days=1))):
        run = questions.list_runs(session, key)[number - 1]
        run.made_on = day.isoformat()
        session.add(run)
    assert left() == pytest.approx((one_run, 0.0), abs=0.01)
    update_material(session, int(alcohol.id or 0), charge_as_input(alcohol).model_copy(update={"stock_g": 30.0}))
    assert left() == pytest.approx((one_run, 0.0), abs=0.01)
    update_material(session, int(alcohol.id or 0), charge_as_input(alcohol).model_copy(update={"price_per_g": 2.0}))
    assert left() == pytest.approx((one_run, 0.0), abs=0.01)
    plan = plan_run(session, key, PlannedRunInput(settings=dict(analyse(session, key).space.base), scale_mol=0.2))
    assert left() == pytest.approx((one_run, 2 * one_run), abs=0.01)
    # What was weighed counts before the plan; a plan that was given up took nothing.
    note_weighed(session, int(plan.id or 0), {int(alcohol.id or 0): (17.0, None)})
    assert left() == pytest.approx((one_run, 17.0), abs=0.01)
    decisions = Decisions(analyse(session, key))
    # 30 − 8.8 − 17.0 = 4.2 g do not reach for 8.8 g.
    assert decisions.runs_left(date(2026, 3, 18)).hindrance == (
        "No further run can be made: what is left of alcohol does not reach for another one beside the runs that are planned."
    )
    assert decisions.verdict(date(2026, 3, 18)).startswith("No further run can be made: ")
    set_state(session, int(plan.id or 0), "abandoned")
    assert left() == pytest.approx((one_run, 0.0), abs=0.01)
    # A run that was planned and made since takes from it, whatever else of the material is changed then.
    recipe = dict(analyse(session, key).space.base)
    made = plan_run(session, key, PlannedRunInput(settings=recipe))
    result = FinishedRunInput(settings=recipe, yield_percent=50)
    record_run(session, key, result, run_id=int(made.id or 0))
    update_material(session, int(alcohol.id or 0), charge_as_input(alcohol).model_copy(update={"price_per_g": 3.0}))
    assert left() == pytest.approx((2 * one_run, 0.0), abs=0.01)
    update_material(session, int(alcohol.id or 0), charge_as_input(alcohol).model_copy(update={"stock_g": 30.001}))
    assert left() == pytest.approx((one_run, 0.0), abs=0.01)
    # Counted again, and it is the same number.
    counted = charge_as_input(alcohol)
    record_run(session, key, result)
    assert left() == pytest.approx((2 * one_run, 0.0), abs=0.01)
    update_material(session, int(alcohol.id or 0), counted.model_copy(update={"stock_counted": True}))
    assert left() == pytest.approx((one_run, 0.0), abs=0.01)
    # A run that was under way before has its materials out of the bottle; a past run that is brought in took them long ago.
    going = plan_run(session, key, PlannedRunInput(settings=recipe))
    assert left() == pytest.approx((one_run, one_run), abs=0.01)
    start_run(session, int(going.id or 0))
    assert left() == pytest.approx((one_run, one_run), abs=0.01)
    update_material(session, int(alcohol.id or 0), counted.model_copy(update={"stock_counted": True}))
    assert left() == pytest.approx((one_run, 0.0), abs=0.01)
    record_run(session, key, result, run_id=int(going.id or 0))
    store_result(session, key, result, is_past=True)
    assert left() == pytest.approx((one_run, 0.0), abs=0.01)
    # Side by side, the third run is the one that the stock does not reach for: 21.2 g for 8.8 g each.
    decisions = Decisions(analyse(session, key))
    needs = decisions.needs_together([decisions.analysis.space.base] * 3)
    assert [n is not None and n.materials[0].is_short for n in needs] == [False, False, True]
    assert "the next two together have" in decisions.verdict(date(2026, 3, 18))
    assert "(only 2 can be made)" in decisions.verdict(date(2026, 3, 18))


def test_the_verdict_names_an_aim_that_is_reached_and_a_day_that_is_past(session: Session) -> None:
    key = priced(session, aim_percent=40.0, worthwhile_gain=0.1, finish_by=date(2026, 3, 31), runs_per_week=2)
    verdict = Decisions(analyse(session, key)).verdict(date(2026, 3, 1))
    assert verdict.startswith("The aim of 40 % is reached, so a further run is for more than that. ")
    # The same runs do not reach a higher one.
    row = questions.get_preparation(session, key)
    row.aim_percent = 99.0
    session.add(row)
    session.commit()
    assert "is reached" not in Decisions(analyse(session, key)).verdict(date(2026, 3, 1))
    past = Decisions(analyse(session, key)).verdict(date(2026, 4, 1))
    assert past.startswith(
        "No further run can be made: the day to finish by, 2026-03-31, is past. If it could: the run with the best chance"
    )


def test_nothing_is_said_about_runs_left_without_stock_or_date(session: Session) -> None:
    preparation = make_preparation(session)
    assert Decisions(analyse(session, int(preparation.id or 0))).runs_left(date(2026, 1, 1)).sentence == ""


def test_what_can_be_saved_depends_on_what_is_entered(session: Session) -> None:
    key = priced(session)
    decisions = Decisions(analyse(session, key))
    assert list(decisions.savings.values()) == ["hours", "cost of materials", "acid"]
    acid = next(k for k, name in decisions.savings.items() if name == "acid")
    burden = decisions.burden(acid)
    assert burden is not None
    found = decisions.analysis.proposals(Purpose.SHORTEN, 1, burden)[0]
    assert found.purpose in (Purpose.SHORTEN, Purpose.REPEAT)
    hours, cost = decisions.front(HOURS), decisions.front(COST)
    assert hours is not None
    assert cost is not None
    assert cost.burden.unit == "money"
    assert decisions.front("nonsense") is None


def test_several_are_planned_all_or_none(session: Session) -> None:
    key = priced(session)
    analysis = analyse(session, key)
    found = analysis.proposals(Purpose.RAISE, 3)
    plans = [PlannedRunInput(settings=dict(p.settings)) for p in found]
    broken = PlannedRunInput(settings={**found[0].settings, "hold": "99"})
    with pytest.raises(InvalidInputError):
        accept_proposals(session, analysis, [*plans, broken], Purpose.RAISE)
    session.rollback()
    assert sum(r.is_pending for r in view_runs(session, analysis.preparation)) == 0
    with pytest.raises(InvalidInputError, match="at least one"):
        accept_proposals(session, analysis, [], Purpose.RAISE)
    rows = accept_proposals(session, analysis, plans, Purpose.RAISE)
    assert [r.forecast is not None for r in rows] == [True] * 3
    assert len({r.number for r in rows}) == 3
    again = analyse(session, key).proposal().settings
    assert again not in [p.settings for p in found]


def test_the_record_keeps_the_forecast_of_the_day(session: Session) -> None:
    key = priced(session)
    plan = accept_proposal(session, key, PlannedRunInput(settings=dict(analyse(session, key).proposal().settings)), Purpose.RAISE)
    kept = dict(plan.forecast or {})
    settings = analyse(session, key).runs[-1].settings
    record_run(session, key, FinishedRunInput(settings=dict(settings), yield_percent=99.0), run_id=plan.id)
    record = Decisions(analyse(session, key)).record()
    assert record is not None
    assert record.outcomes[0].observed == 99.0
    assert record.outcomes[0].mean == kept["mean"]


def test_a_run_made_otherwise_is_no_test_of_its_forecast(session: Session) -> None:
    key = priced(session)
    plan = accept_proposal(session, key, PlannedRunInput(settings=dict(analyse(session, key).proposal().settings)), Purpose.RAISE)
    space = analyse(session, key).space
    hold = next(v for v in space.variables if v.role is Role.HOLD_TIME)
    planned = dict(analyse(session, key).runs[-1].settings)
    near = float(planned[hold.key]) + 0.52 * hold.working_step  # within a twentieth of the range, 0.275 h
    far = hold.low if float(planned[hold.key]) > 0.5 * (hold.low + hold.high) else hold.high
    for value, expected in ((near, []), (far, [plan.number])):
        data = FinishedRunInput(settings={**planned, hold.key: value}, yield_percent=60.0, confirm=["outside_limits"])
        record_run(session, key, data, run_id=plan.id)
        analysis = analyse(session, key)
        assert run_otherwise(analysis) == expected
        assert (Decisions(analysis).record() is None) == bool(expected)


def test_the_window_follows_the_loss_that_was_entered(session: Session) -> None:
    key = priced(session)
    analysis = analyse(session, key)
    narrow = Decisions(analysis).window()
    data = as_input(analysis.preparation).model_copy(update={"allowed_loss": 15.0})
    update_preparation(session, key, data)
    wide = Decisions(analyse(session, key)).window()
    assert narrow is not None
    assert wide is not None
    assert wide.allowed_loss == 15.0
    spans = [[(w.high or 0) - (w.low or 0) for w in window.variables if not w.variable.is_choice] for window in (wide, narrow)]
    assert all(a >= b for a, b in zip(*spans, strict=True))
    assert sum(spans[0]) > sum(spans[1])


def test_costs_are_compared_only_where_all_that_differs_has_a_price(session: Session) -> None:
    key = priced(session)
    agent = next(v for v in questions.list_variables(session, key) if v.name == "agent")
    line = {"name": "sulfate", "role": "drying_agent", "amount_kind": "mass", "choice_variable_id": agent.id, "choice": "MgSO4"}
    material = add_material(session, key, MaterialInput.model_validate(line))
    water = MaterialInput(name="water", role="wash", amount_kind="mass", amount=50)
    add_material(session, key, water)
    decisions = Decisions(analyse(session, key))
    assert decisions.without_price == ["sulfate"]
    assert decisions.always_without_price == ["water"]
    assert COST not in decisions.savings
    assert decisions.front(COST) is None
    with pytest.raises(NotReadyError, match="without a price of sulfate"):
        decisions.burden(COST)
    update_material(session, int(material.id or 0), MaterialInput.model_validate({**line, "price_per_g": 0.02}))
    assert COST in Decisions(analyse(session, key)).savings


def test_a_stock_that_cannot_be_counted_is_named(session: Session) -> None:
    key = priced(session)
    solution = MaterialInput(name="BuLi", role="reagent", concentration_mol_per_l=2.5, amount=2, stock_g=60)
    add_material(session, key, solution)
    left = Decisions(analyse(session, key)).runs_left(date(2026, 3, 1))
    assert "The stock of BuLi cannot be counted without its density." in left.sentence
    half = Decisions(analyse(session, key)).runs_left(date(2026, 3, 1), 0.05)
    assert (left.by_stock, half.by_stock) == (4, 9)


def test_proposals_keep_to_what_is_left_of_the_materials(session: Session) -> None:
    key = priced(session)
    acid = questions.list_materials(session, key)[1]
    agent = next(v for v in questions.list_variables(session, key) if v.name == "agent")
    free = Decisions(analyse(session, key))
    assert free.kept_out == ""
    assert max(float(p.settings[str(acid.ratio_variable_id)]) for p in free.analysis.proposals(Purpose.RAISE, 4)) > 1.5

    def stock(grams: float) -> None:
        update_material(session, int(acid.id or 0), charge_as_input(acid).model_copy(update={"stock_g": grams}))

    # 0.1 mol of CH3COOH is 6.005 g: 19 g reach for ratios of 3 together.
    stock(19.0)
    salt = {"name": "salt", "role": "drying_agent", "amount_kind": "mass", "amount": 5, "stock_g": 4.0}
    add_material(session, key, MaterialInput.model_validate({**salt, "choice_variable_id": agent.id, "choice": "MgSO4"}))
    kept = Decisions(analyse(session, key))
    assert kept.kept_out == "Kept to what is in stock at the base scale of 0.1 mol: no agent MgSO4 (4 g of salt left)."
    plans = [dict(p.settings) for p in kept.analysis.proposals(Purpose.RAISE, 3)]
    ratios = [float(plan[str(acid.ratio_variable_id)]) for plan in plans]
    # A third can be made only after shopping, so the list ends.
    assert sum(ratios) == 3.0
    assert len(ratios) == 2
    assert not any(m.is_short for n in kept.needs_together(plans) if n is not None for m in n.materials)
    # What yield costs does not depend on what is on the shelf.
    assert kept.front(HOURS) == free.front(HOURS)
    for purpose in (Purpose.FIND_OUT, Purpose.SHORTEN, Purpose.REPEAT):
        assert kept.analysis.proposal(purpose).settings[str(agent.id)] == "Na2SO4"
    # The working recipe stays what the runs say; only where to go from it is limited.
    assert kept.analysis.working is not None
    assert kept.analysis.working.settings[str(agent.id)] == "MgSO4"
    left = kept.runs_left(date(2026, 3, 1))
    assert (left.by_stock, left.hindrance) == (0, "")
    assert left.sentence == f"What is left of salt does not reach for run {kept.analysis.working.run_number} once more."
    stock(10.0)
    tight = Decisions(analyse(session, key))
    assert "ratio at most 1.67 (10 g of acid left); no agent MgSO4" in tight.kept_out
    assert float(tight.analysis.proposal().settings[str(acid.ratio_variable_id)]) <= 1.67
    # Nothing is left for any run: that is said, and what to buy can be seen from a proposal that does not look at the stock.
    stock(5.0)
    none = Decisions(analyse(session, key))
    assert none.kept_out == ""
    hindrance = "No further run can be made: what is left of acid does not reach for another one."
    assert none.runs_left(date(2026, 3, 1)).hindrance == hindrance
    needs = none.needs(none.analysis.proposal().settings)
    assert needs is not None
    assert any(m.is_short for m in needs.materials)


def test_stop_here_says_that_it_holds_for_what_is_in_stock(session: Session) -> None:
    key = priced(session)
    day = date(2026, 3, 1)
    agent = next(v for v in questions.list_variables(session, key) if v.name == "agent")
    salt = {"name": "salt", "role": "drying_agent", "amount_kind": "mass", "amount": 5, "stock_g": 100.0}
    row = add_material(session, key, MaterialInput.model_validate({**salt, "choice_variable_id": agent.id, "choice": "MgSO4"}))
    free = Decisions(analyse(session, key)).advice(day)
    assert free is not None
    assert not free.keeps_to_stock
    for together, words in ((0.05, "Stop here, unless you"), (0.2, "Another run is a gamble."), (0.5, "Worth another run.")):
        assert replace(free, chances=(together,), can_make=1).verdict.startswith(words)
    update_material(session, int(row.id or 0), charge_as_input(row).model_copy(update={"stock_g": 4.0}))
    decisions = Decisions(analyse(session, key))
    kept = decisions.advice(day)
    assert kept is not None
    assert kept.keeps_to_stock
    for together, words in (
        (0.05, "With what is in stock: stop here, unless you know something that the runs do not show."),
        (0.2, "With what is in stock: another run is a gamble."),
        (0.5, "Worth another run."),
    ):
        assert replace(kept, chances=(together,), can_make=1).verdict == words
    assert kept.verdict in decisions.verdict(day)


def test_a_failed_run_is_no_working_recipe(session: Session) -> None:
    preparation = make_preparation(session)
    key = int(preparation.id or 0)
    for hold in (2.0, 3.0, 4.0):
        make_run(session, preparation, None, settings={"hold": hold}, outcome="failure")
    analysis = analyse(session, key)
    assert analysis.working is None
    assert Decisions(analysis).stop() is None
    assert Decisions(analysis).window() is None
    assert analysis.proposal().reason.startswith("One more opening run")
    for purpose in (Purpose.FIND_OUT, Purpose.SHORTEN, Purpose.REPEAT):
        assert analysis.proposal(purpose).reason == "No run inside the limits has given product, so this is an opening run."
    with pytest.raises(NotReadyError, match="No run inside the limits has given product"):
        assert analysis.effects
    make_run(session, preparation, 40.0, settings={"hold": 5.0})
    found = analyse(session, key).working
    assert found is not None
    assert found.run_number == 4


def test_a_failed_run_makes_no_difference_between_lots(session: Session) -> None:
    # No lot does anything here: yields follow hold and bath.
    preparation = make_preparation(session)
    rng = np.random.default_rng(3)
    for k, hold in enumerate((2.0, 2.0, 3.0, 3.0, 4.0, 4.0, 5.0, 5.0, 5.0)):
        bath = (120.0, 120.0, 115.0, 130.0, 130.0, 135.0, 135.0, 130.0, 130.0)[k]
        percent = 30.0 + 8.0 * hold + 0.4 * (bath - 120.0) + float(rng.normal())
        make_run(session, preparation, round(percent, 1), settings={"hold": hold, "bath": bath}, lot="A" if k < 4 else "B")
    before = analyse(session, int(preparation.id or 0)).trends
    assert before
    make_run(session, preparation, None, settings={"hold": 5.0, "bath": 135.0}, lot="B", outcome="failure")
    analysis = analyse(session, int(preparation.id or 0))
    assert analysis.trends == before
    assert all(sentence.startswith("No ") for sentence in analysis.trends)


def test_it_is_said_that_too_few_settings_cannot_judge_what_follows_from_the_others(session: Session) -> None:
    preparation = make_preparation(session)
    key = int(preparation.id or 0)
    add_variable(session, key, VariableInput(name="ratio", role="ratio", low=1, high=3, step=0.5, base=1))
    settings = ((3.0, 120.0, 3.0), (1.0, 140.0, 1.0), (3.0, 130.0, 3.0), (2.0, 140.0, 2.5), (4.0, 110.0, 2.5))
    for k, (hold, bath, ratio) in enumerate(settings):
        make_run(session, preparation, 60.0 + 3 * k, settings={"hold": hold, "bath": bath, "ratio": ratio})
    told = analyse(session, key).unknowns
    assert (
        "Whether hold, bath and ratio can be told apart cannot be judged: 5 runs moved 3 variables, and in them they moved "
        "together or follow from one another, or nearly so, perhaps by chance."
    ) in told


def test_ranges_of_lots_people_and_order_allow_for_each_other(session: Session) -> None:
    preparation = make_preparation(session)
    rng = np.random.default_rng(3)
    for k in range(8):
        settings = {"hold": 2.0 + k % 3, "bath": 120.0 + 5.0 * (k % 2)}
        who = {"lot": "AABB"[k % 4], "made_by": "KB" if k in (0, 3, 5, 6) else "MJ"}
        make_run(session, preparation, round(60.0 + float(rng.normal()), 1), settings=settings, **who)
    analysis = analyse(session, int(preparation.id or 0))
    told = analysis.trends
    assert [any(words in s for s in told) for words in ("run order", "lot A", "runs by KB")] == [True, True, True]
    assert len(told) == 3
    drift = drift_with_order(analysis.ladder, {}, comparisons=3)
    assert drift is not None
    assert told[0] == drift.sentence
    assert told[0] != getattr(drift_with_order(analysis.ladder, {}), "sentence", "")


def test_stock_keeps_nothing_out_that_a_rule_forbids_anyway(session: Session) -> None:
    key = priced(session)
    agent = next(v for v in questions.list_variables(session, key) if v.name == "agent")
    washes = add_variable(session, key, VariableInput(name="washes", role="count", low=1, high=4, base=2, stage="work_up"))
    brine = {"name": "brine", "role": "wash", "amount_kind": "mass", "amount": 20, "count_variable_id": washes.id, "stock_g": 50}
    line = add_material(session, key, MaterialInput.model_validate({**brine, "choice_variable_id": agent.id, "choice": "MgSO4"}))
    told = "Kept to what is in stock at the base scale of 0.1 mol: washes at most 2.5 with MgSO4 (50 g of brine left)."
    assert Decisions(analyse(session, key)).kept_out == told
    add_limit(session, key, NotUsedLimitInput(kind="not_used", variable=int(agent.id or 0), options=["MgSO4"]))
    assert Decisions(analyse(session, key)).kept_out == ""
    # Four times 20 g are 80 g.
    always = {"choice_variable_id": None, "choice": None, "stock_g": 80.0}
    update_material(session, int(line.id or 0), charge_as_input(line).model_copy(update=always))
    assert Decisions(analyse(session, key)).kept_out == ""


@pytest.mark.parametrize(
    ("circumstance", "words"),
    [
        ("order", "hold cannot be told apart from the order of the runs"),
        ("lot", "hold cannot be told apart from the reagent lot"),
        ("made_by", "hold cannot be told apart from who made the runs"),
        ("scale", "hold cannot be told apart from the scale of the runs"),
    ],
)
def test_a_variable_that_moved_with_time_lot_or_scale_is_named(session: Session, circumstance: str, words: str) -> None:
    preparation = make_preparation(session, base_scale_mol=0.1)
    place = [0, 5, 1, 4, 2, 3]  # in no order, as to time
    for k, at in enumerate(sorted(place) if circumstance == "order" else place):
        in_groups = circumstance in ("lot", "made_by")
        hold = 4.0 if in_groups and at > 2 else 1.0 if in_groups else 1.0 + 0.5 * at
        more: dict[str, Any] = {circumstance: "b" if at == 3 else "B" if at > 2 else "A"} if in_groups else {}
        if circumstance == "scale":
            more["scale_mol"] = 0.1 * (1 + 0.5 * at)
        make_run(session, preparation, 60.0 + at, settings={"hold": hold, "bath": 110.0 + 10 * (k % 3)}, **more)
    told = [s for s in analyse(session, int(preparation.id or 0)).unknowns if "apart from " in s]
    assert len(told) == 1
    assert told[0].startswith(words)
    assert told[0].endswith("would tell.")
    analysis = analyse(session, int(preparation.id or 0))
    (hold_effect,) = [e for e in analysis.effects if e.name == "hold"]
    assert hold_effect.sentence.endswith("would look the same here.")
    assert not any("would look the same" in e.sentence for e in analysis.effects if e.name != "hold")
    # Its effect has taken up what there may be, so nothing is told of the circumstance itself.
    assert not any(
        {"order": "run order", "lot": " lot ", "made_by": "runs by", "scale": "scale"}[circumstance] in s for s in analysis.trends
    )


def test_runs_that_are_all_alike_moved_nothing(session: Session) -> None:
    preparation = make_preparation(session)
    base = {"hold": 2.0, "bath": 120.0}
    for changed in ({}, {"hold": 1.0}, {"hold": 4.0}, {"bath": 110.0}, {"bath": 140.0}, {}, {"agent": "Na2SO4"}):
        make_run(session, preparation, 60.0, settings={**base, **changed})
    analysis = analyse(session, int(preparation.id or 0))
    assert {e.evidence for e in analysis.effects} == {Evidence.NOT_SHOWN}
    assert not any("highest near" in e.sentence for e in analysis.effects)
    # The models behind forecasts expect less at the ends of the ranges; the words about effects do not rest on them.
    working = analysis.table.coded[analysis.best_position or 0]
    canonical = list(analysis.table.canonical_order())
    raw = [[analysis.counting[i].settings[v.key] for v in analysis.space.variables] for i in canonical]
    assert analysis.effects == find_effects(analysis.level_ladder, working, raw)
    assert analysis.effects != find_effects(analysis.ladder, working, raw)
    # Nor do the curves and the picture of two variables beside them: no hump without a cause.
    along, pair = analysis.curve(0), analysis.pair(0, 1)
    assert np.ptp(along.mean) < 0.5 < np.ptp(response_curve(analysis.ladder, 0, working).mean)
    assert np.ptp(pair.mean) < 1.0 < np.ptp(pair_picture(analysis.ladder, 0, 1, working).mean)


def test_where_yields_drift_an_effect_that_moved_partly_along_says_so_and_is_not_clear(session: Session) -> None:
    preparation = make_preparation(session)
    rng = np.random.default_rng(3)
    for k in range(14):
        # Late runs held longer more often than not, and every run lost 2 points against the one before.
        hold = 1.0 + 0.5 * min(9, max(0, k // 2 + int(rng.integers(-3, 4))))
        bath = 110.0 + 10.0 * (k % 4)
        make_run(session, preparation, 80.0 - 2.0 * k + float(rng.normal()), settings={"hold": hold, "bath": bath})
    analysis = analyse(session, int(preparation.id or 0))
    drift = next(s for s in analysis.trends if "run order" in s)
    (effect,) = [e for e in analysis.effects if e.name == "hold"]
    assert drift.startswith("Yields drift")
    assert "Effects of hold, which moved partly along" in drift
    assert effect.sentence.endswith("some of this may be drift.")
    assert effect.evidence is not Evidence.CLEAR
    (other,) = [e for e in analysis.effects if e.name == "bath"]
    assert "drift" not in other.sentence


@pytest.mark.parametrize("key", ["lot", "made_by", "scale_mol"])
def test_an_effect_that_may_be_that_of_lots_people_or_the_scale_says_so_and_is_not_clear(session: Session, key: str) -> None:
    # Hold and bath make no difference. The longer runs were made with the better lot more often than not.
    preparation = make_preparation(session, base_scale_mol=0.1)
    rng = np.random.default_rng(0)
    kinds: dict[str, tuple[Any, Any]] = {"lot": ("A", "B"), "made_by": ("Ann", "Bo"), "scale_mol": (0.1, 0.2)}
    for k in range(16):
        hold = 1.0 + 0.5 * int(rng.integers(0, 9))
        second = bool(rng.random() < (0.75 if hold >= 3 else 0.25))
        settings = {"hold": hold, "bath": 110.0 + 10 * (k % 4)}
        percent = 60.0 + 8.0 * second + float(rng.normal())
        make_run(session, preparation, percent, settings=settings, **{key: kinds[key][second]})
    effects = [e for e in analyse(session, int(preparation.id or 0)).effects if e.name != "agent"]
    assert not any(e.evidence is Evidence.CLEAR for e in effects)
    said = [e.sentence for e in effects if e.evidence is Evidence.LIKELY]
    assert said
    words = {"lot": "Reagent lots differ", "made_by": "The runs of different people differ", "scale_mol": "Yields change with"}
    assert all(words[key] in s and s.endswith("and it moved partly along: some of this may be that.") for s in said)
    assert not any("clearly" in s for s in said)


def test_where_nothing_moved_with_it_no_circumstance_is_named(session: Session) -> None:
    preparation = make_preparation(session, base_scale_mol=0.1)
    for k, at in enumerate([0, 5, 1, 4, 2, 3]):
        # Scales rise with the hold, but hardly differ.
        more: dict[str, Any] = {"lot": "AB"[k % 2], "scale_mol": 0.1 + 0.005 * at}
        make_run(session, preparation, 60.0 + at, settings={"hold": 1.0 + 0.5 * at, "bath": 110.0 + 10 * (k % 3)}, **more)
    assert not [s for s in analyse(session, int(preparation.id or 0)).unknowns if "apart from " in s]


def test_a_yield_that_cannot_be_is_no_recipe_and_hardly_known(session: Session) -> None:
    preparation = make_preparation(session)
    for k, percent in enumerate((92.0, 94.0, 95.0, 96.5, 97.0)):
        make_run(session, preparation, percent, settings={"hold": 1.0 + 0.5 * k})
    make_run(session, preparation, 104.0, settings={"hold": 4.0}, confirm=["yield_above_100"])
    make_run(session, preparation, 100.4, settings={"hold": 1.5}, confirm=["yield_above_100"])
    analysis = analyse(session, int(preparation.id or 0))
    assert [r.as_modelled for r in analysis.counting[-2:]] == [(100.0, 8.0), (100.0, pytest.approx(0.4))]
    assert analysis.table.yields.max() == 100.0
    assert analysis.working is not None
    assert analysis.working.run_number != 6
    (told,) = [s for s in analysis.unknowns if "cannot have been all product" in s]
    assert told.startswith("Run 6 gave 104.0 %")


def test_an_aim_that_one_result_reached_by_luck_is_not_called_reached(session: Session) -> None:
    preparation = make_preparation(session, aim_percent=85.0)
    for percent in (88.0, 58.0, 62.0, 60.0, 64.0):
        make_run(session, preparation, percent)
    make_run(session, preparation, 59.0, settings={"hold": 3.0})
    analysis = analyse(session, int(preparation.id or 0))
    assert analysis.working is not None
    verdict = Decisions(analysis).verdict(today())
    expected = f"{analysis.working.forecast.mean:.1f} %"
    assert verdict.startswith(f"One result reached the aim of 85 %, but the working recipe is expected to give {expected}.")
    assert "is reached" not in verdict
    assert "within reach gives the aim of 85 %" in verdict
    assert f"than the {analysis.working.forecast.mean:.0f} % expected with the settings of run " in verdict


def test_the_verdict_tells_the_chance_of_the_aim(session: Session) -> None:
    preparation = make_preparation(session, aim_percent=90.0)
    for hold, percent in ((1.0, 50.0), (2.0, 60.0), (3.0, 66.0), (4.0, 70.0)):
        make_run(session, preparation, percent, settings={"hold": hold})
    decisions = Decisions(analyse(session, int(preparation.id or 0)))
    assert "The chance that anything within reach gives the aim of 90 % is " in decisions.verdict(today())
    preparation.aim_percent = 65.0
    session.add(preparation)
    session.commit()
    assert "within reach gives the aim" not in Decisions(analyse(session, int(preparation.id or 0))).verdict(today())


def test_weight_per_cent_and_concentrations_drive_the_charge(session: Session) -> None:
    preparation = make_preparation(session, product_formula="C7H14O2", base_scale_mol=0.1)
    key = int(preparation.id or 0)
    loading = add_variable(session, key, VariableInput(name="Pd/C", role="loading", unit="wt%", low=1, high=10, base=5))
    strength = add_variable(
        session, key, VariableInput(name="dilution", role="concentration", unit="mol/L", low=0.1, high=1, base=0.5)
    )
    for raw in (
        {"name": "benzoic acid", "role": "reagent", "formula": "C7H6O2", "amount": 1},
        {"name": "Pd/C", "role": "catalyst", "amount_kind": "mass_percent", "amount": 5, "ratio_variable_id": loading.id},
        {
            "name": "EtOAc",
            "role": "solvent",
            "amount_kind": "concentration",
            "amount": 0.5,
            "ratio_variable_id": strength.id,
            "density_g_per_ml": 0.9,
            "stock_g": 1000,
        },
        {"name": "wash", "role": "wash", "amount_kind": "volume_per_gram", "amount": 4},
    ):
        add_material(session, key, MaterialInput.model_validate(raw))
    analysis = analyse(session, key)
    settings = {**analysis.space.base, str(loading.id): 2.0, str(strength.id): 0.2}
    needs = Decisions(analysis).needs(settings)
    assert needs is not None
    # 0.1 mol of C7H6O2 is 12.212 g (standard atomic weights, abridged); 0.1 mol at 0.2 mol/L is 500 mL.
    taken = {m.name: (m.mass_g, m.volume_ml) for m in needs.materials}
    assert taken["Pd/C"][0] == pytest.approx(0.02 * 12.212, abs=1e-4)
    assert list(taken["EtOAc"]) == pytest.approx([450.0, 500.0])
    assert taken["wash"][1] == pytest.approx(4 * 12.212, abs=5e-3)
    # More dilute takes more: no rule that only caps a setting could say so.
    assert analysis.supply.rules() == ()
    with pytest.raises(InvalidInputError) as wrong:
        add_material(session, key, MaterialInput(name="x", role="solvent", amount_kind="concentration", amount=0))
    assert set(wrong.value.messages) == {"amount"}


def test_a_plan_that_the_stock_does_not_reach_for_is_asked_about(session: Session) -> None:
    key = priced(session)
    # 40 g of alcohol (C5H12O, 88.15 g/mol), 8.8 g a run at the base scale of 0.1 mol.
    plan = PlannedRunInput(settings={"hold": 2.0, "bath": 120.0, "agent": "MgSO4", "ratio": 1.0})
    analysis = analyse(session, key)
    with pytest.raises(NeedsConfirmationError, match=r"for these 5 runs beside .*: alcohol \(44\.07 g needed, 40 g free\)"):
        accept_proposals(session, analysis, [plan] * 5, Purpose.RAISE)
    assert not [r for r in questions.list_runs(session, key) if r.state == "planned"]
    first, *_ = accept_proposals(session, analysis, [plan] * 4, Purpose.RAISE)
    # Larger than what is left beside the others, not beside itself.
    larger = ChangedPlanInput(settings=plan.settings, scale_mol=0.16)
    change_plan(session, int(first.id or 0), larger.model_copy(update={"scale_mol": 0.14}))
    with pytest.raises(NeedsConfirmationError, match="alcohol"):
        change_plan(session, int(first.id or 0), larger)
    change_plan(session, int(first.id or 0), larger.model_copy(update={"confirm": ["short_stock"]}))
    supply = analyse(session, key).supply
    assert supply.short_words == "The runs that are planned or under way need more than is left: short of alcohol by 0.549 g."
    left = Decisions(analyse(session, key)).runs_left(today())
    assert left.hindrance.startswith(
        "No further run can be made: what is left of alcohol does not reach even for the runs that are"
    )


def test_stock_that_does_not_reach_for_the_recipe_leaves_the_date_in_force(session: Session) -> None:
    left = RunsLeft(0, "alcohol", 2, "2026-03-31", "", "")
    assert left.at_most == 2
    assert RunsLeft(3, "alcohol", None, None, "", most_by_stock=3).at_most == 3
    assert RunsLeft(0, "alcohol", None, None, "").at_most is None


def test_stock_of_one_option_ends_the_runs_like_the_working_recipe_only(session: Session) -> None:
    key, day = priced(session), date(2026, 3, 1)
    agent = next(v for v in questions.list_variables(session, key) if v.name == "agent")
    salt = {"name": "salt", "role": "drying_agent", "amount_kind": "mass", "amount": 5, "stock_g": 11.0}
    salt["choice_variable_id"], salt["choice"] = agent.id, "MgSO4"
    row = add_material(session, key, MaterialInput.model_validate(salt))
    decisions = Decisions(analyse(session, key))
    assert decisions.analysis.working is not None
    assert decisions.analysis.working.settings[str(agent.id)] == "MgSO4"
    number = decisions.analysis.working.run_number
    left = decisions.runs_left(day)
    # Two with this agent; with the other one, the alcohol ends them.
    assert (left.by_stock, left.most_by_stock, left.at_most) == (2, 4, 4)
    assert left.sentence == f"There is stock for 2 more runs like run {number} (salt runs out first)."
    assert "only 2 can be made" not in decisions.verdict(day)
    # Where the other agent runs out too, both stocks together end the runs.
    other = {**salt, "name": "other salt", "choice": "Na2SO4", "stock_g": 5.0}
    add_material(session, key, MaterialInput.model_validate(other))
    assert Decisions(analyse(session, key)).runs_left(day).at_most == 3
    # Stock for none like the working recipe keeps other settings to what there is for them.
    update_material(session, int(row.id or 0), MaterialInput.model_validate({**salt, "stock_g": 1.0}))
    none = Decisions(analyse(session, key))
    assert (none.runs_left(day).by_stock, none.runs_left(day).at_most) == (0, 1)
    assert "only 1 run can be made" in none.verdict(day)


def test_stock_for_runs_of_any_settings_is_counted_with_the_least_amount(session: Session) -> None:
    key, day = priced(session), date(2026, 3, 1)
    acid = questions.list_materials(session, key)[1]
    # 0.1 mol of CH3COOH is 6.005 g, and the ratio is 1 at least: 19 g reach for three runs of that.
    update_material(session, int(acid.id or 0), charge_as_input(acid).model_copy(update={"stock_g": 19.0}))
    left = Decisions(analyse(session, key)).runs_left(day)
    assert left.by_stock is not None
    assert left.by_stock < 3
    assert left.at_most == 3


def test_stock_of_many_kilograms_is_told_without_powers_of_ten(session: Session) -> None:
    key = priced(session)
    alcohol = questions.list_materials(session, key)[0]
    data = charge_as_input(alcohol)
    update_material(session, int(alcohol.id or 0), data.model_copy(update={"stock_g": 23456.0}))
    analysis = analyse(session, key)
    texts = [rule.text for rule in analysis.supply.rules()]
    assert texts == ["23460 g of alcohol left"]
