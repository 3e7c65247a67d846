"""first tables."""

import sqlalchemy as sa
from alembic import op

import server.storage.tables

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "preparation",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("aim_percent", sa.Float(), nullable=True),
        sa.Column("literature_percent", sa.Float(), nullable=True),
        sa.Column("worthwhile_gain", sa.Float(), nullable=False),
        sa.Column("new_ground", sa.Float(), nullable=True),
        sa.Column("theoretical_yield_g", sa.Float(), nullable=True),
        sa.Column("product_name", sa.String(), nullable=False),
        sa.Column("product_formula", sa.String(), nullable=False),
        sa.Column("product_coefficient", sa.Float(), nullable=False),
        sa.Column("base_scale_mol", sa.Float(), nullable=True),
        sa.Column("balance_readability_g", sa.Float(), nullable=False),
        sa.Column("notes", sa.String(), nullable=False),
        sa.Column("cautions", sa.String(), nullable=False),
        sa.Column("literature_references", sa.String(), nullable=False),
        sa.Column("last_run_number", sa.Integer(), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("created_at", server.storage.tables.UtcDateTime(timezone=True), nullable=False),
        sa.Column("archived_at", server.storage.tables.UtcDateTime(timezone=True), nullable=True),
        sa.CheckConstraint("aim_percent IS NULL OR (aim_percent > 0 AND aim_percent <= 100)", name=op.f("ck_preparation_aim")),
        sa.CheckConstraint("new_ground IS NULL OR (new_ground > 0 AND new_ground <= 1)", name=op.f("ck_preparation_new_ground")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_preparation")),
    )
    op.create_table(
        "change",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("preparation_id", sa.Integer(), nullable=False),
        sa.Column("run_number", sa.Integer(), nullable=True),
        sa.Column("at", server.storage.tables.UtcDateTime(timezone=True), nullable=False),
        sa.Column("what", sa.String(), nullable=False),
        sa.Column("before", sa.JSON(), nullable=True),
        sa.Column("after", sa.JSON(), nullable=True),
        sa.Column("reason", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(
            ["preparation_id"], ["preparation.id"], name=op.f("fk_change_preparation_id"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_change")),
    )
    with op.batch_alter_table("change", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_change_preparation_id"), ["preparation_id"], unique=False)

    op.create_table(
        "limit_rule",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("preparation_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("text", sa.String(), nullable=False),
        sa.Column("details", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(
            ["preparation_id"], ["preparation.id"], name=op.f("fk_limit_rule_preparation_id"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_limit_rule")),
    )
    with op.batch_alter_table("limit_rule", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_limit_rule_preparation_id"), ["preparation_id"], unique=False)

    op.create_table(
        "run",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("preparation_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("outcome", sa.String(), nullable=False),
        sa.Column("scale_mol", sa.Float(), nullable=True),
        sa.Column("product_mass_g", sa.Float(), nullable=True),
        sa.Column("product_mass_u_g", sa.Float(), nullable=True),
        sa.Column("purity_percent", sa.Float(), nullable=True),
        sa.Column("purity_u_percent", sa.Float(), nullable=True),
        sa.Column("residual_percent", sa.Float(), nullable=True),
        sa.Column("residual_u_percent", sa.Float(), nullable=True),
        sa.Column("theoretical_yield_g", sa.Float(), nullable=True),
        sa.Column("theory_g", sa.Float(), nullable=True),
        sa.Column("theory_u_g", sa.Float(), nullable=False),
        sa.Column("theory_source", sa.String(), nullable=False),
        sa.Column("entered_yield_percent", sa.Float(), nullable=True),
        sa.Column("excluded_reason", sa.String(), nullable=True),
        sa.Column("lot", sa.String(), nullable=False),
        sa.Column("notes", sa.String(), nullable=False),
        sa.Column("made_on", sa.String(), nullable=True),
        sa.Column("purpose", sa.String(), nullable=True),
        sa.Column("forecast", sa.JSON(), nullable=True),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("created_at", server.storage.tables.UtcDateTime(timezone=True), nullable=False),
        sa.CheckConstraint("outcome IN ('yield', 'failure', 'no_information')", name=op.f("ck_run_outcome")),
        sa.CheckConstraint("state IN ('planned', 'under_way', 'finished', 'abandoned')", name=op.f("ck_run_state")),
        sa.ForeignKeyConstraint(["preparation_id"], ["preparation.id"], name=op.f("fk_run_preparation_id"), ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_run")),
        sa.UniqueConstraint("preparation_id", "number", name=op.f("uq_run_preparation_id")),
    )
    with op.batch_alter_table("run", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_run_preparation_id"), ["preparation_id"], unique=False)

    op.create_table(
        "variable",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("preparation_id", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("role", sa.String(), nullable=False),
        sa.Column("unit", sa.String(), nullable=False),
        sa.Column("stage", sa.String(), nullable=False),
        sa.Column("low", sa.Float(), nullable=False),
        sa.Column("high", sa.Float(), nullable=False),
        sa.Column("step", sa.Float(), nullable=True),
        sa.Column("hard_low", sa.Float(), nullable=True),
        sa.Column("hard_high", sa.Float(), nullable=True),
        sa.Column("base_number", sa.Float(), nullable=True),
        sa.Column("base_choice", sa.String(), nullable=True),
        sa.Column("choices", sa.JSON(), nullable=False),
        sa.CheckConstraint("low <= high", name=op.f("ck_variable_range")),
        sa.ForeignKeyConstraint(
            ["preparation_id"], ["preparation.id"], name=op.f("fk_variable_preparation_id"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_variable")),
        sa.UniqueConstraint("preparation_id", "name", name=op.f("uq_variable_preparation_id")),
    )
    with op.batch_alter_table("variable", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_variable_preparation_id"), ["preparation_id"], unique=False)

    op.create_table(
        "checkpoint",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("run_id", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("stage", sa.String(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("mass_g", sa.Float(), nullable=False),
        sa.Column("purity_percent", sa.Float(), nullable=False),
        sa.ForeignKeyConstraint(["run_id"], ["run.id"], name=op.f("fk_checkpoint_run_id"), ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_checkpoint")),
    )
    with op.batch_alter_table("checkpoint", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_checkpoint_run_id"), ["run_id"], unique=False)

    op.create_table(
        "material",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("preparation_id", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("role", sa.String(), nullable=False),
        sa.Column("formula", sa.String(), nullable=False),
        sa.Column("molar_mass", sa.Float(), nullable=True),
        sa.Column("coefficient", sa.Float(), nullable=False),
        sa.Column("amount_kind", sa.String(), nullable=False),
        sa.Column("amount", sa.Float(), nullable=False),
        sa.Column("purity_percent", sa.Float(), nullable=False),
        sa.Column("water_percent", sa.Float(), nullable=False),
        sa.Column("concentration_mol_per_l", sa.Float(), nullable=True),
        sa.Column("density_g_per_ml", sa.Float(), nullable=True),
        sa.Column("ratio_variable_id", sa.Integer(), nullable=True),
        sa.Column("choice_variable_id", sa.Integer(), nullable=True),
        sa.Column("choice", sa.String(), nullable=True),
        sa.Column("stock_g", sa.Float(), nullable=True),
        sa.Column("hazards", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(
            ["choice_variable_id"], ["variable.id"], name=op.f("fk_material_choice_variable_id"), ondelete="SET NULL"
        ),
        sa.ForeignKeyConstraint(
            ["preparation_id"], ["preparation.id"], name=op.f("fk_material_preparation_id"), ondelete="CASCADE"
        ),
        sa.ForeignKeyConstraint(
            ["ratio_variable_id"], ["variable.id"], name=op.f("fk_material_ratio_variable_id"), ondelete="SET NULL"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_material")),
    )
    with op.batch_alter_table("material", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_material_preparation_id"), ["preparation_id"], unique=False)

    op.create_table(
        "setting",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("run_id", sa.Integer(), nullable=False),
        sa.Column("variable_id", sa.Integer(), nullable=False),
        sa.Column("planned_number", sa.Float(), nullable=True),
        sa.Column("planned_choice", sa.String(), nullable=True),
        sa.Column("as_run_number", sa.Float(), nullable=True),
        sa.Column("as_run_choice", sa.String(), nullable=True),
        sa.ForeignKeyConstraint(["run_id"], ["run.id"], name=op.f("fk_setting_run_id"), ondelete="CASCADE"),
        sa.ForeignKeyConstraint(["variable_id"], ["variable.id"], name=op.f("fk_setting_variable_id"), ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_setting")),
        sa.UniqueConstraint("run_id", "variable_id", name=op.f("uq_setting_run_id")),
    )
    with op.batch_alter_table("setting", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_setting_run_id"), ["run_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_setting_variable_id"), ["variable_id"], unique=False)

    op.create_table(
        "weighed",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("run_id", sa.Integer(), nullable=False),
        sa.Column("material_id", sa.Integer(), nullable=False),
        sa.Column("mass_g", sa.Float(), nullable=True),
        sa.Column("volume_ml", sa.Float(), nullable=True),
        sa.ForeignKeyConstraint(["material_id"], ["material.id"], name=op.f("fk_weighed_material_id"), ondelete="CASCADE"),
        sa.ForeignKeyConstraint(["run_id"], ["run.id"], name=op.f("fk_weighed_run_id"), ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_weighed")),
        sa.UniqueConstraint("run_id", "material_id", name=op.f("uq_weighed_run_id")),
    )
    with op.batch_alter_table("weighed", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_weighed_material_id"), ["material_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_weighed_run_id"), ["run_id"], unique=False)


def downgrade() -> None:
    with op.batch_alter_table("weighed", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_weighed_run_id"))
        batch_op.drop_index(batch_op.f("ix_weighed_material_id"))

    op.drop_table("weighed")
    with op.batch_alter_table("setting", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_setting_variable_id"))
        batch_op.drop_index(batch_op.f("ix_setting_run_id"))

    op.drop_table("setting")
    with op.batch_alter_table("material", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_material_preparation_id"))

    op.drop_table("material")
    with op.batch_alter_table("checkpoint", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_checkpoint_run_id"))

    op.drop_table("checkpoint")
    with op.batch_alter_table("variable", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_variable_preparation_id"))

    op.drop_table("variable")
    with op.batch_alter_table("run", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_run_preparation_id"))

    op.drop_table("run")
    with op.batch_alter_table("limit_rule", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_limit_rule_preparation_id"))

    op.drop_table("limit_rule")
    with op.batch_alter_table("change", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_change_preparation_id"))

    op.drop_table("change")
    op.drop_table("preparation")
