"""The window of a flame-sensing cell: element, glass, scorch, cracks, film and haze."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from wearvision_training.designs.flame_cell_element import element_lines
from wearvision_training.sketch.drawing import Slice, Veil
from wearvision_training.sketch.flame_cell_raster import Grid, Mask, Plane, brushed, dim, grid, mix, plain
from wearvision_training.sketch.noise import fractal, generator, smooth

Parameters = Mapping[str, Any]
DENSEST = 0.97  # a deposit or veil never hides the window wholly, as the layer equation would lose it


@dataclass(frozen=True, slots=True)
class _Pane:
    """The window's own part of the raster; ``q`` is the distance from its middle in window radii."""

    grid: Grid
    radius: float
    centre: tuple[float, float]
    q: Plane
    disc: Plane

    @property
    def shape(self) -> tuple[int, int]:
        height, width = self.q.shape
        return height, width

    def plane_points(self, points: Any) -> np.ndarray:
        """Window units to plane units."""
        return np.asarray(np.asarray(points, float) * self.radius + self.centre)


def window_slice(design: Parameters, wear: Parameters, opening: Mask, size: int, seed: int) -> Slice:
    """Element and glass in one flat layer, with the masks ``window``, ``crack`` and ``scorch``.

    Args:
        opening: (P, P), what the front rim leaves open.
    """
    pane = _pane(design, size)
    window = pane.disc >= 0.5
    albedo = _element(design["element"], pane, seed)
    burned = _scorch(albedo, wear["scorch"], design["element"], pane, seed)
    _glass(albedo, design, pane, seed)
    cracked = _cracks(albedo, wear["cracks"], pane)
    z, dome = float(design["window"]["z"]), float(design["window"]["dome"])
    # Half the dome: glass bends the element's picture less than it bends the lamp's.
    bulge = 0.5 * dome * np.clip(1 - pane.q * pane.q, 0, 1) if dome > 0.004 else None
    seen = window & opening[pane.grid.box]
    return Slice(
        z=z,
        alpha=_whole(pane.disc, pane),
        albedo=_whole(albedo, pane),
        height=None if bulge is None else _whole(bulge.astype(np.float32), pane),
        gloss=float(design["window"]["gloss"]),
        masks={
            "window": _whole(seen, pane),
            "crack": _whole(cracked & seen, pane),
            "scorch": _whole(burned & seen, pane),
        },
    )


def veil(design: Parameters, wear: Parameters, size: int) -> Veil:
    """Film and haze over the whole window, each with the mean that the wear asks for."""
    pane = _pane(design, size)
    film, haze = wear["film"], wear["haze"]
    maps = []
    for layer, kinds, purpose in ((film, film["kinds"], "film"), (haze, [haze["kind"]], "haze")):
        field = np.ones(pane.shape, np.float32)
        if layer["mean"] > 0:
            for index, kind in enumerate(kinds):
                field *= _spread(kind, layer, pane, generator(wear["seed"], purpose, index))
        maps.append(_whole(_with_mean(field, pane.disc >= 0.5, float(layer["mean"])), pane))
    return Veil(
        z=float(design["window"]["z"]),
        window=_whole(pane.disc >= 0.5, pane),
        film=maps[0],
        haze=maps[1],
        film_radiance=tuple(film["radiance"]),
        haze_radiance=tuple(haze["radiance"]),
    )


def _pane(design: Parameters, size: int) -> _Pane:
    window = design["window"]
    cx, cy = (float(value) for value in window["offset"])
    radius = float(window["radius"])
    part = grid(size).around((cx, cy), radius)
    distance = np.hypot(part.x - np.float32(cx), part.y - np.float32(cy))
    return _Pane(part, radius, (cx, cy), distance / np.float32(radius), part.edge(np.float32(radius) - distance))


def _whole(piece: Any, pane: _Pane) -> Any:
    """The pane's raster set into one of the whole plane."""
    size = pane.grid.size
    out = np.zeros((size, size, *piece.shape[2:]), piece.dtype)
    out[pane.grid.box] = piece
    return out


def _element(element: Parameters, pane: _Pane, seed: int) -> Plane:
    """Ceramic, electrode and track as they come from the furnace, with their grain."""
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
    mix(albedo, element["figure"], pane.grid.lines(lines, width))
    if element["posts"] > 0:
        _posts(albedo, element, pane)
    grain = 0.7 * smooth(rng, pane.shape, (90, 90)) + 0.5 * fractal(rng, pane.shape, 5, 2)
    dim(albedo, 1 + np.float32(element["grain"]) * grain)
    return albedo


def _lensed(points: np.ndarray, bulge: float) -> np.ndarray:
    """Points of the window disc as a domed window shows them: the middle drawn large, the edge where it is."""
    return np.asarray(points * (1 + bulge * (1 - (points**2).sum(1, keepdims=True))))


def _posts(albedo: Plane, element: Parameters, pane: _Pane) -> None:
    """The two blobs where the leads come through the ceramic."""
    at, angle = float(element["post_at"]), float(element["angle"])
    for side in (-1, 1):
        place = pane.plane_points([side * at * np.cos(angle), side * at * np.sin(angle)])
        for width, colour in ((2.3, (0.25, 0.24, 0.23)), (2.0, (0.42, 0.42, 0.43)), (0.7, (0.62, 0.62, 0.62))):
            mix(albedo, colour, pane.grid.lines([[place, place + 1e-3]], width * element["posts"] * pane.radius))


def _glass(albedo: Plane, design: Parameters, pane: _Pane, seed: int) -> None:
    """Tint, the rim's contact shadow, the bright crescent that a pane's edge shows, and a few specks."""
    window, rng = design["window"], generator(seed, "glass")
    shade = 1 - np.float32(window["shadow"]) * np.exp((pane.q - 1) * np.float32(14 / (1 + 6 * abs(window["z"]))))
    for channel, tint in enumerate(window["tint"]):
        albedo[..., channel] *= np.float32(tint) * shade
    if window["sheen"] > 0.01:
        angle = rng.uniform(0, 2 * np.pi)
        cx, cy = pane.centre
        facing = (pane.grid.x - cx) * np.float32(np.cos(angle)) + (pane.grid.y - cy) * np.float32(np.sin(angle))
        crescent = np.exp(-(((pane.q - 0.93) / 0.03) ** 2)) * np.clip(facing / pane.radius, 0, 1)
        mix(albedo, (0.9, 0.9, 0.9), np.float32(2 * window["sheen"]) * crescent)
    for _ in range(int(design["marks"]["specks"])):
        angle, far = rng.uniform(0, 2 * np.pi), np.sqrt(rng.random()) * 0.95
        place = pane.plane_points([far * np.cos(angle), far * np.sin(angle)])
        tone = rng.choice([0.04, 0.7], p=[0.6, 0.4])
        _dot(albedo, place, rng.uniform(0.003, 0.009), [float(tone)] * 3, pane)
    np.clip(albedo, 0, 1, out=albedo)


def _dot(albedo: Plane, place: np.ndarray, radius: float, colour: Sequence[float], pane: _Pane) -> None:
    rows, columns = pane.grid.box
    at = (place + 1) * pane.grid.per_unit - (columns.start, rows.start) - 0.5
    fixed = tuple(int(v) for v in np.round(at * 16))
    cv2.circle(albedo, fixed, max(1, round(radius * pane.grid.per_unit * 16)), list(colour), -1, cv2.LINE_8, 4)


def _scorch(albedo: Plane, scorch: Parameters, element: Parameters, pane: _Pane, seed: int) -> Mask:
    """Burns the element: grows irregular blots until they cover the wanted share of the window."""
    wanted = round(float(scorch["ratio"]) * float((pane.disc >= 0.5).sum()))
    if wanted < 1:
        return np.zeros(pane.shape, bool)
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
    return field >= level


def _cracks(albedo: Plane, cracks: Sequence[Parameters], pane: _Pane) -> Mask:
    """Dark lines with a bright flank; returns what they cover, at least as wide as drawn."""
    covered = np.zeros(pane.shape, bool)
    for crack in cracks:
        lines = [pane.plane_points(line) for line in (crack["points"], *crack["branches"])]
        width = float(crack["width"])
        cover = pane.grid.lines(lines, width) * pane.disc
        if crack["glint"] > 0:
            step = 0.6 * width * np.array([np.cos(crack["glint_angle"]), np.sin(crack["glint_angle"])])
            flank = pane.grid.lines([line + step for line in lines], 0.7 * width) * pane.disc
            mix(albedo, (0.95, 0.95, 0.95), np.float32(crack["glint"]) * flank)
        mix(albedo, (0.02, 0.02, 0.02), np.float32(crack["dark"]) * cover)
        covered |= cover > 0.25
    return covered


def _spread(kind: str, layer: Parameters, pane: _Pane, rng: np.random.Generator) -> Plane:
    """How a layer is spread over the window, about 0 to 2, before it is brought to its mean."""
    shape, q, scale = pane.shape, np.minimum(pane.q, 1), float(layer["scale"])
    if kind == "even":
        return 1 + 0.2 * fractal(rng, shape, 3, 2)
    if kind == "patchy" or kind == "blotchy":
        return np.clip(0.6 + 1.3 * fractal(rng, shape, scale, 3), 0.03, 1.6)
    if kind == "streaked":
        wiped = brushed(rng, shape, layer["angle"], 3 * scale) + 0.4 * brushed(rng, shape, layer["angle"], 9 * scale)
        return np.clip(0.55 + 1.1 * wiped, 0.08, 1.5)
    if kind == "ring":
        at, wide = rng.uniform(0.55, 0.95), rng.uniform(0.06, 0.2)
        return np.exp(-(((q - at + 0.05 * smooth(rng, shape, (4, 4))) / wide) ** 2)) + np.float32(0.15)
    if kind == "edge":
        return np.float32(0.12) + q ** np.float32(rng.uniform(2, 5)) * (1 + 0.4 * fractal(rng, shape, 4, 2))
    if kind == "centre":
        return np.float32(0.12) + np.exp(-((q / np.float32(rng.uniform(0.4, 0.8))) ** 2))
    if kind == "side":
        cx, cy = pane.centre
        cos, sin = np.float32(np.cos(layer["angle"])), np.float32(np.sin(layer["angle"]))
        facing = ((pane.grid.x - cx) * cos + (pane.grid.y - cy) * sin) / np.float32(pane.radius)
        return np.clip(0.5 + 0.6 * facing + 0.3 * fractal(rng, shape, scale, 2), 0.03, 1.6).astype(np.float32)
    if kind == "drops":
        return _drops(pane, rng)
    return np.clip(1 + 0.9 * smooth(rng, shape, (80, 80)) + 0.3 * smooth(rng, shape, (30, 30)), 0.1, 2)


def _drops(pane: _Pane, rng: np.random.Generator) -> Plane:
    """Dried drops: pale inside, dense at their edge."""
    spots = np.full(pane.shape, 0.18, np.float32)
    height, width = pane.shape
    for _ in range(int(rng.integers(5, 22))):
        at = (int(rng.integers(width)), int(rng.integers(height)))
        radius = max(2, int(rng.uniform(0.03, 0.16) * width))
        cv2.circle(spots, at, radius, float(rng.uniform(0.3, 0.8)), -1)
        cv2.circle(spots, at, radius, float(rng.uniform(0.8, 1.6)), max(1, radius // 5))
    return cv2.GaussianBlur(spots, (0, 0), 1.0 + 0.004 * width)


def _with_mean(field: Plane, window: Mask, mean: float) -> Plane:
    """The field scaled to a mean over the window, never above ``DENSEST``."""
    if mean <= 0:
        return np.zeros_like(field)
    # The clipped mean grows with the factor, so halving the bracket finds it; some thousand pixels will do.
    stride = max(1, field.shape[0] // 100)
    some = field[::stride, ::stride][window[::stride, ::stride]]
    low, high = 0.0, 1e3 / max(float(some.mean()), 1e-6)
    for _ in range(40):
        factor = 0.5 * (low + high)
        if float(np.minimum(some * np.float32(factor), DENSEST).mean()) < mean:
            low = factor
        else:
            high = factor
    return np.minimum(field * np.float32(high), np.float32(DENSEST)).astype(np.float32)
