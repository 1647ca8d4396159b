"""Takes a heap of photos in as examples: each once, whole or not at all, so that it can be stopped and begun again."""

from __future__ import annotations

import hashlib
import os
import uuid
from collections import deque
from collections.abc import Iterator, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import PurePosixPath
from typing import Any

from sqlalchemy import select
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from wearvision.errors import InputError, WearvisionError
from wearvision_api.accounts.roles import Caller
from wearvision_api.house import House
from wearvision_api.problems import Problem, problem_of
from wearvision_api.record.ledger import append
from wearvision_api.services import photos
from wearvision_api.store.tables import PhotoRow
from wearvision_api.store.teaching_tables import ExampleRow, Permission
from wearvision_api.teaching import examples
from wearvision_api.teaching.heaps import File, Heap

SPACE = uuid.UUID("8a0d39d0-3f5e-4e5e-9b6b-9a5f3a0f0c11")
"""Names the ids that are made from a photo's bytes."""
MOST_GROUND = 500


@dataclass(frozen=True, slots=True)
class Taken:
    """What became of one photo.

    Attributes:
        name: Of its file.
        example: Id; empty where there is none.
        fault: Why there is none; empty: all went well.
        is_new: False where the same photo was an example before.
    """

    name: str
    example: str
    fault: str
    is_new: bool


@dataclass(frozen=True, slots=True)
class Read:
    """A photo whose bytes are on disk, and what the model in use says of it."""

    stored: photos.Stored
    opinion: dict[str, Any] | None


@dataclass(frozen=True, slots=True)
class _Way:
    """How the photos of one heap are taken in."""

    house: House
    who: Caller
    heap: Heap
    ground: str
    machine_from_folder: bool
    rare: Mapping[tuple[str, str], float]


def take_in(
    house: House, who: Caller, heap: Heap, ground: str, *, machine_from_folder: bool = False, look: bool = True
) -> Iterator[Taken]:
    """Takes the photos of a heap in, one transaction each, in the order of their names.

    Photos of one folder within the heap are of one part: they share a group, and so a split. Those at the top stand
    each for itself.

    Args:
        house: The running service.
        who: Takes them in.
        heap: The photos.
        ground: On which they may be used to teach, in words.
        machine_from_folder: The name of the folder in which a photo lies is the identifier of its machine.
        look: Ask the model in use at once, on all cores but one; else the caller sees to it.

    Raises:
        InputError: the heap cannot be read; nothing is taken.
        Problem: no ground is given.
    """
    files = tuple(heap.files())
    with house.session(writes=False) as session:
        way = _Way(house, who, heap, ground_of(ground), machine_from_folder, examples.rarity_now(session))
    hands = max(1, (os.cpu_count() or 2) - 1) if look else 1
    waiting: deque[tuple[File, Future[Read | str]]] = deque()
    with ThreadPoolExecutor(hands, thread_name_prefix="examples") as pool:
        try:
            for file in files:
                waiting.append((file, pool.submit(_read, house, heap, file, look)))
                while len(waiting) > 2 * hands:
                    yield _settle(way, *waiting.popleft())
            while waiting:
                yield _settle(way, *waiting.popleft())
        finally:
            pool.shutdown(cancel_futures=True)


def ground_of(text: str) -> str:
    """The ground of a permission. Raises Problem where there is none."""
    ground = " ".join(text.split())
    if len(ground) < 3 or len(ground) > MOST_GROUND:
        raise Problem("invalid", "Say on what ground these photos may be used to teach, such as: our own machines.")
    return ground


def known_example(session: Session, digest: str) -> ExampleRow | None:
    """The example with these very bytes. Raises Problem where the photo was erased on a lawful request."""
    row = session.scalar(select(ExampleRow).where(ExampleRow.sha256 == digest).order_by(ExampleRow.created_at))
    erased = select(PhotoRow.erased_at).where(PhotoRow.sha256 == digest, PhotoRow.erased_at.is_not(None))
    at = session.scalar(erased.limit(1))
    living = select(PhotoRow.id).where(PhotoRow.sha256 == digest, PhotoRow.erased_at.is_(None))
    if at is not None and session.scalar(living.limit(1)) is None:
        raise Problem("gone", f"This photo was erased on {at:%Y-%m-%d} on request; it is not taken in again.")
    return row


def permit(session: Session, who: Caller, photo: PhotoRow, ground: str) -> None:
    """Writes down that a photo may teach; one that has permission keeps it."""
    if session.get(Permission, photo.id) is None:
        session.add(Permission(photo_id=photo.id, given_by=who.id, basis=ground))
        session.flush()


def photo_of(session: Session, who: Caller, stored: photos.Stored) -> PhotoRow:
    """The record of a photo that came in a folder; the same bytes have the same one."""
    record_id = str(uuid.uuid5(SPACE, stored.sha256))
    return session.get(PhotoRow, record_id) or photos.record(session, who, stored, "other", record_id)


def place_of(heap: Heap, file: File, digest: str, machine_from_folder: bool) -> tuple[str, str]:
    """Machine and capture of a photo by where it lies."""
    if not file.folder:
        return "", f"photo {digest[:16]}"
    capture = f"folder {heap.title}/{file.folder}"
    if len(capture) > 120:
        capture = f"folder {hashlib.sha256(capture.encode()).hexdigest()}"
    return (PurePosixPath(file.folder).name[:120] if machine_from_folder else ""), capture


def _read(house: House, heap: Heap, file: File, look: bool) -> Read | str:
    """The photo on disk with an opinion on it; or the id of the example that it is already."""
    most = house.settings.max_upload_mb * 2**20
    data = heap.read(file.name, most)
    with house.session(writes=False) as session:
        known = known_example(session, hashlib.sha256(data).hexdigest())
        if known is not None:
            return known.id
    photo = photos.read(house, data)
    stored = photos.keep(house, data, photo)
    return Read(stored, house.grader.grade(photo).to_dict() if look else None)


def _settle(way: _Way, file: File, read: Future[Read | str]) -> Taken:
    try:
        found = read.result()
        if isinstance(found, str):
            return Taken(file.name, found, "", is_new=False)
        try:
            return _record(way, file, found)
        except IntegrityError:  # somebody takes the same photo in at the same time, and came first
            return _record(way, file, found)
    except (WearvisionError, Problem, OSError) as error:
        said = problem_of(error).detail if isinstance(error, Problem | InputError) else str(error)
        return Taken(file.name, "", said, is_new=False)


def _record(way: _Way, file: File, found: Read) -> Taken:
    who = way.who
    machine, capture = place_of(way.heap, file, found.stored.sha256, way.machine_from_folder)
    with way.house.session() as session:
        known = known_example(session, found.stored.sha256)
        if known is not None:
            return Taken(file.name, known.id, "", is_new=False)
        photo = photo_of(session, who, found.stored)
        permit(session, who, photo, way.ground)
        row = examples.add(
            session,
            who,
            photo,
            source="folder",
            source_id=None,
            machine=machine,
            capture=capture,
            opinion=found.opinion,
            rare=way.rare,
            least_energy=way.house.grader.least_energy,
        )
        is_new = row.photo_id == photo.id
        if not is_new:
            session.rollback()
            return Taken(file.name, row.id, "", is_new=False)
        append(
            session,
            who.name,
            "taken in",
            "example",
            row.id,
            after={"source": "folder", "machine": machine, "split": row.split, "ground": way.ground},
            photos=[photo.sha256],
        )
        session.commit()
        return Taken(file.name, row.id, "", is_new=True)


__all__ = ["Read", "Taken", "ground_of", "known_example", "permit", "photo_of", "place_of", "take_in"]
