"""Teaching"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """To this revision."""
    op.create_table(
        "data_sets",
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("counts", sa.JSON(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("id", sa.String(length=36), nullable=False),
        sa.Column("owner_id", sa.String(length=36), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["owner_id"], ["accounts.id"], name=op.f("fk_data_sets_owner_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_data_sets")),
        sa.UniqueConstraint("name", name=op.f("uq_data_sets_name")),
    )
    with op.batch_alter_table("data_sets", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_data_sets_created_at"), ["created_at"], unique=False)
        batch_op.create_index(batch_op.f("ix_data_sets_owner_id"), ["owner_id"], unique=False)

    op.create_table(
        "model_turns",
        sa.Column("place", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("kind", sa.String(length=10), nullable=False),
        sa.Column("model", sa.String(length=80), nullable=False),
        sa.Column("back", sa.Boolean(), nullable=False),
        sa.Column("by_id", sa.String(length=36), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["by_id"], ["accounts.id"], name=op.f("fk_model_turns_by_id")),
        sa.PrimaryKeyConstraint("place", name=op.f("pk_model_turns")),
    )
    with op.batch_alter_table("model_turns", schema=None) as batch_op:
        batch_op.create_index("ix_model_turns_kind_place", ["kind", "place"], unique=False)

    op.create_table(
        "data_set_photos",
        sa.Column("set_id", sa.String(length=36), nullable=False),
        sa.Column("photo_id", sa.String(length=36), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("split", sa.String(length=10), nullable=False),
        sa.Column("pieces", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["photo_id"], ["photos.id"], name=op.f("fk_data_set_photos_photo_id")),
        sa.ForeignKeyConstraint(["set_id"], ["data_sets.id"], name=op.f("fk_data_set_photos_set_id")),
        sa.PrimaryKeyConstraint("set_id", "photo_id", name=op.f("pk_data_set_photos")),
    )
    with op.batch_alter_table("data_set_photos", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_data_set_photos_photo_id"), ["photo_id"], unique=False)

    op.create_table(
        "examples",
        sa.Column("photo_id", sa.String(length=36), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("source", sa.String(length=20), nullable=False),
        sa.Column("source_id", sa.String(length=36), nullable=True),
        sa.Column("machine", sa.String(length=120), nullable=False),
        sa.Column("capture", sa.String(length=120), nullable=False),
        sa.Column("split_group", sa.String(length=64), nullable=False),
        sa.Column("split", sa.String(length=10), nullable=False),
        sa.Column("at_random", sa.Boolean(), nullable=False),
        sa.Column("opinion", sa.JSON(), nullable=True),
        sa.Column("teaches", sa.JSON(), nullable=False),
        sa.Column("urgency", sa.Double(), nullable=False),
        sa.Column("state", sa.String(length=12), nullable=False),
        sa.Column("truth", sa.JSON(), nullable=True),
        sa.Column("settled_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("brought", sa.JSON(), nullable=True),
        sa.Column("draw", sa.Double(), nullable=False),
        sa.Column("held_by", sa.String(length=36), nullable=True),
        sa.Column("held_until", sa.DateTime(timezone=True), nullable=True),
        sa.Column("left_out", sa.JSON(), nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("id", sa.String(length=36), nullable=False),
        sa.Column("owner_id", sa.String(length=36), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["held_by"], ["accounts.id"], name=op.f("fk_examples_held_by")),
        sa.ForeignKeyConstraint(["owner_id"], ["accounts.id"], name=op.f("fk_examples_owner_id")),
        sa.ForeignKeyConstraint(["photo_id"], ["photos.id"], name=op.f("fk_examples_photo_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_examples")),
        sa.UniqueConstraint("photo_id", name=op.f("uq_examples_photo_id")),
    )
    with op.batch_alter_table("examples", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_examples_created_at"), ["created_at"], unique=False)
        batch_op.create_index(batch_op.f("ix_examples_draw"), ["draw"], unique=False)
        batch_op.create_index(batch_op.f("ix_examples_owner_id"), ["owner_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_examples_sha256"), ["sha256"], unique=False)
        batch_op.create_index(batch_op.f("ix_examples_split_group"), ["split_group"], unique=False)
        batch_op.create_index(batch_op.f("ix_examples_state"), ["state"], unique=False)
        batch_op.create_index(batch_op.f("ix_examples_urgency"), ["urgency"], unique=False)

    op.create_table(
        "teaching_permissions",
        sa.Column("photo_id", sa.String(length=36), nullable=False),
        sa.Column("given_by", sa.String(length=36), nullable=False),
        sa.Column("given_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("basis", sa.Text(), nullable=False),
        sa.Column("withdrawn_at", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(["given_by"], ["accounts.id"], name=op.f("fk_teaching_permissions_given_by")),
        sa.ForeignKeyConstraint(["photo_id"], ["photos.id"], name=op.f("fk_teaching_permissions_photo_id")),
        sa.PrimaryKeyConstraint("photo_id", name=op.f("pk_teaching_permissions")),
    )
    op.create_table(
        "trainings",
        sa.Column("set_id", sa.String(length=36), nullable=False),
        sa.Column("base", sa.String(length=80), nullable=False),
        sa.Column("settings", sa.JSON(), nullable=False),
        sa.Column("state", sa.String(length=12), nullable=False),
        sa.Column("progress", sa.JSON(), nullable=False),
        sa.Column("process", sa.JSON(), nullable=True),
        sa.Column("begun_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("seen_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("ended_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("said", sa.Text(), nullable=False),
        sa.Column("model_id", sa.String(length=80), nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("id", sa.String(length=36), nullable=False),
        sa.Column("owner_id", sa.String(length=36), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["owner_id"], ["accounts.id"], name=op.f("fk_trainings_owner_id")),
        sa.ForeignKeyConstraint(["set_id"], ["data_sets.id"], name=op.f("fk_trainings_set_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_trainings")),
    )
    with op.batch_alter_table("trainings", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_trainings_created_at"), ["created_at"], unique=False)
        batch_op.create_index(batch_op.f("ix_trainings_owner_id"), ["owner_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_trainings_set_id"), ["set_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_trainings_state"), ["state"], unique=False)

    op.create_table(
        "label_doubts",
        sa.Column("example_id", sa.String(length=36), nullable=False),
        sa.Column("found_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("quality", sa.Double(), nullable=False),
        sa.Column("says", sa.JSON(), nullable=False),
        sa.Column("answered_at", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(["example_id"], ["examples.id"], name=op.f("fk_label_doubts_example_id")),
        sa.PrimaryKeyConstraint("example_id", name=op.f("pk_label_doubts")),
    )
    op.create_table(
        "labels",
        sa.Column("example_id", sa.String(length=36), nullable=False),
        sa.Column("turn", sa.Integer(), nullable=False),
        sa.Column("body", sa.JSON(), nullable=False),
        sa.Column("measured", sa.JSON(), nullable=False),
        sa.Column("seconds", sa.Double(), nullable=True),
        sa.Column("withdrawn_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("id", sa.String(length=36), nullable=False),
        sa.Column("owner_id", sa.String(length=36), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["example_id"], ["examples.id"], name=op.f("fk_labels_example_id")),
        sa.ForeignKeyConstraint(["owner_id"], ["accounts.id"], name=op.f("fk_labels_owner_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_labels")),
    )
    with op.batch_alter_table("labels", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_labels_created_at"), ["created_at"], unique=False)
        batch_op.create_index(batch_op.f("ix_labels_example_id"), ["example_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_labels_owner_id"), ["owner_id"], unique=False)

    op.create_table(
        "models",
        sa.Column("id", sa.String(length=80), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("owner_id", sa.String(length=36), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("base", sa.String(length=80), nullable=False),
        sa.Column("training_id", sa.String(length=36), nullable=True),
        sa.Column("set_id", sa.String(length=36), nullable=True),
        sa.Column("files", sa.JSON(), nullable=False),
        sa.Column("report", sa.JSON(), nullable=False),
        sa.Column("gate", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["owner_id"], ["accounts.id"], name=op.f("fk_models_owner_id")),
        sa.ForeignKeyConstraint(["set_id"], ["data_sets.id"], name=op.f("fk_models_set_id")),
        sa.ForeignKeyConstraint(["training_id"], ["trainings.id"], name=op.f("fk_models_training_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_models")),
    )
    with op.batch_alter_table("models", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_models_sha256"), ["sha256"], unique=False)

    op.create_table(
        "photo_features",
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("model", sa.String(length=64), nullable=False),
        sa.Column("features", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("sha256", "model", name=op.f("pk_photo_features")),
    )
    op.create_table(
        "sittings",
        sa.Column("part", sa.String(length=20), nullable=True),
        sa.Column("asked", sa.JSON(), nullable=False),
        sa.Column("id", sa.String(length=36), nullable=False),
        sa.Column("owner_id", sa.String(length=36), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["owner_id"], ["accounts.id"], name=op.f("fk_sittings_owner_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sittings")),
    )
    with op.batch_alter_table("sittings", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_sittings_created_at"), ["created_at"], unique=False)
        batch_op.create_index(batch_op.f("ix_sittings_owner_id"), ["owner_id"], unique=False)

    op.create_table(
        "practice",
        sa.Column("example_id", sa.String(length=36), nullable=False),
        sa.Column("sitting", sa.String(length=36), nullable=False),
        sa.Column("body", sa.JSON(), nullable=False),
        sa.Column("found", sa.JSON(), nullable=False),
        sa.Column("right", sa.Boolean(), nullable=False),
        sa.Column("id", sa.String(length=36), nullable=False),
        sa.Column("owner_id", sa.String(length=36), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["example_id"], ["examples.id"], name=op.f("fk_practice_example_id")),
        sa.ForeignKeyConstraint(["owner_id"], ["accounts.id"], name=op.f("fk_practice_owner_id")),
        sa.ForeignKeyConstraint(["sitting"], ["sittings.id"], name=op.f("fk_practice_sitting")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_practice")),
        sa.UniqueConstraint("sitting", "example_id", name=op.f("uq_practice_sitting_example_id")),
    )
    with op.batch_alter_table("practice", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_practice_created_at"), ["created_at"], unique=False)
        batch_op.create_index(batch_op.f("ix_practice_example_id"), ["example_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_practice_owner_id"), ["owner_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_practice_sitting"), ["sitting"], unique=False)

    op.create_table(
        "asked_checks",
        sa.Column("grade_id", sa.String(length=36), nullable=False),
        sa.Column("chance", sa.Double(), nullable=False),
        sa.Column("asked", sa.Boolean(), nullable=False),
        sa.Column("why", sa.String(length=20), nullable=False),
        sa.Column("facts", sa.JSON(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["grade_id"], ["grades.id"], name=op.f("fk_asked_checks_grade_id")),
        sa.PrimaryKeyConstraint("grade_id", name=op.f("pk_asked_checks")),
    )
    with op.batch_alter_table("asked_checks", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_asked_checks_at"), ["at"], unique=False)

    op.create_table(
        "shadow_grades",
        sa.Column("grade_id", sa.String(length=36), nullable=False),
        sa.Column("model", sa.String(length=80), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("grade", sa.String(length=20), nullable=True),
        sa.Column("report", sa.JSON(), nullable=False),
        sa.Column("differs", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(["grade_id"], ["grades.id"], name=op.f("fk_shadow_grades_grade_id")),
        sa.PrimaryKeyConstraint("grade_id", "model", name=op.f("pk_shadow_grades")),
    )
    with op.batch_alter_table("shadow_grades", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_shadow_grades_differs"), ["differs"], unique=False)
    with op.batch_alter_table("returns", schema=None) as batch_op:
        batch_op.add_column(sa.Column("may_teach", sa.Boolean(), nullable=False, server_default=sa.false()))


def downgrade() -> None:
    """Back to the one before."""
    with op.batch_alter_table("returns", schema=None) as batch_op:
        batch_op.drop_column("may_teach")

    with op.batch_alter_table("shadow_grades", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_shadow_grades_differs"))

    op.drop_table("shadow_grades")
    with op.batch_alter_table("asked_checks", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_asked_checks_at"))

    op.drop_table("asked_checks")
    with op.batch_alter_table("practice", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_practice_sitting"))
        batch_op.drop_index(batch_op.f("ix_practice_owner_id"))
        batch_op.drop_index(batch_op.f("ix_practice_example_id"))
        batch_op.drop_index(batch_op.f("ix_practice_created_at"))

    op.drop_table("practice")
    with op.batch_alter_table("sittings", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_sittings_owner_id"))
        batch_op.drop_index(batch_op.f("ix_sittings_created_at"))

    op.drop_table("sittings")
    op.drop_table("photo_features")
    with op.batch_alter_table("models", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_models_sha256"))

    op.drop_table("models")
    with op.batch_alter_table("labels", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_labels_owner_id"))
        batch_op.drop_index(batch_op.f("ix_labels_example_id"))
        batch_op.drop_index(batch_op.f("ix_labels_created_at"))

    op.drop_table("labels")
    op.drop_table("label_doubts")
    with op.batch_alter_table("trainings", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_trainings_state"))
        batch_op.drop_index(batch_op.f("ix_trainings_set_id"))
        batch_op.drop_index(batch_op.f("ix_trainings_owner_id"))
        batch_op.drop_index(batch_op.f("ix_trainings_created_at"))

    op.drop_table("trainings")
    op.drop_table("teaching_permissions")
    with op.batch_alter_table("examples", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_examples_urgency"))
        batch_op.drop_index(batch_op.f("ix_examples_state"))
        batch_op.drop_index(batch_op.f("ix_examples_split_group"))
        batch_op.drop_index(batch_op.f("ix_examples_sha256"))
        batch_op.drop_index(batch_op.f("ix_examples_owner_id"))
        batch_op.drop_index(batch_op.f("ix_examples_draw"))
        batch_op.drop_index(batch_op.f("ix_examples_created_at"))

    op.drop_table("examples")
    with op.batch_alter_table("data_set_photos", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_data_set_photos_photo_id"))

    op.drop_table("data_set_photos")
    with op.batch_alter_table("model_turns", schema=None) as batch_op:
        batch_op.drop_index("ix_model_turns_kind_place")

    op.drop_table("model_turns")
    with op.batch_alter_table("data_sets", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_data_sets_owner_id"))
        batch_op.drop_index(batch_op.f("ix_data_sets_created_at"))

    op.drop_table("data_sets")
