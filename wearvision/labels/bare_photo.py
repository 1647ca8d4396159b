"""A photo's bytes without what they say of place, device and people: the picture is left, and which way is up.

The pixels of JPEG, PNG and WebP files stay as they are to the bit: only metadata is cut out. Other forms (TIFF, HEIC,
GIF, BMP) are read and written as an upright PNG, which loses nothing of what the program sees.
"""

from __future__ import annotations

import io
import re
import struct
import zlib
from collections.abc import Iterator
from typing import NamedTuple

from PIL import Image

from wearvision.photo import read_photo
from wearvision.photo_files import QUIET, form_of, load_reader

_JPEG_MARKER = re.compile(rb"\xff+([^\x00\xff\xd0-\xd7])", re.DOTALL)
_JPEG_KEPT_APPS = {0xE0, 0xEE}
"""JFIF, and the segment that says how colours are coded; of APP2 the colour profile is kept as well."""

_PNG_START = b"\x89PNG\r\n\x1a\n"
_PNG_DROPPED = {b"eXIf", b"tEXt", b"zTXt", b"iTXt", b"tIME"}
_WEBP_DROPPED = {b"EXIF", b"XMP "}
_WEBP_FLAGS = 0x08 | 0x04
"""Bits of a WebP header that announce EXIF and XMP."""

_ORIENTATION = 0x0112


class Bare(NamedTuple):
    """Bytes without metadata, and the ending that their form has."""

    data: bytes
    ending: str


def bare_photo(data: bytes) -> Bare:
    """A photo without metadata; one that has none comes back as it is.

    Args:
        data: A photo's bytes, in a form that ``read_photo`` reads.

    Raises:
        PhotoError: they are none.
    """
    form = form_of(data)
    if form == "JPEG":
        return Bare(_bare_jpeg(data), "jpg")
    if form == "PNG":
        return Bare(_bare_png(data), "png")
    if form == "WEBP":
        return Bare(_bare_webp(data), "webp")
    return Bare(_as_png(data), "png")


def _orientation(data: bytes) -> int:
    """Which way is up, 1 to 8; 1 where the file doesn't say."""
    load_reader(form_of(data) or "JPEG")
    try:
        with QUIET, Image.open(io.BytesIO(data)) as picture:
            found = picture.getexif().get(_ORIENTATION, 1)
    except (OSError, ValueError, SyntaxError, struct.error):
        return 1
    return found if isinstance(found, int) and 1 <= found <= 8 else 1


def _exif(orientation: int) -> bytes:
    """The shortest EXIF that says which way is up and nothing else."""
    return struct.pack("<2sHIHHHIHHI", b"II", 42, 8, 1, _ORIENTATION, 3, 1, orientation, 0, 0)


def _bare_jpeg(data: bytes) -> bytes:
    """Metadata segments cut out, and whatever follows the first picture (previews, further pictures) cut off."""
    out, position, scanned = [b"\xff\xd8"], 2, False
    orientation = _orientation(data)
    if orientation != 1:
        body = b"Exif\0\0" + _exif(orientation)
        out.append(b"\xff\xe1" + struct.pack(">H", len(body) + 2) + body)
    while (found := _JPEG_MARKER.search(data, position)) is not None:
        marker = found[1][0]
        if marker == 0xD9:
            # What lies between the last segment and the end is the coded picture.
            out.append(data[position : found.end()])
            return b"".join(out)
        length = int.from_bytes(data[found.end() : found.end() + 2], "big")
        if length < 2 or (found.start() != position and not scanned):
            break  # stray bytes between segments: what a decoder makes of them may change with what stands before
        scanned = scanned or marker == 0xDA
        stop = found.end() + length
        out.append(data[position : found.start()])
        if _jpeg_keeps(marker, data[found.end() + 2 : stop]):
            out.append(data[found.start() : stop])
        elif scanned:
            break  # words amid the picture: a decoder that lost its way goes on there
        position = stop
    return _as_png(data)


def _jpeg_keeps(marker: int, body: bytes) -> bool:
    if marker == 0xE2:
        return body.startswith(b"ICC_PROFILE\0")
    app_or_comment = 0xE0 <= marker <= 0xEF or marker == 0xFE
    return not app_or_comment or marker in _JPEG_KEPT_APPS


def _bare_png(data: bytes) -> bytes:
    orientation, out = _orientation(data), [_PNG_START]
    for kind, whole in _png_chunks(data):
        if kind == b"IDAT" and orientation != 1:
            out.append(_png_chunk(b"eXIf", _exif(orientation)))
            orientation = 1
        if kind not in _PNG_DROPPED:
            out.append(whole)
        if kind == b"IEND":
            return b"".join(out)
    return _as_png(data)


def _png_chunks(data: bytes) -> Iterator[tuple[bytes, bytes]]:
    position = len(_PNG_START)
    while position + 12 <= len(data):
        length = int.from_bytes(data[position : position + 4], "big")
        yield data[position + 4 : position + 8], data[position : position + 12 + length]
        position += 12 + length


def _png_chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def _bare_webp(data: bytes) -> bytes:
    """WebP keeps metadata at its end; which way is up goes there again where it matters."""
    orientation, chunks, position = _orientation(data), [], 12
    end = 8 + int.from_bytes(data[4:8], "little")  # what follows belongs to no picture
    while position + 8 <= min(end, len(data)):
        length = int.from_bytes(data[position + 4 : position + 8], "little")
        whole = data[position : position + 8 + length + length % 2]
        if len(whole) < 8 + length:
            return _as_png(data)
        chunks.append((whole[:4], whole))
        position += len(whole)
    kept = [(kind, whole) for kind, whole in chunks if kind not in _WEBP_DROPPED]
    turned = orientation != 1 and any(kind == b"VP8X" for kind, _ in kept)
    body = b"".join(_webp_head(whole, turned) if kind == b"VP8X" else whole for kind, whole in kept)
    if turned:
        exif = _exif(orientation)
        body += b"EXIF" + struct.pack("<I", len(exif)) + exif
    return b"RIFF" + struct.pack("<I", len(body) + 4) + b"WEBP" + body


def _webp_head(whole: bytes, turned: bool) -> bytes:
    return whole[:8] + bytes([whole[8] & ~_WEBP_FLAGS | (0x08 if turned else 0)]) + whole[9:]


def _as_png(data: bytes) -> bytes:
    photo = read_photo(data, working_px=10**6)
    out = io.BytesIO()
    Image.fromarray(photo.image).save(out, "PNG", compress_level=6)
    return out.getvalue()


__all__ = ["Bare", "bare_photo"]
