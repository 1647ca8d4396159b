"""The returns desk"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """To this revision."""
    op.create_table(
        "number_counts",
        sa.Column("year", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("last", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("year", name=op.f("pk_number_counts")),
    )
    op.create_table(
        "fitted",
        sa.Column("part", sa.String(length=20), nullable=False),
        sa.Column("part_number", sa.String(length=60), nullable=False),
        sa.Column("lot", sa.String(length=60), nullable=False),
        sa.Column("since", sa.Date(), nullable=False),
        sa.Column("count", sa.Integer(), nullable=False),
        sa.Column("hours_a_day", sa.Double(), nullable=True),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("id", sa.String(length=36), nullable=False),
        sa.Column("owner_id", sa.String(length=36), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["owner_id"], ["accounts.id"], name=op.f("fk_fitted_owner_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_fitted")),
    )
    with op.batch_alter_table("fitted", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_fitted_created_at"), ["created_at"], unique=False)
        batch_op.create_index(batch_op.f("ix_fitted_owner_id"), ["owner_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_fitted_part"), ["part"], unique=False)

    op.create_table(
        "saved_lists",
        sa.Column("name", sa.String(length=60), nullable=False),
        sa.Column("query", sa.JSON(), nullable=False),
        sa.Column("id", sa.String(length=36), nullable=False),
        sa.Column("owner_id", sa.String(length=36), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["owner_id"], ["accounts.id"], name=op.f("fk_saved_lists_owner_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_saved_lists")),
        sa.UniqueConstraint("owner_id", "name", name=op.f("uq_saved_lists_owner_id_name")),
    )
    with op.batch_alter_table("saved_lists", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_saved_lists_created_at"), ["created_at"], unique=False)
        batch_op.create_index(batch_op.f("ix_saved_lists_owner_id"), ["owner_id"], unique=False)

    op.create_table(
        "returns",
        sa.Column("number", sa.String(length=20), nullable=False),
        sa.Column("part", sa.String(length=20), nullable=False),
        sa.Column("part_number", sa.String(length=60), nullable=False),
        sa.Column("lot", sa.String(length=60), nullable=False),
        sa.Column("serial", sa.String(length=60), nullable=False),
        sa.Column("machine_id", sa.String(length=36), nullable=True),
        sa.Column("machine", sa.String(length=80), nullable=False),
        sa.Column("hours_installed", sa.Double(), nullable=True),
        sa.Column("hours_failed", sa.Double(), nullable=True),
        sa.Column("hours_last_good", sa.Double(), nullable=True),
        sa.Column("installed_on", sa.Date(), nullable=True),
        sa.Column("failed_on", sa.Date(), nullable=True),
        sa.Column("returned_on", sa.Date(), nullable=False),
        sa.Column("claimant", sa.String(length=120), nullable=False),
        sa.Column("story", sa.Text(), nullable=False),
        sa.Column("claimed", sa.String(length=20), nullable=False),
        sa.Column("value_minor", sa.Integer(), nullable=True),
        sa.Column("currency", sa.String(length=3), nullable=False),
        sa.Column("kept_where", sa.String(length=120), nullable=False),
        sa.Column("kept_until", sa.Date(), nullable=True),
        sa.Column("state", sa.String(length=20), nullable=False),
        sa.Column("doubt", sa.Double(), nullable=False),
        sa.Column("attempt", sa.Integer(), nullable=False),
        sa.Column("grade_id", sa.String(length=36), nullable=True),
        sa.Column("closed_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("id", sa.String(length=36), nullable=False),
        sa.Column("owner_id", sa.String(length=36), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["grade_id"], ["grades.id"], name=op.f("fk_returns_grade_id")),
        sa.ForeignKeyConstraint(["machine_id"], ["machines.id"], name=op.f("fk_returns_machine_id")),
        sa.ForeignKeyConstraint(["owner_id"], ["accounts.id"], name=op.f("fk_returns_owner_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_returns")),
        sa.UniqueConstraint("number", name=op.f("uq_returns_number")),
    )
    with op.batch_alter_table("returns", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_returns_created_at"), ["created_at"], unique=False)
        batch_op.create_index(batch_op.f("ix_returns_doubt"), ["doubt"], unique=False)
        batch_op.create_index(batch_op.f("ix_returns_lot"), ["lot"], unique=False)
        batch_op.create_index(batch_op.f("ix_returns_machine_id"), ["machine_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_returns_owner_id"), ["owner_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_returns_part"), ["part"], unique=False)
        batch_op.create_index(batch_op.f("ix_returns_part_number"), ["part_number"], unique=False)
        batch_op.create_index(batch_op.f("ix_returns_serial"), ["serial"], unique=False)
        batch_op.create_index(batch_op.f("ix_returns_state"), ["state"], unique=False)
        batch_op.create_index("ix_returns_state_created_at", ["state", "created_at"], unique=False)

    op.create_table(
        "counter_readings",
        sa.Column("return_id", sa.String(length=36), nullable=False),
        sa.Column("check_id", sa.String(length=60), nullable=False),
        sa.Column("entered", sa.JSON(), nullable=False),
        sa.Column("finding", sa.JSON(), nullable=False),
        sa.Column("id", sa.String(length=36), nullable=False),
        sa.Column("owner_id", sa.String(length=36), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["owner_id"], ["accounts.id"], name=op.f("fk_counter_readings_owner_id")),
        sa.ForeignKeyConstraint(["return_id"], ["returns.id"], name=op.f("fk_counter_readings_return_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_counter_readings")),
    )
    with op.batch_alter_table("counter_readings", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_counter_readings_created_at"), ["created_at"], unique=False)
        batch_op.create_index(batch_op.f("ix_counter_readings_owner_id"), ["owner_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_counter_readings_return_id"), ["return_id"], unique=False)

    op.create_table(
        "decisions",
        sa.Column("return_id", sa.String(length=36), nullable=False),
        sa.Column("attempt", sa.Integer(), nullable=False),
        sa.Column("proposal", sa.JSON(), nullable=False),
        sa.Column("outcome", sa.String(length=20), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("needs_second", sa.Boolean(), nullable=False),
        sa.Column("standing", sa.String(length=20), nullable=False),
        sa.Column("second_id", sa.String(length=36), nullable=True),
        sa.Column("second_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("second_reason", sa.Text(), nullable=False),
        sa.Column("id", sa.String(length=36), nullable=False),
        sa.Column("owner_id", sa.String(length=36), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["owner_id"], ["accounts.id"], name=op.f("fk_decisions_owner_id")),
        sa.ForeignKeyConstraint(["return_id"], ["returns.id"], name=op.f("fk_decisions_return_id")),
        sa.ForeignKeyConstraint(["second_id"], ["accounts.id"], name=op.f("fk_decisions_second_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_decisions")),
        sa.UniqueConstraint("return_id", "attempt", name=op.f("uq_decisions_return_id_attempt")),
    )
    with op.batch_alter_table("decisions", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_decisions_created_at"), ["created_at"], unique=False)
        batch_op.create_index(batch_op.f("ix_decisions_owner_id"), ["owner_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_decisions_return_id"), ["return_id"], unique=False)

    op.create_table(
        "return_photos",
        sa.Column("return_id", sa.String(length=36), nullable=False),
        sa.Column("photo_id", sa.String(length=36), nullable=True),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("view", sa.String(length=30), nullable=False),
        sa.Column("tag", sa.JSON(), nullable=True),
        sa.Column("id", sa.String(length=36), nullable=False),
        sa.Column("owner_id", sa.String(length=36), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["owner_id"], ["accounts.id"], name=op.f("fk_return_photos_owner_id")),
        sa.ForeignKeyConstraint(["photo_id"], ["photos.id"], name=op.f("fk_return_photos_photo_id")),
        sa.ForeignKeyConstraint(["return_id"], ["returns.id"], name=op.f("fk_return_photos_return_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_return_photos")),
    )
    with op.batch_alter_table("return_photos", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_return_photos_created_at"), ["created_at"], unique=False)
        batch_op.create_index(batch_op.f("ix_return_photos_owner_id"), ["owner_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_return_photos_photo_id"), ["photo_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_return_photos_return_id"), ["return_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_return_photos_sha256"), ["sha256"], unique=False)

    op.create_table(
        "waivers",
        sa.Column("return_id", sa.String(length=36), nullable=False),
        sa.Column("item", sa.String(length=60), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("id", sa.String(length=36), nullable=False),
        sa.Column("owner_id", sa.String(length=36), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["owner_id"], ["accounts.id"], name=op.f("fk_waivers_owner_id")),
        sa.ForeignKeyConstraint(["return_id"], ["returns.id"], name=op.f("fk_waivers_return_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_waivers")),
        sa.UniqueConstraint("return_id", "item", name=op.f("uq_waivers_return_id_item")),
    )
    with op.batch_alter_table("waivers", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_waivers_created_at"), ["created_at"], unique=False)
        batch_op.create_index(batch_op.f("ix_waivers_owner_id"), ["owner_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_waivers_return_id"), ["return_id"], unique=False)

    op.create_table(
        "flags",
        sa.Column("id", sa.String(length=36), nullable=False),
        sa.Column("return_id", sa.String(length=36), nullable=False),
        sa.Column("kind", sa.String(length=40), nullable=False),
        sa.Column("return_photo_id", sa.String(length=36), nullable=True),
        sa.Column("other_photo_id", sa.String(length=36), nullable=True),
        sa.Column("other_return_id", sa.String(length=36), nullable=True),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("settled", sa.JSON(), nullable=True),
        sa.ForeignKeyConstraint(["other_photo_id"], ["return_photos.id"], name=op.f("fk_flags_other_photo_id")),
        sa.ForeignKeyConstraint(["other_return_id"], ["returns.id"], name=op.f("fk_flags_other_return_id")),
        sa.ForeignKeyConstraint(["return_id"], ["returns.id"], name=op.f("fk_flags_return_id")),
        sa.ForeignKeyConstraint(["return_photo_id"], ["return_photos.id"], name=op.f("fk_flags_return_photo_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_flags")),
    )
    with op.batch_alter_table("flags", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_flags_other_return_id"), ["other_return_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_flags_return_id"), ["return_id"], unique=False)

    op.create_table(
        "objections",
        sa.Column("return_id", sa.String(length=36), nullable=False),
        sa.Column("decision_id", sa.String(length=36), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("received_on", sa.Date(), nullable=False),
        sa.Column("taken_by", sa.String(length=36), nullable=True),
        sa.Column("taken_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("id", sa.String(length=36), nullable=False),
        sa.Column("owner_id", sa.String(length=36), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["decision_id"], ["decisions.id"], name=op.f("fk_objections_decision_id")),
        sa.ForeignKeyConstraint(["owner_id"], ["accounts.id"], name=op.f("fk_objections_owner_id")),
        sa.ForeignKeyConstraint(["return_id"], ["returns.id"], name=op.f("fk_objections_return_id")),
        sa.ForeignKeyConstraint(["taken_by"], ["accounts.id"], name=op.f("fk_objections_taken_by")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_objections")),
        sa.UniqueConstraint("decision_id", name=op.f("uq_objections_decision_id")),
    )
    with op.batch_alter_table("objections", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_objections_created_at"), ["created_at"], unique=False)
        batch_op.create_index(batch_op.f("ix_objections_owner_id"), ["owner_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_objections_return_id"), ["return_id"], unique=False)


def downgrade() -> None:
    """Back to the one before; the desk and what was answered there are lost."""
    _forget_replies()
    with op.batch_alter_table("objections", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_objections_return_id"))
        batch_op.drop_index(batch_op.f("ix_objections_owner_id"))
        batch_op.drop_index(batch_op.f("ix_objections_created_at"))

    op.drop_table("objections")
    with op.batch_alter_table("flags", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_flags_return_id"))
        batch_op.drop_index(batch_op.f("ix_flags_other_return_id"))

    op.drop_table("flags")
    with op.batch_alter_table("waivers", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_waivers_return_id"))
        batch_op.drop_index(batch_op.f("ix_waivers_owner_id"))
        batch_op.drop_index(batch_op.f("ix_waivers_created_at"))

    op.drop_table("waivers")
    with op.batch_alter_table("return_photos", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_return_photos_sha256"))
        batch_op.drop_index(batch_op.f("ix_return_photos_return_id"))
        batch_op.drop_index(batch_op.f("ix_return_photos_photo_id"))
        batch_op.drop_index(batch_op.f("ix_return_photos_owner_id"))
        batch_op.drop_index(batch_op.f("ix_return_photos_created_at"))

    op.drop_table("return_photos")
    with op.batch_alter_table("decisions", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_decisions_return_id"))
        batch_op.drop_index(batch_op.f("ix_decisions_owner_id"))
        batch_op.drop_index(batch_op.f("ix_decisions_created_at"))

    op.drop_table("decisions")
    with op.batch_alter_table("counter_readings", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_counter_readings_return_id"))
        batch_op.drop_index(batch_op.f("ix_counter_readings_owner_id"))
        batch_op.drop_index(batch_op.f("ix_counter_readings_created_at"))

    op.drop_table("counter_readings")
    with op.batch_alter_table("returns", schema=None) as batch_op:
        batch_op.drop_index("ix_returns_state_created_at")
        batch_op.drop_index(batch_op.f("ix_returns_state"))
        batch_op.drop_index(batch_op.f("ix_returns_serial"))
        batch_op.drop_index(batch_op.f("ix_returns_part_number"))
        batch_op.drop_index(batch_op.f("ix_returns_part"))
        batch_op.drop_index(batch_op.f("ix_returns_owner_id"))
        batch_op.drop_index(batch_op.f("ix_returns_machine_id"))
        batch_op.drop_index(batch_op.f("ix_returns_lot"))
        batch_op.drop_index(batch_op.f("ix_returns_doubt"))
        batch_op.drop_index(batch_op.f("ix_returns_created_at"))

    op.drop_table("returns")
    with op.batch_alter_table("saved_lists", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_saved_lists_owner_id"))
        batch_op.drop_index(batch_op.f("ix_saved_lists_created_at"))

    op.drop_table("saved_lists")
    with op.batch_alter_table("fitted", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_fitted_part"))
        batch_op.drop_index(batch_op.f("ix_fitted_owner_id"))
        batch_op.drop_index(batch_op.f("ix_fitted_created_at"))

    op.drop_table("fitted")
    op.drop_table("number_counts")


def _forget_replies() -> None:
    """A key that was used at the desk must not bring back the answer that tells of a return which is no more."""
    connection = op.get_bind()
    tables = (sa.table(name, sa.column("id", sa.String())) for name in ("returns", "fitted"))
    gone = {str(row.id) for table in tables for row in connection.execute(sa.select(table.c.id))}
    account: sa.ColumnClause[str] = sa.column("account_id")
    key: sa.ColumnClause[str] = sa.column("key")
    replies = sa.table("replies", account, key, sa.column("body", sa.JSON()))
    for row in connection.execute(sa.select(replies)).all():
        if row.body.get("id") in gone:
            connection.execute(sa.delete(replies).where(account == row.account_id, key == row.key))
