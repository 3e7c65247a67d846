"""The next run: settings for a purpose, with a forecast and the reason.

The purposes are different questions to the same models: raise the yield (expected
improvement over the working recipe, allowing for noise), find out (most to learn),
repeat (is the best run luck?), shorten (same yield in fewer hours, or with less of a material).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import cached_property

import numpy as np

from server.core.choose.changes import Changes, changes_in_words, meant_changes, what_changes_bring
from server.core.choose.gain import chance_of_gain, expected_gain, percent_words
from server.core.choose.opening import OPENING_RUNS, distances, is_middle, next_opening_run
from server.core.choose.search import Score, best_reachable, index_of, nearest_reachable, with_fewest_changes
from server.core.model.effects import points_text, runs_text
from server.core.model.ladder import Ladder, fit_ladder
from server.core.model.mixture import Mixture
from server.core.model.runs import Beside, RunTable
from server.core.space.coordinates import encode
from server.core.space.limits import Reach, Space, StockRule, reach_of
from server.core.space.units import convert, duration_text, plain
from server.core.space.variables import FloatArray, Role, Setting, Settings, Variable
from server.errors import NothingReachableError

# Half-width of the doubt about a run's mean that the working recipe has to carry. [sd]
_CAUTION = 0.3
MOST_AT_ONCE = 8
# Farthest that 'raise the yield' goes from the working recipe in one run. [coded range of a variable] Models fitted to
# a few runs promise most at the ends of the ranges, far from every run; that is where they are wrong.
LARGEST_MOVE = 0.35
# Closer than this to a run that is planned or under way, a run to raise the yield teaches next to nothing beside it.
# [coded distance; another option of a choice is never close]
APART = 0.15
# Farther below the working recipe than this, nobody will work: what is learned there helps little. [percentage points]
WORTH_KNOWING = 20.0
# Less than this share of what the working recipe takes is not worth a run. (Own judgement.)
SMALLEST_SAVING = 0.02
# Less than this expected gain is none. [percentage points]
SMALLEST_GAIN = 1e-3
# A run that changes less is offered beside a proposal where it keeps this share of the expected gain. It is easier to
# make and to understand, but changes that bring little by themselves teach: always taken, it costs after 8 and 12 runs
# (compared on the simulated preparations).
MOST_OF_GAIN = 0.8
# Score of settings that do not serve the purpose at all.
NEVER = -1e6


class Purpose(StrEnum):
    """What a proposed run is for."""

    RAISE = "raise"
    FIND_OUT = "find_out"
    REPEAT = "repeat"
    SHORTEN = "shorten"


PURPOSE_WORDS = {
    Purpose.RAISE: "raise the yield",
    Purpose.FIND_OUT: "find out",
    Purpose.REPEAT: "repeat",
    Purpose.SHORTEN: "shorten",
}


@dataclass(frozen=True)
class Forecast:
    """Forecast of a run's yield, repeatability included. [%]"""

    mean: float
    low_50: float
    high_50: float
    low_90: float
    high_90: float
    clipped: bool

    @classmethod
    def of(cls, mixture: Mixture, column: int = 0) -> Forecast:
        """Read the forecast from one column of a mixture.

        Yields end at 0 and 100: the mean is that of results cut there, ranges are cut, and ``clipped`` says so.
        """
        one = Mixture(mixture.weights, mixture.means[:, [column]], mixture.variances[:, [column]])
        low_90, low_50, high_50, high_90 = (float(one.quantile(q)[0]) for q in (0.05, 0.25, 0.75, 0.95))
        values = [low_50, high_50, low_90, high_90]
        cut = [float(np.clip(v, 0.0, 100.0)) for v in values]
        mean = float(one.mean_between(0.0, 100.0)[0])
        return cls(mean, cut[0], cut[1], cut[2], cut[3], cut != values)


@dataclass(frozen=True)
class Proposal:
    """A suggested run.

    ``chance_to_beat`` is the probability that its true yield lies above that of the
    working recipe (None before there is one, and for its own settings); ``new_ground`` says in words which
    settings lie outside what has been tried; ``hold_hours`` is the sum of its hold
    times (None if no variable is a hold time). ``changes`` says what each change of the working recipe brings, where
    there are several and the run is to raise the yield.
    """

    settings: dict[str, Setting]
    purpose: Purpose
    forecast: Forecast
    chance_to_beat: float | None
    reason: str
    new_ground: tuple[str, ...]
    hold_hours: float | None
    is_opening: bool
    changes: Changes | None = None


@dataclass(frozen=True)
class History:
    """All that counts for a proposal: informative runs, and settings that are planned or under way.

    ``beside`` is evidence that is no run, see ``fit_ladder``. ``stock`` is what is left of the materials
    for further runs; it limits where these go, not which run is the working recipe. ``doubtful`` says which runs
    are not the working recipe where there are others, by default none. ``idle`` are choices with a number at whose zero they
    say nothing, such as the additive and how much of it: (key of the choice, key of the number).
    """

    space: Space
    table: RunTable
    settings: tuple[Settings, ...]
    pending: tuple[Settings, ...] = ()
    new_ground: float | None = 0.25
    beside: Beside | None = None
    stock: tuple[StockRule, ...] = ()
    doubtful: tuple[bool, ...] = ()
    idle: tuple[tuple[str, str], ...] = ()

    @property
    def failed(self) -> dict[int, Settings]:
        """Settings of the runs that failed, by run number."""
        table = zip(self.table.numbers, self.settings, self.table.failed, strict=True)
        return {number: settings for number, settings, failed in table if failed}

    @property
    def succeeded(self) -> list[Settings]:
        """Settings of the runs that did not fail."""
        return [settings for settings, failed in zip(self.settings, self.table.failed, strict=True) if not failed]

    def reach(self) -> Reach:
        """What can be reached: new ground is counted from the runs that did not fail, from failed ones while there are no others.

        Materials of which too little is left for any run are left out: what is missing can be bought.

        Raises
        ------
        NothingReachableError
            If the limits contradict each other.
        """
        return self._reach_and_missing[0]

    @cached_property
    def _reach_and_missing(self) -> tuple[Reach, tuple[StockRule, ...]]:
        stock: tuple[StockRule, ...] = self.stock
        while stock:
            try:
                return self._reach_with(stock), tuple(rule for rule in self.stock if rule not in stock)
            except NothingReachableError as error:
                kept = tuple(rule for rule in stock if rule.text not in error.contradicting)
                if len(kept) == len(stock):
                    break
                stock = kept
        return self._reach_with(()), self.stock

    def _reach_with(self, stock: tuple[StockRule, ...]) -> Reach:
        space = Space(self.space.variables, self.space.rules + stock) if stock else self.space
        return reach_of(space, tried=self.succeeded or self.settings, new_ground=self.new_ground)

    @property
    def missing(self) -> tuple[StockRule, ...]:
        """Stock of which too little is left for any run that can be reached; none where the limits contradict each other."""
        try:
            return self._reach_and_missing[1]
        except NothingReachableError:
            return ()

    def working_recipe(self, ladder: Ladder) -> int | None:
        """Position of the run whose settings the evidence favours; None before one inside the limits gave product."""
        failed = self.table.failed
        if any(self.doubtful):
            sure = working_recipe(ladder, self.space, self.settings, failed | np.array(self.doubtful))
            if sure is not None:
                return sure
        return working_recipe(ladder, self.space, self.settings, failed)

    def without_idle_changes(self, before: Settings, after: dict[str, Setting]) -> dict[str, Setting]:
        """The same run with choices that say nothing in it as they were before; unchanged where a limit forbids that."""
        idle = {choice for choice, number in self.idle if after[number] == 0.0}
        plain = {key: before[key] if key in idle else value for key, value in after.items()}
        return plain if self.space.is_reachable(plain) else after

    def idle_as_in(self, before: Settings) -> Callable[[FloatArray], FloatArray]:
        """A function that puts choices which say nothing in coded rows, shape (n, n_variables), as they were before."""
        column = {v.key: j for j, v in enumerate(self.space.variables)}
        pairs = [(column[choice], column[number]) for choice, number in self.idle]
        none = encode(self.space.variables, [{**before, **{number: 0.0 for _, number in self.idle}}])[0]

        def same(rows: FloatArray) -> FloatArray:
            told = rows.copy() if pairs else rows
            for choice, number in pairs:
                told[np.abs(rows[:, number] - none[number]) < 1e-9, choice] = none[choice]
            return told

        return same

    def when_planned(self, settings: Settings) -> History:
        """The same with one more run that is planned, which takes its share of the stock."""
        left = tuple(rule.after(settings) for rule in self.stock)
        return replace(self, pending=(*self.pending, settings), stock=left)


def working_recipe(ladder: Ladder, space: Space, settings: Sequence[Settings], barred: np.ndarray | None = None) -> int | None:
    """Return the position of the run whose settings the evidence favours.

    Parameters
    ----------
    settings : sequence of settings
        As-run settings, in the order of ``ladder.table`` before sorting.
    barred : ndarray of bool, shape (n_runs,), or None
        Which of them are not eligible, such as those that failed; none of them where None.

    Notes
    -----
    The highest mean of the yield there, less ``_CAUTION`` standard deviations; a
    setting that was really run, because naming an untried one as the recipe usually
    disappoints. Runs outside the limits are not eligible either; None if no run is.
    """
    eligible = [i for i, s in enumerate(settings) if not (barred is not None and barred[i]) and not space.broken_limits(s)]
    if not eligible:
        return None
    at_runs = ladder.predict(encode(space.variables, settings))
    score = at_runs.mean - _CAUTION * at_runs.sd
    return max(eligible, key=lambda i: round(float(score[i]), 6))


def hold_hours(space: Space, settings: Settings) -> float | None:
    """Sum of the hold times of some settings. [h] None where no variable is a hold time."""
    times = [v for v in space.variables if v.role is Role.HOLD_TIME]
    if not times:
        return None
    return float(sum(convert(float(settings[v.key]), v.unit, "h") for v in times))


def new_ground_words(
    space: Space, settings: Settings, tried: Sequence[Settings], failed: Mapping[int, Settings] | None = None
) -> tuple[str, ...]:
    """Say which settings lie outside what has been tried, or where only failed runs have been.

    Parameters
    ----------
    tried : sequence of settings
        Of runs that did not fail.
    failed : mapping of int to settings, or None
        Of runs that failed, by run number.
    """
    words: list[str] = []
    failures = failed or {}
    everything = [*tried, *failures.values()]
    if not everything:
        return ()
    for v in space.variables:
        value = settings[v.key]
        failed_at = {number: row[v.key] for number, row in failures.items()}
        good = [row[v.key] for row in tried]
        if v.is_choice:
            if value not in {row[v.key] for row in everything}:
                words.append(f"{v.name} {value} has not been tried")
            elif value not in good:
                runs = runs_text([n for n, option in failed_at.items() if option == value])
                words.append(f"{v.name} {value} has been tried without success only ({runs})")
            continue
        words += _beyond(v, float(value), [float(row[v.key]) for row in everything], [float(x) for x in good], failed_at)
    return tuple(words)


def _beyond(v: Variable, number: float, seen: list[float], good: list[float], failed_at: Mapping[int, Setting]) -> list[str]:
    """Say that a number lies above or below what was tried, or what was tried without failing."""
    # What was really set or weighed is never quite on the steps.
    slack = 0.1 * v.working_step
    lead = f"{v.name} {plain(number, 6)} {v.unit}".rstrip()
    for sign, word in ((1.0, "above"), (-1.0, "below")):
        end = sign * max(sign * x for x in seen)
        safe = sign * max(sign * x for x in good) if good else end
        beyond = [(n, float(x)) for n, x in failed_at.items() if sign * (float(x) - safe) > slack and good]
        failures = "; ".join(f"run {n} failed at {plain(x, 6)}" for n, x in beyond)
        if sign * (number - end) > slack:
            return [f"{lead} is {word} the {plain(end, 6)} tried so far" + (f"; {failures}" if failures else "")]
        if failures and sign * (number - safe) > slack:
            return [f"{lead} is {word} the {plain(safe, 6)} tried without failing; {failures}"]
    return []


def with_pending(history: History, ladder: Ladder, seed: int) -> Ladder:
    """Condition on planned and under-way runs as if they gave what is expected of them.

    Source of the idea: Ginsbourger, Le Riche & Carraro (2010), 'kriging believer'.
    """
    if not history.pending:
        return ladder
    coded = encode(history.space.variables, history.pending)
    believed = np.clip(ladder.predict(coded).mean, 0.0, 100.0)
    zeros = np.zeros(len(coded))
    pending = RunTable(history.table.variables, coded, believed, zeros, (0,) * len(coded))
    return fit_ladder(history.table.joined_with(pending), seed=seed, beside=history.beside, trust=ladder.trust)


def _reach(history: History) -> Reach:
    """What can be reached from the runs so far; before any run, rules may push the start away from the base recipe."""
    if not history.settings:
        try:
            return history.reach()
        except NothingReachableError:
            return reach_of(history.space, new_ground=None)
    return history.reach()


@dataclass(frozen=True)
class Burden:
    """What 'shorten' saves: hours, money or the mass of a material, as a function of the settings.

    ``allowed_loss`` is the expected loss of yield that the saving may cost [percentage points].
    ``of`` returns None where it cannot be worked out; ``identity`` is different text for
    every different function, so that results may be kept.
    """

    name: str
    unit: str
    of: Callable[[Settings], float | None]
    identity: str = "hours"
    allowed_loss: float = 2.0

    @property
    def less(self) -> str:
        """Less of it, in words."""
        return {"h": f"shorter {self.name}"}.get(self.unit, f"lower {self.name}" if self.name == "cost" else f"less {self.name}")

    def text(self, value: float) -> str:
        """An amount of it in words; hours as people say them, money to two decimals."""
        if self.unit == "h":
            return duration_text(value)
        return f"{value:.2f} {self.unit}" if self.name == "cost" else f"{plain(value)} {self.unit}".rstrip()


def hours_burden(space: Space) -> Burden | None:
    """The hours of all holds; None where no variable is a hold time."""
    if not any(v.role is Role.HOLD_TIME for v in space.variables):
        return None
    return Burden("holds", "h", lambda settings: hold_hours(space, settings))


def propose_several(
    history: History, ladder: Ladder, count: int, purpose: Purpose = Purpose.RAISE, *, seed: int = 0, burden: Burden | None = None
) -> list[Proposal]:
    """Propose runs to be made side by side: each counts as pending for the next.

    Parameters
    ----------
    count : int
        1 to ``MOST_AT_ONCE``.

    Returns
    -------
    proposals : list of Proposal, length 1 to count
        No two alike, unless repeats are asked for. Fewer than ``count`` where no further run serves the purpose,
        or what is left of a material reaches for no further one.

    Raises
    ------
    ValueError
        For another count.
    NothingReachableError
        If the limits contradict each other.
    """
    if not 1 <= count <= MOST_AT_ONCE:
        raise ValueError(f"1 to {MOST_AT_ONCE} runs at once, not {count}")
    proposals: list[Proposal] = []
    short = {rule.material for rule in history.missing}
    for _ in range(count):
        found = propose(history, ladder, purpose, seed=seed, burden=burden)
        is_new = found.purpose is purpose and found.settings not in history.pending
        # What the runs before it took is not there any more.
        ran_out = any(rule.material not in short for rule in history.missing)
        # Further ones of a repeat are the same run; what the stock turns into another one is none.
        serves = found.settings == proposals[0].settings if proposals and purpose is Purpose.REPEAT else is_new
        if proposals and (ran_out or not serves):
            break
        proposals.append(found)
        history = history.when_planned(found.settings)
    return proposals


def propose(
    history: History, ladder: Ladder, purpose: Purpose = Purpose.RAISE, *, seed: int = 0, burden: Burden | None = None
) -> Proposal:
    """Propose the next run.

    Parameters
    ----------
    history : History
    ladder : Ladder
        Fitted to ``history.table``.
    purpose : Purpose
    burden : Burden or None
        What 'shorten' saves; the hours of all holds where None.
    seed : int
        Seed of the search; the same inputs give the same proposal.

    Returns
    -------
    proposal : Proposal
        On the steps, inside all limits, not further into new ground than allowed; to raise
        the yield, within ``LARGEST_MOVE`` of the working recipe where anything there is left.

    Raises
    ------
    NothingReachableError
        If the limits contradict each other.
    """
    space = history.space
    reach = _reach(history)
    known = [*history.settings, *history.pending]
    done = encode(space.variables, known) if known else np.empty((0, len(space.variables)))
    best = history.working_recipe(ladder)
    if purpose is Purpose.RAISE and (len(known) < OPENING_RUNS or best is None):
        settings = next_opening_run(reach, done)
        return _finish(history, ladder, settings, purpose, best, _opening_reason(reach, len(known), settings), is_opening=True)
    if best is None:
        settings = next_opening_run(reach, done)
        what = "No run inside the limits has given product" if history.settings else "There is no finished run yet to learn from"
        reason = f"{what}, so this is an opening run."
        return _finish(history, ladder, settings, purpose, best, reason, is_opening=True)
    if purpose is Purpose.REPEAT:
        return _repeat(history, ladder, reach, best, "")
    updated = with_pending(history, ladder, seed)
    working = encode(space.variables, [history.settings[best]])
    saving: Burden | None = None
    if purpose is Purpose.RAISE:
        search = _to_raise(history, updated, working, reach)
    elif purpose is Purpose.FIND_OUT:
        search = _to_find_out(updated, working, reach)
    else:
        saving = burden or hours_burden(space)
        now = saving.of(history.settings[best]) if saving else None
        if saving is None or now is None:
            what = f"{saving.name} cannot be worked out" if saving else "No variable is a hold time"
            return _repeat(history, ladder, reach, best, f"{what}, so there is nothing to shorten. ")
        if now <= 0:
            number = history.table.numbers[best]
            words = f"Run {number}, the working recipe, takes no {saving.name}, so there is nothing to save. "
            return _repeat(history, ladder, reach, best, words)
        search = _to_shorten(history, ladder, updated, working, reach, saving, now)
    rng = np.random.default_rng(seed)
    for part, apart in search.tries:
        score = _without_pending(history, search.score, apart, history.settings[best])
        index, value = best_reachable(part, score, index_of(part, done), rng)
        if value > NEVER:
            break
    if value <= NEVER and search.instead:
        return _repeat(history, ladder, reach, best, search.instead)
    settings = history.without_idle_changes(history.settings[best], part.settings(list(index)))
    changes = None
    if search.gain is not None:
        home, least = index_of(part, working)[0], value + float(np.log(MOST_OF_GAIN))
        fewer = part.settings(list(with_fewest_changes(part, score, index, home, least)))
        before, beside = history.settings[best], bool(history.pending)
        changes = what_changes_bring(space, ladder, before, settings, search.gain, fewer, beside_pending=beside)
    return _finish(history, ladder, settings, purpose, best, "", saving=saving, changes=changes)


@dataclass(frozen=True)
class _Search:
    """What is looked for: ``tries`` are parts of the reach with the distance to keep from pending runs, the best first.

    Where nothing in any of them serves the purpose, the working recipe is repeated and ``instead`` says why; if that is
    empty, the best of what is left is taken. ``gain`` is the expected gain whose logarithm is the score,
    if it is that.
    """

    score: Score
    tries: tuple[tuple[Reach, float], ...]
    instead: str = ""
    gain: Score | None = None


def _to_raise(history: History, updated: Ladder, working: FloatArray, reach: Reach) -> _Search:
    """The largest expected improvement, near the working recipe and away from pending runs as long as there is room."""
    to_beat = _to_beat(history, updated, working)

    def gain(rows: FloatArray) -> FloatArray:
        return expected_gain(updated.difference(to_beat, rows))

    def score(rows: FloatArray) -> FloatArray:
        expected = gain(rows)
        return np.where(expected < SMALLEST_GAIN, NEVER, np.log(np.maximum(expected, SMALLEST_GAIN)))

    near = reach.around(working[0], LARGEST_MOVE)
    other = "other " if history.pending else ""
    words = f"No {other}run within reach is expected to gain anything. "
    tries = tuple((part, apart) for part in (near, reach) for apart in (APART, 0.0))
    return _Search(score, tries, words, gain=gain)


def _to_find_out(updated: Ladder, working: FloatArray, reach: Reach) -> _Search:
    """Information about the yield surface from one noisy run, ½ ln(1 + σ²/s²), where it may come near the working recipe."""

    def score(rows: FloatArray) -> FloatArray:
        information = 0.5 * np.log1p(updated.predict(rows).variance / updated.noise_sd**2)
        return np.asarray(information * updated.difference(working, rows).probability_above(-WORTH_KNOWING))

    return _Search(score, ((reach, 0.0),))


def _to_shorten(
    history: History, ladder: Ladder, updated: Ladder, working: FloatArray, reach: Reach, saving: Burden, now: float
) -> _Search:
    """The largest saving that is expected to keep the yield, times the probability that it does."""
    loss = saving.allowed_loss
    # Both on the scale of the models and on that of the forecasts that are shown.
    kept = float(ladder.predict(working, with_noise=True).mean_between(0.0, 100.0)[0])

    def score(rows: FloatArray) -> FloatArray:
        change = updated.difference(working, rows)
        burdens = [saving.of(reach.settings(list(i))) for i in index_of(reach, rows)]
        saved = np.array([0.0 if b is None else 1.0 - b / max(now, 1e-9) for b in burdens])
        # Only settings that are expected to keep the yield, and that save something, count at all.
        shown = ladder.predict(rows, with_noise=True).mean_between(0.0, 100.0) - kept
        fits = (change.mean >= -loss) & (shown >= -loss) & (saved >= SMALLEST_SAVING)
        return np.where(fits, saved * change.probability_above(-loss), NEVER)

    other = "other " if history.pending else ""
    words = f"No {other}run with {saving.less} is expected to keep the yield within {points_text(loss)}. "
    return _Search(score, ((reach, 0.0),), words)


def _to_beat(history: History, updated: Ladder, working: FloatArray) -> FloatArray:
    """What the next run has to beat, shape (1, n_variables): the working recipe, or a pending run expected to be better.

    Measured against the working recipe alone, runs side by side would crowd around the first of them.
    """
    if not history.pending:
        return working
    rows = np.vstack([working, encode(history.space.variables, history.pending)])
    return rows[[int(np.argmax(np.round(updated.predict(rows).mean, 6)))]]


def _without_pending(history: History, score: Score, apart: float, before: Settings) -> Score:
    """The score with runs that are planned or under way put last, and all that lie closer to them than ``apart``.

    Asking twice therefore never gives the same run twice. A choice that says nothing makes no other run of one.
    """
    told = history.idle_as_in(before)
    if not history.pending:
        return lambda rows: score(told(rows))
    taken = told(encode(history.space.variables, history.pending))
    is_choice = [v.is_choice for v in history.space.variables]

    def masked(rows: FloatArray) -> FloatArray:
        same = told(rows)
        return np.where(distances(same, taken, is_choice) < max(apart, 1e-9), NEVER, score(same))

    return masked


def _repeat(history: History, ladder: Ladder, reach: Reach, best: int, before: str) -> Proposal:
    """The working recipe once more, or what is reachable nearest to it."""
    settings = _nearest_reachable(reach, history.settings[best])
    number = history.table.numbers[best]
    differs = changes_in_words(history.space, history.settings[best], settings)
    if differs:
        reason = (
            f"Run {number}, the working recipe, lies off the steps or ranges, or takes more than there is; "
            f"the nearest reachable run differs in {'; '.join(differs)}."
        )
    else:
        here = encode(history.space.variables, [history.settings[best]])
        same = int(np.sum(np.all(np.round(history.table.coded - here, 7) == 0.0, axis=1)))
        tells = "two results there tell luck from recipe"
        if same > 1:
            tells = f"beside the {same} results there, one more tells better"
        reason = f"Repeats run {number}, the working recipe: {tells}."
    return _finish(history, ladder, settings, Purpose.REPEAT, best, before + reason)


def assess(history: History, ladder: Ladder, settings: Settings, purpose: Purpose) -> Proposal:
    """Judge settings that the chemist chose: forecast, chance, new ground and hours, as for a proposal.

    Raises
    ------
    KeyError, ValueError
        If a setting is missing, not finite, or not one of the choices.
    """
    best = history.working_recipe(ladder)
    what = "Settings as you changed them"
    if best is not None:
        changes = changes_in_words(history.space, history.settings[best], settings)
        against = f", compared with run {history.table.numbers[best]}, the working recipe: "
        what += against + ("; ".join(changes) if changes else "the same")
    changed = None
    if best is not None and purpose is Purpose.RAISE:
        working = encode(history.space.variables, [history.settings[best]])

        def gain(rows: FloatArray) -> FloatArray:
            return expected_gain(ladder.difference(working, rows))

        # What is planned plays no part in this gain, as it does in that of a proposal.
        changed = what_changes_bring(history.space, ladder, history.settings[best], settings, gain)
    return _finish(history, ladder, dict(settings), purpose, best, what + ".", changes=changed)


def _nearest_reachable(reach: Reach, settings: Settings) -> dict[str, Setting]:
    return reach.settings(list(nearest_reachable(reach, encode(reach.space.variables, [settings])[0])))


def _opening_reason(reach: Reach, n_known: int, settings: Settings) -> str:
    if n_known == 0 and (changes := changes_in_words(reach.space, reach.space.base, settings)):
        return (
            "No run yet, and the base recipe itself cannot be reached within steps, ranges, rules and stock: start with what "
            f"lies nearest to it ({'; '.join(changes)})."
        )
    if n_known == 0:
        return "No run yet: start with the base recipe, against which everything else is compared."
    if n_known == 1 and is_middle(reach, settings):
        return (
            f"Opening run 2 of {OPENING_RUNS}: the middle of your ranges, or what can be reached nearest to it, because "
            "ranges are mostly set around the best settings" + _of_choices(reach)
        )
    which = f"Opening run {n_known + 1} of {OPENING_RUNS}" if n_known < OPENING_RUNS else "One more opening run"
    return (
        f"{which}: placed away from the runs so far, up to two thirds of the way from the "
        "base recipe to the ends of the ranges, so that the variables can be told apart" + _of_choices(reach)
    )


def _of_choices(reach: Reach) -> str:
    """End of the reason of an opening run where there are choices."""
    if not any(v.is_choice for v in reach.space.variables):
        return "."
    return "; choices go on to an option not tried yet, because which is best cannot be foreseen."


def _finish(
    history: History,
    ladder: Ladder,
    settings: dict[str, Setting],
    purpose: Purpose,
    best: int | None,
    reason: str,
    *,
    is_opening: bool = False,
    saving: Burden | None = None,
    changes: Changes | None = None,
) -> Proposal:
    space = history.space
    row = encode(space.variables, [settings])
    forecast = Forecast.of(ladder.predict(row, with_noise=True))
    chance: float | None = None
    if best is not None:
        working = encode(space.variables, [history.settings[best]])
        # The same settings are neither better nor worse.
        if not np.array_equal(working, row):
            chance = float(chance_of_gain(ladder.difference(working, row), 0.0)[0])
    if not reason:
        reason = _reason(history, ladder, settings, purpose, best, forecast, chance, saving)
    return Proposal(
        settings,
        purpose,
        forecast,
        chance,
        reason,
        new_ground_words(space, settings, history.succeeded, history.failed),
        hold_hours(space, settings),
        is_opening,
        changes,
    )


def _reason(
    history: History,
    ladder: Ladder,
    settings: Settings,
    purpose: Purpose,
    best: int | None,
    forecast: Forecast,
    chance: float | None,
    saving: Burden | None,
) -> str:
    assert best is not None
    number = history.table.numbers[best]
    changes = meant_changes(history.space, history.settings[best], settings)
    what = "; ".join(changes) if changes else "no change"
    working = encode(history.space.variables, [history.settings[best]])
    at_best = float(ladder.predict(working, with_noise=True).mean_between(0.0, 100.0)[0])
    change = forecast.mean - at_best
    # Where a loss is told to a tenth of a point, so are the yields that it is between.
    digits = 1 if purpose is Purpose.SHORTEN else 0
    against = f"compared with run {number} (expected {at_best:.{digits}f} %)"
    if purpose is Purpose.RAISE:
        beside = "Beside the runs planned or proposed already, " if history.pending else ""
        # An expected gain counts only the cases that turn out better, so the largest may lie where the mean is lower.
        lead = "largest expected gain" if change >= 0 else "most to gain, if it comes out well,"
        text = f"{beside}{lead} {against}: {what}. Expected {forecast.mean:.0f} %"
        text += f"; chance to be better: {percent_words(chance)}." if chance is not None else "."
        return text[0].upper() + text[1:]
    if purpose is Purpose.FIND_OUT:
        unsure = f"(half of such runs between {forecast.low_50:.0f} and {forecast.high_50:.0f} %)"
        if history.pending:
            return f"Beside the runs planned or proposed already, the models learn most here {unsure}: {what}, {against}."
        lead = "Of all that can be reached and may come near the working recipe, the models learn most here"
        return f"{lead} {unsure}: {what}, {against}."
    assert saving is not None
    before, after = saving.of(history.settings[best]) or 0.0, saving.of(settings) or 0.0
    # What is told is the difference of the two yields as they are told.
    loss = round(at_best, digits) - round(forecast.mean, digits)
    cost = f"an expected loss of {loss:.1f} points" if loss > 0.05 else "no expected loss"
    return (
        f"Saves {saving.text(before - after)} of {saving.name} ({saving.text(before)} → {saving.text(after)}) {against}: {what}. "
        f"Expected {forecast.mean:.{digits}f} %, {cost}."
    )
