"""Where the product went."""

import pytest

from server.core.chemistry.balance import Checkpoint, follow_the_product
from server.errors import InvalidInputError

MARKS = [Checkpoint("crude", "reaction", 12.0, 0.75), Checkpoint("after washing", "work_up", 7.0, 1.0)]


def test_stage_recoveries_multiply_to_the_yield() -> None:
    found = follow_the_product(10.0, MARKS, 6.3)
    product = 1.0
    for stage in found.stages:
        product *= stage.recovery_percent / 100.0
    assert 100 * product == pytest.approx(found.yield_percent) == pytest.approx(63.0)


def test_the_stage_that_lost_most_is_named() -> None:
    sentence = follow_the_product(10.0, MARKS, 6.3).sentence
    assert sentence.startswith("Most was lost between crude and after washing: 2 g, that is 20 % of theory")


def test_yield_on_starting_material_that_was_not_recovered() -> None:
    # A third recovered: 60 % of theory is 90 % of what was used up.
    assert follow_the_product(10.0, [], 6.0, recovered_fraction=1 / 3).based_on_recovered_percent == pytest.approx(90.0)


@pytest.mark.parametrize(("product_g", "is_more"), [(6.66, False), (6.67, False), (6.68, True)])
def test_a_yield_on_what_was_left_above_100_is_more_than_was_there(product_g: float, is_more: bool) -> None:
    # A third recovered: 6.667 g of 10 g is all there can be.
    assert follow_the_product(10.0, [], product_g, recovered_fraction=1 / 3).is_more_than_was_there is is_more
    assert not follow_the_product(10.0, [], 11.0).is_more_than_was_there


def test_a_gain_points_to_solvent() -> None:
    assert "solvent, water or salts" in follow_the_product(10.0, [Checkpoint("crude", "reaction", 11.0)], None).sentence


def test_nothing_to_follow_says_what_to_enter() -> None:
    with pytest.raises(InvalidInputError, match="Enter a checkpoint"):
        follow_the_product(10.0, [], None)


def test_where_all_came_back_no_yield_is_based_on_the_rest() -> None:
    found = follow_the_product(10.0, MARKS, 1.0, recovered_fraction=1.0)
    assert found.based_on_recovered_percent is None
    assert len(found.stages) == 3
    with pytest.raises(InvalidInputError, match="less than nothing"):
        follow_the_product(10.0, [], 1.0, recovered_fraction=-0.1)


def test_what_seems_lost_after_a_gain_is_not_called_lost_whichever_gain_it_was() -> None:
    marks = [Checkpoint(name, "work_up", mass) for name, mass in (("wet cake", 10.5), ("extract", 9.0), ("crude", 14.0))]
    sentence = follow_the_product(10.0, marks, 5.0).sentence
    assert sentence.startswith("Crude holds more product than extract did: one of the two was wet")
    assert sentence.endswith("So where most was lost cannot be told.")


def test_a_gain_beside_a_loss_is_told() -> None:
    marks = [Checkpoint("crude", "work_up", 7.9), Checkpoint("recrystallised", "isolation", 8.5)]
    assert "But recrystallised holds more product than crude did" in follow_the_product(10.0, marks, None).sentence
    wet = [Checkpoint("crude", "reaction", 14.0), Checkpoint("washed", "work_up", 8.0)]
    told = "Crude holds more product than theory allows: it was wet, or its content is not right. So where most was lost"
    assert follow_the_product(10.0, wet, 7.5).sentence.startswith(told)
    assert "But" not in follow_the_product(10.0, marks[:1], None).sentence


def test_what_came_back_was_not_lost_before_the_first_checkpoint() -> None:
    # Worked by hand: 10 g of theory, 40 % of the starting material back, 5.5 g of crude, 4 g isolated. The way to the
    # crude lost 4.5 g, 4 g of which came back; the isolation lost 1.5 g.
    balance = follow_the_product(10.0, [Checkpoint("crude", "work_up", 5.5)], 4.0, recovered_fraction=0.4)
    assert balance.sentence.startswith("Most was lost between crude and isolated product: 1.5 g, that is 15 % of theory")
    plain = follow_the_product(10.0, [Checkpoint("crude", "work_up", 5.5)], 4.0)
    assert plain.sentence.startswith("Most was lost between theory and crude: 4.5 g, that is 45 % of theory")
    some = follow_the_product(10.0, [Checkpoint("crude", "work_up", 5.5)], 5.0, recovered_fraction=0.2)
    assert some.sentence.startswith("Most was lost between theory and crude: 2.5 g, that is 25 % of theory")
    assert "starting material that came back not counted as lost" in some.sentence


def test_more_than_was_put_in_is_remarked_upon() -> None:
    balance = follow_the_product(10.0, [], 5.8, recovered_fraction=0.6)
    assert "Product and recovered starting material make up 118 %" in balance.sentence
    assert "make up" not in follow_the_product(10.0, [], 3.8, recovered_fraction=0.6).sentence
    # Losses after the crude do not make up for it.
    crude = follow_the_product(10.0, [Checkpoint("crude", "reaction", 9.6)], 8.0, recovered_fraction=0.11)
    assert crude.sentence.endswith(
        " The product in crude and recovered starting material make up 107 %: one of the two was not dry or pure."
    )
    within = follow_the_product(10.0, [Checkpoint("crude", "reaction", 9.2)], 8.0, recovered_fraction=0.11)
    assert "make up" not in within.sentence
    gone = follow_the_product(10.0, [Checkpoint("crude", "work_up", 0.0)], 5.0)
    assert "But crude held none, and there was product after it" in gone.sentence


@pytest.mark.parametrize(("dried", "is_remarked"), [(8.2, False), (8.4, False), (8.6, True)])
def test_what_contents_are_not_known_to_is_no_gain(dried: float, is_remarked: bool) -> None:
    # 8 g and 8.4 g with contents known to 2 %: a difference of 0.46 g is two standard uncertainties.
    marks = [Checkpoint("crude", "work_up", 10.0, 0.8), Checkpoint("dried", "drying", dried)]
    found = follow_the_product(10.0, marks, 7.0)
    assert ("holds more product than crude did" in found.sentence) is is_remarked
    # Against theory as well.
    assert "than theory allows" not in follow_the_product(10.0, [Checkpoint("crude", "work_up", 10.3)], 9.0).sentence
    assert "than theory allows" in follow_the_product(10.0, [Checkpoint("crude", "work_up", 10.6)], 9.0).sentence


def test_of_two_losses_that_are_alike_neither_is_named_alone() -> None:
    # Lost: 15 and 12 points; the mark between them is uncertain by 1.7 points, which enter the difference twice.
    alike = follow_the_product(10.0, [Checkpoint("crude", "work_up", 8.5)], 7.3)
    assert alike.sentence.startswith("Most was lost between theory and crude: 1.5 g")
    assert "or between crude and isolated product: 1.2 g" in alike.sentence
    assert alike.sentence.endswith("known to some 2 %, which of the two cannot be told.")
    apart = follow_the_product(10.0, [Checkpoint("crude", "work_up", 8.5)], 8.0)
    assert "cannot be told" not in apart.sentence
    # Stretches without a common mark: 20, 5 and 17 points, uncertain by 1.6 and 1.5.
    three = [Checkpoint("crude", "work_up", 8.0), Checkpoint("dried", "drying", 7.5)]
    assert "or between dried and isolated product" in follow_the_product(10.0, three, 5.8).sentence
    assert "cannot be told" not in follow_the_product(10.0, three, 6.3).sentence


def test_starting_material_that_came_back_is_lost_nowhere() -> None:
    found = follow_the_product(10.0, [Checkpoint("crude", "reaction", 7.0)], 6.0, recovered_fraction=0.2)
    assert [(s.came_back_g, s.lost_g) for s in found.stages] == [(2.0, 1.0), (0.0, 1.0)]
    assert found.based_on_recovered_percent == pytest.approx(75.0)


def test_what_a_resolution_leaves_over_is_not_missing() -> None:
    # 0.1 mol of racemate give at most 0.05 mol of one enantiomer; 0.042 came, and 0.0439 of the rest.
    found = follow_the_product(13.56, [], 11.385, recovered_fraction=0.439, share_of_start=0.5)
    assert found.based_on_recovered_percent == pytest.approx(found.yield_percent)
    assert found.stages[0].came_back_g == 0.0
    assert "make up" not in found.sentence
    # More than the half that theory leaves over was product that could have been.
    more = follow_the_product(10.0, [], 4.0, recovered_fraction=0.75, share_of_start=0.5)
    assert more.stages[0].came_back_g == pytest.approx(5.0)
    assert more.based_on_recovered_percent == pytest.approx(80.0)
    too_much = follow_the_product(10.0, [], 9.0, recovered_fraction=0.75, share_of_start=0.5)
    assert "make up 120 %" in too_much.sentence


def test_the_dust_of_the_arithmetic_is_no_loss() -> None:
    for product in (1.1, 2.3, 5.7, 8.9):
        found = follow_the_product(10.0, [], product, recovered_fraction=1.0 - product / 10.0)
        assert found.sentence.startswith("No stage lost product")
