"""Photos as somebody makes them who wants memory, time or a page of ours: real files, written piece by piece."""

from __future__ import annotations

import io
import struct
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from PIL import Image

SAMPLES = Path(__file__).parents[2] / "sample_images"
HTML = b"<html><script>alert(1)</script></html>"


def png(
    width: int, height: int, *, depth: int = 8, colour: int = 2, rows: int | None = None, before: bytes = b""
) -> bytes:
    """A PNG of zeros that shrinks to nearly nothing: ``rows`` of them are really there; None for all."""
    channels = {0: 1, 2: 3, 3: 1, 4: 2, 6: 4}[colour]
    stride = 1 + -(-width * channels * depth // 8)
    packer, line = zlib.compressobj(9), bytes(stride)
    count = height if rows is None else rows
    packed = b"".join(packer.compress(line) for _ in range(count)) + packer.flush()
    head = _chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, depth, colour, 0, 0, 0))
    palette = _chunk(b"PLTE", bytes(768)) if colour == 3 else b""
    return b"\x89PNG\r\n\x1a\n" + head + before + palette + _chunk(b"IDAT", packed) + _chunk(b"IEND", b"")


def _chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def tiff(width: int, height: int, *, samples: int = 3, bits: int = 8, packed: bool = True) -> bytes:
    """A TIFF of one strip of zeros, deflated; without ``packed`` it only says that it holds so much."""
    packer = zlib.compressobj(9)
    line = bytes(width * samples * bits // 8)
    body = b"".join(packer.compress(line) for _ in range(height if packed else 1)) + packer.flush()
    extra = 8 + 2 + 12 * 10 + 4
    tags = [
        (256, 4, 1, width),
        (257, 4, 1, height),
        (258, 3, samples, bits if samples == 1 else extra),
        (259, 3, 1, 8),
        (262, 3, 1, 2 if samples >= 3 else 1),
        (273, 4, 1, extra + 2 * samples),
        (277, 3, 1, samples),
        (278, 4, 1, height),
        (279, 4, 1, len(body)),
        (284, 3, 1, 1),
    ]
    entries = b"".join(struct.pack("<HHII", *tag) for tag in tags)
    return (
        b"II*\0"
        + struct.pack("<IH", 8, len(tags))
        + entries
        + bytes(4)
        + struct.pack(f"<{samples}H", *[bits] * samples)
        + body
    )


def bmp(width: int, height: int) -> bytes:
    """A bitmap that says how large it is and holds nothing."""
    return (
        b"BM"
        + struct.pack("<IHHI", 54, 0, 0, 54)
        + struct.pack("<IiiHHIIiiII", 40, width, height, 1, 24, 0, 0, 0, 0, 0, 0)
    )


def gif(width: int, height: int, frames: int = 1) -> bytes:
    """A GIF whose frames cover a small corner of a large canvas."""
    out = io.BytesIO()
    tiny = Image.new("P", (64, 64))
    tiny.save(
        out, "GIF", save_all=True, append_images=[Image.new("P", (64, 64), n % 7) for n in range(1, frames)], loop=0
    )
    data = bytearray(out.getvalue())
    data[6:10] = struct.pack("<HH", width, height)
    return bytes(data)


@cache
def sample() -> bytes:
    """A sample photo as JPEG."""
    return sorted(SAMPLES.glob("flame_cell*.jpg"))[0].read_bytes()


def coded(form: str, size: tuple[int, int], mode: str = "RGB", **how: object) -> bytes:
    """One colour in a form that Pillow writes."""
    if form == "HEIF":
        import pillow_heif

        pillow_heif.register_heif_opener()
    out = io.BytesIO()
    Image.new(mode, size).save(out, form, **how)
    return out.getvalue()


def scans(count: int) -> bytes:
    """A progressive JPEG whose last scan is there ``count`` times: each costs as much as the picture."""
    out = io.BytesIO()
    Image.new("L", (4000, 4000), 90).save(out, "JPEG", progressive=True)
    data = out.getvalue()
    last = data.rindex(b"\xff\xda")
    return data[:-2] + data[last:-2] * count + data[-2:]


def segments(marker: int, head: bytes, total: int) -> bytes:
    """A JPEG with ``total`` bytes of metadata segments before its picture."""
    data, size = sample(), 65_000
    one = bytes([0xFF, marker]) + struct.pack(">H", size + len(head) + 2) + head + b"A" * size
    return data[:2] + one * (total // len(one)) + data[2:]


def icc_parts(parts: int = 255) -> bytes:
    """A JPEG whose colour profile comes in 255 parts of 65 thousand bytes."""
    data = sample()
    made = []
    for number in range(1, parts + 1):
        head = b"ICC_PROFILE\0" + bytes([number, parts])
        made.append(b"\xff\xe2" + struct.pack(">H", 65_000 + len(head) + 2) + head + bytes(65_000))
    return data[:2] + b"".join(made) + data[2:]


def ifd_ring() -> bytes:
    """A JPEG whose EXIF directories point at themselves."""
    body = (
        struct.pack("<2sHIH", b"II", 42, 8, 2)
        + struct.pack("<HHII", 0x8769, 4, 1, 8)
        + struct.pack("<HHII", 0x8825, 4, 1, 8)
    )
    whole = b"Exif\0\0" + body + struct.pack("<I", 8)
    return sample()[:2] + b"\xff\xe1" + struct.pack(">H", len(whole) + 2) + whole + sample()[2:]


def tiff_chain(count: int) -> bytes:
    """A TIFF of a small picture with very many directories after it."""
    out = io.BytesIO()
    Image.new("RGB", (80, 80)).save(out, "TIFF")
    data = bytearray(out.getvalue())
    first = struct.unpack_from("<I", data, 4)[0]
    entries = struct.unpack_from("<H", data, first)[0]
    link, at = first + 2 + 12 * entries, len(data)
    struct.pack_into("<I", data, link, at)
    for number in range(count):
        data += struct.pack("<HHHIII", 1, 256, 4, 1, 80, 0 if number == count - 1 else at + 18)
        at += 18
    return bytes(data)


@dataclass(frozen=True)
class Hostile:
    """One such file.

    Attributes:
        make: Gives its bytes.
        code: Of the error that refuses it; None where it is read.
        is_slow: Making or reading it takes seconds.
    """

    make: Callable[[], bytes]
    code: str | None = None
    is_slow: bool = False


def _bomb(kind: bytes) -> bytes:
    return png(80, 80, before=_chunk(kind, b"a\0\0" + zlib.compress(bytes(200 << 20), 9)))


PHOTOS: dict[str, Hostile] = {
    "png says 50000 x 50000": Hostile(lambda: png(50_000, 50_000, rows=1), "too_large"),
    "png says 2^31 x 1": Hostile(lambda: png(2**31 - 1, 1, rows=0), "too_large"),
    "png says 119 Mpx": Hostile(lambda: png(10_900, 10_900, rows=2), "too_large"),
    "png says 49 Mpx": Hostile(lambda: png(7_000, 7_000, rows=2)),
    "png rgb 49 Mpx": Hostile(lambda: png(7_000, 7_000), None, True),
    "png rgba 49 Mpx": Hostile(lambda: png(7_000, 7_000, colour=6), None, True),
    "png rgba 16 bit 49 Mpx": Hostile(lambda: png(7_000, 7_000, colour=6, depth=16), None, True),
    "png palette 49 Mpx": Hostile(lambda: png(7_000, 7_000, colour=3), None, True),
    "png grey 16 bit 49 Mpx": Hostile(lambda: png(7_000, 7_000, colour=0, depth=16), None, True),
    "png strip 1000000 x 64": Hostile(lambda: png(1_000_000, 64, rows=1), "too_large"),
    "png strip 500000 x 64": Hostile(lambda: png(500_000, 64, rows=1), "unsupported"),
    "png strip 64 x 500000": Hostile(lambda: png(64, 500_000, rows=1), "unsupported"),
    "png text bomb": Hostile(lambda: _bomb(b"zTXt"), "truncated", True),
    "png profile bomb": Hostile(lambda: _bomb(b"iCCP"), "truncated", True),
    "tiff rgb 49 Mpx": Hostile(lambda: tiff(7_000, 7_000), None, True),
    "tiff rgb 16 bit 49 Mpx": Hostile(lambda: tiff(7_000, 7_000, bits=16), None, True),
    "tiff says 49 Mpx": Hostile(lambda: tiff(7_000, 7_000, packed=False), "truncated"),
    "tiff of 16 samples": Hostile(lambda: tiff(400, 400, samples=16), "truncated"),
    "tiff strip 700000 x 64": Hostile(lambda: tiff(700_000, 64, packed=False), "unsupported"),
    "tiff of 200000 directories": Hostile(lambda: tiff_chain(200_000)),
    "bmp says 49 Mpx": Hostile(lambda: bmp(7_000, 7_000), "truncated"),
    "bmp says 2^30 x 2^30": Hostile(lambda: bmp(2**30, 2**30), "too_large"),
    "gif canvas of 49 Mpx": Hostile(lambda: gif(7_000, 7_000)),
    "gif of 2000 frames": Hostile(lambda: gif(4_000, 4_000, 2_000)),
    "webp 16383 x 3000": Hostile(
        lambda: coded("WEBP", (16_383, 3_000), lossless=True, method=0, quality=0), None, True
    ),
    "webp of 300 frames": Hostile(lambda: coded("WEBP", (256, 256), "RGBA", save_all=True, append_images=_frames(299))),
    "heic says 60000 x 60000": Hostile(lambda: heic(60_000, 60_000), "too_large"),
    "heic says 7000 x 7000": Hostile(lambda: heic(7_000, 7_000), "truncated"),
    "jpeg 10900 x 10900": Hostile(lambda: coded("JPEG", (10_900, 10_900), "L", quality=1), None, True),
    "jpeg strip 65500 x 64": Hostile(lambda: coded("JPEG", (65_500, 64), quality=1), "unsupported"),
    "jpeg cmyk 49 Mpx": Hostile(lambda: coded("JPEG", (7_000, 7_000), "CMYK", quality=1), None, True),
    "jpeg of 300 scans": Hostile(lambda: scans(300), "truncated"),
    "jpeg with 60 MB of EXIF": Hostile(lambda: segments(0xE1, b"Exif\0\0", 60 << 20), "unsupported"),
    "jpeg with 60 MB of comments": Hostile(lambda: segments(0xFE, b"", 60 << 20)),
    "jpeg with 16 MB of profile": Hostile(icc_parts),
    "jpeg with EXIF in a ring": Hostile(ifd_ring),
    "jpeg, then html": Hostile(lambda: sample() + HTML),
    "html in a jpeg comment": Hostile(lambda: sample()[:2] + b"\xff\xfe" + _sized(HTML) + sample()[2:]),
    "gif that is a script": Hostile(lambda: b"GIF89a/*" + gif(64, 64)[8:] + b"*/=1;alert(1)//", "unsupported"),
    "pdf, then jpeg": Hostile(lambda: b"%PDF-1.4\n" + sample(), "unsupported"),
    "jpeg, then zip": Hostile(lambda: sample() + b"PK\5\6" + bytes(18)),
    "svg": Hostile(lambda: b'<svg xmlns="http://www.w3.org/2000/svg" onload="alert(1)"/>', "unsupported"),
    "html": Hostile(lambda: HTML, "not_an_image"),
}
"""Name to file; none is larger than what an upload may have."""


def _frames(count: int) -> list[Image.Image]:
    return [Image.new("RGBA", (256, 256), (number % 256, 0, 0, 0)) for number in range(count)]


def _sized(body: bytes) -> bytes:
    return struct.pack(">H", len(body) + 2) + body


def heic(width: int, height: int) -> bytes:
    """A HEIC of 64 by 64 pixels that says that it is larger (box ``ispe``)."""
    data = bytearray(coded("HEIF", (64, 64)))
    at = data.index(b"ispe")
    data[at + 8 : at + 16] = struct.pack(">II", width, height)
    return bytes(data)
