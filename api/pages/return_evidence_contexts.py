"""What the page of a return shows of its evidence: photos by wanted view, and flags with two pictures side by side."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from wearvision.standard.views import WantedView, wanted_views
from wearvision_api.returns.evidence import ASIDE
from wearvision_api.services.sheet import moment
from wearvision_api.store.return_tables import Flag, ReturnPhoto, ReturnRow
from wearvision_api.store.tables import new_id

_SMALL, _LARGE = 480, 1600


@dataclass(frozen=True, slots=True)
class PhotoView:
    """A photo of a return.

    Attributes:
        id: Of the evidence.
        small: Address of a small copy; empty once the photo was erased on a lawful request.
        large: Address of a large one.
        caption: When it was taken and added, and by whom it is known: first digits of its hash.
        tag: What the return tag in it says.
        tag_is_ours: Whether that is this return's number.
    """

    id: str
    small: str
    large: str
    caption: str
    tag: str
    tag_is_ours: bool


@dataclass(frozen=True, slots=True)
class ViewTile:
    """One wanted view: its key, title, advice, whether it is needed, the photos there, and an id for the form."""

    key: str
    title: str
    advice: str
    is_needed: bool
    photos: tuple[PhotoView, ...]
    fresh: str


@dataclass(frozen=True, slots=True)
class FlagView:
    """Something to look at, or the same of several photos.

    Attributes:
        ids: Of the flags, with spaces.
        kind: What it is.
        reason: In plain words.
        mine: Photos of this return that it is about.
        other: Photo of another return, to be laid beside.
        other_href: Address of that return; empty: none.
        other_number: Its number.
        settled: What looking came to, and who looked; empty: nobody has.
    """

    ids: str
    kind: str
    reason: str
    mine: tuple[PhotoView, ...]
    other: PhotoView | None
    other_href: str
    other_number: str
    settled: str


def open_views(row: ReturnRow) -> tuple[WantedView, ...]:
    """Wanted views that have no photo yet: those needed first, each in the order in which it is asked for."""
    there = {one.view for one in row.photos}
    wanted = sorted(wanted_views(row.part), key=lambda one: not one.required)
    return tuple(one for one in wanted if one.key not in there)


def view_tiles(row: ReturnRow) -> tuple[ViewTile, ...]:
    """Each wanted view with its photos, newest last."""
    return tuple(
        ViewTile(
            one.key,
            one.title,
            one.advice,
            one.required,
            tuple(photo_view(photo, row.number) for photo in row.photos if photo.view == one.key),
            new_id(),
        )
        for one in wanted_views(row.part)
    )


def set_aside(row: ReturnRow) -> tuple[PhotoView, ...]:
    """Photos that count no longer."""
    return tuple(photo_view(photo, row.number) for photo in row.photos if photo.view == ASIDE)


def photo_view(photo: ReturnPhoto, number: str) -> PhotoView:
    """A photo with what its tag says.

    Args:
        photo: Of this return or of another one.
        number: Of this return.
    """
    here = f"/api/v1/photos/{photo.photo_id}/content" if photo.photo_id else ""
    taken = photo.photo.taken_at if photo.photo is not None else None
    when = f"taken {taken.replace('T', ' ')[:16]}" if taken else "the file tells no time of taking"
    caption = f"Added {moment(photo.created_at)}, {when}; SHA-256 {photo.sha256[:12]}…"
    said = photo.tag or {}
    seen = said.get("number")
    if not photo.photo_id:
        caption = f"Erased on a lawful request; SHA-256 {photo.sha256[:12]}…"
    if seen == number:
        tag = "Tag of this return read"
    elif seen:
        tag = f"Tag of another return: {seen}"
    else:
        tag = "Tag seen, its number cannot be read" if photo.tag is not None else "No return tag seen"
    return PhotoView(
        photo.id,
        f"{here}?width={_SMALL}" if here else "",
        f"{here}?width={_LARGE}" if here else "",
        caption,
        tag,
        seen == number,
    )


def flag_views(session: Session, row: ReturnRow) -> tuple[FlagView, ...]:
    """Flags, those to look at first; what is said alike of several photos, with no photo beside, stands once."""
    others = _by_id(session, ReturnPhoto, [one.other_photo_id for one in row.flags if one.other_photo_id])
    returns = _by_id(session, ReturnRow, [one.other_return_id for one in row.flags if one.other_return_id])
    mine = {one.id: one for one in row.photos}
    alike: dict[tuple[str, ...], list[Flag]] = defaultdict(list)
    for flag in row.flags:
        settled = _settled(flag)
        key = (flag.id,) if flag.other_return_id else (flag.kind, flag.reason, settled)
        alike[(settled, *key)].append(flag)

    def shown(flags: list[Flag]) -> FlagView:
        first = flags[0]
        other, beside = returns.get(first.other_return_id or ""), others.get(first.other_photo_id or "")
        photos = {one.return_photo_id: mine[one.return_photo_id] for one in flags if one.return_photo_id in mine}
        return FlagView(
            ids=" ".join(one.id for one in flags),
            kind=first.kind,
            reason=first.reason,
            mine=tuple(photo_view(one, row.number) for one in photos.values()),
            other=photo_view(beside, other.number) if beside is not None and other is not None else None,
            other_href=f"/returns/{other.id}" if other is not None else "",
            other_number=other.number if other is not None else "",
            settled=_settled(first),
        )

    return tuple(sorted(map(shown, alike.values()), key=lambda flag: bool(flag.settled)))


def _settled(flag: Flag) -> str:
    said = flag.settled
    return f"{said['text']} ({said['by']}, {str(said['at'])[:16].replace('T', ' ')} UTC)" if said else ""


def _by_id(session: Session, table: Any, ids: Sequence[str]) -> dict[str, Any]:
    rows = session.scalars(select(table).where(table.id.in_(ids))).all() if ids else ()
    return {one.id: one for one in rows}
