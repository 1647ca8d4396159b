"""Draws an ignition electrode: metal and ceramic as round bodies, then what wear and dirt laid on them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wearvision_training.recipe import Recipe
from wearvision_training.sketch.drawing import Drawing, Slice
from wearvision_training.sketch.electrode_deposit import Deposit, cracks, deposit_slice, growth, longest_run, residue
from wearvision_training.sketch.electrode_shapes import Plane, centre_line
from wearvision_training.sketch.electrode_surface import Layer, Scene, bodies, hardware, tips_of
from wearvision_training.wear.electrode import BRIDGES_FROM, width_loss

BEHIND_Z, FRONT_Z = -0.1, 0.07
THROUGH = frozenset({"ceramic", "rod", "chip"})
"""Masks cut by hand to what is visible, so that carbon lying on ceramic does not take it out of the ceramic."""
HARDWARE_GLOSS, HARDWARE_METAL = 0.55, 0.75


@dataclass(frozen=True, slots=True)
class Worn:
    """An electrode with its wear, and the truth about it; nothing here is lit yet.

    Attributes:
        scene: Rasters of the bodies; cracks and dust are in their colours and reliefs.
        groove: Depth of the cracks, plane units, (P, P).
        residue: Carbon on the surfaces, or None. growth: carbon across the gap, or None.
        masks: Residue, cracks and bridge, as seen from the front.
        measures: Truth of the form measures. notes: Further truth.
    """

    scene: Scene
    groove: Plane
    residue: Deposit | None
    growth: Deposit | None
    masks: Mapping[str, NDArray[np.bool_]]
    measures: Mapping[str, float]
    notes: Mapping[str, object]


def draw(recipe: Recipe, size: int) -> Drawing:
    """The electrode of a recipe on a raster of ``size`` pixels; the same recipe gives the same drawing.

    Args:
        recipe: Part ``"electrode"``; its design, wear and seed are used.
        size: Side of the raster.
    """
    design = recipe.design
    behind = hardware(design, "behind", size, recipe.seed)
    worn = lay_out(recipe, size)
    carbon = [d for d in (worn.residue, worn.growth) if d is not None]
    slices = _stack(recipe, behind, worn.scene, deposit_slice(carbon, 1 - worn.scene.front.alpha), worn.masks)
    return Drawing(slices, worn.measures, mm_per_unit=float(design["mm_per_unit"]), notes=worn.notes)


def lay_out(recipe: Recipe, size: int) -> Worn:
    """Bodies, wear and truth of a recipe on a raster of ``size`` pixels, whatever engine pictures them."""
    scene = bodies(recipe, size)
    whole = scene.body.height.copy()
    opened = cracks(recipe, scene)
    groove = whole - scene.body.height
    laid, grown = residue(recipe, scene, opened.keep_clear), growth(recipe, scene)
    dark = np.zeros((size, size), bool)
    for deposit in (laid, grown):
        if deposit is not None:
            dark |= deposit.counted
    lines_seen = (scene.ceramic > 0.5) & ~dark
    bridged = bridges(recipe) and grown is not None
    masks = {"residue": dark & (np.maximum(scene.ceramic, scene.metal) > 0.5), "crack": opened.mask & lines_seen}
    if bridged and grown is not None:
        masks["bridge"] = grown.counted
    tips = tips_of(recipe.design, recipe.wear)
    runs = [longest_run(line, lines_seen, size) for line in opened.lines]
    measures = {
        "bridge": float(bridged),
        "crack_ratio": max(runs, default=0.0) / float(recipe.design["insulator_diameter"]),
        "chip_ratio": _share(scene.missing, scene.ceramic),
        "tip_loss": max(width_loss(tip) for tip in tips),
    }
    return Worn(scene, groove, laid, grown, masks, measures, _notes(recipe.design, tips, opened.lines))


def bridges(recipe: Recipe) -> bool:
    """Whether carbon narrows the gap so far that the wear standard calls it a bridge."""
    wish = recipe.wear.get("growth")
    return bool(wish) and recipe.design["partner"] is not None and float(wish["fraction"]) >= BRIDGES_FROM


def _stack(
    recipe: Recipe, behind: Layer, scene: Scene, deposit: Slice | None, masks: Mapping[str, NDArray[np.bool_]]
) -> tuple[Slice, ...]:
    """The slices from the farthest to the nearest; wear's masks go with the last one on the part itself."""
    glaze, metal = recipe.design["glaze"], recipe.design["metal"]
    slices = [] if behind.empty else [_slice(BEHIND_Z, behind, HARDWARE_GLOSS, HARDWARE_METAL)]
    body = _slice(0.0, scene.body, glaze["gloss"], 0.0)
    slices.append(replace(body, masks={"ceramic": scene.ceramic > 0.5, "chip": scene.missing > 0.5}))
    rod = _slice(0.0, scene.rod, metal["gloss"], metal["metal"])
    slices.append(replace(rod, masks={"rod": scene.metal > 0.5}))
    if deposit is not None:
        slices.append(replace(deposit, through=THROUGH))
    slices[-1] = replace(slices[-1], masks={**slices[-1].masks, **masks})
    if not scene.front.empty:
        slices.append(_slice(FRONT_Z, scene.front, HARDWARE_GLOSS, HARDWARE_METAL))
    return tuple(slices)


def _slice(z: float, layer: Layer, gloss: float, metal: float) -> Slice:
    return Slice(z, layer.alpha, layer.albedo, layer.height, float(gloss), float(metal), {}, THROUGH)


def _share(part: Plane, rest: Plane) -> float:
    """Area of ``part`` over that of both, from cover, so that a pixel's share counts."""
    lost = float(part.sum())
    return lost / (lost + float(rest.sum())) if lost > 0 else 0.0


def _notes(
    design: Mapping[str, Any], tips: list[Mapping[str, Any]], lines: list[NDArray[np.float64]]
) -> dict[str, object]:
    """Crack lines and rod ends in plane units, for who wants to check a measure against the truth."""
    ends = []
    for rod, tip in zip(design["rods"], tips, strict=True):
        line = centre_line(rod)
        along = (line[-1] - line[-2]) / np.hypot(*(line[-1] - line[-2]))
        ends.append([float(v) for v in line[-1] - along * float(tip.get("setback", 0.0)) * rod["radius"]])
    return {
        "trace": [line.tolist() for line in lines],
        "tips": ends,
        "tip_losses": [width_loss(tip) for tip in tips],
        "rod_radius": float(design["rods"][0]["radius"]),
        "insulator_diameter": float(design["insulator_diameter"]),
    }
