"""The window of a flame-sensing cell: element, glass, scorch and cracks."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from wearvision_training.designs.flame_cell_element import element_lines
from wearvision_training.sketch.drawing import Slice
from wearvision_training.sketch.flame_cell_raster import Grid, Mask, Plane, dim, grid, mix, plain
from wearvision_training.sketch.noise import fractal, generator, smooth

Parameters = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Pane:
    """The window's own part of the raster; ``q`` is the distance from its middle in window radii."""

    grid: Grid
    radius: float
    centre: tuple[float, float]
    q: Plane
    disc: Plane

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of the pane's grid."""
        height, width = self.q.shape
        return height, width

    def plane_points(self, points: Any) -> np.ndarray:
        """Window units to plane units."""
        return np.asarray(np.asarray(points, float) * self.radius + self.centre)


@dataclass(frozen=True, slots=True)
class Scorch:
    """Burned places: what counts as such, how far charred and how far blistered, 0 to 1."""

    mask: Mask
    depth: Plane
    blisters: Plane


@dataclass(frozen=True, slots=True)
class WindowSurface:
    """What lies in the window, over the pane's grid.

    Attributes:
        pane: Where.
        albedo: Linear RGB, in the colours of the glass where it is lit.
        ground, figure: Cover of the element's ground and of the figure on it, 0 to 1.
        scorch: What burning did.
        crack: Cover of the cracks, 0 to 1. cracked: what counts as crack.
    """

    pane: Pane
    albedo: Plane
    ground: Plane
    figure: Plane
    scorch: Scorch
    crack: Plane
    cracked: Mask


def window_slice(design: Parameters, wear: Parameters, opening: Mask, size: int, seed: int) -> Slice:
    """Element and glass in one flat layer, with the masks ``window``, ``crack`` and ``scorch``.

    Args:
        opening: (P, P), what the front rim leaves open.
    """
    surface = window_surface(design, wear, size, seed)
    pane = surface.pane
    z, dome = float(design["window"]["z"]), float(design["window"]["dome"])
    # Half the dome: glass bends the element's picture less than it bends the lamp's.
    bulge = 0.5 * dome * np.clip(1 - pane.q * pane.q, 0, 1) if dome > 0.004 else None
    seen = (pane.disc >= 0.5) & opening[pane.grid.box]
    return Slice(
        z=z,
        alpha=pane.grid.whole(pane.disc),
        albedo=pane.grid.whole(surface.albedo),
        height=None if bulge is None else pane.grid.whole(bulge.astype(np.float32)),
        gloss=float(design["window"]["gloss"]),
        masks={
            "window": pane.grid.whole(seen),
            "crack": pane.grid.whole(surface.cracked & seen),
            "scorch": pane.grid.whole(surface.scorch.mask & seen),
        },
    )


def window_surface(design: Parameters, wear: Parameters, size: int, seed: int, *, lit: bool = True) -> WindowSurface:
    """Element, scorch, specks on the glass and cracks.

    Args:
        lit: Whether the glass's tint, the rim's shadow on it and the light in its edge are painted in.
    """
    pane = window_pane(design, size)
    albedo, ground, figure = _element(design["element"], pane, seed)
    scorch = _scorch(albedo, wear["scorch"], design["element"], pane, seed)
    _glass(albedo, design, pane, seed, lit=lit)
    crack, cracked = _cracks(albedo, wear["cracks"], pane)
    return WindowSurface(pane, albedo, ground, figure, scorch, crack, cracked)


def window_pane(design: Parameters, size: int) -> Pane:
    """The window's own part of a raster of ``size`` pixels."""
    window = design["window"]
    cx, cy = (float(value) for value in window["offset"])
    radius = float(window["radius"])
    part = grid(size).around((cx, cy), radius)
    distance = np.hypot(part.x - np.float32(cx), part.y - np.float32(cy))
    return Pane(part, radius, (cx, cy), distance / np.float32(radius), part.edge(np.float32(radius) - distance))


def _element(element: Parameters, pane: Pane, seed: int) -> tuple[Plane, Plane, Plane]:
    """Ceramic, electrode and track as they come from the furnace, with their grain; cover of ground and figure."""
    rng = generator(seed, "element")
    albedo = plain(pane.shape, element["ceramic"])
    reach = float(element["radius"])
    ground = pane.grid.edge((np.float32(reach) - pane.q) * np.float32(pane.radius))
    if element["flat"] < 1:
        cos, sin = np.cos(element["angle"]), np.sin(element["angle"])
        x, y = (axis - np.float32(c) for axis, c in zip((pane.grid.x, pane.grid.y), pane.centre, strict=True))
        along = np.abs(x * np.float32(cos) + y * np.float32(sin))
        ground *= pane.grid.edge(np.float32(element["flat"] * reach * pane.radius) - along)
    mix(albedo, element["ground"], ground)
    lines = [_lensed(reach * np.asarray(line), float(element["bulge"])) for line in element_lines(element)]
    lines = [pane.plane_points(line) for line in lines]
    width = float(element["width"]) * reach * pane.radius
    if element["edge"] > 0.1:
        mix(albedo, np.array(element["figure"]) * 0.3, element["edge"] * pane.grid.lines(lines, width + 0.012))
    figure = pane.grid.lines(lines, width)
    mix(albedo, element["figure"], figure)
    if element["posts"] > 0:
        _posts(albedo, element, pane)
    grain = 0.7 * smooth(rng, pane.shape, (90, 90)) + 0.5 * fractal(rng, pane.shape, 5, 2)
    dim(albedo, 1 + np.float32(element["grain"]) * grain)
    return albedo, ground, figure


def _lensed(points: np.ndarray, bulge: float) -> np.ndarray:
    """Points of the window disc as a domed window shows them: the middle drawn large, the edge where it is."""
    return np.asarray(points * (1 + bulge * (1 - (points**2).sum(1, keepdims=True))))


def _posts(albedo: Plane, element: Parameters, pane: Pane) -> None:
    """The two blobs where the leads come through the ceramic."""
    at, angle = float(element["post_at"]), float(element["angle"])
    for side in (-1, 1):
        place = pane.plane_points([side * at * np.cos(angle), side * at * np.sin(angle)])
        for width, colour in ((2.3, (0.25, 0.24, 0.23)), (2.0, (0.42, 0.42, 0.43)), (0.7, (0.62, 0.62, 0.62))):
            mix(albedo, colour, pane.grid.lines([[place, place + 1e-3]], width * element["posts"] * pane.radius))


def _glass(albedo: Plane, design: Parameters, pane: Pane, seed: int, *, lit: bool) -> None:
    """Tint, the rim's contact shadow, the bright crescent that a pane's edge shows, and a few specks."""
    window, rng = design["window"], generator(seed, "glass")
    if lit:
        _light_glass(albedo, window, pane, rng)
    for _ in range(int(design["marks"]["specks"])):
        angle, far = rng.uniform(0, 2 * np.pi), np.sqrt(rng.random()) * 0.95
        place = pane.plane_points([far * np.cos(angle), far * np.sin(angle)])
        tone = rng.choice([0.04, 0.7], p=[0.6, 0.4])
        _dot(albedo, place, rng.uniform(0.003, 0.009), [float(tone)] * 3, pane)
    np.clip(albedo, 0, 1, out=albedo)


def _light_glass(albedo: Plane, window: Parameters, pane: Pane, rng: np.random.Generator) -> None:
    shade = 1 - np.float32(window["shadow"]) * np.exp((pane.q - 1) * np.float32(14 / (1 + 6 * abs(window["z"]))))
    for channel, tint in enumerate(window["tint"]):
        albedo[..., channel] *= np.float32(tint) * shade
    if window["sheen"] > 0.01:
        angle = rng.uniform(0, 2 * np.pi)
        cx, cy = pane.centre
        facing = (pane.grid.x - cx) * np.float32(np.cos(angle)) + (pane.grid.y - cy) * np.float32(np.sin(angle))
        crescent = np.exp(-(((pane.q - 0.93) / 0.03) ** 2)) * np.clip(facing / pane.radius, 0, 1)
        mix(albedo, (0.9, 0.9, 0.9), np.float32(2 * window["sheen"]) * crescent)


def _dot(albedo: Plane, place: np.ndarray, radius: float, colour: Sequence[float], pane: Pane) -> None:
    rows, columns = pane.grid.box
    at = (place + 1) * pane.grid.per_unit - (columns.start, rows.start) - 0.5
    fixed = tuple(int(v) for v in np.round(at * 16))
    cv2.circle(albedo, fixed, max(1, round(radius * pane.grid.per_unit * 16)), list(colour), -1, cv2.LINE_8, 4)


def _scorch(albedo: Plane, scorch: Parameters, element: Parameters, pane: Pane, seed: int) -> Scorch:
    """Burns the element: grows irregular blots until they cover the wanted share of the window."""
    wanted = round(float(scorch["ratio"]) * float((pane.disc >= 0.5).sum()))
    if wanted < 1:
        none = np.zeros(pane.shape, np.float32)
        return Scorch(none > 0, none, none)
    rng = generator(seed, "scorch")
    inside = pane.q <= float(element["radius"])
    field = np.full(pane.shape, -9.0, np.float32)
    for blot in scorch["blots"]:
        x, y = pane.plane_points(blot["at"])
        away = np.hypot(pane.grid.x - np.float32(x), pane.grid.y - np.float32(y))
        np.maximum(field, 1 - away / np.float32(blot["radius"] * pane.radius), out=field)
    field += np.float32(scorch["rough"]) * fractal(rng, pane.shape, 6, 3)
    field[~inside] = -99.0
    wanted = min(wanted, int(inside.sum()) - 1)
    level = np.partition(field, field.size - wanted, axis=None)[field.size - wanted]
    if scorch["fringe"] > 0.05:  # a tan margin that is singed, not burned
        singed = np.clip((field - level) / 0.10 + 1, 0, 1) * inside
        mix(albedo, np.array([0.24, 0.13, 0.05]), np.float32(0.6 * scorch["fringe"]) * singed.astype(np.float32))
    depth = np.clip((field - level) * 18 + 0.5, 0, 1)
    texture = smooth(rng, pane.shape, (45, 45))
    core = np.clip((field - level) * 2.5, 0, 1)  # charred black where it burned longest
    tone = np.asarray(scorch["tone"], np.float32) * ((1.3 - 0.9 * core) * (1 + 0.6 * texture))[..., None]
    mix(albedo, tone, 0.93 * depth)
    blisters = np.clip(texture * smooth(rng, pane.shape, (30, 30)) * 6 - 0.9, 0, 1) * np.float32(scorch["blisters"])
    mix(albedo, (0.34, 0.30, 0.26), (0.55 * blisters * depth).astype(np.float32))
    return Scorch(field >= level, depth.astype(np.float32), blisters.astype(np.float32))


def _cracks(albedo: Plane, cracks: Sequence[Parameters], pane: Pane) -> tuple[Plane, Mask]:
    """Dark lines with a bright flank; returns their cover, and what counts as crack, at least as wide as drawn."""
    covered, drawn = np.zeros(pane.shape, bool), np.zeros(pane.shape, np.float32)
    for crack in cracks:
        lines = [pane.plane_points(line) for line in (crack["points"], *crack["branches"])]
        width = float(crack["width"])
        cover = pane.grid.lines(lines, width) * pane.disc
        if crack["glint"] > 0:
            step = 0.6 * width * np.array([np.cos(crack["glint_angle"]), np.sin(crack["glint_angle"])])
            flank = pane.grid.lines([line + step for line in lines], 0.7 * width) * pane.disc
            mix(albedo, (0.95, 0.95, 0.95), np.float32(crack["glint"]) * flank)
        mix(albedo, (0.02, 0.02, 0.02), np.float32(crack["dark"]) * cover)
        np.maximum(drawn, cover, out=drawn)
        covered |= cover > 0.25
    return drawn, covered
