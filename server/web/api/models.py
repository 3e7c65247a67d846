"""What the API answers."""

from __future__ import annotations

from datetime import datetime
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from server.core.chemistry.charge import AmountKind, MaterialRole
from server.core.choose.proposal import Purpose
from server.core.choose.tolerance import End
from server.core.course.shapes import Shape
from server.core.model.effects import Evidence
from server.core.space.variables import Role, Stage
from server.services.inputs import CheckpointKind

RunState = Literal["planned", "under_way", "finished", "abandoned"]
Outcome = Literal["yield", "failure", "no_information"]


class Answer(BaseModel):
    """Base of all answers."""

    model_config = ConfigDict(from_attributes=True)


class PreparationAnswer(Answer):
    """A preparation. Yields in %, ``new_ground_percent`` in % of a variable's range.

    ``stamp`` differs whenever what can be replaced does; sent back as ``seen`` with a PUT, it keeps
    a script from overwriting what somebody else has changed.
    """

    id: int
    stamp: str
    name: str
    aim_percent: float | None
    literature_percent: float | None
    worthwhile_gain: float
    allowed_loss: float
    window_percent: float
    expected_scatter: float | None
    finish_by: str | None
    runs_per_week: float | None
    currency: str
    new_ground_percent: float | None
    theoretical_yield_g: float | None
    product_name: str
    product_formula: str
    product_coefficient: float
    base_scale_mol: float | None
    balance_readability_g: float
    drying: str
    notes: str
    cautions: str
    literature_references: str
    created_at: datetime
    archived_at: datetime | None


class VariableAnswer(Answer):
    """A variable; ``base`` is a number in ``unit`` or one of the choices."""

    id: int
    stamp: str
    name: str
    role: Role
    unit: str
    stage: Stage
    low: float | None
    high: float | None
    step: float | None
    hard_low: float | None
    hard_high: float | None
    base: float | str
    choices: list[str]


class LimitAnswer(Answer):
    """A rule over variables, with its wording."""

    id: int
    kind: str
    text: str
    details: dict[str, Any]


class ForecastAnswer(Answer):
    """Forecast of a run's yield, repeatability included. [%]"""

    mean: float
    low_50: float
    high_50: float
    low_90: float
    high_90: float
    clipped: bool = Field(description="Ranges were cut at 0 or 100 %.")


class BudgetLineAnswer(Answer):
    """What one input contributes to the uncertainty of a yield, in percentage points, and its share of the variance."""

    name: str
    value: float
    u: float
    unit: str
    contribution: float
    share: float


class RunAnswer(Answer):
    """A run. ``yield_percent`` is None unless it gave one; ``settings`` by variable name, as run where noted.

    What was entered comes back under the names of the input, except the yield that was typed: it is
    ``entered_yield_percent``, beside the yield that follows. ``theory_g`` is the theoretical yield that counts.
    """

    id: int
    preparation_id: int
    number: int
    state: RunState
    outcome: Outcome
    settings: dict[str, float | str]
    planned_settings: dict[str, float | str] = Field(description="As planned; of a run that was never planned, what was done.")
    yield_percent: float | None
    modelled_percent: float | None = Field(
        description="As the models take it: 0 for a failure without a number, at most 100. [%]"
    )
    yield_u: float | None = Field(
        description="Standard uncertainty of the yield; null where the yield itself was typed. [percentage points]"
    )
    yield_budget: list[BudgetLineAnswer] = []
    entered_yield_percent: float | None
    product_mass_g: float | None
    product_mass_u_g: float | None
    purity_percent: float | None
    purity_u_percent: float | None
    residual_percent: float | None
    residual_u_percent: float | None
    scale_mol: float | None
    theoretical_yield_g: float | None = Field(description="Entered with the run.")
    theory_g: float | None
    theory_source: str
    excluded_reason: str | None
    counts: bool = Field(description="Whether the models use this run.")
    purpose: Purpose | None
    forecast: dict[str, Any] | None
    made_on: str | None
    started_at: datetime | None
    finished_at: datetime | None = Field(description="When its first result was entered; null for runs out of a table.")
    created_at: datetime
    lot: str
    made_by: str
    reference: str
    notes: str
    revision: int


class WeighedAnswer(Answer):
    """What was weighed or measured of one material of a run."""

    material_id: int
    material: str
    mass_g: float | None
    volume_ml: float | None


class CheckpointAnswer(Answer):
    """A weighed intermediate, or recovered starting material; ``stamp`` as in preparations."""

    id: int
    name: str
    stage: Stage
    kind: CheckpointKind
    material_id: int | None
    mass_g: float
    purity_percent: float
    formula: str
    stamp: str


class AsWeighedAnswer(Answer):
    """A variable's value as it follows from what was weighed, beside the setting that the models use."""

    variable: str
    as_weighed: float
    setting: float
    reference: str = Field(description="The material that one equivalent was read from; empty: the planned scale.")


class WeighedListAnswer(Answer):
    """What was weighed for a run, and what that makes of the settings."""

    amounts: list[WeighedAnswer]
    settings: list[AsWeighedAnswer]


class StageRecoveryAnswer(Answer):
    """Product at the end of a stretch against its start.

    ``lost_g`` is the difference of the two, less ``came_back_g``: starting material that came back, as the product that it
    could have become.
    """

    from_name: str
    to_name: str
    stage: Stage | Literal[""] = Field(description="Of the checkpoint at its end; empty at the isolated product.")
    recovery_percent: float
    lost_g: float
    came_back_g: float


class MassBalanceAnswer(Answer):
    """Where the product of a run went; without stages while there is nothing to follow."""

    sentence: str
    stages: list[StageRecoveryAnswer]
    yield_on_unrecovered_percent: float | None
    process_mass_intensity: float | None
    e_factor: float | None


class EffectAnswer(Answer):
    """Effect of one variable across the range tried. [percentage points]"""

    variable: str
    evidence: Evidence
    sentence: str
    change: float | None
    low_50: float | None
    high_50: float | None
    low_90: float | None
    high_90: float | None
    probability_of_sign: float | None
    from_label: str = Field(description="The two settings that `change` compares: from this one …")
    to_label: str = Field(description="… to this one.")
    cannot_be_told_apart_from: list[str]


class EffectsAnswer(Answer):
    """Effects, strongest evidence first; empty with a message while there are too few runs.

    ``cannot_be_told`` says what the runs leave open, ``trends`` what the settings do not explain
    (drift, reagent lots, who made the runs, scale).
    """

    n_runs: int
    message: str
    effects: list[EffectAnswer]
    repeatability: str
    repeatability_points: float | None = Field(description="Standard deviation of repeats; null before any.")
    cannot_be_told: list[str]
    trends: list[str]


class CurvePointAnswer(Answer):
    """Expected yield at one setting, with its ranges [%]; ``tried`` says whether it lies within what was tried."""

    setting: float | str
    mean: float
    low_50: float
    high_50: float
    low_90: float
    high_90: float
    tried: bool


class CurveAnswer(Answer):
    """Expected yield along one variable."""

    variable: str
    points: list[CurvePointAnswer]


class StretchAnswer(Answer):
    """One stretch of the way of the product, over the runs that were weighed at both its ends.

    ``start`` is null for theory, ``end`` for the isolated product. Recoveries in %, loss in points of
    theory, shares as fractions.
    """

    start: Stage | None
    end: Stage | None
    runs: list[int]
    mean_recovery_percent: float | None
    lowest_recovery_percent: float | None
    highest_recovery_percent: float | None
    mean_loss_points: float | None
    share_of_differences: float | None
    share_low: float | None
    share_high: float | None
    message: str
    effects: list[EffectAnswer]


class CrossAnswer(Answer):
    """What the first run up to the end of the stage, and the second after it, would have given together. [%, points]"""

    first_run: int
    second_run: int
    stage: Stage
    settings: dict[str, float | str]
    percent: float
    sd: float


class StagesAnswer(Answer):
    """Where the product is lost, over all runs; empty with a message while too few runs have checkpoints."""

    message: str
    sentences: list[str]
    complete_runs: list[int]
    out_of_order_runs: list[int]
    stretches: list[StretchAnswer]
    best_cross: CrossAnswer | None = None


class NeedAnswer(Answer):
    """What a run takes of one material; ``is_short`` where the stock does not reach.

    ``taken_after`` names the stage whose intermediate it is taken for: it is then enough for all of theory. Else empty.
    """

    name: str
    mass_g: float | None
    volume_ml: float | None
    is_short: bool
    taken_after: Stage | Literal[""]


class NeedsAnswer(Answer):
    """What a run takes, and what that costs where prices are entered; ``without`` are options that the charge has nothing for."""

    materials: list[NeedAnswer]
    cost: float | None
    currency: str
    cost_is_partial: bool
    without: list[str]


class LeftAsItWasAnswer(Answer):
    """The same run with one change against the working recipe not made. ``gain`` is the expected gain [percentage points]."""

    variable: str
    gain: float
    chance_to_beat: float


class SimplerRunAnswer(Answer):
    """A run with fewer changes: ``settings`` by variable name, and its expected gain [percentage points]."""

    settings: dict[str, float | str]
    gain: float


class ProposalAnswer(Answer):
    """The suggested next run; ``settings`` by variable name."""

    purpose: Purpose
    settings: dict[str, float | str]
    forecast: ForecastAnswer
    chance_to_beat: float | None
    reason: str
    new_ground: list[str]
    hold_hours: float | None
    is_opening: bool
    expected_gain: float | None = Field(
        default=None,
        description="With several changes, to raise the yield: over the working recipe, or, of a proposal, over the best of "
        "it and of what is planned. [percentage points]",
    )
    simpler: SimplerRunAnswer | None = Field(
        default=None,
        description="A run with fewer changes that keeps most of the expected gain, if there is one.",
    )
    left_out: list[LeftAsItWasAnswer] = Field(default=[], description="What is expected where one of the changes is not made.")
    needs: NeedsAnswer | None = Field(description="None without materials or a scale.")
    scale_remark: str
    limits_at_scale: list[str] = Field(default=[], description="What the settings break at this scale; planning asks about it.")
    broken_limits: list[str] = []
    kept_to_stock: str = Field(default="", description="What the stock keeps proposals from; empty where it does not.")


class ReadingsBroughtInAnswer(Answer):
    """How many readings were added, and what is to be said of them, such as gaps."""

    count: int
    notes: list[str]


class ReadingAnswer(Answer):
    """A timed measurement. ``at_h`` is the time since the start of the run. [h]"""

    id: int
    series: str
    unit: str
    at_h: float
    value: float
    stamp: str


class RangeAnswer(Answer):
    """A value with its 90 % range; an end is None where the readings set no bound."""

    value: float
    low: float | None
    high: float | None


class CourseAnswer(Answer):
    """What the readings of one series say about the hold. Times in h."""

    series: str
    sentence: str
    shape: Shape | None
    is_too_early: bool | None
    to_95: RangeAnswer | None
    to_99: RangeAnswer | None
    best: RangeAnswer | None
    rate_per_h: RangeAnswer | None
    plateau: RangeAnswer | None


class HoldAtAnswer(Answer):
    """Estimated hold for 95 % of the plateau. [h]"""

    temperature: str
    hours: float | None
    low: float | None
    high: float | None
    is_new_ground: bool


class RatesAnswer(Answer):
    """Rates against temperature over all runs. Energy in kJ/mol."""

    message: str
    energy: float | None
    energy_low: float | None
    energy_high: float | None
    holds: list[HoldAtAnswer]


class StopAdviceAnswer(Answer):
    """Probabilities that the true yield lies above the working recipe's by the worthwhile gain."""

    message: str
    next_one: float | None
    next_five: float | None
    anywhere: float | None
    can_make: int | None = Field(
        description="How many runs `together` and `worth_it` are about, five at most; 0 where there is a hindrance."
    )
    together: float | None = Field(description="That at least one of so many runs brings the gain.")
    aim_chance: float | None = Field(description="That anything within reach gives the aim.")
    gain: float = Field(description="[percentage points]")
    worth_it: bool | None
    hindrance: str = Field(description="Why no further run can be made; empty where one can.")
    runs_left_by_stock: int | None
    runs_left_by_date: int | None
    kept_to_stock: str


class WindowLineAnswer(Answer):
    """Window of one variable; for a choice, the other options that keep the yield.

    ``low_end`` and ``high_end`` say why it ends there (empty: the loss would be larger beyond);
    ``alone_low`` and ``alone_high`` are how far this one may drift while all others keep to their settings. Ends lie between
    steps, for what drifts does not keep to them; those of a count are whole.
    """

    variable: str
    setting: float | str
    low: float | None
    high: float | None
    low_end: End
    high_end: End
    alone_low: float | None
    alone_high: float | None
    other_options: list[str]


class ToleranceAnswer(Answer):
    """How far the settings may drift together; empty before there is a working recipe."""

    allowed_loss: float = Field(description="[percentage points]")
    probability: float
    reached: float | None = Field(
        description="Mean probability over settings inside; at the least favourable one it is what was asked for."
    )
    worst: float | None = Field(description="Smallest probability found inside, and at the other options named.")
    variables: list[WindowLineAnswer]


class FrontPointAnswer(Answer):
    """Settings for which no others are expected to give more with less."""

    burden: float
    settings: dict[str, float | str]
    forecast: ForecastAnswer


class TradeOffAnswer(Answer):
    """Expected yield against hours or cost."""

    burden: str
    unit: str
    sentence: str
    points: list[FrontPointAnswer]


class OutcomeAnswer(Answer):
    """A forecast made before a run, and the yield that came. [%]"""

    run_number: int
    purpose: str = Field(description="Of the proposal; empty for a run that was planned by hand.")
    mean: float
    low_50: float
    high_50: float
    low_90: float
    high_90: float
    observed: float


class RecordAnswer(Answer):
    """How the forecasts did."""

    message: str
    held_50: int
    held_90: int
    mean_error: float | None = Field(description="Mean of observed, at most 100, minus forecast. [percentage points]")
    mean_absolute_error: float | None
    outcomes: list[OutcomeAnswer]


class WorkingRecipeAnswer(Answer):
    """The settings that the evidence favours today, None before any run counts."""

    run_number: int | None
    settings: dict[str, float | str]
    forecast: ForecastAnswer | None
    message: str


class MaterialAnswer(Answer):
    """A line of the charge."""

    id: int
    stamp: str
    name: str
    role: MaterialRole
    formula: str
    molar_mass: float | None
    coefficient: float
    amount_kind: AmountKind
    amount: float
    purity_percent: float
    purity_u_percent: float | None
    water_percent: float
    concentration_mol_per_l: float | None
    density_g_per_ml: float | None
    ratio_variable_id: int | None
    ratio_factor: float
    choice_variable_id: int | None
    choice: str | None
    count_variable_id: int | None
    taken_after: Stage | Literal[""]
    stock_g: float | None
    price_per_g: float | None
    hazards: str


class LeftOutAnswer(Answer):
    """A row of a table that was not stored."""

    row: int
    reason: str


class BroughtInAnswer(Answer):
    """Numbers of the runs that a table brought, and the rows that were left out."""

    numbers: list[int]
    left_out: list[LeftOutAnswer]


class QuestionAnswer(Answer):
    """What storing needs a yes to: send one of ``answers`` in ``confirm``."""

    field: str
    message: str
    answers: list[str]


class TableColumnAnswer(Answer):
    """How a column of a table is read; an empty meaning leaves it out."""

    position: int
    heading: str
    meaning: str
    unit: str
    asks_unit: bool


class TableRowAnswer(Answer):
    """A row as it would be stored, or why it would not."""

    row: int
    settings: dict[str, float | str]
    made_on: str
    yield_percent: float | None
    outcome: str
    scale_mol: float | None
    weighed: list[str]
    remarks: list[str]
    problems: list[str]
    left_out: str


class TablePreviewAnswer(Answer):
    """A table as it would be stored; ``unknown_words`` by variable are neither options nor numbers yet."""

    heading_row: int
    columns: list[TableColumnAnswer]
    rows: list[TableRowAnswer]
    unknown_words: dict[str, list[str]]
    variables_without_column: list[str]
    questions: list[QuestionAnswer]


class StockAnswer(Answer):
    """What is left of a material that was counted. [g]"""

    material_id: int
    material: str
    counted_g: float
    counted_at: datetime | None
    taken_g: float
    reserved_g: float
    free_g: float


class ChargeLineAnswer(Answer):
    """What to weigh or measure of one material, all portions together.

    What is taken for the intermediate weighed after a stage (``taken_after``) is the ``share`` of theory that was weighed of
    it; null until it is, and then the amounts are for all of theory.
    """

    name: str
    role: MaterialRole
    portions: float
    moles: float | None
    mass_g: float | None
    rounded_g: float | None
    volume_ml: float | None
    taken_after: str
    share: float | None


class DryingAnswer(Answer):
    """How much drying agent to take, with its cautions and where they come from. [g]"""

    agent: str
    least_g: float = Field(description="Takes up the water if all of the hydrate forms.")
    suggested_g: float
    cautions: list[str]


class ChangeAnswer(Answer):
    """A line of the history: what was changed, and what stood there before and after."""

    at: datetime
    run_number: int | None
    what: str
    reason: str
    before: dict[str, Any] | None
    after: dict[str, Any] | None


class ChargeAnswer(Answer):
    """The charge at a scale."""

    scale_mol: float
    lines: list[ChargeLineAnswer]
    limiting: str | None
    theoretical_yield_g: float | None
    atom_economy_percent: float | None
    problems: list[str]


class ProblemAnswer(Answer):
    """An error, as problem details (RFC 9457). ``errors`` has a sentence per field."""

    type: str
    title: str
    status: int
    detail: str
    errors: dict[str, str] = {}
    confirm: str | None = Field(default=None, description="Send this in `confirm` to store the unusual value all the same.")
    or_confirm: list[str] = Field(default=[], description="Other answers to the same question, one of which will do too.")
    have: int | None = Field(default=None, description="How many runs (or others) there are, where too few.")
    need: int | None = Field(default=None, description="How many it takes.")
    reference: str = Field(default="", description="Where the log has the details of a mistake of the app.")


# Errors have a media type of their own, which FastAPI takes only with the schema written out.
PROBLEM_SCHEMA = ProblemAnswer.model_json_schema()
