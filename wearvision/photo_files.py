"""What files say by their bytes: which form they have, whether a JPEG is whole, and how to load Pillow's reader."""

from __future__ import annotations

import importlib
import re
import threading
import warnings
from types import TracebackType

_FORMATS = {
    b"\xff\xd8\xff": "JPEG",
    b"\x89PNG\r\n\x1a\n": "PNG",
    b"RIFF": "WEBP",
    b"II*\0": "TIFF",
    b"MM\0*": "TIFF",
    b"GIF8": "GIF",
    b"BM": "BMP",
}
_PLUGINS = {"JPEG": "Jpeg", "PNG": "Png", "WEBP": "WebP", "TIFF": "Tiff", "GIF": "Gif", "BMP": "Bmp"}
_HEIF_BRANDS = {b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1"}
_FOREIGN_STARTS = {
    b"%PDF": "a PDF",
    b"%!PS": "PostScript",
    b"8BPS": "a layered picture file",
    b"<svg": "an SVG drawing",
    b"\x00\x00\x01\x00": "an icon",
    b"\x1aE\xdf\xa3": "a video",
}
_JPEG_MARKER = re.compile(rb"\xff[^\x00\x01\xd0-\xd7\xff]", re.DOTALL)  # not a stuffed byte, restart or filler
_EXIF = b"Exif\0\0"
MOST_EXIF = 32
"""Pieces of EXIF in a file; a JPEG with further pictures after it has one for each."""
MOST_SCANS = 100
"""Scans of a JPEG; programs write up to some twenty, and each costs as much as decoding the whole picture."""
_HOLE = bytes(2**16)  # an interrupted copy leaves such holes; a flat white picture has shorter ones


def form_of(data: bytes) -> str | None:
    """The form by the first bytes, None for none that is read."""
    if data[4:8] == b"ftyp" and data[8:12] in _HEIF_BRANDS:
        return "HEIF"
    form = next((form for start, form in _FORMATS.items() if data.startswith(start)), None)
    return None if form == "WEBP" and data[8:12] != b"WEBP" else form


def is_overfull(data: bytes) -> bool:
    """Whether a file holds more pieces of EXIF than any camera writes.

    Pillow joins those of a JPEG one by one, which takes minutes for a thousand of them.
    """
    return data.count(_EXIF) > MOST_EXIF


def load_reader(form: str) -> None:
    """Make Pillow know one form; without this it imports all of its readers, which a cold start feels."""
    if form == "HEIF":
        import pillow_heif

        pillow_heif.register_heif_opener()
    else:
        importlib.import_module(f"PIL.{_PLUGINS[form]}ImagePlugin")


def foreign_kind(data: bytes) -> str | None:
    """What a file is that is known but not read, in words; None where nothing is recognised."""
    start = data[:512].lstrip()
    for mark, kind in _FOREIGN_STARTS.items():
        if data.startswith(mark) or start.startswith(mark):
            return kind
    return "a video or an image in a form that is not read" if data[4:8] == b"ftyp" else None


def jpeg_is_whole(data: bytes) -> bool:
    """True if the marker structure runs without a break to the end of the first picture.

    Cut files, foreign bytes written over the picture and long holes of zeros are found; a few flipped bits
    that leave the structure whole are not, and no decoder reports them. One of more than ``MOST_SCANS`` scans counts as
    damaged.
    """
    position, first_scan, scans = 2, 0, 0
    while (found := _JPEG_MARKER.search(data, position)) is not None:
        marker, position = data[found.end() - 1], found.end()
        if marker == 0xD9:
            return first_scan > 0 and data.find(_HOLE, first_scan, position) < 0
        if not 0xC0 <= marker <= 0xFE or marker == 0xD8:
            return False
        if marker == 0xDA:
            first_scan, scans = first_scan or position, scans + 1
            if scans > MOST_SCANS:
                return False
        position += int.from_bytes(data[position : position + 2], "big")
    return False


class _Quiet:
    """Keeps Pillow's warnings in. Counts its users, for the filters belong to the process, not to a thread."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._users = 0
        self._caught: warnings.catch_warnings[None] | None = None

    def __enter__(self) -> None:
        with self._lock:
            if self._users == 0:
                self._caught = warnings.catch_warnings()
                self._caught.__enter__()
                warnings.simplefilter("ignore")
            self._users += 1

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        with self._lock:
            self._users -= 1
            if self._users == 0 and self._caught is not None:
                self._caught.__exit__(None, None, None)
                self._caught = None


QUIET = _Quiet()
"""Hold this while Pillow works."""
