"""Rasters that both views of the coupler share: grids, plastic, deposits, lines and stamped letters."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from wearvision_training.designs.coupler_form import SAMPLES, Curve, smoothed
from wearvision_training.sketch.drawing import Plane
from wearvision_training.sketch.noise import fractal, generator, smooth

Record = Mapping[str, Any]
Mask = NDArray[np.bool_]
FIXED_POINT = 4  # bits of subpixel place for OpenCV's polylines


@dataclass(frozen=True, slots=True)
class Grid:
    """Pixel centres of a raster: x, y, radius, and the angle as an index into curves at ``ANGLES``."""

    x: Plane
    y: Plane
    radius: Plane
    turn: NDArray[np.intp]
    pixel: float


@lru_cache(maxsize=6)
def grid(size: int) -> Grid:
    """The grid of a (size, size) raster; cached, never written to."""
    at = ((np.arange(size) + 0.5) * (2.0 / size) - 1.0).astype(np.float32)
    x, y = (np.ascontiguousarray(a) for a in np.meshgrid(at, at))
    turn = ((np.arctan2(y, x) + math.pi) * (SAMPLES / (2 * math.pi))).astype(np.intp) % SAMPLES
    for plane in (x, y, turn):
        plane.setflags(write=False)
    return Grid(x, y, np.hypot(x, y), turn, 2.0 / size)


@dataclass(frozen=True, slots=True)
class Edge:
    """A closed polar curve on a grid: signed distance ``level - radius * tilt`` in pixels, positive inside."""

    level: Plane
    tilt: Plane

    def distance(self, at: Grid, scale: float = 1.0) -> Plane:
        """Signed distance inwards in pixels of the curve grown by ``scale``."""
        return self.level * np.float32(scale) - at.radius * self.tilt


def edge_of(curve: Curve, at: Grid) -> Edge:
    """First-order signed distance to r(theta); a slope along the edge is allowed for."""
    per_pixel = at.pixel / max(float(curve.mean()), 0.05) * SAMPLES / (2 * math.pi)
    soft = smoothed(curve, int(per_pixel))
    slope = (np.roll(soft, -1) - np.roll(soft, 1)) * (SAMPLES / (4 * math.pi)) / soft
    tilt = (1.0 / (at.pixel * np.sqrt(1 + slope**2))).astype(np.float32)
    return Edge(np.take((soft * tilt).astype(np.float32), at.turn), np.take(tilt, at.turn))


def cover(distance: Plane) -> Plane:
    """Antialiased cover of a signed distance in pixels."""
    return np.clip(distance + np.float32(0.5), 0.0, 1.0)


def plastic(material: Record, shape: tuple[int, int], seed: int) -> Plane:
    """Brightness factor of a moulded surface about 1: flow mottling, grain and glass fibres."""
    rng = generator(seed, "plastic")
    tone = 1 + np.float32(material["mottle"]) * smooth(rng, shape, (5, 5))
    half = (shape[0] // 2 + 1, shape[1] // 2 + 1)
    if material["grain"] > 0.005:
        noise = rng.standard_normal(half, np.float32) * np.float32(material["grain"])
        tone += cv2.resize(noise, shape[::-1], interpolation=cv2.INTER_LINEAR)
    if material["fibres"] > 0:
        upright, lying = rng.standard_normal((2, *half), np.float32)
        fibre = cv2.blur(upright, (1, 5)) + cv2.blur(lying, (5, 1))
        tone += cv2.resize(np.abs(fibre) * np.float32(0.5 * material["fibres"]), shape[::-1])
    return np.maximum(tone, 0.3)


def roughness(material: Record, shape: tuple[int, int], seed: int) -> Plane:
    """Relief of an orange-peel or eroded mould, plane units."""
    rng = generator(seed, "roughness")
    return smooth(rng, shape, (60, 60)) * np.float32(material["roughness"])


def deposit(grime: Record, where: Mask, edges: Plane | None, seed: int) -> Plane:
    """Opacity of a deposit whose at least half opaque area is ``area`` of ``where``.

    Args:
        grime: Record of the wear's ``grime``.
        where: Visible part, (P, P) bool.
        edges: Favourable places 0 to 1 (recesses, edges), or None.
        seed: Picture's seed, mixed with the record's own.
    """
    rng = generator(int(grime["seed"]), "grime", seed)
    shape, cells, style = where.shape, float(grime["cells"]), grime["style"]
    if style == "smear":
        long = fractal(rng, shape, (2.5 * cells, cells * 0.5), 3)
        centre = (shape[1] / 2, shape[0] / 2)
        turned = cv2.getRotationMatrix2D(centre, math.degrees(float(grime["turn"])), 1.0)
        field = cv2.warpAffine(long, turned, shape[::-1], flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
    elif style == "spots":
        field = fractal(rng, shape, 4 * cells, 2)
    else:
        field = fractal(rng, shape, cells, 4)
    if style == "side":
        at = grid(shape[0])
        field = field + 1.2 * (at.x * math.cos(float(grime["turn"])) + at.y * math.sin(float(grime["turn"])))
    if style == "edges" and edges is not None:
        field = field + 1.5 * edges
    inside = field[where][::5]
    if inside.size == 0:
        return np.zeros(shape, np.float32)
    spread = max(float(inside.std()), 1e-6)
    level = float(np.quantile(inside, 1.0 - float(grime["area"])))
    raised = (field - np.float32(level)) * np.float32(0.5 / (spread * float(grime["soft"])))
    return np.clip(raised + np.float32(0.5), 0.0, np.float32(grime["opacity"]))


def paint_deposit(grime: Record, shape: tuple[int, int]) -> Plane:
    """Albedo of a deposit, (P, P, 3): its tint with a texture of its kind."""
    rng = generator(int(grime["seed"]), "tint")
    strength = {"soot": 0.5, "oil": 0.25, "dust": 0.18}[grime["kind"]]
    grain = rng.standard_normal((shape[0] // 2 + 1, shape[1] // 2 + 1), np.float32) * np.float32(strength * 0.5)
    tone = 1 + strength * smooth(rng, shape, (9, 9)) + cv2.resize(grain, shape[::-1])
    return np.maximum(tone, 0.2)[..., None] * np.asarray(grime["tint"], np.float32)


def lines(paths: Iterable[Curve], width: float, size: int) -> Plane:
    """Cover of polylines (n, 2) x, y of one width in plane units; thinner than a pixel is paler, not gone."""
    factor = 2
    canvas = np.zeros((size * factor, size * factor), np.uint8)
    pixels = width * size * factor / 2
    drawn = max(1, round(pixels))
    for path in paths:
        if len(path) < 2:
            continue
        at = ((np.asarray(path) + 1) * (size * factor / 2) - 0.5) * 2**FIXED_POINT
        cv2.polylines(canvas, [np.round(at).astype(np.int32)], False, 255, drawn, cv2.LINE_AA, FIXED_POINT)
    soft = cv2.resize(canvas, (size, size), interpolation=cv2.INTER_AREA).astype(np.float32)
    return soft * np.float32(min(1.0, max(0.55, pixels / drawn)) / 255)


def letters(text: str, at: tuple[float, float], height: float, turn: float, size: int, seed: int) -> Plane:
    """Cover of invented letters centred on ``at``; a plain stroke font of varying weight."""
    rng = generator(seed, "letters")
    font = int(rng.choice([cv2.FONT_HERSHEY_SIMPLEX, cv2.FONT_HERSHEY_PLAIN, cv2.FONT_HERSHEY_DUPLEX]))
    scale, weight = 1.6, int(rng.integers(2, 5))
    if font == cv2.FONT_HERSHEY_PLAIN:
        scale *= 2
    (width, tall), base = cv2.getTextSize(text, font, scale, weight)
    canvas = np.zeros((tall + base + 12, width + 12), np.uint8)
    cv2.putText(canvas, text, (6, tall + 6), font, scale, 255, weight, cv2.LINE_AA)
    zoom = height * size / 2 / tall
    cosine, sine = zoom * math.cos(turn), zoom * math.sin(turn)
    middle = np.array([canvas.shape[1] / 2, 6 + tall / 2])
    target = (np.asarray(at) + 1) * size / 2
    matrix = np.array([[cosine, -sine, 0.0], [sine, cosine, 0.0]])
    matrix[:, 2] = target - matrix[:, :2] @ middle
    return cv2.warpAffine(canvas, matrix, (size, size), flags=cv2.INTER_AREA).astype(np.float32) / np.float32(255)


def scratches(count: int, size: int, seed: int) -> Plane:
    """Cover of fine straight scratches anywhere on the plane."""
    rng = generator(seed, "scratches")
    paths = []
    for _ in range(count):
        start, turn = rng.uniform(-0.8, 0.8, 2), rng.uniform(-math.pi, math.pi)
        along = np.linspace(0, rng.uniform(0.1, 0.6), 6)[:, None]
        bend = 0.2 * rng.normal() * along**2
        paths.append(start + along * [math.cos(turn), math.sin(turn)] + bend * [-math.sin(turn), math.cos(turn)])
    return lines(paths, 0.004, size) * np.float32(rng.uniform(0.3, 0.9))


def specks(part: float, size: int, seed: int) -> Plane:
    """Cover of lint and dust specks, about ``part`` of the plane."""
    rng = generator(seed, "specks")
    canvas = np.zeros((size, size), np.uint8)
    for _ in range(int(part * 9000)):
        x, y = (int(v) for v in rng.integers(0, size * 8, 2))
        cv2.circle(canvas, (x, y), int(rng.uniform(2, 11) * size / 420), 255, -1, cv2.LINE_AA, 3)
    return canvas.astype(np.float32) / np.float32(255)


def drops(count: int, size: int, seed: int) -> tuple[Plane, Plane]:
    """Cover and relief of water drops."""
    rng, at = generator(seed, "drops"), grid(size)
    relief = np.zeros((size, size), np.float32)
    for _ in range(count):
        (x, y), radius = (float(v) for v in rng.uniform(-0.75, 0.75, 2)), float(rng.uniform(0.02, 0.07))
        inside = np.maximum(radius**2 - (at.x - x) ** 2 - (at.y - y) ** 2, 0)
        relief = np.maximum(relief, 0.6 * np.sqrt(inside))
    return np.clip(relief / at.pixel, 0, 1), relief
