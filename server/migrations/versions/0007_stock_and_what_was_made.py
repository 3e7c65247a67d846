"""When the stock of a material was counted; what a finished run was made with, so that later changes leave it alone."""

import sqlalchemy as sa
from alembic import op

from server.storage.tables import UtcDateTime

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("material", sa.Column("stock_at", UtcDateTime(), nullable=True))
    op.add_column("run", sa.Column("finished_at", UtcDateTime(), nullable=True))
    op.add_column("run", sa.Column("readability_g", sa.Float(), nullable=True))
    op.add_column("run", sa.Column("made_with", sa.JSON(), nullable=True))
    # Stock was said to be what is left today.
    op.execute("UPDATE material SET stock_at = strftime('%Y-%m-%d %H:%M:%f', 'now') WHERE stock_g IS NOT NULL")
    # The balance of today is the best guess for runs that are there.
    op.execute(
        "UPDATE run SET readability_g = (SELECT p.balance_readability_g FROM preparation p WHERE p.id = run.preparation_id) "
        "WHERE state = 'finished'"
    )


def downgrade() -> None:
    raise NotImplementedError("This database cannot be taken back to an older version; use the copy made before the upgrade.")
