"""What the chemist may hand in: validated classes, used alike by pages, API and files.

Only shapes and single values are checked here; what depends on several fields or on
what is stored is checked by the service that acts.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from datetime import date
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError
from pydantic_core import PydanticCustomError

from server.core.chemistry.charge import AmountKind, MaterialRole
from server.core.choose.proposal import Purpose
from server.core.course.shapes import Shape
from server.core.space.variables import Role, Stage
from server.errors import InvalidInputError
from server.services.numbers import NumberTextError, read_number, read_optional_number


def _number(typed: object) -> float:
    try:
        return read_number(typed)
    except NumberTextError as error:
        raise PydanticCustomError("number_text", "{text}", {"text": str(error)}) from error


def _optional_number(typed: object) -> float | None:
    try:
        return read_optional_number(typed)
    except NumberTextError as error:
        raise PydanticCustomError("number_text", "{text}", {"text": str(error)}) from error


# Some scripts and pictures need these between characters.
_JOINERS = "\N{ZERO WIDTH JOINER}\N{ZERO WIDTH NON-JOINER}"


# Letters and signs that show nothing.
_INVISIBLE = "\u115f\u1160\u2800\u3164\uffa0"


def _clean_text(typed: object) -> object:
    if not isinstance(typed, str):
        return typed
    # What looks the same is the same: accents in one way, and nothing that cannot be seen.
    text = unicodedata.normalize("NFC", re.sub("\r\n|[\N{LINE SEPARATOR}\N{PARAGRAPH SEPARATOR}]", "\n", typed))
    # Every blank is one, whatever its width.
    text = "".join(" " if unicodedata.category(c) == "Zs" or c in _INVISIBLE else c for c in text)
    text = "".join(c for c in text if c in _JOINERS or unicodedata.category(c) != "Cf").strip(f" \t\n\r\f\v{_JOINERS}")
    if any((ord(c) < 32 and c not in "\n\t") or 0xD800 <= ord(c) <= 0xDFFF for c in text):
        raise PydanticCustomError("control", "{text}", {"text": "Remove control characters; type the text again."})
    return text


def _clean_line(typed: object) -> object:
    """Text of one line: a form has no room for more."""
    text = _clean_text(typed)
    return " ".join(text.split()) if isinstance(text, str) and re.search(r"[\n\t]", text) else text


def _base(typed: object) -> object:
    """A number or an option; yes and no are neither."""
    if isinstance(typed, bool):
        raise PydanticCustomError("base", "Enter a number, or one of the options.")
    return _clean_line(typed)


def _blank_is_none(typed: object) -> object:
    return None if isinstance(typed, str) and not typed.strip() else typed


def _clean_or_none(typed: object) -> object:
    return _blank_is_none(_clean_text(typed))


def _day(typed: object) -> object:
    """A day is written year-month-day; anything else that could be read as one is refused rather than guessed."""
    if typed is None or isinstance(typed, date):
        return typed
    if isinstance(typed, str) and not typed.strip():
        return None
    if isinstance(typed, str) and re.fullmatch(r"\d{4}-\d{2}-\d{2}", typed.strip()):
        return typed.strip()
    raise PydanticCustomError("day", "{text}", {"text": "Enter a date as year-month-day, for example 2026-03-31."})


def _lines(typed: object) -> object:
    """A text area holds one choice a line; the API sends a list."""
    if isinstance(typed, str):
        return [line.strip() for line in typed.splitlines() if line.strip()]
    return typed


Number = Annotated[float, BeforeValidator(_number)]
OptionalNumber = Annotated[float | None, BeforeValidator(_optional_number)]
LONGEST_NAME = 120
Name = Annotated[Annotated[str, Field(min_length=1, max_length=LONGEST_NAME)], BeforeValidator(_clean_line)]
LONGEST_SHORT_TEXT = 120
# Of a file of readings. [bytes]
MOST_READINGS_BYTES = 20_000_000
# An older day is a slip in the year. (Own judgement.)
EARLIEST_YEAR = 1950
ShortText = Annotated[Annotated[str, Field(max_length=LONGEST_SHORT_TEXT)], BeforeValidator(_clean_line)]
LongText = Annotated[Annotated[str, Field(max_length=10_000)], BeforeValidator(_clean_text)]
LONGEST_OPTION = 60
ChoiceName = Annotated[Annotated[str, Field(min_length=1, max_length=LONGEST_OPTION)], BeforeValidator(_clean_line)]
Confirmations = Annotated[list[ShortText], Field(max_length=20)]
OptionalDate = Annotated[date | None, BeforeValidator(_day)]
OptionalId = Annotated[int | None, BeforeValidator(_blank_is_none)]


class Input(BaseModel):
    """Base of all inputs: unknown fields are refused, so that a typing mistake in a script is noticed."""

    model_config = ConfigDict(extra="forbid")


class PreparationInput(Input):
    """A preparation.

    Yields in %, ``new_ground_percent`` in % of a variable's range (None: no such limit),
    ``allowed_loss`` in percentage points and ``window_percent`` the probability of the
    tolerance window; ``expected_scatter`` the standard deviation of repeats that the chemist expects from experience, in
    percentage points (None: not said); ``finish_by`` and ``runs_per_week`` say how many runs are left by date;
    ``drying`` says whether that comes before or after the isolation (empty: not said).
    """

    name: Name
    aim_percent: OptionalNumber = None
    literature_percent: OptionalNumber = None
    worthwhile_gain: Number = 1.0
    new_ground_percent: OptionalNumber = 25.0
    allowed_loss: Number = 2.0
    window_percent: Number = 90.0
    expected_scatter: OptionalNumber = None
    finish_by: OptionalDate = None
    runs_per_week: OptionalNumber = None
    currency: Annotated[Annotated[str, Field(max_length=12)], BeforeValidator(_clean_text)] = ""
    theoretical_yield_g: OptionalNumber = None
    product_name: ShortText = ""
    product_formula: ShortText = ""
    product_coefficient: Number = 1.0
    base_scale_mol: OptionalNumber = None
    balance_readability_g: Number = 0.01
    drying: Literal["", "before", "after"] = ""
    notes: LongText = ""
    cautions: LongText = ""
    literature_references: LongText = ""
    confirm: Confirmations = Field(default_factory=list)


class VariableInput(Input):
    """A variable. ``base`` is a number in ``unit`` or one of the choices."""

    name: Name
    role: Role
    unit: Annotated[Annotated[str, Field(max_length=20)], BeforeValidator(_clean_text)] = ""
    stage: Stage = Stage.REACTION
    low: OptionalNumber = None
    high: OptionalNumber = None
    step: OptionalNumber = None
    hard_low: OptionalNumber = None
    hard_high: OptionalNumber = None
    base: Annotated[Annotated[str | float, Field(union_mode="left_to_right")], BeforeValidator(_base)] = ""
    choices: Annotated[Annotated[list[ChoiceName], Field(max_length=30)], BeforeValidator(_lines)] = Field(default_factory=list)
    confirm: Confirmations = Field(default_factory=list)


class LinearLimitInput(Input):
    """Σ coefficient · setting ≤ bound; ``coefficients`` by variable id."""

    kind: Literal["linear"]
    coefficients: dict[int, Number]
    bound: Number


class TotalTimeLimitInput(Input):
    """These hold times together at most ``bound``."""

    kind: Literal["total_time"]
    variables: Annotated[list[int], Field(min_length=1)]
    bound: Number
    unit: Literal["s", "min", "h", "d"] = "h"


class OnlyWithLimitInput(Input):
    """``choice`` of ``variable`` only with one of ``partners`` of ``partner``."""

    kind: Literal["only_with"]
    variable: int
    choice: ChoiceName
    partner: int
    partners: Annotated[list[ChoiceName], BeforeValidator(_lines), Field(min_length=1)]


class NotUsedLimitInput(Input):
    """``options`` of ``variable`` are not used any more; runs that had them stay."""

    kind: Literal["not_used"]
    variable: int
    options: Annotated[list[ChoiceName], BeforeValidator(_lines), Field(min_length=1)]


class OptionRangeLimitInput(Input):
    """With ``choice`` of ``variable``, the number ``partner`` is at least ``low`` and at most ``high``, in its unit."""

    kind: Literal["option_range"]
    variable: int
    choice: ChoiceName
    partner: int
    low: OptionalNumber = None
    high: OptionalNumber = None


AnyLimit = LinearLimitInput | TotalTimeLimitInput | OnlyWithLimitInput | NotUsedLimitInput | OptionRangeLimitInput
LimitInput = Annotated[AnyLimit, Field(discriminator="kind")]


class MaterialInput(Input):
    """A line of the charge.

    ``amount`` is in the unit of ``amount_kind``: equivalents (mol per mol of the scale), mol_percent (mol per 100 mol of
    the scale), mass and volume (g and mL at the base scale; they grow with the scale), mass_percent (g per 100 g of the
    reference), volume_per_gram (mL per g of the reference), concentration (mol/L of one equivalent in it). The reference is
    the first reagent of which 1 equivalent is always taken. ``ratio_variable_id`` is a variable that sets the amount in each
    run, in its own unit where the amount is worked out from it (mg for g), ``ratio_factor`` times it (a ligand, twice the
    metal); ``count_variable_id`` one that says how many times it is taken; ``choice_variable_id`` and ``choice`` the option
    with which alone it is used. ``taken_after`` names the stage whose weighed intermediate the amount is for: equivalents
    then count from the product that it becomes, amounts per gram from its mass, masses and volumes are for all of theory;
    empty, it is for the scale. ``stock_counted`` says that the stock was counted now; another stock than before always is.
    """

    name: Name
    role: MaterialRole
    formula: ShortText = ""
    molar_mass: OptionalNumber = None
    coefficient: Number = 1.0
    amount_kind: AmountKind = AmountKind.EQUIVALENTS
    amount: Number = 1.0
    purity_percent: Number = 100.0
    purity_u_percent: OptionalNumber = None
    water_percent: Number = 0.0
    concentration_mol_per_l: OptionalNumber = None
    density_g_per_ml: OptionalNumber = None
    ratio_variable_id: OptionalId = None
    ratio_factor: Number = 1.0
    choice_variable_id: OptionalId = None
    choice: Annotated[ChoiceName | None, BeforeValidator(_blank_is_none)] = None
    count_variable_id: OptionalId = None
    taken_after: Stage | Literal[""] = ""
    stock_g: OptionalNumber = None
    stock_counted: bool = False
    price_per_g: OptionalNumber = None
    hazards: LongText = ""


class ForecastInput(Input):
    """Settings to be forecast, by variable id or name, and what they are for; ``scale_mol`` for what the run needs."""

    settings: dict[str, Any]
    purpose: Purpose = Purpose.RAISE
    scale_mol: OptionalNumber = None


class PlannedRunInput(Input):
    """A planned run; ``settings`` by variable id or name."""

    settings: dict[str, Any]
    scale_mol: OptionalNumber = None
    reference: ShortText = ""
    notes: LongText = ""
    confirm: Confirmations = Field(default_factory=list)


class ChangedPlanInput(PlannedRunInput):
    """Another plan for a run that was not begun yet."""

    revision: OptionalId = None


class SoFarInput(Input):
    """What is known of a run before its result is: settings as run, day, lot, name, scale, notes; what is not named stays."""

    settings: dict[str, Any]
    scale_mol: OptionalNumber = None
    made_on: OptionalDate = None
    lot: ShortText = ""
    made_by: ShortText = ""
    reference: ShortText = ""
    notes: LongText = ""
    revision: OptionalId = None
    confirm: Confirmations = Field(default_factory=list)


class FinishedRunInput(Input):
    """A run as it was made.

    Either ``yield_percent``, or ``product_mass_g`` with a theoretical yield (given
    here, with the preparation, or following from the materials). A run that is corrected keeps its
    theoretical yield while all that it rests on is the same, unless ``confirm`` holds 'renew_theory'.
    """

    settings: dict[str, Any]
    outcome: Literal["yield", "failure", "no_information"] = "yield"
    yield_percent: OptionalNumber = None
    product_mass_g: OptionalNumber = None
    product_mass_u_g: OptionalNumber = None
    theoretical_yield_g: OptionalNumber = None
    purity_percent: OptionalNumber = None
    purity_u_percent: OptionalNumber = None
    residual_percent: OptionalNumber = None
    residual_u_percent: OptionalNumber = None
    scale_mol: OptionalNumber = None
    made_on: OptionalDate = None
    lot: ShortText = ""
    made_by: ShortText = ""
    reference: ShortText = ""
    notes: LongText = ""
    excluded_reason: Annotated[Annotated[str, Field(max_length=500)] | None, BeforeValidator(_clean_or_none)] = None
    revision: OptionalId = None
    confirm: Confirmations = Field(default_factory=list)


class StateInput(Input):
    """What has become of a run that has no result yet."""

    state: Literal["planned", "under_way", "abandoned"]
    revision: OptionalId = None


CheckpointKind = Literal["product", "recovered", "crop"]


class CheckpointInput(Input):
    """A weighed intermediate; recovered starting material, that of ``material_id`` or the one that limits; or a crop.

    ``formula`` is that of the compound weighed where it is not the product itself, with a number before it where more than
    one of it makes one of the product (2 C13H10O); ``purity_percent`` is its content. Crops (or fractions) are parts of the
    isolated product.
    """

    name: Name
    stage: Stage
    kind: CheckpointKind = "product"
    material_id: OptionalId = None
    mass_g: Number
    purity_percent: Number = 100.0
    formula: ShortText = ""
    confirm: Confirmations = Field(default_factory=list)


class WeighedInput(Input):
    """What was weighed or measured of one material of a run; both empty to take a note back."""

    material_id: Annotated[int, Field(ge=1, le=2**62)]
    mass_g: OptionalNumber = None
    volume_ml: OptionalNumber = None


TimeUnit = Literal["h", "min", "s", "d"]
Column = Annotated[int, Field(ge=1, le=200)]


class ClockInput(Input):
    """Where times of day are typed: the name of the time zone, and local time minus UTC today, should it not be known here.

    Without either, times are UTC.
    """

    zone: Annotated[str, Field(max_length=64)] = ""
    offset_minutes: Annotated[int | None, Field(ge=-1000, le=1000)] = None


class StartInput(ClockInput):
    """When a run began: a date and time, or a time on the day it was made (today, before it is finished); empty for now."""

    began: ShortText = ""
    revision: OptionalId = None


def _cell(typed: object) -> object:
    """A cell of a table as text; scripts may send numbers."""
    if typed is None:
        return ""
    if isinstance(typed, int) and not isinstance(typed, bool):
        return str(typed)
    if isinstance(typed, float):
        return f"{typed:.12g}"
    return _clean_text(typed)


class ReadingInput(ClockInput):
    """One reading.

    ``series`` is product, conversion or remaining (in %), volume or gas (mL or L), temperature (°C, K or °F) or ph (no unit);
    ``unit`` is the first of these where it is not given. ``at`` is the time since the start, in ``at_unit`` or as 1:30 or
    1 h 30 min, or the time of day, by ``at_kind``; unused for 'now'.
    """

    series: ShortText = ""
    value: Number
    unit: Annotated[Annotated[str, Field(max_length=12)], BeforeValidator(_clean_text)] = ""
    at_kind: Literal["now", "elapsed", "clock"] = "now"
    at: Annotated[ShortText, BeforeValidator(_cell)] = ""
    at_unit: TimeUnit = "h"
    confirm: Confirmations = Field(default_factory=list)


class ShapeInput(Input):
    """Shape that the curve of a series shall have; None leaves the choice to the app."""

    shape: Shape | None


class ReadingImportInput(ClockInput):
    """How pasted rows or a logger's file are read; columns count from 1."""

    series: ShortText = ""
    unit: Annotated[Annotated[str, Field(max_length=12)], BeforeValidator(_clean_text)] = ""
    at_kind: Literal["elapsed", "clock"] = "elapsed"
    at_unit: TimeUnit = "h"
    time_column: Column = 1
    value_column: Column = 2
    confirm: Confirmations = Field(default_factory=list)


class CourseUseInput(Input):
    """Whether time courses are evidence for the models, and about which hold time (None: the first)."""

    use: bool = True
    variable_id: OptionalId = None


class CheckpointUseInput(Input):
    """Whether what checkpoints say about stages is evidence for the models."""

    use: bool = True


class ProcedureInput(Input):
    """What is done, by stage."""

    stages: dict[str, LongText] = Field(default_factory=dict)


def _digits(pattern: str, kind: str, otherwise: str) -> Callable[[object], object]:
    """What reads a whole number of a form: None where nothing stands there."""

    def read(typed: object) -> object:
        if isinstance(typed, str):
            if not typed.strip():
                return None
            if not re.fullmatch(pattern, typed.strip()):
                raise PydanticCustomError(kind, "{text}", {"text": otherwise})
        return typed

    return read


_row_number = _digits(r"\d{1,4}", "row_number", "Enter the number of a row, or 0 for none.")
_year = _digits(r"\d{4}", "year", "Enter a year with four digits.")
MOST_CHARACTERS = 10_000
Cell = Annotated[Annotated[str, Field(max_length=MOST_CHARACTERS)], BeforeValidator(_cell)]


class ColumnInput(Input):
    """What a column of a table means, and the unit of plain numbers in it.

    ``meaning`` is v and the id of a variable, empty for a column that is left out, or yield_percent, product_mass_g,
    theoretical_yield_g, purity_percent, residual_percent (the last three and the mass also with _u for the standard
    uncertainty, product_mass_u_g), scale_mol, reference_g (starting material weighed), outcome, state, made_on, lot, made_by,
    reference, notes, excluded_reason, or of a stage checkpoint_work_up_g, checkpoint_work_up_percent and
    checkpoint_work_up_formula (also quench, isolation, drying and reaction), or weighed_ (g) or measured_ (mL) and the id of
    a material. Another one is refused with the list.
    """

    meaning: ShortText = ""
    unit: ShortText = ""


RowNumbers = Annotated[list[Annotated[int, Field(ge=1, le=10_000)]], Field(max_length=5_000)]


class NotebookInput(Input):
    """Past runs as a table of cells: at most 500 rows of 120 columns at a time, below up to five of headings.

    ``heading_row`` counts from 1 (0: no headings; None: the app looks); ``columns`` by number
    from 1, guessed from the headings where not given; ``defaults`` by variable id, for what the
    table does not say; ``words`` by variable id: option for each word that is none; ``day_year`` is
    the year of days that name none; ``small_yields``
    says what yields and purities of at most 1 without a per cent sign are; ``amounts_at`` whether amounts of a run at
    another scale hold for the base scale or for that of the run; ``content_percent`` is the share of
    product in what was weighed on the way, where the table has no column for it; ``failed_rows`` and
    ``empty_rows`` are numbers of rows without a result whose run failed, or told nothing about the yield.
    """

    rows: Annotated[list[Annotated[list[Cell], Field(max_length=200)]], Field(max_length=5_000)]
    heading_row: Annotated[Annotated[int | None, Field(ge=0, le=5_000)], BeforeValidator(_row_number)] = None
    columns: dict[Column, ColumnInput] = Field(default_factory=dict)
    defaults: dict[str, Cell] = Field(default_factory=dict)
    words: dict[str, dict[str, ShortText]] = Field(default_factory=dict)
    day_order: Literal["", "day_first", "month_first"] = ""
    day_year: Annotated[Annotated[int | None, Field(ge=EARLIEST_YEAR, le=2200)], BeforeValidator(_year)] = None
    small_yields: Literal["", "fractions", "percent"] = ""
    amounts_at: Literal["", "base_scale", "run_scale"] = ""
    content_percent: OptionalNumber = None
    failed_rows: RowNumbers = Field(default_factory=list)
    empty_rows: RowNumbers = Field(default_factory=list)
    confirm: Confirmations = Field(default_factory=list)


class ReadingsInput(ReadingImportInput):
    """Readings of one series with their rows as text, for scripts."""

    rows: Annotated[str, Field(max_length=MOST_READINGS_BYTES)]


class SeenRevision(Input):
    """The revision of a run that was seen before it is changed."""

    revision: OptionalId = None


class ExclusionInput(Input):
    """Exclude a run from the models, with the reason."""

    reason: Annotated[Annotated[str, Field(min_length=1, max_length=500)], BeforeValidator(_clean_text)]
    revision: OptionalId = None


_MESSAGES = {
    "missing": "This is needed.",
    "too_short": "Give at least one.",
    "enum": "Choose one of those offered.",
    "literal_error": "Choose one of those offered.",
    "extra_forbidden": "There is no such field.",
    "date_from_datetime_parsing": "Enter a date as year-month-day, for example 2026-03-31.",
    "date_parsing": "Enter a date as year-month-day, for example 2026-03-31.",
    "int_parsing": "Choose one of those offered.",
    "union_tag_invalid": "Choose one of the kinds of limit offered.",
    "union_tag_not_found": "Choose one of the kinds of limit offered.",
}


def message_for(error: Any) -> str:
    """Turn one pydantic error into a sentence for the chemist."""
    kind = error["type"]
    typed = error.get("input")
    if kind == "string_too_long" and isinstance(typed, str):
        return f"At most {error['ctx']['max_length']} characters fit here; this has {len(typed)}. Shorten it."
    if kind == "string_too_short":
        return "This is needed." if not typed else f"This is too short: {error['ctx']['min_length']} characters are needed."
    if kind == "greater_than_equal":
        return f"Enter at least {error['ctx']['ge']}."
    if kind == "less_than_equal":
        return f"Enter at most {error['ctx']['le']}."
    if kind == "too_long":
        return f"At most {error['ctx']['max_length']} entries fit here; there are {error['ctx']['actual_length']}."
    return str(_MESSAGES.get(kind, error["msg"]))


# Pydantic puts the kind of a limit, and of a number or text, into the place of a mistake.
_KINDS_IN_PLACES = ("linear", "total_time", "only_with", "not_used", "option_range", "float", "str")


def field_of(place: Sequence[str | int], nowhere: str) -> str:
    """The field that a mistake belongs to: entries of lists and dicts count to theirs, settings to ``setting_<id>``."""
    if place and place[0] in _KINDS_IN_PLACES:
        place = place[1:]
    where = [str(part) for part in place]
    if where[:1] == ["settings"] and len(where) > 1:
        return f"setting_{where[1]}"
    return where[0] if where else nowhere


def field_messages(error: ValidationError) -> dict[str, str]:
    """Return one sentence per field; list and dict entries count to their field, settings to ``setting_<id>``."""
    found: dict[str, str] = {}
    for one in error.errors():
        found.setdefault(field_of(one["loc"], "form"), message_for(one))
    return found


def validated(
    kind: Any, raw: dict[str, Any], further: Callable[[Any], None] | None = None, stand_in: Mapping[str, Any] | None = None
) -> Any:
    """Validate raw values into an input class.

    Parameters
    ----------
    further : callable or None
        What else is checked of the input; where some fields cannot be read it is asked about the others, so that
        all mistakes are told at once.
    stand_in : mapping or None
        Values that stand for needed fields which cannot be read, while the others are checked.

    Raises
    ------
    InvalidInputError
        With one sentence per field.
    """
    try:
        return kind.model_validate(raw)
    except ValidationError as error:
        messages = field_messages(error)
        readable = {**(stand_in or {}), **{name: value for name, value in raw.items() if name not in messages}}
        if further is not None:
            with suppress(ValidationError):
                data = kind.model_validate(readable)
                messages = {**messages_of(lambda: further(data)), **messages}
        raise InvalidInputError(messages) from error


def messages_of(check: Callable[[], None]) -> dict[str, str]:
    """What a check says, by field; nothing where all is well."""
    try:
        check()
    except InvalidInputError as error:
        return error.messages
    return {}
