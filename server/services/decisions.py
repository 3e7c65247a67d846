"""Deciding: what the next run needs, whether it is worth its day, how far settings may drift, what yield costs."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import date
from functools import cached_property
from typing import Any

from sqlmodel import Session

from server.compute.fits import STORE
from server.core.chemistry.charge import uncounted_stock
from server.core.choose.gain import percent_words
from server.core.choose.proposal import MOST_AT_ONCE, Burden, Purpose, hours_burden
from server.core.choose.record import Outcome, Record, forecast_record
from server.core.choose.stopping import StopAdvice, stop_advice
from server.core.choose.tolerance import ToleranceWindow, tolerance_window
from server.core.choose.tradeoffs import Front, trade_off
from server.core.model.effects import listed
from server.core.space.variables import Setting, Settings, Variable
from server.errors import InvalidInputError, NotReadyError
from server.services.analysis import Analysis, analyse
from server.services.charges import Charge, make_charge, options_without_material
from server.services.inputs import PlannedRunInput
from server.services.runs import RunView, plan_runs, read_settings
from server.services.vessels import in_words, limits_at_scale, scale_remark, scales_made, variables_of_amounts
from server.services.words import plain
from server.storage.tables import MaterialRow, RunRow

# A run this close to its plan is a test of its forecast: what is weighed never lies quite on a step. [part of the range]
AS_PLANNED = 0.05
HOURS = "hours"
COST = "cost"
NO_RECORD = (
    "No run with a forecast has a result yet. Plan a run (a proposal, or settings of your own), make it, enter the result."
)


@dataclass(frozen=True)
class Need:
    """What a run takes of one material; ``is_short`` says that the stock does not reach.

    ``taken_after`` names the stage whose intermediate it is taken for: it is then enough for all of theory. Else empty.
    """

    name: str
    mass_g: float | None
    volume_ml: float | None
    is_short: bool
    taken_after: str = ""


@dataclass(frozen=True)
class RunNeeds:
    """What a run takes: materials, and their cost where prices are entered.

    ``without`` are chosen options for which the charge has no material, although it has for others.
    ``readability_g`` says to how many digits masses are shown.
    """

    materials: tuple[Need, ...]
    cost: float | None
    currency: str
    cost_is_partial: bool
    without: tuple[str, ...] = ()
    readability_g: float = 0.01


@dataclass(frozen=True)
class RunsLeft:
    """How many more runs there can be, by stock and by date; None where nothing is entered.

    ``by_stock`` is for the settings of the working recipe, ``most_by_stock`` for any that can be reached.
    ``hindrance`` says why there can be none; empty where there can be one, or nobody knows.
    """

    by_stock: int | None
    scarce: str
    by_date: int | None
    finish_by: str | None
    sentence: str
    hindrance: str = ""
    most_by_stock: int | None = None

    @property
    def at_most(self) -> int | None:
        """Runs that both allow, whatever their settings; that there can be none at all is the ``hindrance``."""
        counts = [n for n in (self.most_by_stock, self.by_date) if n]
        return min(counts) if counts else None


def _depends_on_settings(material: MaterialRow) -> bool:
    """Whether settings say whether, how much or how many times a material is used."""
    return any((material.ratio_variable_id, material.choice_variable_id, material.count_variable_id))


class Decisions:
    """What helps to decide about one preparation; heavy parts are computed when asked for and kept."""

    def __init__(self, analysis: Analysis) -> None:
        self.analysis = analysis
        self.preparation = analysis.preparation
        self.materials = analysis.supply.materials

    @cached_property
    def _free(self) -> dict[str, float]:
        return self.analysis.supply.free_g

    def _charge(
        self, settings: Settings, scale_mol: float | None = None, stock: Mapping[str, float] | None = None
    ) -> Charge | None:
        scale = scale_mol or self.preparation.base_scale_mol
        if not self.materials or not scale:
            return None
        return make_charge(self.preparation, self.materials, settings, scale, stock)

    def needs(self, settings: Settings, scale_mol: float | None = None) -> RunNeeds | None:
        """What a run at these settings takes; None without materials or scale."""
        return self.needs_together([settings], scale_mol)[0]

    def needs_together(self, plans: Sequence[Settings], scale_mol: float | None = None) -> list[RunNeeds | None]:
        """What runs side by side take, one after the other: stock that one takes is not there for the next."""
        found: list[RunNeeds | None] = []
        taken: dict[str, float] = {}
        for settings in plans:
            charge = self._charge(settings, scale_mol, self._free)
            if charge is None:
                found.append(None)
                continue
            cost, partial = self._cost(charge)
            lines = []
            for line in charge.lines:
                m = line.material
                taken[m.key] = taken.get(m.key, 0.0) + (line.mass_g or 0.0)
                is_short = m.stock is not None and line.mass_g is not None and taken[m.key] > m.stock * (1 + 1e-9)
                lines.append(Need(m.name, line.mass_g, line.volume_ml, is_short, m.taken_after))
            without = tuple(options_without_material(self.materials, settings))
            found.append(
                RunNeeds(tuple(lines), cost, self.preparation.currency, partial, without, self.preparation.balance_readability_g)
            )
        return found

    def _cost(self, charge: Charge) -> tuple[float | None, bool]:
        """Cost of the priced materials, and whether some material has no price or no mass."""
        prices = {str(m.id): m.price_per_g for m in self.materials}
        total, priced, partial = 0.0, False, False
        for line in charge.lines:
            price = prices[line.material.key]
            if price is None or line.mass_g is None:
                partial = True
            else:
                total += price * line.mass_g
                priced = True
        return (total if priced else None), partial

    def scale_remark(self, scale_mol: float | None) -> str:
        """That no finished run was made at nearly so large a scale, of which the models know nothing; else empty."""
        return scale_remark(scale_mol or self.preparation.base_scale_mol, scales_made(self.preparation, self.analysis.counting))

    def limits_at_scale(self, settings: Settings, scale_mol: float | None) -> list[str]:
        """What settings break at another scale, where amounts grow and vessels do not. A sentence each."""
        driving = variables_of_amounts(self.materials)
        return limits_at_scale(self.analysis.space, settings, scale_mol, self.preparation.base_scale_mol, driving)

    def scale_words(self, settings: Settings, scale_mol: float | None) -> str:
        """Both in words: what another scale breaks, and that no run was made at nearly so large a one; else empty."""
        words = in_words(self.limits_at_scale(settings, scale_mol))
        return " ".join(filter(None, [*words, self.scale_remark(scale_mol)]))

    @property
    def without_price(self) -> list[str]:
        """Materials without a price of which settings say whether or how much is used: without them costs do not compare."""
        priced = any(m.price_per_g for m in self.materials)
        depends = [m for m in self.materials if _depends_on_settings(m)]
        return [m.name for m in depends if m.price_per_g is None] if priced else []

    @property
    def always_without_price(self) -> list[str]:
        """Materials without a price that every run takes alike: they are left out of the costs."""
        return [m.name for m in self.materials if m.price_per_g is None and m.name not in self.without_price]

    @property
    def savings(self) -> dict[str, str]:
        """What 'shorten' can save: keyword and words."""
        offered = {HOURS: "hours"} if hours_burden(self.analysis.space) else {}
        if self.preparation.base_scale_mol and any(m.price_per_g for m in self.materials) and not self.without_price:
            offered[COST] = "cost of materials"
        if self.preparation.base_scale_mol:
            offered.update({f"material_{m.id}": m.name for m in self.materials if _depends_on_settings(m)})
        return offered

    def burden(self, saving: str, purpose: Purpose = Purpose.SHORTEN) -> Burden | None:
        """The burden for a keyword of ``savings``; that of hours for unknown keywords, None without hold times.

        Raises
        ------
        NotReadyError
            For shortening the cost, where a price that makes a difference is missing.
        """
        if saving == COST and purpose is Purpose.SHORTEN and self.without_price:
            names = listed(self.without_price)
            message = f"Costs cannot be compared without a price of {names}: settings say whether or how much is used."
            raise NotReadyError(message, have=0, need=len(self.without_price))
        found = self._burden(saving)
        return replace(found, allowed_loss=self.preparation.allowed_loss) if found else None

    def _burden(self, saving: str) -> Burden | None:
        if saving not in self.savings or saving == HOURS:
            return hours_burden(self.analysis.space)
        charge = [_charge_identity(m) for m in self.materials]
        identity = repr((saving, self.preparation.currency, self.preparation.base_scale_mol, charge))
        if saving == COST:
            return Burden("cost", self.preparation.currency or "money", lambda s: self._cost_of(s), identity)
        key = saving.removeprefix("material_")
        name = next(m.name for m in self.materials if str(m.id) == key)
        return Burden(name, "g", lambda s: self._mass_of(s, key), identity)

    def _cost_of(self, settings: Settings) -> float | None:
        charge = self._charge(settings)
        return self._cost(charge)[0] if charge else None

    def _mass_of(self, settings: Settings, key: str) -> float | None:
        charge = self._charge(settings)
        line = next((one for one in charge.lines if one.material.key == key), None) if charge else None
        return 0.0 if line is None else line.mass_g

    def stop(self) -> StopAdvice | None:
        """Whether another run is worth its day; None before there is a working recipe.

        Raises
        ------
        NothingReachableError
            If limits contradict each other.
        """
        a = self.analysis
        if a.best_position is None:
            return None
        gain = self.preparation.worthwhile_gain
        aim = self.preparation.aim_percent
        key = a.mark("stop", gain, aim, a.history)
        return STORE.get(key, lambda: stop_advice(a.history, a.ladder, gain, aim=aim, also=[a.proposal().settings]))

    def advice(self, today: date, scale_mol: float | None = None) -> StopAdvice | None:
        """The same for as many runs as stock and date allow. Raises like ``stop``."""
        found = self.stop()
        if found is None:
            return None
        return replace(found.limited(self.runs_left(today, scale_mol).at_most), keeps_to_stock=bool(self.kept_out))

    def runs_left(self, today: date, scale_mol: float | None = None) -> RunsLeft:
        """How many more runs stock and date allow beside those that are planned or under way.

        At the base scale unless another is given; the days until the day to finish by are shared with
        the runs that are planned.
        """
        settings = self.analysis.working.settings if self.analysis.working else self.analysis.space.base
        charge = self._charge(settings, scale_mol, self._free)
        stock = charge.runs_in_stock if charge else None
        short = self._missing(scale_mol) if stock is not None and not stock[0] else []
        most = self.analysis.supply.most_runs(self.analysis.space, scale_mol)
        by_date = self._by_date(today)
        finish_by = self.preparation.finish_by
        is_past = finish_by is not None and date.fromisoformat(finish_by) < today
        return RunsLeft(
            stock[0] if stock else None,
            stock[1].name if stock else "",
            by_date,
            finish_by,
            self._left_sentence(charge, short, most, by_date, is_past),
            self._hindrance(short, by_date, is_past),
            most,
        )

    @property
    def _pending(self) -> int:
        return sum(r.is_pending for r in self.analysis.runs)

    def _by_date(self, today: date) -> int | None:
        """Runs for which there is time beside those that are planned; None without a day to finish by and a pace."""
        finish_by, pace = self.preparation.finish_by, self.preparation.runs_per_week
        if not finish_by or not pace:
            return None
        days = (date.fromisoformat(finish_by) - today).days + 1
        # As long as a day is left, so is a run.
        possible = max(1, math.floor(days * pace / 7.0 + 1e-9)) if days > 0 else 0
        return max(0, possible - self._pending)

    def _left_sentence(
        self, charge: Charge | None, short: Sequence[str], most: int | None, by_date: int | None, is_past: bool
    ) -> str:
        """For how many runs there is stock and time, and what cannot be counted; empty where nothing is known."""
        stock, finish_by = charge.runs_in_stock if charge else None, self.preparation.finish_by
        same = f"run {self.analysis.working.run_number}" if self.analysis.working else "the base recipe"
        parts = []
        if stock is not None and (stock[0] or short):
            # Other settings may take less of what runs out first, or none.
            like = "" if stock[0] == most else f" like {same}"
            parts.append(f"stock for {_runs(stock[0])}{like} ({stock[1].name} runs out first)")
        if by_date is not None and not is_past:
            parts.append(f"time for {_runs(by_date)} until {finish_by}")
        sentences = [f"There is {' and '.join(parts)}."] if parts else []
        if stock is not None and not stock[0] and not short:
            sentences.append(f"What is left of {stock[1].name} does not reach for {same} once more.")
        if is_past:
            sentences.append(f"The day to finish by, {finish_by}, is past.")
        if charge and (unknown := [m.name for m in uncounted_stock(charge.lines)]):
            sentences.append(f"The stock of {listed(unknown)} cannot be counted without its density.")
        return " ".join(sentences)

    def _hindrance(self, short: Sequence[str], by_date: int | None, is_past: bool) -> str:
        """Why there can be no further run; empty where there can be one."""
        why = []
        if short:
            left = self.analysis.supply.left
            reserved = any(left[str(m.id)].reserved_g for m in self.materials if m.name in short and str(m.id) in left)
            beside = " for another one beside the runs that are planned" if reserved else " for another one"
            if self.analysis.supply.short_words:
                beside = " even for the runs that are planned"
            why.append(f"what is left of {listed(short)} does not reach{beside}")
        if is_past:
            why.append(f"the day to finish by, {self.preparation.finish_by}, is past")
        elif by_date == 0:
            waiting = (
                "the run that is planned or under way takes" if self._pending == 1 else "the runs planned and under way take"
            )
            why.append(f"{waiting} the time until {self.preparation.finish_by}")
        return f"No further run can be made: {' and '.join(why)}." if why else ""

    def _missing(self, scale_mol: float | None) -> list[str]:
        """Names of the materials of which too little is left for any run that can be reached."""
        history = self.analysis.history
        if scale_mol is not None:
            history = replace(history, stock=self.analysis.supply.rules(scale_mol))
        return [rule.material for rule in history.missing]

    @property
    def kept_out(self) -> str:
        """What the stock keeps proposals from; empty where it keeps them from nothing, or from everything."""
        phrases = self.analysis.supply.keeps_out(self.analysis.space)
        if not phrases or self._missing(None):
            return ""
        scale = plain(float(self.preparation.base_scale_mol or 0.0), 3)
        return f"Kept to what is in stock at the base scale of {scale} mol: {'; '.join(phrases)}."

    def verdict(self, today: date, scale_mol: float | None = None) -> str:
        """Whether another run is worth its day, and whether there can be one: chances, aim, stock and date in one.

        Raises
        ------
        NothingReachableError
            If limits contradict each other.
        """
        advice, left = self.advice(today, scale_mol), self.runs_left(today, scale_mol)
        if left.hindrance:
            return f"{left.hindrance} If it could: {advice.odds[0].lower()}{advice.odds[1:]}" if advice else left.hindrance
        if advice is None:
            return left.sentence
        parts = [advice.sentence, left.sentence]
        still = [self.analysis.space.variables[j].name for j in self.analysis.knowable.never_moved]
        if still and not advice.worth_it:
            parts.insert(
                1, f"But {listed(still)} {'was' if len(still) == 1 else 'were'} never moved: what that would give is not known."
            )
        aim = self.preparation.aim_percent
        best = max((r.as_modelled[0] for r in self.analysis.counting if not r.is_too_high), default=0.0)
        if aim and advice.aim_chance is not None:
            parts.insert(
                1, f"The chance that anything within reach gives the aim of {aim:g} % is {percent_words(advice.aim_chance)}."
            )
        expected = self.analysis.working.forecast.mean if self.analysis.working else 0.0
        if aim and best >= aim and round(expected, 1) < aim:
            parts.insert(
                0, f"One result reached the aim of {aim:g} %, but the working recipe is expected to give {expected:.1f} %."
            )
        elif aim and best >= aim and advice.worth_it:
            parts.insert(0, f"The aim of {aim:g} % is reached, so a further run is for more than that.")
        return " ".join(filter(None, parts))

    def window(self) -> ToleranceWindow | None:
        """Tolerance window around the working recipe; None before there is one."""
        a = self.analysis
        if a.working is None:
            return None
        loss, probability = self.preparation.allowed_loss, self.preparation.window_percent / 100.0
        settings = a.working.settings
        key = a.mark("window", loss, probability, a.space, settings)
        return STORE.get(key, lambda: tolerance_window(a.ladder, a.space, settings, allowed_loss=loss, probability=probability))

    def front(self, saving: str) -> Front | None:
        """Expected yield against hours or cost; None where that burden does not exist or no run counts.

        Raises
        ------
        NothingReachableError
            If limits contradict each other.
        """
        a = self.analysis
        burden = self.burden(saving) if saving in self.savings else None
        if burden is None or a.best_position is None:
            return None
        # What yield costs does not depend on what is on the shelf today.
        history = replace(a.history, stock=())
        key = a.mark("front", burden.identity, history)
        return STORE.get(key, lambda: trade_off(history, a.ladder, burden))

    def record(self) -> Record | None:
        """Forecasts against outcomes of the runs that counted; None before there is one."""
        return forecast_record(outcomes_of(self.analysis))


def _charge_identity(m: MaterialRow) -> str:
    return repr(sorted(m.model_dump(exclude={"position", "hazards", "stock_g", "stock_at"}).items()))


def _runs(count: int) -> str:
    return f"{count} more run{'' if count == 1 else 's'}"


def is_run_as_planned(run: RunView, variables: Sequence[Variable]) -> bool:
    """Whether a run was made with the settings that its forecast was for, to half a step or a twentieth of the range."""

    def differs(v: Variable) -> bool:
        planned, done = run.planned[v.key], run.settings[v.key]
        if v.is_choice:
            return planned != done
        return abs(float(planned) - float(done)) > max(0.5 * v.working_step, AS_PLANNED * v.span) * (1 + 1e-9)

    return not any(differs(v) for v in variables)


def run_otherwise(analysis: Analysis) -> list[int]:
    """Numbers of the counting runs that were made otherwise than their forecast says."""
    kept = [r for r in analysis.counting if r.row.forecast is not None]
    return [r.number for r in kept if not is_run_as_planned(r, analysis.space.variables)]


def outcomes_of(analysis: Analysis) -> list[Outcome]:
    """Runs whose forecast was kept and whose result counts, made as they were planned."""
    found = []
    otherwise = run_otherwise(analysis)
    for run in analysis.counting:
        kept = run.row.forecast
        if kept is None or run.percent is None or run.number in otherwise:
            continue
        ranges = {k: float(kept[k]) for k in ("mean", "low_50", "high_50", "low_90", "high_90")}
        found.append(Outcome(run.number, run.row.purpose or "", observed=run.percent, **ranges))
    return found


Judged = tuple[PlannedRunInput, str | None, dict[str, Any] | None]


def judge_plans(analysis: Analysis, plans: Sequence[PlannedRunInput], purpose: Purpose) -> list[Judged]:
    """Forecast the runs that are about to be planned, before any result is known; stores nothing.

    Raises
    ------
    InvalidInputError
        Without variables, without plans, or with more than can be made at once.
    """
    if not analysis.has_variables:
        raise InvalidInputError({"form": "Add at least one variable; then a run can be proposed."})
    if not 1 <= len(plans) <= MOST_AT_ONCE:
        raise InvalidInputError({"form": f"Choose at least one run and at most {MOST_AT_ONCE}."})
    kept: list[Judged] = []
    for plan in plans:
        settings: dict[str, Setting] = read_settings(analysis.space, plan.settings)
        forecast: dict[str, Any] = asdict(analysis.assess(settings, purpose).forecast)
        forecast["n_runs"] = analysis.table.n_runs
        kept.append((plan, purpose.value, forecast))
    return kept


def forecast_by_hand(analysis: Analysis, plan: PlannedRunInput) -> dict[str, Any] | None:
    """Forecast to keep with a plan that serves no purpose of the app's own; None without variables.

    Raises like ``judge_plans``.
    """
    return judge_plans(analysis, [plan], Purpose.RAISE)[0][2] if analysis.has_variables else None


def accept_proposals(session: Session, analysis: Analysis, plans: Sequence[PlannedRunInput], purpose: Purpose) -> list[RunRow]:
    """Plan runs that were proposed (or changed by hand), all or none, each with its forecast.

    Raises
    ------
    InvalidInputError, NeedsConfirmationError
        Nothing is planned then.
    """
    return plan_runs(session, int(analysis.preparation.id or 0), judge_plans(analysis, plans, purpose))


def accept_proposal(session: Session, preparation_id: int, data: PlannedRunInput, purpose: Purpose) -> RunRow:
    """Plan one proposed run; see ``accept_proposals``. Also raises NotFoundError."""
    return accept_proposals(session, analyse(session, preparation_id), [data], purpose)[0]
