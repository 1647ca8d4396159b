"""Signed heads: the end of the chain under a signature, to be kept elsewhere. Whoever rewrites or cuts the chain
cannot make the heads that others hold fit it.
"""

from __future__ import annotations

import json
import os
import tempfile
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass, fields
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from wearvision.errors import SetupError
from wearvision_api.record.chain import canonical, moment
from wearvision_api.record.keys import RecordKey, is_signed
from wearvision_api.record.ledger import Head, append, head, hold
from wearvision_api.store.blobs import sync_folder
from wearvision_api.store.record_tables import LogRow
from wearvision_api.store.tables import now

FORM = "wearvision record head 1"
KEY_FORM = "wearvision record key 1"
KEY_KIND = "record-key"
ITSELF = "wearvision"
"""Who introduces a key: the service, no person."""
DAY = timedelta(days=1)
MADE_UP_FOR = timedelta(days=366)
"""So far back: a clock that stands in another century must not fill the disk."""


@dataclass(frozen=True, slots=True)
class SignedHead:
    """A head with its signature.

    Attributes:
        place: Number of entries.
        digest: Of the last one, hex.
        at: When it was signed; UTC.
        public_key: Who signed, hex.
        signature: Over form, place, digest and moment in canonical form; hex.
    """

    place: int
    digest: str
    at: str
    public_key: str
    signature: str

    @property
    def is_signed(self) -> bool:
        """Whether the signature fits."""
        return is_signed(self.public_key, self.signature, _signed(self.place, self.digest, self.at))

    def text(self) -> str:
        """As a file holds it."""
        return json.dumps(asdict(self), indent=1) + "\n"


def sign(found: Head, key: RecordKey) -> SignedHead:
    """Signs a head as of now."""
    at = moment(now())
    signature = key.sign(_signed(found.place, found.digest, at))
    return SignedHead(found.place, found.digest, at, key.public, signature)


def _signed(place: int, digest: str, at: str) -> bytes:
    return canonical({"form": FORM, "place": place, "digest": digest, "at": at})


def read_head(path: Path) -> SignedHead:
    """A head from its file.

    Raises:
        wearvision.errors.SetupError: it is none; whether the signature fits is not looked at.
    """
    try:
        said: dict[str, Any] = json.loads(path.read_bytes())
        found = SignedHead(**said)
    except (OSError, ValueError, TypeError) as error:
        raise SetupError(f"{path} holds no signed head of a record.") from error
    kinds = {one.name: int if one.name == "place" else str for one in fields(SignedHead)}
    if any(type(getattr(found, name)) is not kind for name, kind in kinds.items()):
        raise SetupError(f"{path} holds no signed head of a record.")
    return found


def known_keys(session: Session) -> tuple[str, ...]:
    """Public keys that the record names, oldest first."""
    query = select(LogRow.subject).where(LogRow.kind == KEY_KIND).order_by(LogRow.place)
    return tuple(session.scalars(query))


def introduce(session: Session, key: RecordKey, *, old: RecordKey | None = None) -> None:
    """Names a key in the record, unless it is there already; the caller commits.

    Args:
        session: Of a writing transaction.
        key: The new one.
        old: The one before, which vouches for it; None: nobody does, as for the very first.
    """
    hold(session)
    query = select(LogRow.place).where(LogRow.subject == key.public, LogRow.kind == KEY_KIND)
    if session.scalar(query.limit(1)) is None:
        vouched = {"by": old.public, "signature": old.sign(handover(key.public))} if old else None
        append(session, ITSELF, "introduced", KEY_KIND, key.public, after={"vouched": vouched})


def handover(public: str) -> bytes:
    """What an old key signs to vouch for a new one."""
    return canonical({"form": KEY_FORM, "public_key": public})


def write_days(session: Session, key: RecordKey, folder: Path, today: date) -> Sequence[Path]:
    """Writes a signed head for each day that is over and has none yet, days without an entry too.

    A day's head is the chain's end at midnight UTC. It is written once and never replaced, by whichever process comes
    first; days on which no service ran are made up for, a year back at most, and say by their moment when that was.

    Where the clock ran ahead and was set back, heads of days that are not over are laid aside, with ``ahead`` in their
    names. Entries keep the moment of the last one until the clock is there again, so that their moments tell no day: a
    head then is the chain's end as it is.

    Args:
        session: For reading.
        key: Signs.
        folder: Holds ``YYYY-MM-DD.json``.
        today: The day that is not over, UTC.

    Returns:
        The files written.
    """
    edges = session.execute(select(func.min(LogRow.at), func.max(LogRow.at))).one()
    first, last = (None if at is None else str(at) for at in edges)
    if first is None or last is None:
        return ()
    tomorrow = midnight(today + DAY)
    day = today - DAY if first >= tomorrow else date.fromisoformat(first[:10])
    for path in sorted(folder.glob("????-??-??.json")):
        held = date.fromisoformat(path.stem)
        if held >= today:
            _lay_aside(path)
        else:
            day = held + DAY
    day = max(day, today - MADE_UP_FOR)
    written = []
    if day < today:
        folder.mkdir(parents=True, exist_ok=True)
    while day < today:
        found = head(session) if last >= tomorrow else head(session, before=midnight(day + DAY))
        path = folder / f"{day.isoformat()}.json"
        if _write_new(path, sign(found, key).text()):
            written.append(path)
        day += DAY
    return written


def _lay_aside(path: Path) -> None:
    """Keeps a head under a name that makes room for the true one of its day."""
    place = read_head(path).place
    with suppress(FileNotFoundError):  # another process has just done so
        path.rename(path.with_name(f"{path.stem}.ahead-{place}.json"))


def midnight(day: date) -> str:
    """The first moment of a day, in the form of the record."""
    return moment(datetime(day.year, day.month, day.day, tzinfo=UTC))


def _write_new(path: Path, text: str) -> bool:
    """Writes a file whole or not at all, never over another one; tells whether it did."""
    handle, draft = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}-")
    try:
        with os.fdopen(handle, "w") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        Path(draft).chmod(0o644)
        os.link(draft, path)
    except FileExistsError:
        return False
    finally:
        Path(draft).unlink()
    sync_folder(path.parent)
    return True
