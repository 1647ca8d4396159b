"""Readers of pictures: photo bytes in every form, capture data, metadata cut out, and return tags in pixels."""

from __future__ import annotations

import io
from collections.abc import Sequence
from functools import cache
from pathlib import Path

import cv2
import numpy as np
from feed import Feed
from PIL import Image, ImageCms
from target import Target

from wearvision.capture import read_capture
from wearvision.errors import InputError
from wearvision.labels.bare_photo import bare_photo
from wearvision.photo import ReadLimits, read_photo
from wearvision.return_numbers import with_check_digits
from wearvision.return_tag import read_return_tags

SAMPLES = Path(__file__).parents[2] / "sample_images"
LIMITS = ReadLimits(max_bytes=1 << 20, max_pixels=4_000_000, min_side_px=16)
"""Small, so that an input takes little time; what stands at the real limits is tested in ``tests/hostile``."""
FORMS = ("JPEG", "PNG", "WEBP", "TIFF", "GIF", "BMP", "HEIF")


def photo(data: bytes) -> None:
    """A photo is read as a sound picture or refused in words; what else is read of a file agrees."""
    try:
        found = read_photo(data, working_px=64, limits=LIMITS)
    except InputError:
        read_capture(data)
        return
    height, width = found.full_size
    assert found.image.dtype == np.uint8
    assert found.image.shape[2:] == (3,)
    assert max(found.image.shape[:2]) <= 64 or found.decode_reduction > 1
    assert height * width <= LIMITS.max_pixels
    assert 0 < found.scale <= 1
    read_capture(data).signs_of_change()


def bare(data: bytes) -> None:
    """A photo without its metadata is the same picture."""
    try:
        before = read_photo(data, working_px=64, limits=LIMITS)
        stripped = bare_photo(data).data
    except InputError:
        return
    after = read_photo(stripped, working_px=64, limits=ReadLimits(max_bytes=1 << 24, min_side_px=16))
    assert after.full_size == before.full_size
    assert np.array_equal(after.image, before.image)


def tag(data: bytes) -> None:
    """A picture made of a tag and of what the bytes do to it never gives more than numbers with right check digits."""
    feed = Feed(data)
    picture = _base(feed.byte() % 3).copy()
    for _ in range(feed.byte() % 12):
        picture = _hurt(picture, feed)
    left = np.frombuffer(feed.rest()[: picture.size], np.uint8)
    picture.reshape(-1)[: left.size] = left
    for found in read_return_tags(picture):
        assert found.number is None or with_check_digits(found.number[:-2].replace("-", "")) == found.number
        found.to_dict()


def _hurt(picture: np.ndarray, feed: Feed) -> np.ndarray:
    height, width = picture.shape[:2]
    kind, a, b, c, d = (feed.byte() for _ in range(5))
    at, to = (a * width // 256, b * height // 256), (c * width // 256, d * height // 256)
    if kind % 6 == 0:
        return np.asarray(cv2.rectangle(picture, at, to, kind, -1 if kind & 64 else 1))
    if kind % 6 == 1:
        return np.asarray(cv2.line(picture, at, to, kind, 1 + kind % 9))
    if kind % 6 == 2:
        corners = np.array([[0, 0], [width, 0], [width, height], [0, height]], np.float32)
        moved = corners + np.array([[a - 128, b - 128], [c - 128, d - 128], [b - 128, c - 128], [d - 128, a - 128]]) / 8
        return np.asarray(
            cv2.warpPerspective(
                picture, cv2.getPerspectiveTransform(corners, moved.astype(np.float32)), (width, height)
            )
        )
    if kind % 6 == 3:
        return np.asarray(cv2.GaussianBlur(picture, (0, 0), 0.3 + a / 64))
    if kind % 6 == 4:
        return np.ascontiguousarray(np.rot90(picture, kind // 6))
    return np.asarray(cv2.convertScaleAbs(picture, alpha=a / 64, beta=b - 128))


@cache
def _base(kind: int) -> np.ndarray:
    """A tag as it is drawn for the tests, straight from above, small; a noise; a grey."""
    if kind == 1:
        return np.random.default_rng(7).integers(0, 256, (160, 220), np.uint8)
    if kind == 2:
        return np.full((120, 200), 200, np.uint8)
    from tag_scenes import painted

    return np.asarray(cv2.resize(painted(), None, fx=0.34, fy=0.34, interpolation=cv2.INTER_AREA))


@cache
def photo_seeds() -> Sequence[bytes]:
    """Sample photos, small, in every form and in the odd modes that programs write."""
    colours = Image.open(sorted(SAMPLES.glob("flame_cell*.jpg"))[0]).convert("RGB").resize((48, 40))
    exif = Image.Exif()
    exif[0x0112], exif[0x0131] = 6, "editor 1.0"
    exif.get_ifd(0x8769)[0x9003] = "2026:05:04 10:11:12"
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    made = [_coded(colours, form, exif=exif.tobytes()) for form in ("JPEG", "PNG", "WEBP", "TIFF")]
    made += [_coded(colours, form) for form in FORMS]
    made += [_coded(colours, "JPEG", progressive=True, icc_profile=profile), _coded(colours.convert("CMYK"), "JPEG")]
    made += [_coded(colours.convert("L"), form) for form in ("JPEG", "PNG", "WEBP")]
    made += [_coded(colours.convert("RGBA"), form) for form in ("PNG", "WEBP", "TIFF")]
    made += [
        _coded(colours.convert("P"), "PNG"),
        _coded(colours.convert("1"), "PNG"),
        _coded(colours.convert("LAB"), "TIFF"),
    ]
    made += [
        _coded(Image.fromarray(np.asarray(colours.convert("L")).astype(np.uint16) * 257), form)
        for form in ("PNG", "TIFF")
    ]
    made += [_coded(colours, "TIFF", compression=kind) for kind in ("tiff_lzw", "tiff_deflate", "packbits", "jpeg")]
    made += [
        _coded(colours, form, save_all=True, append_images=[colours.rotate(90)])
        for form in ("GIF", "WEBP", "TIFF", "PNG")
    ]
    made.append(_coded(colours, "WEBP", lossless=True))
    return made


def _coded(picture: Image.Image, form: str, **how: object) -> bytes:
    import pillow_heif

    pillow_heif.register_heif_opener()
    out = io.BytesIO()
    picture.save(out, form, **how)
    return out.getvalue()


def tag_seeds() -> Sequence[bytes]:
    """The tag as it is, and tilted, blurred and covered ones."""
    return [
        b"\0\0",
        b"\0\1\2\x90\x70\x88\x79",
        b"\0\2\3\x40\0\0\0\0\x10\x10\x40\x40",
        b"\1\0",
        b"\2\3\0\x20\x20\x90\x90",
        b"\0\1\5\x40\x90\0\0",
    ]


PHOTO_WORDS = (
    b"\xff\xd8\xff",
    b"\xff\xd9",
    b"\xff\xda\0\x0c",
    b"\xff\xc0\0\x11",
    b"\xff\xc2",
    b"\xff\xc4",
    b"\xff\xdb",
    b"\xff\xdd",
    b"\xff\xe1",
    b"\xff\xe2",
    b"\xff\xee",
    b"Exif\0\0",
    b"ICC_PROFILE\0",
    b"MPF\0",
    b"JFIF\0",
    b"Adobe",
    b"http://ns.adobe.com/xap/1.0/\0",
    b"\x89PNG\r\n\x1a\n",
    b"IHDR",
    b"IDAT",
    b"IEND",
    b"PLTE",
    b"tRNS",
    b"iCCP",
    b"eXIf",
    b"zTXt",
    b"iTXt",
    b"acTL",
    b"fcTL",
    b"fdAT",
    b"gAMA",
    b"RIFF",
    b"WEBP",
    b"VP8 ",
    b"VP8L",
    b"VP8X",
    b"ANIM",
    b"ANMF",
    b"ALPH",
    b"EXIF",
    b"XMP ",
    b"II*\0",
    b"MM\0*",
    b"II+\0",
    b"GIF89a",
    b"GIF87a",
    b"\x21\xf9\x04",
    b"\x21\xff\x0b",
    b"NETSCAPE2.0",
    b"BM",
    b"\x28\0\0\0",
    b"ftypheic",
    b"ftypmif1",
    b"ftyphevc",
    b"meta",
    b"iprp",
    b"ipco",
    b"ispe",
    b"pitm",
    b"iloc",
    b"iinf",
    b"infe",
    b"irot",
    b"imir",
    b"clap",
    b"hvcC",
    b"grid",
    b"iref",
    b"auxC",
    b"mdat",
    b"\xff\xff\xff\xff",
    b"\x7f\xff\xff\xff",
    b"\0\0\0\0",
)

TARGETS = (
    Target("photo", photo, photo_seeds, PHOTO_WORDS, most_bytes=8192, most_s=20),
    Target("bare-photo", bare, photo_seeds, PHOTO_WORDS, most_bytes=8192, most_s=20),
    Target("return-tag", tag, tag_seeds, most_bytes=2048),
)
