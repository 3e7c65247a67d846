"""Effects: how much the yield changes when one variable crosses the range that was tried.

The others are held at the working recipe. Intervals come from the averaged models,
so they contain the doubt about the model as well as the scatter of the runs. Where
the best of what was tried lies between the ends, both ends are compared with it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from scipy import stats

from server.core.model.knowable import Knowable, Tie, what_is_knowable
from server.core.model.ladder import Ladder
from server.core.model.mixture import Mixture
from server.core.model.runs import RunTable
from server.core.space.units import plain
from server.core.space.variables import FloatArray, Variable

FEWEST_RUNS_FOR_EFFECTS = 3
# Probability of the sign from which an effect counts as clear or likely (own convention).
CLEAR_PROBABILITY = 0.95
# With fewer runs that did not fail nothing is called clear: it would rest on single comparisons and an assumed
# scatter. The same holds while no run repeats another one and there are hardly more runs than variables that moved, and
# where there are too few to separate these, or to tell whether a variable follows from the others (own convention).
FEWEST_RUNS_FOR_CLEAR = 5
_RUNS_BESIDE_VARIABLES = 2
LIKELY_PROBABILITY = 0.90
_DRAWS = 4000
# Changes smaller than this are not worth a word. [percentage points]
SMALL_EFFECT = 0.5


class Evidence(StrEnum):
    """How well an effect is supported."""

    CLEAR = "clear"
    LIKELY = "likely"
    NOT_SHOWN = "not shown"
    CANNOT_TELL = "cannot be told apart"
    NEVER_MOVED = "never moved"
    TOO_FEW_RUNS = "too few runs"


@dataclass(frozen=True)
class Effect:
    """Effect of one variable. [percentage points]

    Numbers are None where nothing can be said. ``from_label`` and ``to_label`` are
    the two settings compared; ``partners`` the names of variables from which it
    cannot be told apart.
    """

    key: str
    name: str
    evidence: Evidence
    sentence: str
    change: float | None = None
    low_50: float | None = None
    high_50: float | None = None
    low_90: float | None = None
    high_90: float | None = None
    probability_of_sign: float | None = None
    from_label: str = ""
    to_label: str = ""
    partners: tuple[str, ...] = ()


def find_effects(
    ladder: Ladder,
    working: FloatArray,
    raw: list[list[float | str]],
    what: str = "the yield",
    without: Ladder | None = None,
) -> tuple[Effect, ...]:
    """Compute the effect of every variable, strongest evidence first.

    Parameters
    ----------
    ladder : Ladder
    working : ndarray of shape (n_variables,)
        Coded settings of the working recipe.
    raw : list of n_runs rows of n_variables settings
        As-run settings in the order of ``ladder.table``; for wording the ranges tried.
    what : str
        What the table holds, in words that fit after 'raised'.
    without : Ladder or None
        Models of the runs that did not fail: what only failed runs tell is never clear.
    """
    table = ladder.table
    knowable = what_is_knowable(table)
    found = [
        _effect(ladder, j, v, working, [row[j] for row in raw], knowable, what, without) for j, v in enumerate(table.variables)
    ]
    return by_evidence(found)


def by_evidence(effects: Sequence[Effect]) -> tuple[Effect, ...]:
    """Effects with the strongest evidence first, the larger ones first among equals."""
    rank = {e: k for k, e in enumerate(Evidence)}
    return tuple(sorted(effects, key=lambda e: (rank[e.evidence], -abs(e.change or 0.0))))


def _effect(
    ladder: Ladder,
    j: int,
    v: Variable,
    working: FloatArray,
    raw: list[float | str],
    knowable: Knowable,
    what: str,
    without: Ladder | None,
) -> Effect:
    table = ladder.table
    if (untold := _untold(table, j, v, raw, knowable)) is not None:
        return untold
    # One option alone has none to be compared with: then the choice as a whole cannot be told apart.
    is_apart = len(knowable.comparable.get(j, ())) > 1
    levels = np.array(knowable.comparable[j]) if is_apart else np.unique(table.coded[:, j])
    levels, left_out = _without_failed_options(table, j, v, levels)
    low, high, from_label, to_label, beyond = _ends(ladder, j, v, working, raw, levels)
    change = ladder.difference(low[None], high[None])
    tried = len(levels)
    # Of the options of a choice the worst and the best are compared, picked from all pairs.
    comparisons = tried * (tried - 1) // 2 if v.is_choice else 1
    numbers = summarise(change, comparisons)
    if not is_apart and (partners := tuple(table.variables[k].name for k in _tied_with(knowable, j))):
        sentence = (
            f"{v.name}: cannot be told apart from {listed(partners)}, because {moved_words(len(partners) + 1)}, or nearly so, "
            f"in the {table.n_runs} runs. A run that moves them against each other would settle it."
        )
        return Effect(v.key, v.name, Evidence.CANNOT_TELL, sentence, from_label=from_label, to_label=to_label, partners=partners)
    mean, probability = numbers["change"], numbers["probability_of_sign"]
    only_failed = _rests_on_failures(table, j, (low[j], high[j]))
    top = None if v.is_choice or only_failed else _top(without or ladder, j, working, (low[j], high[j]), table, knowable)
    runs = f"is only run {beyond[0]}" if len(beyond) == 1 else f"are only runs {listed([str(n) for n in beyond])}"
    tied = f" {_left_out(table, knowable, j, levels)}" if is_apart else ""
    more = tied + (f" Outside this range there {runs}, which failed." if beyond else "") + left_out
    hidden, resting = "", None
    if without is not None and not only_failed:
        hidden = _clear_without(without, j, low, high, comparisons, table)
        resting = _resting(without, table, knowable, j, low, high, mean, comparisons)
    can_be_clear = _can_be_clear(table, knowable, j) and not only_failed and resting is None
    evidence = _evidence(mean, probability, can_be_clear)
    rests = resting.words if resting is not None and evidence is Evidence.LIKELY else ""
    if rests and resting is not None and resting.may_be_chance:
        evidence = Evidence.NOT_SHOWN
    if top is not None and (top.evidence is evidence or evidence not in (Evidence.CLEAR, Evidence.LIKELY)):
        inside = _highest_inside(v, top, (from_label, to_label), _label_of(table, raw, j, top.level), what)
        return replace(inside, sentence=inside.sentence + more)
    sentence = _change_words(v, evidence, (from_label, to_label), numbers, what, tried if comparisons > 1 else 0)
    if top is not None:
        sentence += f" In between, near {_label_of(table, raw, j, top.level)}, it is {top.sureness} higher than at both."
    if only_failed and evidence is Evidence.LIKELY:
        sentence += " One of the two was seen in failed runs only, where something else may have gone wrong."
    if evidence is not Evidence.CLEAR:
        sentence += hidden or rests
    sentence += more
    return Effect(v.key, v.name, evidence, sentence, from_label=from_label, to_label=to_label, **numbers)  # type: ignore[arg-type]


def _untold(table: RunTable, j: int, v: Variable, raw: list[float | str], knowable: Knowable) -> Effect | None:
    """That nothing is known about a variable that never moved, or from so few runs; None where something may be."""
    if j in knowable.never_moved:
        about = "" if len(set(raw)) == 1 else "about "
        where = f" It was always {about}{_label(v, raw[0])}." if raw else ""
        return Effect(v.key, v.name, Evidence.NEVER_MOVED, f"{v.name}: never moved, so nothing is known about its effect.{where}")
    if table.n_runs < FEWEST_RUNS_FOR_EFFECTS:
        sentence = f"{v.name}: {table.n_runs} runs so far; effects need at least {FEWEST_RUNS_FOR_EFFECTS}."
        return Effect(v.key, v.name, Evidence.TOO_FEW_RUNS, sentence)
    return None


def _without_failed_options(table: RunTable, j: int, v: Variable, levels: FloatArray) -> tuple[FloatArray, str]:
    """Options of a choice that runs had which did not fail, where there are two, and what is said of the others."""
    if not v.is_choice:
        return levels, ""
    column = table.coded[:, j]
    kept = np.array([x for x in levels if np.any(~table.failed & (column == x))])
    if len(kept) < 2 or len(kept) == len(levels):
        return levels, ""
    gone = [x for x in levels if x not in kept]
    numbers = sorted(n for n, x in zip(table.numbers, column, strict=True) if x in gone)
    runs = f"run {numbers[0]}, which" if len(numbers) == 1 else f"runs {listed([str(n) for n in numbers])}, which"
    return kept, f" {listed([v.choices[int(x)] for x in gone])} {'was' if len(gone) == 1 else 'were'} used only in {runs} failed."


def _evidence(change: float, probability: float, can_be_clear: bool) -> Evidence:
    """How far a change is shown, given the probability of its sign."""
    if abs(change) < SMALL_EFFECT or probability < LIKELY_PROBABILITY:
        return Evidence.NOT_SHOWN
    return Evidence.CLEAR if can_be_clear and probability >= CLEAR_PROBABILITY else Evidence.LIKELY


def _change_words(
    v: Variable, evidence: Evidence, ends: tuple[str, str], numbers: dict[str, float], what: str, picked_of: int
) -> str:
    """The change from one end to the other in a sentence; ``picked_of`` options where the two were picked, else 0."""
    change = numbers["change"]
    direction = "raised" if change > 0 else "lowered"
    span = f"from {ends[0]} to {ends[1]}"
    of = f", worst against best of {picked_of}" if picked_of else ""
    ranges = f"(90 % range {signed(numbers['low_90'])} to {signed(numbers['high_90'])}{of})"
    if evidence is Evidence.CLEAR:
        return f"{v.name}: going {span} clearly {direction} {what}, by {abs(change):.1f} points {ranges}."
    if evidence is Evidence.LIKELY:
        return f"{v.name}: going {span} likely {direction} {what}, by about {abs(change):.1f} points {ranges}."
    return f"{v.name}: no effect shown yet going {span}; {signed(change)} points {ranges}."


@dataclass(frozen=True)
class _Top:
    """The best level tried between the ends: its coded value, how probable it is that it beats both, and by how much."""

    level: float
    evidence: Evidence
    probability: float
    from_low: dict[str, float]
    from_high: dict[str, float]

    @property
    def sureness(self) -> str:
        return "clearly" if self.evidence is Evidence.CLEAR else "likely"


def _can_be_clear(table: RunTable, knowable: Knowable, j: int) -> bool:
    """Whether there are runs enough for the effect of a variable to be clear."""
    n = int(np.sum(~table.failed))
    is_measured = knowable.n_repeats > 0 or n > knowable.n_moved + _RUNS_BESIDE_VARIABLES
    return n >= FEWEST_RUNS_FOR_CLEAR and is_measured and j not in knowable.unjudged and not knowable.too_few_words(table.n_runs)


def _top(
    ladder: Ladder, j: int, working: FloatArray, ends: tuple[float, float], table: RunTable, knowable: Knowable
) -> _Top | None:
    """The level tried between the ends that is likely better than both; None where there is none.

    Notes
    -----
    How sure it is follows from joint draws of the three yields. Because the level was picked from all between,
    ranges and probabilities allow for that (Bonferroni).
    """
    usual = table.without_failures().coded[:, j]
    inside = np.unique(usual[(usual > ends[0] + 1e-9) & (usual < ends[1] - 1e-9)])
    if len(inside) == 0:
        return None
    rows = np.tile(working, (len(inside), 1))
    rows[:, j] = inside
    level = float(inside[int(np.argmax(ladder.predict(rows).mean))])
    low, best, high = (np.array([*working[:j], x, *working[j + 1 :]])[None] for x in (ends[0], level, ends[1]))
    sides = [summarise(ladder.difference(end, best), len(inside)) for end in (low, high)]
    draws = ladder.draw(np.vstack([low, best, high]), _DRAWS, np.random.default_rng(0))
    is_highest = float(np.mean((draws[:, 1] > draws[:, 0]) & (draws[:, 1] > draws[:, 2])))
    sureness = 1.0 - len(inside) * (1.0 - is_highest)
    if any(side["change"] < SMALL_EFFECT for side in sides) or sureness < LIKELY_PROBABILITY:
        return None
    is_clear = sureness >= CLEAR_PROBABILITY and _can_be_clear(table, knowable, j)
    return _Top(level, Evidence.CLEAR if is_clear else Evidence.LIKELY, sureness, *sides)


def _highest_inside(v: Variable, top: _Top, ends: tuple[str, str], at: str, what: str) -> Effect:
    """The effect of a variable whose best level lies between the ends, told from the worse end to the best level."""
    is_low = top.from_low["change"] >= top.from_high["change"]
    numbers = {**(top.from_low if is_low else top.from_high), "probability_of_sign": top.probability}
    lower = [
        f"{side['change']:.1f} points lower at {end} (90 % range {signed(side['low_90'])} to {signed(side['high_90'])})"
        for side, end in zip((top.from_low, top.from_high), ends, strict=True)
    ]
    sentence = f"{v.name}: {what} is {top.sureness} highest near {at}; {' and '.join(lower)}."
    from_label = ends[0] if is_low else ends[1]
    return Effect(v.key, v.name, top.evidence, sentence, from_label=from_label, to_label=at, **numbers)  # type: ignore[arg-type]


def _label_of(table: RunTable, raw: list[float | str], j: int, level: float) -> str:
    """A tried level in the unit of its variable."""
    at = int(np.argmin(np.abs(table.coded[:, j] - level)))
    return _label(table.variables[j], raw[at])


def _clear_without(without: Ladder, j: int, low: FloatArray, high: FloatArray, comparisons: int, table: RunTable) -> str:
    """That the runs that did not fail show the effect clearly by themselves; empty where they do not."""
    alone = summarise(without.difference(low[None], high[None]), comparisons)
    is_clear = alone["probability_of_sign"] >= CLEAR_PROBABILITY and abs(alone["change"]) >= SMALL_EFFECT
    if not is_clear or not _can_be_clear(without.table, what_is_knowable(without.table), j):
        return ""
    ranges = f"{signed(alone['change'])} points (90 % range {signed(alone['low_90'])} to {signed(alone['high_90'])})"
    return f" Without {_failed_runs(table)}, which failed, it is clear: {ranges}."


def _failed_runs(table: RunTable) -> str:
    return runs_text(sorted(n for n, has in zip(table.numbers, table.failed, strict=True) if has))


@dataclass(frozen=True)
class _Resting:
    """What is said of an effect that only failed runs show, and whether these may lie where they do by chance."""

    words: str
    may_be_chance: bool


def _resting(
    without: Ladder,
    table: RunTable,
    knowable: Knowable,
    j: int,
    low: FloatArray,
    high: FloatArray,
    mean: float,
    comparisons: int,
) -> _Resting | None:
    """What it means that only failed runs show an effect; None where the others agree with it.

    Notes
    -----
    A run that failed for another reason makes every variable that was off in it look as if it mattered. It counts only
    where the failures lie at one end, or at one option, more than chance would have it: by the rank-sum test (Mann and
    Whitney, Ann. Math. Stat. 18 (1947) 50) or Fisher's exact one, allowing for the number of variables that moved and of
    the options that were compared (Bonferroni). Where the other runs show the opposite, it never counts.
    """
    change = without.difference(low[None], high[None])
    if _agrees(change, mean, comparisons):
        return None
    rests, without_them = (
        f"rests on {_failed_runs(table)}, which failed",
        f"without {'it' if table.failed.sum() == 1 else 'them'}",
    )
    if _agrees(change, -mean, comparisons) and abs(float(change.mean[0])) >= SMALL_EFFECT:
        return _Resting(f" What there is {rests}: {without_them}, the opposite is likely.", True)
    column, failed = table.coded[:, j], table.failed
    if table.variables[j].is_choice:
        ends = [column == level for level in (low[j], high[j])]
        p = stats.fisher_exact([[int(np.sum(at & failed)), int(np.sum(at & ~failed))] for at in ends]).pvalue
    else:
        p = stats.mannwhitneyu(column[failed], column[~failed]).pvalue
    if float(p) * knowable.n_moved * comparisons > 1.0 - LIKELY_PROBABILITY + 1e-9:
        return _Resting(f" What there is {rests}, perhaps by chance at such settings: {without_them}, none is shown.", True)
    return _Resting(f" It {rests}: {without_them}, none is shown.", False)


def _agrees(change: Mixture, mean: float, comparisons: int) -> bool:
    """Whether a change, picked from so many pairs, likely has the direction of ``mean``."""
    found = summarise(change, comparisons)
    return found["probability_of_sign"] >= LIKELY_PROBABILITY and (found["change"] > 0) == (mean > 0)


def _tied_with(knowable: Knowable, j: int) -> tuple[int, ...]:
    """The variables with which this one moved together, or options of it are tied."""
    return knowable.partners(j) or tuple(
        tie.second if tie.first == j else tie.first for tie in knowable.ties if j in (tie.first, tie.second)
    )


def _left_out(table: RunTable, knowable: Knowable, j: int, levels: FloatArray) -> str:
    """Which options of a choice are not compared, because they are tied to those of another."""
    v = table.variables[j]
    rest = [v.choices[int(x)] for x in np.unique(table.coded[:, j]) if x not in levels]
    names = listed([table.variables[k].name for k in _tied_with(knowable, j)])
    return (
        f"{listed(rest)} cannot be told apart from what goes along in {names}, and {'is' if len(rest) == 1 else 'are'} left out."
    )


def tie_words(table: RunTable, tie: Tie) -> str:
    """What is tied in two choices, as a sentence."""
    a, b = table.variables[tie.first], table.variables[tie.second]
    if tie.pairs:
        named = listed([f"{a.name} {a.choices[int(x)]} with {b.name} {b.choices[int(y)]}" for x, y in tie.pairs])
        were = "was" if len(tie.pairs) == 1 else "were"
        # Ties are those of the runs that did not fail.
        pairs, failed = table.coded[:, [tie.first, tie.second]], table.failed
        broken = np.zeros(table.n_runs, dtype=bool)
        for both in tie.pairs:
            broken |= (pairs == both).any(axis=1) & ~(pairs == both).all(axis=1)
        apart = [str(n) for n, is_apart in zip(table.numbers, broken & failed, strict=True) if is_apart]
        but = f" apart from failed run{'s' if len(apart) > 1 else ''} {listed(apart)}" if apart else ""
        return f"{named} {were} only ever used together{but}, so which of the two did it cannot be told."
    return f"Some options of {a.name} and {b.name} went along in all runs, so they cannot be told apart."


def moved_words(count: int) -> str:
    """How variables moved that cannot be told apart."""
    return "they moved together" if count == 2 else "they moved together or follow from one another"


def _rests_on_failures(table: RunTable, column: int, levels: tuple[float, float]) -> bool:
    """Whether a setting was seen in failed runs only: something else may have gone wrong there."""
    usual = table.without_failures().coded[:, column]
    return any(not np.any(np.abs(usual - level) < 1e-9) for level in levels)


def listed(names: Sequence[str]) -> str:
    """Names in a sentence.

    Examples
    --------
    >>> listed(["water"]), listed(["water", "ethanol", "ether"])
    ('water', 'water, ethanol and ether')
    """
    return f"{', '.join(names[:-1])} and {names[-1]}" if len(names) > 1 else "".join(names)


def signed(value: float, decimals: int = 1) -> str:
    """A difference with its sign, the minus as a minus.

    Examples
    --------
    >>> signed(-3.25), signed(4.0), signed(0.014, 2), signed(-0.01)
    ('−3.2', '+4.0', '+0.01', '0.0')
    """
    text = f"{value:+.{decimals}f}"
    return text[1:] if float(text) == 0.0 else text.replace("-", "−")


def runs_text(numbers: Sequence[int]) -> str:
    """Runs by their numbers, in words.

    Examples
    --------
    >>> runs_text([3]), runs_text([3, 5])
    ('run 3', 'runs 3 and 5')
    """
    return f"run{'' if len(numbers) == 1 else 's'} {listed([str(n) for n in numbers])}"


def points_text(value: float) -> str:
    """A number of percentage points in words.

    Examples
    --------
    >>> points_text(1.0), points_text(0.5), points_text(2)
    ('1 point', '0.5 points', '2 points')
    """
    return f"{value:g} point{'' if value == 1 else 's'}"


def summarise(change: Mixture, comparisons: int = 1) -> dict[str, float]:
    """Mean, 50 % and 90 % range and probability of the sign of a one-column mixture.

    Yields end at 0 and 100, so no change is larger than that: numbers are cut there.

    Parameters
    ----------
    comparisons : int
        From how many pairs this one was picked because it differs most.

    Notes
    -----
    Bonferroni's method for the 90 % range and the probability (NIST/SEMATECH e-Handbook 7.4.7.3): the tails
    are shared among all pairs, or the largest of many differences by chance would look like one that was
    foreseen. The 50 % range is that of the pair alone.
    """
    above = float(change.probability_above(0.0)[0])
    tail_50, tail_90 = 0.25, 0.05 / comparisons
    found = {
        "change": float(change.mean[0]),
        "low_50": float(change.quantile(tail_50)[0]),
        "high_50": float(change.quantile(1.0 - tail_50)[0]),
        "low_90": float(change.quantile(tail_90)[0]),
        "high_90": float(change.quantile(1.0 - tail_90)[0]),
    }
    cut = {k: min(max(x, -100.0), 100.0) for k, x in found.items()}
    return {**cut, "probability_of_sign": max(0.5, 1.0 - comparisons * min(above, 1.0 - above))}


def _ends(
    ladder: Ladder, j: int, v: Variable, working: FloatArray, raw: list[float | str], levels: FloatArray
) -> tuple[FloatArray, FloatArray, str, str, list[int]]:
    """Return the two rows to compare and their labels: lowest against highest tried, or worst against best of ``levels``.

    Numbers count where runs did not fail, if there are two: beyond, several variables may have been moved
    at once in a failed run, and nobody knows which of them did it. Last, the failed runs outside of that.
    """
    column = ladder.table.coded[:, j]
    first, last = working.copy(), working.copy()
    if v.is_choice:
        rows = np.tile(working, (len(levels), 1))
        rows[:, j] = levels
        means = ladder.predict(rows).mean
        first[j], last[j] = levels[int(np.argmin(means))], levels[int(np.argmax(means))]
        return first, last, v.choices[int(first[j])], v.choices[int(last[j])], []
    numbers = np.array([float(r) for r in raw])
    usual = ~ladder.table.failed
    if not np.any(usual) or np.ptp(column[usual]) < 1e-9:
        usual = np.ones(len(column), dtype=bool)
    first[j], last[j] = column[usual].min(), column[usual].max()
    outside = (column < first[j] - 1e-9) | (column > last[j] + 1e-9)
    beyond = sorted(n for n, is_out in zip(ladder.table.numbers, outside, strict=True) if is_out)
    return first, last, _label(v, float(numbers[usual].min())), _label(v, float(numbers[usual].max())), beyond


def _label(v: Variable, value: float | str) -> str:
    return str(value) if v.is_choice else f"{plain(float(value), 6)} {v.unit}".rstrip()
