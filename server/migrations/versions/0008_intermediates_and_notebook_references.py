"""What a checkpoint weighed where it was not the product itself; where a run stands in the notebook."""

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("checkpoint", sa.Column("formula", sa.String(), nullable=False, server_default=""))
    op.add_column("run", sa.Column("reference", sa.String(), nullable=False, server_default=""))


def downgrade() -> None:
    raise NotImplementedError("This database cannot be taken back to an older version; use the copy made before the upgrade.")
