"""What a photo's file says of how it was taken: when, and whether it was changed since. Hints, never proof."""

from __future__ import annotations

import io
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta, timezone
from typing import Any

from PIL import Image

from wearvision.photo_files import QUIET, form_of, is_overfull, load_reader

_SOFTWARE, _CHANGED, _EXIF_IFD = 0x0131, 0x0132, 0x8769
_TAKEN, _TAKEN_OFFSET, _WIDE, _HIGH = 0x9003, 0x9011, 0xA002, 0xA003
_LATER = timedelta(seconds=10)  # a camera stamps both within the time that it takes to write the file
_MOST_OFFSET = timedelta(hours=14)  # the clocks furthest ahead of UTC


@dataclass(frozen=True, slots=True)
class Capture:
    """Capture data of a file, as far as there is any; every field can be forged or lost on the way.

    Attributes:
        taken: When the shutter opened (EXIF DateTimeOriginal), the camera's local time without zone.
        offset: How far that clock was ahead of UTC (EXIF OffsetTimeOriginal), where it says.
        changed: When the file was last changed (EXIF DateTime), local time.
        software: Program that wrote the file, by its own word; a camera names its own, too.
        recorded_px: Width and height that the camera recorded.
        stored_px: Width and height of the picture as it is stored.
    """

    taken: datetime | None = None
    offset: timedelta | None = None
    changed: datetime | None = None
    software: str = ""
    recorded_px: tuple[int, int] | None = None
    stored_px: tuple[int, int] | None = None

    @property
    def taken_at_earliest(self) -> datetime | None:
        """Earliest moment in UTC, without zone, at which it can have been taken by its own word."""
        if self.taken is None:
            return None
        ahead = _MOST_OFFSET if self.offset is None else self.offset
        try:
            return self.taken - ahead
        except OverflowError:  # a camera's clock may say any year from 1 to 9999
            return datetime.min if ahead > timedelta() else datetime.max

    def signs_of_change(self) -> list[str]:
        """What speaks for a change after the exposure, in words; empty: nothing.

        Weak signs: gallery programs and messengers cause them without any ill will.

        Example:
            >>> Capture(recorded_px=(4000, 3000), stored_px=(1600, 1200)).signs_of_change()
            ['the camera recorded 4000 x 3000 pixels, the file holds 1600 x 1200']
        """
        signs = []
        if self.taken and self.changed and self.changed - self.taken > _LATER:
            by = f" by {self.software!r}" if self.software else ""
            signs.append(f"taken {self.taken:%Y-%m-%d %H:%M:%S}, file changed {self.changed:%Y-%m-%d %H:%M:%S}{by}")
        if self.recorded_px and self.stored_px and sorted(self.recorded_px) != sorted(self.stored_px):
            recorded, stored = (" x ".join(map(str, pair)) for pair in (self.recorded_px, self.stored_px))
            signs.append(f"the camera recorded {recorded} pixels, the file holds {stored}")
        return signs


def read_capture(data: bytes) -> Capture:
    """Capture data of a photo's bytes; damaged data count as none.

    Args:
        data: A file that ``read_photo`` reads; of anything else nothing is known.
    Source: EXIF/TIFF tags 305, 306, 36867, 36881, 40962, 40963.
    """
    form = form_of(data)
    if form is None or is_overfull(data):
        return Capture()
    try:
        with QUIET:
            load_reader(form)
            with Image.open(io.BytesIO(data), formats=[form]) as picture:
                exif = picture.getexif()
                return _capture({**exif, **exif.get_ifd(_EXIF_IFD)}, picture.size)
    except Exception:  # damaged EXIF raises nearly anything; a photo never fails for it
        return Capture()


def _capture(said: Mapping[int, Any], stored: tuple[int, int]) -> Capture:
    wide, high = said.get(_WIDE), said.get(_HIGH)
    return Capture(
        taken=_moment(said.get(_TAKEN)),
        offset=_offset(said.get(_TAKEN_OFFSET)),
        changed=_moment(said.get(_CHANGED)),
        software=str(said.get(_SOFTWARE, "")).strip("\0 ")[:60],
        recorded_px=(wide, high) if isinstance(wide, int) and isinstance(high, int) and wide and high else None,
        stored_px=(int(stored[0]), int(stored[1])),
    )


def _moment(value: object) -> datetime | None:
    try:
        return datetime.strptime(str(value).strip("\0 "), "%Y:%m:%d %H:%M:%S")
    except ValueError:
        return None


def _offset(value: object) -> timedelta | None:
    try:
        zone = datetime.strptime(str(value).strip("\0 "), "%z").tzinfo
    except ValueError:
        return None
    return zone.utcoffset(None) if isinstance(zone, timezone) else None
