"""Zip archives from strangers: opened and read piece by piece, and whatever is wrong with one is said in words."""

from __future__ import annotations

import struct
import zipfile
import zlib
from collections.abc import Iterator
from typing import IO

from wearvision.errors import InputError

PACKED = (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)
"""The library unpacks these piece by piece; of others a few bytes may become gigabytes at once."""
_BROKEN = (
    zipfile.BadZipFile,
    zlib.error,
    struct.error,
    RuntimeError,  # NotImplementedError too
    OSError,
    ValueError,
    EOFError,
    LookupError,  # the library reads names and extra fields without looking whether they are there
    OverflowError,
)


def opened(file: IO[bytes]) -> zipfile.ZipFile:
    """A zip archive. Raises InputError where it is none."""
    try:
        archive = zipfile.ZipFile(file)
    except _BROKEN as error:
        raise InputError("This is no zip archive that can be read.") from error
    if not all(archive.namelist()):
        raise InputError("The archive holds a file without a name.")
    return archive


def is_link(info: zipfile.ZipInfo) -> bool:
    """Whether a member is no plain file: a link, a device."""
    kind = info.external_attr >> 16 & 0o170000
    return kind not in (0, 0o100000)


def chunks_of(archive: zipfile.ZipFile, info: zipfile.ZipInfo, size: int = 1 << 18) -> Iterator[bytes]:
    """A member, piece by piece of at most ``size`` bytes. Raises InputError."""
    name = info.filename
    if info.compress_type not in PACKED:
        raise InputError(f"{name!r:.100} is packed unusually; pack it by 'deflate' or not at all.")
    try:
        with archive.open(info) as file:
            while chunk := file.read(size):
                yield chunk
    except _BROKEN as error:
        raise InputError(f"{name!r:.100} cannot be unpacked: it is damaged, locked, or packed unusually.") from error


def unpacked(archive: zipfile.ZipFile, info: zipfile.ZipInfo, most: int) -> bytes:
    """The bytes of a member, at most ``most``, whatever the archive says of itself. Raises InputError."""
    found = bytearray()
    for chunk in chunks_of(archive, info):
        found += chunk
        if len(found) > most:
            raise _too_much(info.filename, most)
    return bytes(found)


def bounded(file: IO[bytes], name: str, most: int) -> bytes:
    """All of a file. Raises InputError where it has more than ``most`` bytes."""
    data = file.read(most + 1)
    if len(data) > most:
        raise _too_much(name, most)
    return data


def _too_much(name: str, most: int) -> InputError:
    return InputError(f"{name!r:.100} has more than {most} bytes.")
