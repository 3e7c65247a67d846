"""Deciding, readings, attachments and write-ups."""

import sqlalchemy as sa
from alembic import op

import server.storage.tables

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    # Plain ALTER TABLE for columns: a batch would rebuild a parent table, and its children would be deleted along.
    op.create_table(
        "write_up",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("preparation_id", sa.Integer(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("made_at", server.storage.tables.UtcDateTime(), nullable=False),
        sa.Column("content", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(
            ["preparation_id"], ["preparation.id"], name=op.f("fk_write_up_preparation_id"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_write_up")),
        sa.UniqueConstraint("preparation_id", "version", name=op.f("uq_write_up_preparation_id")),
    )
    with op.batch_alter_table("write_up", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_write_up_preparation_id"), ["preparation_id"], unique=False)

    op.create_table(
        "attachment",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("run_id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("media_type", sa.String(), nullable=False),
        sa.Column("size", sa.Integer(), nullable=False),
        sa.Column("sha256", sa.String(), nullable=False),
        sa.Column("added_at", server.storage.tables.UtcDateTime(), nullable=False),
        sa.ForeignKeyConstraint(["run_id"], ["run.id"], name=op.f("fk_attachment_run_id"), ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_attachment")),
    )
    with op.batch_alter_table("attachment", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_attachment_run_id"), ["run_id"], unique=False)

    op.create_table(
        "reading",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("run_id", sa.Integer(), nullable=False),
        sa.Column("series", sa.String(), nullable=False),
        sa.Column("unit", sa.String(), nullable=False),
        sa.Column("at_h", sa.Float(), nullable=False),
        sa.Column("value", sa.Float(), nullable=False),
        sa.Column("noted_at", server.storage.tables.UtcDateTime(), nullable=False),
        sa.ForeignKeyConstraint(["run_id"], ["run.id"], name=op.f("fk_reading_run_id"), ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_reading")),
    )
    with op.batch_alter_table("reading", schema=None) as batch_op:
        batch_op.create_index("ix_reading_run_id_series_at_h", ["run_id", "series", "at_h"], unique=False)

    op.add_column("material", sa.Column("price_per_g", sa.Float(), nullable=True))

    op.add_column("preparation", sa.Column("allowed_loss", sa.Float(), nullable=False, server_default="2"))
    op.add_column("preparation", sa.Column("window_percent", sa.Float(), nullable=False, server_default="90"))
    op.add_column("preparation", sa.Column("finish_by", sa.String(), nullable=True))
    op.add_column("preparation", sa.Column("runs_per_week", sa.Float(), nullable=True))
    op.add_column("preparation", sa.Column("currency", sa.String(), nullable=False, server_default=""))
    op.add_column("preparation", sa.Column("use_courses", sa.Boolean(), nullable=False, server_default="1"))
    op.add_column("preparation", sa.Column("course_variable_id", sa.Integer(), nullable=True))
    op.add_column("preparation", sa.Column("procedure", sa.JSON(), nullable=False, server_default="{}"))

    op.add_column("run", sa.Column("started_at", server.storage.tables.UtcDateTime(), nullable=True))
    op.add_column("run", sa.Column("course_shapes", sa.JSON(), nullable=False, server_default="{}"))


def downgrade() -> None:
    # SQLite would rebuild parent tables, and their children would be deleted along: go back to a copy of the file instead.
    raise NotImplementedError("This database cannot be taken back to an older version; use the copy made before the upgrade.")
