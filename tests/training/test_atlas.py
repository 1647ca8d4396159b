"""One sheet of textures: every body finds its own colours on it, whatever lies beside them."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from wearvision_training.pathtrace.atlas import GUTTER, PLAIN, ROUGHEST_MIRROR, Place, lay_out
from wearvision_training.pathtrace.mesh import grid_mesh
from wearvision_training.pathtrace.solid import Finish, Solid

Array = NDArray[np.floating]
LAYERS = ("roughness", "metal", "coat", "relief")


def read(sheet: Array, uv: Array) -> NDArray[np.float64]:
    """Values at points uv (N, 2) by bilinear filtering, clamped at the edges: written apart from the code tested."""
    height, width = sheet.shape[:2]
    x = np.clip(uv[:, 0].astype(float) * width - 0.5, 0, width - 1)
    y = np.clip(uv[:, 1].astype(float) * height - 0.5, 0, height - 1)
    left, top = np.floor(x).astype(int), np.floor(y).astype(int)
    right, low = np.minimum(left + 1, width - 1), np.minimum(top + 1, height - 1)
    fx, fy = x - left, y - top
    if sheet.ndim == 3:
        fx, fy = fx[:, None], fy[:, None]
    upper = sheet[top, left] * (1 - fx) + sheet[top, right] * fx
    return np.asarray(upper * (1 - fy) + (sheet[low, left] * (1 - fx) + sheet[low, right] * fx) * fy)


def body(uv_box: tuple[float, float, float, float], finish: Finish) -> Solid:
    """A sheet whose uv fill the box left, top, right, low."""
    u, v = np.meshgrid(np.linspace(uv_box[0], uv_box[2], 5), np.linspace(uv_box[1], uv_box[3], 4))
    return Solid(grid_mesh(np.stack([u, v, 0 * u], -1), uv=np.stack([u, v], -1)), finish)


def inside(solid: Solid, rng: np.random.Generator) -> NDArray[np.float32]:
    """Its corners and points between."""
    low, high = solid.mesh.uv.min(0), solid.mesh.uv.max(0)
    return np.concatenate([solid.mesh.uv, low + (high - low) * rng.random((40, 2))]).astype(np.float32)


def boxes(solids: list[Solid], places: list[Place], side: int) -> list[tuple[float, float, float, float]]:
    """What each body uses of the sheet, in texels, with the texel about it that filtering reads."""
    found = []
    for solid, place in zip(solids, places, strict=True):
        laid = place.laid(solid.mesh.uv) * side
        found.append((*(laid.min(0) - 0.5), *(laid.max(0) + 0.5)))
    return found


@st.composite
def uv_boxes(draw: st.DrawFn) -> tuple[float, float, float, float]:
    ends = [sorted(draw(st.tuples(st.floats(0, 1), st.floats(0, 1)))) for _ in range(2)]
    return ends[0][0], ends[1][0], ends[0][1], ends[1][1]


@st.composite
def noisy_bodies(draw: st.DrawFn) -> Solid:
    """A body with noise for textures, any of which may be a number instead."""
    rng = np.random.default_rng(draw(st.integers(0, 10**6)))
    shape = draw(st.tuples(st.integers(1, 60), st.integers(1, 60)))
    textured = draw(st.lists(st.booleans(), min_size=5, max_size=5))
    albedo = rng.random((*shape, 3)) if textured[0] else rng.random(3)
    rough, metal, coat = (rng.random(shape) if has else float(rng.random()) for has in textured[1:4])
    relief = rng.random(shape).astype(np.float32) if textured[4] else None
    return body(draw(uv_boxes()), Finish(albedo.astype(np.float32), rough, metal, coat, relief))


@settings(max_examples=60, deadline=None)
@given(st.lists(noisy_bodies(), min_size=1, max_size=8), st.integers(0, 99))
def test_every_body_finds_its_own_textures(solids: list[Solid], seed: int) -> None:
    side = 512
    atlas, places = lay_out(solids, side)
    rng = np.random.default_rng(seed)
    for solid, place in zip(solids, places, strict=True):
        uv = inside(solid, rng)
        laid = place.laid(uv)
        assert np.abs(place.own(laid) - uv).max() < 1e-5
        for name in ("albedo", *LAYERS):
            value = getattr(solid.finish, name)
            own = np.float32(0) if value is None else np.asarray(value, np.float32)
            if name == "roughness":
                own = np.maximum(own, ROUGHEST_MIRROR)
            plain = own.ndim == (1 if name == "albedo" else 0)
            wanted = np.broadcast_to(own, (len(uv), *own.shape)) if plain else read(np.asarray(own), uv)
            assert np.abs(read(getattr(atlas, name), laid) - wanted).max() < 2e-3, name


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(uv_boxes(), st.integers(8, 200), st.integers(8, 200)), min_size=1, max_size=12))
def test_what_does_not_fit_is_made_coarser_and_keeps_its_colours(
    bodies: list[tuple[tuple[float, float, float, float], int, int]],
) -> None:
    side, solids = 128, []
    for number, (uv_box, height, width) in enumerate(bodies):
        v, u = np.meshgrid((np.arange(height) + 0.5) / height, (np.arange(width) + 0.5) / width, indexing="ij")
        colour = np.stack([u, v, np.full_like(u, number / 12)], -1).astype(np.float32)
        solids.append(body(uv_box, Finish(colour)))
    atlas, places = lay_out(solids, side)
    rng = np.random.default_rng(1)
    for number, (solid, place) in enumerate(zip(solids, places, strict=True)):
        uv = inside(solid, rng)
        laid = place.laid(uv)
        assert np.abs(place.own(laid) - uv).max() < 1e-4
        found = read(atlas.albedo, laid)
        # A ramp of the texture coordinates: off by half a texel of the sheet at its edges, and by what averaging
        # does to the steps of its own texels.
        off = np.abs(place.step) / side / 2 + [1 / bodies[number][2], 1 / bodies[number][1]]
        assert (np.abs(found[:, :2] - uv).max(0) <= off + 1e-4).all()
        assert np.abs(found[:, 2] - number / 12).max() < 1e-3
    for one, other in itertools.combinations(boxes(solids, places, side), 2):
        assert one[2] <= other[0] or other[2] <= one[0] or one[3] <= other[1] or other[3] <= one[1]
    for left, top, right, low in boxes(solids, places, side):
        assert min(left, top) >= GUTTER - 1
        assert max(right, low) <= side - GUTTER + 1


def test_textures_of_one_body_may_differ_in_size() -> None:
    ramp = [((np.arange(n) + 0.5) / n)[None].repeat(n, 0).astype(np.float32) for n in (16, 64)]
    solid = body((0.2, 0.1, 0.8, 0.9), Finish(np.stack([ramp[0]] * 3, -1), 0.5, ramp[1]))
    atlas, (place,) = lay_out([solid], 256)
    uv = inside(solid, np.random.default_rng(0))
    assert np.abs(read(atlas.metal, place.laid(uv)) - uv[:, 0]).max() < 0.01
    assert np.abs(read(atlas.albedo, place.laid(uv))[:, 1] - uv[:, 0]).max() < 0.01
    assert np.abs(read(atlas.roughness, place.laid(uv)) - 0.5).max() < 1e-6


def test_only_what_a_body_shows_takes_room() -> None:
    noise = np.random.default_rng(0).random((400, 400, 3)).astype(np.float32)
    corner = [body((k / 10, 0.0, (k + 1) / 10, 0.1), Finish(noise)) for k in range(10)]
    _, places = lay_out(corner, 200)
    assert all(np.allclose(place.step, 200 / 400) for place in places)


def test_uv_beyond_the_texture_is_that_of_its_edge() -> None:
    noise = np.random.default_rng(0).random((20, 20, 3)).astype(np.float32)
    solid = body((-0.5, -0.5, 1.5, 1.5), Finish(noise))
    atlas, (place,) = lay_out([solid], 64)
    found = read(atlas.albedo, place.laid(np.array([[-0.5, -0.2], [1.4, 1.2]], np.float32)))
    assert np.abs(found - noise[[0, -1], [0, -1]]).max() < 1e-5


def test_more_bodies_than_a_sheet_holds_are_refused() -> None:
    crowd = [body((0, 0, 1, 1), Finish(np.full(3, 0.5, np.float32)))] * ((32 // (PLAIN + 2 * GUTTER)) ** 2 + 1)
    lay_out(crowd[:-1], 32)
    with pytest.raises(ValueError, match="do not fit"):
        lay_out(crowd, 32)
