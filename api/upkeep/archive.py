"""The form of a backup: one tar file of rows, photos and, last, a manifest with the SHA-256 of each.

``tables/NAME.jsonl`` has a line for each row, ``photos/HASH`` the bytes under that hash. The manifest stands at the
end: an archive that was cut off has none, and is refused.
"""

from __future__ import annotations

import hashlib
import io
import json
import os
import re
import tarfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import IO

from wearvision.errors import SetupError
from wearvision_api.store.blobs import sync_folder

FORM = 1
MANIFEST = "manifest.json"
_MEMBER = re.compile(r"manifest\.json|tables/[a-z_]{1,60}\.jsonl|photos/[0-9a-f]{64}")
_CHUNK = 1 << 20


@dataclass
class Manifest:
    """What an archive holds.

    Attributes:
        revision: Of the tables.
        made_at: UTC, ISO 8601.
        program: Version that made it.
        tables: Name to number of rows and SHA-256 of the lines, in the order in which they are loaded.
        photos: Number of photos; the name of each is its SHA-256.
        form: Of the archive.
    """

    revision: str
    made_at: str
    program: str
    tables: dict[str, list[int | str]] = field(default_factory=dict)
    photos: int = 0
    form: int = FORM


class BadArchive(SetupError):
    """The file is no whole backup; nothing was restored."""

    code = "bad_archive"


@contextmanager
def new_archive(path: Path) -> Iterator[tarfile.TarFile]:
    """An archive to write, readable by its owner only; it gets its name once it is whole and on disk.

    Raises:
        FileExistsError: there is such a file already.
    """
    if path.exists():
        raise FileExistsError(f"{path} is there already; name another file")
    draft = path.with_name(f"{path.name}.part")
    try:
        with os.fdopen(os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "wb") as file:
            with tarfile.open(fileobj=file, mode="w", format=tarfile.PAX_FORMAT) as archive:
                yield archive
            file.flush()
            os.fsync(file.fileno())
        draft.rename(path)
        sync_folder(path.absolute().parent)
    except BaseException:
        draft.unlink(missing_ok=True)
        raise


def add(archive: tarfile.TarFile, name: str, size: int, file: IO[bytes]) -> None:
    """Adds one member."""
    info = tarfile.TarInfo(name)
    info.size, info.mode = size, 0o600
    archive.addfile(info, file)


def add_manifest(archive: tarfile.TarFile, manifest: Manifest) -> None:
    """Closes an archive's content."""
    data = json.dumps(asdict(manifest), indent=1).encode()
    add(archive, MANIFEST, len(data), io.BytesIO(data))


def members(path: Path) -> Iterator[tuple[str, IO[bytes]]]:
    """Name and content of each member, in order; nothing is ever unpacked by its name.

    Raises:
        BadArchive: it holds what no archive of ours does.
        tarfile.TarError: it is no archive, or is cut off.
    """
    with tarfile.open(path, "r:") as archive:
        for info in archive:
            content = archive.extractfile(info) if info.isreg() else None
            if content is None or not _MEMBER.fullmatch(info.name):
                raise BadArchive(f"{path} holds {info.name[:80]!r}, which no backup holds.")
            yield info.name, content


def verify(path: Path, keep: Callable[[str, IO[bytes]], None] | None = None) -> Manifest:
    """Reads an archive from end to end and holds everything in it to its hash.

    Args:
        path: Of the archive.
        keep: Is given the content of each table, at its beginning.

    Raises:
        BadArchive: something is damaged or missing.
    """
    try:
        return _verify(path, keep)
    except tarfile.TarError as error:
        raise BadArchive(f"{path} cannot be read as a backup: {error}.") from error


def _verify(path: Path, keep: Callable[[str, IO[bytes]], None] | None) -> Manifest:
    digests: dict[str, str] = {}
    manifest: Manifest | None = None
    for name, content in members(path):
        if manifest is not None:
            raise BadArchive(f"{path} goes on after its manifest.")
        if name == MANIFEST:
            manifest = _manifest(path, content.read())
            continue
        digest = hashlib.sha256()
        while chunk := content.read(_CHUNK):
            digest.update(chunk)
        digests[name] = digest.hexdigest()
        if name.startswith("photos/") and digests[name] != name.removeprefix("photos/"):
            raise BadArchive(f"{path}: the photo {name.removeprefix('photos/')} is damaged.")
        if keep is not None and name.startswith("tables/"):
            content.seek(0)
            keep(name.removeprefix("tables/").removesuffix(".jsonl"), content)
    if manifest is None:
        raise BadArchive(f"{path} has no manifest: it was cut off.")
    for table, (_, digest_said) in manifest.tables.items():
        if digests.get(f"tables/{table}.jsonl") != digest_said:
            raise BadArchive(f"{path}: the table {table} is damaged or missing.")
    if sum(name.startswith("photos/") for name in digests) != manifest.photos:
        raise BadArchive(f"{path}: photos are missing.")
    return manifest


def _manifest(path: Path, data: bytes) -> Manifest:
    try:
        manifest = Manifest(**json.loads(data))
    except (ValueError, TypeError) as error:
        raise BadArchive(f"{path}: its manifest cannot be read.") from error
    if manifest.form != FORM:
        raise BadArchive(f"{path} has form {manifest.form}; this program reads form {FORM}. Use a newer one.")
    return manifest
