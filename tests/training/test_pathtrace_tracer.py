"""The tracer's stage: where things land, what is hit, what is shown, and that a seed fixes the picture."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wearvision_training.pathtrace import tracer
from wearvision_training.pathtrace.mesh import box, grid_mesh
from wearvision_training.pathtrace.solid import Finish, Mesh, Solid
from wearvision_training.pathtrace.tracer import CARD_ALBEDO, Stage, without_fireflies
from wearvision_training.pathtrace.world import Lamp, World, to_room
from wearvision_training.sketch.warp import homography, project, rotation

pytest.importorskip("mitsuba")

SIZE = 48
GREY = Finish(np.full(3, 0.5, np.float32), 1.0)
BRIGHT_ROOM = np.ones((8, 16, 3), np.float32)
STRAIGHT: dict[str, Any] = {
    "tilt_deg": 0.0, "tilt_towards_deg": 0.0, "turn_deg": 0.0, "distance": 8.0, "scale": 0.9, "shift": [0.0, 0.0],
}  # fmt: skip


@pytest.fixture(autouse=True, scope="module")
def small_and_steady() -> Iterator[None]:
    """Small sheets of texture, and one thread: several add light up in another order each time."""
    import drjit as dr

    tracer.choose_variant()
    threads = dr.thread_count()
    dr.set_thread_count(1)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(tracer, "ATLAS_SMALL", 256)
        yield
    dr.set_thread_count(threads)


def sheet(z: float = 0.0, half: float = 1.0, at: tuple[float, float] = (0.0, 0.0)) -> Mesh:
    """A square of the part plane at a height, uv its plane coordinates."""
    x, y = np.meshgrid([at[0] - half, at[0] + half], [at[1] - half, at[1] + half])
    return grid_mesh(np.stack([x, y, np.full((2, 2), z)], -1))


def turned_over(mesh: Mesh) -> Mesh:
    return Mesh(mesh.vertices, np.ascontiguousarray(mesh.faces[:, ::-1]), mesh.uv, mesh.normals, mesh.flat)


def stage(*solids: Solid, camera: dict[str, Any] = STRAIGHT, room: np.ndarray = BRIGHT_ROOM, **world: Any) -> Stage:
    return Stage(solids, World(world.get("solids", ()), world.get("lamps", ()), room), camera, SIZE)


poses = st.builds(
    lambda tilt, towards, turn, distance, scale, x, y: {
        "tilt_deg": tilt, "tilt_towards_deg": towards, "turn_deg": turn, "distance": distance, "scale": scale,
        "shift": [x, y],
    },
    st.floats(0, 60), st.floats(0, 360), st.floats(0, 360), st.floats(4, 25), st.floats(0.3, 1.5),
    st.floats(-0.3, 0.3), st.floats(-0.3, 0.3),
)  # fmt: skip


@settings(max_examples=12, deadline=None)
@given(poses, st.floats(-0.5, 0.5), st.sampled_from([1, 2]))
def test_points_of_a_plane_land_where_the_sketch_has_them(camera: dict[str, Any], z: float, fine: int) -> None:
    hits = stage(Solid(sheet(z), GREY), camera=camera).hits(fine)
    on = hits.solid == 0
    assert on.sum() > 20
    plane = hits.uv[on].astype(float) * 2 - 1
    landed = project(homography(camera, SIZE * fine, z), plane)
    assert np.abs(landed - np.argwhere(on)[:, ::-1]).max() < 0.01


@settings(max_examples=8, deadline=None)
@given(poses, st.floats(-0.5, 0.5))
def test_depth_and_normal_of_a_tilted_plane(camera: dict[str, Any], z: float) -> None:
    made = stage(Solid(sheet(z), GREY), camera=camera)
    hits = made.hits()
    on = hits.solid == 0
    normal = rotation(camera)[:, 2]
    assert np.abs(np.abs(hits.normal[on] @ normal) - 1).max() < 1e-4
    # A ray from the lens at (0, 0, d) along -v meets the plane through p with normal n at n.(d - p) / n.v.
    through = to_room(np.array([[0.0, 0.0, z]]), camera)[0]
    gap = float(normal @ (np.array([0.0, 0.0, camera["distance"]]) - through))
    wanted = gap / (made.rays()[on] @ normal)
    assert np.abs(hits.depth[on] / wanted - 1).max() < 1e-4
    assert (hits.depth[hits.solid < 0] == 0).all()


def test_hits_name_bodies_in_their_order_and_the_worlds_after_them() -> None:
    spots = [(-0.6, -0.6), (0.6, -0.6), (-0.6, 0.6)]
    parts = [Solid(sheet(0.1 * k, 0.3, at), GREY) for k, at in enumerate(spots)]
    clutter = Solid(box((0.6, 0.6, 0.0), (0.25, 0.25, 0.2)), GREY)
    bench = Solid(sheet(-0.5, 0.95), GREY)
    hits = stage(*parts, solids=(bench, clutter)).hits()
    for index, at in enumerate([*spots, None, (0.6, 0.6)]):
        if at is not None:
            column, row = np.round(project(homography(STRAIGHT, SIZE), np.array([at]))[0]).astype(int)
            assert hits.solid[row, column] == index
    middle = SIZE // 2
    assert hits.solid[middle, middle] == 3
    assert hits.solid[0, 0] == -1


def test_nearer_body_hides_the_farther() -> None:
    hits = stage(Solid(sheet(0.0), GREY), Solid(sheet(0.5, 0.3), GREY)).hits()
    near = hits.solid == 1
    assert hits.solid[SIZE // 2, SIZE // 2] == 1
    # Seen 8 away, 0.5 nearer: larger by 8 / 7.5.
    assert near.mean() == pytest.approx((0.3 * 0.9 * 8 / 7.5) ** 2, rel=0.06)


def test_lamps_are_seen_through_by_hits_but_shine_one_way() -> None:
    lamp = sheet(3.0, 0.2, (0.4, 0.0))
    dark = np.full((8, 16, 3), 1e-5, np.float32)
    a, b, c = (lamp.vertices[lamp.faces[0, k]] for k in range(3))
    down = np.cross(b - a, c - a)[2] < 0
    lit = {}
    for over in (False, True):
        mesh = turned_over(lamp) if over else lamp
        made = stage(Solid(sheet(), GREY), room=dark, lamps=(Lamp(mesh, (20.0, 20.0, 20.0)),))
        lit[over] = float(made.picture(4, 1)[20:28, 8:20].mean())
        column, row = np.round(project(homography(STRAIGHT, SIZE, 3.0), np.array([[0.4, 0.0]]))[0]).astype(int)
        assert made.hits().solid[row, column] == -1
    assert lit[not down] > 100 * lit[down]


def test_colours_of_a_texture_show_at_their_plane_points() -> None:
    quarters = np.zeros((8, 8, 3), np.float32)
    quarters[:4, :4, 0] = quarters[:4, 4:, 1] = quarters[4:, :4, 2] = 0.9
    camera = {**STRAIGHT, "turn_deg": 90.0, "tilt_deg": 20.0}
    picture = stage(Solid(sheet(), Finish(quarters, 1.0)), camera=camera).picture(4, 0)
    for at, channel in (((-0.5, -0.5), 0), ((0.5, -0.5), 1), ((-0.5, 0.5), 2)):
        column, row = np.round(project(homography(camera, SIZE), np.array([at]))[0]).astype(int)
        colour = picture[row - 1 : row + 2, column - 1 : column + 2].mean((0, 1))
        assert colour[channel] > 4 * np.delete(colour, channel).max()


@pytest.mark.parametrize("over", [False, True])
@pytest.mark.parametrize("axis", [0, 1])
def test_relief_rises_towards_the_viewer_whichever_way_triangles_turn(axis: int, over: bool) -> None:
    x = (np.arange(128) + 0.5) / 64 - 1
    hill = (0.05 * np.exp(-(x[None] ** 2 + x[:, None] ** 2) / 0.08)).astype(np.float32)
    mesh = turned_over(sheet()) if over else sheet()
    where = np.zeros(3)
    where[axis], where[2] = 4, 3
    lamps = (Lamp(box(where, (0.2, 0.2, 0.2)), (300.0, 300.0, 300.0)),)
    dark = np.full((8, 16, 3), 1e-4, np.float32)
    shown = [
        stage(Solid(mesh, Finish(GREY.albedo, 1.0, relief=relief)), room=dark, lamps=lamps).picture(8, 1).mean(-1)
        for relief in (hill, None)
    ]
    ratio = np.moveaxis(shown[0] / shown[1], 1 - axis, 0)
    towards, away = ratio[27:35, 18:30], ratio[13:21, 18:30]
    assert towards.mean() > 1.05
    assert away.mean() < 0.96


def test_flat_shading_keeps_edges_and_smooth_shading_rounds_them() -> None:
    block = box((0, 0, 0), (0.6, 0.6, 0.6))
    camera = {**STRAIGHT, "tilt_deg": 35.0, "tilt_towards_deg": 20.0}
    flat = stage(Solid(block, GREY), camera=camera).hits()
    on = flat.solid == 0
    faces = np.abs(flat.normal[on] @ rotation(camera))
    assert np.abs(faces.max(1) - 1).max() < 1e-4
    smooth = Mesh(block.vertices, block.faces, block.uv)
    rounded = stage(Solid(smooth, GREY), camera=camera).hits()
    assert (np.abs(rounded.normal[on] @ rotation(camera)).max(1) < 0.95).mean() > 0.3


def test_same_seed_gives_the_same_picture_and_another_seed_another() -> None:
    solids = (Solid(sheet(), GREY), Solid(box((0, 0, 0.3), (0.2, 0.2, 0.2)), GREY))
    room = np.random.default_rng(0).random((8, 16, 3)).astype(np.float32)
    made = stage(*solids, room=room)
    first = made.picture(4, 7)
    assert np.array_equal(first, made.picture(4, 7))
    assert np.array_equal(first, stage(*solids, room=room).picture(4, 7))
    assert not np.array_equal(first, made.picture(4, 8))
    assert first.shape == (SIZE, SIZE, 3)
    assert first.dtype == np.float32


def test_card_and_mirror_stand_on_the_stage_only_while_shown() -> None:
    wall = np.ones((16, 32, 3), np.float32) * [1.0, 0.5, 0.25]
    black = Solid(sheet(-0.5), Finish(np.zeros(3, np.float32), 1.0))
    made = stage(black, room=wall.astype(np.float32))
    plain = made.picture(4, 1)
    patch = (slice(20, 28), slice(20, 28))

    made.show(sheet(0.2, 0.5))
    assert made.hits().solid[24, 24] == made.count
    card = made.picture(16, 1)[patch].mean((0, 1))
    made.show(sheet(0.2, 0.5), mirror=True)
    assert made.hits().solid[24, 24] == made.count
    mirrored = made.picture(16, 1)[patch].mean((0, 1))
    made.show(None)

    colour = np.array([1.0, 0.5, 0.25])
    assert card == pytest.approx(CARD_ALBEDO * colour, rel=0.06)
    assert mirrored == pytest.approx(colour, rel=0.03)
    assert made.hits().solid[24, 24] == 0
    assert np.array_equal(made.picture(4, 1), plain)


def test_mirror_shows_what_stands_over_it() -> None:
    dark = np.full((8, 16, 3), 1e-3, np.float32)
    panel = sheet(20.0, 4.0, (5.0, 0.0))
    lamp = panel if np.cross(*np.diff(panel.vertices[panel.faces[0]], axis=0))[2] < 0 else turned_over(panel)
    made = stage(Solid(sheet(-0.5), GREY), room=dark, lamps=(Lamp(lamp, (2.0, 2.0, 2.0)),))
    made.show(sheet(0.0, 1.0), mirror=True)
    seen = made.picture(8, 0).mean(-1)
    # The lens at height 8 over plane point (x, 0) sees by mirror the point 28/8 x of the lamp's plane, 20 high.
    x = ((np.arange(SIZE) + 0.5) / SIZE * 2 - 1) / 0.9
    hit = (np.abs(x * 3.5 - 5) < 3.5) & (np.abs(x) < 0.9)
    missed = x * 3.5 < 0.2
    row = seen[SIZE // 2 - 2 : SIZE // 2 + 2].mean(0)
    assert hit.sum() > 8
    assert row[hit].min() > 1.5
    assert row[missed].max() < 0.3


def test_wide_aperture_blurs_what_is_out_of_focus_by_the_circle_of_confusion() -> None:
    halves = np.full((64, 64, 3), 0.05, np.float32)
    halves[:, 32:] = 0.9
    spread = {}
    for name, more in {"focused": {}, "near": {"focus_shift": -4.0}}.items():
        camera = {**STRAIGHT, "aperture": 0.3, **more}
        row = stage(Solid(sheet(), Finish(halves, 1.0)), camera=camera).picture(32, 1)[14:34].mean((0, 2))
        low, high = row[10:16].mean(), row[32:38].mean()
        share = (row[10:38] - low) / (high - low)
        # Mean distance from the edge at which light that belongs to it lands.
        spread[name] = float(share[:14].sum() + (1 - share[14:]).sum())
    # Light from a point 8 away spreads over a disc of radius 0.3 (8 - 4) / 4 where 4 is in focus. Along one axis a disc
    # lies 4 / (3 pi) of its radius from its middle, on average. In pixels:
    assert spread["near"] == pytest.approx(4 / (3 * np.pi) * 0.3 * 0.9 * SIZE / 2, rel=0.1)
    assert spread["focused"] < 0.6


def test_fireflies_are_removed_and_edges_left() -> None:
    picture = np.full((20, 20, 3), 0.1, np.float32)
    picture[:, 10:] = 5.0
    picture[15:, :10] = 3.0
    clean = picture.copy()
    picture[4, 4] = 50.0
    picture[17, 3] = [900.0, 0.0, 0.0]
    before = picture.copy()
    assert np.array_equal(without_fireflies(picture), clean)
    assert np.array_equal(picture, before)
    line = np.full((20, 20, 3), 0.1, np.float32)
    line[8:10] = 5.0
    assert np.array_equal(without_fireflies(line), line)


def test_missing_tracer_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "mitsuba", None)
    with pytest.raises(RuntimeError, match=r"wearvision\[render\]"):
        tracer.choose_variant()


def test_modules_of_the_studio_load_without_the_tracer() -> None:
    code = (
        "import importlib, pkgutil, sys\n"
        "sys.modules['mitsuba'] = sys.modules['drjit'] = None\n"
        "import wearvision_training.pathtrace as room\n"
        "for one in pkgutil.iter_modules(room.__path__): importlib.import_module(f'{room.__name__}.{one.name}')\n"
    )
    ended = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert ended.returncode == 0, ended.stderr
