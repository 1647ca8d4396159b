"""Mesh builders against closed forms: volume, area, closedness, and which way the normals look."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wearvision_training.pathtrace.mesh import (
    bar,
    box,
    grid_mesh,
    joined,
    plane_uv,
    polar_surface,
    revolved,
    vertex_normals,
)
from wearvision_training.pathtrace.solid import Mesh
from wearvision_training.pathtrace.world import from_room, to_room

AROUND = 192
FINE = 2e-3
"""Relative error of 192 corners around: a polygon's area falls short of its circle's by 2e-4."""
TURN = np.linspace(0, 2 * np.pi, AROUND, endpoint=False)


def corners(mesh: Mesh) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    a, b, c = (mesh.vertices[mesh.faces[:, k]].astype(float) for k in range(3))
    return a, b, c


def volume(mesh: Mesh) -> float:
    """Signed: positive where the triangles' normals look outwards."""
    a, b, c = corners(mesh)
    return float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6)


def area(mesh: Mesh) -> float:
    a, b, c = corners(mesh)
    return float(np.linalg.norm(np.cross(b - a, c - a), axis=1).sum() / 2)


def open_edges(mesh: Mesh) -> int:
    """Edges that are not in two triangles, once each way; points at one place count as one."""
    _, point = np.unique(np.round(mesh.vertices, 5), axis=0, return_inverse=True)
    faces = point.ravel()[mesh.faces]
    faces = faces[(faces != np.roll(faces, 1, 1)).all(1)]  # triangles drawn together at a pole
    edges = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]])
    ways, counts = np.unique(edges, axis=0, return_counts=True)
    there = {(int(a), int(b)): int(n) for (a, b), n in zip(ways, counts, strict=True)}
    return sum(there.get((b, a)) != n for (a, b), n in there.items())


def turned(profile: list[list[float]]) -> Mesh:
    return revolved(np.array(profile), (0.3, -0.2, 0.1), (0.6, 0.8), around=AROUND)


def sphere() -> Mesh:
    t = np.linspace(0, np.pi, 121)
    return revolved(np.stack([-np.cos(t), np.sin(t)], -1), (0.2, 0.1, 0.4), (0.6, -0.8), around=AROUND)


def test_turned_cylinder_has_its_volume_and_area() -> None:
    made = turned([[0, 0], [0, 0.5], [2, 0.5], [2, 0]])
    assert volume(made) == pytest.approx(np.pi * 0.25 * 2, rel=FINE)
    assert area(made) == pytest.approx(2 * np.pi * 0.5 * 2 + 2 * np.pi * 0.25, rel=FINE)
    assert open_edges(made) == 0


def test_turned_cone_has_its_volume_and_area() -> None:
    made = turned([[0, 0], [0, 0.5], [1.2, 0]])
    assert volume(made) == pytest.approx(np.pi * 0.25 * 1.2 / 3, rel=FINE)
    assert area(made) == pytest.approx(np.pi * 0.5 * np.hypot(0.5, 1.2) + np.pi * 0.25, rel=FINE)
    assert open_edges(made) == 0


def test_turned_sphere_has_its_volume_area_and_normals() -> None:
    made = sphere()
    assert volume(made) == pytest.approx(4 / 3 * np.pi, rel=FINE)
    assert area(made) == pytest.approx(4 * np.pi, rel=FINE)
    assert open_edges(made) == 0
    radial = made.vertices - [0.2, 0.1, 0.4]
    assert (vertex_normals(made) * radial).sum(1).min() > 0.999


def test_open_profile_leaves_both_ends_open() -> None:
    assert open_edges(turned([[0, 0.5], [2, 0.5]])) == 2 * AROUND


def test_steps_divide_a_profile_and_leave_its_form() -> None:
    profile = np.array([[0, 0], [0, 0.5], [2, 0.2], [2, 0]])
    coarse, fine = (revolved(profile, (0, 0), (1, 0), around=48, steps=step) for step in (0.0, 0.1))
    rings = fine.vertices.reshape(-1, 48, 3)
    assert np.linalg.norm(np.diff(rings, axis=0), axis=-1).max() <= 0.1 + 1e-6
    assert volume(fine) == pytest.approx(volume(coarse), rel=1e-5)


@pytest.mark.parametrize(
    "course", [[[0, 0], [1, 0], [2, 0]], [[0, 0, 0], [0, 0, 1], [0, 0, 2]], [[1, 1, 1], [1, 1, -1]]]
)
def test_straight_bar_is_a_cylinder(course: list[list[float]]) -> None:
    made = bar(np.array(course, float), 0.3, around=AROUND)
    assert volume(made) == pytest.approx(np.pi * 0.09 * 2, rel=FINE)
    assert area(made) == pytest.approx(2 * np.pi * 0.3 * 2 + 2 * np.pi * 0.09, rel=FINE)
    assert open_edges(made) == 0


def test_tapering_bar_is_a_cone_cut_off() -> None:
    made = bar(np.array([[0, 0, 0], [0, 1.5, 0]]), np.array([0.4, 0.1]), around=AROUND)
    assert volume(made) == pytest.approx(np.pi * 1.5 / 3 * (0.16 + 0.04 + 0.01), rel=FINE)


def test_bar_along_a_circle_is_a_torus_without_a_seam() -> None:
    t = np.linspace(0, 2 * np.pi, AROUND + 1)
    made = bar(np.stack([np.cos(t), np.sin(t)], -1), 0.2, around=96, closed_ends=False)
    assert volume(made) == pytest.approx(2 * np.pi**2 * 0.04, rel=FINE)
    assert area(made) == pytest.approx(4 * np.pi**2 * 0.2, rel=FINE)
    assert open_edges(made) == 0


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10**6), st.floats(0.02, 0.15))
def test_bent_bar_is_closed_and_looks_outwards(seed: int, radius: float) -> None:
    rng = np.random.default_rng(seed)
    t = np.linspace(0, 1, 40)[:, None]
    course = np.concatenate([2 * t, rng.normal(0, 0.3) * t**2, rng.normal(0, 0.3) * np.sin(3 * t)], 1)
    made = bar(course, radius)
    length = np.linalg.norm(np.diff(course, axis=0), axis=1).sum()
    assert open_edges(made) == 0
    polygon = 12 * np.sin(2 * np.pi / 24) * radius**2
    assert volume(made) == pytest.approx(polygon * length, rel=0.02)  # Pappus: area times the centre line


def test_polar_surface_from_the_top_down_is_a_body_that_looks_outwards() -> None:
    lobed = 0.5 + 0.1 * np.cos(3 * TURN)
    rings = np.stack([0 * TURN, lobed, lobed, 0 * TURN])
    made = polar_surface(TURN, rings, np.array([[1.0], [1.0], [0.25], [0.25]]), centre=np.array([0.3, 0.1]))
    # Area within r = a + b cos 3t is pi (a^2 + b^2 / 2).
    assert volume(made) == pytest.approx(np.pi * (0.25 + 0.005) * 0.75, rel=FINE)
    assert open_edges(made) == 0
    middle = made.vertices.reshape(4, AROUND, 3)
    assert np.allclose(np.hypot(middle[1, :, 0] - 0.3, middle[1, :, 1] - 0.1), lobed, atol=1e-6)


def test_polar_surface_rings_may_each_have_a_centre_and_heights_by_direction() -> None:
    heights = np.stack([np.sin(TURN), np.cos(TURN)])
    made = polar_surface(TURN, np.full((2, AROUND), 0.5), heights, centre=np.array([[0.0, 0.0], [0.2, -0.1]]))
    points = made.vertices.reshape(2, AROUND, 3)
    assert np.allclose(points[..., 2], heights, atol=1e-6)
    assert np.allclose(points[1, :, :2] - points[0, :, :2], [0.2, -0.1], atol=1e-6)


def test_box_has_its_volume_area_and_sharp_edges() -> None:
    made = box((1, 2, 3), (0.5, 1.0, 1.5))
    assert volume(made) == pytest.approx(6, rel=1e-6)
    assert area(made) == pytest.approx(2 * (2 + 3 + 6), rel=1e-6)
    assert open_edges(made) == 0
    assert made.flat


def test_grid_takes_plane_coordinates_or_its_own() -> None:
    x, y = np.meshgrid(np.linspace(-1, 1, 4), np.linspace(-1, 1, 3))
    points = np.stack([x, y, 0 * x], -1)
    own = np.random.default_rng(0).random((3, 4, 2))
    assert np.allclose(grid_mesh(points).uv, (points[..., :2].reshape(-1, 2) + 1) / 2)
    assert np.allclose(grid_mesh(points, uv=own).uv, own.reshape(-1, 2))
    assert area(grid_mesh(points)) == pytest.approx(4, rel=1e-6)
    assert np.allclose(plane_uv(np.array([[-1, -1, 5], [1, 0, -5]])), np.array([[0, 0], [1, 0.5]]))


def test_joined_meshes_keep_points_triangles_and_given_normals() -> None:
    one, two = sphere(), turned([[0, 0], [0, 0.5], [2, 0.5], [2, 0]])
    both = joined(one, two)
    assert volume(both) == pytest.approx(volume(one) + volume(two), rel=1e-5)
    assert both.normals is None
    given_normals = [Mesh(m.vertices, m.faces, m.uv, vertex_normals(m)) for m in (one, two)]
    kept = joined(*given_normals).normals
    assert kept is not None
    assert np.array_equal(kept, np.concatenate([vertex_normals(one), vertex_normals(two)]))
    assert joined(given_normals[0], two).normals is None


def test_normals_weigh_triangles_by_area() -> None:
    # A large triangle that looks up and a small one that looks along x share their first vertex.
    vertices = np.array([[0, 0, 0], [2, 0, 0], [0, 2, 0], [0, 1, 0], [0, 0, 1]], np.float32)
    made = vertex_normals(Mesh(vertices, np.array([[0, 1, 2], [0, 3, 4]], np.int32), vertices[:, :2]))
    assert np.allclose(made[0], np.array([1, 0, 4]) / np.sqrt(17), atol=1e-6)
    assert np.allclose(made[1], [0, 0, 1])
    assert np.allclose(made[4], [1, 0, 0])


@settings(max_examples=40, deadline=None)
@given(
    st.tuples(*(st.floats(-180, 180) for _ in range(3))),
    st.floats(0.2, 2),
    st.tuples(st.floats(-1, 1), st.floats(-1, 1)),
)
def test_room_and_part_frames_turn_into_each_other(
    angles: tuple[float, float, float], scale: float, shift: tuple[float, float]
) -> None:
    keys = ("tilt_deg", "tilt_towards_deg", "turn_deg")
    camera = {**dict(zip(keys, angles, strict=True)), "scale": scale, "shift": list(shift), "distance": 8.0}
    points = np.random.default_rng(0).normal(size=(9, 3))
    moved = to_room(points, camera)
    assert np.allclose(from_room(moved, camera), points, atol=1e-9)
    apart = np.linalg.norm(points[:, None] - points[None], axis=-1)
    assert np.allclose(np.linalg.norm(moved[:, None] - moved[None], axis=-1), apart)
