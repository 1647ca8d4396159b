"""JPEG for a batch, against Pillow and the libjpeg that it carries (reference library)."""

from __future__ import annotations

import io

import numpy as np
import pytest
import torch
from PIL import Image

from wearvision_training.jpeg import jpeg


def _scene(side: int = 64) -> np.ndarray:
    """Something with edges, a ramp, colour and a little noise."""
    rng = np.random.default_rng(2)
    ramp = np.linspace(20, 220, side)
    image = np.stack([np.tile(ramp, (side, 1)), np.tile(ramp[:, None], (1, side)), np.full((side, side), 90.0)], 2)
    image[16:40, 20:50] = (200, 60, 40)
    return np.clip(image + rng.normal(0, 4, image.shape), 0, 255).astype(np.uint8)


def _batch(image: np.ndarray) -> torch.Tensor:
    return torch.from_numpy(image).permute(2, 0, 1)[None].float() / 255


@pytest.mark.parametrize("quality", [30, 50, 75, 92])
def test_jpeg_errs_like_the_common_coder(quality: int) -> None:
    image = _scene()
    file = io.BytesIO()
    Image.fromarray(image).save(file, "JPEG", quality=quality, subsampling=2)
    theirs = np.asarray(Image.open(file), np.float64)
    ours = jpeg(_batch(image), torch.tensor([float(quality)]))[0].permute(1, 2, 0).numpy() * 255
    assert np.abs(ours - theirs).mean() < 1.0
    assert np.abs(ours - image).mean() == pytest.approx(np.abs(theirs - image).mean(), rel=0.1)


def test_each_picture_has_its_own_quality() -> None:
    batch = _batch(_scene()).repeat(3, 1, 1, 1)
    quality = torch.tensor([20.0, 60.0, 95.0])
    coded = jpeg(batch, quality)
    errors = (coded - batch).abs().mean((1, 2, 3)).tolist()
    assert errors[0] > errors[1] > errors[2] > 0
    for index in range(3):
        assert torch.allclose(coded[index], jpeg(batch[:1], quality[index : index + 1])[0], atol=1 / 255 + 1e-6)
