"""Photos, readings and flags of a return as its sheet shows them."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from wearvision.errors import ReadingError
from wearvision.standard.counter import counter_check
from wearvision.standard.views import wanted_views
from wearvision_api.returns.evidence import ASIDE
from wearvision_api.services.sheet import moment
from wearvision_api.store.record_tables import Tombstone
from wearvision_api.store.return_tables import Flag, ReturnPhoto, ReturnRow
from wearvision_api.store.tables import Account

SET_ASIDE = "set aside: it counts no longer"
NOT_LOOKED_AT = "Nobody has looked at it yet."


@dataclass(frozen=True, slots=True)
class PhotoSeen:
    """One photo of a return.

    Attributes:
        title: The wanted view that it fills.
        sha256: Of the photo as it came.
        facts: Heading and text: capture time, when it was added and by whom, what the return tag says.
        plain: Blob of the photo; empty: it was erased.
        outlined: Blob of the judged square with its outlines; empty where it was not graded.
        erased: Who erased it, when and why, as its tombstone says; empty: it was not.
    """

    title: str
    sha256: str
    facts: tuple[tuple[str, str], ...]
    plain: str
    outlined: str
    erased: str


@dataclass(frozen=True, slots=True)
class ReadingSeen:
    """A reading at the counter.

    Attributes:
        title: Of the check.
        entered: Heading and text of each field.
        says: For the part.
        text: What that means.
        note: When and by whom; whether a later one took its place.
    """

    title: str
    entered: tuple[tuple[str, str], ...]
    says: str
    text: str
    note: str


@dataclass(frozen=True, slots=True)
class FlagSeen:
    """Something that a person had to look at.

    Attributes:
        title: Its kind.
        reason: Why it was raised.
        where: The photos and the other returns that it is about.
        settled: What looking came to, by whom and when.
    """

    title: str
    reason: str
    where: tuple[str, ...]
    settled: str


def photos_seen(session: Session, row: ReturnRow) -> tuple[PhotoSeen, ...]:
    """All photos of a return in the order in which they came, those set aside and those erased among them."""
    titles = _titles(row.part)
    overlays = _overlays(row)
    stones = _stones(session, [one.sha256 for one in row.photos if one.photo_id is None])
    names = _names(session, {one.owner_id for one in row.photos})
    return tuple(
        PhotoSeen(
            title=titles.get(one.view, one.view),
            sha256=one.sha256,
            facts=_facts(one, row.number, names[one.owner_id]),
            plain=one.sha256 if one.photo_id is not None else "",
            outlined=overlays.get(one.sha256, "") if one.photo_id is not None else "",
            erased=_erased(stones.get(one.sha256)) if one.photo_id is None else "",
        )
        for one in row.photos
    )


def readings_seen(row: ReturnRow) -> tuple[ReadingSeen, ...]:
    """All readings in order; of each check the newest counts."""
    newest = {one.check: one.id for one in row.readings}
    found = []
    for one in row.readings:
        fields = _fields(one.check, row.part)
        replaced = "" if newest[one.check] == one.id else "; a later one took its place"
        found.append(
            ReadingSeen(
                title=one.finding["title"],
                entered=tuple((fields.get(name, name), str(value)) for name, value in one.values.items()),
                says=one.finding["says"],
                text=one.finding["text"],
                note=f"{moment(one.created_at)}, {one.owner.name}{replaced}",
            )
        )
    return tuple(found)


def flags_seen(session: Session, row: ReturnRow) -> tuple[FlagSeen, ...]:
    """All flags in the order in which they were raised; those that say the same, of several photos, as one."""
    titles = _titles(row.part)
    own = {one.id: one for one in row.photos}
    where: dict[tuple[str, str, str], list[str]] = {}
    for one in row.flags:
        said = (one.kind.capitalize(), one.reason, _settled(one.settled))
        where.setdefault(said, []).append("; ".join(_where(session, one, own, titles)))
    return tuple(
        FlagSeen(title, reason, tuple(filter(None, places)), settled)
        for (title, reason, settled), places in where.items()
    )


def _titles(part: str) -> dict[str, str]:
    return {one.key: one.title for one in wanted_views(part)} | {ASIDE: SET_ASIDE}


def _fields(check: str, part: str) -> dict[str, str]:
    try:
        return {one.key: one.title for one in counter_check(check, part).fields}
    except ReadingError:  # taken when the checks were others
        return {}


def _names(session: Session, ids: Iterable[str]) -> dict[str, str]:
    rows = session.execute(select(Account.id, Account.name).where(Account.id.in_(sorted(ids))))
    return {row.id: row.name for row in rows}


def _overlays(row: ReturnRow) -> dict[str, str]:
    """Hash of a photo to the blob of its outlined picture; the grader looks at the same photo once only."""
    if row.grade is None:
        return {}
    looked_at = dict.fromkeys(one.photo.sha256 for one in row.grade.photos)
    return {
        digest: pictures["outlined"]
        for digest, pictures in zip(looked_at, row.grade.pictures, strict=False)
        if "outlined" in pictures
    }


def _stones(session: Session, digests: list[str]) -> dict[str, dict[str, Any]]:
    """Hash to what the newest tombstone of these bytes says."""
    if not digests:
        return {}
    rows = session.scalars(select(Tombstone).where(Tombstone.sha256.in_(digests)))
    said = sorted((json.loads(one.body) for one in rows), key=lambda one: str(one["at"]))
    return {one["sha256"]: one for one in said}


def _erased(said: Mapping[str, Any] | None) -> str:
    if said is None:
        return "Its record is gone, and no tombstone says why."
    return f"Erased on a lawful request on {str(said['at'])[:10]} by {said['by']}: {said['reason']}"


def _facts(one: ReturnPhoto, number: str, by: str) -> tuple[tuple[str, str], ...]:
    taken = one.photo.taken_at if one.photo is not None else None
    return (
        ("Taken", f"{taken.replace('T', ' ')} (camera's clock)" if taken else "the file does not say when"),
        ("Added", f"{moment(one.created_at)} by {by}"),
        ("Return tag", _tag(one.tag, number)),
    )


def _tag(tag: Mapping[str, Any] | None, number: str) -> str:
    """What the return tags in a photo say, beside the number of the return that the photo is for."""
    if tag is None:
        return "none seen"
    numbers = [one for one in (tag["number"], *tag.get("others", ())) if one]
    said = ", ".join(one if one == number else f"{one} (another return's)" for one in numbers)
    scale = f"{tag['px_per_mm']:.1f} pixels a millimetre" if tag.get("px_per_mm") else ""
    return "; ".join(filter(None, (said or "seen, its number could not be read", scale)))


def _where(session: Session, flag: Flag, own: Mapping[str, ReturnPhoto], titles: Mapping[str, str]) -> Iterable[str]:
    photo = own.get(flag.return_photo_id or "")
    if photo is not None:
        yield f"photo {titles.get(photo.view, photo.view)!r}, SHA-256 {photo.sha256[:16]}…"
    if flag.other_return_id is not None:
        other = session.get_one(ReturnRow, flag.other_return_id)
        yield "this return's own" if flag.other_return_id == flag.return_id else f"return {other.number}"
    if flag.other_photo_id is not None:
        yield f"its photo SHA-256 {session.get_one(ReturnPhoto, flag.other_photo_id).sha256[:16]}…"


def _settled(settled: Mapping[str, Any] | None) -> str:
    if settled is None:
        return NOT_LOOKED_AT
    return f"{settled['text']} ({settled['by']}, {str(settled['at'])[:16].replace('T', ' ')} UTC)"
