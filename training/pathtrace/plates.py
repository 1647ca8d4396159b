"""Cuts a flat piece of any outline as a body: rounded upper edge, upright wall, smooth silhouette."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from wearvision_training.pathtrace.mesh import plane_uv
from wearvision_training.pathtrace.solid import Mesh
from wearvision_training.sketch.distance import depth_inside
from wearvision_training.sketch.noise import Plane

Grid = NDArray[np.float32]


def plate(cover: NDArray[np.uint8], top: float, bottom: float, bevel: float, cells: int = 96) -> Mesh | None:
    """The body under an outline that is drawn as antialiased cover of the part plane; None for an empty one.

    Args:
        cover: (P, P) uint8, 255 inside.
        top: Height of the outline's upper edge; a bevel rises over it, as in the sketch.
        bottom: Height of its foot.
        bevel: Radius of the rounded edge, a quarter circle inwards.
        cells: Grid cells along the longer side of the outline's box; its edge is smooth at any number.
    """
    box = cv2.boundingRect((cover > 127).astype(np.uint8))
    if box[2] == 0 or box[3] == 0:
        return None
    x, y = _axes(box, cover.shape[0], cells)
    left, upper = max(box[0] - 4, 0), max(box[1] - 4, 0)
    piece = cover[upper : box[1] + box[3] + 4, left : box[0] + box[2] + 4]
    depth = _inward(piece, (x + 1) * cover.shape[0] / 2 - left, (y + 1) * cover.shape[0] / 2 - upper)
    depth *= np.float32(2 / cover.shape[0])
    step = float(x[1] - x[0])
    keep = depth > -0.999 * step
    inside = keep[:-1, :-1] & keep[1:, :-1] & keep[:-1, 1:] & keep[1:, 1:]
    centre = (depth[:-1, :-1] + depth[1:, :-1] + depth[:-1, 1:] + depth[1:, 1:]) > -step
    r, c = np.nonzero(inside & centre)
    if len(r) == 0:
        return None
    slope_y, slope_x = np.gradient(depth, y, x)
    steep = np.maximum(slope_x**2 + slope_y**2, 0.3)
    # Points outside are drawn onto the outline along its normal, so that the grid leaves no steps.
    out = np.minimum(depth, 0)
    points = np.stack([x[None, :] - out * slope_x / steep, y[:, None] - out * slope_y / steep], -1)
    height = top + rounding(np.maximum(depth, 0), bevel)
    columns = len(x)
    a = r * columns + c
    quads = np.stack([a, a + columns, a + columns + 1, a + 1], -1)
    faces = np.concatenate([quads[:, [0, 1, 3]], quads[:, [3, 1, 2]]])
    return _walled(np.dstack([points, height]).reshape(-1, 3), faces, quads, bottom)


def rounding(depth: Plane, radius: float) -> Plane:
    """Rise of a quarter circle of ``radius`` over the distance from an edge; 0 for none."""
    if radius < 0.004:
        return np.zeros_like(depth)
    inward = np.clip(depth / radius, 0, 1)
    return np.asarray(radius * np.sqrt(1 - (1 - inward) ** 2), np.float32)


def _axes(box: Sequence[int], raster: int, cells: int) -> tuple[Grid, Grid]:
    """Coordinates of square grid cells over a raster box and two cells more all around."""
    left, top, width, height = (v * 2 / raster for v in box)
    step = max(width, height) / cells
    x = left - 1 + step * np.arange(-2, int(np.ceil(width / step)) + 3)
    y = top - 1 + step * np.arange(-2, int(np.ceil(height / step)) + 3)
    return x.astype(np.float32), y.astype(np.float32)


def _inward(cover: NDArray[np.uint8], x: Grid, y: Grid) -> Plane:
    """Distance inwards from the outline at grid points, all in raster pixels, negative outside."""
    # A frame of two empty pixels keeps outlines that reach the plane's edge closed.
    framed = cv2.copyMakeBorder(cover, 2, 2, 2, 2, cv2.BORDER_CONSTANT, value=0)
    solid = framed > 127
    signed = np.where(solid, depth_inside(solid) - 0.5, 0.5 - depth_inside(~solid)).astype(np.float32)
    # At the edge itself the antialiased cover tells the distance to a fraction of a pixel.
    edge = (framed > 0) & (framed < 255)
    signed[edge] = framed[edge] / np.float32(255) - np.float32(0.5)
    u, v = np.meshgrid(x + 1.5, y + 1.5)
    seen = cv2.remap(signed, u.astype(np.float32), v.astype(np.float32), cv2.INTER_LINEAR, borderValue=-50.0)
    return np.asarray(seen, np.float32)


def _walled(points: NDArray[np.float64], faces: NDArray[np.int64], quads: NDArray[np.int64], bottom: float) -> Mesh:
    """The top with smooth normals, and a wall of its own under each edge that only one cell has."""
    edges = np.concatenate([quads[:, [k, (k + 1) % 4]] for k in range(4)])
    keys = np.sort(edges, 1)
    _, first, count = np.unique(keys[:, 0] * len(points) + keys[:, 1], return_index=True, return_counts=True)
    rim = edges[first[count == 1]]
    used, renumbered = np.unique(faces, return_inverse=True)
    flat = points[used]
    ring, at = np.unique(rim, return_inverse=True)
    at = at.reshape(rim.shape)
    upper, lower = points[ring], points[ring].copy()
    lower[:, 2] = bottom
    n, m = len(flat), len(ring)
    wall = np.concatenate([
        np.stack([at[:, 0], at[:, 0] + m, at[:, 1]], -1), np.stack([at[:, 1], at[:, 0] + m, at[:, 1] + m], -1),
    ])  # fmt: skip
    vertices = np.concatenate([flat, upper, lower]).astype(np.float32)
    return Mesh(
        vertices, np.concatenate([renumbered.reshape(-1, 3), wall + n]).astype(np.int32), plane_uv(vertices)
    )
