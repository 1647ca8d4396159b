"""The quick search for markers against the full one, on tags drawn by known cameras."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from wearvision.markers import find_markers, grey_of, markers_at_hand

from .tag_scenes import View, photograph


@pytest.mark.parametrize("view", [View(60, 0, 10, 20), View(75, 30, 70, 50, quality=30), View(150, 15, 40, 130)])
def test_quick_search_finds_what_the_full_one_finds(view: View) -> None:
    grey = grey_of(photograph(view))
    full, quick = find_markers(grey), markers_at_hand(grey)
    assert len(full) == 4
    assert [marker.id for marker in quick] == [marker.id for marker in full]
    assert all(np.array_equal(one.corners, other.corners) for one, other in zip(quick, full, strict=True))


def test_small_pictures_are_searched_in_full() -> None:
    grey = cv2.resize(grey_of(photograph(View(150))), (512, 384), interpolation=cv2.INTER_AREA)
    assert len(markers_at_hand(grey)) == len(find_markers(grey)) == 4


def test_bare_bench_has_none() -> None:
    assert markers_at_hand(np.full((700, 900), 120, np.uint8)) == []
