"""What wear lays on or opens in an electrode: cracks, carbon residue, carbon across the gap."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from wearvision_training.recipe import Recipe
from wearvision_training.sketch.drawing import Slice
from wearvision_training.sketch.electrode_shapes import (
    Box,
    Plane,
    axis,
    body_outline,
    box_around,
    rod_outline,
    to_plane,
)
from wearvision_training.sketch.electrode_surface import Scene, filled_box, flat_colour, pixels, tips_of
from wearvision_training.sketch.noise import fractal, generator, smooth

Mask = NDArray[np.bool_]
GLOSS = {"film": 0.04, "crust": 0.1, "mixed": 0.07, "varnish": 0.5}


@dataclass(frozen=True, slots=True)
class Cracks:
    """Cracks as drawn.

    Attributes:
        mask: Where they are, residue not yet considered, (P, P).
        keep_clear: Where residue is thinned so that a crack stays visible, (P, P) 0 to 1, or None.
        lines: Course of each, branches left out, plane units.
    """

    mask: Mask
    keep_clear: Plane | None
    lines: list[NDArray[np.float64]]


@dataclass(frozen=True, slots=True)
class Deposit:
    """Carbon, ready to become a slice: cover, colour, relief, gloss; ``counted`` is where at least half shows."""

    alpha: Plane
    albedo: NDArray[np.float32]
    height: Plane
    gloss: float
    counted: Mask


def cracks(recipe: Recipe, scene: Scene) -> Cracks:
    """Darkens the glaze along each crack, stains and chips its edges, and returns where the cracks are."""
    size = scene.size
    mask, lines = np.zeros((size, size), bool), []
    clear: Plane | None = None
    for number, crack in enumerate(recipe.wear.get("cracks") or []):
        piece = recipe.design["ceramics"][crack["ceramic"]]
        paths = [np.asarray(p, np.float64) for p in (crack["points"], crack["branch"]) if p]
        paths = [to_plane(piece, path) for path in paths]
        box = box_around(np.concatenate(paths), 0.05, size)
        inside = scene.ceramic[box]
        lines.append(paths[0])
        width = max(float(crack["width"]) * size / 2, 1.2)
        fine = _drawn(paths, box, size, width) * inside
        albedo = scene.body.albedo[box]
        if crack["stain"] > 0:
            rng = generator(recipe.seed, "stain", number)
            halo = cv2.GaussianBlur(fine, (0, 0), 1.6 * width) * (1 + 0.8 * smooth(rng, fine.shape, (12, 12)))
            albedo *= 1 - np.clip(float(crack["stain"]) * halo, 0, 0.45)[..., None]
        if crack["light"] > 0:
            lip = np.roll(fine, (round(width), 1), (0, 1))[..., None] * np.float32(crack["light"])
            albedo += lip * (np.array([0.85, 0.84, 0.8], np.float32) - albedo)
        albedo *= 1 - fine[..., None] * np.float32(1 - crack["dark"])
        scene.body.height[box] -= 0.4 * np.float32(crack["width"]) * fine
        mask[box] |= (fine > 0.4) & (inside > 0.5)
        if crack["clear"]:
            clear = np.zeros((size, size), np.float32) if clear is None else clear
            around = _drawn(paths, box, size, 0.045 * size) * inside
            np.maximum(clear[box], cv2.GaussianBlur(around, (0, 0), 0.008 * size), out=clear[box])
    return Cracks(mask, clear, lines)


def _drawn(paths: list[NDArray[np.float64]], box: Box, size: int, width: float) -> Plane:
    """Antialiased lines of any width in pixels, drawn four times finer and shrunk."""
    height, breadth = box[0].stop - box[0].start, box[1].stop - box[1].start
    fine = np.zeros((height * 4, breadth * 4), np.uint8)
    for path in paths:
        points = pixels(path, box, size).astype(np.float64) / 16 * 4 + 1.5
        fixed = np.round(points * 16).astype(np.int32)
        cv2.polylines(fine, [fixed], False, 255, max(1, round(width * 4)), cv2.LINE_AA, 4)
    return cv2.resize(fine, (breadth, height), interpolation=cv2.INTER_AREA).astype(np.float32) / 255


def longest_run(line: NDArray[np.float64], visible: Mask, size: int) -> float:
    """Length of the longest stretch of a line over visible pixels, plane units; gaps under 3 pixels do not part it."""
    steps = np.hypot(*np.diff(line, axis=0).T)
    s = np.concatenate([[0.0], np.cumsum(steps)])
    fine = np.linspace(0, s[-1], max(int(s[-1] * size), 16))
    at = np.c_[np.interp(fine, s, line[:, 0]), np.interp(fine, s, line[:, 1])]
    index = np.clip(((at + 1) * size / 2).astype(int), 0, size - 1)
    seen = visible[index[:, 1], index[:, 0]]
    best, begun, last, gap = 0.0, None, None, 3 * 2 / size
    for here, shown in zip(fine, seen, strict=True):
        if not shown:
            continue
        if begun is None or last is None or here - last > gap:
            begun = here
        last = here
        best = max(best, here - begun)
    return float(best)


def residue(recipe: Recipe, scene: Scene, clear: Plane | None) -> Deposit | None:
    """Carbon over the wear's share of visible rod and ceramic, thickest towards the tip; None where clean."""
    wear = recipe.wear.get("residue")
    _dust(recipe, scene)
    if not wear or wear["cover"] <= 0:
        return None
    size = scene.size
    rng = generator(recipe.seed, "residue")
    solid = np.maximum(scene.ceramic, scene.metal)
    box = filled_box(solid)
    solid = solid[box]
    cells = float(wear["grain"]) * np.array(solid.shape) / size
    cells = (max(2.0, cells[0] * wear["stretch"]), max(2.0, cells[1] / wear["stretch"]))
    field = fractal(rng, solid.shape, cells, 3) + np.float32(wear["lean"]) * axis(size)[None, box[1]]
    # Soot ends in fine grain, not in a drawn edge.
    field += np.float32(wear["fray"]) * smooth(rng, solid.shape, (150, 150))
    if wear["streak"] > 0:
        field += np.float32(wear["streak"]) * smooth(rng, solid.shape, (28, 6))
    if clear is not None:
        field = field - 6 * clear[box]
    inside = solid > 0.5
    values = field[inside]
    rank = int(np.clip((1 - wear["cover"]) * len(values), 0, len(values) - 1))
    level = float(np.partition(values, rank)[rank])
    over = (field - np.float32(level)) / np.float32(wear["soft"])
    alpha = np.clip(over + 0.5, 0, 1)
    alpha = alpha * alpha * (3 - 2 * alpha) * np.float32(wear["opacity"])
    return _laid(wear, scene, box, alpha, np.clip(over * wear["soft"], 0, 1), solid, rng)


def _laid(
    wear: Mapping[str, Any],
    scene: Scene,
    box: Box,
    alpha: Plane,
    excess: Plane,
    solid: Plane,
    rng: np.random.Generator,
) -> Deposit:
    """A deposit's colour and relief; crust thickens with ``excess`` and is lumpy, film is flat."""
    size, shape = scene.size, alpha.shape
    lumps = fractal(rng, shape, (shape[0] / 9, shape[1] / 9), 2)
    tone = 1 + (0.45 if wear["relief"] > 0 else 0.2) * lumps + 0.3 * smooth(rng, shape, (6, 6))
    full = np.zeros((size, size), np.float32)
    full[box] = alpha * solid
    albedo = flat_colour(size, np.asarray(wear["colour"], np.float32))
    albedo[box] *= np.clip(tone, 0.3, 2)[..., None]
    height = np.maximum(scene.body.height, scene.rod.height)
    if wear["relief"] > 0:
        height[box] += np.float32(wear["relief"]) * alpha * (0.5 + excess + 0.6 * lumps)
    counted = np.zeros((size, size), bool)
    counted[box] = (alpha >= 0.5) & (solid > 0.5)
    return Deposit(full, albedo, height, GLOSS[wear["kind"]], counted)


def _dust(recipe: Recipe, scene: Scene) -> None:
    """A thin uneven greying far under half opacity: no residue by the standard."""
    amount = float(recipe.wear.get("dust", 0.0))
    if amount <= 0:
        return
    grey = np.array([0.10, 0.085, 0.07], np.float32)
    box = filled_box(np.maximum(scene.body.alpha, scene.rod.alpha))
    shape = (box[0].stop - box[0].start, box[1].stop - box[1].start)
    uneven = np.clip(0.6 + 0.5 * smooth(generator(recipe.seed, "dust"), shape, (9, 9)), 0, 1.2)[..., None]
    for layer in (scene.body, scene.rod):
        layer.albedo[box] += np.float32(amount) * uneven * (grey - layer.albedo[box])


def growth(recipe: Recipe, scene: Scene) -> Deposit | None:
    """Lumps of carbon from a rod's end towards the nearest metal, over the wear's fraction of the gap."""
    design, wear = recipe.design, recipe.wear
    wish = wear.get("growth")
    if not wish or design["partner"] is None:
        return None
    size = scene.size
    radius = float(design["rods"][0]["radius"])
    rng = generator(recipe.seed, "growth")
    spots, sizes = growth_lumps(recipe, rng)
    box = box_around(spots, float(sizes.max()) + 0.02, size)
    x, y = axis(size)[None, box[1]], axis(size)[box[0], None]
    distance = np.full((y.shape[0], x.shape[1]), -9.0, np.float32)
    bump = np.zeros_like(distance)
    for (cx, cy), r in zip(spots, sizes, strict=True):
        inside = np.float32(r) - np.hypot(x - np.float32(cx), y - np.float32(cy))
        distance = np.maximum(distance, inside)
        bump = np.maximum(bump, np.sqrt(np.clip(inside * (2 * r - inside), 0, None)))
    rough = fractal(rng, distance.shape, (distance.shape[0] / 7, distance.shape[1] / 7), 2)
    distance -= 0.12 * radius * (1 + np.clip(rough, -1, 1)) * 0.5
    cover = np.clip(distance * (size / 2) + 0.5, 0, 1) * (1 - scene.front.alpha[box])
    alpha = np.zeros((size, size), np.float32)
    alpha[box] = cover
    albedo = np.full((size, size, 3), wish["shade"], np.float32)
    albedo[box] *= (1 + 0.5 * rough)[..., None]
    height = np.zeros((size, size), np.float32)
    height[box] = bump + 0.25 * radius * rough
    return Deposit(alpha, albedo, height, 0.08, alpha > 0.5)


def growth_lumps(recipe: Recipe, rng: np.random.Generator) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Discs of the growth that a recipe wishes: centres (N, 2) from the rod outwards, radii (N,); plane units."""
    design, wish = recipe.design, recipe.wear["growth"]
    start, end = gap_ends(design, recipe.wear)
    if design["partner"] == "rod" and wish["start"] == 1:
        start, end = end, start
    return _lumps(start, end, wish, float(design["rods"][0]["radius"]), rng)


def _lumps(
    start: NDArray[np.float64],
    end: NDArray[np.float64],
    wish: Mapping[str, Any],
    radius: float,
    rng: np.random.Generator,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Discs in a row whose foremost edge stands at the wished fraction of the gap; centres (N, 2), radii (N,)."""
    gap = float(np.hypot(*(end - start)))
    along = (end - start) / max(gap, 1e-9)
    across = np.array([-along[1], along[0]])
    whole = wish["fraction"] >= 1
    reach = gap + 0.6 * radius if whole else gap * float(wish["fraction"])
    q = np.linspace(0, 1, int(wish["lumps"]))
    girth = radius * float(wish["girth"]) * (1 - 0.45 * np.sin(np.pi * q) if whole else 1 - 0.35 * q)
    girth = np.minimum(girth * rng.uniform(0.8, 1.2, len(q)), max(0.5 * reach, 0.012))
    # Thinner than this the lumps would stand apart like beads.
    girth = np.maximum(girth, 0.7 * (reach + 0.5 * radius) / (len(q) - 1))
    front = -0.5 * radius + q * (reach + 0.5 * radius)
    stray = radius * float(wish["wander"]) * np.sin(np.pi * q) * rng.uniform(-1, 1, len(q))
    spots = start + np.outer(front - girth, along) + np.outer(stray, across)
    return spots, girth


def gap_ends(design: Mapping[str, Any], wear: Mapping[str, Any]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The two nearest points of the first rod's worn end and of its partner's metal, plane units."""
    tips = tips_of(design, wear)
    one = rod_outline(design["rods"][0], tips[0])
    if design["partner"] == "rod":
        other = rod_outline(design["rods"][1], tips[1])
    else:
        other = body_outline(next(b for b in design["bodies"] if b["layer"] == "behind"))
    away = np.hypot(*(one[:, None] - other[None]).transpose(2, 0, 1))
    i, j = np.unravel_index(int(away.argmin()), away.shape)
    return one[i], other[j]


def deposit_slice(parts: list[Deposit], open_: Plane) -> Slice | None:
    """One slice of all carbon, the later over the earlier; None where there is none."""
    if not parts:
        return None
    first = parts[0]
    alpha, albedo, height = first.alpha, first.albedo, first.height
    for more in parts[1:]:
        weight = more.alpha[..., None]
        albedo = albedo + weight * (more.albedo - albedo)
        height = np.where(more.alpha > 0.4, more.height, height)
        alpha = np.maximum(alpha, more.alpha)
    return Slice(0.0, alpha * open_, albedo, height, first.gloss, 0.0)
