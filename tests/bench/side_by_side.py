"""What runs side by side cost in knowledge: shortfall of the working recipe, one run at a time and four.

    python -m tests.bench.side_by_side [--seeds 4] [--workers 2] [--at-once 4] [--preparations first more]

Results come back only when all runs of a batch are finished, as with parallel flasks.
"""

from __future__ import annotations

import argparse

import numpy as np

from server.core.choose.proposal import MOST_AT_ONCE, History, propose_several
from tests.bench.peers import Own, Row
from tests.bench.sample_efficiency import ALL, COLLECTIONS, kinds_of, optimum
from tests.bench.workers import pool_of

BATCHES = 3


def campaign(kind: int, seed: int, at_once: int, sizes: tuple[int, ...]) -> list[float]:
    """Shortfalls at every size. [points]"""
    preparation = ALL[kind]()
    noise = np.random.default_rng([seed, kind]).standard_normal(max(sizes)) * preparation.noise
    own = Own(preparation.space)
    rows: list[Row] = []
    yields: list[float] = []
    found = []
    while len(rows) < max(sizes):
        table, ladder = own.fitted(rows, yields)
        history = History(preparation.space, table, tuple(rows), (), None)
        for proposal in propose_several(history, ladder, at_once):
            yields.append(float(np.clip(preparation.truth(proposal.settings) + noise[len(yields)], 0.0, 100.0)))
            rows.append(proposal.settings)
        if len(rows) in sizes:
            found.append(optimum(kind) - preparation.truth(rows[own.recipe(rows, yields)]))
    return found


def main() -> None:
    """Run both and print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, default=4)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--at-once", type=int, default=4, choices=range(2, MOST_AT_ONCE + 1))
    parser.add_argument("--preparations", nargs="*", choices=list(COLLECTIONS), default=["first"])
    arguments = parser.parse_args()
    sizes = tuple(arguments.at_once * k for k in range(1, BATCHES + 1))
    print("Mean shortfall from the optimum / points" + "".join(f"{f'n = {n}':>10}" for n in sizes))
    for collection in arguments.preparations:
        jobs = [(k, s) for k in kinds_of(collection) for s in range(arguments.seeds)]
        for at_once in (1, arguments.at_once):
            with pool_of(arguments.workers) as pool:
                results = np.array(list(pool.map(campaign, *zip(*jobs, strict=True), [at_once] * len(jobs), [sizes] * len(jobs))))
            print(f"{f'{collection}, {at_once} at once':40}" + "".join(f"{m:10.1f}" for m in results.mean(axis=0)), flush=True)


if __name__ == "__main__":
    main()
