"""The ladder of models: right or honest with any runs."""

import warnings
from dataclasses import replace

import numpy as np
import pytest
from scipy import special, stats

from server.core.model.ladder import PRIOR_TRUST, PRIOR_WEIGHTS, fit_ladder
from server.core.model.quality import judge
from server.core.model.recipe_fit import _grid, _grid_log_posterior, fit_recipes
from server.core.model.recipes import RecipePrior, consecutive_fraction
from server.core.model.runs import FAILURE_SD, Beside, RunTable
from server.core.space.coordinates import encode
from server.core.space.units import convert
from server.core.space.variables import Role, Variable
from tests.factories import agent, bath, hold
from tests.reference import reference

VARIABLES = (hold(), bath(), agent("a", "b", "c"))
GRID: list[dict[str, float | str]] = [
    {"hold": h, "bath": t, "agent": a} for h in (0.5, 2.0, 6.0) for t in (100.0, 125.0, 150.0) for a in "abc"
]


def table(rows: list[dict[str, float | str]], yields: list[float], variables: tuple[Variable, ...] = VARIABLES) -> RunTable:
    coded = encode(variables, rows).reshape(len(rows), len(variables))
    n = len(rows)
    return RunTable(variables, coded, np.array(yields, dtype=float), np.zeros(n), tuple(range(1, n + 1)))


ROWS: list[dict[str, float | str]] = [
    {"hold": 2.0, "bath": 120.0, "agent": "a"},
    {"hold": 3.0, "bath": 130.0, "agent": "b"},
    {"hold": 1.0, "bath": 130.0, "agent": "a"},
    {"hold": 4.0, "bath": 115.0, "agent": "a"},
    {"hold": 2.0, "bath": 120.0, "agent": "a"},
]
YIELDS = [60.0, 72.0, 58.0, 66.0, 61.5]


def predicted(t: RunTable) -> np.ndarray:
    ladder = fit_ladder(t)
    mixture = ladder.predict(encode(t.variables, GRID) if t.variables is VARIABLES else encode(VARIABLES, GRID))
    return np.concatenate([mixture.mean, mixture.sd])


def test_the_order_of_runs_does_not_matter() -> None:
    order = [3, 0, 4, 2, 1]
    shuffled = table([ROWS[i] for i in order], [YIELDS[i] for i in order])
    np.testing.assert_array_equal(predicted(shuffled), predicted(table(ROWS, YIELDS)))


def test_units_do_not_matter() -> None:
    other = (hold("min", 30.0, 360.0, 30.0, 120.0), bath("K", 373.15, 423.15, 5.0, 393.15), VARIABLES[2])
    rows: list[dict[str, float | str]] = [
        {"hold": 60 * float(r["hold"]), "bath": convert(float(r["bath"]), "°C", "K"), "agent": r["agent"]} for r in ROWS
    ]
    plain = fit_ladder(table(ROWS, YIELDS)).predict(encode(VARIABLES, GRID))
    found = fit_ladder(table(rows, YIELDS, other)).predict(encode(VARIABLES, GRID))
    np.testing.assert_allclose(found.mean, plain.mean, atol=1e-6)
    np.testing.assert_allclose(found.sd, plain.sd, atol=1e-6)


def test_names_of_choices_do_not_matter() -> None:
    renamed = (VARIABLES[0], VARIABLES[1], agent("x", "y", "z"))
    rows: list[dict[str, float | str]] = [{**r, "agent": {"a": "x", "b": "y"}[str(r["agent"])]} for r in ROWS]
    np.testing.assert_array_equal(
        fit_ladder(table(rows, YIELDS, renamed)).predict(encode(VARIABLES, GRID)).mean,
        fit_ladder(table(ROWS, YIELDS)).predict(encode(VARIABLES, GRID)).mean,
    )


@pytest.mark.parametrize(
    ("rows", "yields"),
    [
        ([], []),
        (ROWS[:1], [60.0]),
        (ROWS[:2], [60.0, 72.0]),
        (ROWS, [60.0] * 5),
        ([ROWS[0]] * 4, [50.0, 60.0, 70.0, 80.0]),
        (ROWS[:3], [0.0, 0.0, 100.0]),
    ],
    ids=["none", "one", "two", "constant yield", "identical settings", "extremes"],
)
def test_any_runs_give_finite_predictions_without_a_warning(rows: list[dict[str, float | str]], yields: list[float]) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        ladder = fit_ladder(table(rows, yields))
        mixture = ladder.predict(encode(VARIABLES, GRID), with_noise=True)
        assert np.all(np.isfinite(mixture.mean))
        assert np.all(mixture.sd > 0)
    assert ladder.weights.sum() == pytest.approx(1.0)


def test_many_runs_stay_possible() -> None:
    rng = np.random.default_rng(0)
    rows: list[dict[str, float | str]] = [
        {"hold": float(h), "bath": float(t), "agent": str(a)}
        for h, t, a in zip(rng.uniform(0.5, 6, 200), rng.uniform(100, 150, 200), rng.choice(list("abc"), 200), strict=True)
    ]
    yields = [50 + 4 * float(r["hold"]) + float(rng.normal()) for r in rows]
    mean = fit_ladder(table(rows, yields)).predict(encode(VARIABLES, GRID)).mean
    truth = np.array([50 + 4 * float(r["hold"]) for r in GRID])
    assert np.sqrt(np.mean((mean - truth) ** 2)) < 1.5


def test_a_known_recipe_is_recovered() -> None:
    prior = RecipePrior(VARIABLES)
    parameters = prior.draw(1, np.random.default_rng(12))
    rng = np.random.default_rng(1)
    picks = rng.permutation(len(GRID))[:16]
    coded = encode(VARIABLES, GRID)
    truth = prior.yields(parameters, coded)[0]
    runs = RunTable(VARIABLES, coded[picks], truth[picks] + rng.normal(size=16), np.zeros(16), tuple(range(16)))
    rest = np.setdiff1d(np.arange(len(GRID)), picks)
    mixture = fit_ladder(runs).predict(coded[rest])
    error = np.sqrt(np.mean((mixture.mean - truth[rest]) ** 2))
    assert error < 0.5 * truth[rest].std()


def test_recipes_stay_between_0_and_100() -> None:
    prior = RecipePrior(VARIABLES)
    yields = prior.yields(prior.draw(500, np.random.default_rng(2)), encode(VARIABLES, GRID))
    assert yields.min() >= 0.0
    assert yields.max() <= 100.0


@pytest.mark.parametrize(("case", "published"), reference("F01")["published"]["cases"].items())
def test_consecutive_reactions_peak_where_the_closed_form_says(case: str, published: list[float]) -> None:
    # t_max = ln(k1/k2)/(k1 − k2), any physical chemistry text.
    k1, k2 = (float(part.split("=")[1]) for part in case.split(","))
    time, height = published
    at = consecutive_fraction(np.array([k1 * time]), np.array([k2 * time]))[0]
    assert at == pytest.approx(height, abs=1e-5)
    around = time * np.linspace(0.5, 1.5, 1001)
    assert around[int(np.argmax(consecutive_fraction(k1 * around, k2 * around)))] == pytest.approx(time, rel=2e-3)


def test_a_choice_of_twelve_options_and_identical_settings_with_different_yields() -> None:
    letters = tuple("abcdefghijkl")
    variables = (hold(), Variable("c", "c", Role.CHOICE, choices=letters, base="a"))
    rows: list[dict[str, float | str]] = [{"hold": 2.0, "c": c} for c in (*letters, "a", "a", "a")]
    yields = [50.0 + 2 * k for k in range(12)] + [45.0, 55.0, 50.0]
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        ladder = fit_ladder(table(rows, yields, variables))
        mixture = ladder.predict(encode(variables, rows[:12]))
    assert np.all(np.isfinite(mixture.mean))
    assert mixture.mean[11] > mixture.mean[0] + 5.0
    assert ladder.noise_sd > 2.0  # four runs with the same settings scatter by 4 points


def test_doubt_widens_only_when_left_out_forecasts_fail() -> None:
    rng = np.random.default_rng(3)
    rows = [GRID[i] for i in rng.permutation(len(GRID))[:14]]
    smooth = [50 + 3 * float(r["hold"]) + 0.1 * float(r["bath"]) + float(rng.normal()) for r in rows]
    assert fit_ladder(table(rows, smooth)).doubt < 1.05
    wild = [y + 25.0 * (-1) ** k for k, y in enumerate(smooth)]
    assert fit_ladder(table(rows, wild)).doubt > 1.05


def test_a_failed_run_is_no_reason_to_doubt_every_forecast() -> None:
    rng = np.random.default_rng(3)
    rows = [GRID[i] for i in rng.permutation(len(GRID))[:9]]
    smooth = [50 + 3 * float(r["hold"]) + 0.1 * float(r["bath"]) + float(rng.normal()) for r in rows]
    smooth[4] = 0.0
    told = table(rows, smooth)
    failed = replace(told, failed=np.arange(9) == 4, extra_sd=np.where(np.arange(9) == 4, FAILURE_SD, 0.0))
    taken_for_a_yield, marked = fit_ladder(told), fit_ladder(failed)
    assert taken_for_a_yield.doubt > 1.2
    assert marked.doubt < 1.05
    assert 0 < float(judge(marked).error or 0) < float(judge(taken_for_a_yield).error or 0)
    assert judge(marked).n_runs == 8
    # Nor does one choose between the models: they are judged by the runs that did not fail.
    assert marked.weights == pytest.approx(fit_ladder(failed.without_failures()).weights)


@pytest.mark.parametrize("rung", ["mean", "line", "pairs", "quadratic", "smooth"])
def test_the_evidence_is_that_of_one_run_after_the_other(rung: str) -> None:
    whole = table(ROWS[:4], [50.0, 62.0, 58.0, 71.0])
    whole = replace(whole, extra_sd=np.array([0.0, 1.0, 0.0, 3.0]))
    in_turn = 0.0
    for k in range(4):
        at = fit_ladder(whole.rows(np.arange(k)), rungs=(rung,)).rungs[0].predict(whole.coded[[k]], with_noise=True)
        sd = np.sqrt(at.variances[:, 0] + whole.extra_sd[k] ** 2)
        in_turn += float(np.log(at.weights @ stats.norm.pdf(whole.yields[k], at.means[:, 0], sd)))
    # Components that carry next to no weight are left out of predictions.
    assert fit_ladder(whole, rungs=(rung,)).rungs[0].evidence == pytest.approx(in_turn, abs=0.05)


def test_the_evidence_of_recipes_is_that_of_plain_draws() -> None:
    two = table(ROWS[:2], [50.0, 62.0])
    prior = RecipePrior(two.variables)
    grid = _grid(two)
    plain = []
    for seed in range(5):
        drawn = prior.yields(prior.draw(4000, np.random.default_rng(seed)), two.coded)
        plain.append(special.logsumexp(_grid_log_posterior(grid, two.yields - drawn)) - np.log(4000))
    tempered = [fit_recipes(two, np.random.default_rng(seed)).evidence for seed in range(12)]
    assert np.std(plain) < 0.1
    assert np.mean(tempered) == pytest.approx(np.mean(plain), abs=0.15)


def test_models_are_weighed_by_what_one_run_told_them_of_the_others() -> None:
    told = table(ROWS[:5], [50.0, 62.0, 58.0, 71.0, 66.0])
    ladder = fit_ladder(told)
    nothing = fit_ladder(told.rows(np.empty(0, dtype=int)))
    scores = []
    for one, before in zip(ladder.rungs, nothing.rungs, strict=True):
        at = before.predict(told.coded, with_noise=True)
        single = np.log(at.weights @ stats.norm.pdf(told.yields, at.means, np.sqrt(at.variances)))
        scores.append(np.log(PRIOR_WEIGHTS[one.name]) + one.evidence - single.mean())
    assert ladder.weights == pytest.approx(special.softmax(scores))
    # Before there are three, the prior holds.
    assert fit_ladder(told.rows(np.arange(2))).weights == pytest.approx(nothing.weights)


def test_ranges_widen_to_what_really_happened() -> None:
    # Repeats that scatter far beyond any prior on repeatability (at most 6 points):
    # half of them must still be possible results of the next one.
    ladder = fit_ladder(table([ROWS[0]] * 8, [20.0, 90.0] * 4))
    next_run = ladder.predict(ladder.table.coded[:1], with_noise=True)
    assert next_run.quantile(0.05)[0] < 35.0
    assert next_run.quantile(0.95)[0] > 75.0


@pytest.mark.parametrize("rung", ["line", "pairs", "quadratic", "smooth"])
@pytest.mark.parametrize("variables", [(hold(),), (hold(), bath()), VARIABLES])
def test_before_any_run_the_middle_is_a_better_bet_than_the_ends(rung: str, variables: tuple[Variable, ...]) -> None:
    empty = RunTable(variables, np.empty((0, len(variables))), np.empty(0), np.empty(0), ())
    points = np.full((3, len(variables)), 0.5)
    points[1:, [not v.is_choice for v in variables]] = [[0.0], [1.0]]
    points[:, [v.is_choice for v in variables]] = 0.0
    mean = fit_ladder(empty, rungs=(rung,)).predict(points).mean
    d = sum(not v.is_choice for v in variables)
    # By hand: d ends, each the mean of 5, 10 and 20 points over √d below the middle.
    assert mean[0] - mean[1:] == pytest.approx(2 * [d * 35.0 / 3.0 / d**0.5])
    assert fit_ladder(empty, rungs=(rung,), losses=(0.0,)).predict(points).mean == pytest.approx(3 * [55.0])


def test_runs_overrule_the_loss_at_the_ends() -> None:
    rows: list[dict[str, float | str]] = [{"hold": h} for h in (0.5, 2.0, 3.5, 5.0, 6.0)]
    yields = [10.0 + 12.0 * float(r["hold"]) for r in rows]
    t = table(rows, yields, (hold(),))
    ends = np.array([[0.0], [1.0]])
    with_losses, without = fit_ladder(t).predict(ends).mean, fit_ladder(t, losses=(0.0,)).predict(ends).mean
    assert with_losses == pytest.approx(without, abs=1.0)
    smooth = fit_ladder(t, rungs=("smooth",)).rungs[0]
    # Weight goes from the largest loss to the smallest.
    shares = np.sum([g.weights for g in smooth.groups], axis=0)
    assert shares[0] > shares[1] > shares[2]


def told(shift: float) -> tuple[RunTable, Beside]:
    """Six runs on a straight line, and what each implies for another drying agent; ``shift`` puts that off the line."""
    holds = (0.5, 1.5, 2.5, 3.5, 4.5, 6.0)
    rows: list[dict[str, float | str]] = [{"hold": h, "bath": 120.0, "agent": "a"} for h in holds]
    yields = [50.0 + 40.0 * float(x) for x in encode(VARIABLES, rows)[:, 0]]
    runs = table(rows, yields)
    # Next to the runs' own places, so that the runs can contradict it.
    beside = encode(VARIABLES, [{**row, "bath": 125.0} for row in rows])
    signs = np.array([1.0, -1.0] * 3)
    implied = RunTable(VARIABLES, beside, np.array(yields) + shift * signs, np.full(6, 3.0), tuple(-n for n in runs.numbers))
    return runs, Beside(implied, tuple(frozenset((n,)) for n in runs.numbers))


def test_evidence_beside_the_runs_is_trusted_as_far_as_it_predicts_them() -> None:
    runs, fitting = told(0.0)
    good, plain = fit_ladder(runs, beside=fitting), fit_ladder(runs)
    _, contradicting = told(25.0)
    bad = fit_ladder(runs, beside=contradicting)
    assert good.trust > PRIOR_TRUST
    assert bad.trust < 0.1
    assert plain.trust == 0.0
    np.testing.assert_array_equal(bad.weights, plain.weights)
    at = encode(VARIABLES, [{"hold": 3.0, "bath": 125.0, "agent": "a"}])
    assert bad.predict(at).mean[0] == pytest.approx(plain.predict(at).mean[0], abs=2.0)
    assert good.predict(at).sd[0] < plain.predict(at).sd[0]
    # Before there are runs to judge it, the trust is the prior one.
    first = runs.rows(np.array([0, 1]))
    assert fit_ladder(first, beside=fitting).trust == PRIOR_TRUST


def test_a_failed_run_has_no_say_in_how_far_evidence_is_trusted() -> None:
    runs, fitting = told(3.0)
    alone = fit_ladder(runs, beside=fitting)
    at = encode(VARIABLES, [{"hold": 1.0, "bath": 145.0, "agent": "b"}])
    failed = RunTable(VARIABLES, at, np.array([1.0]), np.array([3.0]), (7,), np.array([True]))
    with_it = runs.joined_with(failed)
    # Nor has what was worked out from it, far off as it is.
    elsewhere = encode(VARIABLES, [{"hold": 2.0, "bath": 125.0, "agent": "a"}])
    far = RunTable(VARIABLES, elsewhere, np.array([2.0]), np.array([3.0]), (-7,))
    for beside in (fitting, fitting.joined_with(Beside(far, (frozenset((7,)),)))):
        assert fit_ladder(with_it, beside=beside).trust == alone.trust
        # What was fitted already gives the same.
        usual = fit_ladder(runs, beside=beside.without_failures(with_it))
        taken, anew = fit_ladder(with_it, beside=beside, without_failures=usual), fit_ladder(with_it, beside=beside)
        np.testing.assert_allclose(taken.weights, anew.weights, rtol=1e-12)
        assert taken.trust == anew.trust
        at = encode(VARIABLES, GRID)
        np.testing.assert_allclose(taken.predict(at).mean, anew.predict(at).mean, rtol=1e-12)
    only = Beside(far, (frozenset((7,)),))
    assert fit_ladder(with_it, beside=only).trust == PRIOR_TRUST


def test_the_order_of_evidence_does_not_matter() -> None:
    runs, fitting = told(3.0)
    order = np.array([4, 1, 5, 0, 2, 3])
    shuffled = Beside(fitting.table.rows(order), tuple(fitting.rests_on[i] for i in order))
    at = encode(VARIABLES, GRID)
    one, other = fit_ladder(runs, beside=fitting), fit_ladder(runs, beside=shuffled)
    assert one.trust == other.trust
    np.testing.assert_array_equal(one.predict(at).mean, other.predict(at).mean)


def test_what_was_worked_out_from_a_run_does_not_speak_for_itself() -> None:
    # Every run says of its own settings what it gave there: nothing that predicts the other runs any better.
    runs, _ = told(0.0)
    bent = np.array([5.0, -5.0, 4.0, -6.0, 5.0, -4.0])
    uneven = RunTable(runs.variables, runs.coded, runs.yields + bent, runs.extra_sd, runs.numbers)
    own = RunTable(uneven.variables, uneven.coded, uneven.yields, np.full(6, 1.0), tuple(-n for n in uneven.numbers))
    found = fit_ladder(uneven, beside=Beside(own, tuple(frozenset((n,)) for n in uneven.numbers)))
    assert found.trust < PRIOR_TRUST
    # The same rows said to come from elsewhere know every run in advance.
    elsewhere = fit_ladder(uneven, beside=Beside(own, (frozenset((99,)),) * 6))
    assert elsewhere.trust > 0.995


def test_averages_with_evidence_beside_are_averages() -> None:
    runs, fitting = told(6.0)
    ladder = fit_ladder(runs, beside=fitting)
    assert 0.05 < ladder.trust < 0.95
    at = encode(VARIABLES, GRID)
    mixture = ladder.predict(at)
    assert mixture.weights.sum() == pytest.approx(1.0, abs=1e-12)
    assert ladder.difference(at[:1], at).weights.sum() == pytest.approx(1.0, abs=1e-12)
    draws = ladder.draw(at, 4000, np.random.default_rng(1))
    np.testing.assert_allclose(draws.mean(axis=0), mixture.mean, atol=0.12 * mixture.sd.max())
    np.testing.assert_allclose(draws.std(axis=0), mixture.sd, rtol=0.15)
    assert fit_ladder(runs, beside=fitting, trust=0.25).trust == 0.25
