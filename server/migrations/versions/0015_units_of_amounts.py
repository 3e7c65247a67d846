"""What one unit of a variable is in the unit of the amount that it sets."""

import sqlalchemy as sa
from alembic import op

revision = "0015"
down_revision = "0014"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("material", sa.Column("unit_factor", sa.Float(), nullable=False, server_default="1"))


def downgrade() -> None:
    raise NotImplementedError("This database cannot be taken back to an older version; use the copy made before the upgrade.")
