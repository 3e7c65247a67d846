"""Whether checkpoints of runs are evidence for the models, and whether drying comes before the isolation."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("preparation", sa.Column("use_checkpoints", sa.Boolean(), nullable=False, server_default="1"))
    op.add_column("preparation", sa.Column("drying", sa.String(), nullable=False, server_default=""))


def downgrade() -> None:
    raise NotImplementedError("This database cannot be taken back to an older version; use the copy made before the upgrade.")
