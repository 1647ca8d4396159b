"""What a decision still needs, and what somebody said why it can be made without."""

from __future__ import annotations

from dataclasses import dataclass

from wearvision.standard.counter import checks_at_counter
from wearvision.standard.views import wanted_views
from wearvision_api.store.return_tables import ReturnRow

_FIELDS = (
    ("machine", "The machine it was in"),
    ("installed_on", "The day it was fitted"),
    ("failed_on", "The day it failed"),
    ("hours_installed", "Hour meter when it was fitted"),
    ("hours_failed", "Hour meter when it failed"),
    ("claimant", "Who claims"),
    ("story", "What the claimant says"),
    ("kept_where", "Where the part is kept"),
    ("kept_until", "Until when the part is kept"),
)
_GRADE = "A grade of the photos"


@dataclass(frozen=True, slots=True)
class Wanted:
    """One thing that is not there.

    Attributes:
        key: ``field:…``, ``view:…``, ``check:…`` or ``grade``.
        title: For a person.
        reason: Why it can be done without; empty: nobody has said.
        by: Who said so.
    """

    key: str
    title: str
    reason: str = ""
    by: str = ""


def missing_of(row: ReturnRow) -> tuple[Wanted, ...]:
    """All that is wanted and not there, in the order in which it is asked for."""
    lacking = [(f"field:{name}", title) for name, title in _FIELDS if getattr(row, name) in (None, "")]
    there = {one.view for one in row.photos}
    lacking += [
        (f"view:{one.key}", one.title) for one in wanted_views(row.part) if one.required and one.key not in there
    ]
    read = {one.check for one in row.readings}
    lacking += [
        (f"check:{one.id}", one.title) for one in checks_at_counter(row.part) if one.required and one.id not in read
    ]
    if row.grade_id is None:
        lacking.append(("grade", _GRADE))
    said = {one.item: one for one in row.waivers}
    return tuple(
        Wanted(key, title, said[key].reason, said[key].owner.name) if key in said else Wanted(key, title)
        for key, title in lacking
    )


def wanted_titles(part: str) -> dict[str, str]:
    """Titles of all that can be wanted of a part, by key."""
    return {
        **{f"field:{name}": title for name, title in _FIELDS},
        **{f"view:{one.key}": one.title for one in wanted_views(part)},
        **{f"check:{one.id}": one.title for one in checks_at_counter(part)},
        "grade": _GRADE,
    }
