"""Duplicate photos against the handbook's section 8: C8.3 (reference hash of the benchmark) and C8.4 (orientations)."""

from __future__ import annotations

import io
from pathlib import Path

import imagehash
import numpy as np
import pytest
import skimage
from PIL import Image, ImageOps

from wearvision_api.honesty.check import see
from wearvision_api.honesty.index import KEPT, LEAST_SHARED
from wearvision_api.honesty.overlay import Sheet
from wearvision_api.honesty.picture import unpack

ORIENTATION = 0x0112
PHOTOGRAPH = Path(skimage.__file__).parent / "data" / "coffee.png"
UNDO = {
    1: lambda picture: picture,
    2: ImageOps.mirror,
    3: lambda picture: picture.transpose(Image.Transpose.ROTATE_180),
    4: ImageOps.flip,
    5: lambda picture: picture.transpose(Image.Transpose.TRANSPOSE),
    6: lambda picture: picture.transpose(Image.Transpose.ROTATE_90),
    7: lambda picture: picture.transpose(Image.Transpose.TRANSVERSE),
    8: lambda picture: picture.transpose(Image.Transpose.ROTATE_270),
}
"""How a picture lies in the file, so that the EXIF orientation (TIFF tag 274; handbook, section 8) sets it upright."""


def test_reference_hash_of_a_ramp_and_its_mirror() -> None:
    """C8.3, CALC with ImageHash 4.3: the benchmark's reference does what the handbook says."""
    ramp = Image.fromarray(np.tile(np.arange(256, dtype=np.uint8), (256, 1)))
    one, other = imagehash.dhash(ramp), imagehash.dhash(ImageOps.mirror(ramp))
    assert {str(one), str(other)} == {"f" * 16, "0" * 16}
    assert one - other == 64


@pytest.mark.parametrize("tagged", [True, False])
def test_all_orientations_of_a_photograph_are_one_group(tagged: bool) -> None:
    """C8.4; and likewise where a program dropped the tag, so that the picture lies on its side or mirrored."""
    with Image.open(PHOTOGRAPH) as picture:
        seen = [see(_saved(undo(picture.convert("RGB")), number if tagged else 1)) for number, undo in UNDO.items()]
    first = seen[0]
    kept = set(first.marked.marks[:KEPT].tolist())
    for other in seen[1:]:
        shared = sum(not kept.isdisjoint(row) for row in other.marked.probes().tolist())
        assert shared >= LEAST_SHARED
        assert Sheet.of(unpack(other.picture)).over(unpack(first.picture)).same


def _saved(picture: Image.Image, orientation: int) -> bytes:
    out = io.BytesIO()
    tags = Image.Exif()
    tags[ORIENTATION] = orientation
    picture.save(out, "JPEG", quality=90, exif=tags)
    return out.getvalue()
