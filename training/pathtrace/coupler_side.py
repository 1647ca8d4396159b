"""A coupler from the side in three dimensions: a body about its axis with ribs, flats, slots and dogs, maybe bent."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from wearvision_training.designs.coupler_axis import SAMPLES, STATIONS, side_form, side_measures
from wearvision_training.designs.coupler_form import path_length
from wearvision_training.pathtrace.coupler_body import Body, Table, body_of, gate, stations, turns
from wearvision_training.pathtrace.coupler_finish import (
    crack_cover,
    cracked,
    knurl,
    moulded,
    rough_of,
    sampled,
    soiled_finish,
    unrolled,
    wetted,
)
from wearvision_training.pathtrace.mesh import Points, revolved
from wearvision_training.pathtrace.solid import Finish, Mask, Model, Plane, Solid
from wearvision_training.recipe import Recipe
from wearvision_training.sketch.coupler_side import painted, side_cracks, side_grime, side_marks, skin_of
from wearvision_training.sketch.coupler_surface import drops, plastic, scratches, specks
from wearvision_training.sketch.noise import fractal, generator

Record = Mapping[str, Any]
COARSE = 192
"""Side of the table that tells where texels lie on the part plane."""
FRONT = 0.5 * math.pi


def _skin_mesh(body: Body) -> tuple[Points, Points]:
    """Grid points of the outside and their uv: s along u, turn along v."""
    s, around = stations(body)[:, None], turns(body)[None]
    points = body.placed(s, around, body.radius(s, around))
    uv = np.stack(np.broadcast_arrays((s + 1) / 2, around / (2 * math.pi) + 0.5), -1)
    return points, uv


def _ends(body: Body, recipe: Recipe) -> list[Solid]:
    """Both end faces, each with a hole for a shaft."""
    solids = []
    around = turns(body)[None]
    rng = generator(recipe.seed, "ends")
    for side, s in zip((1, -1), body.span, strict=True):
        rim = body.radius(np.array([[s]]), around)
        hole = body.bore * float(rim.max())
        depth = float(rng.uniform(0.06, 0.2))
        rings = [rim, 0.5 * (rim + hole), np.full_like(rim, hole), np.full_like(rim, 0.97 * hole), 0 * rim]
        places = np.array([0.0, 0.0, 0.0, depth, depth])[:, None] * side + s
        points = body.placed(places, around, np.concatenate(rings))
        colour = np.asarray(recipe.design["material"]["ends"][0 if side > 0 else 1], np.float32)
        solids.append(Solid(unrolled(points, (points[..., :2] + 1) / 2), Finish(colour, 0.6)))
    return solids


@dataclass(frozen=True, slots=True)
class _Texels:
    """Where the texels of the skin lie: plane coordinates (H, W), and whether they face the camera."""

    x: Plane
    y: Plane
    front: Mask

    def of(self, raster: Plane, beyond: float) -> Plane:
        """A raster of the part plane laid on the front half, ``beyond`` on the other."""
        seen = sampled(raster, self.x, self.y)
        front = self.front if seen.ndim == 2 else self.front[..., None]
        return np.asarray(np.where(front, seen, np.float32(beyond)), np.float32)


def _texture_shape(body: Body, raster: int) -> tuple[int, int]:
    """Rows (turn) and columns (axis) of the skin's textures: texels about square on the thickest part."""
    columns = raster * 5 // 4
    return int(columns * min(max(math.pi * float(body.form.radius.max()), 0.5), 1.6)), columns


def _texels(body: Body, shape: tuple[int, int]) -> _Texels:
    s = ((np.arange(COARSE) + 0.5) / COARSE * 2 - 1)[None, :]
    around = (((np.arange(COARSE) + 0.5) / COARSE - 0.5) * 2 * math.pi)[:, None]
    points = body.placed(s, around, body.radius(s, around)).astype(np.float32)
    fine = cv2.resize(points[..., :2], shape[::-1], interpolation=cv2.INTER_LINEAR)
    turn = ((np.arange(shape[0]) + 0.5) / shape[0] - 0.5) * 2 * math.pi
    front = np.broadcast_to(np.abs(turn)[:, None] < FRONT + 0.05, shape)
    return _Texels(np.ascontiguousarray(fine[..., 0]), np.ascontiguousarray(fine[..., 1]), front)


def _surface(recipe: Recipe, body: Body, raster: int) -> tuple[Finish, dict[str, Mask | bool]]:
    """Textures and marks of the skin over its own uv."""
    design, wear, seed = recipe.design, recipe.wear, recipe.seed
    material, harmless = design["material"], wear["harmless"]
    shape = _texture_shape(body, raster)
    texels, flat = _texels(body, shape), skin_of(body.form, design, raster)
    tone, relief = plastic(material, shape, seed), moulded(material, shape, seed)
    height, shade = side_marks(recipe, flat, np.zeros_like(flat.s), np.ones_like(flat.s))
    relief, tone = relief + texels.of(height, 0.0), tone * texels.of(shade, 1.0)
    s = ((np.arange(shape[1], dtype=np.float32) + 0.5) * np.float32(2 / shape[1]) - 1)[None]
    worn = _edges(body)[None, ((s[0] + 1) * (SAMPLES / 2)).astype(np.intp)]
    patchy = np.clip(0.5 + fractal(generator(seed, "rub"), shape, 6, 3), 0, 1)
    tone = tone * (1 + np.float32(0.25) * worn * patchy)
    grip = knurl(seed, shape[::-1])
    if grip is not None:
        start, stop = (float(v) for v in design["texture"]["barrel"])
        relief = relief + grip.T * (gate(s - start, 0.03) * gate(stop - s, 0.03)).astype(np.float32)
    albedo = painted(design, s, 2 / shape[1], tone)
    pale = np.zeros_like(tone)
    for name, made_by in (("scratches", scratches), ("specks", specks)):
        if harmless[name]:
            strewn = made_by(harmless[name], raster, seed)
            pale = np.maximum(pale, cv2.resize(strewn, shape[::-1], interpolation=cv2.INTER_LINEAR))
    albedo = albedo + pale[..., None] * (np.float32(0.55) - albedo) * np.float32(0.5)
    rough = np.maximum(rough_of(material, shape, seed) - np.float32(0.12) * worn * patchy, 0.15)
    marks: dict[str, Mask | bool] = {}
    soil = None
    if wear.get("grime"):
        grime, tint = (sampled(r, texels.x, texels.y) for r in side_grime(recipe, flat))
        soil, marks["grime"] = (wear["grime"], grime, tint), grime >= 0.5
    finish = soiled_finish(material, albedo, relief, rough, seed, soil)
    made = side_cracks(recipe, body.form, finish.albedo, raster)
    if made is not None:
        width = max(float(c["width"]) for c in wear["cracks"])
        paths = [path * body.form.scale for path in body.form.cracks]
        drawn = texels.of(crack_cover(paths, width, raster, seed), 0.0)
        finish = cracked(finish, (drawn, made[1]), wear["cracks"], seed)
        marks["crack"] = drawn >= 0.3
    if harmless["drops"]:
        wet, domes = drops(harmless["drops"], raster, seed)
        finish = wetted(finish, texels.of(wet, 0.0), texels.of(domes, 0.0))
    return finish, marks


def _edges(body: Body) -> Table:
    """Where the profile is convex and sharp, 0 to 1, at ``STATIONS``: there hands and boxes rub."""
    curve = body.round_radius(STATIONS)
    blurred = np.convolve(np.pad(curve, 16, "edge"), np.ones(33) / 33, "valid")
    return np.asarray(np.clip((curve - blurred) / 0.006, 0, 1))


def _shaft(design: Record) -> Solid | None:
    """A stub of the motor's steel shaft, still in one end."""
    if design["shaft"] is None:
        return None
    share, side = float(design["shaft"][0]), int(design["shaft"][1])
    end, rim = (abs(float(v)) for v in design["knots"][-1 if side > 0 else 0])
    radius, stop = 0.97 * share * rim, end + 0.6 * (1 - end)
    bevel = min(0.02, 0.3 * radius)
    long = stop - end + 0.1
    profile = [[0.0, radius], [long - bevel, radius], [long, radius - bevel], [long, 0.0]]
    mesh = revolved(np.asarray(profile), (side * (end - 0.1), 0.0), (side * 1.0, 0.0), around=64, steps=0.02)
    return Solid(mesh, Finish(np.array([0.52, 0.5, 0.47], np.float32), 0.35, 1.0))


def model_side(recipe: Recipe, raster: int) -> Model:
    """Bodies and truth of a side; see ``training/pathtrace/solid.py`` for the form."""
    design = recipe.design
    form = side_form(design, recipe.wear)
    body = body_of(recipe, form)
    solids = [Solid(unrolled(*_skin_mesh(body)), *_surface(recipe, body, raster)), *_ends(body, recipe)]
    stub = None if form.bend.any() else _shaft(design)
    if stub is not None:
        solids.append(stub)
    longest = max(form.cracks, key=path_length, default=np.zeros((0, 2)))
    notes: dict[str, object] = {
        "trace": [[float(v) for v in point] for point in longest * form.scale],
        "outer_diameter": form.diameter * form.scale,
        "chord": [s * form.scale for s in form.chord],
    }
    floor = min(float(solid.mesh.vertices[:, 2].min()) for solid in solids)
    return Model(tuple(solids), {}, side_measures(form), floor, None, float(design["mm_per_unit"]), notes)
