"""What following the stop advice is worth: yield gained less the days spent, for several thresholds of its chances.

    python -m tests.bench.stopping [--seeds 2] [--workers 2] [--preparations first more]

Every campaign goes on to 20 runs. A chemist who follows a rule stops at the first of ``SIZES`` at which it no longer says
'worth another run'. By what the words mean, a gain of G points is worth a day, so each run costs G: what counts is the true
yield of the working recipe less G for every run, here less the optimum, so that it is below 0. Beside each preparation, of
every second one a twin on which nothing moves the yield. 'Best in hindsight' stops where that was highest.
"""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from server.core.choose.proposal import History
from server.core.choose.stopping import FAIR_CHANCE, stop_advice
from server.core.space.variables import Setting
from tests.bench.peers import Own, Row
from tests.bench.sample_efficiency import ALL, COLLECTIONS, kinds_of, optimum
from tests.bench.workers import pool_of

SIZES = (4, 5, 6, 7, 8, 10, 12, 15, 20)
GAINS = (0.5, 1.0, 2.0)
THRESHOLDS = (0.1, 0.2, 0.33, 0.4, 0.5, 0.6, 0.7)
FLAT_YIELD = 65.0


@dataclass(frozen=True)
class Moment:
    """After ``n`` runs: the shortfall of the working recipe, and the chances of the next five by the gain worth a day."""

    n: int
    shortfall: float
    chances: Mapping[float, float]


def campaign(kind: int, seed: int, is_flat: bool) -> list[Moment]:
    """One campaign of 20 runs, on the preparation or on its flat twin."""
    preparation = ALL[kind]()

    def truth(row: Mapping[str, Setting]) -> float:
        return FLAT_YIELD if is_flat else preparation.truth(dict(row))

    best = FLAT_YIELD if is_flat else optimum(kind)
    noise = np.random.default_rng([seed, kind]).standard_normal(max(SIZES)) * preparation.noise
    own = Own(preparation.space, seed=seed)
    rows: list[Row] = []
    yields: list[float] = []
    found = []
    while len(rows) < max(SIZES):
        rows.append(own.next_run(rows, yields))
        yields.append(float(np.clip(truth(rows[-1]) + noise[len(yields)], 0.0, 100.0)))
        if len(rows) in SIZES:
            table, ladder = own.fitted(rows, yields)
            history = History(preparation.space, table, tuple(rows), (), None)
            advice = {gain: stop_advice(history, ladder, gain) for gain in GAINS}
            chances = {gain: a.next_five if a else 1.0 for gain, a in advice.items()}
            found.append(Moment(len(rows), best - truth(rows[own.recipe(rows, yields)]), chances))
    return found


def worth(campaigns: list[list[Moment]], gain: float, threshold: float) -> tuple[float, float]:
    """Mean of minus the shortfall less ``gain`` for every run, and mean number of runs, of who stops below a chance."""
    stops = [next((m for m in moments if m.chances[gain] < threshold), moments[-1]) for moments in campaigns]
    return float(np.mean([-m.shortfall - gain * m.n for m in stops])), float(np.mean([m.n for m in stops]))


def print_table(title: str, campaigns: list[list[Moment]]) -> None:
    """One line per rule; per gain what it was worth, and after how many runs it stopped."""
    print(f"\n{title}: {len(campaigns)} campaigns, points (runs)" + "".join(f"{f'{g:g} a day':>16}" for g in GAINS))
    rules = {"stop after 4": 2.0, **{f"chance of five {t:.2f}": t for t in THRESHOLDS}, "never before 20": 0.0}
    for name, threshold in rules.items():
        mark = " (the app's)" if name == f"chance of five {FAIR_CHANCE:.2f}" else ""
        cells = [worth(campaigns, gain, threshold) for gain in GAINS]
        print(f"{name + mark:42}" + "".join(f"{f'{value:.1f} ({runs:.1f})':>16}" for value, runs in cells))
    hindsight = [float(np.mean([max(-m.shortfall - gain * m.n for m in one) for one in campaigns])) for gain in GAINS]
    print(f"{'best in hindsight':42}" + "".join(f"{value:16.1f}" for value in hindsight))


def main() -> None:
    """Run the campaigns and print both tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, default=2)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--preparations", nargs="*", choices=list(COLLECTIONS), default=["first", "more"])
    arguments = parser.parse_args()
    kinds = [k for collection in arguments.preparations for k in kinds_of(collection)]
    for is_flat in (False, True):
        jobs = [(k, s, is_flat) for s in range(arguments.seeds) for k in (kinds[::2] if is_flat else kinds)]
        with pool_of(arguments.workers) as pool:
            campaigns = list(pool.map(campaign, *zip(*jobs, strict=True)))
        print_table("Nothing moves the yield" if is_flat else ", ".join(arguments.preparations), campaigns)


if __name__ == "__main__":
    main()
