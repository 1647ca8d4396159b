"""The manifest of a frozen set: every photo with its truth, and the hashes of all that belongs to it.

It is canonical JSON (RFC 8785) and lies as a blob under its own hash. It holds no picture and no drawing, so it stays
as it is when a photo is erased: then it names a photo that is gone.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from hashlib import sha256
from typing import Any

from wearvision.errors import SetupError
from wearvision_api.record.chain import canonical
from wearvision_api.store.blobs import Blobs

FORM = "wearvision data set 1"
NO_GRADE = "no grade"
"""In counts: no part in the photo, or one that cannot be judged by it."""


@dataclass(frozen=True, slots=True)
class Frozen:
    """A photo of a frozen set.

    Attributes:
        sha256: Of its bytes.
        example: Id of the example.
        media_type: Of the file.
        width: Upright, pixels.
        height: Upright, pixels.
        source: Where it came from.
        machine: Identifier; empty where it is not known.
        capture: What was taken at one time of one part.
        group: What is never divided.
        split: ``train``, ``calibrate`` or ``test``.
        at_random: Drawn into the queue by chance.
        truth: As ``wearvision.labels`` settled it.
        labels: SHA-256 of the file of its labels.
        masks: Region or mark to the SHA-256 of its mask.
    """

    sha256: str
    example: str
    media_type: str
    width: int
    height: int
    source: str
    machine: str
    capture: str
    group: str
    split: str
    at_random: bool
    truth: Mapping[str, Any]
    labels: str
    masks: Mapping[str, str]

    def to_dict(self) -> dict[str, Any]:
        """As JSON."""
        return {name: getattr(self, name) for name in Frozen.__slots__}


@dataclass(frozen=True, slots=True)
class Manifest:
    """What a set holds.

    Attributes:
        name: Of the set.
        note: What it is for.
        made: When; UTC, ISO 8601.
        by: Pseudonym of who froze it.
        limits: ``id`` and ``sha256`` of the limits in force.
        choice: Which examples were chosen.
        photos: In the order of their hashes.
    """

    name: str
    note: str
    made: str
    by: str
    limits: Mapping[str, str]
    choice: Mapping[str, Any]
    photos: tuple[Frozen, ...]

    def encode(self) -> bytes:
        """The bytes that are hashed and kept."""
        members = {name: getattr(self, name) for name in Manifest.__slots__}
        return canonical(members | {"form": FORM, "photos": [one.to_dict() for one in self.photos]})

    @classmethod
    def decode(cls, data: bytes) -> Manifest:
        """Out of its bytes. Raises ValueError where they are no manifest."""
        members = json.loads(data)
        try:
            if members.pop("form") != FORM:
                raise ValueError("a manifest of another form")
            return cls(**members | {"photos": tuple(Frozen(**one) for one in members["photos"])})
        except (KeyError, TypeError, AttributeError) as error:
            raise ValueError("no manifest of a data set") from error


def read(blobs: Blobs, digest: str) -> Manifest:
    """The manifest of a set, held to its hash.

    Raises:
        SetupError: it is gone or damaged.
    """
    try:
        data = blobs.get(digest)
    except FileNotFoundError as error:
        raise SetupError(f"The manifest {digest} is gone from the store; restore a backup.") from error
    if sha256(data).hexdigest() != digest:
        raise SetupError(f"The manifest {digest} is damaged in the store; restore a backup.")
    return Manifest.decode(data)


def counts_of(photos: Iterable[Frozen]) -> dict[str, Any]:
    """How many photos there are: by split, by rank of their truth, and by part, grade and split."""
    rows = tuple(photos)
    parts: dict[str, dict[str, dict[str, int]]] = {}
    for one in rows:
        grades = parts.setdefault(str(one.truth["part"]), {})
        cell = grades.setdefault(str(one.truth.get("grade") or NO_GRADE), {})
        cell[one.split] = cell.get(one.split, 0) + 1
    return {
        "photos": len(rows),
        "groups": len({one.group for one in rows}),
        "machines": len({one.machine for one in rows if one.machine}),
        "splits": dict(Counter(one.split for one in rows)),
        "ranks": dict(Counter(str(one.truth.get("rank", "one")) for one in rows)),
        "parts": parts,
    }


__all__ = ["NO_GRADE", "Frozen", "Manifest", "counts_of", "read"]
