"""The chain itself: one byte encoding of an entry, and the digest that ties it to all before it.

An entry is a JSON object in the canonical form of RFC 8785 (UTF-8, keys sorted, no spaces, numbers as ECMAScript writes
them). Text is hashed as it was entered: no Unicode normalisation is applied, as RFC 8785 has it. What was hashed is
stored as it is, so a check never depends on encoding it again.

``digest_i = SHA-256(digest_{i-1} || bytes_i)``, where the first digest before it is 32 zero bytes.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any

import rfc8785

FORM = 1
"""Of an entry; stands in it as ``v``."""
START = bytes(32)
"""What stands before the first entry."""
NOT_KEPT = ("password", "secret")
"""Members whose name holds one of these never enter the record: nothing could take them out again."""


@dataclass(frozen=True, slots=True)
class Line:
    """An entry as it is stored; all text, so that a damaged one can be told of, too.

    Attributes:
        place: 1, 2, 3 … without a gap.
        at: UTC, ISO 8601 with microseconds; never before that of the entry before.
        who: Account name.
        what: Verb, such as ``opened``.
        kind: Of the subject, such as ``return``.
        subject: Its id.
        entry: The bytes that were hashed, as text; all of the above stand in it, too.
        previous: Digest of the entry before, hex.
        digest: Of this one, hex.
    """

    place: str
    at: str
    who: str
    what: str
    kind: str
    subject: str
    entry: str
    previous: str
    digest: str


REPEATED = ("at", "who", "what", "kind", "subject")
"""Columns that say again what stands in the entry, for searching."""


def link(previous: bytes, data: bytes) -> bytes:
    """Digest of an entry: SHA-256 over the digest before it and its own bytes.

    Args:
        previous: 32 bytes; ``START`` for the first.
        data: The entry's bytes.
    """
    return hashlib.sha256(previous + data).digest()


def canonical(value: Any) -> bytes:
    """A value in the one form that is hashed and signed.

    Raises:
        ValueError: RFC 8785 has no form for it: not a number, whole numbers over 2^53 - 1, lone surrogates, bytes.
    """
    return rfc8785.dumps(_plain(value))


def encode(
    place: int,
    at: str,
    who: str,
    what: str,
    kind: str,
    subject: str,
    *,
    before: Mapping[str, Any] | None = None,
    after: Mapping[str, Any] | None = None,
    photos: Sequence[str] = (),
) -> bytes:
    """The bytes of an entry.

    Raises:
        ValueError: a value has no form, a photo is no SHA-256, or a member's name says that it must not be kept.
    """
    for name in photos:
        if len(name) != 64 or not set(name) <= set("0123456789abcdef"):
            raise ValueError(f"{name!r} is no SHA-256 of a photo")
    return canonical(
        {
            "v": FORM,
            "place": place,
            "at": at,
            "who": who,
            "what": what,
            "kind": kind,
            "subject": subject,
            "before": before,
            "after": after,
            "photos": list(photos),
        }
    )


def moment(at: datetime) -> str:
    """A moment as entries carry it; texts of this form sort by time."""
    return at.astimezone(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")


def _plain(value: Any) -> Any:
    if isinstance(value, datetime):
        return moment(value)
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, Mapping):
        for name in value:
            if any(word in str(name).lower() for word in NOT_KEPT):
                raise ValueError(f"{name!r} must not enter the record")
        return {name: _plain(one) for name, one in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(one) for one in value]
    return value
