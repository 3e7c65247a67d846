"""When the stock of a material was counted: runs made since then have taken from it."""

import sqlalchemy as sa
from alembic import op

from server.storage.tables import UtcDateTime

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("material", sa.Column("stock_at", UtcDateTime(), nullable=True))


def downgrade() -> None:
    raise NotImplementedError("This database cannot be taken back to an older version; use the copy made before the upgrade.")
