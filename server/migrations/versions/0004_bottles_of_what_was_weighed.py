"""What a bottle held when something of it was weighed, and which material was recovered."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

COLUMNS = ("purity_percent", "water_percent", "concentration_mol_per_l", "density_g_per_ml")


def upgrade() -> None:
    for name in COLUMNS:
        op.add_column("weighed", sa.Column(name, sa.Float(), nullable=True))
    op.add_column("checkpoint", sa.Column("material_id", sa.Integer(), nullable=True))


def downgrade() -> None:
    raise NotImplementedError("This database cannot be taken back to an older version; use the copy made before the upgrade.")
