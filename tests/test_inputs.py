"""What a photo is like in numbers: known values on drawn pictures, and which way each number goes."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from wearvision.inputs import Inputs, inputs_of


def _picture(level: int = 120, side: int = 320) -> tuple[np.ndarray, np.ndarray]:
    """A grey disc with a darker cross on a darker ground, and its mask."""
    image = np.full((side, side, 3), 40, np.uint8)
    mask = np.zeros((side, side), np.uint8)
    cv2.circle(mask, (side // 2, side // 2), side // 4, 1, -1)
    image[mask > 0] = level
    cv2.line(image, (side // 3, side // 2), (2 * side // 3, side // 2), (20, 20, 20), 9)
    cv2.line(image, (side // 2, side // 3), (side // 2, 2 * side // 3), (20, 20, 20), 9)
    return image, mask > 0


def _of(image: np.ndarray, mask: np.ndarray, scale: float = 1.0) -> Inputs:
    return inputs_of(image, {"part": mask}, scale, energy=7.0, none=0.001)


def test_size_and_brightness_are_those_of_the_disc() -> None:
    image, mask = _picture()
    found = _of(image, mask, scale=2.0)
    assert found.size_px == 2 * 161  # a filled circle of radius 80 is 161 pixels wide
    assert found.brightness == pytest.approx(120 / 255)
    assert (found.clipped, found.energy, found.none) == (0.0, 7.0, 0.001)


def test_blur_makes_it_softer() -> None:
    image, mask = _picture()
    soft = [_of(cv2.GaussianBlur(image, (0, 0), sigma), mask).softness for sigma in (1.0, 2.0, 4.0)]
    assert all(value is not None for value in soft)
    assert soft == sorted(soft)  # type: ignore[type-var]
    assert soft[2] > 2 * soft[0]  # type: ignore[operator]


def test_white_counts_as_clipped_by_its_area() -> None:
    image, mask = _picture()
    part = np.flatnonzero(mask)
    image.reshape(-1, 3)[part[: part.size // 4]] = 255
    assert _of(image, mask).clipped == pytest.approx(0.25, abs=0.001)


def test_without_a_part_only_the_network_speaks() -> None:
    image, mask = _picture()
    assert _of(image, np.zeros_like(mask)) == Inputs(None, None, None, None, 7.0, 0.001)
    assert inputs_of(image, {}, 1.0, energy=7.0, none=1.0).size_px is None


def test_small_probabilities_keep_their_digits() -> None:
    assert Inputs(None, 0.5, 0.0, 100.0, 9.123456, 1.23456789e-7).to_dict() == {
        "softness": None,
        "brightness": 0.5,
        "clipped": 0.0,
        "size_px": 100.0,
        "energy": 9.1235,
        "none": 1.2346e-07,
    }
