"""Rasters of an electrode's bodies: cover, relief and local coordinates, each only over the box that holds it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wearvision_training.wear.electrode import TIP_REACH, tip_edges

Plane = NDArray[np.float32]
Box = tuple[slice, slice]

TABLE = 1024  # steps of a radius or edge table along the axis


@dataclass(frozen=True, slots=True)
class Patch:
    """A body over its box of the raster.

    Attributes:
        box: Rows and columns of the raster.
        alpha: Cover, 0 to 1.
        height: Relief, plane units.
        u: Distance along the axis (for a rod: back from its actual end), plane units.
        v: Distance across the axis, plane units, signed.
        radius: Half-width at each pixel's ``u``.
    """

    box: Box
    alpha: Plane
    height: Plane
    u: Plane
    v: Plane
    radius: Plane


@lru_cache(maxsize=8)
def axis(size: int) -> Plane:
    """Plane coordinate of pixel centres, (P,) float32."""
    return ((np.arange(size, dtype=np.float32) + 0.5) * (2.0 / size) - 1.0).astype(np.float32)


def box_around(points: NDArray[np.float64], margin: float, size: int) -> Box:
    """Rows and columns that hold some points and a margin, within the raster; at least one pixel."""
    low, high = points.min(0) - margin, points.max(0) + margin
    start = np.clip(np.floor((low + 1) * size / 2).astype(int), 0, size - 1)
    stop = np.clip(np.ceil((high + 1) * size / 2).astype(int) + 1, start + 1, size)
    return slice(int(start[1]), int(stop[1])), slice(int(start[0]), int(stop[0]))


def axes_of(body: Mapping[str, Any]) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Origin, unit vector along and unit vector across of a body."""
    turn = np.deg2rad(body["angle"])
    c, s = float(np.cos(turn)), float(np.sin(turn))
    return np.asarray(body["origin"], np.float64), np.array([c, s]), np.array([-s, c])


def to_plane(body: Mapping[str, Any], points: NDArray[np.float64]) -> NDArray[np.float64]:
    """Points (N, 2) of a body's own frame, in the part plane."""
    origin, along, across = axes_of(body)
    return origin + points[:, :1] * along + points[:, 1:2] * across


def turned(body: Mapping[str, Any], size: int) -> Patch:
    """A body of revolution (or a slab with rounded edges, or a hexagon) seen from the side."""
    profile = np.asarray(body["profile"], np.float64)
    ends = np.concatenate([profile * [1, 1], profile * [1, -1]])
    box = box_around(to_plane(body, ends), 4.0 / size, size)
    u, v = _local(body, box, size)
    first, last = profile[0, 0], profile[-1, 0]
    table_u = np.linspace(first, last, TABLE)
    table = np.interp(table_u, profile[:, 0], profile[:, 1]).astype(np.float32)
    index = np.clip((u - first) * ((TABLE - 1) / (last - first)), 0, TABLE - 1).astype(np.int32)
    slope = np.gradient(table, table_u[1] - table_u[0])
    level = (1 / np.sqrt(1 + np.minimum(slope**2, 9))).astype(np.float32)
    radius = table[index]
    across = np.abs(v)
    half_px = size / 2
    inside = (radius - across) * level[index]
    alpha = _cover(np.minimum(inside, np.minimum(u - first, last - u)), half_px)
    return Patch(box, alpha, _relief(body, radius, across, v), u, v, radius)


def _local(body: Mapping[str, Any], box: Box, size: int) -> tuple[Plane, Plane]:
    origin, along, across = axes_of(body)
    x = axis(size)[None, box[1]] - np.float32(origin[0])
    y = axis(size)[box[0], None] - np.float32(origin[1])
    u = x * np.float32(along[0]) + y * np.float32(along[1])
    v = x * np.float32(across[0]) + y * np.float32(across[1])
    return u, v


def _cover(distance: Plane, half_px: float) -> Plane:
    """Cover from a signed distance in plane units: one pixel wide ramp about the edge."""
    return np.asarray(np.clip(distance * np.float32(half_px) + np.float32(0.5), 0, 1), np.float32)


def _relief(body: Mapping[str, Any], radius: Plane, across: Plane, v: Plane) -> Plane:
    if body.get("flat"):
        edge = 0.35 * radius
        over = np.clip((across - (radius - edge)) / np.maximum(edge, 1e-6), 0, 1)
        return np.asarray(0.6 * edge * np.sqrt(1 - over * over), np.float32)
    if body.get("facets"):
        # A hexagon with a flat towards the camera: its sides fall away from half the width on.
        return np.asarray(0.86 * radius - 0.9 * np.clip(across - 0.5 * radius, 0, None), np.float32)
    height = np.sqrt(np.clip(radius * radius - across * across, 0, None))
    if body.get("flutes"):
        phase = np.arcsin(np.clip(v / np.maximum(radius, 1e-6), -0.999, 0.999))
        height = height - 0.05 * radius * (0.5 + 0.5 * np.cos(phase * 2 * body["flutes"]))
    return np.asarray(height, np.float32)


def centre_line(rod: Mapping[str, Any]) -> NDArray[np.float64]:
    """A rod's course with its corners rounded as bending does, (N, 2); the end stays where it is."""
    points = np.asarray(rod["points"], np.float64)
    made = [points[0]]
    for before, corner, after in zip(points[:-2], points[1:-1], points[2:], strict=True):
        legs = [corner - before, after - corner]
        lengths = [float(np.hypot(*leg)) for leg in legs]
        cut = min(2.5 * rod["radius"], 0.45 * lengths[0], 0.3 * lengths[1])
        a, b = corner - legs[0] / lengths[0] * cut, corner + legs[1] / lengths[1] * cut
        steps = np.linspace(0, 1, 6)[:, None]
        made += list((1 - steps) ** 2 * a + 2 * steps * (1 - steps) * corner + steps**2 * b)
    made.append(points[-1])
    return np.array(made)


def rod_patch(rod: Mapping[str, Any], tip: Mapping[str, Any], size: int) -> Patch:
    """A rod along its course, its end worn as ``tip`` says."""
    line = centre_line(rod)
    radius = float(rod["radius"])
    box = box_around(line, radius + 4.0 / size, size)
    s, v, total = _along(line, box, size)
    t = np.float32(total - float(tip.get("setback", 0.0)) * radius) - s
    steps, low, high = tip_edges(tip, rod["chamfer"] / radius)
    index = np.clip(t / radius * ((len(steps) - 1) / TIP_REACH), 0, len(steps) - 1).astype(np.int32)
    slopes = [np.gradient(edge, steps[1]) for edge in (low, high)]
    level = [(1 / np.sqrt(1 + np.minimum(k * k, 25))).astype(np.float32) for k in slopes]
    low, high = (low * radius).astype(np.float32), (high * radius).astype(np.float32)
    inside = np.minimum((v - low[index]) * level[0][index], (high[index] - v) * level[1][index])
    inside = np.minimum(inside, np.minimum(t, s))
    middle, half = ((low + high) / 2)[index], ((high - low) / 2)[index]
    height = np.sqrt(np.clip(half * half - (v - middle) ** 2, 0, None))
    return Patch(box, _cover(inside, size / 2), height, t, v, np.full_like(t, radius))


def _along(line: NDArray[np.float64], box: Box, size: int) -> tuple[Plane, Plane, float]:
    """Arc length to the nearest point of a line, signed distance from it, and the line's length."""
    x, y = axis(size)[None, box[1]], axis(size)[box[0], None]
    shape = (y.shape[0], x.shape[1])
    nearest = np.full(shape, np.inf, np.float32)
    s, v = np.zeros(shape, np.float32), np.zeros(shape, np.float32)
    done = 0.0
    for k, (a, b) in enumerate(pairwise(line)):
        length = float(np.hypot(*(b - a)))
        c, d = (np.float32(part) for part in (b - a) / length)
        dx, dy = x - np.float32(a[0]), y - np.float32(a[1])
        along = dx * c + dy * d
        across = dy * c - dx * d
        # The two ends of the whole line run on straight, so that the rod is cut square there.
        over = along - np.clip(along, -9 if k == 0 else 0, 9 if k == len(line) - 2 else length)
        distance = across * across + over * over
        closer = distance < nearest
        np.copyto(nearest, distance, where=closer)
        np.copyto(s, along + np.float32(done), where=closer)
        np.copyto(v, across, where=closer)
        done += length
    return s, v, done


def rod_outline(rod: Mapping[str, Any], tip: Mapping[str, Any], back: float = 6.0) -> NDArray[np.float64]:
    """Points of a worn rod's edge, from its end to ``back`` radii behind it, (N, 2), in plane units."""
    line, radius = centre_line(rod), float(rod["radius"])
    along = (line[-1] - line[-2]) / np.hypot(*(line[-1] - line[-2]))
    across = np.array([-along[1], along[0]])
    end = line[-1] - along * float(tip.get("setback", 0.0)) * radius
    steps, low, high = tip_edges(tip)
    keep = steps <= back
    steps, low, high = steps[keep][::20], low[keep][::20], high[keep][::20]
    return np.concatenate(
        [end + radius * (np.outer(-steps, along) + np.outer(edge, across)) for edge in (low, (low + high) / 2, high)]
    )


def body_outline(body: Mapping[str, Any]) -> NDArray[np.float64]:
    """Points of a turned body's edge, (N, 2), in plane units."""
    profile = np.asarray(body["profile"], np.float64)
    u = np.linspace(profile[0, 0], profile[-1, 0], 60)
    r = np.interp(u, profile[:, 0], profile[:, 1])
    face = np.linspace(-r[-1], r[-1], 20)
    local = np.concatenate([np.c_[u, r], np.c_[u, -r], np.c_[np.full(20, u[-1]), face]])
    return to_plane(body, local)


def plate_patch(plate: Mapping[str, Any], size: int) -> Patch:
    """A sheet with rounded corners, pressed over the insulators where it has humps, with screw heads."""
    centre, half = np.asarray(plate["centre"]), np.asarray(plate["half"])
    box = box_around(np.array([centre - half, centre + half]), 4.0 / size, size)
    x = axis(size)[None, box[1]] - np.float32(centre[0])
    y = axis(size)[box[0], None] - np.float32(centre[1])
    corner = np.float32(plate["corner"])
    dx, dy = np.abs(x) - np.float32(half[0]) + corner, np.abs(y) - np.float32(half[1]) + corner
    distance = corner - np.hypot(np.clip(dx, 0, None), np.clip(dy, 0, None)) - np.minimum(np.maximum(dx, dy), 0)
    lift = np.zeros_like(y)
    for line, radius in plate["humps"]:
        off = y + np.float32(centre[1] - line)
        lift = np.maximum(lift, np.sqrt(np.clip(radius * radius - off * off, 0, None)))
    height = np.broadcast_to(lift, distance.shape).copy()
    for sx, sy, radius, turn in plate["screws"]:
        rx, ry = x + np.float32(centre[0] - sx), y + np.float32(centre[1] - sy)
        away = np.hypot(rx, ry)
        slot = np.abs(rx * np.float32(np.sin(np.deg2rad(turn))) - ry * np.float32(np.cos(np.deg2rad(turn))))
        dome = 0.5 * np.sqrt(np.clip(radius**2 - away**2, 0, None)) + 0.1 * radius
        dome = np.where(slot < 0.14 * radius, dome - 0.3 * radius, dome)
        height = np.where(away < radius, height + dome, height)
    alpha = _cover(distance.astype(np.float32), size / 2)
    zero = np.zeros_like(alpha)
    return Patch(box, alpha, height.astype(np.float32), x + zero, y + zero, zero + np.float32(half[0]))


def bite(patch: Patch, chip: Mapping[str, Any], edge: float, size: int, waves: Sequence[float]) -> tuple[Plane, Plane]:
    """A chip in a ceramic's outline.

    Args:
        patch: The ceramic, whole.
        chip: Position, side, length, depth and raggedness.
        edge: Half-width of the ceramic at the chip.
        size: Raster size.
        waves: Five phases in radians that make the break irregular.
    Returns:
        Share of each pixel that is bitten away, and closeness to the break (1 at it, 0 from ``bevel`` depths on).
    """
    du = (patch.u - np.float32(chip["at"])) / np.float32(chip["length"])
    dv = (patch.v * np.float32(chip["side"]) - np.float32(edge)) / np.float32(chip["depth"])
    reach = break_reach(du, dv, chip, waves)
    scale = np.float32(min(chip["length"], chip["depth"]))
    gone = np.clip(0.5 - reach * scale * (size / 2), 0, 1)
    near = np.clip(1 - reach / np.float32(chip["bevel"]), 0, 1)
    return gone.astype(np.float32), near.astype(np.float32)


def break_reach(du: Plane, dv: Plane, chip: Mapping[str, Any], waves: Sequence[float]) -> Plane:
    """Signed distance from a chip's break, in shares of its size, < 0 where ceramic is gone.

    Args:
        du: Distance along the axis from the chip's centre, in its lengths. dv: Across, outwards, in its depths.
        chip: Its raggedness.
        waves: Five phases in radians.
    """
    angle = np.arctan2(dv, du)
    uneven = sum(np.sin(angle * (k + 2) + phase) / (k + 2) for k, phase in enumerate(waves))
    return np.asarray(np.hypot(du, dv) - (1 + np.float32(chip["ragged"]) * np.asarray(uneven, np.float32)), np.float32)
