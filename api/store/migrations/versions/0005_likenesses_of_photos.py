"""Likenesses of photos"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """To this revision."""
    op.create_table(
        "likeness_marks",
        sa.Column("mark", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("number", sa.Integer(), autoincrement=False, nullable=False),
        sa.PrimaryKeyConstraint("mark", "number", name=op.f("pk_likeness_marks")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "likenesses",
        sa.Column("number", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("return_photo_id", sa.String(length=36), nullable=False),
        sa.Column("picture", sa.LargeBinary(), nullable=False),
        sa.Column("marks", sa.LargeBinary(), nullable=False),
        sa.Column("made_by", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["return_photo_id"], ["return_photos.id"], name=op.f("fk_likenesses_return_photo_id")),
        sa.PrimaryKeyConstraint("number", name=op.f("pk_likenesses")),
        sa.UniqueConstraint("return_photo_id", name=op.f("uq_likenesses_return_photo_id")),
    )


def downgrade() -> None:
    """Back to the one before."""
    op.drop_table("likenesses")
    op.drop_table("likeness_marks")
