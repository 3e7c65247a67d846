"""Ids are never used again: a page that was left open must not write to another record that got the same id.

SQLite does that only for tables that say so when they are made, so every table is made anew and filled.
Foreign keys are off while it runs, or the children would be deleted along with the old tables.
"""

import re

from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

TABLES = (
    *("preparation", "variable", "limit_rule", "material", "run", "setting", "weighed", "checkpoint"),
    *("reading", "attachment", "write_up", "change"),
)
_ID = re.compile(r"\bid INTEGER NOT NULL\b")


def upgrade() -> None:
    connection = op.get_bind()
    for table in TABLES:
        kept = connection.exec_driver_sql("SELECT type, sql FROM sqlite_master WHERE tbl_name = ? AND sql IS NOT NULL", (table,))
        pairs = [(kind, str(text)) for kind, text in kept]
        (old,) = (text for kind, text in pairs if kind == "table")
        columns = old[old.index("(") :]
        columns, found = re.subn(rf",\s*CONSTRAINT pk_{table} PRIMARY KEY \(id\)", "", columns)
        columns, ids = _ID.subn("id INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT", columns, count=1)
        if (found, ids) != (1, 1):
            raise RuntimeError(f"The table {table} is not as it was made: {old}")
        connection.exec_driver_sql(f"CREATE TABLE new_{table} {columns}")
        connection.exec_driver_sql(f"INSERT INTO new_{table} SELECT * FROM {table}")
        connection.exec_driver_sql(f"DROP TABLE {table}")
        connection.exec_driver_sql(f"ALTER TABLE new_{table} RENAME TO {table}")
        for kind, text in pairs:
            if kind == "index":
                connection.exec_driver_sql(text)


def downgrade() -> None:
    raise NotImplementedError("This database cannot be taken back to an older version; use the copy made before the upgrade.")
