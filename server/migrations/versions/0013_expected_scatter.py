"""A chemist may know from experience how far repeats scatter."""

import sqlalchemy as sa
from alembic import op

revision = "0013"
down_revision = "0012"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("preparation", sa.Column("expected_scatter", sa.Float(), nullable=True))


def downgrade() -> None:
    raise NotImplementedError("This database cannot be taken back to an older version; use the copy made before the upgrade.")
