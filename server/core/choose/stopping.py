"""Whether another run is worth its day: the chance that coming runs beat the working recipe by enough."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from server.core.choose.gain import UPSIDE_TOO_WIDE, chance_of_gain, gain_threshold, percent_words
from server.core.choose.proposal import Forecast, History
from server.core.choose.search import best_reachable, index_of, pool_around
from server.core.model.effects import points_text
from server.core.model.ladder import Ladder
from server.core.space.coordinates import encode
from server.core.space.variables import FloatArray, Settings

HORIZON = 5
_DRAWS = 600
_POOL = 160
# Below these, the words of the advice change; more likely than not, and one in five. What following them is worth was measured
# on simulated preparations (``tests.bench.stopping``). [probability]
SMALL_CHANCE = 0.2
FAIR_CHANCE = 0.5


@dataclass(frozen=True)
class StopAdvice:
    """Probabilities that a *true* yield lies above the working recipe's by the worthwhile gain.

    They allow for models that are too hopeful, see ``chance_of_gain``.

    Attributes
    ----------
    next_one : float
        For the single run with the best chance, which need not be the one with the largest expected gain.
    chances : tuple of float
        For at least one of the first 1, 2 … of up to five runs chosen together today; fewer where no more differ.
    anywhere : float
        For any settings that can be reached at all in the next run.
    gain : float
        The gain that is worth a day. [percentage points]
    best : mapping
        The settings with the best chance.
    five : tuple of mappings
        Those that were chosen together.
    working : mapping
        The settings of the working recipe.
    number, expected
        The run of the working recipe, and the yield expected with its settings. [%]
    can_make : int
        How many runs ``worth_it``, ``verdict`` and ``odds`` are about: all that were chosen, or fewer where no more can be made.
    aim_chance : float or None
        That a yield somewhere within reach lies at the aim or above; None without an aim, or where the working recipe is
        expected to reach it.
    keeps_to_stock : bool
        Whether settings within the limits were left out because what is in stock does not reach for them.
    """

    next_one: float
    chances: tuple[float, ...]
    anywhere: float
    gain: float
    best: Settings
    five: tuple[Settings, ...]
    working: Settings
    number: int
    expected: float
    can_make: int = HORIZON
    aim_chance: float | None = None
    keeps_to_stock: bool = False

    @property
    def next_five(self) -> float:
        """Chance of at least one of all that were chosen together."""
        return self.chances[-1]

    @property
    def together(self) -> float:
        """Chance of at least one of the runs that can be made."""
        return self.chances[self.can_make - 1]

    @property
    def worth_it(self) -> bool:
        """Whether the runs that can be made have a fair chance together."""
        return self.together >= FAIR_CHANCE

    @property
    def verdict(self) -> str:
        """What to do; where it is the stock that may be to blame, so is said."""
        if self.worth_it:
            return "Worth another run."
        is_small = self.together < SMALL_CHANCE
        words = "Stop here, unless you know something that the runs do not show." if is_small else "Another run is a gamble."
        return f"With what is in stock: {words[0].lower()}{words[1:]}" if self.keeps_to_stock else words

    @property
    def odds(self) -> str:
        """The chances in words."""
        odds = (
            f"The run with the best chance has {percent_words(self.next_one)} to be better by more than {points_text(self.gain)} "
            f"than the {self.expected:.0f} % expected with the settings of run {self.number}"
        )
        is_limited = self.can_make < len(self.chances)
        if self.can_make == 1:
            return f"{odds}; only 1 run can be made." if is_limited else f"{odds}."
        count = ("two", "three", "four", "five")[self.can_make - 2]
        odds += f", the next {count} together have {percent_words(self.together)}"
        if is_limited:
            odds += f" (only {self.can_make} can be made)"
        if self.worth_it and self.anywhere - self.together > 0.2:
            odds += f"; there is more to find than {count} runs can cover ({percent_words(self.anywhere)})"
        return f"{odds}."

    @property
    def sentence(self) -> str:
        """Verdict and odds."""
        return f"{self.verdict} {self.odds}"

    def limited(self, runs: int | None) -> StopAdvice:
        """The same where at most so many runs can be made; None: as many as were chosen."""
        most = len(self.chances)
        return replace(self, can_make=most if runs is None else min(max(runs, 1), most))


def stop_advice(
    history: History, ladder: Ladder, gain: float, *, aim: float | None = None, also: Sequence[Settings] = (), seed: int = 0
) -> StopAdvice | None:
    """Judge whether another run is worth its day.

    Parameters
    ----------
    gain : float
        Gain over the working recipe that is worth a day. [percentage points]
    aim : float or None
        Yield that the chemist wants to reach. [%]
    also : sequence of settings
        Reachable settings that are judged in any case, such as the proposed run.

    Returns
    -------
    advice : StopAdvice or None
        None before there is a working recipe.

    Raises
    ------
    NothingReachableError
        If the limits contradict each other.

    Notes
    -----
    Runs that are planned or under way are no evidence here: they are among the next ones.
    The settings with the largest probability of the gain are searched for like a proposal.
    The yields there, at some 160 other promising settings and at the working recipe are
    drawn together from the averaged models; five settings are then chosen one after the
    other so that the share of draws in which at least one of them gains enough grows
    most (greedy choice is within 1 − 1/e of the best for such coverage: Nemhauser,
    Wolsey & Fisher, Math. Program. 14 (1978) 265). Yields end at 100 %, so near it fewer gains are possible
    than the models draw.
    """
    best = history.working_recipe(ladder)
    if best is None:
        return None
    rng = np.random.default_rng(seed)
    reach = history.reach()
    recipe = history.settings[best]
    working = encode(history.space.variables, [recipe])
    near = index_of(reach, encode(history.space.variables, [*history.settings, *history.pending]))
    pool = reach.coded_rows(pool_around(reach, near, _POOL * 4, _POOL * 2, rng))
    # What a run takes nothing of makes no other chance of it.
    told = history.idle_as_in(recipe)
    # The most promising by the same measure, so that the draws are spent where gains may lie.
    best_index, _ = best_reachable(reach, lambda rows: chance_of_gain(ladder.difference(working, told(rows)), gain), near, rng)
    found = [reach.coded_rows(best_index[None, :])]
    if also:
        found.append(encode(history.space.variables, also))
    pool = told(np.vstack([*found, pool]))
    change = ladder.difference(working, pool)
    chance = chance_of_gain(change, gain)
    likeliest = np.argsort(-chance, kind="stable")[:_POOL]
    pool = pool[likeliest]
    draws = ladder.draw(np.vstack([working, pool]), _DRAWS, rng)
    drawn = draws[:, 1:] - draws[:, :1] > gain_threshold(change, gain)[likeliest]
    gains = drawn & (np.minimum(draws[:, 1:], 100.0) - np.minimum(draws[:, :1], 100.0) > gain)
    of_aim = _aim_chance(draws, change.mean[likeliest], float(ladder.predict(working).mean[0]), aim)
    # Each setting once, and not those of the working recipe where there are others: they cannot beat themselves.
    once = np.sort(np.unique(np.round(pool, 9), axis=0, return_index=True)[1])
    others = once[np.any(np.abs(pool[once] - working) > 1e-9, axis=1)]
    kept = others if len(others) else once
    pool, likeliest, drawn, gains = pool[kept], likeliest[kept], drawn[:, kept], gains[:, kept]
    # What is chosen looks a little too good in the draws that chose it (some 4 points at chances of 70 %);
    # ``UPSIDE_TOO_WIDE`` was chosen with that in it, and chances of five came true rather more often than they said.
    picked = _greedy(gains, HORIZON)
    possible = gains.sum(axis=0) / np.maximum(drawn.sum(axis=0), 1)
    single = chance[likeliest] * np.where(drawn.any(axis=0), possible, 1.0)
    first = int(np.argmax(np.round(single, 9)))
    next_one = float(single[first])
    chances = tuple(max(next_one, float(np.mean(gains[:, picked[: k + 1]].any(axis=1)))) for k in range(len(picked)))
    anywhere = max(chances[-1], float(np.mean(gains.any(axis=1))))
    number = history.table.numbers[best]
    expected = Forecast.of(ladder.predict(working, with_noise=True)).mean
    return StopAdvice(
        next_one,
        chances,
        anywhere,
        gain,
        reach.settings(index_of(reach, pool[[first]])[0].tolist()),
        tuple(reach.settings(index) for index in index_of(reach, pool[picked]).tolist()),
        recipe,
        number,
        expected,
        len(chances),
        of_aim,
    )


def _aim_chance(draws: FloatArray, mean_gain: FloatArray, expected: float, aim: float | None) -> float | None:
    """Share of the draws in which a yield in the pool reaches the aim, upsides narrowed as for gains.

    Parameters
    ----------
    draws : ndarray of shape (n_draws, 1 + n_points)
        Of the working recipe and of the pool. [%]
    mean_gain : ndarray of shape (n_points,)
        Expected gain of each point of the pool over the working recipe. [percentage points]
    expected : float
        Expected yield of the working recipe. [%]
    """
    if aim is None or expected >= aim:
        return None
    gains = draws[:, 1:] - draws[:, :1]
    above = gains - mean_gain
    narrowed = mean_gain + np.where(above > 0, above / UPSIDE_TOO_WIDE, above)
    return float(np.mean((draws[:, :1] + narrowed >= aim).any(axis=1)))


def _greedy(gains: np.ndarray, count: int) -> list[int]:
    """Columns of a boolean (n_draws, n_points) that together cover most rows, chosen one by one."""
    covered = np.zeros(len(gains), dtype=bool)
    picked: list[int] = []
    for _ in range(min(count, gains.shape[1])):
        score: FloatArray = (gains & ~covered[:, None]).sum(axis=0).astype(float)
        best = int(np.argmax(score))
        picked.append(best)
        covered |= gains[:, best]
    return picked
