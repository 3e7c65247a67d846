"""What readings and checkpoints of a run are worth: shortfall of the working recipe with and without them.

    python -m tests.bench.followed_runs [--what readings checkpoints] [--seeds 12] [--workers 2]

The same campaigns twice, the evidence once used beside the runs and once ignored. Readings: every
run is followed by ten readings of the product in the mixture (noise 1.5 points); preparations of the
first collection with a reaction that can be followed. Checkpoints: the product is weighed after the
reaction (noise 2 points of theory); all preparations with variables before and after that. Printed
too: how often outcomes fell into the 90 % range of the forecast.
"""

from __future__ import annotations

import argparse
from dataclasses import replace
from functools import lru_cache

import numpy as np

from server.core.choose.proposal import History, propose, working_recipe
from server.core.choose.search import draw_reachable
from server.core.course.evidence import evidence_about_hold, tells_about_product
from server.core.course.fitting import fit_course
from server.core.model.ladder import fit_ladder
from server.core.model.runs import Beside, RunTable
from server.core.model.stagewise import Way, cross_runs, crossed_evidence
from server.core.space.coordinates import encode
from server.core.space.limits import reach_of
from server.core.space.units import convert
from server.core.space.variables import REACTION_STAGES, Setting, Stage
from server.errors import NotReadyError
from tests.bench.preparations import Preparation
from tests.bench.sample_efficiency import ALL, optimum
from tests.bench.workers import pool_of

FOLLOWED = ("over-reaction", "reversible with a shift", "competing selectivity", "cliff", "mixed choices", "eight, three matter")
SIZES = (4, 6, 8, 12)
# More than the yield that the best work-up leaves: some is always lost.
_ABOVE = 1.03
Row = dict[str, Setting]


def readings(preparation: Preparation, row: Row, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Ten readings up to the end of the hold: the true yield of shorter holds, in proportion, with noise."""
    hold = preparation.space.variable("hold")
    hours = np.linspace(0.1, 1.0, 10) * convert(float(row["hold"]), hold.unit, "h")
    truth = [preparation.truth({**row, "hold": convert(float(t), "h", hold.unit)}) for t in hours]
    # The mixture before the work-up: nothing is lost yet, so values are larger by a common factor.
    return hours, np.clip(1.08 * np.array(truth) + 1.5 * rng.standard_normal(10), 0.0, 104.0)


def beside(
    preparation: Preparation, rows: list[Row], yields: list[float], courses: list[tuple[np.ndarray, np.ndarray]]
) -> Beside | None:
    """Evidence from all courses, as the app collects it."""
    hold = preparation.space.variable("hold")
    out: list[Row] = []
    percents, sds, numbers = [], [], []
    for k, (row, percent, (hours, values)) in enumerate(zip(rows, yields, courses, strict=True)):
        try:
            fit, _ = fit_course(hours, values)
        except NotReadyError:
            continue
        if not tells_about_product(fit.form.shape):
            continue
        for e in evidence_about_hold(fit, convert(float(row["hold"]), hold.unit, "h"), percent):
            out.append({**row, "hold": convert(e.hold_h, "h", hold.unit)})
            percents.append(e.percent)
            sds.append(e.sd)
            numbers.append(-k - 1)
    if not out:
        return None
    variables = preparation.space.variables
    table = RunTable(variables, encode(variables, out), np.array(percents), np.array(sds), tuple(numbers))
    return Beside(table, tuple(frozenset((-number,)) for number in numbers))


@lru_cache(maxsize=64)
def best_work_up(kind: int) -> Row:
    """Settings after the reaction that keep most, of two hundred, behind the base recipe's reaction."""
    preparation = ALL[kind]()
    space = preparation.space
    later = [v.key for v in space.variables if v.stage not in REACTION_STAGES]
    reach = reach_of(space)
    drawn = [reach.settings(list(p)) for p in draw_reachable(reach, 200, np.random.default_rng(1))]
    options = [{key: row[key] for key in later} for row in drawn]
    return max(options, key=lambda o: preparation.truth({**space.base, **o}))


def checkpoint(kind: int, row: Row, rng: np.random.Generator) -> float:
    """Product after the reaction: what the best work-up would leave and a little more, with noise. [% of theory]"""
    truth = ALL[kind]().truth({**row, **best_work_up(kind)})
    return float(np.clip(_ABOVE * truth + 2.0 * rng.standard_normal(), 0.5, 104.0))


def has_work_up(preparation: Preparation) -> bool:
    """Whether variables act both in the reaction and after it."""
    before = [v.stage in REACTION_STAGES for v in preparation.space.variables]
    return any(before) and not all(before)


def kinds_for(what: str) -> list[int]:
    """Positions in ``ALL`` of the preparations that take part."""
    if what == "readings":
        return [k for k, make in enumerate(ALL) if make().name in FOLLOWED]
    return [k for k, make in enumerate(ALL) if has_work_up(make())]


def campaign(kind: int, seed: int, what: str, is_used: bool) -> tuple[list[float], list[bool]]:
    """Shortfalls at every size [points], and whether each forecast's 90 % range held."""
    preparation = ALL[kind]()
    space = preparation.space
    rng = np.random.default_rng([seed, kind])
    noise = rng.standard_normal(max(SIZES)) * preparation.noise
    rows: list[Row] = []
    yields: list[float] = []
    courses: list[tuple[np.ndarray, np.ndarray]] = []
    contents: list[float] = []
    found, held = [], []
    while len(rows) <= max(SIZES):
        n = len(rows)
        coded = encode(space.variables, rows).reshape(n, len(space.variables))
        table = RunTable(space.variables, coded, np.array(yields, dtype=float), np.zeros(n), tuple(range(1, n + 1)))
        extra = None
        if is_used and n and what == "readings":
            extra = beside(preparation, rows, yields, courses)
        elif is_used and n:
            ways = [Way(k + 1, {Stage.REACTION: c}, y) for k, (c, y) in enumerate(zip(contents, yields, strict=True))]
            extra = crossed_evidence(table, cross_runs(table, ways))
        ladder = fit_ladder(table, beside=extra)
        if n in SIZES:
            best = working_recipe(ladder, space, rows)
            found.append(optimum(kind) - preparation.truth(rows[best or 0]))
        if n == max(SIZES):
            break
        proposal = propose(replace(History(space, table, tuple(rows), (), None), beside=extra), ladder)
        row = proposal.settings
        rows.append(row)
        yields.append(float(np.clip(preparation.truth(row) + noise[n], 0.0, 100.0)))
        held.append(proposal.forecast.low_90 <= yields[-1] <= proposal.forecast.high_90)
        if what == "readings":
            courses.append(readings(preparation, row, rng))
        else:
            contents.append(checkpoint(kind, row, rng))
    return found, held


def main() -> None:
    """Run both and print the tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--what", nargs="*", choices=["readings", "checkpoints"], default=["readings", "checkpoints"])
    parser.add_argument("--seeds", type=int, default=12)
    parser.add_argument("--workers", type=int, default=2)
    arguments = parser.parse_args()
    for what in arguments.what:
        kinds = kinds_for(what)
        jobs = [(k, s, what, f) for k in kinds for s in range(arguments.seeds) for f in (False, True)]
        with pool_of(arguments.workers) as pool:
            results = dict(zip(jobs, pool.map(campaign, *zip(*jobs, strict=True)), strict=True))
        print(f"\nMean shortfall from the optimum / points, {arguments.seeds} seeds: without {what} → with")
        print(f"{'preparation':28}" + "".join(f"{f'n = {n}':>18}" for n in SIZES))
        table = np.array([[[results[k, s, what, f][0] for s in range(arguments.seeds)] for f in (False, True)] for k in kinds])
        for k, values in zip(kinds, table, strict=True):
            cells = [f"{values[0, :, i].mean():.1f} → {values[1, :, i].mean():.1f}" for i in range(len(SIZES))]
            print(f"{ALL[k]().name:28}" + "".join(f"{cell:>18}" for cell in cells))
        cells = [f"{table[:, 0, :, i].mean():.1f} → {table[:, 1, :, i].mean():.1f}" for i in range(len(SIZES))]
        print(f"{'all':28}" + "".join(f"{cell:>18}" for cell in cells))
        for f, words in ((False, "without"), (True, "with")):
            inside = np.mean([h for key, (_, held) in results.items() if key[3] is f for h in held[3:]])
            print(f"Forecasts from the fourth run on inside their 90 % range, {words}: {100 * inside:.0f} %")


if __name__ == "__main__":
    main()
