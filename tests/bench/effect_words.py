"""How often 'clear' and 'likely' are right about what moved the yield.

    python -m tests.bench.effect_words [--histories 30] [--workers 2]

Simulated histories in which every variable is inert with a probability of one half and otherwise changes
the yield by 8 to 30 points over its range (a straight line in coded coordinates), run one at a time from
the base recipe, the same with the base recipe twice more, or spread at random, with several scatters.
"""

from __future__ import annotations

import argparse
from collections import Counter

import numpy as np

from server.core.model.effects import Evidence, find_effects
from server.core.model.ladder import NO_END_LOSSES, fit_ladder
from server.core.model.runs import RunTable
from server.core.space.coordinates import encode
from server.core.space.variables import FloatArray, Role, Variable
from tests.bench.workers import pool_of

VARIABLES = (
    Variable("hold", "hold", Role.HOLD_TIME, "h", 0.5, 6.0, 0.5, 2.0),
    Variable("bath", "bath", Role.TEMPERATURE, "°C", 100.0, 150.0, 5.0, 125.0),
    Variable("ratio", "ratio", Role.RATIO, "eq", 1.0, 3.0, 0.1, 1.7),
    Variable("load", "load", Role.LOADING, "mol%", 1.0, 6.0, 0.5, 2.5),
)
CASES = [(design, scatter) for design in ("one at a time", "with repeats", "8 at random") for scatter in (2.0, 5.0, 10.0)]


def design_rows(design: str, rng: np.random.Generator) -> FloatArray:
    """Coded settings of a history, shape (n_runs, n_variables)."""
    base = encode(VARIABLES, [{v.key: v.base for v in VARIABLES}])[0]
    if design == "8 at random":
        return np.vstack([base, rng.random((7, len(VARIABLES)))])
    rows = [base]
    for j in range(len(VARIABLES)):
        changed = base.copy()
        changed[j] = float(rng.integers(2))
        rows.append(changed)
    return np.array(rows + ([base, base] if design == "with repeats" else []))


def history(case: int, seed: int) -> tuple[int, Counter[str]]:
    """Words about one history: counts of (inert or real) with the word, and of wrong directions."""
    design, scatter = CASES[case]
    rng = np.random.default_rng([seed, case])
    coded = design_rows(design, rng)
    slopes = np.where(rng.random(len(VARIABLES)) < 0.5, 0.0, rng.uniform(8.0, 30.0, len(VARIABLES)))
    slopes *= rng.choice([-1.0, 1.0], len(VARIABLES))
    yields = np.clip(60.0 + (coded - 0.5) @ slopes + scatter * rng.standard_normal(len(coded)), 0.0, 100.0)
    table = RunTable(VARIABLES, coded, yields, np.zeros(len(coded)), tuple(range(1, len(coded) + 1))).in_canonical_order()
    raw: list[list[float | str]] = [list(map(float, row)) for row in table.coded]  # words about ranges are not read here
    found = Counter[str]()
    for effect in find_effects(fit_ladder(table, losses=NO_END_LOSSES), table.coded[int(np.argmax(table.yields))], raw):
        slope = slopes[next(j for j, v in enumerate(VARIABLES) if v.key == effect.key)]
        is_said = effect.evidence in (Evidence.CLEAR, Evidence.LIKELY)
        # Where the best level lies inside, the change is told towards it: its direction is no slope's.
        is_wrong = is_said and (slope == 0.0 or ("highest near" not in effect.sentence and (effect.change or 0.0) * slope < 0.0))
        found[f"{'inert' if slope == 0.0 else 'real'} {effect.evidence.value}"] += 1
        found[f"{effect.evidence.value} and wrong"] += is_wrong
    return case, found


def main() -> None:
    """Print a table: what is said of inert and of real variables, and how much of it is wrong."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--histories", type=int, default=30)
    parser.add_argument("--workers", type=int, default=2)
    given = parser.parse_args()
    totals = [Counter[str]() for _ in CASES]
    tasks = [(case, seed) for seed in range(given.histories) for case in range(len(CASES))]
    with pool_of(given.workers) as pool:
        for done, (case, found) in enumerate(pool.map(_one, tasks), start=1):
            totals[case].update(found)
            print(f"\r{done} of {len(tasks)} histories", end="", flush=True)
    kinds = [(kind, word) for kind in ("inert", "real") for word in ("clear", "likely")]
    heads = ["runs", "scatter", *(f"{word} of {kind}" for kind, word in kinds), "clear: wrong", "likely: wrong"]
    print(f"\n\n| {' | '.join(heads)} |\n|{'---|' * len(heads)}")
    for (design, scatter), n in zip(CASES, totals, strict=True):
        of = {kind: sum(count for key, count in n.items() if key.startswith(kind)) for kind in ("inert", "real")}
        cells = [f"{n[f'{kind} {word}']} of {of[kind]}" for kind, word in kinds]
        wrong = [f"{n[f'{w} and wrong']} of {n[f'inert {w}'] + n[f'real {w}']}" for w in ("clear", "likely")]
        print(f"| {design} | {scatter:g} | {' | '.join(cells)} | {' | '.join(wrong)} |")


def _one(task: tuple[int, int]) -> tuple[int, Counter[str]]:
    return history(*task)


if __name__ == "__main__":
    main()
