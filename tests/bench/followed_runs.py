"""What readings of a run are worth: shortfall of the working recipe with and without time courses.

    python -m tests.bench.followed_runs [--seeds 12] [--workers 2]

The same campaigns twice: every run is followed by ten readings of the product in the
mixture (noise 1.5 points), once used as evidence beside the runs and once ignored.
Only preparations with a reaction that can be followed take part.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from server.core.choose.proposal import History, propose, working_recipe
from server.core.course.evidence import evidence_about_hold, tells_about_product
from server.core.course.fitting import fit_course
from server.core.model.ladder import fit_ladder
from server.core.model.runs import RunTable
from server.core.space.coordinates import encode
from server.core.space.units import convert
from server.core.space.variables import Setting
from server.errors import NotReadyError
from tests.bench.preparations import ALL, Preparation
from tests.bench.sample_efficiency import optimum
from tests.bench.workers import pool_of

FOLLOWED = ("over-reaction", "reversible with a shift", "competing selectivity", "cliff", "mixed choices", "eight, three matter")
SIZES = (4, 6, 8)
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
) -> RunTable:
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
    variables = preparation.space.variables
    coded = encode(variables, out).reshape(len(out), len(variables))
    return RunTable(variables, coded, np.array(percents), np.array(sds), tuple(numbers))


def campaign(kind: int, seed: int, is_followed: bool) -> list[float]:
    """Shortfalls at every size. [points]"""
    preparation = ALL[kind]()
    space = preparation.space
    rng = np.random.default_rng([seed, kind])
    noise = rng.standard_normal(max(SIZES)) * preparation.noise
    rows: list[Row] = []
    yields: list[float] = []
    courses: list[tuple[np.ndarray, np.ndarray]] = []
    found = []
    while len(rows) <= max(SIZES):
        n = len(rows)
        coded = encode(space.variables, rows).reshape(n, len(space.variables))
        table = RunTable(space.variables, coded, np.array(yields, dtype=float), np.zeros(n), tuple(range(1, n + 1)))
        extra = beside(preparation, rows, yields, courses) if is_followed and n else None
        ladder = fit_ladder(table, beside=extra)
        if n in SIZES:
            best = working_recipe(ladder, space, rows)
            found.append(optimum(kind) - preparation.truth(rows[best or 0]))
        if n == max(SIZES):
            break
        row = propose(replace(History(space, table, tuple(rows), (), None), beside=extra), ladder).settings
        rows.append(row)
        yields.append(float(np.clip(preparation.truth(row) + noise[n], 0.0, 100.0)))
        courses.append(readings(preparation, row, rng))
    return found


def main() -> None:
    """Run both and print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, default=12)
    parser.add_argument("--workers", type=int, default=2)
    arguments = parser.parse_args()
    makers: list[Callable[[], Preparation]] = list(ALL)
    kinds = [k for k, make in enumerate(makers) if make().name in FOLLOWED]
    jobs = [(k, s, f) for k in kinds for s in range(arguments.seeds) for f in (False, True)]
    with pool_of(arguments.workers) as pool:
        results = dict(zip(jobs, pool.map(campaign, *zip(*jobs, strict=True)), strict=True))
    print(f"Mean shortfall from the optimum / points, {arguments.seeds} seeds: without readings → with")
    print(f"{'preparation':26}" + "".join(f"{f'n = {n}':>18}" for n in SIZES))
    table = np.array([[[results[k, s, f] for s in range(arguments.seeds)] for f in (False, True)] for k in kinds])
    for k, values in zip(kinds, table, strict=True):
        cells = [f"{values[0, :, i].mean():.1f} → {values[1, :, i].mean():.1f}" for i in range(len(SIZES))]
        print(f"{makers[k]().name:26}" + "".join(f"{cell:>18}" for cell in cells))
    cells = [f"{table[:, 0, :, i].mean():.1f} → {table[:, 1, :, i].mean():.1f}" for i in range(len(SIZES))]
    print(f"{'all':26}" + "".join(f"{cell:>18}" for cell in cells))


if __name__ == "__main__":
    main()
