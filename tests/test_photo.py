"""Reading photos: every form, every orientation, and nothing but typed errors for the rest."""

from __future__ import annotations

import hashlib
import io
import struct
import zlib
from datetime import datetime
from pathlib import Path

import cv2
import numpy as np
import pillow_heif
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
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
from wearvision.photo import BACKDROP_CODE, Photo, ReadLimits, read_photo, upright

pillow_heif.register_heif_opener()

LOSSLESS, LOSSY = 1, 14
"""Tolerances in codes: exact forms, and mean differences after JPEG, WebP or HEIC."""


def _picture(height: int = 96, width: int = 128) -> np.ndarray:
    """Four smooth, different corners: no orientation looks like another."""
    picture = np.full((height, width, 3), 60, np.uint8)
    picture[..., 0] = (255 * np.arange(height) / height)[:, None]
    picture[..., 1] = 255 * np.arange(width) / width
    return picture


def _file(picture: Image.Image | np.ndarray, form: str, **options: object) -> bytes:
    buffer = io.BytesIO()
    image = picture if isinstance(picture, Image.Image) else Image.fromarray(picture)
    image.save(buffer, form, **options)
    return buffer.getvalue()


def _exif(orientation: int, taken: str | None = None) -> bytes:
    exif = Image.Exif()
    exif[0x0112] = orientation
    if taken:
        exif.get_ifd(0x8769)[0x9003] = taken
    return exif.tobytes()


def _difference(photo: Photo, wanted: np.ndarray) -> float:
    assert photo.image.shape == wanted.shape
    return float(np.abs(photo.image.astype(int) - wanted).mean())


FORMS = {
    "JPEG": {"quality": 95},
    "PNG": {},
    "WEBP": {"quality": 95},
    "TIFF": {},
    "HEIF": {"quality": 95},
    "GIF": {},
    "BMP": {},
}


@pytest.mark.parametrize("form", FORMS)
def test_each_form_gives_the_picture(form: str) -> None:
    data = _file(_picture(), form, **FORMS[form])
    photo = read_photo(data)
    assert photo.format == form
    assert photo.image.dtype == np.uint8
    assert photo.full_size == (96, 128)
    assert photo.scale == 1.0
    assert photo.sha256 == hashlib.sha256(data).hexdigest()
    assert _difference(photo, _picture()) < LOSSY


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("form", ["JPEG", "PNG", "WEBP", "TIFF", "HEIF"])
def test_all_eight_orientations_give_the_same_upright_picture(form: str, orientation: int) -> None:
    wanted = _picture()
    # Turning back is turning by the opposite orientation: only 6 and 8 differ from themselves.
    stored = upright(wanted, {6: 8, 8: 6}.get(orientation, orientation))
    photo = read_photo(_file(stored, form, exif=_exif(orientation), **FORMS[form]))
    assert photo.full_size == (96, 128)
    assert _difference(photo, wanted) < LOSSY


def test_orientation_is_that_of_the_exif_standard() -> None:
    """6 (row 0 is the right-hand side): the stored top left comes to the top right."""
    stored = np.zeros((2, 3, 3), np.uint8)
    stored[0, 0] = 255
    assert upright(stored, 6)[0, 1].tolist() == [255, 255, 255]
    assert upright(stored, 3)[1, 2].tolist() == [255, 255, 255]


def test_reduced_jpeg_keeps_its_orientation_and_size() -> None:
    stored = upright(_picture(900, 1200), 8)
    photo = read_photo(_file(stored, "JPEG", quality=92, exif=_exif(6)), working_px=300)
    assert photo.decode_reduction == 4
    assert photo.full_size == (900, 1200)
    assert _difference(photo, cv2.resize(_picture(900, 1200), (300, 225), interpolation=cv2.INTER_AREA)) < LOSSY


def test_twelve_megapixel_jpeg_is_decoded_at_a_quarter() -> None:
    data = _file(_picture(3024, 4032), "JPEG", quality=80)
    photo = read_photo(data)
    assert photo.decode_reduction == 4
    assert photo.image.shape == (756, 1008, 3)
    assert photo.scale == pytest.approx(0.25)
    region = photo.full_region(100, 200, 150, 260)
    assert region.shape == (200, 240, 3)
    assert np.abs(region.astype(int) - _picture(3024, 4032)[400:600, 800:1040]).mean() < 4


@pytest.mark.parametrize(
    ("long_side", "working", "reduction"), [(2000, 1300, 1), (2000, 1024, 2), (1400, 350, 4), (3200, 400, 8)]
)
def test_working_size_is_met_from_above_and_never_enlarged(long_side: int, working: int, reduction: int) -> None:
    photo = read_photo(_file(_picture(long_side // 2, long_side), "JPEG"), working_px=working)
    assert photo.decode_reduction == reduction
    assert 0.9 * working <= max(photo.image.shape[:2]) <= working
    assert read_photo(_file(_picture(), "PNG"), working_px=4096).image.shape == (96, 128, 3)


def test_full_region_of_a_shrunk_png_and_outside() -> None:
    whole = _picture(600, 800)
    photo = read_photo(_file(whole, "PNG"), working_px=200)
    np.testing.assert_array_equal(photo.full_region(-5, 10, 30, 50), whole[:120, 40:200])
    with pytest.raises(ValueError, match="nothing of the picture"):
        photo.full_region(300, 0, 400, 10)


@pytest.mark.parametrize("form", ["JPEG", "PNG", "TIFF"])
def test_grey_becomes_three_equal_channels(form: str) -> None:
    grey = _picture()[..., 1]
    image = read_photo(_file(grey, form)).image
    assert np.abs(image.astype(int) - grey[..., None]).max() <= 4
    np.testing.assert_array_equal(image[..., 0], image[..., 2])


@pytest.mark.parametrize("form", ["PNG", "TIFF"])
def test_sixteen_bit_grey_is_scaled_not_cut(form: str) -> None:
    deep = (np.linspace(0, 65535, 96 * 128).reshape(96, 128)).astype(np.uint16)
    image = read_photo(_file(Image.fromarray(deep), form)).image
    assert np.abs(image[..., 0].astype(float) - deep / 257).max() <= LOSSLESS


def test_sixteen_bit_colour_png_is_scaled() -> None:
    deep = _picture().astype(np.uint16) * 257
    done, data = cv2.imencode(".png", deep[..., ::-1])
    assert done
    assert _difference(read_photo(data.tobytes()), _picture()) <= LOSSLESS


def test_float_tiff_has_no_white_level() -> None:
    with pytest.raises(UnsupportedPhoto, match="white level"):
        read_photo(_file(Image.fromarray(np.ones((96, 128), np.float32)), "TIFF"))


@pytest.mark.parametrize("form", ["PNG", "WEBP", "TIFF"])
def test_transparency_lies_over_mid_grey(form: str) -> None:
    see_through = np.dstack([_picture(), np.zeros((96, 128), np.uint8)])
    see_through[:, 64:, 3] = 255
    options = {"lossless": True} if form == "WEBP" else {}
    image = read_photo(_file(see_through, form, **options)).image
    assert np.all(image[:, :60] == BACKDROP_CODE)
    np.testing.assert_array_equal(image[:, 68:], _picture()[:, 68:])


def test_grey_alpha_and_palette_transparency() -> None:
    grey = Image.fromarray(np.dstack([_picture()[..., 0], np.zeros((96, 128), np.uint8)]))
    assert np.all(read_photo(_file(grey, "PNG")).image == BACKDROP_CODE)
    palette = Image.new("P", (128, 96), 0)
    palette.putpalette([200, 10, 10, 0, 0, 255])
    assert read_photo(_file(palette, "PNG")).image[0, 0].tolist() == [200, 10, 10]
    assert np.all(read_photo(_file(palette, "PNG", transparency=0)).image == BACKDROP_CODE)


@pytest.mark.parametrize("form", ["JPEG", "TIFF"])
def test_cmyk_is_converted(form: str) -> None:
    photo = read_photo(_file(Image.fromarray(_picture()).convert("CMYK"), form))
    assert _difference(photo, _picture()) < LOSSY


def test_bilevel_and_animation_give_the_first_frame() -> None:
    assert np.all(read_photo(_file(Image.new("1", (100, 80), 1), "PNG")).image == 255)
    frames = [Image.new("RGB", (100, 80), colour) for colour in ("red", "blue")]
    for form in ("GIF", "WEBP", "PNG", "TIFF"):
        data = _file(frames[0], form, save_all=True, append_images=frames[1:])
        assert np.abs(read_photo(data).image[40, 50].astype(int) - (255, 0, 0)).max() <= 3


def test_progressive_jpeg_and_picture_after_the_end() -> None:
    data = _file(_picture(), "JPEG", progressive=True, quality=95)
    assert _difference(read_photo(data + b"\0\0trailer" * 50), _picture()) < LOSSY


def test_wrong_extension_is_read_by_its_bytes(tmp_path: Path) -> None:
    path = tmp_path / "cell.jpg"
    path.write_bytes(_file(_picture(), "PNG"))
    photo = read_photo(path)
    assert (photo.name, photo.format) == ("cell.jpg", "PNG")
    assert read_photo(str(path)).sha256 == photo.sha256


@pytest.mark.parametrize(
    ("stamp", "taken"),
    [
        ("2024:03:09 17:05:01", datetime(2024, 3, 9, 17, 5, 1)),
        ("0000:00:00 00:00:00", None),
        ("soon", None),
        (None, None),
    ],
)
def test_time_taken(stamp: str | None, taken: datetime | None) -> None:
    assert read_photo(_file(_picture(), "JPEG", exif=_exif(1, stamp))).taken == taken


def test_damaged_exif_does_not_stop_a_photo() -> None:
    data = _file(_picture(), "JPEG", quality=95, exif=b"Exif\0\0II*\0\xff\xff\xff\xff" + b"\x07" * 40)
    assert _difference(read_photo(data), _picture()) < LOSSY


def test_empty_file() -> None:
    with pytest.raises(EmptyPhoto, match="holds no bytes"):
        read_photo(b"")


@pytest.mark.parametrize("data", [b"The quick brown fox\n" * 40, b"\0" * 500, b"x"])
def test_text_named_jpg_is_not_an_image(data: bytes, tmp_path: Path) -> None:
    path = tmp_path / "notes.jpg"
    path.write_bytes(data)
    with pytest.raises(NotAnImage, match=r"notes\.jpg is not an image"):
        read_photo(path)


@pytest.mark.parametrize(
    ("data", "what"),
    [
        (b"%PDF-1.7\n" + b"0" * 400, "a PDF"),
        (b"  <svg xmlns='http://www.w3.org/2000/svg'/>", "an SVG"),
        (b"\0\0\0\x18ftypisom" + b"\0" * 200, "a video"),
    ],
)
def test_known_other_files_are_named(data: bytes, what: str) -> None:
    with pytest.raises(UnsupportedPhoto, match=what):
        read_photo(data)


@pytest.mark.parametrize("share", [0.02, 0.3, 0.7, 0.95])
@pytest.mark.parametrize("form", ["JPEG", "PNG", "WEBP", "TIFF", "HEIF", "GIF", "BMP"])
def test_cut_off_file_is_truncated(form: str, share: float) -> None:
    noise = np.random.default_rng(0).integers(0, 255, (200, 240, 3), dtype=np.uint8)
    data = _file(noise, form, **FORMS[form])
    with pytest.raises(TruncatedPhoto):
        read_photo(data[: max(16, int(share * len(data)))])


def test_jpeg_thumbnail_does_not_hide_a_missing_end() -> None:
    thumbnail = _file(_picture(64, 64), "JPEG")
    exif = b"Exif\0\0" + thumbnail
    data = _file(_picture(400, 500), "JPEG", exif=exif)
    assert b"\xff\xd9" in data[: len(exif) + 40]
    with pytest.raises(TruncatedPhoto, match="breaks off"):
        read_photo(data[:-200])


def test_jpeg_with_a_hole_or_foreign_bytes_is_truncated() -> None:
    noise = np.random.default_rng(0).integers(0, 255, (600, 800, 3), dtype=np.uint8)
    data = bytearray(_file(noise, "JPEG", quality=95))
    middle = len(data) // 2
    for filling in (bytes(2**17), b"\xff\x02 text" * 500):
        damaged = data.copy()
        damaged[middle : middle + len(filling)] = filling
        with pytest.raises(TruncatedPhoto):
            read_photo(bytes(damaged))


def _png_header(width: int, height: int) -> bytes:
    """A PNG that promises width x height pixels and holds next to nothing."""

    def chunk(name: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))

    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    body = chunk(b"IDAT", zlib.compress(bytes(1000))) + chunk(b"IEND", b"")
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + body


@pytest.mark.parametrize("side", [11_000, 12_000, 30_000, 100_000])
def test_bomb_is_refused_by_its_header(side: int) -> None:
    with pytest.raises(PhotoTooLarge, match="pixels"):
        read_photo(_png_header(side, side))


def test_over_large_bytes_and_pixels_and_tiny_pictures(tmp_path: Path) -> None:
    data = _file(_picture(), "PNG")
    path = tmp_path / "big.png"
    path.write_bytes(data)
    for source in (data, path):
        with pytest.raises(PhotoTooLarge, match="MiB"):
            read_photo(source, limits=ReadLimits(max_bytes=len(data) - 1))
    with pytest.raises(PhotoTooLarge, match="million pixels"):
        read_photo(data, limits=ReadLimits(max_pixels=96 * 128 - 1))
    assert read_photo(data, limits=ReadLimits(max_pixels=96 * 128, max_bytes=len(data))).full_size == (96, 128)
    with pytest.raises(PhotoTooSmall, match="200 x 63"):
        read_photo(_file(_picture(63, 200), "PNG"))


def test_paths_that_are_no_file(tmp_path: Path) -> None:
    with pytest.raises(PhotoError, match="There is no file"):
        read_photo(tmp_path / "missing.jpg")
    with pytest.raises(PhotoError, match="is not a file"):
        read_photo(tmp_path)
    with pytest.raises(PhotoError, match="could not be read"):
        read_photo("a\0b.jpg")


def test_working_size_must_hold_a_part() -> None:
    with pytest.raises(ValueError, match="at least 64"):
        read_photo(_file(_picture(), "PNG"), working_px=10)


SEEDS = [_file(_picture(70, 80), form, **options) for form, options in FORMS.items()] + [
    _file(Image.fromarray(_picture(70, 80)).convert("CMYK"), "JPEG"),
    _file(_picture(70, 80), "JPEG", progressive=True, exif=_exif(5, "2024:01:01 00:00:00")),
    _file(Image.fromarray(_picture(70, 80)).convert("P"), "PNG"),
]


def _reads_or_says_why(data: bytes) -> None:
    try:
        photo = read_photo(data, limits=ReadLimits(max_pixels=4_000_000))
    except PhotoError:
        return
    assert photo.image.ndim == 3
    assert min(photo.image.shape[:2]) >= 1


@given(st.binary(max_size=300))
@settings(max_examples=100, deadline=None)
def test_any_bytes_give_a_photo_or_a_photo_error(data: bytes) -> None:
    _reads_or_says_why(data)


@given(st.data())
@settings(max_examples=250, deadline=None)
def test_damaged_photos_give_a_photo_or_a_photo_error(data: st.DataObject) -> None:
    seed = bytearray(data.draw(st.sampled_from(SEEDS)))
    for _ in range(data.draw(st.integers(0, 4))):
        place = data.draw(st.integers(0, min(len(seed), 700) - 1) | st.integers(0, len(seed) - 1))
        seed[place] = data.draw(st.integers(0, 255))
    cut = data.draw(st.just(len(seed)) | st.integers(1, len(seed)))
    _reads_or_says_why(bytes(seed[:cut]))
