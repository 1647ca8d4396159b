"""The first tables"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """To this revision."""
    op.create_table(
        "accounts",
        sa.Column("id", sa.String(length=36), nullable=False),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("role", sa.String(length=20), nullable=False),
        sa.Column("password", sa.Text(), nullable=False),
        sa.Column("active", sa.Boolean(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("failures", sa.Integer(), nullable=False),
        sa.Column("failed_at", sa.DateTime(timezone=True), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_accounts")),
        sa.UniqueConstraint("name", name=op.f("uq_accounts_name")),
    )
    op.create_table(
        "logins",
        sa.Column("id", sa.String(length=64), nullable=False),
        sa.Column("account_id", sa.String(length=36), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("ends_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["account_id"], ["accounts.id"], name=op.f("fk_logins_account_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_logins")),
    )
    with op.batch_alter_table("logins", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_logins_account_id"), ["account_id"], unique=False)

    op.create_table(
        "machines",
        sa.Column("identifier", sa.String(length=80), nullable=False),
        sa.Column("description", sa.Text(), nullable=False),
        sa.Column("hours", sa.Double(), nullable=True),
        sa.Column("interval_hours", sa.Integer(), nullable=False),
        sa.Column("interval_days", sa.Integer(), nullable=False),
        sa.Column("notes", sa.Text(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("id", sa.String(length=36), nullable=False),
        sa.Column("owner_id", sa.String(length=36), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["owner_id"], ["accounts.id"], name=op.f("fk_machines_owner_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_machines")),
        sa.UniqueConstraint("identifier", name=op.f("uq_machines_identifier")),
    )
    with op.batch_alter_table("machines", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_machines_created_at"), ["created_at"], unique=False)
        batch_op.create_index(batch_op.f("ix_machines_owner_id"), ["owner_id"], unique=False)

    op.create_table(
        "photos",
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("media_type", sa.String(length=40), nullable=False),
        sa.Column("bytes", sa.Integer(), nullable=False),
        sa.Column("width", sa.Integer(), nullable=False),
        sa.Column("height", sa.Integer(), nullable=False),
        sa.Column("taken_at", sa.String(length=40), nullable=True),
        sa.Column("purpose", sa.String(length=20), nullable=False),
        sa.Column("id", sa.String(length=36), nullable=False),
        sa.Column("owner_id", sa.String(length=36), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["owner_id"], ["accounts.id"], name=op.f("fk_photos_owner_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_photos")),
    )
    with op.batch_alter_table("photos", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_photos_created_at"), ["created_at"], unique=False)
        batch_op.create_index(batch_op.f("ix_photos_owner_id"), ["owner_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_photos_sha256"), ["sha256"], unique=False)

    op.create_table(
        "replies",
        sa.Column("account_id", sa.String(length=36), nullable=False),
        sa.Column("key", sa.String(length=200), nullable=False),
        sa.Column("fingerprint", sa.String(length=64), nullable=False),
        sa.Column("status", sa.Integer(), nullable=False),
        sa.Column("body", sa.JSON(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["account_id"], ["accounts.id"], name=op.f("fk_replies_account_id")),
        sa.PrimaryKeyConstraint("account_id", "key", name=op.f("pk_replies")),
    )
    with op.batch_alter_table("replies", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_replies_created_at"), ["created_at"], unique=False)

    op.create_table(
        "tokens",
        sa.Column("id", sa.String(length=36), nullable=False),
        sa.Column("digest", sa.String(length=64), nullable=False),
        sa.Column("account_id", sa.String(length=36), nullable=False),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("scopes", sa.JSON(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("ends_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("used_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("revoked_at", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(["account_id"], ["accounts.id"], name=op.f("fk_tokens_account_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_tokens")),
        sa.UniqueConstraint("digest", name=op.f("uq_tokens_digest")),
    )
    with op.batch_alter_table("tokens", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_tokens_account_id"), ["account_id"], unique=False)

    op.create_table(
        "inspections",
        sa.Column("machine_id", sa.String(length=36), nullable=False),
        sa.Column("begun_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("closed_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("hours", sa.Double(), nullable=True),
        sa.Column("notes", sa.Text(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("id", sa.String(length=36), nullable=False),
        sa.Column("owner_id", sa.String(length=36), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["machine_id"], ["machines.id"], name=op.f("fk_inspections_machine_id")),
        sa.ForeignKeyConstraint(["owner_id"], ["accounts.id"], name=op.f("fk_inspections_owner_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_inspections")),
    )
    with op.batch_alter_table("inspections", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_inspections_created_at"), ["created_at"], unique=False)
        batch_op.create_index(batch_op.f("ix_inspections_machine_id"), ["machine_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_inspections_owner_id"), ["owner_id"], unique=False)

    op.create_table(
        "installed_photos",
        sa.Column("machine_id", sa.String(length=36), nullable=False),
        sa.Column("part", sa.String(length=20), nullable=False),
        sa.Column("photo_id", sa.String(length=36), nullable=False),
        sa.Column("kept_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["machine_id"], ["machines.id"], name=op.f("fk_installed_photos_machine_id")),
        sa.ForeignKeyConstraint(["photo_id"], ["photos.id"], name=op.f("fk_installed_photos_photo_id")),
        sa.PrimaryKeyConstraint("machine_id", "part", name=op.f("pk_installed_photos")),
    )
    op.create_table(
        "entries",
        sa.Column("inspection_id", sa.String(length=36), nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("body", sa.JSON(), nullable=False),
        sa.Column("id", sa.String(length=36), nullable=False),
        sa.Column("owner_id", sa.String(length=36), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["inspection_id"], ["inspections.id"], name=op.f("fk_entries_inspection_id")),
        sa.ForeignKeyConstraint(["owner_id"], ["accounts.id"], name=op.f("fk_entries_owner_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_entries")),
    )
    with op.batch_alter_table("entries", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_entries_created_at"), ["created_at"], unique=False)
        batch_op.create_index(batch_op.f("ix_entries_inspection_id"), ["inspection_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_entries_owner_id"), ["owner_id"], unique=False)

    op.create_table(
        "grades",
        sa.Column("inspection_id", sa.String(length=36), nullable=True),
        sa.Column("reference_id", sa.String(length=36), nullable=True),
        sa.Column("part", sa.String(length=20), nullable=True),
        sa.Column("grade", sa.String(length=20), nullable=True),
        sa.Column("report", sa.JSON(), nullable=False),
        sa.Column("pictures", sa.JSON(), nullable=False),
        sa.Column("after_id", sa.String(length=36), nullable=True),
        sa.Column("wiping", sa.JSON(), nullable=True),
        sa.Column("verdict", sa.JSON(), nullable=True),
        sa.Column("override", sa.JSON(), nullable=True),
        sa.Column("outcome", sa.JSON(), nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("id", sa.String(length=36), nullable=False),
        sa.Column("owner_id", sa.String(length=36), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["after_id"], ["grades.id"], name=op.f("fk_grades_after_id")),
        sa.ForeignKeyConstraint(["inspection_id"], ["inspections.id"], name=op.f("fk_grades_inspection_id")),
        sa.ForeignKeyConstraint(["owner_id"], ["accounts.id"], name=op.f("fk_grades_owner_id")),
        sa.ForeignKeyConstraint(["reference_id"], ["photos.id"], name=op.f("fk_grades_reference_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_grades")),
    )
    with op.batch_alter_table("grades", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_grades_created_at"), ["created_at"], unique=False)
        batch_op.create_index(batch_op.f("ix_grades_inspection_id"), ["inspection_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_grades_owner_id"), ["owner_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_grades_part"), ["part"], unique=False)

    op.create_table(
        "walks",
        sa.Column("inspection_id", sa.String(length=36), nullable=True),
        sa.Column("start", sa.String(length=60), nullable=False),
        sa.Column("steps", sa.JSON(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("id", sa.String(length=36), nullable=False),
        sa.Column("owner_id", sa.String(length=36), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["inspection_id"], ["inspections.id"], name=op.f("fk_walks_inspection_id")),
        sa.ForeignKeyConstraint(["owner_id"], ["accounts.id"], name=op.f("fk_walks_owner_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_walks")),
    )
    with op.batch_alter_table("walks", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_walks_created_at"), ["created_at"], unique=False)
        batch_op.create_index(batch_op.f("ix_walks_inspection_id"), ["inspection_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_walks_owner_id"), ["owner_id"], unique=False)

    op.create_table(
        "grade_photos",
        sa.Column("grade_id", sa.String(length=36), nullable=False),
        sa.Column("place", sa.Integer(), nullable=False),
        sa.Column("photo_id", sa.String(length=36), nullable=False),
        sa.ForeignKeyConstraint(["grade_id"], ["grades.id"], name=op.f("fk_grade_photos_grade_id")),
        sa.ForeignKeyConstraint(["photo_id"], ["photos.id"], name=op.f("fk_grade_photos_photo_id")),
        sa.PrimaryKeyConstraint("grade_id", "place", name=op.f("pk_grade_photos")),
    )
    with op.batch_alter_table("grade_photos", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_grade_photos_photo_id"), ["photo_id"], unique=False)

    op.create_table(
        "readings",
        sa.Column("grade_id", sa.String(length=36), nullable=False),
        sa.Column("check_id", sa.String(length=60), nullable=False),
        sa.Column("value", sa.JSON(), nullable=False),
        sa.Column("finding", sa.JSON(), nullable=False),
        sa.Column("id", sa.String(length=36), nullable=False),
        sa.Column("owner_id", sa.String(length=36), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["grade_id"], ["grades.id"], name=op.f("fk_readings_grade_id")),
        sa.ForeignKeyConstraint(["owner_id"], ["accounts.id"], name=op.f("fk_readings_owner_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_readings")),
    )
    with op.batch_alter_table("readings", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_readings_created_at"), ["created_at"], unique=False)
        batch_op.create_index(batch_op.f("ix_readings_grade_id"), ["grade_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_readings_owner_id"), ["owner_id"], unique=False)


def downgrade() -> None:
    """Back to the one before."""
    with op.batch_alter_table("readings", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_readings_owner_id"))
        batch_op.drop_index(batch_op.f("ix_readings_grade_id"))
        batch_op.drop_index(batch_op.f("ix_readings_created_at"))

    op.drop_table("readings")
    with op.batch_alter_table("grade_photos", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_grade_photos_photo_id"))

    op.drop_table("grade_photos")
    with op.batch_alter_table("walks", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_walks_owner_id"))
        batch_op.drop_index(batch_op.f("ix_walks_inspection_id"))
        batch_op.drop_index(batch_op.f("ix_walks_created_at"))

    op.drop_table("walks")
    with op.batch_alter_table("grades", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_grades_part"))
        batch_op.drop_index(batch_op.f("ix_grades_owner_id"))
        batch_op.drop_index(batch_op.f("ix_grades_inspection_id"))
        batch_op.drop_index(batch_op.f("ix_grades_created_at"))

    op.drop_table("grades")
    with op.batch_alter_table("entries", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_entries_owner_id"))
        batch_op.drop_index(batch_op.f("ix_entries_inspection_id"))
        batch_op.drop_index(batch_op.f("ix_entries_created_at"))

    op.drop_table("entries")
    op.drop_table("installed_photos")
    with op.batch_alter_table("inspections", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_inspections_owner_id"))
        batch_op.drop_index(batch_op.f("ix_inspections_machine_id"))
        batch_op.drop_index(batch_op.f("ix_inspections_created_at"))

    op.drop_table("inspections")
    with op.batch_alter_table("tokens", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_tokens_account_id"))

    op.drop_table("tokens")
    with op.batch_alter_table("replies", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_replies_created_at"))

    op.drop_table("replies")
    with op.batch_alter_table("photos", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_photos_sha256"))
        batch_op.drop_index(batch_op.f("ix_photos_owner_id"))
        batch_op.drop_index(batch_op.f("ix_photos_created_at"))

    op.drop_table("photos")
    with op.batch_alter_table("machines", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_machines_owner_id"))
        batch_op.drop_index(batch_op.f("ix_machines_created_at"))

    op.drop_table("machines")
    with op.batch_alter_table("logins", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_logins_account_id"))

    op.drop_table("logins")
    op.drop_table("accounts")
