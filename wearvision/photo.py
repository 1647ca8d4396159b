"""From the bytes of a photo to an upright RGB picture at working size.

A large JPEG is decoded at a half, a quarter or an eighth: the decoder skips most of its work then.
Everything else goes through Pillow. Whatever goes wrong below becomes one of our typed errors here,
and here only.
"""

from __future__ import annotations

import hashlib
import io
import os
import stat
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from wearvision.errors import (
    EmptyPhoto,
    NotAnImage,
    PhotoError,
    PhotoTooLarge,
    PhotoTooSmall,
    TruncatedPhoto,
    UnsupportedPhoto,
)
from wearvision.photo_files import QUIET, foreign_kind, form_of, is_overfull, jpeg_is_whole, load_reader
from wearvision.steps import Step

BACKDROP_CODE = 128
"""Transparent pixels are laid over this mid grey."""

_JPEG_FORMATS = {"JPEG", "MPO"}  # MPO: a JPEG with further pictures after it, as phones write
_REDUCTIONS = {
    1: cv2.IMREAD_COLOR,
    2: cv2.IMREAD_REDUCED_COLOR_2,
    4: cv2.IMREAD_REDUCED_COLOR_4,
    8: cv2.IMREAD_REDUCED_COLOR_8,
}
_NEAR_ENOUGH = 0.9  # a reduction that lands this near the working size is taken as it is: half the decoding time
_ORIENTATION, _EXIF_IFD, _DATE_TIME_ORIGINAL = 0x0112, 0x8769, 0x9003
_STRIP_PIXELS = 1 << 20
_RETAKE = "take the picture again or send the original file"


@dataclass(frozen=True, slots=True)
class ReadLimits:
    """What the reader accepts.

    Attributes:
        max_bytes: Largest file.
        max_pixels: Largest picture by its header, before anything is decoded. Pillow's own bomb limit
            (about 179 million) stands above it.
        max_pixels_whole: The same where the picture must be decoded whole, which is all but usual JPEG: a file of
            some hundred bytes may unpack to so many. Phones write up to 49 million as HEIC.
        min_side_px: Shortest short side that can hold a part.
        max_sides: Longest side over the short one; what is longer is a strip, not a photo.
    """

    max_bytes: int = 64 * 2**20
    max_pixels: int = 120_000_000
    max_pixels_whole: int = 50_000_000
    min_side_px: int = 64
    max_sides: int = 20


@dataclass(frozen=True, eq=False)
class Photo:
    """A photo that was read.

    Attributes:
        name: File name, or ``"<bytes>"``.
        sha256: Of the file's bytes, hex.
        image: Upright RGB, (h, w, 3) uint8, long side about the working size, never enlarged.
        full_size: (H, W) of the file's picture, upright.
        scale: Working size over full size, 0 to 1.
        taken: When the camera says that it was taken (its local time), or None.
        format: ``"JPEG"``, ``"PNG"``, …
        decode_reduction: The picture was decoded at one over this: 1, 2, 4 or 8.
    """

    name: str
    sha256: str
    image: NDArray[np.uint8] = field(repr=False)
    full_size: tuple[int, int]
    scale: float
    taken: datetime | None
    format: str
    decode_reduction: int
    _data: bytes = field(repr=False)

    def full_region(self, row0: float, col0: float, row1: float, col1: float) -> NDArray[np.uint8]:
        """A region at full resolution; the whole file is decoded for it, each time.

        Args:
            row0: Top edge in working pixels (inclusive); col0 the left, row1 the bottom, col1 the right edge.
                Parts outside the picture are left off.
        Returns:
            RGB, (about (row1 - row0) / scale, about (col1 - col0) / scale, 3) uint8.
        Raises:
            ValueError: nothing of the picture lies in the region.
        """
        height, width = self.full_size
        top, left = (max(0, int(np.floor(edge / self.scale))) for edge in (row0, col0))
        bottom = min(height, int(np.ceil(row1 / self.scale)))
        right = min(width, int(np.ceil(col1 / self.scale)))
        if top >= bottom or left >= right:
            raise ValueError(f"nothing of the picture {self.image.shape[:2]} lies in {(row0, col0, row1, col1)}")
        if self.image.shape[:2] == self.full_size:
            return self.image[top:bottom, left:right].copy()
        with _open(self._data, self.name) as picture:
            whole = _decode(picture, self._data, self.name, None)[0]
        return whole[top:bottom, left:right].copy()


@dataclass(frozen=True, slots=True)
class _Header:
    """What a file says of itself before anything is decoded (orientation as stored)."""

    format: str
    mode: str
    width: int
    height: int


def read_photo(
    source: bytes | str | os.PathLike[str], *, working_px: int = 1024, limits: ReadLimits | None = None
) -> Photo:
    """Read a photo: JPEG, PNG, WebP, TIFF, HEIC/HEIF, GIF or BMP, whatever the file's name ends in.

    Transparent pixels lie over mid grey, of an animation the first frame counts, 16-bit grey is scaled to
    8 bit. Codes are taken as sRGB; an embedded colour profile is not applied.

    Args:
        source: The file's bytes or its path.
        working_px: Long side of the picture handed on, >= 64; smaller pictures stay as they are.
        limits: What is accepted; None for the defaults.
    Raises:
        EmptyPhoto, NotAnImage, TruncatedPhoto, PhotoTooLarge, PhotoTooSmall, UnsupportedPhoto: as they say.
        PhotoError: the path can't be read.
        ValueError: working_px is under 64.
    """
    if working_px < 64:
        raise ValueError(f"working_px must be at least 64, got {working_px}")
    limits = limits or ReadLimits()
    with Step("load"):
        name, data = _load(source, limits)
    with Step("open"):
        opened = _open(data, name)
    with opened as picture:
        form = _checked(picture, name, limits).format
        with Step("hash"):
            digest = hashlib.sha256(data).hexdigest()
        image, full_size, taken, reduction = _decode(picture, data, name, working_px)
    return Photo(
        name=name,
        sha256=digest,
        image=image,
        full_size=full_size,
        scale=max(image.shape[:2]) / max(full_size),
        taken=taken,
        format="JPEG" if form in _JPEG_FORMATS else form,
        decode_reduction=reduction,
        _data=data,
    )


def _load(source: bytes | str | os.PathLike[str], limits: ReadLimits) -> tuple[str, bytes]:
    """Name and bytes; the size is looked at before a file is read."""
    if isinstance(source, (bytes, bytearray, memoryview)):
        name, data = "<bytes>", bytes(source)
    else:
        path = Path(source)
        name = path.name or str(path)
        try:
            status = path.stat()
            if not stat.S_ISREG(status.st_mode):
                raise PhotoError(f"{name} is not a file; give the path of a photo.")
            _check_bytes(name, status.st_size, limits)
            data = path.read_bytes()
        except FileNotFoundError as error:
            raise PhotoError(f"There is no file {path}; check the path.") from error
        except (OSError, ValueError) as error:
            reason = getattr(error, "strerror", None) or str(error)
            raise PhotoError(f"{name} could not be read: {reason}.") from error
    if not data:
        raise EmptyPhoto(f"{name} holds no bytes; {_RETAKE}.")
    _check_bytes(name, len(data), limits)
    return name, data


def _check_bytes(name: str, size: int, limits: ReadLimits) -> None:
    if size > limits.max_bytes:
        raise PhotoTooLarge(
            f"{name} has {size / 2**20:.1f} MiB, at most {limits.max_bytes / 2**20:.1f} are read; "
            "save it smaller or with stronger compression."
        )


def _header(picture: Image.Image) -> _Header:
    return _Header(picture.format or "", picture.mode, *picture.size)


def _checked(picture: Image.Image, name: str, limits: ReadLimits) -> _Header:
    """Format and size by the header, checked against the limits."""
    header = _header(picture)
    pixels = header.width * header.height
    most, advice = limits.max_pixels, "save it smaller"
    if not _reducible(header):
        most, advice = min(most, limits.max_pixels_whole), "save it smaller, or as JPEG"
    if pixels > most:
        raise PhotoTooLarge(
            f"{name} has {pixels / 1e6:.0f} million pixels, at most {most / 1e6:.0f} are read of its form; {advice}."
        )
    if min(header.width, header.height) < limits.min_side_px:
        raise PhotoTooSmall(
            f"{name} is {header.width} x {header.height} pixels, the short side needs {limits.min_side_px}; "
            "send the original photo, not a preview."
        )
    if max(header.width, header.height) > limits.max_sides * min(header.width, header.height):
        raise UnsupportedPhoto(
            f"{name} is a strip of {header.width} x {header.height} pixels, no photo; one side may be "
            f"{limits.max_sides} times the other at most."
        )
    return header


def _reducible(header: _Header) -> bool:
    """Whether the decoder can skip most of a large picture."""
    return header.format in _JPEG_FORMATS and header.mode in ("RGB", "L")


def _open(data: bytes, name: str) -> Image.Image:
    """Pillow's lazy picture; its errors and warnings end here."""
    form = form_of(data)
    if form is None:
        raise _unreadable(data, name)
    if is_overfull(data):
        raise UnsupportedPhoto(f"{name} holds more capture data than any camera writes; save it without them.")
    try:
        with QUIET:
            load_reader(form)
            return Image.open(io.BytesIO(data), formats=[form])
    except ImportError as error:
        raise UnsupportedPhoto(f"{name} is {form}, whose reader is not installed; send it as JPEG.") from error
    except Image.DecompressionBombError as error:
        raise PhotoTooLarge(f"{name} unpacks to more pixels than can be read safely; save it smaller.") from error
    except MemoryError as error:
        raise PhotoTooLarge(f"{name} needs more memory than there is; save it smaller.") from error
    except Exception as error:  # damaged headers raise nearly anything
        raise TruncatedPhoto(f"{name} starts as {form}, but its header is damaged or cut off; {_RETAKE}.") from error


def _unreadable(data: bytes, name: str) -> PhotoError:
    """The most telling error for bytes in no form that is read."""
    kind = foreign_kind(data)
    if kind is not None:
        return UnsupportedPhoto(f"{name} is {kind}; send a photo as JPEG, PNG, WebP, TIFF or HEIC.")
    return NotAnImage(f"{name} is not an image; send a photo as JPEG, PNG, WebP, TIFF or HEIC.")


def _decode(
    picture: Image.Image, data: bytes, name: str, working_px: int | None
) -> tuple[NDArray[np.uint8], tuple[int, int], datetime | None, int]:
    """Upright picture (full size for working_px None), upright full size, time taken, reduction."""
    header = _header(picture)
    try:
        with QUIET:
            if _reducible(header):
                stored, reduction = _decode_jpeg(data, name, header, working_px)
            else:
                with Step("decode"):
                    stored, reduction = _decode_other(picture, name), 1
            height, width = stored.shape[:2] if reduction == 1 else (header.height, header.width)
            with Step("capture data"):
                exif = _exif(picture)
    except PhotoError:
        raise
    except MemoryError as error:
        raise PhotoTooLarge(f"{name} needs more memory than there is; save it smaller.") from error
    except Exception as error:  # every decoder has its own errors; all mean damaged data
        raise TruncatedPhoto(f"{name} breaks off or is damaged; {_RETAKE}.") from error
    orientation = exif.get(_ORIENTATION, 1)
    with Step("shrink and turn"):
        image = upright(_shrink(stored, working_px), orientation)
    full_size = (width, height) if orientation in (5, 6, 7, 8) else (height, width)
    return image, full_size, _taken(exif), reduction


def _decode_jpeg(data: bytes, name: str, header: _Header, working_px: int | None) -> tuple[NDArray[np.uint8], int]:
    """RGB as stored, and the reduction it was decoded at."""
    # OpenCV's reader fills what is missing with grey and says nothing, so the end is looked for first.
    with Step("whole"):
        whole = jpeg_is_whole(data)
    if not whole:
        raise TruncatedPhoto(f"{name} breaks off before the end of the picture; {_RETAKE}.")
    reduction = jpeg_reduction(max(header.width, header.height), working_px)
    codes = np.frombuffer(data, np.uint8)
    with Step("decode"):
        decoded = cv2.imdecode(codes, _REDUCTIONS[reduction] | cv2.IMREAD_IGNORE_ORIENTATION)
    expected = (-(-header.height // reduction), -(-header.width // reduction))
    if decoded is None or decoded.shape[:2] != expected:
        raise TruncatedPhoto(f"{name} is damaged; {_RETAKE}.")
    # In place of a copy: this array is nobody else's yet.
    return np.asarray(cv2.cvtColor(decoded, cv2.COLOR_BGR2RGB, dst=decoded), np.uint8), reduction


def jpeg_reduction(long_side: int, working_px: int | None) -> int:
    """The strongest of 1, 2, 4, 8 that keeps the long side at about ``working_px`` or above.

    Example:
        >>> jpeg_reduction(4032, 1024), jpeg_reduction(3000, 1024), jpeg_reduction(900, 1024)
        (4, 2, 1)
    """
    if working_px is None:
        return 1
    return max((step for step in _REDUCTIONS if long_side / step >= _NEAR_ENOUGH * working_px), default=1)


def _decode_other(picture: Image.Image, name: str) -> NDArray[np.uint8]:
    """RGB of the first frame, whatever the mode."""
    picture.seek(0)
    picture.load()
    mode = picture.mode
    if mode == "F":
        raise _no_white(name)
    # By strips: the converted copies of a large picture would take several times its own memory.
    decoded = np.empty((picture.height, picture.width, 3), np.uint8)
    tall = max(1, _STRIP_PIXELS // picture.width)
    for top in range(0, picture.height, tall):
        strip = picture.crop((0, top, picture.width, min(top + tall, picture.height)))
        decoded[top : top + tall] = _from_deep_grey(strip, name) if mode.startswith("I") else _from_colours(strip)
    return decoded


def _from_colours(picture: Image.Image) -> NDArray[np.uint8]:
    """RGB; what is transparent lies over the backdrop."""
    if "transparency" in picture.info or picture.mode in ("LA", "La", "PA", "RGBA", "RGBa"):
        backdrop = Image.new("RGBA", picture.size, (BACKDROP_CODE,) * 3 + (255,))
        picture = Image.alpha_composite(backdrop, picture.convert("RGBA"))
    return np.asarray(picture.convert("RGB"), np.uint8)


def _from_deep_grey(picture: Image.Image, name: str) -> NDArray[np.uint8]:
    """16-bit grey scaled to 8 bit, (h, w, 1); wider integers have no agreed white."""
    values = np.asarray(picture)
    if values.size and (values.min() < 0 or values.max() > 65535):
        raise _no_white(name)
    return np.round(values.astype(np.float32) / 257).astype(np.uint8)[..., None]


def _no_white(name: str) -> UnsupportedPhoto:
    return UnsupportedPhoto(f"{name} holds numbers without an agreed white level; save it as 8- or 16-bit picture.")


def _shrink(image: NDArray[np.uint8], working_px: int | None) -> NDArray[np.uint8]:
    """At most working_px on the long side, by area means."""
    long_side = max(image.shape[:2])
    if working_px is None or long_side <= working_px:
        return image
    height, width = (max(1, round(side * working_px / long_side)) for side in image.shape[:2])
    return np.asarray(cv2.resize(image, (width, height), interpolation=cv2.INTER_AREA), np.uint8)


def upright(image: NDArray[np.uint8], orientation: object) -> NDArray[np.uint8]:
    """The picture as it was seen, from its stored form and its EXIF orientation (1 to 8, else taken as 1)."""
    if orientation in (5, 6, 7, 8):
        image = np.transpose(image, (1, 0, 2))
    if orientation in (3, 4, 7, 8):
        image = image[::-1]
    if orientation in (2, 3, 6, 7):
        image = image[:, ::-1]
    return np.ascontiguousarray(image)


def _exif(picture: Image.Image) -> dict[int, Any]:
    """Orientation and time, as far as they can be read; damaged EXIF never stops a photo."""
    try:
        exif = picture.getexif()
        return {**exif.get_ifd(_EXIF_IFD), _ORIENTATION: exif.get(_ORIENTATION, 1)}
    except Exception:
        return {}


def _taken(exif: dict[int, Any]) -> datetime | None:
    value = exif.get(_DATE_TIME_ORIGINAL)
    try:
        return datetime.strptime(str(value).strip("\0 "), "%Y:%m:%d %H:%M:%S")
    except ValueError:
        return None
