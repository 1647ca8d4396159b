"""Backup of a running service into one file, and its restore into an empty place, on either database."""

from __future__ import annotations

import hashlib
import io
import json
import re
import tarfile
import tempfile
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import IO, Any

from alembic.runtime.migration import MigrationContext
from sqlalchemy import Connection, Engine, inspect

from wearvision.errors import SetupError
from wearvision_api.honesty.backfill import remember_all
from wearvision_api.store.blobs import Blobs
from wearvision_api.store.engine import migrate, open_engine, open_existing
from wearvision_api.upkeep import rows
from wearvision_api.upkeep.archive import BadArchive, Manifest, add, add_manifest, members, new_archive, verify

MEMORY_BYTES = 16 << 20
_SHA256 = re.compile(rb'"sha256":"([0-9a-f]{64})"')
_ERASED = b'"erased_at":"'
_HOLDING: dict[str, Callable[[dict[str, Any]], Iterable[str]]] = {
    "data_sets": lambda row: [row["sha256"]],
    "data_set_photos": lambda row: row["pieces"].values(),
    "examples": lambda row: (row["brought"] or {}).get("masks", {}).values(),
    "models": lambda row: row["files"].values(),
}
"""Beside photos: which blobs a row of a table cannot do without."""


@dataclass(frozen=True, slots=True)
class Counted:
    """What a backup or a restore came to.

    Attributes:
        rows: Records of all tables.
        photos: Blobs.
        made_at: When the backup was made; UTC.
    """

    rows: int
    photos: int
    made_at: str


def backup(database_url: str, blob_url: str, path: Path) -> Counted:
    """Writes all records and photos into one file; the service may be running.

    The rows are those of one moment. Photos are read after it: each row's blob was on disk before the row.

    Raises:
        FileExistsError: there is such a file already.
        SetupError: there is no service's database.
        OSError: the file cannot be written; nothing is left of it.
    """
    engine, blobs = open_existing(database_url), Blobs(blob_url)
    try:
        # A photo that is erased meanwhile stays until the end: the rows of this moment still name it.
        with new_archive(path) as archive, blobs.kept(), _moment(engine) as connection:
            revision = MigrationContext.configure(connection).get_current_revision()
            if revision is None:
                raise SetupError(f"{engine.url.render_as_string()} holds no service's tables.")
            manifest = Manifest(revision, _stamp(), version("wearvision"))
            for table in rows.tables_of(connection):
                number, digest = 0, hashlib.sha256()
                with tempfile.SpooledTemporaryFile(MEMORY_BYTES) as lines:
                    for line in rows.dump(connection, table):
                        lines.write(line)
                        digest.update(line)
                        number += 1
                    size = lines.tell()
                    lines.seek(0)
                    add(archive, f"tables/{table.name}.jsonl", size, lines)
                manifest.tables[table.name] = [number, digest.hexdigest()]
            connection.rollback()
            manifest.photos = _add_photos(archive, blobs)
            add_manifest(archive, manifest)
    finally:
        engine.dispose()
    return _counted(manifest)


def _moment(engine: Engine) -> Connection:
    """A connection that sees the rows of one moment, and holds up no writer."""
    if engine.dialect.name == "sqlite":
        return engine.execution_options(writes=False).connect()
    return engine.connect().execution_options(isolation_level="REPEATABLE READ", postgresql_readonly=True)


def _add_photos(archive: tarfile.TarFile, blobs: Blobs) -> int:
    number = 0
    for name in blobs.names():
        try:
            data = blobs.get(name)
        except FileNotFoundError:
            continue  # swept meanwhile: no record names it
        if hashlib.sha256(data).hexdigest() != name:
            raise SetupError(f"The photo {name} is damaged in the store; restore it from an older backup first.")
        add(archive, f"photos/{name}", len(data), io.BytesIO(data))
        number += 1
    return number


def restore(path: Path, database_url: str, blob_url: str) -> Counted:
    """Puts a backup into an empty place, after every part of it was held to its hash; then migrates it to the newest.

    Raises:
        BadArchive: the file is damaged or no backup; nothing was written.
        SetupError: the place is not empty.
    """
    named: set[str] = set()

    def keep(table: str, content: IO[bytes]) -> None:
        if table == "photos":
            for line in content:
                if _ERASED not in line:
                    named.update(found.decode() for found in _SHA256.findall(line))
        elif table in _HOLDING:
            for line in content:
                named.update(_HOLDING[table](json.loads(line)))

    manifest = verify(path, keep)
    held = {name.removeprefix("photos/") for name, _ in members(path) if name.startswith("photos/")}
    if named - held:
        raise BadArchive(f"{path}: the photo or file {min(named - held)} is recorded, but missing.")
    engine, blobs = open_engine(database_url), Blobs(blob_url)
    try:
        if inspect(engine).get_table_names() or blobs.names():
            raise SetupError("The place to restore to is not empty; name a new --data folder, or an empty database.")
        blobs.check()
        migrate(engine, manifest.revision)
        with engine.begin() as connection:
            tables = {table.name: table for table in rows.tables_of(connection)}
            for name, content in members(path):
                if name.startswith("photos/"):
                    blobs.put(content.read())
                elif name.startswith("tables/"):
                    table = name.removeprefix("tables/").removesuffix(".jsonl")
                    rows.load(connection, tables[table], content)
        migrate(engine)
        remember_all(_Place(engine, blobs))
    finally:
        engine.dispose()
    return _counted(manifest)


@dataclass(frozen=True, slots=True)
class _Place:
    """What the index of likenesses is made up in."""

    engine: Engine
    blobs: Blobs


def _counted(manifest: Manifest) -> Counted:
    return Counted(sum(int(number) for number, _ in manifest.tables.values()), manifest.photos, manifest.made_at)


def _stamp() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
