"""Lays the bench under the part: a sheet in millimetres, mirrored outwards as far as a tilted camera can see."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from wearvision_training.pathtrace.bench_sheet import Sheet, Surface
from wearvision_training.pathtrace.bench_surface import SURFACES
from wearvision_training.pathtrace.mesh import grid_mesh
from wearvision_training.pathtrace.solid import Finish, Mesh, Solid
from wearvision_training.pathtrace.world import from_room
from wearvision_training.sketch.noise import Plane, fractal, generator

SIDE = 640
"""Pixels along a side of the sheet: two a pixel of a 320 pixel picture."""
TILES = 4
"""How many mirrored sheets lie between the middle and the bench's end."""
FAR = 90.0
"""Plane units to the bench's end."""
DEEP = 25.0
"""Plane units from a table's top to the ground."""


def reach_of(camera: Mapping[str, Any], height: float) -> float:
    """How far from the part's centre the picture's corners see a plane at ``height``, plane units, at most 14."""
    scale, distance = float(camera["scale"]), float(camera["distance"])
    corners = np.array([[x / scale, y / scale, 0.0] for x in (-1, 1) for y in (-1, 1)])
    lens = from_room(np.array([[0.0, 0.0, distance]]), camera)[0]
    rays = from_room(corners, camera) - lens
    down = np.minimum(rays[:, 2], -1e-3)
    meets = lens[:2] + rays[:, :2] * ((height - lens[2]) / down)[:, None]
    return float(np.clip(np.hypot(*meets.T).max(), 1.6, 14.0))


def lay_bench(
    bench: Mapping[str, Any],
    surface: Mapping[str, Any],
    height: float,
    reach: float,
    mm_per_unit: float,
    seed: int,
    photo: tuple[NDArray[np.uint8], float] | None = None,
) -> tuple[Solid, ...]:
    """The bench and, past its edge, the ground.

    Args:
        bench: As ``scenes.bench`` samples it.
        surface: The room record's ``bench``.
        height: Of its top, part frame.
        reach: Half the side of the sheet that is not yet mirrored, plane units.
        mm_per_unit: Real size of a plane unit.
        seed: Seeds the texture.
        photo: A photograph to lie on the bench as its colour, and the share of it to use, 0 to 1.
    """
    rng = generator(seed, "bench3d")
    coarse = float(surface["coarse"]) * float(bench["grain"]) ** 0.5
    sheet = Sheet(rng, SIDE, 2 * reach * mm_per_unit / coarse, float(surface["form"]), float(surface["uneven"]))
    made = SURFACES[bench["kind"]](sheet)
    albedo = _colours(made, bench) if photo is None else _photographed(*photo)
    finish = _finish(made, albedo, bench, surface, rng, coarse / mm_per_unit)
    relief = None if made.height is None else _sunk(made.height * np.float32(coarse / mm_per_unit), reach)
    turn = np.deg2rad(float(bench["turn_deg"]))
    edge = bench["edge"]
    away = None if edge is None else float(np.sign(edge or 1.0)) * max(abs(float(edge)), 0.5) * 0.8
    mesh = _spread(relief, reach, height, turn, away)
    if away is None:
        return (Solid(mesh, finish),)
    return Solid(mesh, finish), _ground(height - DEEP, rng)


def _colours(made: Surface, bench: Mapping[str, Any]) -> NDArray[np.float32]:
    first, second = (np.asarray(bench[k], np.float32) for k in ("colour", "second"))
    sheet = first + (float(bench["contrast"]) * np.clip(made.mix, 0, 1))[..., None] * (second - first)
    tone = np.broadcast_to(np.asarray(made.tone, np.float32), made.mix.shape)
    # A dark "metal" would be a black mirror: real bench metals reflect at least a third.
    metal = np.broadcast_to(np.asarray(made.metal, np.float32), made.mix.shape)[..., None]
    sheet = sheet + metal * np.clip(0.35 - sheet.mean(-1, keepdims=True), 0, None)
    return np.asarray(sheet * tone[..., None], np.float32)


def _photographed(photo: NDArray[np.uint8], zoom: float) -> NDArray[np.float32]:
    """A square of a photograph as linear reflectance, (SIDE, SIDE, 3)."""
    rows, columns = photo.shape[:2]
    side = max(16, int(min(rows, columns) * zoom))
    top, left = (rows - side) // 2, (columns - side) // 2
    piece = np.ascontiguousarray(photo[top : top + side, left : left + side, :3])
    scaled = cv2.resize(piece, (SIDE, SIDE), interpolation=cv2.INTER_AREA if side > SIDE else cv2.INTER_LINEAR)
    return np.asarray((scaled.astype(np.float32) / 255) ** 2.2, np.float32)


def _finish(
    made: Surface,
    albedo: NDArray[np.float32],
    bench: Mapping[str, Any],
    surface: Mapping[str, Any],
    rng: np.random.Generator,
    unit: float,
) -> Finish:
    """The surface with its stains, dust, scratches and wetness; ``unit`` is plane units per mm of the sheet."""
    shape = made.mix.shape
    rough = np.broadcast_to(np.asarray(made.rough, np.float32), shape) * (0.75 + 0.5 * float(surface["rough"]))
    rough = rough - 0.25 * float(bench["gloss"]) * (rough < 0.7)
    metal = np.broadcast_to(np.asarray(made.metal, np.float32), shape).copy()
    relief = np.zeros(shape, np.float32) if made.relief is None else np.array(made.relief, np.float32)
    albedo = albedo.copy()
    if bench["stains"] > 0.15:
        blotches = fractal(rng, shape, float(rng.uniform(3, 14)), 5) - 0.35
        stain = 0.7 * np.clip(3 * blotches, 0, 1) * float(bench["stains"])
        dark = np.asarray(rng.uniform([0.2, 0.15, 0.1], [0.6, 0.5, 0.45]), np.float32)
        albedo *= 1 - stain[..., None] * (1 - dark)
        metal *= 1 - 0.6 * stain
        rough = rough * (1 - 0.4 * stain)
    if surface["spots"]:
        spot = _spots(shape[0], int(surface["spots"]), rng)
        albedo *= 1 - spot[..., None] * np.asarray(rng.uniform([0.2, 0.3, 0.3], [0.8, 0.9, 0.95]), np.float32)
        rough = rough - 0.3 * spot * (rough > 0.5)
    if surface["dust"] > 0.1:
        dust = np.clip(fractal(rng, shape, 6, 5) * 0.6 + 0.35, 0, 1) * float(surface["dust"]) * 0.7
        grey = np.asarray(rng.uniform([0.2, 0.18, 0.14], [0.5, 0.47, 0.42]), np.float32)
        albedo = albedo * (1 - dust[..., None]) + dust[..., None] * grey
        metal, rough = metal * (1 - dust), rough + dust * (0.9 - rough)
    _scratch(albedo, relief, rough := np.array(rough, np.float32), bench, rng)
    wet = float(surface["wet"])
    if wet:
        pool = np.clip(4 * (fractal(rng, shape, 3, 4) + wet - 0.6), 0, 1)
        albedo *= 1 - 0.45 * pool[..., None]
        rough, relief = rough * (1 - pool) + 0.1 * pool, relief * (1 - 0.8 * pool)
    return Finish(
        np.clip(albedo, 0.004, 0.95).astype(np.float32),
        np.clip(rough, 0.18, 1).astype(np.float32),
        np.clip(metal, 0, 1).astype(np.float32),
        max(made.coat, wet * 0.7),
        (relief * np.float32(unit)).astype(np.float32),
    )


def _spots(n: int, count: int, rng: np.random.Generator) -> Plane:
    """Drops and rings of oil, coffee, rust water: cover 0 to 1, (n, n)."""
    spots = np.zeros((n, n), np.float32)
    wobble = fractal(rng, (n, n), 8, 4)
    across = np.arange(n, dtype=np.float32)
    for _ in range(count):
        x, y, r = rng.uniform(0, n), rng.uniform(0, n), float(np.exp(rng.uniform(np.log(0.006), np.log(0.16)))) * n
        away = np.hypot(across[None, :] - x, (across[:, None] - y) * rng.uniform(0.7, 1.4)) / r + 0.25 * wobble
        inside = np.clip((1 - away) * r / 3 + 0.5, 0, 1)
        edge = np.exp(-(((away - 0.93) / 0.07) ** 2))
        spots = np.maximum(spots, inside * float(rng.uniform(0.05, 0.7)) + 0.5 * edge * (rng.random() < 0.5))
    return np.clip(spots, 0, 1)


def _scratch(
    albedo: NDArray[np.float32], relief: Plane, rough: Plane, bench: Mapping[str, Any], rng: np.random.Generator
) -> None:
    """Scratches and specks, into the three planes in place."""
    n = relief.shape[0]
    if bench["scratches"]:
        lines = np.zeros((n, n), np.float32)
        for _ in range(int(bench["scratches"])):
            start, way = rng.uniform(0, n, 2), rng.normal(0, 0.18 * n, 2)
            bend = np.array([[0.0], [0.5], [1.0]]) * way + np.array([[0.0], [1.0], [0.0]]) * rng.normal(0, 0.03 * n, 2)
            strength = float(rng.uniform(-0.5, 0.6))
            cv2.polylines(lines, [np.round(start + bend).astype(np.int32)], False, strength, 1, cv2.LINE_AA)
        albedo *= (1 + lines)[..., None]
        relief -= 0.08 * np.abs(lines)
    if bench["specks"]:
        dots = np.zeros((n, n), np.float32)
        for x, y in rng.integers(0, n, (int(bench["specks"]), 2)):
            cv2.circle(dots, (int(x), int(y)), int(rng.integers(0, 3)), float(rng.uniform(0.4, 1)), -1, cv2.LINE_AA)
        tone = np.asarray(rng.uniform(0.01, 0.6) * rng.uniform(0.7, 1.0, 3), np.float32)
        albedo += dots[..., None] * (tone - albedo)
        relief += 0.25 * dots
        rough += dots * (0.9 - rough)


def _sunk(height: Plane, reach: float) -> Plane:
    """Heights shifted so that what is under the part reaches up to 0 and no higher."""
    n = height.shape[0]
    half = max(2, int(min(1.0 / reach, 1.0) * n / 2))
    middle = height[n // 2 - half : n // 2 + half, n // 2 - half : n // 2 + half]
    return np.asarray(height - np.percentile(middle, 99.5), np.float32)


def _spread(relief: Plane | None, reach: float, height: float, turn: float, edge: float | None) -> Mesh:
    """A grid over the bench; the sheet is mirrored beyond ``reach``, fine in the middle, coarse outside.

    Past ``edge``, in half sheets along the bench's own y, there is none of it, and its side shows.
    """
    inner = 112 if relief is not None else 8
    outer = 14 if relief is not None else 2
    middle = np.linspace(-1, 1, inner + 1)
    beyond = np.concatenate([np.linspace(2 * k + 1, 2 * k + 3, outer + 1)[1:] for k in range((TILES - 1) // 2 + 1)])
    line = np.concatenate([-beyond[::-1], middle, beyond])
    rows = line
    if edge is not None:
        kept = line[line < edge - 1e-3] if edge > 0 else line[line > edge + 1e-3]
        rows = np.r_[kept, edge, edge] if edge > 0 else np.r_[edge, edge, kept]
    x, y = np.meshgrid(line, rows)
    uv = np.stack([_tent(x), _tent(y)], -1)
    z = np.full(x.shape, height, np.float32)
    if relief is not None:
        n = relief.shape[0]
        soft = cv2.GaussianBlur(relief, (0, 0), n / inner * 0.35)
        at = (uv * n - 0.5).astype(np.float32)
        z += cv2.remap(soft, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    if edge is not None:
        z[-1 if edge > 0 else 0] = height - 0.2 * reach
    # The last ring is drawn out to the horizon, its texture smeared: too far and too flat to be seen.
    out = float(line[-1])
    px, py = (np.where(np.abs(v) >= out - 1e-6, np.sign(v) * max(FAR, 2 * out * reach), v * reach) for v in (x, y))
    c, s = np.cos(turn), np.sin(turn)
    return grid_mesh(np.stack([c * px - s * py, s * px + c * py, z], -1), uv=uv)


def _tent(t: NDArray[np.float64]) -> NDArray[np.float64]:
    """Coordinates in half sheets, -1 to 1 on the middle one, to texture coordinates that mirror beyond."""
    folded = (t + 1) % 4
    return np.where(folded > 2, 4 - folded, folded) / 2


def _ground(height: float, rng: np.random.Generator) -> Solid:
    """What lies under a table's edge: dull and without detail."""
    side = np.array([-FAR, FAR])
    x, y = np.meshgrid(side, side)
    mesh = grid_mesh(np.stack([x, y, np.full_like(x, height)], -1), uv=np.stack([(x > 0) * 1.0, (y > 0) * 1.0], -1))
    tone = np.asarray(rng.uniform(0.01, 0.35) * rng.uniform(0.8, 1.0, 3), np.float32)
    patchy = np.clip(1 + 0.6 * fractal(rng, (256, 256), 40, 4), 0.1, 2)
    return Solid(mesh, Finish(patchy[..., None] * tone, 0.9))
