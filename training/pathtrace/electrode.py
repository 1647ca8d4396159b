"""The ignition electrode in three dimensions: the same record and the same truth as the sketch of it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wearvision_training.pathtrace import electrode_form as form
from wearvision_training.pathtrace import electrode_metal as metal
from wearvision_training.pathtrace import electrode_surface as surface
from wearvision_training.pathtrace.electrode_growth import heap
from wearvision_training.pathtrace.mesh import joined, vertex_normals
from wearvision_training.pathtrace.solid import WHOLE, Mesh, Model, Solid
from wearvision_training.recipe import Recipe
from wearvision_training.sketch.electrode import Worn, bridges, lay_out
from wearvision_training.sketch.electrode_surface import tips_of
from wearvision_training.sketch.noise import generator

Record = Mapping[str, Any]
Mask = NDArray[np.bool_]
BORE = 1.12
"""Hole of the ceramic over the diameter of its rod."""


def model(recipe: Recipe, raster: int) -> Model:
    """The electrode of a recipe; the same recipe gives the same model.

    Args:
        recipe: Part ``"electrode"``; its design, wear and seed are used.
        raster: Side of the rasters that it carries.
    """
    worn = lay_out(recipe, raster)
    carbon = surface.carbon_of(recipe, worn)
    nozzle_z = _nozzle_height(recipe.design)
    solids = [_ceramics(recipe, worn, carbon), _rods(recipe, worn, carbon)]
    solids += _turned(recipe, raster, nozzle_z) + _sheets(recipe, raster)
    if worn.growth is not None:
        solids.append(_growth(recipe, worn, nozzle_z))
    floor = min(float(solid.mesh.vertices[:, 2].min()) for solid in solids)
    return Model(
        tuple(solids),
        {"chip": (worn.scene.missing > 0.5, 0.0)},
        worn.measures,
        floor,
        mm_per_unit=float(recipe.design["mm_per_unit"]),
        notes=worn.notes,
    )


def _ceramics(recipe: Recipe, worn: Worn, carbon: surface.Carbon | None) -> Solid:
    design, chip = recipe.design, recipe.wear.get("chip")
    rng = generator(recipe.seed, "break")
    bore = float(design["rods"][0]["radius"]) * BORE if design["layout"] != "block" else 0.0
    meshes = [
        form.ceramic(piece, chip if chip and chip["ceramic"] == index else None, worn.scene.waves, bore, rng)
        for index, piece in enumerate(design["ceramics"])
    ]
    marks = {"ceramic": WHOLE, **_marks_on(worn, ("crack",))}
    return Solid(_crusted(joined(*meshes), carbon), surface.ceramic_finish(recipe, worn, carbon), marks)


def _rods(recipe: Recipe, worn: Worn, carbon: surface.Carbon | None) -> Solid:
    rng = generator(recipe.seed, "rod ends")
    tips = tips_of(recipe.design, recipe.wear)
    meshes = [metal.rod(rod, tip, rng) for rod, tip in zip(recipe.design["rods"], tips, strict=True)]
    marks = {"rod": WHOLE, **_marks_on(worn, ())}
    return Solid(_crusted(joined(*meshes), carbon), surface.rod_finish(recipe, worn, carbon), marks)


def _marks_on(worn: Worn, more: tuple[str, ...]) -> dict[str, Mask | bool]:
    """Residue and further masks over rods and ceramics, carried on beyond the outline."""
    solid = np.maximum(worn.scene.ceramic, worn.scene.metal)
    masks = {name: worn.masks[name] for name in more}
    if worn.residue is not None:
        masks["residue"] = worn.residue.counted
    return {name: surface.marked_on(mask, solid) for name, mask in masks.items()}


def _crusted(mesh: Mesh, carbon: surface.Carbon | None) -> Mesh:
    """The body under its crust: raised towards the camera, so that its outline from the front stays the metal's own."""
    if carbon is None or float(carbon.thickness.max()) <= 0:
        return mesh
    size = carbon.thickness.shape[0]
    at = np.clip((mesh.uv * size).astype(int), 0, size - 1)
    up = np.clip(vertex_normals(mesh)[:, 2], 0, 1)
    raised = mesh.vertices.copy()
    raised[:, 2] += carbon.thickness[at[:, 1], at[:, 0]] * up**2
    return Mesh(raised, mesh.faces, mesh.uv)


def _turned(recipe: Recipe, raster: int, nozzle_z: float) -> list[Solid]:
    """Studs, wires, springs, boots, shells, nozzle: bodies of the same stuff as one."""
    made: dict[str, list[Mesh]] = {}
    colours: dict[str, Any] = {}
    for body in recipe.design["bodies"]:
        kind = _kind(body)
        if kind == "spring":
            mesh = metal.coil(body)
        elif kind == "thread":
            mesh = form.threaded(body)
        else:
            mesh = form.turned_metal(body, nozzle_z if body["layer"] == "behind" else 0.0)
        name = {"thread": "shell"}.get(kind, kind)
        made.setdefault(name, []).append(mesh)
        colours[name] = body["colour"]
    finishes = {
        name: surface.rubber(recipe, colours[name], raster)
        if name in ("boot", "wire")
        else surface.plain_metal(recipe, colours[name], name, raster)
        for name in made
    }
    return [Solid(joined(*meshes), finishes[name]) for name, meshes in made.items()]


WIRE_POINTS, LEAST_SPRING_POINTS = 4, 32


def _kind(body: Record) -> str:
    """What a turned body is: the design names its layer and its profile only."""
    points = len(body["profile"])
    if body["layer"] == "soft":
        return "boot"
    if body["layer"] == "metal":
        return "spring" if points >= LEAST_SPRING_POINTS else "wire" if points == WIRE_POINTS else "stud"
    if body["layer"] == "behind":
        return "nozzle"
    return "shell" if body["facets"] else "thread"


def _nozzle_height(design: Record) -> float:
    """Height of the nozzle's axis: so low that rods and ceramics that cross over it stay clear."""
    nozzles = [body for body in design["bodies"] if body["layer"] == "behind"]
    if not nozzles:
        return 0.0
    nozzle = nozzles[0]
    half = float(max(r for _, r in nozzle["profile"]))
    x0, y0 = nozzle["origin"]
    x1 = x0 + nozzle["profile"][-1][0]
    depth = float(design["rods"][0]["radius"])
    for piece in design["ceramics"]:
        reach = max(r for _, r in piece["profile"])
        start, length = piece["origin"], piece["profile"][-1][0]
        if x0 < start[0] + length and x1 > start[0] and abs(y0 - start[1]) < half + 1.1 * reach:
            depth = max(depth, float(reach))
    return float(-(depth + half * (form.HEX_APOTHEM + 0.03)))


def _sheets(recipe: Recipe, raster: int) -> list[Solid]:
    """Straps with their screws, plates behind."""
    design = recipe.design
    block = design["layout"] == "block"
    deepest = max(r for piece in design["ceramics"] for _, r in piece["profile"])
    deepest *= form.FLAT_THICKNESS if block else 1.0
    made = []
    for index, plate in enumerate(design["plates"]):
        base = -deepest - metal.SHEET / 2 if plate["layer"] == "behind" else 0.0
        meshes = [metal.plate(plate, base, block=block)]
        for x, y, radius, turn in plate["screws"]:
            top = base + float(metal.lift(plate, np.array([y]), block=block)[0]) + metal.SHEET / 2
            meshes.append(metal.screw(x, y, radius, turn, top))
        made.append(Solid(joined(*meshes), surface.plain_metal(recipe, plate["colour"], f"sheet {index}", raster)))
    return made


def _growth(recipe: Recipe, worn: Worn, nozzle_z: float) -> Solid:
    """Carbon across the gap; what it hides of rods and ceramics still counts as theirs, as in the sketch."""
    scene = worn.scene
    marks: dict[str, Mask | bool] = {
        "rod": scene.metal > 0.5,
        "ceramic": scene.ceramic > 0.5,
        "residue": np.maximum(scene.ceramic, scene.metal) > 0.5,
    }
    if bridges(recipe):
        marks["bridge"] = WHOLE
    far = nozzle_z if recipe.design["partner"] == "nozzle" else 0.0
    return Solid(heap(recipe, far, scene.rod.height), surface.clinker(recipe, recipe.wear["growth"], scene.size), marks)
