"""A coupler's end in three dimensions: front face with its relief, socket down to the floor, barrel, flange."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from wearvision_training.designs.coupler_form import ANGLES, end_form, end_measures, outline_curve, path_length
from wearvision_training.pathtrace.coupler_finish import (
    crack_cover,
    cracked,
    disc_finish,
    moulded,
    rough_of,
    sampled,
    soiled_finish,
    unrolled,
    wall_finish,
    wetted,
)
from wearvision_training.pathtrace.coupler_ring import Ring, Table, face_radii, ring_of, rows_of
from wearvision_training.pathtrace.mesh import polar_surface
from wearvision_training.pathtrace.solid import Finish, Mask, Model, Plane, Solid
from wearvision_training.recipe import Recipe
from wearvision_training.sketch.coupler_face import Sheet, face_cracks, face_grime, face_skin, melt, recess, sheet_of
from wearvision_training.sketch.coupler_surface import Grid, drops
from wearvision_training.sketch.noise import generator

Record = Mapping[str, Any]
Soil = tuple[Record, Plane, Plane] | None
"""Record of a deposit, its opacity and colour over the part plane."""
WALL_TEXTURE = 256


def _front(recipe: Recipe, sheet: Sheet, ring: Ring, soil: Soil) -> Solid:
    """The front face from the socket's lip to where the barrel begins."""
    design, form = recipe.design, sheet.form
    face = design["face"]
    radii = face_radii(face, form, ring)
    x, y = radii * np.cos(ring.angles), radii * np.sin(ring.angles)
    span = np.maximum(ring.nominal - ring.moulded, 1e-3)
    across = ((radii - ring.moulded) / span).astype(np.float32)
    index = np.broadcast_to(ring.index, radii.shape)
    at = Grid(x.astype(np.float32), y.astype(np.float32), radii.astype(np.float32), index, 1e-3)
    height = -recess(face, form, at, across).astype(float)
    melted = melt(recipe, sheet)
    if melted is not None:
        height += sampled(melted[0], x, y)
    height -= _rounded((ring.outline - radii) / ring.edge) * ring.edge
    height -= _rounded((radii - ring.opening) / ring.lip) * ring.lip
    mesh = polar_surface(ring.angles[:-1], radii[:, :-1], height[:, :-1])
    return Solid(mesh, *_face_surface(recipe, sheet, soil))


def _rounded(share: Table) -> Table:
    """Fall of a quarter round, 1 at its foot (0) to 0 at its top (1 and beyond)."""
    return np.asarray(1 - np.sqrt(1 - (1 - np.clip(share, 0, 1)) ** 2))


def _face_surface(recipe: Recipe, sheet: Sheet, soil: Soil) -> tuple[Finish, dict[str, Mask | bool]]:
    """Textures and marks of the front face."""
    face, size, seed = recipe.design["face"], len(sheet.tone), recipe.seed
    material = recipe.design["material"]
    relief = moulded(material, sheet.tone.shape, seed)
    if face["rings"]:
        relief = relief + np.float32(0.6 * face["rings"]) * np.sin(sheet.at.radius * np.float32(150))
    relief, albedo = face_skin(recipe, sheet, relief, sheet.tone)
    melted = melt(recipe, sheet)
    if melted is not None:
        relief = relief - melted[0]
    rough = rough_of(material, sheet.tone.shape, seed)
    # Where the shaft is pushed in and out the lip is polished.
    rough = rough - np.float32(0.15) * np.exp(-np.maximum(sheet.inner, 0) / np.float32(0.03))
    if melted is not None:
        # Plastic that has flowed is smoother than its mould was.
        flowed = np.clip(np.abs(melted[0]) / np.float32(0.012), 0, 1)
        rough = rough - np.float32(generator(seed, "flow").uniform(0, 0.35)) * flowed
    marks: dict[str, Mask | bool] = {}
    if soil is not None:
        marks["grime"] = soil[1] >= 0.5
    finish = soiled_finish(material, albedo, relief, np.maximum(rough, 0.15), seed, soil)
    made = face_cracks(recipe, sheet, finish.albedo)
    if made is not None:
        records, form = recipe.wear["cracks"], sheet.form
        width = max(float(c["width"]) for c in records)
        drawn = crack_cover([*form.cracks, *form.branches], width, size, seed)
        finish = cracked(finish, (drawn, made[1]), records, seed)
        marks["crack"] = drawn >= 0.3
    if recipe.wear["harmless"]["drops"]:
        finish = wetted(finish, *drops(recipe.wear["harmless"]["drops"], size, seed))
    return finish, marks


def _wall_uv(ring: Ring, depth: Table) -> Table:
    """Texture of an unrolled wall: turn along u, depth (K,) 0 to 1 along v."""
    return np.stack(np.broadcast_arrays(ring.share[None], depth[:, None]), -1)


def _points(radii: Table, angles: Table, heights: Table) -> Table:
    heights = np.broadcast_to(heights, radii.shape)
    return np.stack([radii * np.cos(angles), radii * np.sin(angles), heights], -1)


def _lengths(design: Record) -> tuple[float, float]:
    """The body's length and the socket's depth, plane units."""
    depth = float(design["socket"]["depth"])
    return max(float(design["body"]["length"]), depth + 0.1), depth


def _barrel(recipe: Recipe, ring: Ring) -> list[Solid]:
    """Outer wall behind the face, deformed near the end only, with its step; and its back."""
    design, deform = recipe.design, recipe.wear.get("deform")
    material, body = design["material"], design["body"]
    length, _ = _lengths(design)
    step = float(body["step_at"])
    down = np.concatenate([[0.0, 0.03, 0.07, 0.12, 0.2], np.linspace(0.3, length, 8)])
    if step < length - 0.05 and float(body["scale"]) < 0.995:
        down = np.concatenate([down, [step - 0.012, step - 0.006, step, step + 0.002, step + 0.008]])
    down = np.unique(down)
    share = np.exp(-down / (0.25 * float(deform["reach"]))) if deform else np.zeros_like(down)
    scale = np.where(down >= step + 0.001, float(body["scale"]), 1 - 0.01 * down / length)
    scale = np.where(np.abs(down - step) < 1e-9, scale - 0.006, scale)
    radii = scale[:, None] * (ring.nominal + share[:, None] * (ring.outline - ring.nominal))
    radii[0] = ring.outline
    heights = -down[:, None] - ring.edge[None, :] * np.exp(-down / 0.05)[:, None]
    rows = np.linspace(0, 1, WALL_TEXTURE)[:, None, None]
    near = rows * length < step
    colour = np.where(near, np.asarray(material["ends"][0]), np.asarray(material["body"])).astype(np.float32)
    finish, marks = wall_finish(recipe.seed, material, colour, recipe.wear.get("grime"), WALL_TEXTURE, "barrel")
    wall = Solid(unrolled(_points(radii, ring.angles, heights), _wall_uv(ring, down / length)), finish, marks)
    rim = radii[-1, :-1]
    back = polar_surface(ring.angles[:-1], np.stack([rim, 0 * rim]), np.full((2, 1), heights[-1, 0]))
    plain = Finish(np.asarray(material["body"], np.float32), 0.6)
    return [wall, Solid(back, plain)]


def _socket(recipe: Recipe, sheet: Sheet, ring: Ring, soil: Soil) -> list[Solid]:
    """Walls of the drive socket, its floor and, where there is one, the bore through it."""
    design, seed = recipe.design, recipe.seed
    material, grime = design["material"], recipe.wear.get("grime")
    length, depth = _lengths(design)
    colour = np.asarray(material["ends"][0], np.float32)
    down = np.concatenate([[0.0, 0.02, 0.05], np.linspace(0.1, 1, 7)]) * (depth - ring.lip)
    fillet = np.minimum(0.03, 0.2 * depth)
    taper = 1 - 0.02 * down / depth - np.where(down > depth - ring.lip - 1e-6, fillet * 0.3, 0.0)
    radii = taper[:, None] * ring.opening
    heights = -(down + ring.lip)[:, None]
    finish, marks = wall_finish(seed, material, colour, grime, WALL_TEXTURE, "socket")
    solids = [Solid(unrolled(_points(radii, ring.angles, heights), _wall_uv(ring, down / depth)), finish, marks)]
    hole = float(design["socket"]["bore"]) * float(sheet.form.moulded.min())
    floor_radii = rows_of((radii[-1], np.full_like(ring.opening, max(hole, 1e-4)), 4))
    base = polar_surface(ring.angles[:-1], floor_radii[:, :-1], np.full((1, 1), -depth))
    finish, marks = disc_finish(seed, material, colour, soil, len(sheet.tone), "floor")
    solids.append(Solid(base, finish, marks))
    if hole:
        rows = np.array([-depth, -depth - 0.02, -length + 0.01, -length + 0.01])[:, None]
        tube = np.array([hole, hole * 0.97, hole * 0.97, 0.0])[:, None] + np.zeros(len(ring.angles) - 1)
        solids.append(Solid(polar_surface(ring.angles[:-1], tube, rows), Finish(colour, 0.6)))
        solids += _shaft_end(seed, 0.9 * hole, -depth, -length + 0.02, ring)
    return solids


def _shaft_end(seed: int, radius: float, top: float, bottom: float, ring: Ring) -> list[Solid]:
    """The end of a steel shaft deep in the bore; most bores are empty."""
    rng = generator(seed, "shaft")
    if rng.random() > 0.35:
        return []
    z, bevel = float(rng.uniform(bottom + 0.02, top)), 0.08 * radius
    radii = np.array([radius, radius, radius - bevel, 1e-4])[:, None] + np.zeros(len(ring.angles) - 1)
    mesh = polar_surface(ring.angles[:-1], radii, np.array([bottom, z - bevel, z, z])[:, None])
    return [Solid(mesh, Finish(np.array([0.5, 0.48, 0.45], np.float32), float(rng.uniform(0.25, 0.6)), 1.0))]


def _flange(recipe: Recipe, sheet: Sheet, ring: Ring, soil: Soil) -> list[Solid]:
    """A disc behind the end, notched or plain, with rounded edges."""
    design = recipe.design
    flange = design["flange"]
    if flange is None:
        return []
    material = design["material"]
    reach = float(design["outline"]["radius"]) * float(flange["radius"])
    reach = max(reach, float(outline_curve(design["outline"]).max()) * 1.03)
    record = {"kind": "round", "radius": min(reach, 0.97)}
    if flange["notches"]:
        record |= {"kind": "flutes", "count": flange["notches"], "height": 0.07, "width": 0.12, "flank": 0.01}
    curve = np.interp(ring.angles[:-1], ANGLES, outline_curve(record), period=2 * math.pi)
    top, thick = float(flange["z"]), float(flange["thickness"])
    edge = min(0.02, thick / 3)
    fall = np.linspace(0, math.pi / 2, 5)
    around = [(edge * (1 - math.sin(t)), edge * (1 - math.cos(t))) for t in fall]
    inwards = [0.35, *(i for i, _ in around), 0.0, 0.35]
    heights = [top, *(top - d for _, d in around), top - thick, top - thick]
    radii = np.stack([np.maximum(curve - i, 0.05) for i in inwards])
    mesh = polar_surface(ring.angles[:-1], radii, np.asarray(heights)[:, None])
    colour = np.asarray(material["body"], np.float32)
    finish, marks = disc_finish(recipe.seed, material, colour, soil, len(sheet.tone), "flange")
    return [Solid(mesh, finish, marks)]


def model_end(recipe: Recipe, raster: int) -> Model:
    """Bodies and truth of an end; see ``training/pathtrace/solid.py`` for the form."""
    design, wear = recipe.design, recipe.wear
    form = end_form(design, wear)
    sheet, ring = sheet_of(recipe, form, raster), ring_of(recipe, form)
    deposited = face_grime(recipe, sheet)
    soil = None if deposited is None else (wear["grime"], *deposited)
    solids = [_front(recipe, sheet, ring, soil), *_barrel(recipe, ring), *_socket(recipe, sheet, ring, soil)]
    solids += _flange(recipe, sheet, ring, soil)
    longest = max(form.cracks, key=path_length, default=np.zeros((0, 2)))
    notes: dict[str, object] = {
        "trace": [[float(v) for v in point] for point in longest],
        "socket": design["socket"]["kind"],
        "wall": form.wall,
        "outer_radius": form.radius,
    }
    # They lie at the foot of their rounded edges: there they are widest, and that is what the camera sees.
    outlines = {"face": (sheet.face, -float(ring.edge.mean())), "socket": (sheet.socket, -ring.lip)}
    floor = min(float(s.mesh.vertices[:, 2].min()) for s in solids)
    return Model(
        tuple(solids), outlines, end_measures(form, design, wear), floor, None, float(design["mm_per_unit"]), notes
    )
