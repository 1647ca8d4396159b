"""One exposure or two: edits of made-up scenes against scenes in which something moved, changed or was taken away."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wearvision_api.honesty import overlay
from wearvision_api.honesty.overlay import MOST_TURN_DEG, Laid, Sheet
from wearvision_api.honesty.picture import normal_picture

from .conftest import drawn
from .edits import EDITS, anyhow, mirrored, turned

SCENE = drawn(70)


def laid(first: np.ndarray, second: np.ndarray) -> Laid:
    return Sheet.of(normal_picture(second)).over(normal_picture(first))


@pytest.mark.parametrize("edit", EDITS)
def test_an_edit_leaves_one_exposure(edit: str) -> None:
    assert laid(SCENE, EDITS[edit](SCENE)).same


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 10_000))
def test_edits_by_chance_leave_one_exposure(seed: int) -> None:
    assert laid(SCENE, anyhow(SCENE, np.random.default_rng(seed))).same


@pytest.mark.parametrize("quarters", [0, 1, 2, 3])
@pytest.mark.parametrize("flip", [False, True])
def test_turn_and_mirror_are_told(quarters: int, flip: bool) -> None:
    found = laid(SCENE, turned(mirrored(SCENE) if flip else SCENE, quarters))
    assert found.same
    assert found.mirrored is flip
    if not flip:
        assert found.turned_deg == (360 - 90 * quarters) % 360
    assert ("mirrored" in found.words()) is flip


def test_a_crop_covers_as_much_as_it_left() -> None:
    whole = laid(SCENE, SCENE).cover
    assert laid(SCENE, EDITS["a tenth cropped, at the left"](SCENE)).cover == pytest.approx(0.9 * whole, abs=0.03)


def test_something_put_down_a_little_further_on_makes_two() -> None:
    first, second = SCENE.copy(), SCENE.copy()
    for picture, at in ((first, 150), (second, 156)):
        picture[100:220, at : at + 140] = drawn(71, (120, 140))
    found = laid(first, second)
    assert not found.same
    assert found.moved > 0.05


def test_a_stain_makes_two() -> None:
    second = SCENE.copy()
    cv2.circle(second, (240, 180), 24, (30, 25, 20), -1, cv2.LINE_AA)
    found = laid(SCENE, second)
    assert not found.same
    assert found.alike > 20


@pytest.mark.parametrize("angle", [3 * MOST_TURN_DEG, 20.0])
def test_a_camera_held_a_little_differently_makes_two(angle: float) -> None:
    matrix = cv2.getRotationMatrix2D((240, 180), angle, 1.0)
    tilted = cv2.warpAffine(SCENE, matrix, (480, 360), borderMode=cv2.BORDER_REFLECT)
    assert not laid(SCENE, tilted).same


def test_other_scenes_and_plain_pictures_do_not_agree() -> None:
    assert not laid(SCENE, drawn(72)).same
    plain = np.full((300, 400, 3), 120, np.uint8)
    assert laid(plain, plain) == replace(Laid(), alike=0)
    assert not laid(SCENE, plain).same


def test_details_that_agree_on_one_point_only_make_two(monkeypatch: pytest.MonkeyPatch) -> None:
    # A photo of a swapped part gave such a fit: every detail of the one picture on a single point of the other.
    monkeypatch.setattr(overlay, "_agree", lambda *_: (np.zeros((2, 3)), 30))
    assert not laid(SCENE, SCENE).same
