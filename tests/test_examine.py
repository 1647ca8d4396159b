"""An examination: masks, direct estimates and geometry of a look."""

from __future__ import annotations

import numpy as np
import pytest

from wearvision.examine import FINEST, examine, scene_of
from wearvision.look import Look
from wearvision.measure.result import Measured, Unmeasured
from wearvision.network import Window
from wearvision.parts import PARTS, measure_keys, region_names
from wearvision.sighting import Estimate, Sighting

SIDE = 160


def seen(kind: str = "flame_cell", zoom: float = 1.0, **regions: np.ndarray) -> Look:
    planes = {name: np.zeros((SIDE, SIDE), np.float32) for name in region_names()} | regions
    views = {"face": 0.1, "side": 0.5, "end": 0.4}
    sighting = Sighting(
        {**dict.fromkeys(PARTS, 0.1), "none": 0.1, kind: 0.7},
        6.0,
        views,
        {},
        {key: Estimate(0.1, 0.02, 0.5) for key in measure_keys()},
        planes,
    )
    square = np.random.default_rng(0).integers(0, 255, (SIDE, SIDE, 3)).astype(np.uint8)
    return Look(square, Window(0, 0, round(SIDE * zoom)), sighting, (slice(0, SIDE), slice(0, SIDE)))


def disc(radius: float, row: float = SIDE / 2, col: float = SIDE / 2) -> np.ndarray:
    rows, cols = np.ogrid[:SIDE, :SIDE]
    return np.clip(radius + 0.5 - np.hypot(rows - row, cols - col), 0, 1).astype(np.float32)


def cell(**more: np.ndarray) -> dict[str, np.ndarray]:
    return {"part": disc(70), "rim": disc(66), "window": disc(50), **more}


def test_no_part_gives_an_empty_examination() -> None:
    found = examine(seen("none"))
    assert (found.spec, found.view, found.masks, found.direct, found.geometry) == (None, "", {}, {}, {})
    assert found.traces == {}


def test_part_that_the_caller_knows_wins_over_what_was_seen() -> None:
    assert examine(seen("coupler", **cell()), part="flame_cell").spec is PARTS["flame_cell"]


@pytest.mark.parametrize("part", sorted(PARTS))
def test_view_is_the_likeliest_that_the_part_has(part: str) -> None:
    found = examine(seen(part, part=disc(60)))
    assert found.view == {"flame_cell": "face", "electrode": "side", "coupler": "side"}[part]
    shown = {mode.measure for mode in PARTS[part].modes if found.view in mode.views}
    assert set(found.direct) == shown
    assert all(isinstance(outcome, Measured | Unmeasured) for outcome in found.geometry.values())


def test_specks_are_dropped_and_wear_is_kept() -> None:
    speck = np.maximum(disc(0.6, 40, 80), disc(9, 90, 90))
    mask = examine(seen(**cell(scorch=speck))).masks["scorch"]
    assert not mask[35:46, 75:86].any()
    assert mask[90, 90]


def test_of_an_outline_the_largest_piece_counts() -> None:
    strewn = np.maximum(disc(66), disc(6, 8, 8))
    mask = examine(seen(**cell(rim=strewn))).masks["rim"]
    assert mask[80, 80]
    assert not mask[:16, :16].any()


@pytest.mark.parametrize(("zoom", "expected"), [(0.5, 1.0), (1.0, 1.0), (1.25, 1.25), (4.0, FINEST)])
def test_geometry_is_measured_at_the_photos_resolution_within_bounds(zoom: float, expected: float) -> None:
    look = seen(zoom=zoom, **cell())
    scene = scene_of(look, PARTS["flame_cell"], "face")
    assert scene.image.shape[0] == round(SIDE * expected)
    found = examine(look)
    assert found.zoom == pytest.approx(expected, abs=0.01)
    assert all(mask.shape == (SIDE, SIDE) and mask.dtype == bool for mask in found.masks.values())


def test_share_of_an_area_does_not_depend_on_the_zoom() -> None:
    shares = []
    for zoom in (1.0, 1.5):
        outcome = examine(seen(zoom=zoom, **cell(scorch=disc(20)))).geometry["scorch_ratio"]
        assert isinstance(outcome, Measured)
        shares.append(outcome.value)
    assert shares[0] == pytest.approx((20 / 50) ** 2, rel=0.06)
    assert shares[1] == pytest.approx(shares[0], rel=0.03)


@pytest.mark.parametrize("zoom", [1.0, 1.5])
def test_traces_lie_in_the_square_where_the_rim_is(zoom: float) -> None:
    for trace in examine(seen(zoom=zoom, **cell())).traces.values():
        away = np.hypot(*(trace - SIDE / 2).T)
        assert np.all((away > 40) & (away < 72))


def test_reference_is_asked_for_the_part_that_was_found_only() -> None:
    asked: list[str] = []
    examine(seen("none"), reference=lambda spec: asked.append(spec.key))
    examine(seen(**cell()), reference=lambda spec: asked.append(spec.key))
    assert asked == ["flame_cell"]
