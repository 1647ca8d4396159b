"""Appends to the record and reads it. One chain for the whole service, whatever the number of processes."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import LargeBinary, String, cast, select, text
from sqlalchemy.orm import Session

from wearvision_api.record.chain import START, Line, encode, link, moment
from wearvision_api.store.record_tables import LogRow
from wearvision_api.store.tables import now

ONE_AT_A_TIME = 0x5245434F
"""Key of PostgreSQL's advisory lock: entries follow one another. SQLite has one writer at a time anyway."""
STEP = 500


@dataclass(frozen=True, slots=True)
class Head:
    """Where the chain ends: number of entries, and the digest that stands for all of them."""

    place: int
    digest: str


def append(
    session: Session,
    who: str,
    what: str,
    kind: str,
    subject: str,
    *,
    before: Mapping[str, Any] | None = None,
    after: Mapping[str, Any] | None = None,
    photos: Sequence[str] = (),
) -> LogRow:
    """Appends an entry in the caller's transaction; it is on record when the caller commits, together with the step.

    Other writers wait from here to the commit, so call it last. Moments never run backwards: where the clock was set
    back, the moment of the entry before stands.

    Args:
        session: Of a writing transaction.
        who: Account name.
        what: Verb, such as ``opened``.
        kind: Of the subject, such as ``return``.
        subject: Its id.
        before: What was, as far as it changes.
        after: What is now. Neither holds a password, the bytes of a photo, or more of a person than the step needs:
            nothing can be taken out again.
        photos: SHA-256 of the photos that the step is about, hex.

    Raises:
        ValueError: a value has no canonical form, or must not be kept.
    """
    hold(session)
    query = select(LogRow.place, LogRow.digest, LogRow.at).order_by(LogRow.place.desc()).limit(1)
    last = session.execute(query).first()
    place, previous, at = (last.place + 1, last.digest, last.at) if last else (1, START.hex(), "")
    at = max(moment(now()), at)
    data = encode(place, at, who, what, kind, subject, before=before, after=after, photos=photos)
    row = LogRow(
        place=place,
        at=at,
        who=who,
        what=what,
        kind=kind,
        subject=subject,
        entry=data.decode(),
        previous=previous,
        digest=link(bytes.fromhex(previous), data).hex(),
    )
    session.add(row)
    session.flush()
    return row


def hold(session: Session) -> None:
    """Keeps others from appending until this transaction ends."""
    if session.get_bind().dialect.name == "postgresql":
        session.execute(text("select pg_advisory_xact_lock(:key)"), {"key": ONE_AT_A_TIME})


def head(session: Session, *, before: str = "") -> Head:
    """The end of the chain.

    Args:
        session: Open.
        before: Leaves out entries from this moment on, in the form of ``chain.moment``; empty: none.
    """
    query = select(LogRow.place, LogRow.digest).order_by(LogRow.place.desc()).limit(1)
    if before:
        query = query.order_by(None).order_by(LogRow.at.desc(), LogRow.place.desc()).where(LogRow.at < before)
    last = session.execute(query).first()
    return Head(last.place, last.digest) if last else Head(0, START.hex())


def lines(session: Session, *, since: str = "", before: str = "") -> Iterator[Line]:
    """The entries in order, a few at a time; bytes that are no UTF-8 come as surrogates, for ``verify`` to find.

    Args:
        session: Open.
        since: First moment, in the form of ``chain.moment``; empty: from the first entry.
        before: Leaves out entries from this moment on; empty: none.
    """
    is_sqlite = session.get_bind().dialect.name == "sqlite"
    columns = [getattr(LogRow, name) for name in Line.__slots__]
    # SQLite keeps whatever bytes a file holds and stumbles over them as text; PostgreSQL holds UTF-8 only.
    query = select(*(cast(column, LargeBinary if is_sqlite else String) for column in columns)).order_by(LogRow.place)
    if since:
        query = query.where(LogRow.at >= since)
    if before:
        query = query.where(LogRow.at < before)
    with session.execute(query.execution_options(yield_per=STEP)) as rows:  # closed also where nobody reads to the end
        for row in rows:
            yield Line(*map(_text, row))


def _text(value: Any) -> str:
    return value.decode("utf-8", "surrogateescape") if isinstance(value, bytes) else str(value)


def about(session: Session, *, subject: str = "", after: int = 0, limit: int = 50) -> Sequence[LogRow]:
    """Entries in order, of one subject if it is named.

    Args:
        session: Open.
        subject: Id; empty: of all.
        after: Place of the last entry that is known already.
        limit: How many at most.
    """
    query = select(LogRow).where(LogRow.place > after).order_by(LogRow.place).limit(limit)
    return session.scalars(query.where(LogRow.subject == subject) if subject else query).all()
