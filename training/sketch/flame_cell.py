"""Draws a flame-sensing cell: base, leads, barrel, window and front rim, stacked towards the camera."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wearvision_training.designs.flame_cell import EXTENT
from wearvision_training.recipe import Recipe
from wearvision_training.sketch.drawing import Drawing, Slice
from wearvision_training.sketch.flame_cell_raster import Grid, Plane, dim, grid, mix, plain
from wearvision_training.sketch.flame_cell_rim import RimTables, rim_height, rim_surface, rim_tables
from wearvision_training.sketch.flame_cell_veil import veil
from wearvision_training.sketch.flame_cell_window import window_slice
from wearvision_training.sketch.noise import generator, smooth
from wearvision_training.wear.flame_cell import ANGLES, rim_deviation, visible_length

Parameters = Mapping[str, Any]
SLICE_STEP = 0.05  # height between two slices of a barrel; closer ones cannot be told from a smooth side
PLATE_THICKNESS = 0.05


def draw(recipe: Recipe, size: int) -> Drawing:
    """The cell of a recipe, face up.

    Args:
        recipe: Its design, wear and seed are used; the scene's light only shades the barrel's side.
        size: Pixels along a side of the plane.

    Returns:
        Measures ``crack_ratio`` and ``rim_deviation``; ``notes["trace"]`` is the longest crack's visible main
        path in plane units, [] without one.
    """
    design, wear = recipe.design, recipe.wear
    whole = grid(size)
    rim = rim_tables(design, wear)
    front = _front(design, wear, rim, whole, recipe.seed)
    opening = whole.r < rim.inner[whole.theta]
    pane = window_slice(design, wear, opening, size, recipe.seed)
    below = [*_bases(design, whole, recipe.seed), *_leads(design, whole), *_barrel(recipe, rim, whole)]
    slices = sorted([*below, pane], key=lambda piece: piece.z)
    trace, ratio = longest_crack(design, wear, rim)
    return Drawing(
        slices=(*slices, front),
        measures={"crack_ratio": ratio, "rim_deviation": rim_deviation(wear["rim"])},
        veil=veil(design, wear, size),
        mm_per_unit=float(design["mm_per_unit"]),
        notes={"trace": trace},
    )


def _front(design: Parameters, wear: Parameters, rim: RimTables, whole: Grid, seed: int) -> Slice:
    """The front rim at height 0, with the mask ``rim``: all within its outer edge."""
    part = whole.around((0.0, 0.0), float(rim.outer.max()))
    inner = rim.inner[part.theta]
    filled = part.edge(rim.outer[part.theta] - part.r)
    alpha = filled * part.edge(part.r - inner)
    t = np.clip((part.r - inner) / np.maximum(rim.smooth[part.theta] - inner, 1e-4), 0, 1)
    relief = rim_height(design["rim"], t, part)
    surface = rim_surface(design, wear, rim, t, part, seed)
    return Slice(
        z=0.0,
        alpha=part.whole(alpha),
        albedo=part.whole(surface.albedo),
        height=part.whole(relief),
        gloss=float(design["rim"]["gloss"]) * (1 - 0.6 * float(wear["dirt"])),
        metal=float(design["rim"]["metal"]) * (1 - 0.6 * float(wear["dirt"])),
        masks={"rim": part.whole(filled >= 0.5)},
        through=frozenset({"rim"}),
    )


def _barrel(recipe: Recipe, rim: RimTables, whole: Grid) -> list[Slice]:
    """Rings from the foot to just below the rim; those above the window are open inside."""
    design = recipe.design
    body, window = design["body"], design["window"]
    depth, glass = float(body["depth"]), float(window["z"])
    count = int(np.clip(round(depth / SLICE_STEP), 2, 9))
    heights = np.linspace(-depth, -0.4 * SLICE_STEP, count)
    recessed = glass < -0.06
    if recessed:
        heights = np.unique(np.concatenate([heights, np.linspace(glass, -0.01, 5)[1:]]))
    slices = []
    cx, cy = (float(v) for v in window["offset"])
    from_glass = np.hypot(whole.x - np.float32(cx), whole.y - np.float32(cy))
    if not recessed:  # the rim alone stands over the glass
        heights = np.minimum(heights, glass - 0.002)
    outside, inside = _sides(recipe, whole, bool(heights[-1] > glass))
    for z in heights:
        down = float(-z) / max(depth, 1e-6)
        # Heat bends the front most; the foot keeps its shape.
        radius = float(design["rim"]["outer"]) * (1 - (1 - float(body["taper"])) * down) * (
            1 + rim.offsets * np.float32(1 - 0.8 * down)
        ) - np.float32(0.004)
        edge = np.minimum(radius, rim.outer) if body["taper"] <= 1 and down < 0.3 else radius
        alpha = whole.edge(np.minimum(edge, EXTENT).astype(np.float32)[whole.theta] - whole.r)
        albedo = outside
        if z > glass:
            up = (float(z) - glass) / -glass
            hole = float(window["radius"]) * (1 - up) + up * float(design["rim"]["inner"])
            alpha = alpha * whole.edge(from_glass - np.float32(hole))
            albedo = inside
        slices.append(Slice(z=float(z), alpha=alpha, albedo=albedo, gloss=0.03))
    return slices


def _sides(recipe: Recipe, whole: Grid, recessed: bool) -> tuple[Plane, Plane]:
    """Colour of the barrel's outer and inner side by direction, lit from where the scene's lamp is."""
    design = recipe.design
    lamp = recipe.scene.get("light", {}) if recipe.scene else {}
    turn = float(recipe.camera.get("turn_deg", 0.0)) if recipe.camera else 0.0
    azimuth = np.deg2rad(float(lamp.get("azimuth_deg", 0.0)) - turn)
    ambient = float(lamp.get("ambient", 0.4))
    rng = generator(recipe.seed, "barrel")
    facing = np.cos(ANGLES - azimuth)
    sheen = np.exp(-(((ANGLES - rng.uniform(0, 2 * np.pi)) / 0.25) ** 2)) * float(design["rim"]["metal"])
    if design["rim"]["knurl"]:
        facing = facing + 0.25 * np.cos(design["rim"]["knurl"] * ANGLES)
    shade = float(design["body"]["darker"]) * (1 - 0.4 * float(recipe.wear["dirt"]))
    colour = shade * np.array(design["rim"]["colour"])
    sides = []
    for towards, share in ((facing, 1.0), (-facing, 0.6)):
        lit = share * (0.25 + 0.4 * ambient + 0.7 * (1 - 0.6 * ambient) * np.clip(towards, 0, 1) + 0.5 * sheen)
        table = np.clip(lit[:, None] * colour, 0.002, 1).astype(np.float32)
        sides.append(np.take(table, whole.theta, axis=0))
        if not recessed:
            break
    return sides[0], sides[-1]


def _bases(design: Parameters, whole: Grid, seed: int) -> list[Slice]:
    slices = []
    for index, plate in enumerate(design["bases"]):
        distance = plate_distance(plate, whole)
        for x, y, radius in plate["holes"]:
            away = np.hypot(whole.x - np.float32(x), whole.y - np.float32(y)) - np.float32(radius)
            distance = np.minimum(distance, away)
        cloud = smooth(generator(seed, "base", index), (whole.size, whole.size), (40, 40))
        albedo = plain((whole.size, whole.size), plate["colour"])
        dim(albedo, 1 + np.float32(plate["grain"]) * cloud - 0.3 * np.exp(-np.abs(distance) * 40))
        gloss, metal = float(plate["gloss"]), float(plate["metal"])
        alpha, z = whole.edge(distance), float(plate["z"])
        slices.append(Slice(z=z - PLATE_THICKNESS, alpha=alpha, albedo=albedo * np.float32(0.6), gloss=0.0))
        slices.append(Slice(z=z, alpha=alpha, albedo=albedo, gloss=gloss, metal=metal))
    return slices


def plate_distance(plate: Parameters, whole: Grid) -> Plane:
    """Distance inwards from a plate's outline, plane units, negative outside."""
    x, y = (np.abs(axis - np.float32(c)) for axis, c in zip((whole.x, whole.y), plate["centre"], strict=True))
    a, b = (np.float32(v) for v in plate["half"])
    if plate["shape"] == "ellipse":
        return ((1 - np.hypot(x / a, y / b)) * min(a, b)).astype(np.float32)
    if plate["shape"] == "hexagon":
        across = a * np.float32(np.sqrt(0.75))
        return np.minimum(across - y, across - (x * np.float32(np.sqrt(0.75)) + y / 2)).astype(np.float32)
    corner = np.float32(plate["corner"])
    dx, dy = x - (a - corner), y - (b - corner)
    outside = np.hypot(np.maximum(dx, 0), np.maximum(dy, 0))
    return (corner - outside - np.minimum(np.maximum(dx, dy), 0)).astype(np.float32)


def _leads(design: Parameters, whole: Grid) -> list[Slice]:
    if not design["leads"]:
        return []
    alpha = np.zeros((whole.size, whole.size), np.float32)
    albedo = np.zeros((whole.size, whole.size, 3), np.float32)
    height = np.zeros_like(alpha)
    for wire in design["leads"]:
        width = float(wire["width"])
        cover = whole.lines([wire["points"]], width)
        core = whole.lines([wire["points"]], 0.5 * width)
        mix(albedo, wire["colour"], np.minimum(cover * 4, 1))
        np.maximum(alpha, cover, out=alpha)
        height += np.float32(0.2 * width) * (cover + core)
    metal = float(design["leads"][0]["metal"])
    z = -0.75 * float(design["body"]["depth"])
    return [Slice(z=z, alpha=alpha, albedo=albedo, height=height, gloss=0.4, metal=metal)]


def longest_crack(design: Parameters, wear: Parameters, rim: RimTables) -> tuple[list[list[float]], float]:
    """The longest crack's main path in plane units, and its visible length over the window's diameter."""
    radius, centre = float(design["window"]["radius"]), np.array(design["window"]["offset"], float)

    def seen(points: NDArray[np.float64]) -> NDArray[np.bool_]:
        directions = np.mod(np.arctan2(points[:, 1], points[:, 0]), 2 * np.pi)
        edge = np.interp(directions, ANGLES, rim.inner, period=2 * np.pi)
        inside: NDArray[np.bool_] = (np.hypot(*(points - centre).T) <= radius) & (np.hypot(*points.T) <= edge)
        return inside

    best: tuple[list[list[float]], float] = ([], 0.0)
    for crack in wear["cracks"]:
        path = np.asarray(crack["points"], float) * radius + centre
        ratio = visible_length(path, seen) / (2 * radius)
        if ratio > best[1]:
            best = (path.round(6).tolist(), float(ratio))
    return best
