"""Removes photos that no record names: uploads that failed after their bytes were on disk."""

from __future__ import annotations

import re
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from wearvision_api.record.tombstones import to_remove
from wearvision_api.store.blobs import Blobs
from wearvision_api.store.engine import open_existing
from wearvision_api.store.record_tables import APPEND_ONLY
from wearvision_api.store.schema import demand_known
from wearvision_api.store.tables import Base

IDLE_S = 24 * 3600.0
"""A blob without a record is left alone this long: its request may still be on the way to its record."""
_HASH = re.compile(r"\b[0-9a-f]{64}\b")


@dataclass(frozen=True, slots=True)
class Swept:
    """What a sweep came to.

    Attributes:
        drafts: Half-written files removed.
        blobs: Hashes of photos removed.
        kept: Number of photos left.
    """

    drafts: int
    blobs: tuple[str, ...]
    kept: int


def sweep(session: Session, blobs: Blobs, *, idle_s: float = IDLE_S) -> Swept:
    """Removes drafts and unnamed blobs; safe while the service runs.

    Args:
        session: For reading.
        blobs: The store; a folder.
        idle_s: How long nobody must have put a blob.

    Raises:
        NotImplementedError: the store is not a folder.
    """
    drafts = blobs.remove_drafts()
    names = blobs.names()  # before the records are read: a record comes after its blob
    named = mentioned(session)
    removed = blobs.remove((name for name in names if name not in named), idle_s=idle_s)
    return Swept(drafts, tuple(removed), len(names) - len(removed))


def sweep_address(database_url: str, blobs: Blobs) -> Swept:
    """Sweeps a store by the records of a database.

    Raises:
        wearvision.errors.SetupError: there is no such database, or a newer program made it.
    """
    engine = open_existing(database_url)
    try:
        demand_known(engine)
        with Session(engine.execution_options(writes=False)) as session:
            return sweep(session, blobs)
    finally:
        engine.dispose()


def mentioned(session: Session) -> set[str]:
    """Every hash that stands in any record, but for those of photos that were erased and that nobody has sent again.

    All of all tables is looked through: a column that names blobs and was forgotten here would lose photos. The record
    holds no blob: it names photos that other tables hold, or that are gone.
    """
    found: set[str] = set()
    for table in Base.metadata.sorted_tables:
        if table.name in APPEND_ONLY:
            continue
        for row in session.execute(select(table).execution_options(yield_per=200)):
            found.update(_HASH.findall(repr(tuple(row))))
    return found - set(to_remove(session))
