"""Takes a labelled folder in: as a frozen set of its own, or as settled examples for sets to come.

What its people said stays theirs: it counts for the truth until somebody labels the photo here, and in no figure of
agreement.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import select
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from wearvision.errors import InputError, WearvisionError
from wearvision.labels.folder import Labelled, LabelledSet
from wearvision_api.accounts.roles import Caller
from wearvision_api.house import House
from wearvision_api.problems import Problem, problem_of
from wearvision_api.record.chain import moment
from wearvision_api.record.ledger import append
from wearvision_api.services import photos
from wearvision_api.store.tables import now
from wearvision_api.store.teaching_tables import DataSetPhoto, DataSetRow, ExampleRow
from wearvision_api.teaching import examples
from wearvision_api.teaching.apart import NotApart, Placed, demand_apart, plain
from wearvision_api.teaching.manifest import Frozen, Manifest
from wearvision_api.teaching.pieces import LABELS, MASKS, labels_file, person, png
from wearvision_api.teaching.sets import entered, name_of
from wearvision_api.teaching.take_examples import Taken, ground_of, known_example, permit, photo_of

SAID = ("author", "turn", "at", "seconds", "body", "measured")
"""Members of a label that are kept."""


@dataclass(frozen=True, slots=True)
class _Kept:
    """A photo of a folder whose bytes, labels and masks are on disk."""

    item: Labelled
    stored: photos.Stored
    labels: tuple[dict[str, Any], ...]
    masks: Mapping[str, str]


def import_examples(house: House, who: Caller, folder: LabelledSet, ground: str) -> Iterator[Taken]:
    """Takes the photos of a labelled folder in as settled examples, one transaction each; the same one not twice.

    Args:
        house: The running service.
        who: Takes them in.
        folder: Read and held to its hashes.
        ground: On which they may be used to teach, in words.

    Raises:
        Problem: no ground is given, or photos of one part stand in several groups or splits; nothing is taken.
    """
    ground = ground_of(ground)
    _demand_apart(folder)
    with house.session(writes=False) as session:
        standing = _Standing(session)
    for item in folder:
        name = _name(item)
        try:
            with house.session(writes=False) as session:
                known = known_example(session, item.sha256)
            if known is not None:
                yield Taken(name, known.id, "", is_new=False)
                continue
            standing.take(item.machine, _group(item), item.split)
            kept = _keep(house, item)
            try:
                yield _example(house, who, kept, ground, folder.name)
            except IntegrityError:  # somebody takes the same photo in at the same time, and came first
                yield _example(house, who, kept, ground, folder.name)
        except (WearvisionError, Problem, OSError) as error:
            said = problem_of(error).detail if isinstance(error, Problem | InputError) else str(error)
            yield Taken(name, "", said, is_new=False)


def import_set(house: House, session: Session, who: Caller, folder: LabelledSet, ground: str, name: str) -> DataSetRow:
    """Takes a labelled folder in as a frozen set, whole or not at all. The caller commits.

    Args:
        house: The running service.
        session: Of a writing transaction, which is let go while photos are brought to disk.
        who: Takes it in.
        folder: Read and held to its hashes.
        ground: On which its photos may be used to teach, in words.
        name: Of the set; empty: the folder's own.

    Raises:
        Problem: no ground is given, the name is taken or none, a photo was erased here before, or photos of one part
            stand in several groups or splits.
        wearvision.errors.InputError: a photo cannot be read.
    """
    ground, name = ground_of(ground), name_of(name or folder.name)
    if session.scalar(select(DataSetRow.id).where(DataSetRow.name == name)) is not None:
        raise Problem("conflict", f"There is a data set {name!r} already; choose another name.")
    _demand_apart(folder)
    session.commit()  # lets other writers in
    kept = [_keep(house, item) for item in folder]
    photo_ids: dict[str, str] = {}
    for one in kept:
        known_example(session, one.stored.sha256)
        photo_ids[one.stored.sha256] = photo_of(session, who, one.stored).id
    pieces = {one.stored.sha256: _pieces(house, one) for one in kept}
    frozen = sorted((_frozen(one, pieces[one.stored.sha256]) for one in kept), key=lambda one: one.sha256)
    limits = dict(folder.limits) or {"id": house.grader.limits.id, "sha256": house.grader.limits.sha256}
    note = f"Taken in from a labelled folder{f' made {folder.made}' if folder.made else ''}."
    choice = {"folder": folder.name, "folder_sha256": folder.sha256}
    held = Manifest(name, note, moment(now()), person(who.id), limits, choice, tuple(frozen))
    row = entered(house, session, who, held)
    session.add_all(
        DataSetPhoto(
            set_id=row.id,
            photo_id=photo_ids[one.sha256],
            sha256=one.sha256,
            split=one.split,
            pieces=pieces[one.sha256],
        )
        for one in frozen
    )
    session.flush()
    after = {"name": name, "manifest": row.sha256, "photos": len(frozen), "ground": ground}
    append(session, who.name, "taken in", "data set", row.id, after=after)
    return row


def _demand_apart(folder: LabelledSet) -> None:
    try:
        demand_apart(Placed(_name(one), one.sha256, one.machine, "", one.group, one.split) for one in folder)
    except NotApart as error:
        raise Problem("conflict", str(error), reason=error.code, names=list(error.names)) from error


def _name(item: Labelled) -> str:
    return f"{item.machine or 'machine unknown'}, photo {item.sha256[:12]}"


def _keep(house: House, item: Labelled) -> _Kept:
    stored = photos.store(house, item.read_bytes())
    labels = tuple({name: one[name] for name in SAID if name in one} for one in item.labels)
    masks = {name: house.blobs.put(png(mask, stored.sha256)) for name, mask in item.masks.items()}
    return _Kept(item, stored, labels, masks)


def _group(item: Labelled) -> str:
    """The group as the folder has it; a long name is hashed."""
    return item.group if len(item.group) <= 64 else hashlib.sha256(item.group.encode()).hexdigest()


def _example(house: House, who: Caller, kept: _Kept, ground: str, title: str) -> Taken:
    item, name, group = kept.item, _name(kept.item), _group(kept.item)
    with house.session() as session:
        known = known_example(session, kept.stored.sha256)
        if known is not None:
            return Taken(name, known.id, "", is_new=False)
        photo = photo_of(session, who, kept.stored)
        permit(session, who, photo, ground)
        row = examples.add(
            session,
            who,
            photo,
            source="folder",
            source_id=None,
            machine=item.machine,
            capture=f"set {group}",
            opinion=None,
        )
        if row.photo_id != photo.id:
            session.rollback()
            return Taken(name, row.id, "", is_new=False)
        row.group, row.split, row.at_random = group, item.split, item.at_random
        row.truth, row.state, row.settled_at = item.truth.to_dict(), "settled", now()
        row.brought = {
            "sha256": item.sha256,
            "truth": item.truth.to_dict(),
            "labels": list(kept.labels),
            "masks": dict(kept.masks),
        }
        session.flush()
        append(
            session,
            who.name,
            "taken in",
            "example",
            row.id,
            after={"source": "folder", "set": title, "split": row.split, "rank": item.truth.rank, "ground": ground},
            photos=[photo.sha256],
        )
        session.commit()
        return Taken(name, row.id, "", is_new=True)


class _Standing:
    """Which group a machine, and which split a group stands in here already."""

    def __init__(self, session: Session) -> None:
        self._groups: dict[str, str] = {}
        self._splits: dict[str, str] = {}
        for machine, group, split in session.execute(select(ExampleRow.machine, ExampleRow.group, ExampleRow.split)):
            self._add(machine, group, split)

    def take(self, machine: str, group: str, split: str) -> None:
        """Takes a photo's place in. Raises Problem where it does not fit what stands here."""
        if self._splits.get(group, split) != split or self._groups.get(plain(machine), group) != group:
            raise Problem(
                "conflict",
                "Its machine or group stands in another group or split here already: photos of one part could be "
                "learned from and tested.",
            )
        self._add(machine, group, split)

    def _add(self, machine: str, group: str, split: str) -> None:
        self._splits[group] = split
        if machine:
            self._groups[plain(machine)] = group


def _pieces(house: House, one: _Kept) -> dict[str, str]:
    words = house.blobs.put(labels_file(one.stored.sha256, one.labels))
    return {LABELS: words} | {f"{MASKS}{name}.png": digest for name, digest in one.masks.items()}


def _frozen(one: _Kept, pieces: Mapping[str, str]) -> Frozen:
    item = one.item
    group = _group(item)
    return Frozen(
        sha256=one.stored.sha256,
        example="",
        media_type=one.stored.media_type,
        width=one.stored.width,
        height=one.stored.height,
        source="folder",
        machine=item.machine,
        capture=f"set {group}",
        group=group,
        split=item.split,
        at_random=item.at_random,
        truth=item.truth.to_dict(),
        labels=pieces[LABELS],
        masks=one.masks,
    )


__all__ = ["import_examples", "import_set"]
