"""Writes a frozen set out as a labelled folder, or as a zip archive of one, for training, keeping and handing on.

What was erased since, or may no longer teach, stays out; a table in the folder says so photo by photo.
"""

from __future__ import annotations

import csv
import json
import shutil
import tempfile
import time
import zipfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from io import RawIOBase
from pathlib import Path
from typing import Any

from sqlalchemy import exists, select
from sqlalchemy.orm import Session, aliased

from wearvision.labels.folder import Labelled, write_folder
from wearvision.labels.truth import Truth
from wearvision_api.house import House
from wearvision_api.store.blobs import Blobs
from wearvision_api.store.tables import PhotoRow
from wearvision_api.store.teaching_tables import DataSetPhoto, DataSetRow, Permission
from wearvision_api.teaching import manifest
from wearvision_api.teaching.manifest import Frozen, Manifest
from wearvision_api.teaching.pieces import read_png

LEFT_OUT = "left_out.csv"
"""In the folder: SHA-256, split and reason of each photo that the set holds and the folder does not."""
ERASED, NO_PERMISSION = "erased", "permission withdrawn"
_CHUNK = 1 << 18
_DRAFT, _STALE_S = ".export-", 24 * 3600.0
_STAMP = (1980, 1, 1, 0, 0, 0)
"""Of all members: the same set gives the same archive."""


@dataclass(frozen=True, slots=True)
class Written:
    """What an export came to.

    Attributes:
        photos: How many were written.
        left_out: SHA-256 to reason of those that were not.
        sha256: Of the folder's lines.
    """

    photos: int
    left_out: Mapping[str, str]
    sha256: str


def write(house: House, session: Session, row: DataSetRow, folder: Path) -> Written:
    """Writes a frozen set into a new or empty folder.

    Args:
        house: The running service.
        session: For reading.
        row: The set.
        folder: Where to.

    Raises:
        wearvision.errors.SetupError: the manifest is gone or damaged.
        wearvision.errors.InputError: the folder holds something already.
        OSError: it cannot be written.
    """
    held = manifest.read(house.blobs, row.sha256)
    left_out = gone_of(session, row.id)
    digest = write_folder(folder, held.name, _items(house.blobs, held, left_out), held.limits)
    splits = {one.sha256: one.split for one in held.photos}
    with (folder / LEFT_OUT).open("w", encoding="utf-8", newline="") as file:
        lines = csv.writer(file, lineterminator="\n")
        lines.writerow(("sha256", "split", "why"))
        lines.writerows((name, splits[name], why) for name, why in sorted(left_out.items()))
    return Written(len(held.photos) - len(left_out), dict(left_out), digest)


def gone_of(session: Session, set_id: str) -> dict[str, str]:
    """SHA-256 to reason of the photos of a set that were erased, or whose permission was withdrawn."""
    twin = aliased(PhotoRow)  # permission for any record of the very same bytes will do
    asked = select(Permission.photo_id).join(twin, twin.id == Permission.photo_id)
    asked = asked.where(twin.sha256 == DataSetPhoto.sha256)
    given = asked.where(twin.erased_at.is_(None), Permission.withdrawn_at.is_(None))
    query = (
        select(DataSetPhoto.sha256, PhotoRow.erased_at, exists(asked) & ~exists(given))
        .join(PhotoRow, PhotoRow.id == DataSetPhoto.photo_id)
        .where(DataSetPhoto.set_id == set_id)
    )
    return {
        digest: ERASED if erased_at is not None else NO_PERMISSION
        for digest, erased_at, is_withdrawn in session.execute(query)
        if erased_at is not None or is_withdrawn
    }


def _items(blobs: Blobs, held: Manifest, left_out: dict[str, str]) -> Iterator[Labelled]:
    """The photos that are there, one at a time; one that is erased at this moment joins those left out."""
    for one in held.photos:
        if one.sha256 in left_out:
            continue
        try:
            item = labelled(blobs, one)
        except FileNotFoundError:
            left_out[one.sha256] = ERASED
            continue
        yield item


def labelled(blobs: Blobs, one: Frozen) -> Labelled:
    """A frozen photo with all that belongs to it. Raises FileNotFoundError where it was erased."""
    labels: list[dict[str, Any]] = json.loads(blobs.get(one.labels))["labels"]
    return Labelled(
        sha256=one.sha256,
        photo=blobs.get(one.sha256),
        machine=one.machine,
        group=one.group,
        split=one.split,  # type: ignore[arg-type]  # a manifest holds splits only
        at_random=one.at_random,
        truth=Truth.read(one.truth),
        labels=tuple(labels),
        masks={name: read_png(blobs.get(digest)) for name, digest in one.masks.items()},
    )


@contextmanager
def written_out(house: House, session: Session, row: DataSetRow) -> Iterator[tuple[Path, Written]]:
    """A set as a folder that goes when the block ends; those that a killed process left a day ago go, too."""
    house.settings.data.mkdir(parents=True, exist_ok=True)
    for old in house.settings.data.glob(f"{_DRAFT}*"):
        if time.time() - old.stat().st_mtime > _STALE_S:
            shutil.rmtree(old, ignore_errors=True)
    with tempfile.TemporaryDirectory(dir=house.settings.data, prefix=_DRAFT, ignore_cleanup_errors=True) as folder:
        place = Path(folder) / "set"
        yield place, write(house, session, row, place)


def zipped(folder: Path) -> Iterator[bytes]:
    """A folder as a zip archive, piece by piece; photos and masks are packed already, and stored as they are."""
    sink = _Sink()
    with zipfile.ZipFile(sink, "w") as archive:
        for path in sorted(one for one in folder.rglob("*") if one.is_file()):
            info = zipfile.ZipInfo(path.relative_to(folder).as_posix(), _STAMP)
            info.compress_type = zipfile.ZIP_STORED if path.parent != folder else zipfile.ZIP_DEFLATED
            info.external_attr = 0o100644 << 16
            with path.open("rb") as source, archive.open(info, "w", force_zip64=True) as member:
                while chunk := source.read(_CHUNK):
                    member.write(chunk)
                    yield sink.take()
    yield sink.take()


class _Sink(RawIOBase):
    """Takes what an archive writes, and hands it on; it cannot go back."""

    def __init__(self) -> None:
        super().__init__()
        self._held: list[bytes] = []

    def writable(self) -> bool:
        """Always."""
        return True

    def write(self, data: Any) -> int:
        """Holds bytes until they are taken."""
        self._held.append(bytes(data))
        return len(self._held[-1])

    def take(self) -> bytes:
        """What was written since."""
        held, self._held = b"".join(self._held), []
        return held


__all__ = ["LEFT_OUT", "Written", "gone_of", "labelled", "write", "written_out", "zipped"]
