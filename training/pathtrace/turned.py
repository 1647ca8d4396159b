"""Bodies of revolution among the things that are no parts: bolts, plugs, fuses, balls, springs, O-rings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wearvision_training.pathtrace.mesh import bar, joined, revolved
from wearvision_training.pathtrace.solid import Mesh

Layer = Mapping[str, Any]
Made = tuple[list[tuple[Layer, Mesh]], list[Layer]]
LATHES = frozenset({"bolt_side", "plug_like", "fuse", "resistor", "screwdriver", "pencil"})
"""Families whose boxes are rods about one axis along x."""
HEXAGONAL = {"plug_like": 3.8, "bolt_side": 1.4, "pencil": 0.0}
"""Where a box of a lathed family is a hexagon: one much wider than its neighbours (ratio), or any for a pencil."""


def special(family: str, layers: Sequence[Layer]) -> Made:
    """Bodies that are more than flat pieces, with the layer that gives each its material; and the layers left over."""
    if family in LATHES:
        return _lathed(family, layers)
    if family == "spring_side":
        return _spring(layers)
    if family == "o_ring":
        return [(layers[0], _ring(layers[0]))], list(layers[1:])
    if family == "ball":
        x, y, r = layers[0]["shape"]["circle"]
        t = np.linspace(0, np.pi, 40)
        profile = np.column_stack([-np.cos(t) * r, np.sin(t) * r])
        ball = revolved(profile, (x, y, float(layers[0]["z"])), (1.0, 0.0), around=72)
        return [(layers[0], ball)], list(layers[1:])
    if family == "spring_end":
        return _cone_spring(layers)
    return [], list(layers)


def _lathed(family: str, layers: Sequence[Layer]) -> Made:
    boxes = [layer for layer in layers if "box" in layer["shape"]]
    axis = max(float(layer["shape"]["box"][3]) for layer in boxes) / 2
    made: list[tuple[Layer, Mesh]] = []
    left: list[Layer] = []
    for layer in layers:
        if "box" in layer["shape"]:
            made.append((layer, _rod(family, layer, axis)))
        elif "stroke" in layer["shape"]:
            shape = layer["shape"]
            points = np.asarray(shape["stroke"], float)
            course = np.column_stack([points, np.full(len(points), axis)])
            made.append((layer, bar(course, float(shape["width"]) / 2, around=16)))
        else:
            made.append((layer, _point(layer, axis)))
    return made, left


def _rod(family: str, layer: Layer, axis: float) -> Mesh:
    """A box as a round or hexagonal bar about the axis, its edges rounded, threaded where its texture says so."""
    x, y, width, height, _, corner = (float(v) for v in layer["shape"]["box"])
    radius = height / 2
    hexagon = float(layer["bevel"]) < 0.35 * height and family in HEXAGONAL
    edge = min(max(corner, 0.012), radius * 0.8, width / 3)
    start = x - width / 2
    if layer["texture"] == "thread":
        profile = _thread(width, radius, edge)
    elif layer["texture"] == "ribs":
        profile = _thread(width, radius, edge, pitch=width / 9, depth=0.06, square=True)
    else:
        t = np.linspace(0, np.pi / 2, 5)
        rise = np.column_stack([edge * (1 - np.cos(t)), radius - edge + edge * np.sin(t)])
        fall = np.column_stack([width - rise[::-1, 0], rise[::-1, 1]])
        profile = np.vstack([[0, 0], rise, fall, [width, 0]])
    around = 6 if hexagon or family == "pencil" else 48
    made = revolved(profile, (start, y, axis), (1.0, 0.0), around=around)
    return _faceted(made) if around == 6 else made


def _faceted(mesh: Mesh) -> Mesh:
    """Triangles with corners of their own, so that flats stay flat when bodies are joined."""
    corners = mesh.faces.ravel()
    vertices = mesh.vertices[corners]
    a, b, c = vertices[0::3], vertices[1::3], vertices[2::3]
    across = np.cross(b - a, c - a)
    length = np.maximum(np.linalg.norm(across, axis=1, keepdims=True), 1e-12)
    normals = np.repeat(across / length, 3, 0).astype(np.float32)
    faces = np.arange(len(corners), dtype=np.int32).reshape(-1, 3)
    return Mesh(vertices, faces, mesh.uv[corners], normals)


def _thread(
    width: float, radius: float, edge: float, *, pitch: float | None = None, depth: float = 0.13, square: bool = False
) -> NDArray[np.float64]:
    pitch = max(radius * 0.22, 0.02) if pitch is None else pitch
    x = np.arange(edge, width - edge, pitch / 6)
    phase = (x / pitch) % 1.0
    wave = np.clip(1.6 * np.sin(2 * np.pi * phase), -1, 1) if square else 2 * np.abs(2 * phase - 1) - 1
    body = np.column_stack([x, radius * (1 - depth / 2 + depth / 2 * wave)])
    return np.vstack([[0, 0], [0, radius * 0.85], body, [width, radius * 0.85], [width, 0]])


def _point(layer: Layer, axis: float) -> Mesh:
    """A polygon of a lathed family: the cone of a pencil."""
    points = np.asarray(layer["shape"]["polygon"], float)
    low, high = points[:, 0].min(), points[:, 0].max()
    radius = float(np.abs(points[:, 1]).max())
    profile = np.array([[0, 0], [0, radius], [(high - low) * 0.85, radius * 0.15], [high - low, 0]])
    return revolved(profile, (low, 0.0, axis), (1.0, 0.0), around=32)


def _spring(layers: Sequence[Layer]) -> Made:
    """The drawn strokes of a coil spring as the helix that they stand for."""
    turns = len(layers) / 2
    shape = layers[-1]["shape"]
    wire, radius = float(shape["width"]) / 2, abs(float(shape["stroke"][0][1]))
    a = np.linspace(0, 2 * np.pi * turns, int(26 * turns))
    x = np.linspace(-0.87, 0.87, len(a))
    course = np.column_stack([x, radius * np.cos(a), radius + radius * np.sin(a)])
    return [(layers[-1], bar(course, wire, around=12))], []


def _cone_spring(layers: Sequence[Layer]) -> Made:
    """A spring seen from its end rises from turn to turn."""
    layer = layers[0]
    points = np.asarray(layer["shape"]["stroke"], float)
    width = float(layer["shape"]["width"])
    rise = np.linspace(0, 1.4 * width * len(points) / 24, len(points))
    course = np.column_stack([points, float(layer["z"]) + rise])
    return [(layer, bar(course, width / 2, around=14))], list(layers[1:])


def _ring(layer: Layer) -> Mesh:
    """An O-ring: a bar bent into a circle."""
    outer = float(layer["shape"]["circle"][2])
    inner = float(layer["holes"][0]["circle"][2])
    a = np.linspace(0, 2 * np.pi, 120)
    middle = (outer + inner) / 2
    course = np.column_stack([middle * np.cos(a), middle * np.sin(a), np.full(len(a), float(layer["z"]))])
    return joined(bar(course, (outer - inner) / 2, around=24, closed_ends=False))
