"""How long fits, effects and proposals take, as medians and ratios.

    python -m tests.bench.speed

The yardstick is one plain scikit-learn GaussianProcessRegressor fit with five
restarts on the same data, in the same call.
"""

from __future__ import annotations

import statistics
import time
import tracemalloc
from collections.abc import Callable

import numpy as np
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import ConstantKernel, Matern, WhiteKernel

from server.compute.threads import keep_to_one_thread
from server.core.choose.proposal import History, propose, working_recipe
from server.core.model.effects import find_effects
from server.core.model.ladder import fit_ladder
from server.core.model.runs import RunTable
from server.core.space.coordinates import encode
from server.core.space.limits import Space
from server.core.space.variables import Role, Setting, Stage, Variable

ROLES = (Role.HOLD_TIME, Role.TEMPERATURE, Role.RATIO, Role.LOADING, Role.COUNT, Role.VOLUME, Role.OTHER, Role.CONCENTRATION)


def campaign(n_runs: int, n_variables: int) -> tuple[Space, RunTable, list[dict[str, Setting]]]:
    """Made-up runs in a mixed space."""
    variables = []
    for j in range(n_variables):
        role = ROLES[j % len(ROLES)]
        unit = {Role.HOLD_TIME: "h", Role.TEMPERATURE: "°C"}.get(role, "")
        stage = Stage.REACTION if j < 4 else Stage.WORK_UP
        step = 1.0 if role is Role.COUNT else 0.5
        variables.append(Variable(f"v{j}", f"v{j}", role, unit, 1.0, 21.0, step, 5.0, stage))
    space = Space(tuple(variables))
    rng = np.random.default_rng(n_runs + n_variables)
    rows: list[dict[str, Setting]] = [{v.key: float(rng.choice(v.grid())) for v in variables} for _ in range(n_runs)]
    coded = encode(variables, rows)
    yields = 70 - 30 * ((coded - 0.6) ** 2)[:, : min(3, n_variables)].sum(axis=1) + 2 * rng.standard_normal(n_runs)
    return space, RunTable(tuple(variables), coded, yields, np.zeros(n_runs), tuple(range(n_runs))), rows


def median_seconds(act: Callable[[], object], repeats: int = 5) -> float:
    """Median wall time of ``act``. [s]"""
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        act()
        times.append(time.perf_counter() - start)
    return statistics.median(times)


def yardstick(table: RunTable) -> None:
    """One plain Gaussian-process fit with five restarts."""
    d = table.n_variables
    kernel = ConstantKernel(100.0) * Matern(np.ones(d), nu=2.5) + WhiteKernel(4.0)
    GaussianProcessRegressor(kernel, normalize_y=True, n_restarts_optimizer=5, random_state=0).fit(table.coded, table.yields)


def main() -> None:
    """Measure and print."""
    import warnings

    keep_to_one_thread()
    warnings.simplefilter("ignore")  # scikit-learn's optimiser complains about bounds; only its time counts here
    heads = [f"{'runs':>5} {'variables':>9}", f"{'fit+effects / s':>16}", f"{'proposal / s':>13}", f"{'GPR fit / s':>12}"]
    print(*heads, f"{'ratio':>7}", f"{'peak / MB':>10}")
    for n, d in ((10, 6), (30, 3), (30, 6), (30, 10), (100, 6), (200, 10), (500, 8)):
        space, table, rows = campaign(n, d)
        raw: list[list[float | str]] = [list(r.values()) for r in rows]
        best = working_recipe(fit_ladder(table), space, rows) or 0

        def fit_and_effects(table: RunTable = table, best: int = best, raw: list[list[float | str]] = raw) -> None:
            find_effects(fit_ladder(table), table.coded[best], raw)

        def proposal(table: RunTable = table, space: Space = space, rows: list[dict[str, Setting]] = rows) -> None:
            propose(History(space, table, tuple(rows)), fit_ladder(table))

        repeats = 5 if n <= 100 else 1
        own, next_run = median_seconds(fit_and_effects, repeats), median_seconds(proposal, repeats)
        plain = median_seconds(lambda table=table: yardstick(table), 3 if n <= 100 else 1)  # type: ignore[misc]
        tracemalloc.start()
        fit_and_effects()
        peak = tracemalloc.get_traced_memory()[1] / 1e6
        tracemalloc.stop()
        print(f"{n:5} {d:9} {own:16.2f} {next_run:13.2f} {plain:12.3f} {own / plain:7.1f} {peak:10.0f}")


if __name__ == "__main__":
    main()
