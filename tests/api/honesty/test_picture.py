"""The small picture kept of each photo, against its own definition."""

from __future__ import annotations

import numpy as np
import pytest

from wearvision_api.honesty.picture import MOST_BYTES, SIDE_PX, normal_picture, pack, unpack


@pytest.mark.parametrize("shape", [(3024, 4032, 3), (640, 640, 3), (90, 120, 3), (64, 1000, 3)])
def test_normal_picture_keeps_proportions_and_has_the_agreed_area(shape: tuple[int, int, int]) -> None:
    picture = normal_picture(np.full(shape, 100, np.uint8))
    height, width = picture.shape
    assert height * width == pytest.approx(SIDE_PX**2, rel=0.02)
    assert height / width == pytest.approx(shape[0] / shape[1], rel=0.02)
    assert (picture == 100).all()


def test_packed_picture_of_pure_noise_stays_within_its_size() -> None:
    noise = np.random.default_rng(1).integers(0, 256, (200, 200), dtype=np.uint8)
    assert len(pack(noise)) <= MOST_BYTES


def test_packed_picture_comes_back_nearly_as_it_was() -> None:
    rows = np.linspace(0, np.pi, 200)
    picture = np.round(127 + 100 * np.outer(np.sin(rows), np.cos(3 * rows))).astype(np.uint8)
    assert np.abs(unpack(pack(picture)).astype(int) - picture).mean() < 1.5
