"""What is made of a photo for a frozen set: masks of what was drawn, and what people said of it; kept as blobs.

A mask is an 8-bit PNG, 0 or 255, as large as the upright photo. The photo's SHA-256 stands in it as text, so that no
two photos share a mask: it can be erased with its photo.
"""

from __future__ import annotations

import hashlib
import io
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image, PngImagePlugin

from wearvision.labels.drawn import mask
from wearvision.labels.label import Label
from wearvision_api.record.chain import canonical
from wearvision_api.store.teaching_tables import LabelRow

LABELS = "labels.json"
"""Piece that holds the labels."""
MASKS = "masks/"
"""Before the name of a region or mark."""
_DRAWN = ("part", "view", "marks", "regions")
"""What of a label's body says what was drawn."""


@dataclass(frozen=True, slots=True)
class Said:
    """A label as a set carries it.

    Attributes:
        author: Pseudonym.
        turn: 1 first, 2 second and blind, 3 a third person who saw both, 4 shown again.
        at: When; UTC, ISO 8601.
        seconds: From the picture shown to the label saved; None where it is not known.
        body: The label as JSON.
        measured: What its marks came to.
    """

    author: str
    turn: int
    at: str
    seconds: float | None
    body: Mapping[str, Any]
    measured: Mapping[str, Any]

    def to_dict(self) -> dict[str, Any]:
        """As JSON."""
        return {name: getattr(self, name) for name in Said.__slots__}


def person(account_id: str) -> str:
    """The pseudonym under which an account's labels leave the house: the same in every set, and no name.

    Account ids are random, so nobody can find one by trying.
    """
    return f"person-{hashlib.sha256(account_id.encode()).hexdigest()[:12]}"


def said_of(rows: Iterable[LabelRow]) -> tuple[Said, ...]:
    """Labels that were not taken back, in order."""
    kept = sorted((row for row in rows if row.withdrawn_at is None), key=lambda row: (row.created_at, row.id))
    return tuple(
        Said(
            person(row.owner_id),
            row.turn,
            row.created_at.isoformat().replace("+00:00", "Z"),
            row.seconds,
            row.body,
            row.measured,
        )
        for row in kept
    )


def labels_file(sha256: str, said: Sequence[Mapping[str, Any]]) -> bytes:
    """The labels of a photo as canonical JSON."""
    return canonical({"photo": sha256, "labels": list(said)})


def masks_of(labels: Sequence[Mapping[str, Any]], part: str, shape: tuple[int, int]) -> dict[str, NDArray[np.bool_]]:
    """What was drawn, as masks by the name of region or mark.

    Where several people drew the same thing, the one of the last turn is taken, and of one turn the newest: it is what
    the truth was settled with. Labels of another part than the truth's are left aside.

    Args:
        labels: Their ``body``, ``turn`` and ``at``.
        part: Of the settled truth.
        shape: (H, W) of the upright photo, pixels.
    """
    found: dict[str, NDArray[np.bool_]] = {}
    for one in sorted(labels, key=lambda one: (int(one["turn"]), str(one["at"])), reverse=True):
        body = one["body"]
        if body.get("part") != part:
            continue
        label = Label.read({name: body[name] for name in _DRAWN if body.get(name)})  # grades may be of other limits
        drawn = {name: (outline,) for name, outline in label.marks.items()} | dict(label.regions)
        for name, shapes in drawn.items():
            if name not in found:
                found[name] = mask(shapes, shape)
    return found


def png(pixels: NDArray[np.bool_], sha256: str) -> bytes:
    """A mask as a file.

    Args:
        pixels: (H, W).
        sha256: Of the photo that it belongs to.
    """
    note = PngImagePlugin.PngInfo()
    note.add_text("Photo", sha256)
    buffer = io.BytesIO()
    Image.fromarray(np.where(pixels, np.uint8(255), np.uint8(0))).save(buffer, "PNG", pnginfo=note)
    return buffer.getvalue()


def read_png(data: bytes) -> NDArray[np.bool_]:
    """A mask out of its file; (H, W)."""
    with Image.open(io.BytesIO(data)) as image:
        return np.asarray(image) > 127


__all__ = ["LABELS", "MASKS", "Said", "labels_file", "masks_of", "person", "png", "read_png", "said_of"]
