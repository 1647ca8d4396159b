"""The oldest program that still fits these tables, for programs older than they are; see ``store/schema.py``"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """To this revision; since 0006 tables and columns were only added."""
    table = op.create_table(
        "schema_floor",
        sa.Column("id", sa.Integer(), nullable=False, autoincrement=False),
        sa.Column("revision", sa.String(length=32), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_schema_floor")),
    )
    op.bulk_insert(table, [{"id": 1, "revision": "0006"}])


def downgrade() -> None:
    """Back to the one before."""
    op.drop_table("schema_floor")
