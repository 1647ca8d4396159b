"""What is put to a claim: photos by wanted view, readings, reasons for what is missing, flags looked at."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy.orm import Session

from wearvision.return_tag import read_return_tag
from wearvision.standard.counter import judge
from wearvision.standard.views import wanted_views
from wearvision_api.accounts.roles import Caller
from wearvision_api.honesty import check as honesty
from wearvision_api.house import House
from wearvision_api.problems import Problem
from wearvision_api.record.ledger import append
from wearvision_api.returns.flagging import flag
from wearvision_api.returns.intake import demand_open, find, touch
from wearvision_api.returns.missing import missing_of
from wearvision_api.services import grading, photos
from wearvision_api.store.return_tables import CounterReading, ReturnPhoto, ReturnRow, Waiver
from wearvision_api.store.tables import new_id, now
from wearvision_api.teaching import permission
from wearvision_api.teaching.settling import resettle_photos

ASIDE = "aside"
"""View of photos that count no longer."""


@dataclass(frozen=True, slots=True)
class Shot:
    """A photo whose bytes are on disk, what the return tag in it says, and what of it is compared with others."""

    stored: photos.Stored
    tag: dict[str, Any] | None
    seen: honesty.Seen


def shot_of(house: House, data: bytes) -> Shot:
    """Reads a photo and brings its bytes to disk; takes a while, and needs no transaction.

    Raises:
        wearvision.errors.PhotoError: the bytes are no photo that can be read; nothing is kept.
    """
    photo = photos.read(house, data)
    stored = photos.keep(house, data, photo)
    tag = read_return_tag(photo)
    return Shot(stored, tag.to_dict() if tag is not None else None, honesty.see_photo(photo))


def add_photo(
    house: House, session: Session, who: Caller, row: ReturnRow, shot: Shot, view: str, record_id: str | None = None
) -> ReturnPhoto:
    """Puts a photo to a claim and compares it with those of other claims. The caller commits.

    Raises:
        Problem: it is decided, or there is no such view.
    """
    demand_open(row)
    wanted = next((one for one in wanted_views(row.part) if one.key == view), None)
    if wanted is None:
        names = ", ".join(one.key for one in wanted_views(row.part))
        raise Problem("invalid", f"There is no view {view!r} of this part; there are {names}.")
    purpose = ("after-wiping" if wanted.cleaned else "as-removed") if wanted.graded else "other"
    kept = photos.record(session, who, shot.stored, purpose, record_id)
    photo = ReturnPhoto(
        id=new_id(),
        owner_id=who.id,
        return_id=row.id,
        photo_id=kept.id,
        sha256=kept.sha256,
        view=view,
        tag=shot.tag,
        created_at=now(),
    )
    session.add(photo)
    if wanted.graded:
        row.grade_id = None  # what was graded before has not seen this photo
    session.flush()
    honesty.remember(house, session, photo, shot.seen)
    suspicions = honesty.look(house, session, row, photo, shot.seen)
    append(
        session,
        who.name,
        "photo added",
        "return",
        row.id,
        after={"view": view, "photo": kept.id, "tag": shot.tag, "taken_at": kept.taken_at},
        photos=[kept.sha256],
    )
    for found in suspicions:
        flag(session, who, row, photo, found)
    if row.may_teach and wanted.graded:
        permission.permit(house, session, who, [kept.id], permission.OF_RETURN)
    touch(session, row)
    return photo


def ask_again(house: House, session: Session, who: Caller, row: ReturnRow) -> None:
    """Holds photos and serial number against a claim that was put right; flags that are there stay. The caller commits.

    Whoever enters dates or the serial number after the photos must not escape what is asked of them.
    """
    told = {(one.kind, one.return_photo_id, one.reason) for one in row.flags}
    asked: list[tuple[ReturnPhoto | None, honesty.Suspicion]] = [
        (photo, found)
        for photo in row.photos
        if photo.view != ASIDE and photo.photo_id is not None
        for found in honesty.ask_capture(house, row, photo)
        if (found.kind, photo.id, found.reason) not in told
    ]
    asked += [(None, found) for found in honesty.ask_serial(session, row)]
    for photo, found in asked:
        flag(session, who, row, photo, found)
    if asked:
        touch(session, row)


def set_aside(session: Session, who: Caller, row: ReturnRow, photo_id: str, reason: str) -> ReturnRow:
    """Takes a photo out of the evidence that was put to the wrong place; it stays on record. The caller commits.

    Raises:
        Problem: it is decided, or has no such photo.
    """
    demand_open(row)
    photo = next((one for one in row.photos if one.id == photo_id), None)
    if photo is None or photo.view == ASIDE:
        raise Problem("not-found", f"This return has no photo {photo_id}.")
    if row.may_teach and photo.photo_id is not None:
        permission.withdraw(session, who, [photo.photo_id], "The photo was set aside.")
    before, photo.view = photo.view, ASIDE
    if any(one.key == before and one.graded for one in wanted_views(row.part)):
        row.grade_id = None
    append(
        session,
        who.name,
        "photo set aside",
        "return",
        row.id,
        before={"view": before, "photo": photo.photo_id},
        after={"reason": reason},
        photos=[photo.sha256],
    )
    touch(session, row)
    return row


def grade(house: House, session: Session, who: Caller, return_id: str) -> ReturnRow:
    """Grades the photos of the part as it came, and the one after wiping beside it. The caller commits.

    No transaction is open while the photos are looked at; the return is held only at the end.

    Raises:
        Problem: it is decided, no photo of the part is there, other photos count at the end, or all hands are busy.
    """
    row = find(session, return_id)
    demand_open(row)
    first, wiped = looked_at = _to_grade(row)
    if not first:
        raise Problem("conflict", "There is no photo of the part as it came; add one first.")
    made = grading.create(house, session, who, grading.Asked(tuple(first[: grading.MOST_PHOTOS]), is_checked=False))
    session.commit()
    if wiped and made.part is not None:
        try:
            grading.wipe(house, session, who, made, wiped[-1])
        except Problem as problem:
            if problem.code != "conflict":  # a pair that cannot be compared leaves the first grade as it is
                raise
        session.commit()
    row = find(session, return_id, to_change=True)
    demand_open(row)
    if _to_grade(row) != looked_at:
        raise Problem("conflict", "Photos joined or left this return while it was graded; grade it again.")
    before, row.grade_id = row.grade_id, made.id
    append(
        session,
        who.name,
        "graded",
        "return",
        row.id,
        before={"grade": before},
        after={
            "grade": made.id,
            "part": made.part,
            "says": made.grade,
            "possible": made.report["possible_grades"],
            "model": made.report["model"],
            "limits": made.report["limits"],
        },
        photos=[one.photo.sha256 for one in made.photos],
    )
    touch(session, row)
    return row


def _to_grade(row: ReturnRow) -> tuple[list[str], list[str]]:
    """Ids of the newest photo of each view of the part as it came, and of each after wiping."""
    views = {one.key: one for one in wanted_views(row.part) if one.graded}
    newest = {one.view: one.photo_id for one in row.photos if one.view in views and one.photo_id is not None}
    first = [photo for key, photo in newest.items() if not views[key].cleaned]
    return first, [photo for key, photo in newest.items() if views[key].cleaned]


def add_reading(
    session: Session, who: Caller, row: ReturnRow, check: str, values: Mapping[str, str], record_id: str | None = None
) -> ReturnRow:
    """Takes a reading at the counter; the newest of each check counts. The caller commits.

    Raises:
        Problem: it is decided.
        wearvision.errors.ReadingError: there is no such check for this part, or the reading makes no sense.
    """
    demand_open(row)
    finding = judge(check, values, part=row.part)
    session.add(
        CounterReading(
            id=record_id or new_id(),
            owner_id=who.id,
            return_id=row.id,
            check=check,
            values=dict(values),
            finding=finding.to_dict(),
        )
    )
    append(
        session,
        who.name,
        "reading taken",
        "return",
        row.id,
        after={"check": check, "entered": dict(values), "finding": finding.to_dict()},
    )
    touch(session, row)
    return row


def read_off(
    house: House,
    session: Session,
    who: Caller,
    row: ReturnRow,
    check: str,
    values: Mapping[str, str],
    record_id: str | None = None,
) -> ReturnRow:
    """Takes a reading as ``add_reading`` does, and settles the examples of this return anew by it."""
    permission.hold_examples(session, row)
    add_reading(session, who, row, check, values, record_id)
    resettle_photos(house, session, permission.return_photos(row), who.name)
    return row


def waive(session: Session, who: Caller, row: ReturnRow, item: str, reason: str) -> ReturnRow:
    """States why something wanted is not there, so that a decision can be made without it. The caller commits.

    Raises:
        Problem: it is decided, or nothing of that name is missing.
    """
    demand_open(row)
    lacking = {one.key for one in missing_of(row) if not one.reason}
    if item not in lacking:
        raise Problem("conflict", f"{item!r} is not missing here; missing are {', '.join(sorted(lacking)) or 'none'}.")
    session.add(Waiver(id=new_id(), owner_id=who.id, return_id=row.id, item=item, reason=reason))
    append(session, who.name, "done without", "return", row.id, after={"item": item, "reason": reason})
    touch(session, row)
    return row


def settle_flag(session: Session, who: Caller, row: ReturnRow, flag_id: str, text: str) -> ReturnRow:
    """Says what looking at a flag came to; the flag stays. The caller commits.

    Raises:
        Problem: it is decided, there is no such flag, or somebody has looked at it.
    """
    demand_open(row)
    raised = next((one for one in row.flags if one.id == flag_id), None)
    if raised is None:
        raise Problem("not-found", f"This return has no flag {flag_id}.")
    if raised.settled is not None:
        raise Problem("conflict", f"{raised.settled['by']} has looked at this flag already.")
    raised.settled = {"by": who.name, "at": now().isoformat(timespec="seconds"), "text": text}
    append(session, who.name, "flag looked at", "return", row.id, after={"flag": raised.id, "text": text})
    touch(session, row)
    return row
