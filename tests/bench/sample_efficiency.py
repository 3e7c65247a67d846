"""How good the working recipe is after 4, 6, 8, 12 and 20 runs, against other ways to choose runs.

    python -m tests.bench.sample_efficiency [--seeds 16] [--workers 2] [--set own peers without]
        [--preparations first more unseen]

Every campaign starts from nothing on a simulated preparation (``tests.bench.preparations``,
``preparations_more`` and ``preparations_unseen``; each set has its own tables),
with the same noise for every chooser. What counts is the shortfall: the true optimum on
the steps minus the true yield at the working recipe that the chooser names.

Finished campaigns are kept in ``--results`` (JSON lines), so a call that was stopped goes on
where it was; delete the file after a change of the engine. The tables give the mean shortfall
and its 90 % interval by bootstrap over seeds, preparations kept.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable
from concurrent.futures import as_completed
from functools import lru_cache
from pathlib import Path

import numpy as np
from tqdm import tqdm

from server.core.choose.search import draw_reachable, neighbours
from server.core.space.limits import reach_of
from server.core.space.variables import FloatArray
from tests.bench import preparations, preparations_more, preparations_unseen
from tests.bench.peers import OWN, PEERS, WITHOUT, Chooser, Row, torch_is_here
from tests.bench.workers import pool_of

SIZES = (4, 6, 8, 12, 20)
COLLECTIONS = {"first": preparations.ALL, "more": preparations_more.ALL, "unseen": preparations_unseen.ALL}
ALL = tuple(make for makers in COLLECTIONS.values() for make in makers)
MAKERS = {**OWN, **PEERS, **WITHOUT}
SETS = {"own": tuple(OWN), "peers": tuple(PEERS), "without": tuple(WITHOUT)}
Key = tuple[str, int, int]


def kinds_of(collection: str) -> range:
    """Positions of a collection's preparations in ``ALL``."""
    names = list(COLLECTIONS)
    start = sum(len(COLLECTIONS[n]) for n in names[: names.index(collection)])
    return range(start, start + len(COLLECTIONS[collection]))


@lru_cache(maxsize=64)
def optimum(kind: int) -> float:
    """Highest true yield on the steps: many random settings, then steps uphill from the best forty. [%]"""
    preparation = ALL[kind]()
    reach = reach_of(preparation.space)
    pool = draw_reachable(reach, 3000, np.random.default_rng(0))
    values = np.array([preparation.truth(reach.settings(list(p))) for p in pool])
    best = float(values.max())
    for start in np.argsort(-values)[:40]:
        here, value = pool[start], values[start]
        while True:
            around = neighbours(reach, here)
            truths = [preparation.truth(reach.settings(list(p))) for p in around]
            if not truths or max(truths) <= value + 1e-9:
                break
            here, value = around[int(np.argmax(truths))], max(truths)
        best = max(best, float(value))
    return best


def campaign(name: str, kind: int, seed: int) -> tuple[Key, list[float]]:
    """Run one campaign; return the shortfall at every size. [points]"""
    preparation = ALL[kind]()
    noise = np.random.default_rng([seed, kind]).standard_normal(max(SIZES)) * preparation.noise
    chooser = MAKERS[name](preparation.space, seed)
    return (name, kind, seed), shortfalls_of(chooser, preparation.truth, noise, optimum(kind))


def shortfalls_of(chooser: Chooser, truth: Callable[[Row], float], noise: FloatArray, best: float) -> list[float]:
    """Let a chooser make its runs; the shortfall of its working recipe from ``best`` at every size. [points]

    Parameters
    ----------
    noise : ndarray of shape (n_runs,)
        Errors of the runs, in their order. [points]
    """
    rows: list[Row] = []
    yields: list[float] = []
    shortfalls = []
    while len(rows) < max(SIZES):
        row = chooser.next_run(rows, yields)
        rows.append(row)
        yields.append(float(np.clip(truth(row) + noise[len(yields)], 0.0, 100.0)))
        if len(rows) in SIZES:
            shortfalls.append(best - truth(rows[chooser.recipe(rows, yields)]))
    return shortfalls


def read_results(path: Path) -> dict[Key, list[float]]:
    """Campaigns finished by earlier calls."""
    found: dict[Key, list[float]] = {}
    if path.exists():
        for line in path.read_text(encoding="utf-8").splitlines():
            one = json.loads(line)
            found[(one["chooser"], one["kind"], one["seed"])] = one["shortfalls"]
    return found


def cube(results: dict[Key, list[float]], name: str, kinds: range, seeds: int) -> np.ndarray:
    """Shortfalls of shape (n_kinds, n_seeds, n_sizes); NaN where a campaign is missing."""
    out = np.full((len(kinds), seeds, len(SIZES)), np.nan)
    for (chooser, kind, seed), values in results.items():
        if chooser == name and kind in kinds and seed < seeds:
            out[kinds.index(kind), seed] = values
    return out


def print_tables(results: dict[Key, list[float]], collection: str, seeds: int) -> None:
    """Mean shortfall per chooser with bootstrap intervals, then per preparation against the best peer."""
    kinds = kinds_of(collection)
    names = [n for n in MAKERS if any(key[0] == n and key[1] in kinds for key in results)]
    cubes = {n: cube(results, n, kinds, seeds) for n in names}
    rng = np.random.default_rng(1)
    print(f"\n{len(kinds)} preparations of the collection '{collection}'")
    print("Mean shortfall from the optimum, points (90 % bootstrap interval)")
    print(f"{'chooser':30}{'seeds':>6}" + "".join(f"{f'n = {n}':>18}" for n in SIZES))
    for name in names:
        c = cubes[name]
        whole = c[:, ~np.isnan(c).any(axis=(0, 2))]
        count = whole.shape[1]
        if count == 0:
            continue
        drawn = [whole[:, rng.integers(0, count, count)].mean(axis=(0, 1)) for _ in range(500)]
        low, high = np.quantile(drawn, [0.05, 0.95], axis=0)
        cells = [f"{m:.1f} ({a:.1f}-{b:.1f})" for m, a, b in zip(whole.mean(axis=(0, 1)), low, high, strict=True)]
        print(f"{name:30}{count:>6}" + "".join(f"{cell:>18}" for cell in cells))
    peers = [n for n in names if n in PEERS]
    if not peers or "own engine" not in names:
        return
    means = {n: np.nanmean(cubes[n], axis=1) for n in [*peers, "own engine"]}
    overall = {n: m.mean(axis=0) for n, m in means.items()}
    print("\nOwn engine over the best peer, all preparations together")
    for k, n in enumerate(SIZES):
        best = min(peers, key=lambda p: overall[p][k])
        ratio = overall["own engine"][k] / overall[best][k]
        print(f"  n = {n:<3} {overall['own engine'][k]:5.1f} / {overall[best][k]:5.1f} = {ratio:.2f}   ({best})")
    print("\nPer preparation: own engine / best peer there = ratio")
    print(f"{'preparation':26}" + "".join(f"{f'n = {n}':>22}" for n in SIZES))
    for kind, make in enumerate(COLLECTIONS[collection]):
        cells = []
        for k in range(len(SIZES)):
            own, best_value = means["own engine"][kind, k], min(means[p][kind, k] for p in peers)
            cells.append(f"{own:.1f} / {best_value:.1f} = {own / max(best_value, 0.1):.2f}")
        print(f"{make().name:26}" + "".join(f"{cell:>22}" for cell in cells))


def main() -> None:
    """Run the campaigns that are missing and print the tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, default=16)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--set", nargs="*", choices=sorted(SETS), default=["own", "peers"], help="which choosers to run")
    parser.add_argument("--only", nargs="*", default=[], help="names of choosers, instead of whole sets")
    parser.add_argument("--preparations", nargs="*", choices=list(COLLECTIONS), default=["first"], help="which collections")
    parser.add_argument("--results", type=Path, default=Path("artefacts/sample_efficiency.jsonl"))
    arguments = parser.parse_args()
    names = arguments.only or [n for s in arguments.set for n in SETS[s]]
    if not torch_is_here():
        left_out = [n for n in names if n.startswith("Optuna GP")]
        names = [n for n in names if n not in left_out]
        print(f"PyTorch is not installed; left out: {', '.join(left_out)}")
    arguments.results.parent.mkdir(parents=True, exist_ok=True)
    results = read_results(arguments.results)
    kinds = [k for collection in arguments.preparations for k in kinds_of(collection)]
    wanted = [(n, k, s) for s in range(arguments.seeds) for k in kinds for n in names]
    missing = [key for key in wanted if key not in results]
    with (
        pool_of(arguments.workers) as pool,
        arguments.results.open("a", encoding="utf-8") as file,
        tqdm(total=len(wanted), initial=len(wanted) - len(missing), unit="campaign") as bar,
    ):
        for future in as_completed([pool.submit(campaign, *key) for key in missing]):
            key, shortfalls = future.result()
            results[key] = shortfalls
            line = {"chooser": key[0], "kind": key[1], "seed": key[2], "shortfalls": shortfalls}
            file.write(json.dumps(line) + "\n")
            file.flush()
            bar.update()
    for collection in arguments.preparations:
        print_tables(results, collection, arguments.seeds)


if __name__ == "__main__":
    main()
