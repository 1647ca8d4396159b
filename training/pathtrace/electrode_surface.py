"""Surfaces of an electrode: glaze, bare and broken ceramic, rod metal with its oxide, carbon; all over the part plane.

Colours and reliefs come from the sketch's unlit rasters; what answers the light (roughness, metal, coat, fine relief)
is made here from the same record.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from wearvision_training.pathtrace.solid import Finish, Plane
from wearvision_training.recipe import Recipe
from wearvision_training.sketch.electrode import Worn
from wearvision_training.sketch.electrode_deposit import Deposit
from wearvision_training.sketch.electrode_shapes import bite, rod_patch, turned
from wearvision_training.sketch.electrode_surface import edge_at, tips_of
from wearvision_training.sketch.noise import fractal, generator, smooth

Image = NDArray[np.float32]
CARBON_ROUGHNESS = {"film": 0.85, "crust": 0.8, "mixed": 0.8, "varnish": 0.22}
CARBON_DARK = {"film": (0.3, 0.85), "crust": (0.1, 0.7), "mixed": (0.1, 0.8), "varnish": (0.0, 0.0)}
"""Range of the metal share that takes from carbon the pale sheen of a dielectric; graphite and soot have little."""
CARBON_COAT = {"film": 0.0, "crust": 0.0, "mixed": 0.05, "varnish": 0.7}
GLAZED_FROM = 0.3
"""Gloss of a design from which its ceramic is glazed; below it is bisque."""
FRINGE = 2.5
"""Pixels by which rasters are carried on beyond an outline, so that the limb of a body shows what lies beside it."""


@dataclass(frozen=True, slots=True)
class Carbon:
    """Residue over the part plane, carried on beyond the outline: cover, colour, thickness, answer to light."""

    cover: Plane
    albedo: Image
    thickness: Plane
    roughness: float
    coat: float
    metal: float


def carbon_of(recipe: Recipe, worn: Worn) -> Carbon | None:
    """The residue on rods and ceramics; None where they are clean."""
    found: Deposit | None = worn.residue
    if found is None:
        return None
    solid = np.maximum(worn.scene.ceramic, worn.scene.metal)
    cover = carried_on(found.alpha / np.maximum(solid, 0.5), solid)
    below = np.maximum(worn.scene.body.height, worn.scene.rod.height)
    thickness = carried_on(np.clip(found.height - below, 0, None) * (found.alpha > 0.02), solid)
    kind = str(recipe.wear["residue"]["kind"])
    rng = generator(recipe.seed, "carbon surface")
    if kind in ("crust", "mixed"):
        grains = np.clip(smooth(rng, cover.shape, (150, 150)), 0, 1) + 0.6 * smooth(rng, cover.shape, (60, 60))
        thickness = thickness + np.float32(rng.uniform(0.001, 0.004)) * cover * grains
    dark = float(rng.uniform(*CARBON_DARK[kind]))
    return Carbon(cover, found.albedo, thickness, CARBON_ROUGHNESS[kind], CARBON_COAT[kind], dark)


def carried_on(raster: Plane, solid: Plane) -> Plane:
    """A raster whose values beyond and on the edge of ``solid`` are those of the nearest sound pixels inside it."""
    sound = (solid > 0.95).astype(np.uint8)
    if not sound.any():
        return raster
    kernel = np.ones((3, 3), np.uint8)
    made, known = (raster * sound).astype(np.float32), sound
    for _ in range(int(np.ceil(FRINGE)) + 1):
        grown = cv2.dilate(made, kernel)
        made = np.where(known > 0, made, grown)
        known = cv2.dilate(known, kernel)
    return np.asarray(np.where(known > 0, made, raster), np.float32)


def marked_on(mask: NDArray[np.bool_], solid: Plane) -> NDArray[np.bool_]:
    """A mask of the visible surface, carried on beyond its outline."""
    return np.asarray(carried_on(mask.astype(np.float32), solid) > 0.5)


def ceramic_finish(recipe: Recipe, worn: Worn, carbon: Carbon | None) -> Finish:
    """Glazed or bisque ceramic with its bare front, its break, cracks and carbon."""
    size, glaze = worn.scene.size, recipe.design["glaze"]
    rng = generator(recipe.seed, "glaze surface")
    gloss = float(glaze["gloss"])
    uneven = smooth(rng, (size, size), (9, 9))
    glazed = gloss > GLAZED_FROM
    roughness = (0.30 - 0.26 * gloss if glazed else 0.8 - 0.9 * gloss) + (0.03 if glazed else 0.06) * uneven
    coat = np.full((size, size), 0.35 + 0.7 * gloss if glazed else 0.0, np.float32)
    waves = rng.uniform(0.0002, 0.0011) * fractal(rng, (size, size), rng.uniform(8, 26), 2)
    grain = 0.0012 * smooth(rng, (size, size), (220, 220))
    relief = waves + (0.03 if glazed else 0.25) * grain
    for share, rough in ((_bare(recipe, size), 0.7), (_break(recipe, worn), 0.85)):
        roughness += share * (rough - roughness)
        coat *= 1 - share
        relief += share * (2.2 if rough > 0.8 else 0.5) * grain
    relief -= 1.5 * worn.groove
    cracked = np.clip(worn.groove / max(float(worn.groove.max()), 1e-6), 0, 1)
    roughness += cracked * (0.7 - roughness)
    coat *= 1 - cracked
    albedo = carried_colour(worn.scene.body.albedo, np.maximum(worn.scene.ceramic, worn.scene.metal))
    scuffs, smudges = _handled(size, rng)
    albedo *= (1 - 0.5 * scuffs - 0.06 * np.clip(smudges, 0, 1))[..., None]
    roughness += 0.12 * np.clip(smudges, -0.3, 1) + 0.3 * scuffs
    return sooted(albedo, roughness, np.zeros((size, size), np.float32), coat, relief, carbon)


def _handled(size: int, rng: np.random.Generator) -> tuple[Plane, Plane]:
    """Marks of use that are no wear: faint rubs of metal on ceramic, 0 to 1, and smudges about -1 to 1."""
    lines = np.zeros((size, size), np.uint8)
    for _ in range(int(rng.integers(2, 14)) * int(rng.integers(2))):
        at, turn = rng.uniform(0.1, 0.9, 2) * size, rng.uniform(0, np.pi)
        end = at + rng.uniform(0.01, 0.09) * size * np.array([np.cos(turn), np.sin(turn)])
        ends = [(int(x * 16), int(y * 16)) for x, y in (at, end)]
        cv2.line(lines, ends[0], ends[1], int(rng.integers(40, 150)), 1, cv2.LINE_AA, 4)
    rubs = lines.astype(np.float32) / 255 * np.clip(0.5 + smooth(rng, (size, size), (60, 60)), 0, 1)
    return np.asarray(rubs, np.float32), fractal(rng, (size, size), rng.uniform(5, 16), 3)


def _bare(recipe: Recipe, size: int) -> Plane:
    """Share of each pixel that the glaze leaves free: the fronts."""
    share = np.zeros((size, size), np.float32)
    bare = float(recipe.design["glaze"]["bare"])
    for piece in recipe.design["ceramics"] if bare > 0 else ():
        patch = turned(piece, size)
        edge = np.clip((patch.u - np.float32(piece["profile"][-1][0] - bare)) / 0.012 + 0.5, 0, 1)
        np.maximum(share[patch.box], edge, out=share[patch.box])
    return share


def _break(recipe: Recipe, worn: Worn) -> Plane:
    """Share of each pixel that is broken ceramic."""
    size, chip = worn.scene.size, recipe.wear.get("chip")
    share = np.zeros((size, size), np.float32)
    if chip is None or worn.scene.waves is None:
        return share
    piece = recipe.design["ceramics"][chip["ceramic"]]
    patch = turned(piece, size)
    gone, near = bite(patch, chip, edge_at(piece, chip), size, worn.scene.waves.tolist())
    share[patch.box] = np.maximum(np.clip(near * 3, 0, 1), gone)
    return share


def carried_colour(albedo: Image, solid: Plane) -> Image:
    """Colours that go on beyond the outline, where the sketch leaves a plain one."""
    return np.stack([carried_on(np.ascontiguousarray(albedo[..., c]), solid) for c in range(3)], -1)


def sooted(
    albedo: Image, roughness: Plane, metal: Plane, coat: Plane, relief: Plane, carbon: Carbon | None
) -> Finish:
    """A surface under carbon; where it is clean it stays as it is."""
    if carbon is not None:
        cover = carbon.cover
        albedo = albedo + cover[..., None] * (carbon.albedo - albedo)
        roughness = roughness + cover * (np.float32(carbon.roughness) - roughness)
        metal = metal + cover * (np.float32(carbon.metal) - metal)
        coat = coat + cover * (np.float32(carbon.coat) - coat)
        relief = relief * (1 - 0.7 * cover) + carbon.thickness
    return Finish(
        np.clip(albedo, 0.004, 0.95).astype(np.float32),
        np.clip(roughness, 0.08, 1).astype(np.float32),
        np.clip(metal, 0, 1).astype(np.float32),
        np.clip(coat, 0, 1).astype(np.float32),
        relief.astype(np.float32),
    )


def rod_finish(recipe: Recipe, worn: Worn, carbon: Carbon | None) -> Finish:
    """Rod metal: drawn along its course, dull and scaled with oxide where the spark heats it."""
    size, metal = worn.scene.size, recipe.design["metal"]
    rng = generator(recipe.seed, "rod surface")
    scale = np.clip(0.5 + 0.8 * fractal(rng, (size, size), rng.uniform(20, 50), 3), 0, 1)
    hot = _heated(recipe, size, 2.5 + 0.8 * float(metal["heat_reach"]))
    oxide = hot * scale * (0.35 + 0.5 * float(metal["heat"]))
    mottled = fractal(rng, (size, size), 14, 3)
    roughness = 0.55 - 0.42 * float(metal["gloss"]) + 0.08 * mottled + 0.35 * oxide
    shine = np.clip(0.55 + 0.5 * float(metal["metal"]) - 0.55 * oxide, 0.1, 1)
    relief = 0.0016 * (rng.uniform(0.02, 0.2) + oxide) * smooth(rng, (size, size), (170, 170))
    albedo = carried_colour(worn.scene.rod.albedo, worn.scene.rod.alpha)
    rust = np.array([0.55, 0.5, 0.47], np.float32)
    albedo = albedo * (1 - 0.55 * oxide[..., None] * (1 - rust)) * (1 + 0.08 * mottled)[..., None]
    none = np.zeros((size, size), np.float32)
    return sooted(albedo, roughness, shine.astype(np.float32), none, relief, carbon)


def _heated(recipe: Recipe, size: int, reach: float) -> Plane:
    """1 at each rod's end, fading over ``reach`` radii."""
    hot = np.zeros((size, size), np.float32)
    for rod, tip in zip(recipe.design["rods"], tips_of(recipe.design, recipe.wear), strict=True):
        patch = rod_patch(rod, tip, size)
        fade = np.clip(1 - patch.u / np.float32(reach * rod["radius"]), 0, 1)
        np.maximum(hot[patch.box], fade * (patch.alpha > 0), out=hot[patch.box])
    return hot


def plain_metal(recipe: Recipe, colour: Any, name: str, size: int) -> Finish:
    """Sheet or turned metal that was handled: stained, blotched, scratched."""
    rng = generator(recipe.seed, "metal surface", name)
    shape = (size // 2, size // 2)
    blotch = fractal(rng, shape, rng.uniform(6, 30), 4)
    tarnish = np.clip(fractal(rng, shape, 5, 3) - rng.uniform(-0.1, 0.5), 0, 1) * rng.uniform(0, 0.9)
    stretch = (shape[0] / 2, 6.0) if rng.random() < 0.5 else (6.0, shape[1] / 2)
    brushed = smooth(rng, shape, stretch)
    base = np.asarray(colour, np.float32) * (1 + 0.1 * blotch + 0.05 * brushed)[..., None]
    dull = np.array([0.5, 0.42, 0.34], np.float32)
    albedo = base * (1 - tarnish[..., None] * (1 - dull))
    roughness = np.clip(rng.uniform(0.22, 0.5) + 0.1 * blotch + 0.3 * tarnish, 0.12, 0.9)
    metal = np.clip(1 - 0.5 * tarnish, 0, 1)
    relief = (0.0006 * brushed + 0.0008 * blotch).astype(np.float32)
    return Finish(
        np.clip(albedo, 0.01, 0.95).astype(np.float32), roughness.astype(np.float32), metal.astype(np.float32), 0.0,
        relief,
    )  # fmt: skip


def rubber(recipe: Recipe, colour: Any, size: int) -> Finish:
    """Boot or insulation of a wire: rubber, silicone or varnished cloth, with rubbed dust on it."""
    rng = generator(recipe.seed, "rubber surface")
    shape = (size // 2, size // 2)
    dusty = np.clip(fractal(rng, shape, 7, 4) * rng.uniform(0, 0.5), 0, 0.4)[..., None]
    grey = np.array([0.30, 0.28, 0.25], np.float32)
    base = np.broadcast_to(np.asarray(colour, np.float32), (*shape, 3))
    albedo = base + dusty * (grey - base)
    roughness = np.clip(rng.uniform(0.35, 0.75) + 0.3 * dusty[..., 0], 0.2, 0.95)
    relief = 0.0008 * smooth(rng, shape, (shape[0] / 2, shape[1] / 2))
    return Finish(albedo.astype(np.float32), roughness.astype(np.float32), 0.0, 0.0, relief)


def clinker(recipe: Recipe, wish: Mapping[str, Any], size: int) -> Finish:
    """Carbon across the gap: black, coarse, with a few grey and shiny grains."""
    rng = generator(recipe.seed, "clinker surface")
    shape = (size, size)
    rough = fractal(rng, shape, size / 14, 3)
    grey = np.clip(rough * 1.5 - 0.7, 0, 1)[..., None]
    shade = float(wish["shade"]) * (1 + 0.5 * rough)[..., None] * np.array([1.0, 0.96, 0.9], np.float32)
    albedo = shade + grey * (np.float32(rng.uniform(0.03, 0.16)) - shade)
    roughness = np.clip(0.75 + 0.25 * smooth(rng, shape, (120, 120)) - 0.3 * grey[..., 0], 0.25, 1)
    relief = 0.004 * rough
    return Finish(
        np.clip(albedo, 0.004, 0.4).astype(np.float32), roughness.astype(np.float32), 0.0, 0.0,
        relief.astype(np.float32),
    )  # fmt: skip
