"""Ceramics and turned metal of an electrode as meshes: cross-sections along an axis, edges rounded, chips cut out.

A body is first a grid of points in its own frame, (K, A, 3): distance along its axis, across it in the part plane,
and towards the camera. Ring by ring it may be cut or dented before it is placed.
"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wearvision_training.pathtrace.mesh import grid_mesh
from wearvision_training.pathtrace.solid import Mesh
from wearvision_training.sketch.electrode_shapes import axes_of, break_reach
from wearvision_training.sketch.electrode_surface import edge_at

Points = NDArray[np.float64]
Body = Mapping[str, Any]

AROUND = 80
CUT_AROUND = 144
FLAT_THICKNESS = 0.5
"""Thickness of a block over its width: two rods beside one another need no more."""
FLAT_POWER = 3.2
HEX_APOTHEM = 0.866
FLUTE_DEPTH = 0.09


def directions(count: int, *, to_sides: float = 0.0) -> Points:
    """Angles around a body, (A,): 0 is across in the plane, a quarter turn is towards the camera.

    Args:
        count: How many.
        to_sides: 0 to 0.45: how much closer they lie at the two edges seen from the front.
    """
    turn = np.linspace(0, 2 * np.pi, count, endpoint=False) - np.pi / 2
    return turn - to_sides * np.sin(2 * turn)


def section(body: Body, turn: Points) -> Points:
    """Cross-section of unit half-width, (A, 2): across and towards the camera."""
    c, s = np.cos(turn), np.sin(turn)
    if body.get("flat"):
        power = 2 / FLAT_POWER
        return np.stack([np.sign(c) * np.abs(c) ** power, FLAT_THICKNESS * np.sign(s) * np.abs(s) ** power], -1)
    if body.get("flutes"):
        # Crests lie at the two edges, so that the outline keeps the profile's width.
        trough = 0.5 - 0.5 * np.cos(2 * int(body["flutes"]) * turn)
        return np.stack([c, s], -1) * (1 - FLUTE_DEPTH * trough)[:, None]
    return np.stack([c, s], -1)


def rounded(profile: Points, fillet: float, step: float) -> Points:
    """A profile with its corners rounded and its long pieces divided, (K, 2).

    Args:
        profile: (N, 2) distance along the axis and radius.
        fillet: Longest cut off a leg at a corner, plane units.
        step: Longest piece, plane units.
    """
    made = [profile[0]]
    for before, corner, after in zip(profile[:-2], profile[1:-1], profile[2:], strict=True):
        legs = before - corner, after - corner
        lengths = [float(np.hypot(*leg)) for leg in legs]
        if min(lengths) < 1e-6:
            continue
        cuts = [min(fillet, 0.42 * length) for length in lengths]
        a, b = (corner + leg / length * cut for leg, length, cut in zip(legs, lengths, cuts, strict=True))
        bow = np.linspace(0, 1, 4)[:, None]
        made += list((1 - bow) ** 2 * a + 2 * bow * (1 - bow) * corner + bow**2 * b)
    made.append(profile[-1])
    return _divided(np.array(made), step)


def _divided(table: Points, step: float) -> Points:
    rows = [table[:1]]
    for a, b in pairwise(table):
        count = max(1, int(np.ceil(abs(b[0] - a[0]) / step)))
        rows.append(a + (b - a) * (np.arange(1, count + 1) / count)[:, None])
    return np.concatenate(rows)


def closed(profile: Points, *, bore: float = 0.0) -> Points:
    """A profile with both ends closed by a face; the front one keeps a hole of radius ``bore`` about the axis."""
    first, last = profile[0], profile[-1]
    if bore <= 0 or bore * 1.3 >= last[1]:
        return np.concatenate([[[first[0], 0.0]], profile, [[last[0], 0.0]]])
    hole = [[last[0], bore * 1.25], [last[0] - 0.3 * bore, bore], [last[0] - 2 * bore, bore], [last[0] - 2 * bore, 0.0]]
    return np.concatenate([[[first[0], 0.0]], profile, hole])


def lathe(profile: Points, shape: Points) -> Points:
    """Rings of a cross-section (A, 2) along a profile (K, 2), in the body's own frame, (K, A, 3)."""
    along = np.broadcast_to(profile[:, :1], (len(profile), len(shape)))
    return np.concatenate([along[..., None], profile[:, 1, None, None] * shape], -1)


def placed(body: Body, local: Points, z: float = 0.0, *, around: bool = True) -> Mesh:
    """A grid of a body's own frame, put in its place in the part, its triangles turned outwards."""
    origin, along, across = axes_of(body)
    points = np.empty_like(local)
    points[..., :2] = origin + local[..., :1] * along + local[..., 1:2] * across
    points[..., 2] = local[..., 2] + z
    return outward(grid_mesh(points, around=around))


def outward(mesh: Mesh) -> Mesh:
    """The mesh with its triangles turned so that normals point out of the body: relief needs to know up from down."""
    a, b, c = (mesh.vertices[mesh.faces[:, k]].astype(float) for k in range(3))
    if float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum()) >= 0:
        return mesh
    return Mesh(mesh.vertices, np.ascontiguousarray(mesh.faces[:, ::-1]), mesh.uv, mesh.normals, mesh.flat)


def ceramic(piece: Body, chip: Body | None, waves: Points | None, bore: float, rng: np.random.Generator) -> Mesh:
    """An insulator.

    Args:
        piece: Its record in the design.
        chip: The bite out of it, or None. waves: Phases of the bite's edge.
        bore: Radius of the rod's hole in its front, 0 for none.
        rng: For the grain of the break.
    """
    profile = np.asarray(piece["profile"], float)
    table = rounded(closed(profile, bore=bore), 0.1 * float(profile[:, 1].max()), 0.03)
    if chip is None or waves is None:
        return placed(piece, lathe(table, section(piece, directions(AROUND))))
    table = _finer(table, float(chip["at"]), 1.4 * float(chip["length"]))
    local = lathe(table, section(piece, directions(CUT_AROUND, to_sides=0.36)))
    return placed(piece, broken(local, piece, chip, waves, rng))


def _finer(table: Points, at: float, reach: float) -> Points:
    """A profile with more rings about a place."""
    pieces = [table[:1]]
    for a, b in pairwise(table):
        close = abs((a[0] + b[0]) / 2 - at) < reach + 0.03
        pieces.append(_divided(np.stack([a, b]), max(reach / 40, 0.004) if close else 9.0)[1:])
    return np.concatenate(pieces)


def broken(local: Points, piece: Body, chip: Body, waves: Points, rng: np.random.Generator) -> Points:
    """A ceramic's grid with the bite cut away: the same outline as from the front, its break shelly and bevelled."""
    edge, side = edge_at(piece, chip), float(chip["side"])
    depth, length = float(chip["depth"]), float(chip["length"])
    made = local.copy()
    across = local[..., 1] * side
    limit = _cut_table(local[:, 0, 0], edge, chip, waves)[:, None]
    lost = across > limit
    # A shell-shaped hollow: deepest in the middle of the break, level with the cut at its edges.
    half = np.sqrt(np.clip(edge**2 - np.minimum(limit, edge) ** 2, 1e-9, None))
    inside = np.clip(1 - (local[..., 2] / half) ** 2, 0, 1)
    hollow = depth * (0.10 * inside + 0.05 * inside * rng.standard_normal(lost.shape))
    made[..., 1] = np.where(lost, side * (np.minimum(across, limit) - np.abs(hollow)), made[..., 1])
    du, dv = (local[..., 0] - float(chip["at"])) / length, (across - edge) / depth
    reach = break_reach(du.astype(np.float32), dv.astype(np.float32), chip, waves.tolist())
    near = np.clip(1 - np.maximum(reach, 0) / float(chip["bevel"]), 0, 1)
    sink = 0.35 * min(depth, length) * near**2 * (~lost)
    made[..., 2] -= np.sign(local[..., 2]) * np.minimum(sink, 0.8 * np.abs(local[..., 2]))
    return made


def _cut_table(u: Points, edge: float, chip: Body, waves: Points) -> Points:
    """How far out ceramic is left at each distance along the axis, (K,); infinite beside the bite."""
    steps = np.linspace(-1.5, 0.6, 160, dtype=np.float32)
    du = ((u - float(chip["at"])) / float(chip["length"])).astype(np.float32)
    gone = break_reach(du[:, None], np.broadcast_to(steps, (len(u), len(steps))), chip, waves.tolist()) < 0
    found = edge + float(chip["depth"]) * steps[gone.argmax(1)]
    return np.where(gone.any(1), found, np.inf)


def turned_metal(body: Body, z: float) -> Mesh:
    """A stud, boot, shell or nozzle about an axis at height ``z``: hexagonal where it is widest, if it has facets."""
    profile = np.asarray(body["profile"], float)
    widest = float(profile[:, 1].max())
    table = rounded(closed(profile), 0.06 * widest, 0.05)
    turn = directions(AROUND + 16)
    local = lathe(table, section(body, turn))
    if body.get("facets"):
        local[..., 1:] *= _hexagonal(table, widest, turn)[..., None]
    return placed(body, local, z)


def _hexagonal(table: Points, widest: float, turn: Points) -> Points:
    """Shares of the radius, (K, A), that make a hexagon with chamfered corners of the widest stretch."""
    flat = HEX_APOTHEM / np.cos(np.mod(turn, np.pi / 3) - np.pi / 6)
    wide = table[table[:, 1] > 0.97 * widest, 0]
    ends = np.minimum(table[:, 0] - wide.min(), wide.max() - table[:, 0])
    chamfer = np.clip(0.93 + 0.4 * np.clip(ends, 0, None) / widest, 0, 0.99)
    hexed = np.minimum(flat[None, :], chamfer[:, None])
    return np.where((table[:, 1] > 0.97 * widest)[:, None], hexed, 1.0 if len(wide) < len(table) else hexed)


def threaded(body: Body) -> Mesh:
    """A screw thread: a ridge that climbs by one pitch a turn; the seam lies behind."""
    profile = np.asarray(body["profile"], float)
    low, high = float(profile[:, 1].min()), float(profile[:, 1].max())
    first, last = float(profile[0, 0]), float(profile[-1, 0])
    pitch = (last - first) / max(len(profile) // 2, 1)
    u = np.linspace(first, last, max(len(profile) // 2, 1) * 10 + 1)
    turn = directions(AROUND)
    phase = 2 * np.pi * (u[:, None] - first) / pitch - turn[None, :]
    radius = low + (high - low) * np.clip(0.5 + 0.75 * np.cos(phase), 0, 1)
    ends = np.zeros((1, len(turn)))
    radius = np.concatenate([ends, radius, ends])
    along = np.broadcast_to(np.r_[first, u, last][:, None], radius.shape)
    return placed(body, np.stack([along, radius * np.cos(turn), radius * np.sin(turn)], -1))
