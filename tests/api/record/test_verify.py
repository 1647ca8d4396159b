"""Tampering: any one byte of any column of any entry and of any photo, entries dropped, swapped, put in or cut off."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from wearvision_api.record.chain import START, Line, encode, link
from wearvision_api.record.heads import SignedHead, handover, sign
from wearvision_api.record.keys import RecordKey, open_key
from wearvision_api.record.ledger import Head, append, head, lines
from wearvision_api.record.tombstones import photo_check
from wearvision_api.record.verify import verify
from wearvision_api.store.blobs import Blobs

COLUMNS = Line.__slots__


@pytest.fixture
def stored(chain: Session) -> list[Line]:
    return list(lines(chain))


def with_byte(line: Line, column: str, place: int, byte: int) -> Line:
    """One byte of a column changed, as it would be read back."""
    data = bytearray(getattr(line, column).encode())
    data[place] = byte
    return replace(line, **{column: bytes(data).decode("utf-8", "surrogateescape")})


def test_whole_chain_is_whole(stored: list[Line], key: RecordKey) -> None:
    verdict = verify(stored)
    assert verdict.broken is None
    assert (verdict.entries, verdict.digest, verdict.keys) == (7, stored[-1].digest, (key.public,))


@pytest.mark.on_both
def test_any_bit_of_any_byte_is_found_at_its_entry(stored: list[Line]) -> None:
    """Every position of every column; one bit of eight in turn. A digest also shows at the entry after it."""
    tried = 0
    for index, line in enumerate(stored):
        for column in COLUMNS:
            data = getattr(line, column).encode()
            for place, byte in enumerate(data):
                changed = with_byte(line, column, place, byte ^ (1 << (place % 8)))
                broken = verify([*stored[:index], changed, *stored[index + 1 :]]).broken
                assert broken is not None, (line.place, column, place)
                assert broken.place == index + 1
                tried += 1
    assert tried > 7 * 300


@given(st.data())
@settings(max_examples=300, suppress_health_check=list(HealthCheck), deadline=None)
def test_any_other_byte_anywhere_is_found(stored: list[Line], data: st.DataObject) -> None:
    index = data.draw(st.integers(0, len(stored) - 1))
    column = data.draw(st.sampled_from(COLUMNS))
    was = getattr(stored[index], column).encode()
    place = data.draw(st.integers(0, len(was) - 1))
    byte = data.draw(st.integers(0, 255).filter(lambda one: one != was[place]))
    changed = with_byte(stored[index], column, place, byte)
    broken = verify([*stored[:index], changed, *stored[index + 1 :]]).broken
    assert broken is not None
    assert broken.place == index + 1


@given(st.data())
@settings(max_examples=60, suppress_health_check=list(HealthCheck), deadline=None)
def test_bytes_changed_in_the_database_are_found(
    chain: Session, unguarded: Callable[..., None], data: st.DataObject
) -> None:
    """In SQLite itself, which also keeps bytes that are no text."""
    stored = list(lines(chain))
    chain.rollback()
    line = data.draw(st.sampled_from(stored))
    column = data.draw(st.sampled_from([name for name in COLUMNS if name != "place"]))
    was = getattr(line, column).encode()
    place = data.draw(st.integers(0, len(was) - 1))
    changed = bytearray(was)
    changed[place] ^= data.draw(st.integers(1, 255))
    statement = f"update record_entries set {column} = cast(:value as text) where place = :place"
    unguarded(statement, value=bytes(changed), place=int(line.place))
    broken = verify(lines(chain)).broken
    chain.rollback()
    unguarded(statement, value=was, place=int(line.place))
    assert broken is not None
    assert broken.place == int(line.place)
    assert verify(lines(chain)).broken is None
    chain.rollback()


@pytest.mark.on_both
@pytest.mark.parametrize("column", [name for name in COLUMNS if name != "place"])
def test_column_changed_in_either_database_is_found(
    chain: Session, unguarded: Callable[..., None], column: str
) -> None:
    chain.rollback()
    unguarded(f"update record_entries set {column} = :value where place = 4", value="ff" * 13)
    broken = verify(lines(chain)).broken
    assert broken is not None
    assert broken.place == 4


@pytest.mark.on_both
@pytest.mark.parametrize(
    ("statement", "place", "reason"),
    [
        ("delete from record_entries where place = 3", 3, "missing"),
        ("delete from record_entries where place = 1", 1, "missing"),
        ("update record_entries set place = 99 where place = 5", 5, "missing"),
        ("update record_entries set place = 0 where place = 6", 1, "out of order"),
        ("update record_entries set place = -place where place in (2, 3)", 1, "out of order"),
    ],
)
def test_dropped_or_moved_rows_are_found(
    chain: Session, unguarded: Callable[..., None], statement: str, place: int, reason: str
) -> None:
    chain.rollback()
    unguarded(statement)
    broken = verify(lines(chain)).broken
    assert broken is not None
    assert broken.place == place
    assert reason in broken.reason


def test_swapped_entries_are_found_at_the_first(stored: list[Line]) -> None:
    for first in range(len(stored)):
        for second in range(first + 1, len(stored)):
            swapped = list(stored)
            swapped[first], swapped[second] = stored[second], stored[first]
            assert (broken := verify(swapped).broken) is not None
            assert broken.place == first + 1
            places = [replace(one, place=str(n)) for n, one in enumerate(swapped, 1)]
            assert (broken := verify(places).broken) is not None
            assert broken.place == first + 1


def test_entry_put_in_or_twice_is_found(stored: list[Line]) -> None:
    for index in range(len(stored)):
        twice = [*stored[: index + 1], *stored[index:]]
        assert (broken := verify(twice).broken) is not None
        assert broken.place == index + 2


def forged(stored: list[Line], place: int, **other: str) -> list[Line]:
    """The chain with one entry rewritten and all digests after it reckoned anew, as a careful forger would."""
    made: list[Line] = []
    previous = START
    for line in stored:
        columns = {name: getattr(line, name) for name in ("at", "who", "what", "kind", "subject")}
        text = line.entry
        if int(line.place) == place:
            columns |= other
            text = encode(place, **columns, after={"forged": True}).decode()
        digest = link(previous, text.encode())
        made.append(Line(line.place, **columns, entry=text, previous=previous.hex(), digest=digest.hex()))
        previous = digest
    return made


def heads_of(stored: list[Line], key: RecordKey) -> list[SignedHead]:
    return [sign(Head(int(line.place), line.digest), key) for line in stored]


def test_rewritten_chain_fits_itself_but_no_head_from_then_on(stored: list[Line], key: RecordKey) -> None:
    for place in range(2, len(stored) + 1):
        other = forged(stored, place, who="mallory")
        assert verify(other).broken is None, "that is why heads are kept elsewhere"
        for kept in heads_of(stored, key):
            broken = verify(other, heads=[kept]).broken
            assert (broken is None) == (kept.place < place)
            if broken is not None:
                assert broken.place == kept.place
                assert "rewritten" in broken.reason


def test_tail_that_was_cut_off_shows_against_a_head(stored: list[Line], key: RecordKey) -> None:
    kept = heads_of(stored, key)[-1]
    assert verify(stored, heads=[kept]).heads == 1
    for length in range(len(stored)):
        assert verify(stored[:length]).broken is None
        broken = verify(stored[:length], heads=[kept]).broken
        assert broken is not None
        assert broken.place == length + 1
        assert "cut off" in broken.reason


def test_head_of_another_key_or_with_a_changed_member_is_no_witness(
    stored: list[Line], key: RecordKey, tmp_path: Path
) -> None:
    good = heads_of(stored, key)[-1]
    assert verify(stored, heads=[good]).broken is None
    for bad in (
        replace(good, place=good.place - 1),
        replace(good, digest="0" * 64),
        replace(good, at=good.at[:-2] + "0Z" if good.at[-2] != "0" else good.at[:-2] + "1Z"),
        replace(good, signature="0" * 128),
        replace(good, public_key="no key"),
    ):
        assert (broken := verify(stored, heads=[bad]).broken) is not None
        assert "signature" in broken.reason
    stranger = open_key(tmp_path / "stranger.pem")
    broken = verify(stored, heads=[sign(Head(good.place, good.digest), stranger)]).broken
    assert broken is not None
    assert "does not name the key" in broken.reason


def test_handover_of_the_key_is_checked(session: Session, key: RecordKey, tmp_path: Path) -> None:
    from wearvision_api.record.heads import KEY_KIND, introduce

    introduce(session, key)
    second, third = open_key(tmp_path / "2.pem"), open_key(tmp_path / "3.pem")
    introduce(session, second, old=key)
    assert verify(lines(session)).notes == ()
    introduce(session, third)
    assert "nobody vouches" in " ".join(verify(lines(session)).notes)
    assert verify(lines(session)).keys == (key.public, second.public, third.public)
    wrong = {"by": key.public, "signature": second.sign(handover("ab" * 32))}
    append(session, "wearvision", "introduced", KEY_KIND, "ab" * 32, after={"vouched": wrong})
    broken = verify(lines(session)).broken
    assert broken is not None
    assert "vouches" in broken.reason


def test_part_of_a_chain_is_checked_from_what_its_first_entry_says(stored: list[Line], key: RecordKey) -> None:
    part, kept = stored[3:], heads_of(stored, key)
    start = (3, stored[2].digest)
    verdict = verify(part, start=start, heads=kept)
    assert verdict.broken is None
    assert (verdict.entries, verdict.heads) == (4, 5)
    assert verify(part, start=(3, "0" * 64)).broken is not None
    assert verify(part[1:], start=start).broken is not None


@given(st.data())
@settings(max_examples=60, suppress_health_check=list(HealthCheck), deadline=None)
def test_any_byte_of_any_photo_is_found(chain: Session, engine: Engine, tmp_path: Path, data: st.DataObject) -> None:
    """The entry that names the photo is named."""
    blobs = Blobs(f"file://{tmp_path / 'photos'}")
    blobs.check()
    bodies = [bytes(range(n, 120 + n)) for n in (1, 2, 3)]
    stored = list(lines(chain))
    previous, place = stored[-1].digest, len(stored)
    added = []
    for body in bodies:
        place += 1
        name = blobs.put(body)
        at = stored[-1].at
        text = encode(place, at, "anna", "added", "return", "r", photos=[name])
        digest = link(bytes.fromhex(previous), text).hex()
        added.append(Line(str(place), at, "anna", "added", "return", "r", text.decode(), previous, digest))
        previous = digest
    start = (len(stored), stored[-1].digest)

    def look() -> tuple[int, str] | None:
        verdict = verify(added, start=start, photo=photo_check(lambda: Session(engine), blobs))
        return (verdict.broken.place, verdict.broken.reason) if verdict.broken else None

    chain.rollback()
    assert look() is None
    which = data.draw(st.integers(0, 2))
    changed = bytearray(bodies[which])
    changed[data.draw(st.integers(0, len(changed) - 1))] ^= data.draw(st.integers(1, 255))
    name = hashlib.sha256(bodies[which]).hexdigest()
    path = tmp_path / "photos" / name[:2] / name
    path.write_bytes(changed)
    found = look()
    path.unlink()
    gone = look()
    blobs.put(bodies[which])
    assert found is not None
    assert found[0] == len(stored) + which + 1
    assert "was changed" in found[1]
    assert gone is not None
    assert "is gone" in gone[1]


def test_memory_stays_flat_while_a_long_chain_is_walked(key: RecordKey) -> None:
    """Entries come one at a time and none is kept: the peak does not grow with their number."""
    import tracemalloc

    def made(number: int) -> Iterator[Line]:
        previous = START
        for place in range(1, number + 1):
            data = encode(place, "2026-03-02T09:30:00.000000Z", "anna", "changed", "return", "r", after={"n": place})
            digest = link(previous, data)
            columns = (str(place), "2026-03-02T09:30:00.000000Z", "anna", "changed", "return", "r")
            yield Line(*columns, data.decode(), previous.hex(), digest.hex())
            previous = digest

    peaks = []
    for number in (200, 4000):
        tracemalloc.start()
        assert verify(made(number)).entries == number
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[1] < peaks[0] + 65536


@pytest.mark.parametrize(
    "text",
    [
        '{"place":8,"photos":[],"who":"anna","who":"bo"}',
        '{"place":8,"after":{"lot":"1","lot":"2"},"photos":[]}',
        '{"place":8}',
        "[]",
        "8",
        "",
        "[" * 5000,
    ],
)
def test_entry_that_can_be_read_in_two_ways_or_none_is_found(stored: list[Line], text: str) -> None:
    """Its digest fits: whoever appended it meant it so."""
    previous = stored[-1].digest
    digest = link(bytes.fromhex(previous), text.encode()).hex()
    odd = replace(stored[-1], place="8", entry=text, previous=previous, digest=digest)
    broken = verify([*stored, odd]).broken
    assert broken is not None
    assert broken.place == 8
    assert "one way only" in broken.reason


def test_head_of_an_empty_chain_is_its_start(session: Session) -> None:
    assert head(session) == Head(0, START.hex())
    assert verify([]).entries == 0
