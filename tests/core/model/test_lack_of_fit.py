"""Lack of fit against published tables."""

import re

import numpy as np
import pytest

from server.core.model.lack_of_fit import judge_lack_of_fit, straight_lines_sentence
from server.core.model.least_squares import fit_least_squares
from server.core.model.runs import FAILURE_SD, RunTable
from server.core.space.coordinates import encode
from server.core.space.variables import Setting
from server.errors import NotReadyError
from tests.core.model.test_effects import runs
from tests.factories import hold
from tests.reference import reference


def test_the_load_cell_line_fails_and_its_quadratic_fits() -> None:
    # NIST/SEMATECH e-Handbook 4.6.1 on the Pontius data: F(18, 20) and F(17, 20).
    file = reference("B04")
    data, published = np.array(file["data"]["y_x"]), file["published"]["lack_of_fit"]
    y, x = data[:, 0], data[:, 1]
    line = judge_lack_of_fit(np.column_stack([np.ones(40), x]), y, x)
    assert line.f == pytest.approx(published["line_F(18,20)"], abs=0.01)
    assert (line.lack_of_fit_dof, line.pure_error_dof) == (18, 20)
    quadratic = judge_lack_of_fit(np.column_stack([np.ones(40), x, x * x]), y, x)
    assert quadratic.f == pytest.approx(published["quadratic_F(17,20)"], abs=0.01)
    assert quadratic.pure_error_ss == pytest.approx(file["published"]["pure_error_SS"], rel=1e-3)


def test_the_central_composite_surface() -> None:
    # Montgomery, table 11.6: F for lack of fit 1.78, sums of squares 0.28 and 0.21.
    file = reference("A20")
    a, b, y = (np.array(file["data"][key]) for key in ("x1", "x2", "Y"))
    groups = np.where((a == 0) & (b == 0), 0, np.arange(1, 14))
    found = judge_lack_of_fit(np.column_stack([np.ones(13), a, b, a * a, b * b, a * b]), y, groups)
    published = file["published"]["lack_of_fit"]
    assert found.f == pytest.approx(published["F"], abs=0.01)
    assert found.lack_of_fit_ss == pytest.approx(published["SS"], abs=0.006)
    assert found.pure_error_ss == pytest.approx(published["pure_error_SS"], abs=0.006)


def test_without_repeats_there_is_nothing_to_judge_against() -> None:
    with pytest.raises(NotReadyError, match="needs repeats"):
        judge_lack_of_fit(np.ones((3, 1)), np.ones(3), np.arange(3))
    assert straight_lines_sentence(runs([(1.0, 110.0, "a"), (2.0, 110.0, "a")], [1.0, 2.0])) == ""


def test_repeats_that_agree_exactly_give_no_ratio() -> None:
    rows = [(1.0, 110.0, "a"), (1.0, 110.0, "a"), (2.0, 110.0, "a"), (4.0, 110.0, "a")]
    assert "agree exactly" in straight_lines_sentence(runs(rows, [50.0, 50.0, 60.0, 61.0]))


def test_runs_that_all_gave_nothing_have_no_ratio_either() -> None:
    found = judge_lack_of_fit(np.ones((4, 1)), np.zeros(4), np.array([0, 0, 1, 2]))
    assert (found.lack_of_fit_ss, found.pure_error_ss, found.f, found.p) == (0.0, 0.0, None, None)


def test_a_bent_response_is_said_in_words() -> None:
    rows = [(h, 110.0, "a") for h in (1.0, 2.0, 4.0, 6.0) for _ in range(3)]
    yields = [y + e for y in (40.0, 70.0, 71.0, 45.0) for e in (-1.0, 0.0, 1.0)]
    assert "Straight lines alone do not fit" in straight_lines_sentence(runs(rows, yields))


def test_a_probability_is_given_without_digits_that_it_does_not_have() -> None:
    variables = (hold(),)
    rows: list[dict[str, Setting]] = [{"hold": h} for h in (2.0, 2.0, 3.0, 3.0, 5.0, 5.0)]
    coded = encode(variables, rows)

    def said(bend: float) -> str:
        yields = 60.0 + 5.0 * coded[:, 0] + np.array([1.0, -1.0] * 3) + bend * np.array([0.0, 0.0, 1.0, 1.0, 0.0, 0.0])
        return straight_lines_sentence(RunTable(variables, coded, yields, np.zeros(6), tuple(range(1, 7))))

    # On the line the lack of fit is nothing but dust, and F(1, 3) = 0.
    assert said(0.0).endswith("p > 0.99).")
    assert re.search(r"p = 0\.\d\d?\)\.$", said(1.0))
    assert said(60.0).endswith("p < 0.001).")


def test_equal_repeats_are_equal_whatever_their_digits() -> None:
    # 60.8 three times has a mean that is off by a rounding error.
    yields = [60.8, 60.8, 60.8, 50.0, 70.0, 40.0]
    rows: list[dict[str, Setting]] = [{"hold": h} for h in (2.0, 2.0, 2.0, 3.0, 4.0, 5.0)]
    variables = (hold(),)
    table = RunTable(variables, encode(variables, rows), np.array(yields), np.zeros(6), tuple(range(1, 7)))
    assert "agree exactly" in straight_lines_sentence(table)


def test_a_failure_is_no_repeat() -> None:
    variables = (hold(),)
    rows: list[dict[str, Setting]] = [{"hold": h} for h in (2.0, 2.0, 2.0, 3.0, 4.0, 5.0)]
    extra = np.array([0.0, 0.0, FAILURE_SD, 0.0, 0.0, 0.0])
    yields = np.array([80.0, 81.0, 0.0, 60.0, 90.0, 50.0])
    table = RunTable(variables, encode(variables, rows), yields, extra, tuple(range(1, 7)), extra > 0)
    assert table.without_failures().numbers == (1, 2, 4, 5, 6)
    assert "F(2, 1)" in straight_lines_sentence(table)


@pytest.mark.parametrize("key", ["A13", "A19", "B20"])
def test_two_levels_with_repeated_centres(key: str) -> None:
    """Plane through a 2² design with centre points, its pure error and its lack of fit, as published.

    A13: Box, Hunter & Hunter (1978), p. 513-516; A19: Montgomery, table 11.1; B20: NIST/SEMATECH e-Handbook 5.5.3.1.1.
    """
    file = reference(key)
    data, published = file["data"], file["published"]
    names = ("X1", "X2") if key == "A13" else ("x1", "x2")
    x1, x2 = (np.array(data[name], dtype=float) for name in names)
    y = np.array(data["Y"], dtype=float)
    design = np.column_stack([np.ones(len(y)), x1, x2])
    coefficients = published["coef"]
    wanted = list(coefficients.values()) if isinstance(coefficients, dict) else coefficients
    np.testing.assert_allclose(fit_least_squares(design, y).coefficients, wanted, atol=0.005)
    interaction = np.column_stack([design, x1 * x2])
    pure = judge_lack_of_fit(interaction, y, 3 * x1 + x2)
    if key == "B20":
        anova = published["anova"]
        curvature, pure_error = anova["curvature"], anova["pure_error"]
        assert pure.pure_error_ss == pytest.approx(pure_error[0], abs=0.001)
        assert pure.pure_error_dof == pure_error[1]
        # What the plane and the interaction leave beside pure error is the curvature.
        assert pure.lack_of_fit_ss == pytest.approx(curvature[0], abs=0.001)
    else:
        assert pure.pure_error_ss / pure.pure_error_dof == pytest.approx(published["pure_error_variance"], abs=0.005)
        assert fit_least_squares(interaction, y).coefficients[3] == pytest.approx(published["interaction_coef"], abs=0.005)


def test_one_choice_alone_has_no_line_to_judge() -> None:
    rows = [(2.0, 120.0, agent) for agent in ("a", "a", "b", "b")]
    assert straight_lines_sentence(runs(rows, [50.0, 52.0, 60.0, 63.0])) == ""
    numbers_too = [*rows, (3.0, 120.0, "a")]
    assert "cannot be tested yet" in straight_lines_sentence(runs(numbers_too, [50.0, 52.0, 60.0, 63.0, 55.0]))


def test_where_nothing_moved_there_is_no_line_to_judge() -> None:
    assert straight_lines_sentence(runs([(2.0, 120.0, "a")] * 4, [50.0, 52.0, 51.0, 53.0])) == ""
