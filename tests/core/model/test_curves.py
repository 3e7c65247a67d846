"""Response curves and pairs."""

from dataclasses import replace

import numpy as np
import pytest

from server.core.model.curves import highest_words, pair_picture, response_curve
from server.core.model.effects import Effect, Evidence
from server.core.model.ladder import fit_ladder
from tests.core.model.test_effects import runs

ROWS = [(h, t, a) for h in (1.0, 2.0, 4.0) for t in (110.0, 130.0) for a in "ab"]
TABLE = runs(ROWS, [40 + 8 * h + 0.2 * (t - 110) + 3 * (a == "b") for h, t, a in ROWS])
LADDER = fit_ladder(TABLE)


def test_a_curve_passes_the_runs_and_marks_what_was_tried() -> None:
    curve = response_curve(LADDER, 0, TABLE.coded[-1])
    at_four = int(np.argmin(np.abs(curve.values - 4.0)))
    assert curve.mean[at_four] == pytest.approx(79.0, abs=3.0)
    assert curve.values[curve.tried].min() >= 1.0
    assert curve.values[curve.tried].max() <= 4.0
    assert np.all(curve.low_90 <= curve.low_50)
    assert np.all(curve.low_50 <= curve.high_50)
    assert np.all(curve.high_50 <= curve.high_90)
    assert curve.high_90.max() <= 100.0
    # Beyond what was tried the doubt grows.
    width = curve.high_90 - curve.low_90
    assert width[-1] > width[at_four]


def test_the_curve_of_a_choice_has_one_point_per_option() -> None:
    curve = response_curve(LADDER, 2, TABLE.coded[-1])
    assert curve.labels == ["a", "b"]
    assert curve.tried.tolist() == [True, True]
    assert curve.mean[1] - curve.mean[0] == pytest.approx(3.0, abs=2.5)


def test_what_the_highest_point_of_a_curve_is_worth_is_said_beside_it() -> None:
    curve = replace(response_curve(LADDER, 0, TABLE.coded[-1]), mean=np.linspace(60.0, 70.0, 41))
    clear = Effect("hold", "hold", Evidence.CLEAR, "")
    free = [False] * len(curve.values)
    assert highest_words(curve, clear, free) == "Expected yield along hold: highest at 4 h (66 %) within what was tried."
    shown = replace(clear, evidence=Evidence.NOT_SHOWN)
    assert highest_words(curve, shown, free).endswith("within what was tried, but that it makes a difference is not shown.")
    tied = replace(clear, evidence=Evidence.CANNOT_TELL, partners=("bath", "agent"))
    assert highest_words(curve, tied, free).endswith("but it cannot be told apart from bath and agent.")
    # A line that is all but level has no best setting.
    level = replace(curve, mean=np.linspace(60.0, 60.6, 41))
    assert highest_words(level, shown, free) == "Expected yield along hold: nearly the same within what was tried (60 %)."
    # Where the rules forbid the highest, those that they allow are compared.
    off = list(curve.values > 3.0)
    assert highest_words(curve, clear, off) == (
        "Expected yield along hold: highest at 3 h (64 %) within what was tried and is allowed."
    )


def test_where_only_failed_runs_were_is_not_tried() -> None:
    rows = [*ROWS, (6.0, 150.0, "a")]
    table = runs(rows, [*TABLE.yields, 0.0])
    failed = replace(table, failed=np.arange(len(rows)) == len(rows) - 1)
    curve = response_curve(fit_ladder(failed), 0, TABLE.coded[-1])
    assert curve.values[curve.tried].max() <= 4.0
    # Where all of them failed, that is what was tried.
    every = response_curve(fit_ladder(replace(table, failed=np.ones(len(rows), dtype=bool))), 0, TABLE.coded[-1])
    assert every.values[every.tried].max() == pytest.approx(6.0)


def test_a_pair_marks_untested_ground() -> None:
    pair = pair_picture(LADDER, 0, 1, TABLE.coded[-1])
    assert pair.mean.shape == pair.untested.shape == (25, 25)
    near = int(np.argmin(np.abs(pair.second_values - 110.0))), int(np.argmin(np.abs(pair.first_values - 2.0)))
    assert not pair.untested[near]
    assert pair.untested[-1, 0]  # 150 °C and 0.5 h: far from every run


def test_a_pair_of_a_choice_is_refused() -> None:
    with pytest.raises(ValueError, match="two different variables with numbers"):
        pair_picture(LADDER, 0, 2, TABLE.coded[-1])
