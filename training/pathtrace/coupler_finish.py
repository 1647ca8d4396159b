"""What both views of the path-traced coupler share: plastic surfaces with deposits, and grids without a seam."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from wearvision_training.designs.coupler_form import Curve
from wearvision_training.pathtrace.mesh import Points, grid_mesh, vertex_normals
from wearvision_training.pathtrace.solid import Finish, Mask, Mesh, Plane
from wearvision_training.sketch.coupler_surface import deposit, lines, paint_deposit, plastic
from wearvision_training.sketch.noise import fractal, generator, smooth

Record = Mapping[str, Any]
ROUGHNESS = {"soot": 0.85, "oil": 0.2, "dust": 0.95}
"""Of a deposit; own choice: soot is dull, oil wet, dust chalky."""
THICKNESS = {"soot": 0.0025, "oil": 0.0008, "dust": 0.004}
"""Of a deposit in plane units, for its relief; own choice."""


def rough_of(material: Record, shape: tuple[int, int], seed: int) -> Plane:
    """Roughness of bare plastic, (H, W): matt for a low gloss, uneven as handled parts are."""
    rng = generator(seed, "sheen")
    level = 0.74 - 0.85 * float(material["gloss"]) + 0.06 * rng.normal()
    # Moulds are polished, blasted or anything between, whatever the plastic.
    level += float(rng.choice([-0.18, 0.0, 0.0, 0.0, 0.12]))
    uneven = float(rng.uniform(0.02, 0.09)) * fractal(rng, shape, 5, 3)
    return np.clip(np.float32(level) + uneven, 0.18, 0.9).astype(np.float32)


def moulded(material: Record, shape: tuple[int, int], seed: int) -> Plane:
    """Relief that the mould left, (H, W) plane units: orange peel, coarse or fine, strong or hardly there."""
    rng = generator(seed, "peel")
    cells = float(rng.uniform(25, 90))
    return smooth(rng, shape, (cells, cells)) * np.float32(float(material["roughness"]) * rng.uniform(0.1, 0.9))


def knurl(seed: int, shape: tuple[int, int]) -> Plane | None:
    """Relief of a barrel's grip, (H, W) plane units, turn along columns and closed in itself: most have none."""
    rng = generator(seed, "knurl")
    kind = rng.choice(["none", "rings", "ribs", "cross"], p=[0.76, 0.1, 0.08, 0.06])
    if kind == "none":
        return None
    along, turn = np.linspace(0, 1, shape[0], dtype=np.float32)[:, None], np.linspace(0, 1, shape[1], dtype=np.float32)
    rings, count = float(rng.uniform(12, 50)), int(rng.integers(24, 70))
    waves = {"rings": [(rings, 0)], "ribs": [(0.0, count)], "cross": [(rings, count), (rings, -count)]}[str(kind)]
    total = sum(np.cos(2 * np.pi * (a * along + t * turn)) for a, t in waves)
    return np.asarray(total, np.float32) * np.float32(rng.uniform(0.0006, 0.002))


def aged(albedo: Plane, seed: int) -> Plane:
    """Colour of plastic after years of warmth: yellowed or bleached here and there, (H, W, 3); many are as new."""
    rng = generator(seed, "age")
    yellow, bleach = rng.uniform(0, 0.45) * (rng.random() < 0.4), rng.uniform(0, 0.12) * (rng.random() < 0.3)
    if yellow == 0 and bleach == 0:
        return albedo
    where = np.clip(0.55 + 0.6 * fractal(rng, albedo.shape[:2], 2, 3), 0, 1)[..., None]
    made = albedo * (1 - np.float32(yellow) * where * np.array([0.08, 0.25, 0.75], np.float32))
    return np.asarray(made + np.float32(bleach) * where * (np.float32(0.6) - made), np.float32)


def soiled_finish(
    material: Record,
    albedo: Plane,
    relief: Plane,
    rough: Plane,
    seed: int,
    grime: tuple[Record, Plane, Plane] | None,
) -> Finish:
    """Plastic with a deposit on it.

    Args:
        material: Of the design.
        albedo: Bare, (H, W, 3). relief: Fine heights, (H, W). rough: Roughness, (H, W).
        seed: The picture's.
        grime: Its record, opacity (H, W) and colour (H, W, 3), or None for a clean part.
    """
    albedo = aged(albedo, seed)
    if grime is not None:
        record, opacity, tint = grime
        kind, rng = str(record["kind"]), generator(seed, "clumps")
        # Thick and thin, and stray grains about it: a deposit is no paint. What counts as covered stays as it was.
        clumps = fractal(rng, opacity.shape, float(rng.uniform(14, 50)), 4)
        opacity = opacity * (1 - np.float32(rng.uniform(0.05, 0.3)) * np.clip(0.4 + clumps, 0, 1))
        opacity = np.maximum(opacity, np.float32(rng.uniform(0, 0.4)) * np.clip(2.5 * clumps - 1.4, 0, 1))
        albedo = albedo + opacity[..., None] * (tint - albedo)
        rough = rough + opacity * (np.float32(ROUGHNESS[kind]) - rough)
        lumps = 0.6 + 0.4 * smooth(generator(seed, "lumps"), opacity.shape, (90, 90))
        relief = relief * (1 - np.float32(0.6) * opacity) + np.float32(THICKNESS[kind]) * opacity * lumps
    gloss = float(material["gloss"])
    coat = 0.5 * gloss if generator(seed, "coat").random() < 0.5 else 0.0
    return Finish(np.clip(albedo, 0, 1).astype(np.float32), rough, 0.0, coat, relief.astype(np.float32))


def crack_cover(paths: Sequence[Curve], width: float, size: int, seed: int) -> Plane:
    """Cover of cracks, (P, P): hairlines that open here and there to the full width."""
    core, whole = lines(paths, 0.6 * width, size), lines(paths, width, size)
    opened = np.clip(0.55 + 1.1 * fractal(generator(seed, "gape"), (size, size), 12, 2), 0, 1)
    return np.maximum(core, whole * opened)


def cracked(finish: Finish, made: tuple[Plane, Plane], records: Sequence[Record], seed: int) -> Finish:
    """A surface with cracks: grooves of the colour given, sometimes with whitened lips.

    Args:
        finish: Its albedo and relief are rasters (H, W, …).
        made: Cover of the cracks, (H, W), and their colour, (H, W, 3).
        records: The wear's. seed: The picture's.
    """
    drawn, colour = made
    rng = generator(seed, "lips")
    width, contrast = max(float(c["width"]) for c in records), np.float32(records[0]["contrast"])
    albedo = finish.albedo
    # Pale broken plastic in a groove gets less light than it would lying open.
    colour = np.where(colour > albedo, colour + np.float32(0.08), colour)
    if rng.random() < 0.5:
        reach = max(width * drawn.shape[0] / 2 * rng.uniform(0.6, 1.6), 0.8)
        lips = np.minimum(np.asarray(cv2.GaussianBlur(drawn, (0, 0), reach)) * 2, 1) * np.float32(rng.uniform(0.1, 0.5))
        albedo = albedo + lips[..., None] * (1.35 * albedo + np.float32(0.05) - albedo)
    albedo = np.clip(albedo + (drawn * contrast)[..., None] * (colour - albedo), 0, 1).astype(np.float32)
    relief = np.asarray(finish.relief) - np.float32(1.5 * width) * drawn
    return Finish(albedo, np.maximum(finish.roughness, np.float32(0.8) * drawn), 0.0, finish.coat, relief)


def wetted(finish: Finish, wet: Plane, domes: Plane) -> Finish:
    """A surface with water drops: smooth domes (H, W), a little darker beneath."""
    rough = np.asarray(finish.roughness, np.float32)
    albedo = finish.albedo * (1 - np.float32(0.15) * wet)[..., None]
    relief = np.asarray(finish.relief) * (1 - wet) + domes
    return Finish(albedo, rough + wet * (np.float32(0.1) - rough), 0.0, finish.coat, relief)


def joined_ends(texture: Plane) -> Plane:
    """A texture (H, W, …) whose right edge runs into its left one, by mirroring a strip at the seam."""
    wide = max(2, texture.shape[1] // 10)
    fade = np.linspace(0, 1, wide, dtype=np.float32).reshape(1, -1, *([1] * (texture.ndim - 2)))
    made = texture.copy()
    made[:, -wide:] = (1 - fade) * texture[:, -wide:] + fade * texture[:, wide - 1 :: -1]
    return made


def wall_finish(
    recipe_seed: int, material: Record, colour: Plane, grime: Record | None, size: int, purpose: str
) -> tuple[Finish, dict[str, Mask | bool]]:
    """Surface and marks of a wall that is unrolled: turn along columns, depth along rows.

    Its deposit is of the record's kind and share, its places are its own.

    Args:
        recipe_seed: The picture's. material: Of the design.
        colour: Albedo of the plastic, (3,) or (rows, 1, 3).
        grime: Record of the deposit or None.
        size: Side of the texture.
        purpose: ``"barrel"`` or ``"socket"``; tells one wall's chance from another's.
    """
    shape = (size, size)
    seed = recipe_seed + sum(map(ord, purpose))
    tone = joined_ends(plastic(material, shape, seed))
    albedo = np.minimum(tone[..., None] * colour, 1).astype(np.float32)
    relief = joined_ends(moulded(material, shape, seed))
    grip = knurl(recipe_seed, shape) if purpose == "barrel" else None
    if grip is not None:
        relief = relief + grip
    rough = rough_of(material, shape, seed)
    rng = generator(seed, "drawn")
    if rng.random() < 0.6:
        # What is pushed in and out, and the mould's own ejection, leave streaks along the axis.
        streaks = smooth(rng, shape, (3, float(rng.uniform(40, 160)))) * np.float32(rng.uniform(0.04, 0.18))
        albedo = np.clip(albedo * (1 + joined_ends(streaks))[..., None], 0, 1)
        relief, rough = relief + np.float32(0.006) * joined_ends(streaks), np.clip(rough - np.abs(streaks), 0.15, 1)
    marks: dict[str, Mask | bool] = {}
    soil = None
    if grime is not None:
        opacity = joined_ends(deposit(grime, np.ones(shape, bool), None, seed))
        soil = (grime, opacity, joined_ends(paint_deposit(grime, shape)))
        marks["grime"] = opacity >= 0.5
    return soiled_finish(material, albedo, relief, joined_ends(rough), recipe_seed, soil), marks


def disc_finish(
    recipe_seed: int, material: Record, colour: Plane, soil: tuple[Record, Plane, Plane] | None, size: int, purpose: str
) -> tuple[Finish, dict[str, Mask | bool]]:
    """Surface and marks of what lies square to the axis, over plane coordinates; ``soil`` as in ``soiled_finish``."""
    shape, seed = (size, size), recipe_seed + sum(map(ord, purpose))
    albedo = np.minimum(plastic(material, shape, seed)[..., None] * colour, 1).astype(np.float32)
    relief = moulded(material, shape, seed)
    marks: dict[str, Mask | bool] = {} if soil is None else {"grime": soil[1] >= 0.5}
    return soiled_finish(material, albedo, relief, rough_of(material, shape, seed), recipe_seed, soil), marks


def unrolled(points: Points, uv: Points) -> Mesh:
    """A grid about an axis whose last column lies on its first: shaded as one, its texture not squeezed at the seam.

    Args:
        points: (R, C, 3). uv: (R, C, 2).
    """
    mesh = grid_mesh(points, uv=uv)
    normals = vertex_normals(mesh).reshape(*points.shape[:2], 3)
    both = normals[:, 0] + normals[:, -1]
    both /= np.maximum(np.linalg.norm(both, axis=1, keepdims=True), 1e-9)
    normals[:, 0] = normals[:, -1] = both
    return Mesh(mesh.vertices, mesh.faces, mesh.uv, np.ascontiguousarray(normals.reshape(-1, 3), np.float32))


def spread(density: NDArray[np.float64], count: int) -> NDArray[np.float64]:
    """``count`` places between 0 and 1 that lie the closer the higher a density over that span is."""
    total = np.concatenate([[0.0], np.cumsum(density)])
    total /= total[-1]
    return np.interp((np.arange(count) + 0.5) / count, total, np.linspace(0, 1, len(total)))


def sampled(raster: Plane, x: Points, y: Points) -> Plane:
    """Values of a raster of the part plane (P, P, …) at plane points of any shape, linear between pixels."""
    size = raster.shape[0]
    column, row = ((np.asarray(a, np.float32) + 1) * np.float32(size / 2) - np.float32(0.5) for a in (x, y))
    return np.asarray(cv2.remap(raster, column, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), np.float32)
