"""The record"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

GUARDED = ("record_entries", "tombstones")
REFUSAL = "the record is append-only"


def upgrade() -> None:
    """To this revision."""
    op.create_table(
        "record_entries",
        sa.Column("place", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("at", sa.String(length=27), nullable=False),
        sa.Column("who", sa.String(length=80), nullable=False),
        sa.Column("what", sa.String(length=60), nullable=False),
        sa.Column("kind", sa.String(length=40), nullable=False),
        sa.Column("subject", sa.String(length=80), nullable=False),
        sa.Column("entry", sa.Text(), nullable=False),
        sa.Column("previous", sa.String(length=64), nullable=False),
        sa.Column("digest", sa.String(length=64), nullable=False),
        sa.PrimaryKeyConstraint("place", name=op.f("pk_record_entries")),
        sa.UniqueConstraint("digest", name=op.f("uq_record_entries_digest")),
        sa.UniqueConstraint("previous", name=op.f("uq_record_entries_previous")),
    )
    with op.batch_alter_table("record_entries", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_record_entries_at"), ["at"], unique=False)
        batch_op.create_index(batch_op.f("ix_record_entries_subject"), ["subject"], unique=False)
    op.create_table(
        "tombstones",
        sa.Column("photo_id", sa.String(length=36), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("public_key", sa.String(length=64), nullable=False),
        sa.Column("signature", sa.String(length=128), nullable=False),
        sa.PrimaryKeyConstraint("photo_id", name=op.f("pk_tombstones")),
    )
    with op.batch_alter_table("tombstones", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_tombstones_sha256"), ["sha256"], unique=False)
    with op.batch_alter_table("photos", schema=None) as batch_op:
        batch_op.add_column(sa.Column("erased_at", sa.DateTime(timezone=True), nullable=True))
    if op.get_bind().dialect.name == "sqlite":
        for table in GUARDED:
            for step in ("update", "delete"):
                op.execute(
                    f"create trigger {table}_no_{step} before {step} on {table} "
                    f"begin select raise(abort, '{REFUSAL}'); end"
                )
    else:
        op.execute(
            "create function refuse_change() returns trigger language plpgsql as "
            f"$$ begin raise exception '{REFUSAL}'; end $$"
        )
        for table in GUARDED:
            op.execute(
                f"create trigger {table}_no_change before update or delete or truncate on {table} "
                "for each statement execute function refuse_change()"
            )


def downgrade() -> None:
    """Back to the one before; the record is lost."""
    with op.batch_alter_table("photos", schema=None) as batch_op:
        batch_op.drop_column("erased_at")
    for table in GUARDED:
        op.drop_table(table)  # its triggers go with it
    if op.get_bind().dialect.name != "sqlite":
        op.execute("drop function refuse_change()")
