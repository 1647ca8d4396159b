"""Marks of details: what the index looks up must be what it holds, whatever was done to the picture."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wearvision_api.honesty.details import BITS, Marked, mark
from wearvision_api.honesty.picture import normal_picture

from .edits import EDITS

FOUND_AGAIN = 6
"""Marks of 32 that every edit leaves, of the sample photos; two are needed."""


@pytest.fixture(scope="module")
def photos(samples: Path) -> list[np.ndarray]:
    return [cv2.cvtColor(cv2.imread(str(path)), cv2.COLOR_BGR2RGB) for path in sorted(samples.glob("[cef]*.jpg"))[::6]]


@pytest.mark.parametrize("edit", EDITS)
def test_marks_are_found_again_after(edit: str, photos: list[np.ndarray]) -> None:
    for photo in photos:
        kept = set(mark(normal_picture(photo)).marks[:32].tolist())
        looked_up = mark(normal_picture(EDITS[edit](photo))).probes()
        assert len(kept & set(looked_up.ravel().tolist())) >= FOUND_AGAIN


def test_photos_of_different_things_share_hardly_any_mark(photos: list[np.ndarray]) -> None:
    looks = [mark(normal_picture(photo)) for photo in photos]
    shared = [
        len(set(one.marks[:32].tolist()) & set(other.probes().ravel().tolist()))
        for i, one in enumerate(looks)
        for other in looks[:i]
    ]
    assert max(shared) < FOUND_AGAIN


@given(st.lists(st.floats(-1, 1).filter(bool), min_size=BITS, max_size=BITS))
def test_mark_itself_is_always_among_its_probes(coefficients: list[float]) -> None:
    marked = Marked(np.array([coefficients], np.float32))
    assert marked.marks[0] in marked.probes()[0]
    assert marked.probes().min() >= 0
    assert marked.probes().max() < 1 << BITS


def test_plain_picture_has_no_marks() -> None:
    assert mark(np.full((200, 200), 90, np.uint8)).probes().shape == (0, 8)
