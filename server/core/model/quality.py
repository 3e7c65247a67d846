"""How well the models predict runs that they have not seen, in numbers and words."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from server.core.model.ladder import RUNG_WORDS, Ladder

FEWEST_RUNS_FOR_QUALITY = 4
# A run further from its forecast than this does not fit. [standard deviations]
MISFIT = 2.5


@dataclass(frozen=True)
class Quality:
    """Fit quality by leaving runs out.

    Attributes
    ----------
    error : float or None
        Root mean square error of predicting each run from the others. [percentage points]
    error_of_mean : float or None
        The same when the mean of the other runs is the guess. [percentage points]
    held_90 : int or None
        How many runs lay inside their 90 % range.
    misfits : tuple of (run number, yield minus forecast, in standard deviations)
    sentence : str
    """

    n_runs: int
    error: float | None
    error_of_mean: float | None
    held_90: int | None
    misfits: tuple[tuple[int, float, float], ...]
    sentence: str


def judge(ladder: Ladder) -> Quality:
    """Judge the averaged model on runs that it has not seen; that a failed run does not fit is no news."""
    table = ladder.table
    usual = ~table.failed
    n = int(usual.sum())
    if n < FEWEST_RUNS_FOR_QUALITY:
        runs = "1 run that did not fail" if n == 1 else f"{n} runs that did not fail" if table.failed.any() else f"{n} runs"
        sentence = f"{runs} so far; how well the models predict unseen runs needs at least {FEWEST_RUNS_FOR_QUALITY}."
        return Quality(n, None, None, None, (), sentence)
    mean, sd = (values[usual] for values in ladder.averaged_left_out)
    yields = table.yields[usual]
    numbers = [number for number, counts in zip(table.numbers, usual, strict=True) if counts]
    off = yields - mean
    error = float(np.sqrt(np.mean(off**2)))
    guess = (yields.sum() - yields) / (n - 1)
    error_of_mean = float(np.sqrt(np.mean((yields - guess) ** 2)))
    z = off / sd
    worst_first = [int(i) for i in np.argsort(-np.abs(z)) if abs(z[i]) > MISFIT]
    misfits = tuple((numbers[i], float(off[i]), float(z[i])) for i in worst_first)
    share, rung = max(zip(ladder.weights, ladder.rungs, strict=True), key=lambda pair: pair[0])
    leading = rung.name
    better = "better than" if error < 0.9 * error_of_mean else "hardly better than" if error < error_of_mean else "no better than"
    sentence = (
        f"{'Mostly' if share > 0.5 else 'Most of all'} {RUNG_WORDS[leading]}. Predicting each run from the others misses by "
        f"{error:.1f} points (root mean square), "
        f"{better} guessing the mean ({error_of_mean:.1f})."
    )
    return Quality(n, error, error_of_mean, int(np.sum(np.abs(z) < 1.645)), misfits, sentence)
