"""Freezes settled examples into a named set that never changes; models are taught and tested on such sets only."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import exists, select
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session, aliased, contains_eager, selectinload

from wearvision.labels.truth import RANKS, Rank
from wearvision_api.accounts.roles import Caller
from wearvision_api.house import House
from wearvision_api.problems import Problem
from wearvision_api.record.chain import canonical, moment
from wearvision_api.record.ledger import append
from wearvision_api.store.blobs import Blobs
from wearvision_api.store.tables import PhotoRow, new_id, now
from wearvision_api.store.teaching_tables import DataSetPhoto, DataSetRow, ExampleRow, Permission
from wearvision_api.teaching.apart import NotApart, Placed, demand_apart
from wearvision_api.teaching.manifest import Frozen, Manifest, counts_of
from wearvision_api.teaching.pieces import LABELS, MASKS, labels_file, masks_of, person, png, said_of

MOST_NAME = 80
_NAME = re.compile(r"[^\W_](?:[\w .,()+-]*[\w)+])?")
"""A letter or digit first: a name becomes a file's name and an argument of a command."""


@dataclass(frozen=True, slots=True)
class Choice:
    """Which settled examples go into a set; empty fields choose all.

    Attributes:
        parts: Keys of parts, or ``none`` for photos without one.
        sources: ``grade``, ``inspection``, ``return``, ``folder``.
        least: The lowest rank of a truth.
        until: Settled at this moment or before.
    """

    parts: tuple[str, ...] = ()
    sources: tuple[str, ...] = ()
    least: Rank = "one"
    until: datetime | None = None

    def holds(self, example: ExampleRow) -> bool:
        """Whether an example is chosen."""
        truth = example.truth
        if not truth or (self.parts and truth["part"] not in self.parts):
            return False
        if self.sources and example.source not in self.sources:
            return False
        if self.until is not None and (example.settled_at is None or example.settled_at > self.until):
            return False
        return RANKS.index(truth.get("rank", RANKS[0])) >= RANKS.index(self.least)

    def to_dict(self) -> dict[str, Any]:
        """As JSON."""
        until = moment(self.until) if self.until else None
        return {"parts": list(self.parts), "sources": list(self.sources), "least": self.least, "until": until}


def freeze(house: House, session: Session, who: Caller, name: str, note: str, choose: Choice) -> DataSetRow:
    """Freezes all settled examples that are chosen, whose photos are kept and may teach. The caller commits.

    The transaction is let go while masks are drawn; then the examples are read again and held, so that the set is one
    moment's, and a photo that is erased at the same time either is not in it or is told to be.

    Raises:
        Problem: the name is taken or none, nothing is chosen, or photos of one part stand in several groups or splits.
    """
    name = name_of(name)
    if session.scalar(select(DataSetRow.id).where(DataSetRow.name == name)) is not None:
        raise Problem("conflict", f"There is a data set {name!r} already; choose another name.")
    session.commit()  # lets other writers in
    made: dict[str, dict[str, str]] = {}
    with house.session(writes=False) as reading:
        for example in chosen(reading, choose):
            _pieces(house.blobs, example, made)
    examples = chosen(session, choose, hold=True)
    if not examples:
        raise Problem("conflict", "No settled example is chosen; label some, or choose more.")
    try:
        demand_apart(_placed(one) for one in examples)
    except NotApart as error:
        raise Problem("conflict", str(error), reason=error.code, names=list(error.names)) from error
    pieces = {one.id: _pieces(house.blobs, one, made) for one in examples}
    manifest = Manifest(
        name=name,
        note=note,
        made=moment(now()),
        by=person(who.id),
        limits={"id": house.grader.limits.id, "sha256": house.grader.limits.sha256},
        choice=choose.to_dict(),
        photos=tuple(_frozen(one, pieces[one.id]) for one in examples),
    )
    row = entered(house, session, who, manifest)
    session.add_all(
        DataSetPhoto(set_id=row.id, photo_id=one.photo_id, sha256=one.sha256, split=one.split, pieces=pieces[one.id])
        for one in examples
    )
    session.flush()
    after = {"name": name, "manifest": row.sha256, "photos": len(examples), "splits": row.counts["splits"]}
    append(session, who.name, "frozen", "data set", row.id, after=after)
    return row


def entered(house: House, session: Session, who: Caller, manifest: Manifest) -> DataSetRow:
    """The row of a set whose manifest is kept as a blob; its photos are still to be named, and the caller commits.

    Raises:
        Problem: there is a set of this name.
    """
    row = DataSetRow(
        id=new_id(),
        owner_id=who.id,
        name=manifest.name,
        note=manifest.note,
        sha256=house.blobs.put(manifest.encode()),
        counts=counts_of(manifest.photos),
    )
    session.add(row)
    try:
        session.flush()
    except IntegrityError as error:
        raise Problem("conflict", f"There is a data set {manifest.name!r} already; choose another name.") from error
    return row


def name_of(text: str) -> str:
    """A set's name, without spaces around. Raises Problem where it is none."""
    name = " ".join(text.split())
    if len(name) > MOST_NAME or not _NAME.fullmatch(name):
        raise Problem(
            "invalid",
            f"A name begins with a letter or digit and has such, spaces and . , ( ) + - _, {MOST_NAME} at most.",
        )
    return name


def chosen(session: Session, choose: Choice, *, hold: bool = False) -> list[ExampleRow]:
    """The settled examples that a choice takes and whose photos are kept and may teach, in the order of their hashes.

    Args:
        session: Open.
        choose: Which.
        hold: Keeps example, photo and permission as they are until the transaction ends.
    """
    held: set[str] | None = None
    if hold:  # photos first, as an erasure does: two that wait for each other would both be refused
        photos = select(PhotoRow.id).join(ExampleRow, ExampleRow.photo_id == PhotoRow.id)
        photos = photos.where(ExampleRow.state == "settled", PhotoRow.erased_at.is_(None)).order_by(PhotoRow.id)
        held = set(session.scalars(photos.with_for_update(read=True, of=PhotoRow)))
    twin = aliased(PhotoRow)  # permission for any record of the very same bytes will do
    permitted = (
        select(Permission.photo_id)
        .join(twin, twin.id == Permission.photo_id)
        .where(twin.sha256 == ExampleRow.sha256, twin.erased_at.is_(None), Permission.withdrawn_at.is_(None))
    )
    query = (
        select(ExampleRow)
        .join(ExampleRow.photo)
        .where(ExampleRow.state == "settled", PhotoRow.erased_at.is_(None), exists(permitted))
        .order_by(ExampleRow.sha256, ExampleRow.id)
        .options(contains_eager(ExampleRow.photo), selectinload(ExampleRow.labels))
        .execution_options(populate_existing=True)
    )
    if hold:
        query = query.with_for_update(read=True, of=ExampleRow)
    rows = session.scalars(query).all()
    return [one for one in rows if choose.holds(one) and (held is None or one.photo_id in held)]


def find(session: Session, set_id: str) -> DataSetRow:
    """A set by its id. Raises Problem where there is none."""
    row = session.get(DataSetRow, set_id)
    if row is None:
        raise Problem("not-found", f"There is no data set {set_id}.")
    return row


def by_name(session: Session, name: str) -> DataSetRow:
    """A set by its name. Raises Problem where there is none."""
    row = session.scalar(select(DataSetRow).where(DataSetRow.name == name))
    if row is None:
        raise Problem("not-found", f"There is no data set {name!r}.")
    return row


def listed(session: Session) -> Sequence[DataSetRow]:
    """All sets, the newest first."""
    return session.scalars(select(DataSetRow).order_by(DataSetRow.created_at.desc(), DataSetRow.id)).all()


def _placed(one: ExampleRow) -> Placed:
    return Placed(
        f"{one.machine or 'machine unknown'}, example {one.id[:8]}",
        str((one.brought or {}).get("sha256", one.sha256)),  # a folder's photo has lost metadata: other bytes
        one.machine,
        one.capture,
        one.group,
        one.split,
    )


def _pieces(blobs: Blobs, example: ExampleRow, made: dict[str, dict[str, str]]) -> dict[str, str]:
    """Puts what is made of an example's photo, unless the very same was made before; gives the names of the blobs."""
    brought: Mapping[str, Any] = example.brought or {}
    own = [one.to_dict() for one in said_of(example.labels)]
    said = [*brought.get("labels", ()), *own]
    part = str((example.truth or {})["part"])
    masks = dict(brought.get("masks", {}))
    words = labels_file(example.sha256, said)
    key = hashlib.sha256(canonical([words.decode(), part, masks])).hexdigest()
    if key not in made:
        shape = (example.photo.height, example.photo.width)
        drawn = {name: blobs.put(png(one, example.sha256)) for name, one in masks_of(own, part, shape).items()}
        made[key] = {LABELS: blobs.put(words)} | {f"{MASKS}{name}.png": one for name, one in (masks | drawn).items()}
    return made[key]


def _frozen(one: ExampleRow, pieces: Mapping[str, str]) -> Frozen:
    return Frozen(
        sha256=one.sha256,
        example=one.id,
        media_type=one.photo.media_type,
        width=one.photo.width,
        height=one.photo.height,
        source=one.source,
        machine=one.machine,
        capture=one.capture,
        group=one.group,
        split=one.split,
        at_random=one.at_random,
        truth=one.truth or {},
        labels=pieces[LABELS],
        masks={
            name.removeprefix(MASKS).removesuffix(".png"): digest
            for name, digest in pieces.items()
            if name.startswith(MASKS)
        },
    )


__all__ = ["Choice", "by_name", "chosen", "find", "freeze", "listed", "name_of"]
