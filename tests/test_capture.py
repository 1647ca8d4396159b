"""Capture data: against an EXIF block built byte by byte after the TIFF layout, and whatever else files hold."""

from __future__ import annotations

import io
import struct
from datetime import datetime, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from wearvision.capture import Capture, read_capture

TAKEN, OFFSET, CHANGED, SOFTWARE, WIDE, HIGH, INNER = 0x9003, 0x9011, 0x0132, 0x0131, 0xA002, 0xA003, 0x8769
ASCII, LONG = 2, 4


def directory(entries: dict[int, str | int], start: int) -> bytes:
    """A TIFF image file directory, big-endian, that begins at ``start``; texts follow it."""
    table, texts = b"", b""
    after = start + 2 + 12 * len(entries) + 4
    for tag, value in sorted(entries.items()):
        if isinstance(value, int):
            table += struct.pack(">HHII", tag, LONG, 1, value)
        else:
            text = value.encode() + b"\0"
            place = struct.pack(">I", after + len(texts)) if len(text) > 4 else text.ljust(4, b"\0")
            table += struct.pack(">HHI", tag, ASCII, len(text)) + place
            texts += text if len(text) > 4 else b""
    return struct.pack(">H", len(entries)) + table + b"\0\0\0\0" + texts


def photo(outer: dict[int, str | int], inner: dict[int, str | int]) -> bytes:
    """A JPEG of 80 x 64 pixels with an EXIF block of two directories."""
    first = directory({**outer, INNER: 0}, 8)
    block = b"MM\0*\0\0\0\x08" + directory({**outer, INNER: 8 + len(first)}, 8)
    block += directory(inner, len(block))
    out = io.BytesIO()
    Image.fromarray(np.full((64, 80, 3), 90, np.uint8)).save(out, "JPEG")
    segment = b"Exif\0\0" + block
    return out.getvalue()[:2] + b"\xff\xe1" + struct.pack(">H", len(segment) + 2) + segment + out.getvalue()[2:]


def test_every_field_is_read_from_its_own_tag() -> None:
    data = photo(
        {CHANGED: "2026:03:05 08:09:10", SOFTWARE: "firmware 7"},
        {TAKEN: "2026:03:04 05:06:07", OFFSET: "+02:00", WIDE: 80, HIGH: 64},
    )
    assert read_capture(data) == Capture(
        taken=datetime(2026, 3, 4, 5, 6, 7),
        offset=timedelta(hours=2),
        changed=datetime(2026, 3, 5, 8, 9, 10),
        software="firmware 7",
        recorded_px=(80, 64),
        stored_px=(80, 64),
    )
    assert read_capture(data).taken_at_earliest == datetime(2026, 3, 4, 3, 6, 7)


def test_without_a_zone_the_earliest_moment_is_that_of_the_clocks_furthest_ahead() -> None:
    assert Capture(taken=datetime(2026, 3, 4, 20)).taken_at_earliest == datetime(2026, 3, 4, 6)
    assert Capture().taken_at_earliest is None


@pytest.mark.parametrize(
    "written", ["    :  :     :  :  ", "0000:00:00 00:00:00", "2026-03-04", "", "2026:13:04 05:06:07"]
)
def test_a_blank_or_impossible_time_is_none(written: str) -> None:
    assert read_capture(photo({}, {TAKEN: written})).taken is None


@pytest.mark.parametrize(
    ("inner", "outer", "signs"),
    [
        ({TAKEN: "2026:03:04 05:06:07"}, {CHANGED: "2026:03:04 05:06:09"}, 0),
        ({TAKEN: "2026:03:04 05:06:07"}, {CHANGED: "2026:03:04 05:16:07", SOFTWARE: "a program"}, 1),
        ({WIDE: 64, HIGH: 80}, {}, 0),
        ({WIDE: 4000, HIGH: 3200}, {}, 1),
        ({TAKEN: "2026:03:04 05:06:07", WIDE: 4000, HIGH: 3200}, {CHANGED: "2026:04:04 05:06:07"}, 2),
    ],
)
def test_signs_of_change(inner: dict[int, str | int], outer: dict[int, str | int], signs: int) -> None:
    found = read_capture(photo(outer, inner)).signs_of_change()
    assert len(found) == signs
    assert SOFTWARE not in outer or "'a program'" in found[0]


@settings(max_examples=60, deadline=None)
@given(st.integers(20, 200), st.binary(min_size=1, max_size=40))
def test_damaged_blocks_never_stop_a_photo(place: int, junk: bytes) -> None:
    data = bytearray(photo({CHANGED: "2026:03:05 08:09:10"}, {TAKEN: "2026:03:04 05:06:07"}))
    data[place : place + len(junk)] = junk
    assert isinstance(read_capture(bytes(data)), Capture)


def test_what_is_no_photo_says_nothing() -> None:
    assert read_capture(b"") == Capture()
    assert read_capture(b"%PDF-1.7 nothing to see") == Capture()
