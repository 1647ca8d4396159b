"""Tries at the log-in, and when a log-in was last used; both only add, so that older processes go on meanwhile"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """To this revision."""
    op.create_table(
        "tries",
        sa.Column("key", sa.String(length=64), nullable=False),
        sa.Column("failures", sa.Integer(), nullable=False),
        sa.Column("failed_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("good_at", sa.DateTime(timezone=True), nullable=True),
        sa.PrimaryKeyConstraint("key", name=op.f("pk_tries")),
    )
    op.create_index(op.f("ix_tries_failed_at"), "tries", ["failed_at"])
    op.add_column("logins", sa.Column("seen_at", sa.DateTime(timezone=True), nullable=True))


def downgrade() -> None:
    """Back to the one before."""
    op.drop_column("logins", "seen_at")
    op.drop_index(op.f("ix_tries_failed_at"), table_name="tries")
    op.drop_table("tries")
