"""An amount may be for the intermediate that was weighed, instead of the scale."""

import sqlalchemy as sa
from alembic import op

revision = "0012"
down_revision = "0011"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("material", sa.Column("taken_after", sa.String(), nullable=False, server_default=""))


def downgrade() -> None:
    raise NotImplementedError("This database cannot be taken back to an older version; use the copy made before the upgrade.")
