"""How far the engine gets where its recipe prior is right: truths drawn from that prior itself.

    python -m tests.bench.right_prior [--seeds 2] [--workers 2]

The spaces are those of the first two collections; each truth is a recipe drawn from the prior, so that the base recipe lies
10 to 45 points below the best of 400 settings, and that above 60 %. No general method knows such truths, and nothing about
them escapes the prior: what is still missing there after few runs no better prior could find with these opening runs.
"""

from __future__ import annotations

import argparse
from collections import defaultdict
from concurrent.futures import as_completed
from functools import partial

import numpy as np
from tqdm import tqdm

from server.core.choose.search import draw_reachable
from server.core.model.recipes import RecipePrior
from server.core.space.coordinates import encode
from server.core.space.limits import Space, reach_of
from server.core.space.variables import FloatArray
from tests.bench.peers import OWN, PEERS, Maker, Own, Row
from tests.bench.sample_efficiency import ALL, SIZES, kinds_of, shortfalls_of
from tests.bench.workers import pool_of

NOISE = 2.0  # [yield points]
CHOOSERS: dict[str, Maker] = {
    "own engine, that prior alone": lambda space, seed: Own(space, rungs=("recipes",), losses=(0.0,)),
    **OWN,
    **{n: PEERS[n] for n in ("composite + quadratic", "textbook GP-EI, own opening", "Optuna TPE, own opening", "one at a time")},
}


def draw_truth(space: Space, rng: np.random.Generator) -> tuple[RecipePrior, FloatArray]:
    """A recipe that leaves something to find, as its prior and its parameters of shape (1, n_parameters)."""
    prior = RecipePrior(space.variables)
    reach = reach_of(space)
    some = reach.coded_rows(draw_reachable(reach, 400, rng))
    base = encode(space.variables, [space.base])
    while True:
        drawn = prior.draw(200, rng)
        at_base, highest = prior.yields(drawn, base)[:, 0], prior.yields(drawn, some).max(axis=1)
        fit = np.flatnonzero((highest > 60) & (highest - at_base > 10) & (highest - at_base < 45))
        if len(fit):
            return prior, drawn[fit[:1]]


def campaign(name: str, kind: int, seed: int) -> tuple[str, list[float]]:
    """Shortfalls of one chooser from the best of 4000 settings at every size. [points]"""
    space = ALL[kind]().space
    rng = np.random.default_rng([seed, kind])
    prior, recipe = draw_truth(space, rng)
    reach = reach_of(space)
    best = float(prior.yields(recipe, reach.coded_rows(draw_reachable(reach, 4000, rng))).max())
    noise = NOISE * rng.standard_normal(max(SIZES))

    def truth(row: Row) -> float:
        return float(prior.yields(recipe, encode(space.variables, [row]))[0, 0])

    return name, shortfalls_of(CHOOSERS[name](space, seed), truth, noise, best)


def main() -> None:
    """Run all campaigns and print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, default=2)
    parser.add_argument("--workers", type=int, default=2)
    arguments = parser.parse_args()
    kinds = [*kinds_of("first"), *kinds_of("more")]
    jobs = [partial(campaign, n, k, s) for s in range(arguments.seeds) for k in kinds for n in CHOOSERS]
    shortfalls = defaultdict(list)
    with pool_of(arguments.workers) as pool:
        for done in tqdm(as_completed([pool.submit(job) for job in jobs]), total=len(jobs), unit="campaign"):
            name, found = done.result()
            shortfalls[name].append(found)
    print("Mean shortfall from the optimum / points" + "".join(f"{f'n = {n}':>10}" for n in SIZES))
    for name in CHOOSERS:
        print(f"{name:40}" + "".join(f"{m:10.1f}" for m in np.mean(shortfalls[name], axis=0)))


if __name__ == "__main__":
    main()
