"""Readings of the hour meter, and which visits were services"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """To this revision."""
    op.create_table(
        "meter_readings",
        sa.Column("machine_id", sa.String(length=36), nullable=False),
        sa.Column("inspection_id", sa.String(length=36), nullable=True),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("hours", sa.Double(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("id", sa.String(length=36), nullable=False),
        sa.Column("owner_id", sa.String(length=36), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["inspection_id"], ["inspections.id"], name=op.f("fk_meter_readings_inspection_id")),
        sa.ForeignKeyConstraint(["machine_id"], ["machines.id"], name=op.f("fk_meter_readings_machine_id")),
        sa.ForeignKeyConstraint(["owner_id"], ["accounts.id"], name=op.f("fk_meter_readings_owner_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_meter_readings")),
        sa.UniqueConstraint("inspection_id", name=op.f("uq_meter_readings_inspection_id")),
    )
    with op.batch_alter_table("meter_readings", schema=None) as batch_op:
        for column in ("created_at", "machine_id", "owner_id"):
            batch_op.create_index(batch_op.f(f"ix_meter_readings_{column}"), [column], unique=False)
    with op.batch_alter_table("inspections", schema=None) as batch_op:
        batch_op.add_column(sa.Column("serviced", sa.Boolean(), nullable=False, server_default=sa.false()))


def downgrade() -> None:
    """Back to the one before."""
    with op.batch_alter_table("inspections", schema=None) as batch_op:
        batch_op.drop_column("serviced")
    with op.batch_alter_table("meter_readings", schema=None) as batch_op:
        for column in ("owner_id", "machine_id", "created_at"):
            batch_op.drop_index(batch_op.f(f"ix_meter_readings_{column}"))
    op.drop_table("meter_readings")
