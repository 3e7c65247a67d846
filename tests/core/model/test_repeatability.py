"""Pooled repeatability."""

from dataclasses import replace

import numpy as np
import pytest

from server.core.model.ladder import fit_ladder
from server.core.model.repeatability import NOISE_LEVELS, NOISE_WEIGHTS, NotEnoughRepeatsError, noise_levels, pooled_repeat_std
from server.core.model.runs import RunTable
from tests.factories import hold
from tests.reference import reference


def test_pooled_variance_of_the_pilot_plant() -> None:
    # Box, Hunter & Hunter (1978), p. 319: eight pairs, pooled variance 8.0 with 8 degrees of freedom.
    file = reference("A09")
    pairs = np.array(file["data"]["duplicates"], dtype=float)
    std, dof = pooled_repeat_std(pairs.ravel(), np.repeat(np.arange(8), 2))
    assert std**2 == pytest.approx(file["published"]["pooled_variance"])
    assert dof == file["published"]["df"]


def test_no_repeats_says_so() -> None:
    with pytest.raises(NotEnoughRepeatsError, match="None of the 3 runs repeats another"):
        pooled_repeat_std(np.array([1.0, 2.0, 3.0]), np.array([0, 1, 2]))


def repeated(std: float, *, failed: bool = False) -> RunTable:
    """Four settings three times each; pooled standard deviation as given."""
    coded = np.repeat(np.linspace(0.1, 0.9, 4)[:, None], 3, axis=0)
    yields = np.repeat([50.0, 60.0, 65.0, 55.0], 3) + std * np.tile([-1.0, 0.0, 1.0], 4)
    mask = np.full(12, failed)
    return RunTable((hold(),), coded, yields, np.zeros(12), tuple(range(1, 13)), mask)


def test_repeats_that_scatter_widely_are_believed() -> None:
    usual = list(zip(NOISE_LEVELS, NOISE_WEIGHTS, strict=True))
    assert noise_levels(repeated(2.0)) == usual
    assert noise_levels(repeated(6.0)) == usual
    assert noise_levels(repeated(12.0, failed=True)) == usual
    assert noise_levels(repeated(12.0).rows(np.array([0, 3, 6]))) == usual  # no repeats
    assert noise_levels(repeated(12.0).rows(np.array([0, 1, 3, 6])))[-1][0] == pytest.approx(12.0 / np.sqrt(2))
    wide = noise_levels(repeated(12.0))
    assert wide[-1][0] == pytest.approx(12.0)
    assert sum(w for _, w in wide) == pytest.approx(1.0)
    # The models say what the page about repeats says.
    assert fit_ladder(repeated(12.0).in_canonical_order()).noise_sd == pytest.approx(12.0, rel=0.25)
    assert fit_ladder(repeated(2.0).in_canonical_order()).noise_sd < 3.0


def test_two_results_that_lie_far_apart_are_both_possible_again() -> None:
    coded = np.array([[0.5], [0.5]])
    table = RunTable((hold(),), coded, np.array([50.0, 80.0]), np.zeros(2), (1, 2))
    found = fit_ladder(table).predict(coded[:1], with_noise=True)
    low, high = float(found.quantile(0.05)[0]), float(found.quantile(0.95)[0])
    assert low < 50.0
    assert high > 80.0
    # Of two that lie close together nothing is widened.
    near = RunTable((hold(),), coded, np.array([63.0, 67.0]), np.zeros(2), (1, 2))
    close = fit_ladder(near).predict(coded[:1], with_noise=True)
    assert float(close.quantile(0.95)[0] - close.quantile(0.05)[0]) < 20.0


def test_what_the_chemist_expects_comes_instead_of_the_usual_levels() -> None:
    coded = np.array([[0.1], [0.4], [0.6], [0.9]])
    yields = np.array([50.0, 56.0, 60.0, 55.0])
    tables = [RunTable((hold(),), coded, yields, np.zeros(4), (1, 2, 3, 4), scatter=s) for s in (0.8, None, 6.0)]
    assert [level for level, _ in noise_levels(tables[2])] == pytest.approx([3.6, 6.0, 9.6, 18.0])
    assert sum(w for _, w in noise_levels(tables[2])) == pytest.approx(1.0)
    # Whatever is taken out of a table or put to it.
    assert tables[2].rows(np.array([1, 2])).scatter == 6.0
    assert tables[2].joined_with(tables[1]).scatter == 6.0
    ladders = [fit_ladder(t) for t in tables]
    little, usual, much = (ladder.noise_sd for ladder in ladders)
    assert little < 1.4 < usual < 4.0 < much < 9.0
    widths = [float(np.diff([m.quantile(q)[0] for q in (0.05, 0.95)])[0]) for m in (f.predict(coded[1:2]) for f in ladders)]
    assert widths[0] < widths[1] < widths[2]
    # Smooth surfaces draw about it too.
    smooth = [next(r for r in ladder.rungs if r.name == "smooth") for ladder in ladders]
    medians = [float(np.median([np.sqrt(g.noise_variance) for g in rung.groups])) for rung in smooth]
    assert medians == pytest.approx([0.8, 2.3, 6.0], rel=0.25)


def test_repeats_outweigh_what_was_expected() -> None:
    found = replace(repeated(6.0), scatter=1.0)
    assert noise_levels(found)[-1][0] == pytest.approx(6.0)
    assert fit_ladder(found.in_canonical_order()).noise_sd > 4.0
    assert [level for level, _ in noise_levels(replace(repeated(1.5), scatter=1.0))] == pytest.approx([0.6, 1.0, 1.6, 3.0])
    assert fit_ladder(replace(repeated(1.0), scatter=6.0).in_canonical_order()).noise_sd < 4.0


def test_pooled_scatter_of_the_silicon_wafers() -> None:
    # NIST StRD, SiRstv: one-way analysis of variance, certified residual standard deviation.
    file = reference("B09")
    groups, values = np.array(file["data"]["group_y"]).T
    std, dof = pooled_repeat_std(values, groups)
    assert std == pytest.approx(file["published"]["resid_sd"], rel=1e-9)
    assert dof == file["published"]["df"][1]
