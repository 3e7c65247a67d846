"""From stored runs to effects, working recipe, proposal and forecast record."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from sqlmodel import Session

from server.compute.fits import STORE, beside_mark, fingerprint, fitted, fitted_level, ladder_key, usual_runs
from server.core.choose.proposal import (
    Burden,
    Forecast,
    History,
    Proposal,
    Purpose,
    assess,
    propose_several,
)
from server.core.choose.search import draw_reachable
from server.core.model.curves import Curve, Pair, pair_picture, response_curve
from server.core.model.drift import (
    BY_LOT,
    BY_MAKER,
    SMALL_DIFFERENCE,
    SPREAD_OF_SCALES,
    Trend,
    change_with_scale,
    differences,
    drift_with_order,
    levels,
    run_order,
)
from server.core.model.effects import (
    FEWEST_RUNS_FOR_EFFECTS,
    Effect,
    Evidence,
    by_evidence,
    find_effects,
    listed,
    moved_words,
    points_text,
    tie_words,
)
from server.core.model.knowable import (
    PARTLY_R2,
    Knowable,
    indicators,
    moved_with,
    separating_run,
    shares_moved_with,
    shifts_with,
    what_is_knowable,
)
from server.core.model.lack_of_fit import straight_lines_sentence
from server.core.model.ladder import NO_END_LOSSES, PRIOR_WEIGHTS, Ladder, fit_ladder
from server.core.model.quality import Quality, judge
from server.core.model.repeatability import NotEnoughRepeatsError, pooled_repeat_std
from server.core.model.runs import Beside, RunTable
from server.core.model.stagewise import Cross, StageByStage, Stretch, cross_runs, crossed_evidence, stage_by_stage
from server.core.space.coordinates import encode
from server.core.space.limits import Space
from server.core.space.variables import Setting
from server.errors import NothingReachableError, NotReadyError
from server.services.charges import idle_choices
from server.services.courses import evidence_beside
from server.services.runs import RunView, view_runs
from server.services.spaces import space_of
from server.services.stages import Ways, ways_of
from server.services.stock import Supply, supply_of
from server.storage import questions
from server.storage.tables import PreparationRow

# What is no setting and may move with one: words for what cannot be told, and for what would look the same.
CIRCUMSTANCES = {
    "order": (
        "the order of the runs: a slow change of reagents, glassware or routine would look the same. "
        "An early setting once more would tell.",
        "a slow change from run to run",
    ),
    "lot": (
        "the reagent lot: a lot that differs would look the same. A run that swaps lot and setting would tell.",
        "another reagent lot",
    ),
    "made_by": (
        "who made the runs: what one person does otherwise would look the same. "
        "A run in which the other takes the setting would tell.",
        "what another person does otherwise",
    ),
    "scale": (
        "the scale of the runs: what another scale does would look the same. A run that swaps scale and setting would tell.",
        "another scale",
    ),
}
# The same where they are shown to matter.
MATTERS = {
    "lot": "Reagent lots differ",
    "made_by": "The runs of different people differ",
    "scale": "Yields change with the scale",
}
# What runs are grouped by, as their rows name it.
GROUPINGS = {"lot": BY_LOT, "made_by": BY_MAKER}
# From so many runs on, pages show progress while the models are fitted.
MANY_RUNS = 120


@dataclass(frozen=True)
class WorkingRecipe:
    """The settings that the evidence favours today. Yields in %."""

    run_number: int
    settings: dict[str, Setting]
    forecast: Forecast


def _least(effect: Effect) -> float:
    """The least that an effect may be by its 90 % range, whatever its sign. [percentage points]"""
    low, high = effect.low_90 or 0.0, effect.high_90 or 0.0
    return min(abs(low), abs(high)) if low * high > 0 else 0.0


class Analysis:
    """All answers about one preparation, each computed when first asked for."""

    def __init__(
        self,
        preparation: PreparationRow,
        space: Space,
        runs: Sequence[RunView],
        supply: Supply,
        courses: Beside | None = None,
        ways: Ways | None = None,
    ) -> None:
        self.preparation = preparation
        self.supply = supply
        # The same runs with coordinates that reach over all of them; None where no run lies outside its range.
        self.wide: Analysis | None = None
        self.space = space
        self.runs = list(runs)
        self.counting = [r for r in self.runs if r.counts]
        yields, extra = np.array([r.as_modelled for r in self.counting]).reshape(-1, 2).T
        failed = np.array([r.row.outcome == "failure" for r in self.counting], dtype=bool)
        coded = encode(space.variables, [r.settings for r in self.counting])
        coded = coded.reshape(len(self.counting), len(space.variables))
        numbers = tuple(r.number for r in self.counting)
        self.table = RunTable(space.variables, coded, yields, extra, numbers, failed, preparation.expected_scatter)
        self.ways = ways or Ways()
        # What time courses and checkpoints say beside the runs.
        self.beside_courses = courses
        self.crosses = cross_runs(self.table, self.ways.ways, self.ways.order)
        self.beside_stages = crossed_evidence(self.table, self.crosses) if preparation.use_checkpoints else None
        parts = [part for part in (self.beside_courses, self.beside_stages) if part is not None]
        self.beside = None if not parts else parts[0] if len(parts) == 1 else parts[0].joined_with(parts[1])

    def mark(self, *extra: object) -> str:
        """Fingerprint of the runs, of the evidence beside them, and of whatever else a result depends on."""
        return fingerprint(self.table, beside_mark(self.beside), *extra)

    @property
    def has_variables(self) -> bool:
        return bool(self.space.variables)

    @cached_property
    def ladder(self) -> Ladder:
        return fitted(self.table, self.beside)

    @cached_property
    def _usual(self) -> tuple[RunTable, Beside | None] | None:
        """The runs that did not fail and what rests on them; None where all or none of them failed."""
        return usual_runs(self.table, self.beside)

    @property
    def ladder_without_failures(self) -> Ladder | None:
        """Models of the runs that did not fail; None where all or none of them failed."""
        return fitted(*self._usual) if self._usual is not None else None

    @cached_property
    def level_ladder(self) -> Ladder:
        """Models that say what moved the yield: they do not expect it to fall off towards the ends of the ranges."""
        return fitted_level(self.table, self.beside)

    @property
    def level_ladder_without_failures(self) -> Ladder | None:
        """The same of the runs that did not fail; None where all or none of them failed."""
        return fitted_level(*self._usual) if self._usual is not None else None

    @property
    def work_key(self) -> str:
        """Key of the fit of these runs."""
        return ladder_key(self.table, self.beside)

    @property
    def takes_long(self) -> bool:
        """Whether the fit takes longer than a page may, and is not there yet."""
        return self.table.n_runs >= MANY_RUNS and not STORE.has(self.work_key)

    def prepare(self, report: Callable[[float, str], None]) -> None:
        """Do the heavy parts that the pages share, telling progress; results land in the store.

        Whatever ``report`` raises stops the work; nothing is kept half done.
        """
        fitted(self.table, self.beside, lambda share, step: report(0.7 * share, step))
        try:
            report(0.7, "effects")
            assert self.effects is not None
            report(0.8, "response curves")
            for j in range(len(self.space.variables)):
                self.curve(j)
                report(0.8 + 0.1 * j / len(self.space.variables), "response curves")
            for stretch in self.stages.stretches if self.stages else ():
                report(0.9, f"stage by stage: {stretch.title}")
                with suppress(NotReadyError):
                    self.stretch_effects(stretch)
            report(0.95, "the next run")
            self.proposal()
        except (NotReadyError, NothingReachableError):
            return  # the pages say so themselves

    @cached_property
    def knowable(self) -> Knowable:
        return what_is_knowable(self.table)

    @cached_property
    def quality(self) -> Quality:
        return judge(self.ladder)

    @cached_property
    def repeatability(self) -> tuple[float, int] | None:
        """Pooled standard deviation of repeats and its degrees of freedom, of runs that tell; None without repeats."""
        usual = self.table.telling_scatter()
        try:
            return pooled_repeat_std(usual.yields, usual.groups())
        except NotEnoughRepeatsError:
            return None

    @property
    def repeatability_sentence(self) -> str:
        """What is known about repeatability, in words."""
        expected = self.preparation.expected_scatter
        if self.repeatability is None:
            of_yours = f", from the {expected:g} that you expect" if expected else ""
            usual = f"{points_text(expected)} {'is' if expected == 1 else 'are'}" if expected else "2 to 3 points are"
            assumed = f"{self.ladder.noise_sd:.1f} points are assumed{of_yours}," if self.has_variables else f"{usual} assumed"
            return f"Repeatability is not measured yet: no settings gave a result twice. {assumed} until a repeat says otherwise."
        std, dof = self.repeatability
        degrees = "1 degree" if dof == 1 else f"{dof} degrees"
        return f"Repeats scatter by {std:.1f} points (standard deviation of a single run, {degrees} of freedom)."

    @cached_property
    def best_position(self) -> int | None:
        if not self.has_variables or not self.counting:
            return None
        return self.history.working_recipe(self.ladder)

    @cached_property
    def working(self) -> WorkingRecipe | None:
        """The working recipe, or None before a counting run inside the limits exists."""
        if self.best_position is None:
            return None
        run = self.counting[self.best_position]
        row = encode(self.space.variables, [run.settings])
        return WorkingRecipe(run.number, dict(run.settings), Forecast.of(self.ladder.predict(row, with_noise=True)))

    @cached_property
    def effects(self) -> tuple[Effect, ...]:
        """Effects of all variables.

        What past runs tell does not depend on where a range ends today, so coordinates reach over all of them.

        Raises
        ------
        NotReadyError
            Before there are enough runs.
        """
        n = self.table.n_runs
        if n >= FEWEST_RUNS_FOR_EFFECTS and self.has_variables and self.best_position is None:
            message = "No run inside the limits has given product, so there is no working recipe to compare with."
            raise NotReadyError(message, have=0, need=1)
        if n < FEWEST_RUNS_FOR_EFFECTS or self.best_position is None:
            runs = "run" if n == 1 else "runs"
            raise NotReadyError(
                f"{n} {runs} so far; effects need at least {FEWEST_RUNS_FOR_EFFECTS}.", have=n, need=FEWEST_RUNS_FOR_EFFECTS
            )
        source = self.wide or self
        raw = [[self.counting[i].settings[v.key] for v in self.space.variables] for i in source._canonical_order]
        working = source.table.coded[self.best_position]
        key = source.mark("effects", self.best_position, [v.name for v in self.space.variables], raw)
        found = STORE.get(
            key, lambda: find_effects(source.level_ladder, working, raw, without=source.level_ladder_without_failures)
        )
        return self._with_circumstances(found)

    @cached_property
    def _canonical_order(self) -> list[int]:
        """Position in ``counting`` of each row of ``ladder.table``."""
        return [int(i) for i in self.table.canonical_order()]

    @cached_property
    def stages(self) -> StageByStage | None:
        """Where the product is lost, over all runs; None while too few runs have checkpoints."""
        return stage_by_stage(self.ways.ways, self.ways.order)

    def best_cross(self) -> tuple[Cross, dict[str, Setting]] | None:
        """The cross of two runs that implies most, and its settings.

        None where none beats every run that counts with settings that no run has, planned ones included.
        """
        if not self.crosses:
            return None
        made = encode(self.space.variables, [r.settings for r in self.runs])
        new = [c for c in self.crosses if not np.any(np.all(np.isclose(made, c.row, rtol=0.0, atol=1e-7), axis=1))]
        if not new:
            return None
        best = max(new, key=lambda c: (round(c.percent, 6), -c.first, -c.second))
        if best.percent <= float(self.table.yields.max()):
            return None
        by_number = {r.number: r.settings for r in self.counting}
        early = self.ways.order.up_to(best.stage)
        first, second = by_number[best.first], by_number[best.second]
        return best, {v.key: (first if v.stage in early else second)[v.key] for v in self.space.variables}

    def stretch_effects(self, stretch: Stretch) -> tuple[Effect, ...]:
        """What moved the recovery of one stretch, of the variables that can act on it.

        Notes
        -----
        Recipes describe a reaction, so only the first stretch is fitted with them. Runs with next to
        nothing left at its start are left out.

        Raises
        ------
        NotReadyError
            Before there are enough runs, or without a variable that can act.
        """
        stretch = stretch.telling
        n = len(stretch.numbers)
        if n < FEWEST_RUNS_FOR_EFFECTS:
            runs = "run" if n == 1 else "runs"
            message = f"{n} {runs} so far; effects need at least {FEWEST_RUNS_FOR_EFFECTS}."
            raise NotReadyError(message, have=n, need=FEWEST_RUNS_FOR_EFFECTS)
        columns = [j for j, v in enumerate(self.space.variables) if stretch.acts(v)]
        if not columns:
            raise NotReadyError("No variable acts on this stretch.", have=0, need=1)
        if self.best_position is None:
            raise NotReadyError("Effects need a working recipe to compare with.", have=0, need=1)
        table = self._stretch_table(stretch, columns)
        at = [self.table.numbers.index(number) for number in stretch.numbers]
        variables = table.variables
        names = tuple(PRIOR_WEIGHTS) if stretch.is_first else tuple(r for r in PRIOR_WEIGHTS if r != "recipes")
        raw = [[self.counting[at[i]].settings[v.key] for v in variables] for i in table.canonical_order()]
        working = self.table.coded[self.best_position][columns]
        key = fingerprint(table, "stretch", names, working.tobytes(), [v.name for v in variables], raw, stretch.quantity)
        return STORE.get(
            key, lambda: find_effects(fit_ladder(table, rungs=names, losses=NO_END_LOSSES), working, raw, stretch.quantity)
        )

    def _stretch_table(self, stretch: Stretch, columns: list[int]) -> RunTable:
        """Recoveries of one stretch over some of the variables."""
        at = [self.table.numbers.index(number) for number in stretch.numbers]
        variables = tuple(self.space.variables[j] for j in columns)
        return RunTable(variables, self.table.coded[np.ix_(at, columns)], stretch.recovery, stretch.recovery_sd, stretch.numbers)

    def too_few_for_stretch(self, stretch: Stretch) -> str:
        """That the runs of a stretch are too few to separate the variables that moved; empty where they are not."""
        stretch = stretch.telling
        columns = [j for j, v in enumerate(self.space.variables) if stretch.acts(v)]
        return what_is_knowable(self._stretch_table(stretch, columns)).too_few_words(len(stretch.numbers))

    def curve(self, column: int) -> Curve:
        """Response curve of one variable at the working recipe.

        Raises
        ------
        NotReadyError
            Before there is a working recipe.
        """
        if self.best_position is None:
            raise NotReadyError("A response curve needs a working recipe.", have=0, need=1)
        working = self.table.coded[self.best_position]
        key = self.mark("curve", column, self.best_position, self.space.variables[column])
        return STORE.get(key, lambda: response_curve(self.level_ladder, column, working))

    def pair(self, first: int, second: int) -> Pair:
        """Expected yield over two variables at the working recipe; raises like ``curve``."""
        if self.best_position is None:
            raise NotReadyError("A picture of two variables needs a working recipe.", have=0, need=1)
        working = self.table.coded[self.best_position]
        recipe = self.counting[self.best_position].settings
        keys = self.space.variables[first].key, self.space.variables[second].key

        def is_allowed(x: float, y: float) -> bool:
            return all(rule.holds({**recipe, keys[0]: x, keys[1]: y}) for rule in self.space.rules)

        key = self.mark("pair", first, second, self.best_position, self.space)
        return STORE.get(key, lambda: pair_picture(self.level_ladder, first, second, working, is_allowed))

    @cached_property
    def trends(self) -> list[str]:
        """Drift with run order, differences between lots, people and scales in words, as far as there are runs to tell.

        A failed run would make the models look for what it has in common with others, and leave the rest unexplained.
        Where a variable moved with one of them, its effect has taken up what there may be: nothing is told then.
        """
        told = [trend.sentence for trend in self._trends if trend is not None]
        if self._partly_along:
            names = listed([self.space.variables[j].name for j in self._partly_along])
            told[0] += f" Effects of {names}, which moved partly along, may have taken up some of it, so it may be larger."
        return told

    @cached_property
    def _trends(self) -> list[Trend | None]:
        """All of them, that with run order first. Their ranges stand side by side, so each allows for the number of them."""
        return [trend for _, trend in self._trends_by_cause]

    @cached_property
    def _trends_by_cause(self) -> list[tuple[str, Trend | None]]:
        """The same, each with what it is about, as in ``CIRCUMSTANCES``."""
        return self._trends_among(max(1, sum(trend is not None for _, trend in self._trends_among(1))))

    def _trends_among(self, comparisons: int) -> list[tuple[str, Trend | None]]:
        ladder = self.ladder_without_failures or self.ladder
        by_number = {r.number: r.row for r in self.counting}
        tied = self._moved_with
        found = [("order", None if tied["order"] else drift_with_order(ladder, self._days, comparisons))]
        for key, grouping in GROUPINGS.items():
            if not tied[key]:
                labels = [getattr(by_number[number], key) for number in ladder.table.numbers]
                found += [(key, trend) for trend in differences(ladder, labels, grouping, comparisons)]
        if not tied["scale"]:
            found.append(("scale", change_with_scale(ladder, self._scales, comparisons)))
        return found

    @cached_property
    def _shifts(self) -> dict[str, dict[int, float]]:
        """How far lots, people and the scale, where they are shown to matter, would move the yield along each variable."""
        shown = {key: trend for key, trend in self._trends_by_cause if key in MATTERS and trend is not None and trend.is_shown}
        ladder = self.ladder_without_failures or self.ladder
        by_number = {r.number: r.row for r in self.counting}
        found = {}
        for key, trend in shown.items():
            if key == "scale":
                share = [trend.change * np.log2(self._scales.get(r.number, np.nan)) for r in self.counting]
            else:
                labels = [getattr(by_number[number], key) for number in ladder.table.numbers]
                off = levels(ladder, labels)
                share = [off.get(getattr(r.row, key).casefold(), np.nan) for r in self.counting]
            found[key] = shifts_with(self.table, np.array(share, dtype=float))
        return found

    def _beside(self, effect: Effect, j: int) -> Effect:
        """The effect with what lots, people or the scale, which are shown to matter, may have to do with it."""
        v, change = self.space.variables[j], effect.change or 0.0
        is_line = not v.is_choice and "highest near" not in effect.sentence
        for key, shifts in self._shifts.items():
            shift = shifts.get(j, 0.0)
            if effect.evidence is Evidence.NOT_SHOWN or abs(shift) < SMALL_DIFFERENCE or (is_line and shift * change < 0):
                continue
            words, kept = effect.sentence, effect.evidence
            if kept is Evidence.CLEAR and _least(effect) <= abs(shift):
                words, kept = words.replace(" clearly ", " likely "), Evidence.LIKELY
            effect = replace(
                effect, sentence=f"{words} {MATTERS[key]}, and it moved partly along: some of this may be that.", evidence=kept
            )
        return effect

    @cached_property
    def _partly_along(self) -> tuple[int, ...]:
        """Columns that moved partly with the order of the runs, where yields drift; empty where they do not."""
        if self._drift is None or not self._drift.is_shown:
            return ()
        rank, _ = run_order(self.table.numbers, self._days)
        return tuple(j for j, share in shares_moved_with(self.table, rank).items() if share >= PARTLY_R2)

    @property
    def _drift(self) -> Trend | None:
        """Drift with run order; None with too few runs, and where a variable moved with the order."""
        return self._trends[0]

    @property
    def _days(self) -> dict[int, str]:
        """Day of every run that counts, by number; empty text where it has none."""
        return {r.number: r.row.made_on or "" for r in self.counting}

    @property
    def _scales(self) -> dict[int, float]:
        """Scale of every run that counts and has one, by number. [mol]"""
        return {r.number: r.row.scale_mol for r in self.counting if r.row.scale_mol}

    @cached_property
    def unknowns(self) -> list[str]:
        """What cannot be told yet, one sentence each; empty without variables."""
        if not self.has_variables:
            return []
        out = []
        names = [v.name for v in self.space.variables]
        n_runs = self.table.n_runs
        if n_runs >= 2:
            for group in self.knowable.together:
                words = listed([names[j] for j in group])
                out.append(f"{words} cannot be told apart: in the {n_runs} runs {moved_words(len(group))}, or nearly so.")
            out += [tie_words(self.table, tie) for tie in self.knowable.ties]
            if self.knowable.never_moved:
                out.append(f"Never moved so far: {', '.join(names[j] for j in self.knowable.never_moved)}.")
            if too_few := self.knowable.too_few_words(n_runs):
                out.append(too_few)
            elif self.knowable.unjudged:
                unjudged = [names[j] for j in self.knowable.unjudged]
                words = listed(unjudged) if len(unjudged) > 1 else f"{unjudged[0]} and the others"
                out.append(
                    f"Whether {words} can be told apart cannot be judged: {n_runs} runs moved {self.knowable.n_moved} "
                    f"variables, and in them {moved_words(3)}, or nearly so, perhaps by chance."
                )
            out += self._moved_with_circumstances()
        out += [
            f"Run {r.number} gave {r.percent:.1f} %: it cannot have been all product, so it counts as a good run of which "
            "little is known, and is not taken for the working recipe where there is another. Dry it, or measure its purity."
            for r in self.counting
            if r.is_too_high
        ]
        if n_runs and self.repeatability is None:
            out.append(self.repeatability_sentence)
        return out

    @cached_property
    def _moved_with(self) -> dict[str, tuple[int, ...]]:
        """Columns whose settings moved with the order of the runs, with reagent lots, people or the scale."""
        rank, _ = run_order(self.table.numbers, self._days)
        scales = np.array([self._scales.get(r.number, np.nan) for r in self.counting])
        differ = bool(self._scales) and max(self._scales.values()) >= SPREAD_OF_SCALES * min(self._scales.values())
        circumstances = {"order": rank, **{key: indicators([getattr(r.row, key) for r in self.counting]) for key in GROUPINGS}}
        circumstances["scale"] = np.log(scales) if differ else np.full_like(scales, np.nan)
        return {key: moved_with(self.table, values) for key, values in circumstances.items()}

    def _moved_with_circumstances(self) -> list[str]:
        """Variables whose effect cannot be told from that of time, lots, people or scale, one sentence each."""
        names = [v.name for v in self.space.variables]
        return [
            f"{listed([names[j] for j in columns])} cannot be told apart from {CIRCUMSTANCES[key][0]}"
            for key, columns in self._moved_with.items()
            if columns
        ]

    def _with_circumstances(self, effects: tuple[Effect, ...]) -> tuple[Effect, ...]:
        """Effects that say what else would look the same."""
        out = []
        for effect in effects:
            j = next(k for k, v in enumerate(self.space.variables) if v.key == effect.key)
            told = [CIRCUMSTANCES[key][1] for key, columns in self._moved_with.items() if j in columns]
            is_told = effect.evidence in (Evidence.CLEAR, Evidence.LIKELY, Evidence.NOT_SHOWN)
            if told and is_told:
                words = listed(told)
                sentence = f"{effect.sentence} {words[0].upper()}{words[1:]} would look the same here."
                effect = replace(effect, sentence=sentence)
            elif is_told and j in self._partly_along:
                words = f"{effect.sentence} Yields drift from run to run, and it moved partly along: some of this may be drift."
                kept = effect.evidence
                if kept is Evidence.CLEAR and self._may_all_be_drift(effect):
                    words, kept = words.replace(" clearly ", " likely "), Evidence.LIKELY
                effect = replace(effect, sentence=words, evidence=kept)
            out.append(self._beside(effect, j) if is_told and not told else effect)
        return by_evidence(out)

    def _may_all_be_drift(self, effect: Effect) -> bool:
        """Whether the drift over all runs is as large as the least that the effect may be."""
        return self._drift is not None and _least(effect) <= abs(self._drift.change) * (self.table.n_runs - 1)

    @cached_property
    def straight_lines(self) -> str:
        """Whether straight lines fit, judged against repeats; empty without repeats."""
        return straight_lines_sentence(self.table) if self.table.n_runs else ""

    @cached_property
    def unseen(self) -> list[tuple[int, float, float, float]]:
        """(run number, observed, forecast from the other runs, its sd) by run number. [%]"""
        mean, sd = self.ladder.averaged_left_out
        rows = zip(self.ladder.table.numbers, self.ladder.table.yields, mean, sd, strict=True)
        return sorted((int(n), float(y), float(m), float(s)) for n, y, m, s in rows)

    @cached_property
    def history(self) -> History:
        """What counts for a proposal."""
        return History(
            self.space,
            self.table,
            tuple(dict(r.settings) for r in self.counting),
            tuple(dict(r.settings) for r in self.runs if r.is_pending),
            self.preparation.new_ground,
            self.beside,
            self.supply.rules(),
            tuple(r.is_too_high for r in self.counting),
            idle_choices(self.supply.materials),
        )

    def proposal(self, purpose: Purpose = Purpose.RAISE) -> Proposal:
        """Propose the next run; raises like ``proposals``."""
        return self.proposals(purpose)[0]

    def proposals(self, purpose: Purpose, count: int = 1, burden: Burden | None = None) -> list[Proposal]:
        """Propose runs to be made side by side.

        Parameters
        ----------
        count : int
            1 to 8.
        burden : Burden or None
            What 'shorten' saves; the hours of all holds where None.

        Raises
        ------
        NotReadyError
            Without variables.
        NothingReachableError
            If limits contradict each other.
        """
        if not self.has_variables:
            raise NotReadyError("Add at least one variable; then the next run can be proposed.", have=0, need=1)
        key = self.mark("proposal", purpose, count, (burden.identity, burden.allowed_loss) if burden else "", self.history)
        return STORE.get(key, lambda: propose_several(self.history, self.ladder, count, purpose, burden=burden))

    def separating_run(self) -> tuple[tuple[str, ...], dict[str, Setting]] | None:
        """Names of variables that moved together, and the reachable run that would separate them."""
        if not self.knowable.together or self.best_position is None:
            return None
        group = self.knowable.together[0]
        reach = self.history.reach()
        drawn = draw_reachable(reach, 400, np.random.default_rng(0))
        working = self.table.coded[self.best_position]
        centred = drawn.copy()
        for j in range(reach.n_variables):
            if j not in group:
                centred[:, j] = int(np.argmin(np.abs(reach.coded[j] - working[j])))
        # An option that has only ever failed is no way to find out more, where there are others.
        usual = self.table.without_failures().coded
        for j, v in enumerate(self.space.variables):
            if v.is_choice:
                failed_only = set(self.table.coded[:, j]) - set(usual[:, j])
                centred = centred[~np.isin(reach.coded[j][centred[:, j]], list(failed_only))]
        allowed = centred[reach.allowed(centred)]
        pool = np.unique(allowed, axis=0) if len(allowed) else drawn
        chosen = separating_run(self.table, reach.coded_rows(pool), group, working)
        return tuple(self.space.variables[j].name for j in group), reach.settings(list(pool[chosen]))

    def assess(self, settings: dict[str, Setting], purpose: Purpose) -> Proposal:
        """Judge settings that the chemist chose, as a proposal is judged."""
        return assess(self.history, self.ladder, settings, purpose)


def analyse(session: Session, preparation_id: int) -> Analysis:
    """Collect everything about a preparation.

    Raises
    ------
    NotFoundError
    """
    preparation = questions.get_preparation(session, preparation_id)
    variables = questions.list_variables(session, preparation_id)
    space = space_of(variables, questions.list_limits(session, preparation_id))
    runs = view_runs(session, preparation)
    counting = [r for r in runs if r.counts]
    courses = evidence_beside(session, preparation, space, counting)
    ways = ways_of(session, preparation, counting)
    supply = supply_of(session, preparation, runs)
    analysis = Analysis(preparation, space, runs, supply, courses, ways)
    wide = space.seen_in([r.settings for r in counting])
    if wide is not space:
        analysis.wide = Analysis(preparation, wide, runs, supply, evidence_beside(session, preparation, wide, counting), ways)
    return analysis
