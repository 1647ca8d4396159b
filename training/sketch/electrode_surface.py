"""The sound electrode on its raster: metal, rods and ceramics with chips, and how much of each is visible."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from wearvision_training.recipe import Recipe
from wearvision_training.sketch.electrode_shapes import (
    Box,
    Patch,
    Plane,
    bite,
    plate_patch,
    rod_patch,
    to_plane,
    turned,
)
from wearvision_training.sketch.noise import fractal, generator, smooth
from wearvision_training.wear.electrode import NO_TIP


def flat_colour(size: int, colour: NDArray[np.float32]) -> NDArray[np.float32]:
    """A raster of one colour, (P, P, 3); filled by whole rows, which is several times faster than by pixels."""
    made = np.empty((size, size * 3), np.float32)
    made[:] = np.tile(colour, size)
    return made.reshape(size, size, 3)


class Layer:
    """A full raster that patches are laid onto, the later over the earlier."""

    def __init__(self, size: int, colour: NDArray[np.float32]) -> None:
        """An empty raster whose hidden colour, which a blurred edge may show, is ``colour``."""
        self.alpha = np.zeros((size, size), np.float32)
        self.height = np.zeros((size, size), np.float32)
        self.albedo = flat_colour(size, colour)
        self.empty = True

    def lay(self, patch: Patch, colour: NDArray[np.float32], cover: Plane | None = None) -> None:
        """Adds a patch of a colour, (3,) or (h, w, 3)."""
        self.empty = False
        new = patch.alpha if cover is None else cover
        old = self.alpha[patch.box]
        total = new + old * (1 - new)
        weight = new / np.maximum(total, 1e-4)
        self.albedo[patch.box] += weight[..., None] * (colour - self.albedo[patch.box])
        self.height[patch.box] = np.where(new > 0.4, patch.height, self.height[patch.box])
        self.alpha[patch.box] = total


@dataclass(slots=True)
class Scene:
    """The drawing in the making: visible cover of rod and ceramic, the masks, and phases of the chip's break."""

    size: int
    body: Layer
    rod: Layer
    front: Layer
    ceramic: Plane
    metal: Plane
    missing: Plane
    waves: NDArray[np.float64] | None = None


def filled_box(cover: Plane) -> Box:
    """Rows and columns that hold any cover; the whole raster if none does."""
    rows, columns = np.flatnonzero(cover.max(1) > 0.002), np.flatnonzero(cover.max(0) > 0.002)
    if len(rows) == 0:
        return slice(0, cover.shape[0]), slice(0, cover.shape[1])
    return slice(int(rows[0]), int(rows[-1]) + 1), slice(int(columns[0]), int(columns[-1]) + 1)


def tips_of(design: Mapping[str, Any], wear: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """One tip a rod; square where the wear says nothing."""
    tips = list(wear.get("tips") or [])
    return [tips[k] if k < len(tips) else NO_TIP for k in range(len(design["rods"]))]


def hardware(design: Mapping[str, Any], layer: str, size: int, seed: int) -> Layer:
    """Plates and turned metal of one layer, behind or in front of the electrode."""
    made = Layer(size, np.asarray([0.5, 0.5, 0.5], np.float32))
    rng = generator(seed, "hardware", layer)
    for plate in design["plates"]:
        if plate["layer"] == layer:
            patch = plate_patch(plate, size)
            made.lay(patch, _metal_texture(patch, plate["colour"], rng))
    for body in design["bodies"]:
        if body["layer"] == layer:
            patch = turned(body, size)
            made.lay(patch, _metal_texture(patch, body["colour"], rng))
    return made


def _metal_texture(patch: Patch, colour: Any, rng: np.random.Generator) -> NDArray[np.float32]:
    """Plain metal, slightly stained."""
    stain = 1 + 0.1 * fractal(rng, patch.alpha.shape, 4, 3)
    return np.asarray(colour, np.float32) * np.asarray(stain, np.float32)[..., None]


def bodies(recipe: Recipe, size: int) -> Scene:
    """Metal, rods and ceramics with their chips, and how much of each is visible."""
    design, wear = recipe.design, recipe.wear
    rng = generator(recipe.seed, "bodies")
    glaze, metal = design["glaze"], design["metal"]
    body = Layer(size, np.asarray(glaze["colour"], np.float32))
    rods = Layer(size, np.asarray(metal["colour"], np.float32))
    front = hardware(design, "front", size, recipe.seed)
    ceramic, missing = np.zeros((size, size), np.float32), np.zeros((size, size), np.float32)
    rod_cover = np.zeros((size, size), np.float32)
    waves: NDArray[np.float64] | None = None
    for extra in (b for b in design["bodies"] if b["layer"] == "metal"):
        patch = turned(extra, size)
        rods.lay(patch, _metal_texture(patch, extra["colour"], rng))
    for rod, tip in zip(design["rods"], tips_of(design, wear), strict=True):
        patch = rod_patch(rod, tip, size)
        rods.lay(patch, _rod_colour(patch, metal, rng))
        np.maximum(rod_cover[patch.box], patch.alpha, out=rod_cover[patch.box])
    # The first slice casts the shadow on the bench, so the metal lies under the ceramic's slice too, a little slimmer.
    box = filled_box(rods.alpha)
    under, relief = rods.alpha[box], rods.height[box]
    body.lay(Patch(box, under, relief, under, under, under), rods.albedo[box], np.clip(2 * under - 1, 0, 1))
    for index, piece in enumerate(design["ceramics"]):
        patch = turned(piece, size)
        cover, colour, height = patch.alpha, _glaze_colour(patch, piece, glaze, size, rng), patch.height
        chip = wear.get("chip")
        if chip is not None and chip["ceramic"] == index:
            waves = rng.uniform(0, 2 * np.pi, 5)
            cover, colour, height = _chipped(patch, piece, chip, colour, missing, rng, size, waves)
        body.lay(Patch(patch.box, cover, height, patch.u, patch.v, patch.radius), colour)
        np.maximum(ceramic[patch.box], cover, out=ceramic[patch.box])
    for extra in (b for b in design["bodies"] if b["layer"] == "soft"):
        patch = turned(extra, size)
        body.lay(patch, np.asarray(extra["colour"], np.float32))
        for plane in (ceramic, missing):
            plane[patch.box] *= 1 - patch.alpha
        rods.alpha[patch.box] *= 1 - patch.alpha
    rods.alpha *= 1 - ceramic
    open_ = 1 - front.alpha
    missing *= open_ * (1 - rod_cover)
    return Scene(size, body, rods, front, ceramic * open_, rod_cover * (1 - ceramic) * open_, missing, waves)


def _rod_colour(patch: Patch, metal: Mapping[str, Any], rng: np.random.Generator) -> NDArray[np.float32]:
    """Rod metal: brushed along, perhaps turned in rings, straw and blue from heat behind the end."""
    value = np.ones(patch.alpha.shape, np.float32)
    if metal["brushed"] > 0:
        table = smooth(rng, (1, 256), (2, 90))[0]
        index = ((patch.v / patch.radius + 1.2) * 106).clip(0, 255).astype(np.int32)
        value += np.float32(metal["brushed"]) * table[index]
    if metal["rings"] > 0:
        value += np.float32(metal["rings"]) * np.sin(patch.u * (12.0 / patch.radius))
    colour = np.asarray(metal["colour"], np.float32) * value[..., None]
    if metal["heat"] > 0:
        # Oxide colours in the order in which steel takes them on: blue nearest the heat, then purple, then straw.
        back = np.clip(patch.u / (patch.radius * np.float32(metal["heat_reach"])), 0, 1)
        stops = np.array([[0.62, 0.78, 1.12], [0.70, 0.62, 0.95], [1.1, 0.88, 0.55], [1, 1, 1]], np.float32)
        place = np.linspace(0, 1, 4)
        table = np.stack([np.interp(np.linspace(0, 1, 64), place, stops[:, c]) for c in range(3)], -1)
        tint = table.astype(np.float32)[(back * 63).astype(np.int32)]
        colour = colour * (1 + np.float32(metal["heat"]) * (tint - 1))
    return np.asarray(colour, np.float32)


def _glaze_colour(
    patch: Patch, piece: Mapping[str, Any], glaze: Mapping[str, Any], size: int, rng: np.random.Generator
) -> NDArray[np.float32]:
    """Ceramic with what is no wear: flow lines, specks, seam, bands, stamped strokes, unglazed front."""
    shape = patch.alpha.shape
    value = 1 + np.float32(glaze["flow"]) * smooth(rng, shape, (16, 3)) + 0.04 * smooth(rng, shape, (3, 3))
    if glaze["speck"] > 0:
        value -= np.float32(glaze["speck"]) * np.clip(smooth(rng, shape, (160, 160)) * 4 - 2.4, 0, 3)
    if glaze["seam"] is not None:
        off = np.abs(patch.v / patch.radius - np.float32(glaze["seam"])) * patch.radius
        value *= 1 - 0.10 * np.exp(-((off / 0.006) ** 2))
    colour = np.empty((*shape, 3), np.float32)
    colour[:] = np.asarray(glaze["colour"], np.float32)
    last = piece["profile"][-1][0]
    if glaze["bare"] > 0:
        edge = np.clip((patch.u - np.float32(last - glaze["bare"])) / 0.012 + 0.5, 0, 1)[..., None]
        colour += edge * (np.asarray(glaze["bare_colour"], np.float32) - colour)
    ink = np.asarray(glaze["ink"], np.float32)
    marked = np.zeros(shape, np.float32)
    for low, high in glaze["bands"]:
        marked = np.maximum(marked, np.clip(np.minimum(patch.u - low, high - patch.u) / 0.006 + 0.5, 0, 1))
    if glaze["stamp"]:
        marked = np.maximum(marked, _strokes(glaze["stamp"], piece, patch.box, size))
    colour += (0.85 * marked)[..., None] * (ink - colour)
    return np.asarray(colour * value[..., None], np.float32)


def _strokes(strokes: Any, piece: Mapping[str, Any], box: Box, size: int) -> Plane:
    """Cover of stamped strokes over a box of the raster."""
    drawn = np.zeros((box[0].stop - box[0].start, box[1].stop - box[1].start), np.uint8)
    wide = max(1, round(size / 250))
    for stroke in strokes:
        line = pixels(to_plane(piece, np.asarray(stroke)), box, size)
        cv2.polylines(drawn, [line], False, 255, wide, cv2.LINE_AA, 4)
    return drawn.astype(np.float32) / 255


def _chipped(
    patch: Patch,
    piece: Mapping[str, Any],
    chip: Mapping[str, Any],
    colour: NDArray[np.float32],
    missing: Plane,
    rng: np.random.Generator,
    size: int,
    waves: NDArray[np.float64],
) -> tuple[Plane, NDArray[np.float32], Plane]:
    """Cover, colour and relief of a ceramic with a bite out of it; adds what is gone to ``missing``."""
    gone, near = bite(patch, chip, edge_at(piece, chip), size, waves)
    lost = missing[patch.box]
    np.maximum(lost, patch.alpha * gone, out=lost)
    grain = 1 + 0.12 * smooth(rng, patch.alpha.shape, (90, 90))
    broken = np.clip(near * 3, 0, 1)[..., None]
    raw = np.asarray(chip["colour"], np.float32) * np.asarray(grain, np.float32)[..., None]
    dip = 0.35 * np.float32(min(chip["depth"], chip["length"])) * near**2
    height = np.clip(patch.height - dip * grain, 0, None)
    return patch.alpha * (1 - gone), colour + broken * (raw - colour), np.asarray(height, np.float32)


def edge_at(piece: Mapping[str, Any], chip: Mapping[str, Any]) -> float:
    """Half-width of a ceramic where its chip is, plane units."""
    profile = np.asarray(piece["profile"])
    inner = min(chip["at"], profile[-1, 0] - chip["length"] * 0.5)
    return float(np.interp(inner, profile[:, 0], profile[:, 1]))


def pixels(points: NDArray[np.float64], box: Box, size: int) -> NDArray[np.int32]:
    """Plane points as OpenCV's fixed point x, y (4 fractional bits) within a box."""
    at = (points + 1) * size / 2 - 0.5 - [box[1].start, box[0].start]
    return np.asarray(np.round(at * 16).reshape(-1, 1, 2), np.int32)
