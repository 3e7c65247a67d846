"""How often the 50 % and 90 % ranges for unseen runs hold the result.

    python -m tests.bench.calibration [--campaigns 200] [--workers 2]

Simulates campaigns of every preparation in ``tests.bench.preparations``: runs as a
chemist makes them (base recipe, some one-at-a-time changes, some free ones), then
forecasts for unseen reachable settings, compared with noisy results there.
"""

from __future__ import annotations

import argparse

import numpy as np

from server.core.choose.search import draw_reachable, vary
from server.core.model.ladder import fit_ladder
from server.core.model.runs import RunTable
from server.core.space.coordinates import encode
from server.core.space.limits import reach_of
from tests.bench.preparations import ALL
from tests.bench.workers import pool_of

SIZES = (4, 6, 8, 12, 20)
N_UNSEEN = 30


def campaign(seed: int) -> tuple[int, dict[int, tuple[float, float]]]:
    """Return the preparation's number and, per size, which share of unseen runs lay in the 50 % and 90 % range."""
    kind = seed % len(ALL)
    preparation = ALL[kind]()
    rng = np.random.default_rng(seed)
    space = preparation.space
    wide = reach_of(space)
    base = draw_reachable(reach_of(space, tried=[space.base], new_ground=0.05), 1, rng)
    rows = [space.base]
    while len(rows) < max(SIZES):
        if rng.random() < 0.5:
            picked = draw_reachable(wide, 8, rng)
        else:
            picked = vary(wide, np.repeat(base, 8, axis=0), rng)
        rows.append(wide.settings(list(picked[0])))
    truth = np.array([preparation.truth(r) for r in rows])
    yields = np.clip(truth + preparation.noise * rng.standard_normal(len(rows)), 0.0, 100.0)
    held = {}
    for n in SIZES:
        coded = encode(space.variables, rows[:n])
        ladder = fit_ladder(RunTable(space.variables, coded, yields[:n], np.zeros(n), tuple(range(n))))
        reach = reach_of(space, tried=rows[:n], new_ground=0.25)
        unseen = draw_reachable(reach, N_UNSEEN, rng)
        settings = [reach.settings(list(row)) for row in unseen]
        results = np.array([preparation.truth(s) for s in settings]) + preparation.noise * rng.standard_normal(len(settings))
        results = np.clip(results, 0.0, 100.0)
        mixture = ladder.predict(encode(space.variables, settings), with_noise=True)
        low_90, low_50, high_50, high_90 = (np.clip(mixture.quantile(q), 0.0, 100.0) for q in (0.05, 0.25, 0.75, 0.95))
        inside_50 = np.mean((results >= low_50) & (results <= high_50))
        inside_90 = np.mean((results >= low_90) & (results <= high_90))
        held[n] = (float(inside_50), float(inside_90))
    return kind, held


def main() -> None:
    """Run the campaigns and print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--campaigns", type=int, default=200)
    parser.add_argument("--workers", type=int, default=2)
    arguments = parser.parse_args()
    with pool_of(arguments.workers) as pool:
        found = list(pool.map(campaign, range(arguments.campaigns)))
    print(f"{arguments.campaigns} campaigns of {len(ALL)} kinds; share of unseen runs inside the range, in %")
    print(f"{'kind':26}" + "".join(f"  n={n:<3} 50 %  90 %" for n in SIZES))
    for kind in [*range(len(ALL)), None]:
        chosen = [held for k, held in found if kind is None or k == kind]
        if not chosen:
            continue
        name = "all" if kind is None else ALL[kind]().name
        cells = [np.mean([held[n] for held in chosen], axis=0) * 100 for n in SIZES]
        print(f"{name:26}" + "".join(f"        {c[0]:4.0f}  {c[1]:4.0f}" for c in cells))


if __name__ == "__main__":
    main()
