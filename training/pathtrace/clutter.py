"""Strews a bench with the scene's clutter and extras as bodies."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wearvision_training.pathtrace.mesh import bar, box, grid_mesh, polar_surface, revolved
from wearvision_training.pathtrace.solid import Finish, Mesh, Solid
from wearvision_training.pathtrace.things import floor_of, make_thing, moved
from wearvision_training.pathtrace.world import from_room
from wearvision_training.recipe import Recipe
from wearvision_training.scenes.bench import linear_colour
from wearvision_training.sketch.noise import fractal, generator, smooth


def strewn(recipe: Recipe, height: float) -> tuple[Solid, ...]:
    """The things of ``scene["clutter"]`` where the picture has them, standing on a bench at ``height``."""
    camera, bodies = recipe.camera, []
    lens = from_room(np.array([[0.0, 0.0, float(camera["distance"])]]), camera)[0]
    for number, item in enumerate(recipe.scene.get("clutter", ())):
        seen = np.array([[*item["at"], 0.0]]) / float(camera["scale"])
        ray = from_room(seen, camera)[0] - lens
        if ray[2] > -1e-2:
            continue
        share = (height - lens[2]) / ray[2]
        size = float(item["size"]) / float(camera["scale"]) * share
        # No more texels than such a small thing has pixels: all bodies share one sheet of textures.
        raster = int(np.clip(400 * float(item["size"]), 48, 192))
        thing = make_thing(item["design"], raster, recipe.seed + 101 * number, 44)
        place = lens + ray * share
        place[2] -= floor_of(thing) * size
        # Far along a tilted bench things would stand beyond any table.
        if share < 4 and np.hypot(*place[:2]) > 0.9 + 0.6 * size:
            turn = np.deg2rad(float(item["turn_deg"]) + float(camera["turn_deg"]))
            bodies += [moved(solid, size, turn, place) for solid in thing]
    return tuple(bodies)


def extras(room: Mapping[str, Any], height: float, mm_per_unit: float, seed: int) -> tuple[Solid, ...]:
    """Cables, tool shafts, rags, screws, blocks and sheets beside the part, clear of the unit circle."""
    bodies: list[Solid] = []
    for number, extra in enumerate(room["extras"]):
        rng = generator(seed, "extra", number)
        width = min(float(extra["width_mm"]) / mm_per_unit, 1.2)
        away = 1.1 + float(extra["away"]) + width
        a = np.deg2rad(float(extra["azimuth_deg"]))
        out = np.array([np.cos(a), np.sin(a)])
        turn = a + np.pi / 2 + np.deg2rad(float(extra["turn_deg"])) * 0.5
        bodies += MAKERS[extra["kind"]](out * away, turn, width, height, extra, rng)
    return tuple(bodies)


def _look(extra: Mapping[str, Any], rng: np.random.Generator) -> Finish:
    value = float(extra["value"])
    if extra["metal"]:
        steel = np.asarray(linear_colour(0.1, 0.08, 0.5 + 0.4 * value), np.float32)
        return Finish(steel, 0.2 + 0.4 * float(rng.random()), 1.0)
    colour = np.asarray(linear_colour(float(extra["hue"]), float(rng.beta(1.2, 1.8)), value), np.float32)
    return Finish(colour, float(rng.uniform(0.25, 0.9)))


def _line(at: NDArray[np.float64], turn: float, bend: NDArray[np.float64], z: float) -> NDArray[np.float64]:
    """A course through ``at``, tangential to the part, bent away from it."""
    t = np.linspace(-6, 6, len(bend))
    way = np.array([np.cos(turn), np.sin(turn)])
    out = at / max(float(np.linalg.norm(at)), 1e-6)
    return np.column_stack([at + t[:, None] * way + np.abs(bend)[:, None] * out, np.full(len(bend), z)])


def _cable(at: Any, turn: float, width: float, height: float, extra: Any, rng: np.random.Generator) -> list[Solid]:
    t = np.linspace(-1, 1, 60)
    bend = 1.5 * t**2 * rng.uniform(0, 2) + 0.6 * smooth(rng, (2, 60), (2, 5))[0].clip(0, None)
    radius = min(width / 2, 0.35)
    look = _look({**extra, "metal": False}, rng)
    courses = [_line(at, turn, bend, height + radius)]
    if rng.random() < 0.4:
        courses.append(_line(at * (1 + 2.2 * radius / np.linalg.norm(at)), turn, bend * 1.1, height + radius))
    return [Solid(bar(course, radius, around=14), look) for course in courses]


def _shaft(at: Any, turn: float, width: float, height: float, extra: Any, rng: np.random.Generator) -> list[Solid]:
    """A tool's shaft and the end of its grip."""
    radius = width / 2
    way = (float(np.cos(turn)), float(np.sin(turn)))
    start = (float(at[0] - 6 * way[0]), float(at[1] - 6 * way[1]), height + radius)
    split = float(rng.uniform(3.5, 8))
    rod = revolved(np.array([[0, 0], [0, radius], [split, radius], [split, 0]]), start, way, around=20)
    grip = radius * float(rng.uniform(1.0, 1.9))
    profile = np.array([[split, 0], [split, grip * 0.8], [split + 0.2, grip], [14, grip], [14, 0]])
    handle = revolved(profile, start, way, around=20)
    return [Solid(rod, _look({**extra, "metal": True}, rng)), Solid(handle, _look(extra, rng))]


def _rag(at: Any, turn: float, width: float, height: float, extra: Any, rng: np.random.Generator) -> list[Solid]:
    """A heap of cloth whose hem runs past the part."""
    n = 44
    u, v = np.meshgrid(np.linspace(0, 1, n), np.linspace(-4, 4, n))
    hem = 0.25 * (1 + smooth(rng, (n, 2), (6, 2))[:, :1])
    out = at / np.linalg.norm(at)
    side = np.array([-out[1], out[0]])
    far = hem + u * 5
    z = height + 0.02 + np.minimum(u * 6, 1) * (0.25 + 0.5 * np.abs(fractal(rng, (n, n), 4, 3))) * max(width, 0.3) * 1.5
    points = np.dstack([
        at[0] + far * out[0] + v * side[0], at[1] + far * out[1] + v * side[1], z,
    ])  # fmt: skip
    rich = float(rng.beta(1, 3))
    colour = np.asarray(linear_colour(float(extra["hue"]), rich, float(extra["value"])), np.float32)
    stained = colour * (1 - 0.5 * np.clip(fractal(rng, (128, 128), 5, 4), 0, 1))[..., None]
    own = np.dstack([u, (v + 4) / 8])
    return [Solid(grid_mesh(points, uv=own), Finish(stained.astype(np.float32), 0.95))]


def _screws(at: Any, turn: float, width: float, height: float, extra: Any, rng: np.random.Generator) -> list[Solid]:
    """A few small screws and nuts."""
    from wearvision_training.designs.not_part import sample_design

    bodies: list[Solid] = []
    for _ in range(int(rng.integers(1, 4))):
        family = str(rng.choice(["bolt_side", "nut", "washer", "bolt_head", "terminal", "spring_side"]))
        thing = make_thing(sample_design(family, "", rng), 96, int(rng.integers(2**31)), 24)
        size = float(np.clip(width, 0.15, 0.6))
        place = np.array([*(at * (1 + 0.3 * size) + rng.normal(0, 0.5, 2)), 0.0])
        place[:2] *= max(1.0, (1.1 + size) / max(float(np.hypot(*place[:2])), 1e-3))
        place[2] = height - floor_of(thing) * size
        bodies += [moved(solid, size, float(rng.uniform(0, 6.3)), place) for solid in thing]
    return bodies


def _block(at: Any, turn: float, width: float, height: float, extra: Any, rng: np.random.Generator) -> list[Solid]:
    """A box, a bar of steel, a jaw of a vice."""
    half = np.array([float(rng.uniform(0.3, 3)), width / 2, float(rng.uniform(0.1, 0.5)) * max(width, 0.3)])
    c, s = np.cos(turn), np.sin(turn)
    made = box(np.zeros(3), half)
    spin = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])
    out = at * (1 + half[1] / np.linalg.norm(at))
    points = made.vertices @ spin.T + np.array([*out, height + half[2]])
    return [Solid(Mesh(points.astype(np.float32), made.faces, made.uv, flat=True), _look(extra, rng))]


def _sheet(at: Any, turn: float, width: float, height: float, extra: Any, rng: np.random.Generator) -> list[Solid]:
    """The edge of a piece of paper, card or metal that lies on the bench."""
    made = box(np.zeros(3), np.array([float(rng.uniform(1.5, 5)), 2.0, 0.015]))
    c, s = np.cos(turn), np.sin(turn)
    spin = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])
    out = at * (1 + 2.0 / np.linalg.norm(at))
    points = made.vertices @ spin.T + np.array([*out, height + 0.02])
    return [Solid(Mesh(points.astype(np.float32), made.faces, made.uv, flat=True), _look(extra, rng))]


def _collar(at: Any, turn: float, width: float, height: float, extra: Any, rng: np.random.Generator) -> list[Solid]:
    """A low ring or plate about the part: the seat of a housing, a lid, a roll of tape that it lies in."""
    inner = float(np.linalg.norm(at)) - width
    corners = int(rng.choice([4, 6, 96, 96]))
    angles = np.linspace(0, 2 * np.pi, 96, endpoint=False)
    outer = (inner + max(width, 0.15) * 2) / np.cos((angles + turn) % (2 * np.pi / corners) - np.pi / corners)
    top = height + float(rng.uniform(0.04, 0.18))
    rings = [np.full(96, inner), np.full(96, inner), np.full(96, inner + 0.03), outer - 0.03, outer, outer]
    heights = np.array([height - 0.02, top - 0.03, top, top, top - 0.03, height - 0.02])[:, None]
    return [Solid(polar_surface(angles, np.array(rings), heights), _look(extra, rng))]


MAKERS = {
    "cable": _cable, "shaft": _shaft, "rag": _rag, "screw": _screws, "block": _block, "sheet": _sheet,
    "collar": _collar,
}  # fmt: skip
"""Kind of an extra to its maker."""
