"""Changes are looked up by run."""

from alembic import op

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_index("ix_change_preparation_id_run_number", "change", ["preparation_id", "run_number"])


def downgrade() -> None:
    raise NotImplementedError("This database cannot be taken back to an older version; use the copy made before the upgrade.")
