"""How often the chances of the stop advice come true.

    python -m tests.bench.chances [--seeds 3] [--workers 2] [--preparations first more unseen]

Campaigns of the own engine; after 4, 6, 9, 12, 16 and 20 runs the chance that the single most promising run,
and that at least one of five, gains more than 0.5, 1, 2 or 4 points is compared with what the simulated
preparation really holds there.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from tqdm import tqdm

from server.core.choose.proposal import History
from server.core.choose.stopping import HORIZON, stop_advice
from tests.bench.peers import Own, Row
from tests.bench.sample_efficiency import ALL, COLLECTIONS, kinds_of
from tests.bench.workers import pool_of

SIZES = (4, 6, 9, 12, 16, 20)
GAINS = (0.5, 1.0, 2.0, 4.0)
BINS = (0.0, 0.05, 0.1, 0.2, 0.35, 0.5, 0.7, 1.0)


@dataclass(frozen=True)
class Judged:
    """A stated chance that one of ``runs`` runs gains more than ``gain`` points, and whether it came true."""

    gain: float
    runs: int
    stated: float
    is_true: bool


def campaign(kind: int, seed: int) -> list[Judged]:
    """Run one campaign and judge the chances on its way."""
    preparation = ALL[kind]()
    own = Own(preparation.space)
    noise = np.random.default_rng([seed, kind]).standard_normal(max(SIZES)) * preparation.noise
    rows: list[Row] = []
    yields: list[float] = []
    found: list[Judged] = []
    while True:
        for gain in GAINS if len(rows) in SIZES else ():
            table, ladder = own.fitted(rows, yields)
            history = History(preparation.space, table, tuple(rows), new_ground=own.new_ground)
            advice = stop_advice(history, ladder, gain)
            assert advice is not None
            working = preparation.truth(dict(advice.working))
            gained = [preparation.truth(dict(s)) - working > gain for s in advice.five]
            found.append(Judged(gain, 1, advice.next_one, preparation.truth(dict(advice.best)) - working > gain))
            found.append(Judged(gain, HORIZON, advice.next_five, any(gained)))
        if len(rows) == max(SIZES):
            return found
        row = own.next_run(rows, yields)
        rows.append(row)
        yields.append(float(np.clip(preparation.truth(row) + noise[len(yields)], 0.0, 100.0)))


def print_tables(found: list[Judged]) -> None:
    """Mean of the stated chances beside how many came true, by gain and by size of the chance."""
    for runs in (1, HORIZON):
        print(f"\nAt least one of {runs}" if runs > 1 else "\nThe run with the best chance")
        some = [j for j in found if j.runs == runs]
        groups = [(f"gain {gain:g}", [j for j in some if j.gain == gain]) for gain in GAINS]
        for low, high in pairwise(BINS):
            groups.append((f"stated {low:g} to {high:g}", [j for j in some if low <= j.stated < high or j.stated == high == 1]))
        for name, group in groups:
            if group:
                stated, true = np.mean([j.stated for j in group]), np.mean([j.is_true for j in group])
                print(f"  {name:20}{len(group):>6} chances  stated {stated:.2f}  came true {true:.2f}")


def main() -> None:
    """Run the campaigns and print the tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--preparations", nargs="*", choices=list(COLLECTIONS), default=["first"], help="which collections")
    arguments = parser.parse_args()
    for collection in arguments.preparations:
        jobs = [(kind, seed) for seed in range(arguments.seeds) for kind in kinds_of(collection)]
        with pool_of(arguments.workers) as pool, tqdm(total=len(jobs), unit="campaign") as bar:
            found: list[Judged] = []
            for some in pool.map(campaign, *zip(*jobs, strict=True)):
                found += some
                bar.update()
        print(f"\n{len(jobs)} campaigns of the collection '{collection}'")
        print_tables(found)


if __name__ == "__main__":
    main()
