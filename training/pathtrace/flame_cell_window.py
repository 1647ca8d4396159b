"""The window of a flame-sensing cell: element, glass or lens over it, film and haze."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from wearvision_training.designs.flame_cell_element import ELECTRODES, TRACKS
from wearvision_training.pathtrace.mesh import grid_mesh, joined
from wearvision_training.pathtrace.solid import WHOLE, Finish, Mesh, Pane, Plane, Solid
from wearvision_training.recipe import Recipe
from wearvision_training.sketch.flame_cell_raster import mix
from wearvision_training.sketch.flame_cell_veil import veil
from wearvision_training.sketch.flame_cell_window import WindowSurface, window_surface
from wearvision_training.sketch.noise import fractal, generator, smooth

Parameters = Mapping[str, Any]
Array = NDArray[np.float64]
RINGS, AROUND = 36, 128
HAIR = 0.003
"""Gap between element, glass and the white card in their stead."""
SEALS = np.array([(0.02, 0.02, 0.02), (0.6, 0.58, 0.52), (0.16, 0.08, 0.03), (0.3, 0.3, 0.3), (0.5, 0.33, 0.12)])
"""Colours of cements: epoxy black and grey, white and brown, glass solder."""
LIFTED = 0.85
"""A lens shows the element near its own surface; how near, so that its outline is the lens's."""
STILL = 0.3
"""How much of the lens's slope the element's shading has: behind the lens it is flat."""


def element_solid(recipe: Recipe, drop: float, raster: int) -> Solid:
    """The disc with the sensitive element, with the regions ``window``, ``crack`` and ``scorch``."""
    surface = window_surface(recipe.design, recipe.wear, raster, recipe.seed, lit=False)
    whole = surface.pane.grid.whole
    return Solid(
        _disc(recipe.design, drop, lifted=LIFTED, over=0.0, slope=STILL),
        _element_finish(recipe, surface),
        {"window": WHOLE, "crack": whole(surface.cracked), "scorch": whole(surface.scorch.mask)},
    )


def pane_of(recipe: Recipe, drop: float, raster: int) -> Pane:
    """Film, haze and the glass they lie on."""
    design = recipe.design
    layers = veil(design, recipe.wear, raster)
    rng = generator(recipe.seed, "glass form")
    edge = float(rng.uniform(0.002, 0.012)) * float(rng.choice([-1, 0, 1], p=[0.3, 0.4, 0.3]))
    uneven = float(rng.uniform(0.0, 0.0012))
    glass = _disc(design, drop, lifted=1.0, over=HAIR, slope=None, edge=edge, uneven=uneven, rng=rng)
    drops = [_drop(design, drop, place) for place in (recipe.scene.get("glass") or {}).get("drops", ())]
    red, green, blue = (float(v) for v in design["window"]["tint"])
    return Pane(
        film=layers.film,
        haze=layers.haze,
        film_radiance=layers.film_radiance,
        haze_radiance=layers.haze_radiance,
        glass=joined(glass, *drops),
        card=_disc(design, drop, lifted=1.0, over=3 * HAIR, slope=STILL),
        index=float(rng.uniform(1.42, 1.58)),
        tint=(red, green, blue),
    )


def _disc(
    design: Parameters,
    drop: float,
    *,
    lifted: float,
    over: float,
    slope: float | None,
    edge: float = 0.0,
    uneven: float = 0.0,
    rng: np.random.Generator | None = None,
) -> Mesh:
    """A disc in the window's place, bulging with its dome.

    Args:
        lifted: Share of the dome. over: Height over the window's plane.
        slope: Share of the true slope in the shading; None for the form's own normals.
        edge: Height by which the rim of the glass creeps up the wall, or falls away.
        uneven: Size of slow waves in the glass.
    """
    window = design["window"]
    q = np.sin(np.linspace(0, np.pi / 2, RINGS))[:, None]
    turn = np.linspace(0, 2 * np.pi, AROUND, endpoint=False)
    radius, dome = float(window["radius"]), float(window["dome"]) * lifted
    cx, cy = (float(v) for v in window["offset"])
    x, y = q * np.cos(turn), q * np.sin(turn)
    z = np.broadcast_to(float(window["z"]) - drop + over + dome * (1 - q**2), x.shape).copy()
    z += edge * np.exp((q - 1) / 0.04)
    if rng is not None and uneven > 0:
        waves = smooth(rng, (64, 64), (4, 4))
        z += uneven * waves[((y + 1) * 31.5).astype(int), ((x + 1) * 31.5).astype(int)] * (1 - q)
    mesh = grid_mesh(np.stack([cx + radius * x, cy + radius * y, z], -1), around=True)
    if slope is None:
        return mesh
    tilt = slope * 2 * dome / radius
    normals = np.stack([tilt * x, tilt * y, np.ones_like(x)], -1).reshape(-1, 3)
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    return Mesh(mesh.vertices, mesh.faces, mesh.uv, normals.astype(np.float32))


def _drop(design: Parameters, drop: float, place: Any) -> Mesh:
    """A water drop on the glass: a low cap that mirrors lamps of its own."""
    window = design["window"]
    radius = float(window["radius"])
    x, y, size = (float(v) for v in place)
    centre = np.array(window["offset"], float) + radius * np.array([x, y])
    q = np.linspace(0, 1, 7)[:, None]
    turn = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    size *= radius
    at = np.stack(np.broadcast_arrays(centre[0] + size * q * np.cos(turn), centre[1] + size * q * np.sin(turn)), -1)
    far = np.hypot(at[..., 0] - window["offset"][0], at[..., 1] - window["offset"][1]) / radius
    base = float(window["z"]) - drop + HAIR + float(window["dome"]) * np.clip(1 - far**2, 0, 1)
    return grid_mesh(np.concatenate([at, (base + 0.35 * size * (1 - q**2))[..., None]], -1), around=True)


def _element_finish(recipe: Recipe, surface: WindowSurface) -> Finish:
    """Electrode metal shines, the sensitive layer is dull and a little raised, burned places are crusted."""
    element, pane = recipe.design["element"], surface.pane
    rng, shape = generator(recipe.seed, "element finish"), pane.shape
    figure, scorch = surface.figure, surface.scorch
    shiny = figure if _figure_is_electrode(element) else surface.ground * (1 - figure)
    posts = _posts(element, surface)
    shine = float(rng.uniform(0.2, 1.0))
    # A crack's flanks are fresh glass: they glint where the light stands right, and nowhere else.
    flank = cv2.GaussianBlur(surface.crack, (0, 0), 0.006 * pane.grid.per_unit) * (1 - 0.7 * surface.crack)
    metal = np.maximum(shine * shiny, 0.9 * posts) * (1 - scorch.depth)
    metal = np.maximum(metal, np.clip(flank, 0, 0.7))
    grain = smooth(rng, shape, (shape[0] / 2.5, shape[1] / 2.5))
    rough = 0.72 - shiny * float(rng.uniform(0.2, 0.42)) + 0.08 * grain + 0.05 * fractal(rng, shape, 6, 2)
    rough = rough + (0.92 - rough) * scorch.depth - 0.4 * np.clip(2 * flank, 0, 1)
    # Printed and fired: its edges run out softly.
    raised = cv2.GaussianBlur(figure, (0, 0), 0.005 * pane.grid.per_unit)
    relief = float(rng.uniform(0.0008, 0.0035)) * raised + 0.02 * posts
    relief += (0.00025 - 0.0002 * metal + 0.0012 * scorch.depth) * grain
    relief += scorch.depth * (0.004 * fractal(rng, shape, 24, 3) + 0.008 * scorch.blisters)
    relief -= 0.006 * surface.crack
    _seal(surface, relief, rng)
    whole = pane.grid.whole
    return Finish(
        albedo=whole(surface.albedo),
        roughness=whole(np.clip(rough, 0.12, 0.97).astype(np.float32)),
        metal=whole(np.clip(metal, 0, 1).astype(np.float32)),
        relief=whole(relief.astype(np.float32)),
    )


def _seal(surface: WindowSurface, relief: Plane, rng: np.random.Generator) -> None:
    """On some cells the bead of cement that holds the glass, seen through its edge; changed in place."""
    if rng.random() > 0.35:
        return
    pane = surface.pane
    inner = 1 - float(rng.uniform(0.02, 0.07)) + 0.006 * fractal(rng, pane.shape, 10, 2)
    bead = np.clip((pane.q - inner) * pane.radius * pane.grid.per_unit + 0.5, 0, 1) * (1 - surface.crack)
    colour = SEALS[int(rng.integers(len(SEALS)))] * np.float32(rng.uniform(0.6, 1.3))
    mix(surface.albedo, np.clip(colour, 0, 0.9), (0.9 * bead).astype(np.float32))
    relief += (0.004 * bead).astype(np.float32)


def _posts(element: Parameters, surface: WindowSurface) -> Plane:
    """Height of the blobs of solder where the leads come through, 0 to 1."""
    pane, size = surface.pane, float(element["posts"])
    height = np.zeros(pane.shape, np.float32)
    if size <= 0:
        return height
    at, angle = float(element["post_at"]), float(element["angle"])
    for side in (-1, 1):
        x, y = pane.plane_points([side * at * np.cos(angle), side * at * np.sin(angle)])
        far = ((pane.grid.x - np.float32(x)) ** 2 + (pane.grid.y - np.float32(y)) ** 2) / (size * pane.radius) ** 2
        np.maximum(height, np.sqrt(np.clip(1 - far, 0, 1)), out=height)
    return height.astype(np.float32)


def _figure_is_electrode(element: Parameters) -> bool:
    """Whether the figure is of metal and lies on the sensitive layer, rather than the other way round."""

    def likeness(colour: Any, palette: Any) -> float:
        return float(np.abs(np.log(np.asarray(palette)) - np.log(np.asarray(colour))).sum(1).min())

    figure, ground = element["figure"], element["ground"]
    metal_figure = likeness(figure, ELECTRODES) + likeness(ground, TRACKS)
    return metal_figure < likeness(figure, TRACKS) + likeness(ground, ELECTRODES)
