"""Makes triangles: surfaces of revolution and of any outline, bars along a course, boxes.

All in the part frame. Rows and columns of a grid of points become quads of two triangles each.
"""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wearvision_training.pathtrace.solid import Mesh

Points = NDArray[Any]


def plane_uv(points: Points) -> NDArray[np.float32]:
    """Texture coordinates of a raster of the part plane, (N, 2), for points (N, 3) of the part frame."""
    return np.asarray((np.asarray(points)[:, :2] + 1) / 2, np.float32)


def grid_faces(rows: int, columns: int, *, around: bool = False) -> NDArray[np.int32]:
    """Triangles of a (rows, columns) grid of vertices in row-major order; ``around`` joins last column to first."""
    width = columns if around else columns - 1
    r, c = np.meshgrid(np.arange(rows - 1), np.arange(width), indexing="ij")
    n = (c + 1) % columns
    a, b, d, e = r * columns + c, r * columns + n, (r + 1) * columns + c, (r + 1) * columns + n
    return np.concatenate([np.stack([a, d, b], -1).reshape(-1, 3), np.stack([b, d, e], -1).reshape(-1, 3)]).astype(
        np.int32
    )


def grid_mesh(points: Points, *, around: bool = False, uv: Points | None = None) -> Mesh:
    """A surface through a grid of points.

    Args:
        points: (R, C, 3).
        around: Whether the last column joins the first.
        uv: (R, C, 2); plane coordinates by default.
    """
    rows, columns = points.shape[:2]
    flat = np.asarray(points, np.float32).reshape(-1, 3)
    over = plane_uv(flat) if uv is None else np.asarray(uv, np.float32).reshape(-1, 2)
    return Mesh(flat, grid_faces(rows, columns, around=around), over)


def polar_surface(angles: Points, radii: Points, heights: Points, *, centre: Points | None = None) -> Mesh:
    """A surface about the z axis: rings of points, each with its own radius by direction.

    Args:
        angles: (A,) radians, once around.
        radii: (K, A): radius of ring k in each direction.
        heights: (K, A) or (K, 1): its height.
        centre: (2,) x, y of the axis, or (K, 2) by ring; the origin by default.
    """
    heights = np.broadcast_to(heights, np.shape(radii))
    middle = np.zeros((1, 2)) if centre is None else np.atleast_2d(np.asarray(centre, float))
    x = radii * np.cos(angles) + middle[:, :1]
    y = radii * np.sin(angles) + middle[:, 1:]
    return grid_mesh(np.stack([x, y, heights], -1), around=True)


def revolved(
    profile: Points, origin: Points, along: Points, *, around: int = 96, steps: float = 0.0
) -> Mesh:
    """A body of revolution about an axis in the part plane.

    Args:
        profile: (K, 2) distance along the axis and radius, both ends included; a radius of 0 closes it.
        origin: (2,) or (3,) start of the axis. along: (2,) unit vector of the axis.
        around: Vertices around.
        steps: Longest step along the axis; longer pieces are divided (0: as given).
    """
    table = np.asarray(profile, float)
    if steps > 0:
        table = _divided(table, steps)
    start = np.zeros(3)
    start[: len(origin)] = origin
    a = np.array([along[0], along[1], 0.0])
    across, up = np.array([-a[1], a[0], 0.0]), np.array([0.0, 0.0, 1.0])
    turn = np.linspace(0, 2 * np.pi, around, endpoint=False)
    ring = np.cos(turn)[:, None] * up + np.sin(turn)[:, None] * across
    points = start + table[:, :1, None] * a + table[:, 1:, None] * ring
    return grid_mesh(points, around=True)


def _divided(table: Points, step: float) -> NDArray[np.float64]:
    rows = [table[0]]
    for a, b in itertools.pairwise(table):
        count = max(1, int(np.ceil(np.hypot(*(b - a)) / step)))
        rows += [a + (b - a) * k / count for k in range(1, count + 1)]
    return np.array(rows)


def bar(course: Points, radius: float | Points, *, around: int = 24, closed_ends: bool = True) -> Mesh:
    """A round bar along a course of points; uv are plane coordinates.

    Args:
        course: (N, 3) or (N, 2) points of the centre line; one that ends where it began, with open ends, is a ring.
        radius: One, or (N,) by point.
        around: Vertices around.
        closed_ends: Whether a disc closes each end.
    """
    line = np.zeros((len(course), 3))
    line[:, : np.shape(course)[1]] = course
    radii = np.broadcast_to(np.asarray(radius, float), (len(line),))
    if closed_ends:
        line = np.concatenate([line[:1], line, line[-1:]])
        radii = np.concatenate([[0.0], radii, [0.0]])
    # Doubled end points have no direction of their own: take it from the points that differ.
    ahead: NDArray[np.float64] = np.asarray(np.gradient(line, axis=0))
    if closed_ends:
        ahead[0], ahead[1], ahead[-1], ahead[-2] = (
            line[2] - line[1], line[2] - line[1], line[-2] - line[-3], line[-2] - line[-3],
        )  # fmt: skip
    elif np.allclose(line[0], line[-1]):
        ahead[0] = ahead[-1] = line[1] - line[-2]
    ahead /= np.maximum(np.linalg.norm(ahead, axis=1, keepdims=True), 1e-9)
    side = np.cross(ahead, [0.0, 0.0, 1.0])
    weak = np.linalg.norm(side, axis=1) < 1e-3
    side[weak] = np.cross(ahead[weak], [1.0, 0.0, 0.0])
    side /= np.linalg.norm(side, axis=1, keepdims=True)
    up = np.cross(side, ahead)
    turn = np.linspace(0, 2 * np.pi, around, endpoint=False)
    ring = np.cos(turn)[None, :, None] * side[:, None] + np.sin(turn)[None, :, None] * up[:, None]
    return grid_mesh(line[:, None] + radii[:, None, None] * ring, around=True)


def box(centre: Points, half: Points) -> Mesh:
    """A box with its sides along the axes, flat shaded; uv are plane coordinates."""
    signs = np.array([[x, y, z] for x in (-1, 1) for y in (-1, 1) for z in (-1, 1)], float)
    corners = np.asarray(centre, float) + signs * np.asarray(half, float)
    quads = [(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)]
    faces = [[q[0], q[1], q[2]] for q in quads] + [[q[0], q[2], q[3]] for q in quads]
    vertices = corners.astype(np.float32)
    return Mesh(vertices, np.array(faces, np.int32), plane_uv(vertices), flat=True)


def joined(*meshes: Mesh) -> Mesh:
    """Several meshes as one; all flat or none, normals kept only if all have them."""
    offsets = np.cumsum([0, *(len(m.vertices) for m in meshes[:-1])])
    normals = [m.normals for m in meshes if m.normals is not None]
    return Mesh(
        np.concatenate([m.vertices for m in meshes]),
        np.concatenate([m.faces + np.int32(o) for m, o in zip(meshes, offsets, strict=True)]),
        np.concatenate([m.uv for m in meshes]),
        np.concatenate(normals) if len(normals) == len(meshes) else None,
        meshes[0].flat,
    )


def vertex_normals(mesh: Mesh) -> NDArray[np.float32]:
    """Normals averaged over the triangles about each vertex, by area; (N, 3)."""
    a, b, c = (mesh.vertices[mesh.faces[:, k]] for k in range(3))
    across = np.cross(b - a, c - a)
    total = np.zeros((len(mesh.vertices), 3))
    for axis in range(3):
        for corner in range(3):
            total[:, axis] += np.bincount(mesh.faces[:, corner], across[:, axis], len(mesh.vertices))
    lengths = np.linalg.norm(total, axis=1, keepdims=True)
    fallback = np.array([0.0, 0.0, 1.0])
    return np.where(lengths > 1e-12, total / np.maximum(lengths, 1e-12), fallback).astype(np.float32)
