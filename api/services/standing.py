"""How far a grade holds: by the photo, by readings, by wiping, by eye."""

from __future__ import annotations

from wearvision.standard.grades import Grade
from wearvision_api.store.tables import GradeRow


def standing(row: GradeRow) -> str:
    """How far the grade is confirmed; an override by eye outranks all."""
    if row.override is not None:
        return "overridden by eye"
    if row.verdict is not None and row.verdict["standing"] != "incomplete":
        return str(row.verdict["standing"])
    return "photo only"


def erased_on(row: GradeRow) -> tuple[str, ...]:
    """The day on which each photo was erased that is gone, ISO 8601."""
    return tuple(one["erased"][:10] for one in row.pictures if "erased" in one)


def holds(row: GradeRow) -> Grade | None:
    """The grade that now holds: by eye, by readings, by wiping, by the photo, in this order."""
    if row.override is not None:
        return row.override["grade"]  # type: ignore[no-any-return]
    if row.verdict is not None and row.verdict["standing"] != "incomplete":
        return row.verdict["grade"]  # type: ignore[no-any-return]
    if row.wiping is not None:
        return row.wiping["grade"]  # type: ignore[no-any-return]
    return row.grade  # type: ignore[return-value]
