"""Rods, springs and sheet metal of an electrode as meshes."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wearvision_training.pathtrace.electrode_form import FLAT_POWER, FLAT_THICKNESS, directions, outward
from wearvision_training.pathtrace.mesh import bar, grid_mesh, joined, polar_surface
from wearvision_training.pathtrace.solid import Mesh
from wearvision_training.sketch.electrode_shapes import axes_of, centre_line
from wearvision_training.wear.electrode import TIP_REACH, tip_edges

Points = NDArray[np.float64]
Record = Mapping[str, Any]

ROD_AROUND = 40
EVEN_TIPS = ("taper", "round", "thin")
"""Ends that wear takes from all around; from the others it takes one side."""
LEAST_CHAMFER = 0.04  # rod radii: no real edge is sharper, and a sharp one catches no light
SHEET = 0.022
"""Thickness of sheet metal, plane units: about 1 mm."""


def rod(record: Record, tip: Record, rng: np.random.Generator) -> Mesh:
    """A rod along its course, its end worn as ``tip`` says: the outline from the front is that of ``tip_edges``."""
    radius = float(record["radius"])
    line = centre_line(record)
    arc = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    end = arc[-1] - float(tip.get("setback", 0.0)) * radius
    stations, back = _stations(arc, end, radius)
    steps, low, high = tip_edges(tip, max(float(record["chamfer"]) / radius, LEAST_CHAMFER))
    low, high = (np.interp(back, steps, edge) for edge in (low, high))
    turn = directions(ROD_AROUND)
    ring = _evenly(low, high, turn) if tip["kind"] in EVEN_TIPS else _one_sided(low, high, turn)
    ring[..., 1] *= 1 - float(tip["rough"]) * np.clip(1.5 - back / 3, 0, 1)[:, None] * rng.random(ring.shape[:2])
    centre = _at(line, arc, stations)
    ahead = _at(line, arc, stations + 0.3 * radius) - _at(line, arc, stations - 0.3 * radius)
    ahead /= np.hypot(*ahead.T)[:, None]
    across = np.stack([-ahead[:, 1], ahead[:, 0]], -1)
    points = np.empty((*ring.shape[:2], 3))
    points[..., :2] = centre[:, None] + radius * ring[..., :1] * across[:, None]
    points[..., 2] = radius * ring[..., 1]
    # The end face has vertices of its own, so that its edge stays sharp.
    middle = points[-1].mean(0)
    face = np.stack([points[-1], 0.5 * (points[-1] + middle), np.broadcast_to(middle, points[-1].shape)])
    face[1:] += np.append(ahead[-1], 0) * radius * 0.03 * rng.random((2, 1, 1))
    return joined(outward(grid_mesh(points, around=True)), _facing(grid_mesh(face, around=True), ahead[-1]))


def _facing(mesh: Mesh, ahead: Points) -> Mesh:
    """A face with its triangles turned towards ``ahead``."""
    a, b, c = (mesh.vertices[mesh.faces[:, k]].astype(float) for k in range(3))
    if float(np.cross(b - a, c - a).sum(0)[:2] @ ahead) >= 0:
        return mesh
    return Mesh(mesh.vertices, np.ascontiguousarray(mesh.faces[:, ::-1]), mesh.uv)


def _stations(arc: Points, end: float, radius: float) -> tuple[Points, Points]:
    """Distances along the course of the rings, and back from the worn end in radii; dense near the end."""
    near = np.concatenate([[0.0, 0.02, 0.045, 0.08], np.arange(0.13, TIP_REACH, 0.13), [TIP_REACH]])
    far = np.concatenate([arc[arc < end - TIP_REACH * radius], np.arange(arc[0], end - TIP_REACH * radius, radius)])
    stations = np.unique(np.concatenate([far, end - near * radius]))
    stations = stations[(stations >= 0) & (stations <= end)]
    return stations, (end - stations) / radius


def _at(line: Points, arc: Points, s: Points) -> Points:
    """Points of a course at distances along it; beyond its ends it runs on straight."""
    inside = np.clip(s, arc[0], arc[-1])
    points = np.stack([np.interp(inside, arc, line[:, k]) for k in range(2)], -1)
    first, last = (leg / np.hypot(*leg) for leg in (line[1] - line[0], line[-1] - line[-2]))
    points += np.clip(s - arc[-1], 0, None)[:, None] * last + np.clip(s - arc[0], None, 0)[:, None] * first
    return points


def _evenly(low: Points, high: Points, turn: Points) -> Points:
    """Rings of unit radius, (N, A, 2), shrunk about their middle."""
    middle, half = ((low + high) / 2)[:, None], ((high - low) / 2)[:, None]
    return np.stack([middle + half * np.cos(turn), half * np.sin(turn)], -1)


def _one_sided(low: Points, high: Points, turn: Points) -> Points:
    """Rings of unit radius, (N, A, 2), cut flat at ``low`` and ``high``."""
    across = np.clip(np.cos(turn), low[:, None], high[:, None])
    return np.stack([across, np.sign(np.sin(turn)) * np.minimum(np.abs(np.sin(turn)), np.sqrt(1 - across**2))], -1)


def coil(body: Record) -> Mesh:
    """A contact spring, wound about its axis, for a body whose profile waves once a turn."""
    profile = np.asarray(body["profile"], float)
    turns, long, outer = len(profile) // 8, float(profile[-1, 0]), float(profile[:, 1].max())
    wire = min(0.46 * long / turns, 0.3 * outer)
    s = np.linspace(0, 1, turns * 20)
    turn = 2 * np.pi * turns * s
    local = np.stack([long * s, (outer - wire) * np.cos(turn), (outer - wire) * np.sin(turn)], -1)
    origin, along, across = axes_of(body)
    course = np.concatenate([origin + local[:, :1] * along + local[:, 1:2] * across, local[:, 2:]], -1)
    return outward(bar(course, wire, around=10))


def plate(record: Record, base: float, *, block: bool) -> Mesh:
    """A sheet with rounded corners, bent over the insulators where it has humps.

    Args:
        record: Its record in the design.
        base: Height of its middle where it lies flat.
        block: Whether the insulator is a block rather than round.
    """
    centre, half = np.asarray(record["centre"], float), np.asarray(record["half"], float)
    y = np.linspace(-half[1], half[1], 400)
    path = _resampled(np.stack([y, base + lift(record, centre[1] + y, block=block)], -1), 0.012)
    ends = np.minimum(path[:, 0] + half[1], half[1] - path[:, 0])
    corner = float(record["corner"])
    room = np.clip(corner - ends, 0, corner)
    width = half[0] - corner + np.sqrt(np.clip(corner**2 - room**2, 0, None))
    thick = SHEET / 2 * np.sqrt(np.clip(1 - np.clip(1 - ends / (0.4 * SHEET), 0, 1) ** 2, 0.15, None))
    ahead = np.gradient(path, axis=0)
    ahead /= np.hypot(*ahead.T)[:, None]
    rim = _sheet_section()
    points = np.empty((len(path), len(rim), 3))
    edge = np.minimum(0.4 * SHEET, 0.3 * width)[:, None]
    points[..., 0] = centre[0] + rim[:, 0] * (width[:, None] - edge) + rim[:, 1] * edge
    points[..., 1] = centre[1] + path[:, :1] - rim[:, 2] * (thick * ahead[:, 1])[:, None]
    points[..., 2] = path[:, 1:] + rim[:, 2] * (thick * ahead[:, 0])[:, None]
    caps = [np.broadcast_to(points[k].mean(0), points[k].shape)[None] for k in (0, -1)]
    return outward(grid_mesh(np.concatenate([caps[0], points, caps[1]]), around=True))


def lift(record: Record, y: Points, *, block: bool) -> Points:
    """How far a sheet rises over its flat part at plane heights ``y``."""
    rise = np.zeros_like(y)
    for line, over in record["humps"]:
        off = np.clip(np.abs(y - line) / over, 0, 1)
        shape = FLAT_THICKNESS * (1 - off**FLAT_POWER) ** (1 / FLAT_POWER) if block else np.sqrt(1 - off**2)
        rise = np.maximum(rise, over * shape)
    return rise


def _resampled(path: Points, step: float) -> Points:
    """A path (N, 2) at even steps, its sharp bends smoothed as a press does."""
    arc = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])
    s = np.linspace(0, arc[-1], max(int(arc[-1] / step), 12))
    even = np.stack([np.interp(s, arc, path[:, k]) for k in range(2)], -1)
    smooth = np.concatenate([even[:1], (even[:-2] + 2 * even[1:-1] + even[2:]) / 4, even[-1:]])
    # The two ends get rings of their own where corners and edges are rounded.
    extra = np.array([0.0, 0.15, 0.4, 0.7]) * step
    head = np.stack([np.interp(extra, arc, path[:, k]) for k in range(2)], -1)
    tail = np.stack([np.interp(arc[-1] - extra, arc, path[:, k]) for k in range(2)], -1)[::-1]
    return np.concatenate([head, smooth[1:-1], tail])


def _sheet_section() -> Points:
    """Points around a sheet's edge, (A, 3): shares of flat half-width and of edge radius, and side up or down."""
    flat = np.array([-1, -0.9, -0.4, 0.0, 0.4, 0.9, 1])
    arc = np.linspace(np.pi / 2, -np.pi / 2, 7)[1:-1]
    top = np.stack([flat, 0 * flat, 0 * flat + 1], -1)
    right = np.stack([0 * arc + 1, np.cos(arc), np.sin(arc)], -1)
    bottom = np.stack([flat[::-1], 0 * flat, 0 * flat - 1], -1)
    left = np.stack([0 * arc - 1, -np.cos(arc), -np.sin(arc)], -1)
    return np.concatenate([top, right, bottom, left])


def screw(x: float, y: float, radius: float, turn_deg: float, base: float) -> Mesh:
    """A screw's domed head with its slot, on a sheet whose top lies at ``base``."""
    angles = np.linspace(0, 2 * np.pi, 64, endpoint=False)
    shares = np.array([1.0, 1.0, 0.96, 0.88, 0.75, 0.6, 0.45, 0.3, 0.15, 0.0])
    radii = np.broadcast_to(radius * shares[:, None], (len(shares), len(angles)))
    dome = 0.32 * np.sqrt(np.clip(1 - shares**2, 0, None)) + 0.16
    dome[0] = -0.2
    height = np.broadcast_to(base + radius * dome[:, None], radii.shape).copy()
    off = np.abs(radii * np.sin(angles - np.deg2rad(turn_deg)))
    height[1:] -= radius * 0.3 * np.clip((0.17 * radius - off[1:]) / (0.05 * radius), 0, 1)
    return outward(polar_surface(angles, radii, height, centre=np.array([x, y])))
