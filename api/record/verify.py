"""Walks a chain and names the first link that is broken. Needs memory for one entry at a time, however many there are.

What it finds by the entries alone: one that was changed, dropped, put in or swapped, and a column that no longer says
what was hashed. A chain that was cut at its end or rewritten whole fits itself; a signed head that was kept elsewhere
finds that, too.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

from wearvision_api.record.chain import REPEATED, START, Line, link
from wearvision_api.record.heads import KEY_KIND, SignedHead, handover
from wearvision_api.record.keys import is_signed

PhotoCheck = Callable[[str], str]
"""Given the SHA-256 of a photo, says what is wrong with it; empty: nothing."""


@dataclass(frozen=True, slots=True)
class Broken:
    """The first broken link.

    Attributes:
        place: Of the entry, or of where it should be.
        reason: What is wrong, for a person.
    """

    place: int
    reason: str


@dataclass(frozen=True, slots=True)
class Verdict:
    """What a walk came to.

    Attributes:
        entries: How many were walked before the end or the broken link.
        digest: Of the last of them, hex.
        broken: The first broken link; None: the chain is whole.
        heads: How many signed heads kept elsewhere it fits.
        photos: How many photos were looked up.
        keys: Public keys that the chain names, oldest first.
        notes: What a person should know besides.
    """

    entries: int
    digest: str
    broken: Broken | None = None
    heads: int = 0
    photos: int = 0
    keys: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


def verify(
    lines: Iterable[Line],
    *,
    heads: Sequence[SignedHead] = (),
    photo: PhotoCheck | None = None,
    start: tuple[int, str] = (0, START.hex()),
) -> Verdict:
    """Checks every link in order.

    Args:
        lines: The entries as stored, in the order of their places.
        heads: Signed heads that were kept elsewhere.
        photo: Looks up each photo that an entry names; None: photos are not looked at.
        start: Place and digest before the first entry, for a part of a chain; heads older than it are passed over.
    """
    walk = _Walk(start, sorted(heads, key=lambda one: one.place), photo)
    try:
        for head in walk.heads:
            if not head.is_signed:
                raise _Break(head.place, "the signature of the head kept elsewhere does not fit it")
        walk.pass_heads(is_start=True)
        for line in lines:
            walk.step(line)
        if walk.heads:
            ahead = walk.heads[0].place
            raise _Break(walk.place + 1, f"cut off here: the head kept elsewhere stands for {ahead} entries")
    except _Break as found:
        return walk.verdict(Broken(found.place, found.reason))
    return walk.verdict(None)


class _Break(Exception):
    def __init__(self, place: int, reason: str) -> None:
        super().__init__(reason)
        self.place, self.reason = place, reason


@dataclass
class _Walk:
    start: tuple[int, str]
    heads: list[SignedHead]
    photo: PhotoCheck | None
    keys: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    at: str = ""
    fitted: int = 0
    photos: int = 0

    def __post_init__(self) -> None:
        self.place, self.digest = self.start

    def step(self, line: Line) -> None:
        """One entry."""
        place = self.place + 1
        if line.place != str(place):
            raise _Break(place, _misplaced(line.place, place))
        if line.previous != self.digest:
            raise _Break(place, "it does not follow the entry before: what it says of that one's digest differs")
        data = line.entry.encode("utf-8", "surrogateescape")
        if link(bytes.fromhex(self.digest), data).hex() != line.digest:
            raise _Break(place, "its bytes do not give its digest: one of them was changed")
        said = _read(data, place)
        for name in ("place", *REPEATED):
            if str(said.get(name)) != getattr(line, name):
                raise _Break(place, f"its column {name!r} differs from what was hashed")
        if line.at < self.at:
            raise _Break(place, "it is older than the entry before")
        self.place, self.digest, self.at = place, line.digest, line.at
        if line.kind == KEY_KIND:
            self._key(line.subject, said)
        self.pass_heads()
        for name in said["photos"] if self.photo is not None else ():
            self._photo(name)

    def pass_heads(self, *, is_start: bool = False) -> None:
        """Holds the heads of this place against it."""
        while self.heads and self.heads[0].place <= self.place:
            head = self.heads.pop(0)
            if head.place < self.place:
                continue  # before the part of the chain that is here
            if head.digest != self.digest:
                raise _Break(head.place, "the head kept elsewhere differs: this entry or one before it was rewritten")
            if not is_start and head.public_key not in self.keys and self.start[0] == 0:
                raise _Break(head.place, "the head kept elsewhere fits, but the record does not name the key it bears")
            self.fitted += 1

    def _key(self, public: str, said: dict[str, Any]) -> None:
        try:
            vouched = said["after"]["vouched"]
            by, signature = (vouched["by"], vouched["signature"]) if vouched else ("", "")
        except (KeyError, TypeError) as error:
            raise _Break(self.place, "it introduces a key in a form that is none") from error
        if by:
            if by not in self.keys and self.start[0] == 0:
                raise _Break(self.place, "a key is vouched for by one that the record does not name before")
            if not is_signed(by, signature, handover(public)):
                raise _Break(self.place, "the signature that vouches for a key does not fit")
        elif self.keys:
            self.notes.append(f"Entry {self.place}: nobody vouches for the key {public[:16]}…; ask why it was changed.")
        self.keys.append(public)

    def _photo(self, name: str) -> None:
        assert self.photo is not None
        self.photos += 1
        reason = self.photo(name)
        if reason:
            raise _Break(self.place, reason)

    def verdict(self, broken: Broken | None) -> Verdict:
        entries = self.place - self.start[0]
        return Verdict(entries, self.digest, broken, self.fitted, self.photos, tuple(self.keys), tuple(self.notes))


def _misplaced(found: str, place: int) -> str:
    if found.isdecimal() and int(found) > place:
        return f"missing: the next entry that is there has place {found}"
    return f"out of order: an entry with place {found!r} stands here"


def _once(members: list[tuple[str, Any]]) -> dict[str, Any]:
    """An object's members; one that stands there twice could be read in two ways."""
    said = dict(members)
    if len(said) != len(members):
        raise ValueError("a member stands there twice")
    return said


_READER = json.JSONDecoder(object_pairs_hook=_once)


def _read(data: bytes, place: int) -> dict[str, Any]:
    """An entry's members. Its digest fits, so only whoever wrote it can have given it another form."""
    try:
        said = _READER.decode(data.decode())
        if isinstance(said, dict) and isinstance(said.get("photos"), list):
            return said
    except (ValueError, RecursionError):
        pass
    raise _Break(place, "it is no entry that can be read in one way only")
