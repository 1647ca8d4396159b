"""Makes bodies of the things that are no parts, from the same layers of shapes that the sketch draws."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wearvision_training.pathtrace import turned
from wearvision_training.pathtrace.mesh import bar, joined
from wearvision_training.pathtrace.plates import plate
from wearvision_training.pathtrace.solid import Finish, Mesh, Solid
from wearvision_training.sketch import motifs
from wearvision_training.sketch.noise import fractal, generator
from wearvision_training.sketch.not_part import cover_of

Layer = Mapping[str, Any]
RECESSED = {"bolt_head": 0.16, "fitting": 0.4}
"""Families whose dark topmost shapes are holes, and how deep those are."""
STANDING = 0.02
"""Thickness of a layer that has none."""


def make_thing(design: Mapping[str, Any], raster: int, seed: int, cells: int = 110) -> tuple[Solid, ...]:
    """The bodies of a thing in its own plane (-1 to 1); none for an empty bench.

    Args:
        design: Family, layers, roughness, as ``designs.not_part`` samples it.
        raster: Pixels along a side of the textures.
        seed: Seeds them.
        cells: Grid cells along the longest side of a flat piece.
    """
    layers = _recessed(design)
    rough = float(design["rough"])
    bodies: list[Solid] = []
    plain: dict[tuple[Any, ...], list[Mesh]] = {}
    meshes, layers = turned.special(str(design["family"]), layers)
    for layer, mesh in [*meshes, *((layer, _shape(layer, raster, cells)) for layer in layers)]:
        if mesh is None:
            continue
        if layer["texture"] in (None, "thread") and not mesh.flat:
            look = (tuple(layer["colour"]), layer["gloss"], layer["metal"], layer.get("alpha", 1.0))
            plain.setdefault(look, []).append(mesh)
        else:
            bodies.append(Solid(mesh, finish(layer, raster, generator(seed, "thing", len(bodies)), rough)))
    for number, (look, parts) in enumerate(plain.items()):
        layer = {"colour": look[0], "gloss": look[1], "metal": look[2], "alpha": look[3], "texture": None}
        made = finish(layer, min(raster, 256), generator(seed, "plain", number), rough)
        bodies.append(Solid(joined(*parts), made))
    return tuple(bodies)


def floor_of(solids: Sequence[Solid]) -> float:
    """Height of the lowest point; 0 for nothing."""
    return min((float(solid.mesh.vertices[:, 2].min()) for solid in solids), default=0.0)


def finish(layer: Layer, raster: int, rng: np.random.Generator, rough: float) -> Finish:
    """The surface of a layer: its colour and texture, worn and greasy in places."""
    colour = np.asarray(layer["colour"], np.float32)
    shape = (raster, raster)
    bright, relief = motifs.surface(layer, raster, rng)
    albedo = bright if bright.ndim == 3 else np.broadcast_to(bright, shape)[..., None] * colour
    patchy = fractal(rng, shape, 5, 4)
    metal, gloss = float(layer["metal"]), float(layer["gloss"])
    albedo = albedo * (1 - (0.1 + 0.45 * rough) * np.clip(patchy + 0.2, 0, 1))[..., None]
    if metal > 0.5 and rough > 0.5:  # rust where the plating has gone
        rust = np.clip(3 * (fractal(rng, shape, 7, 4) - 1.1 + 0.7 * rough), 0, 1)
        albedo = albedo * (1 - rust[..., None]) + rust[..., None] * np.array([0.16, 0.07, 0.03], np.float32)
        plated = (metal * (1 - rust)).astype(np.float32)
    else:
        plated = np.full((1, 1), metal, np.float32)
    base = 0.62 - 0.42 * gloss if metal > 0.5 else 0.85 - 0.6 * gloss
    roughness = np.clip(base + 0.25 * rough * patchy, 0.14, 1).astype(np.float32)
    clear = float(layer.get("alpha", 1.0)) < 1
    return Finish(
        np.clip(albedo, 0, 1).astype(np.float32), roughness, plated,
        coat=1.0 if clear else max(0.0, gloss - 0.5) * (1 - metal), relief=relief,
    )  # fmt: skip


def _shape(layer: Layer, raster: int, cells: int) -> Mesh | None:
    shape = layer["shape"]
    if "stroke" in shape:
        points = _eased(np.asarray(shape["stroke"], float))
        course = np.column_stack([points, np.full(len(points), float(layer["z"]))])
        around = 20 if len(points) < 60 else 12
        return bar(course, float(shape["width"]) / 2, around=around, closed_ends=not shape["flat"])
    foot = float(layer["z"]) - max(float(layer["thick"]), STANDING)
    # Small shapes get a raster of their own no finer than the thing's: a grille has a hundred of them.
    small = _extent(shape) < 0.5
    return plate(cover_of(layer, raster), float(layer["z"]), foot, float(layer["bevel"]), 28 if small else cells)


def _eased(points: NDArray[np.float64]) -> NDArray[np.float64]:
    """A long course without kinks: a cable bends, it does not fold."""
    if len(points) < 40:
        return points
    width = 11
    padded = np.concatenate([np.repeat(points[:1], width // 2, 0), points, np.repeat(points[-1:], width // 2, 0)])
    kernel = np.hanning(width + 2)[1:-1]
    kernel /= kernel.sum()
    return np.column_stack([np.convolve(padded[:, k], kernel, "valid") for k in (0, 1)])


def _extent(shape: Mapping[str, Any]) -> float:
    (kind, values), *_ = shape.items()
    if kind == "polygon":
        return float(np.ptp(np.asarray(values, float), axis=0).max())
    return float(max(values[2:4])) if kind == "box" else 2 * float(values[2])


def _recessed(design: Mapping[str, Any]) -> list[dict[str, Any]]:
    """The layers; where a thing's recess is drawn as a dark shape on top, as a hole with a floor."""
    layers = [dict(layer) for layer in design["layers"]]
    depth = RECESSED.get(str(design["family"]))
    if depth is None:
        return layers
    peak = max(float(layer["z"]) for layer in layers)
    dark = [layer for layer in layers if layer["metal"] == 0.0 and layer["z"] > peak - 0.02]
    solid = [layer for layer in layers if layer not in dark]
    if not dark or not solid:
        return layers
    body = max(solid, key=lambda layer: float(layer["z"]))
    body["holes"] = [*body["holes"], *(layer["shape"] for layer in dark)]
    body["thick"] = max(float(body["thick"]), depth + 0.05)
    for layer in dark:
        layer |= {"z": float(body["z"]) - depth, "bevel": 0.0, "thick": 0.0}
        layer["colour"] = [min(1.0, 3 * float(v)) for v in layer["colour"]]
    return [*solid, *dark]


def moved(solid: Solid, scale: float, turn: float, to: NDArray[np.float64]) -> Solid:
    """The body enlarged, turned about z by radians, and shifted (3,); its texture goes with it."""
    c, s = np.cos(turn), np.sin(turn)
    spin = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]])
    mesh = solid.mesh
    vertices = (mesh.vertices @ spin.T * scale + to).astype(np.float32)
    normals = None if mesh.normals is None else (mesh.normals @ spin.T).astype(np.float32)
    relief = None if solid.finish.relief is None else (solid.finish.relief * scale).astype(np.float32)
    look = solid.finish
    return Solid(
        Mesh(vertices, mesh.faces, mesh.uv, normals, mesh.flat),
        Finish(look.albedo, look.roughness, look.metal, look.coat, relief),
    )
