"""How well the content of a material is known, and what of that was counted with the yield of a run."""

import sqlalchemy as sa
from alembic import op

revision = "0014"
down_revision = "0013"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("material", sa.Column("purity_u_percent", sa.Float(), nullable=True))
    op.add_column("weighed", sa.Column("purity_u_percent", sa.Float(), nullable=True))
    op.add_column("run", sa.Column("theory_content", sa.Float(), nullable=True))
    op.add_column("run", sa.Column("theory_content_u", sa.Float(), nullable=True))


def downgrade() -> None:
    raise NotImplementedError("This database cannot be taken back to an older version; use the copy made before the upgrade.")
