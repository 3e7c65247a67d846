"""The tables. Table classes do not validate; services check input before it comes here.

No ``from __future__ import annotations`` in this file: SQLModel reads the annotations.
"""

from datetime import UTC, datetime
from typing import Any

from sqlalchemy import JSON, CheckConstraint, Column, DateTime, Index, MetaData, UniqueConstraint
from sqlalchemy.types import TypeDecorator
from sqlmodel import Field, SQLModel

SQLModel.metadata.naming_convention = {
    "ix": "ix_%(column_0_label)s",
    "uq": "uq_%(table_name)s_%(column_0_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_name)s",
    "pk": "pk_%(table_name)s",
}
metadata: MetaData = SQLModel.metadata


class UtcDateTime(TypeDecorator[datetime]):
    """A point in time, always with its zone: SQLite would hand back naive values."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Any) -> datetime | None:
        return None if value is None else value.astimezone(UTC)

    def process_result_value(self, value: datetime | None, dialect: Any) -> datetime | None:
        return None if value is None else value.replace(tzinfo=UTC)


def _moment(*, nullable: bool = True) -> Any:
    return Field(default=None, sa_column=Column(UtcDateTime(), nullable=nullable))


def _parent(table: str) -> Any:
    return Field(foreign_key=f"{table}.id", index=True, ondelete="CASCADE")


class PreparationRow(SQLModel, table=True):
    """What is being made and improved."""

    __tablename__ = "preparation"
    __table_args__ = (
        CheckConstraint("aim_percent IS NULL OR (aim_percent > 0 AND aim_percent <= 100)", name="aim"),
        CheckConstraint("new_ground IS NULL OR (new_ground > 0 AND new_ground <= 1)", name="new_ground"),
        CheckConstraint("allowed_loss > 0", name="allowed_loss"),
        CheckConstraint("window_percent > 0 AND window_percent < 100", name="window"),
    )

    id: int | None = Field(default=None, primary_key=True)
    name: str
    aim_percent: float | None = None
    literature_percent: float | None = None
    worthwhile_gain: float = 1.0
    allowed_loss: float = 2.0
    window_percent: float = 90.0
    # Standard deviation of repeats that the chemist expects; None: not said. [percentage points]
    expected_scatter: float | None = None
    finish_by: str | None = None
    runs_per_week: float | None = None
    currency: str = ""
    new_ground: float | None = 0.25
    theoretical_yield_g: float | None = None
    product_name: str = ""
    product_formula: str = ""
    product_coefficient: float = 1.0
    base_scale_mol: float | None = None
    balance_readability_g: float = 0.01
    notes: str = ""
    cautions: str = ""
    literature_references: str = ""
    # Whether time courses of runs are evidence for the models, and about which hold time.
    use_courses: bool = True
    course_variable_id: int | None = None
    # Whether what checkpoints say about stages is evidence for the models.
    use_checkpoints: bool = True
    # Whether drying comes 'before' or 'after' the isolation; empty: not said.
    drying: str = ""
    # What is done, by stage, in the chemist's words.
    procedure: dict[str, Any] = Field(default_factory=dict, sa_column=Column(JSON, nullable=False))
    last_run_number: int = 0
    revision: int = 1
    created_at: datetime = _moment(nullable=False)
    archived_at: datetime | None = _moment()


class VariableRow(SQLModel, table=True):
    """Something that may be set differently from run to run."""

    __tablename__ = "variable"
    __table_args__ = (UniqueConstraint("preparation_id", "name"), CheckConstraint("low <= high", name="range"))

    id: int | None = Field(default=None, primary_key=True)
    preparation_id: int = _parent("preparation")
    position: int = 0
    name: str
    role: str
    unit: str = ""
    stage: str = "reaction"
    low: float = 0.0
    high: float = 1.0
    step: float | None = None
    hard_low: float | None = None
    hard_high: float | None = None
    base_number: float | None = None
    base_choice: str | None = None
    choices: list[str] = Field(default_factory=list, sa_column=Column(JSON, nullable=False))


class LimitRow(SQLModel, table=True):
    """A rule over several variables.

    ``kind`` is 'linear' (coefficients by variable id, bound), 'total_time' (variable
    ids, bound, unit), 'only_with' (variable, choice, partner, partners),
    'option_range' (variable, choice, partner, low, high) or 'not_used' (variable, options).
    """

    __tablename__ = "limit_rule"

    id: int | None = Field(default=None, primary_key=True)
    preparation_id: int = _parent("preparation")
    kind: str
    text: str = ""
    details: dict[str, Any] = Field(default_factory=dict, sa_column=Column(JSON, nullable=False))


class MaterialRow(SQLModel, table=True):
    """A line of the charge."""

    __tablename__ = "material"

    id: int | None = Field(default=None, primary_key=True)
    preparation_id: int = _parent("preparation")
    position: int = 0
    name: str
    role: str
    formula: str = ""
    molar_mass: float | None = None
    coefficient: float = 1.0
    amount_kind: str = "equivalents"
    amount: float = 1.0
    purity_percent: float = 100.0
    purity_u_percent: float | None = None
    water_percent: float = 0.0
    concentration_mol_per_l: float | None = None
    density_g_per_ml: float | None = None
    ratio_variable_id: int | None = Field(default=None, foreign_key="variable.id", ondelete="SET NULL")
    # How many times the number of that variable is taken.
    ratio_factor: float = Field(default=1.0, sa_column_kwargs={"server_default": "1"})
    # What one unit of that variable is in the unit of the amount: 0.001 of mg for g.
    unit_factor: float = Field(default=1.0, sa_column_kwargs={"server_default": "1"})
    choice_variable_id: int | None = Field(default=None, foreign_key="variable.id", ondelete="SET NULL")
    choice: str | None = None
    # The variable that says how many times the amount is taken; removing it is the service's work.
    count_variable_id: int | None = None
    # Stage whose weighed intermediate the amount is for; empty: the scale of the run.
    taken_after: str = Field(default="", sa_column_kwargs={"server_default": ""})
    stock_g: float | None = None
    # Runs made since then have taken from it.
    stock_at: datetime | None = _moment()
    price_per_g: float | None = None
    hazards: str = ""

    @property
    def amount_of_one(self) -> float:
        """Amount where the variable that sets it is at 1, in the unit of ``amount_kind``."""
        return self.ratio_factor * self.unit_factor


class RunRow(SQLModel, table=True):
    """One attempt."""

    __tablename__ = "run"
    __table_args__ = (
        UniqueConstraint("preparation_id", "number"),
        CheckConstraint("state IN ('planned', 'under_way', 'finished', 'abandoned')", name="state"),
        CheckConstraint("outcome IN ('yield', 'failure', 'no_information')", name="outcome"),
    )

    id: int | None = Field(default=None, primary_key=True)
    preparation_id: int = _parent("preparation")
    number: int
    state: str
    outcome: str = "yield"
    scale_mol: float | None = None
    product_mass_g: float | None = None
    product_mass_u_g: float | None = None
    purity_percent: float | None = None
    purity_u_percent: float | None = None
    residual_percent: float | None = None
    residual_u_percent: float | None = None
    theoretical_yield_g: float | None = None
    # What theory was when the result was entered; later changes of the charge leave it alone.
    theory_g: float | None = None
    theory_u_g: float = 0.0
    # Content of the material that limited, and its standard uncertainty; no content where nothing is known of it. [g/g]
    theory_content: float | None = None
    theory_content_u: float | None = None
    theory_source: str = ""
    # The balance and the charge when the result was entered; later changes of the preparation leave them alone.
    readability_g: float | None = None
    made_with: dict[str, Any] | None = Field(default=None, sa_column=Column(JSON))
    entered_yield_percent: float | None = None
    excluded_reason: str | None = None
    # Where it stands in the notebook.
    reference: str = Field(default="", sa_column_kwargs={"server_default": ""})
    lot: str = ""
    made_by: str = Field(default="", sa_column_kwargs={"server_default": ""})
    notes: str = ""
    made_on: str | None = None
    started_at: datetime | None = _moment()
    # When its first result was entered; None for past runs that were brought in.
    finished_at: datetime | None = _moment()
    # Shape of the time course that the chemist chose, by series; chosen by the app where missing.
    course_shapes: dict[str, Any] = Field(default_factory=dict, sa_column=Column(JSON, nullable=False))
    purpose: str | None = None
    forecast: dict[str, Any] | None = Field(default=None, sa_column=Column(JSON))
    revision: int = 1
    created_at: datetime = _moment(nullable=False)


class SettingRow(SQLModel, table=True):
    """The value of a variable in one run, planned and as run."""

    __tablename__ = "setting"
    __table_args__ = (UniqueConstraint("run_id", "variable_id"),)

    id: int | None = Field(default=None, primary_key=True)
    run_id: int = _parent("run")
    variable_id: int = _parent("variable")
    planned_number: float | None = None
    planned_choice: str | None = None
    as_run_number: float | None = None
    as_run_choice: str | None = None


class WeighedRow(SQLModel, table=True):
    """What was really weighed or measured of a material in one run."""

    __tablename__ = "weighed"
    __table_args__ = (UniqueConstraint("run_id", "material_id"),)

    id: int | None = Field(default=None, primary_key=True)
    run_id: int = _parent("run")
    material_id: int = _parent("material")
    mass_g: float | None = None
    volume_ml: float | None = None
    # What the bottle held when the amount was first noted; None in notes of older versions.
    purity_percent: float | None = None
    purity_u_percent: float | None = None
    water_percent: float | None = None
    concentration_mol_per_l: float | None = None
    density_g_per_ml: float | None = None


class CheckpointRow(SQLModel, table=True):
    """A weighed intermediate of a run."""

    __tablename__ = "checkpoint"

    id: int | None = Field(default=None, primary_key=True)
    run_id: int = _parent("run")
    position: int = 0
    name: str
    stage: str
    # 'product', 'recovered', or 'crop', a part of the isolated product.
    kind: str = "product"
    # Which material came back; None for the one that limits.
    material_id: int | None = None
    mass_g: float
    purity_percent: float = 100.0
    # Of the compound that was weighed, where it is not the product itself; a number before it is how many make one product.
    formula: str = Field(default="", sa_column_kwargs={"server_default": ""})


class ReadingRow(SQLModel, table=True):
    """A timed measurement during a run. ``at_h`` is the time since the start of the run. [h]"""

    __tablename__ = "reading"
    __table_args__ = (Index("ix_reading_run_id_series_at_h", "run_id", "series", "at_h"),)

    id: int | None = Field(default=None, primary_key=True)
    run_id: int = Field(foreign_key="run.id", ondelete="CASCADE")
    series: str
    unit: str = ""
    at_h: float
    value: float
    noted_at: datetime = _moment(nullable=False)


class AttachmentRow(SQLModel, table=True):
    """A photo or file of a run; the bytes lie outside the database under their SHA-256."""

    __tablename__ = "attachment"

    id: int | None = Field(default=None, primary_key=True)
    run_id: int = _parent("run")
    name: str
    media_type: str
    size: int
    sha256: str
    added_at: datetime = _moment(nullable=False)


class WriteUpRow(SQLModel, table=True):
    """A version of the write-up, kept as it was when it was made."""

    __tablename__ = "write_up"
    __table_args__ = (UniqueConstraint("preparation_id", "version"),)

    id: int | None = Field(default=None, primary_key=True)
    preparation_id: int = _parent("preparation")
    version: int
    made_at: datetime = _moment(nullable=False)
    content: dict[str, Any] = Field(default_factory=dict, sa_column=Column(JSON, nullable=False))


class ChangeRow(SQLModel, table=True):
    """The revision log: who reads a number can see what it was before, and why it changed."""

    __tablename__ = "change"
    __table_args__ = (Index("ix_change_preparation_id_run_number", "preparation_id", "run_number"),)

    id: int | None = Field(default=None, primary_key=True)
    preparation_id: int = _parent("preparation")
    run_number: int | None = None
    at: datetime = _moment(nullable=False)
    what: str
    before: dict[str, Any] | None = Field(default=None, sa_column=Column(JSON))
    after: dict[str, Any] | None = Field(default=None, sa_column=Column(JSON))
    reason: str = ""


for _table in metadata.tables.values():
    # An id is never used again: a page left open must not write to another record that got the same one.
    _table.dialect_options["sqlite"]["autoincrement"] = True
