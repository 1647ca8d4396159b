"""Surfaces of a flame-sensing cell's housing: metal with its tool marks, moulded plastic, dirt on both."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import cv2
import numpy as np

from wearvision_training.pathtrace.solid import Finish, Plane
from wearvision_training.recipe import Recipe
from wearvision_training.sketch.flame_cell_raster import brushed, dim, grid, mix, plain
from wearvision_training.sketch.flame_cell_rim import RimTables, rim_surface
from wearvision_training.sketch.noise import fractal, generator, smooth

Parameters = Mapping[str, Any]
SIDE = (48, 384)
"""Rows and columns of the texture about a barrel: down and around."""
DIRT = (0.035, 0.028, 0.02)


def tool_marks(kind: str, shape: tuple[int, int], rng: np.random.Generator) -> Plane:
    """Heights, about -1 to 1, that making a surface left on it, over the whole part plane."""
    if kind == "turned":
        size = shape[0]
        whole = grid(size)
        rings = smooth(rng, (1, size), (1, size / 2.5))[0]
        return np.asarray(np.interp(whole.r, np.linspace(0, 1.5, size), rings), np.float32)
    if kind == "brushed":
        return brushed(rng, shape, float(rng.uniform(0, np.pi)), shape[0] / 3)
    if kind == "blasted":
        return smooth(rng, shape, (shape[0] / 2.2, shape[1] / 2.2))
    return fractal(rng, shape, 14, 3)


def roughness_of(gloss: float, metal: float) -> float:
    """How rough a surface is whose highlight has a strength of ``gloss`` in the sketch, 0 to 1."""
    return float(np.clip((0.62 - 0.45 * gloss) if metal < 0.2 else (0.52 - 0.36 * gloss), 0.1, 0.85))


def making(metal: float, rng: np.random.Generator) -> tuple[str, float]:
    """How a surface was made, and how deep its marks are in plane units."""
    if metal > 0.2:
        kind = str(rng.choice(["turned", "brushed", "blasted", "pressed"], p=[0.35, 0.2, 0.2, 0.25]))
        return kind, float(rng.uniform(0.0001, 0.0005)) * (0.5 if kind == "pressed" else 1.0)
    kind = str(rng.choice(["blasted", "moulded", "turned"], p=[0.5, 0.4, 0.1]))
    return kind, float(rng.uniform(0.0001, 0.0006))


def rim_finish(recipe: Recipe, tables: RimTables, raster: int) -> Finish:
    """The front rim's surface over the part plane."""
    design, wear, rng = recipe.design, recipe.wear, generator(recipe.seed, "rim finish")
    whole = grid(raster)
    part = whole.around((0.0, 0.0), float(tables.outer.max()))
    inner = tables.inner[part.theta]
    t = np.clip((part.r - inner) / np.maximum(tables.smooth[part.theta] - inner, 1e-4), 0, 1).astype(np.float32)
    surface = rim_surface(design, wear, tables, t, part, recipe.seed, lit=False)
    metal, gloss = float(design["rim"]["metal"]), float(design["rim"]["gloss"])
    kind, deep = making(metal, rng)
    marks = tool_marks(kind, (raster, raster), rng)
    grime, burn, stamp, scratch = (
        part.whole(piece) for piece in (surface.grime, surface.burn, surface.stamp, surface.scratch)
    )
    soft = fractal(rng, (raster, raster), 5, 3)
    albedo = part.whole(surface.albedo)
    rust = _aged(albedo, whole.r - tables.outer[whole.theta], recipe, rng)
    rough = roughness_of(gloss, metal) * (1 + 0.25 * soft) + 0.35 * grime + 0.1 * scratch
    # Melted plastic runs smooth and wavy; burned, it crusts.
    melted = np.clip(np.abs(tables.offsets) * 12, 0, 1)[whole.theta] * float(metal < 0.2)
    rough = rough * (1 - 0.4 * melted) + 0.4 * burn + 0.4 * rust
    relief = deep * marks * (1 - 0.8 * melted) + 0.004 * melted * fractal(rng, (raster, raster), 9, 2)
    relief += -0.0022 * stamp - 0.0010 * scratch + 0.0012 * grime * smooth(rng, (raster, raster), (90, 90))
    relief += (0.003 * burn + 0.0015 * rust) * fractal(rng, (raster, raster), 40, 2)
    return Finish(
        albedo=albedo,
        roughness=np.clip(rough, 0.08, 0.95).astype(np.float32),
        metal=np.clip(_metal(metal) * (1 - 0.75 * grime - burn - 0.9 * rust), 0, 1).astype(np.float32),
        coat=0.35 * float(rng.random()) if metal < 0.2 and gloss > 0.25 else 0.0,
        relief=relief.astype(np.float32),
    )


def _aged(albedo: Plane, within: Plane, recipe: Recipe, rng: np.random.Generator) -> Plane:
    """Years of use that are no wear: rust and heat colours on metal, pale worn edges on plastic; cover of rust.

    Args:
        albedo: Changed in place.
        within: Distance outwards from the rim's edge, negative on the rim.
    """
    shape, metal = (albedo.shape[0], albedo.shape[1]), float(recipe.design["rim"]["metal"])
    rust, age = np.zeros(shape, np.float32), float(rng.random())
    edge = np.exp(np.minimum(within, 0) / np.float32(0.012)) * (0.6 + 0.5 * fractal(rng, shape, 18, 2))
    if metal <= 0.2:
        mix(albedo, np.clip(np.array(recipe.design["rim"]["colour"]) * 1.3 + 0.06, 0, 0.9), np.clip(age * edge, 0, 0.6))
        return rust
    red, _, blue = recipe.design["rim"]["colour"]
    steel = blue > 0.7 * red
    if steel and age > 0.6:
        spots = fractal(rng, shape, 30, 3) + 0.5 * edge - 0.9 + 0.5 * (age - 0.6)
        rust = np.clip(4 * spots, 0, 1).astype(np.float32)
        mix(albedo, (0.20, 0.075, 0.025), 0.85 * rust)
    elif age > 0.4:  # tarnish, or the straw and brown that heat leaves
        warm = np.clip(0.5 * age + 0.6 * fractal(rng, shape, 3, 2), 0, 0.7).astype(np.float32)
        dim(albedo, 1 - 0.3 * warm)
        albedo[..., 2] *= 1 - 0.5 * warm
    return rust


def _metal(metal: float) -> float:
    return float(np.clip(1.15 * metal, 0, 1))


def side_finish(recipe: Recipe, side: str) -> Finish:
    """The barrel's outer side, or the inner wall: over turn and height; dirt gathers at the foot."""
    design, rng = recipe.design, generator(recipe.seed, side, "finish")
    rim, shape = design["rim"], SIDE
    metal, dirt = float(rim["metal"]), float(recipe.wear["dirt"])
    inside = side == "wall"
    colour = np.array(rim["colour"]) * (0.5 + 0.5 * float(design["body"]["darker"]))
    if inside and rng.random() < 0.3:  # painted or anodised black against stray light
        colour, metal = np.array([0.02, 0.02, 0.021]) * rng.uniform(0.6, 2), 0.0
    albedo = plain(shape, colour)
    dim(albedo, 1 + np.float32(rim["grain"]) * fractal(rng, shape, (3, 20), 3))
    down = np.linspace(0, 1, shape[0], dtype=np.float32)[:, None]
    runs = np.clip(smooth(rng, shape, (3, 60)) + 0.3 * fractal(rng, shape, (4, 12), 2), 0, 1)
    grime = np.clip(dirt * (0.25 + runs + 0.9 * down**3 * (0.6 + 0.4 * smooth(rng, shape, (4, 30)))), 0, 1)
    mix(albedo, DIRT, 0.75 * grime)
    lines = smooth(rng, shape, (shape[0] / 1.5, 2)) if metal > 0.2 else smooth(rng, shape, (20, 200))
    gloss = float(rim["gloss"]) * float(rng.uniform(0.6, 1.0))
    return Finish(
        albedo=np.clip(albedo, 0.003, 1),
        roughness=np.clip(roughness_of(gloss, metal) + 0.4 * grime + 0.05 * lines, 0.1, 0.95).astype(np.float32),
        metal=np.clip(_metal(metal) * (1 - 0.75 * grime), 0, 1).astype(np.float32),
        relief=(0.0003 * lines).astype(np.float32),
    )


def plate_finish(plate: Parameters, recipe: Recipe, index: int, around: Plane, raster: int) -> Finish:
    """A base plate's surface over the part plane; ``around`` is the distance from the barrel that stands on it."""
    rng, shape = generator(recipe.seed, "base", index), (raster, raster)
    cloud = smooth(rng, shape, (40, 40))
    albedo = plain(shape, plate["colour"])
    dim(albedo, 1 + np.float32(plate["grain"]) * cloud)
    dirt, metal = float(recipe.wear["dirt"]), float(plate["metal"])
    corner = np.exp(-np.maximum(around, 0) / np.float32(0.03))
    soft = fractal(rng, shape, 5, 3)
    grime = np.clip(dirt * (0.3 + 0.7 * soft + 0.8 * corner), 0, 1)
    mix(albedo, DIRT, 0.75 * grime)
    kind, deep = making(metal, rng)
    relief = deep * tool_marks(kind, shape, rng)
    return Finish(
        albedo=np.clip(albedo, 0.003, 1),
        roughness=np.clip(roughness_of(float(plate["gloss"]), metal) * (1 + 0.25 * soft) + 0.35 * grime, 0.1, 0.95),
        metal=np.clip(_metal(metal) * (1 - 0.75 * grime), 0, 1).astype(np.float32),
        relief=cv2.GaussianBlur(relief, (0, 0), 0.6).astype(np.float32),
    )
