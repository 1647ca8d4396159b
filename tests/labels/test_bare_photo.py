"""Photos without metadata: the same pixels, which way is up is kept, and nothing of place, device or person is left."""

from __future__ import annotations

import io

import numpy as np
import pillow_heif
import pytest
from PIL import Image
from PIL.PngImagePlugin import PngInfo

from wearvision.labels.bare_photo import bare_photo
from wearvision.photo import read_photo

SECRETS = (b"SECRETPLACE", b"SECRETMAKER")


def picture(width: int = 200, height: int = 120) -> Image.Image:
    rng = np.random.default_rng(1)
    rough = rng.integers(0, 255, (12, 20, 3), np.uint8)
    return Image.fromarray(np.asarray(Image.fromarray(rough).resize((width, height), Image.Resampling.BICUBIC)))


def exif(orientation: int) -> bytes:
    tags = Image.Exif()
    tags[0x0112] = orientation
    tags[0x010F] = "SECRETMAKER"
    place = tags.get_ifd(0x8825)
    place[1], place[2], place[0x1D] = "N", (52.0, 1.0, 2.0), "SECRETPLACE"
    return tags.tobytes()


def encoded(form: str, orientation: int) -> bytes:
    out = io.BytesIO()
    if form == "PNG":
        note = PngInfo()
        note.add_text("Comment", "SECRETPLACE")
        picture().save(out, form, exif=exif(orientation), pnginfo=note)
    elif form == "JPEG":
        picture().save(out, form, exif=exif(orientation), quality=92, comment=b"SECRETPLACE")
    elif form == "progressive":
        picture().save(out, "JPEG", exif=exif(orientation), progressive=True)
    else:
        picture().save(out, form, exif=exif(orientation))
    return out.getvalue()


@pytest.mark.parametrize("form", ["JPEG", "progressive", "PNG", "WEBP"])
@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_the_picture_stays_to_the_bit_and_the_rest_goes(form: str, orientation: int) -> None:
    data = encoded(form, orientation)
    assert SECRETS[1] in data
    bare = bare_photo(data)
    assert not [secret for secret in SECRETS if secret in bare.data]
    with Image.open(io.BytesIO(bare.data)) as held, Image.open(io.BytesIO(data)) as before:
        tags = held.getexif()
        assert dict(tags) == ({} if orientation == 1 else {0x0112: orientation})
        assert not tags.get_ifd(0x8825)
        assert np.array_equal(np.asarray(held), np.asarray(before))
    assert np.array_equal(read_photo(bare.data).image, read_photo(data).image)
    assert bare_photo(bare.data) == bare, "twice is the same as once"


def test_a_photo_without_metadata_keeps_its_hash() -> None:
    for form in ("JPEG", "PNG", "WEBP"):
        out = io.BytesIO()
        picture().save(out, form)
        assert bare_photo(out.getvalue()).data == out.getvalue(), form


def test_the_colour_profile_stays() -> None:
    from PIL import ImageCms

    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    out = io.BytesIO()
    picture().save(out, "JPEG", icc_profile=profile, exif=exif(1))
    with Image.open(io.BytesIO(bare_photo(out.getvalue()).data)) as held:
        assert held.info["icc_profile"] == profile


def test_what_follows_the_picture_is_cut_off() -> None:
    data = encoded("JPEG", 1) + encoded("JPEG", 1)
    assert bare_photo(data).data == bare_photo(encoded("JPEG", 1)).data


def test_other_forms_become_an_upright_png_of_the_same_pixels() -> None:
    out = io.BytesIO()
    picture().save(out, "TIFF", exif=exif(6))
    bare = bare_photo(out.getvalue())
    assert bare.ending == "png"
    assert not [secret for secret in SECRETS if secret in bare.data]
    assert np.array_equal(read_photo(bare.data).image, read_photo(out.getvalue()).image)
    heif = io.BytesIO()
    pillow_heif.from_pillow(picture()).save(heif, exif=exif(1))
    assert np.array_equal(read_photo(bare_photo(heif.getvalue()).data).image, read_photo(heif.getvalue()).image)
