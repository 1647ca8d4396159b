"""A coupler seen end-on: barrel, drive socket with its walls and floor, front face, deposits, cracks."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from wearvision_training.designs.coupler_form import end_form, end_measures, outline_curve, path_length
from wearvision_training.recipe import Recipe
from wearvision_training.sketch.coupler_face import (
    Sheet,
    coloured,
    face_cracks,
    face_grime,
    face_skin,
    recess,
    sheet_of,
    soiled,
)
from wearvision_training.sketch.coupler_surface import (
    Edge,
    Mask,
    cover,
    drops,
    edge_of,
    roughness,
)
from wearvision_training.sketch.drawing import Drawing, Plane, Slice

Record = Mapping[str, Any]
WALL_EDGE = 0.035  # width of the rounded shoulder that makes a barrel slice catch the light sideways
SLICE_STEP = 0.07  # plane units that two neighbouring slices may part in the picture before steps show


def _flange(design: Record, sheet: Sheet, grime: Plane | None, tint: Plane | None) -> list[Slice]:
    """A disc behind the end, notched or plain."""
    flange = design["flange"]
    if flange is None:
        return []
    radius = float(design["outline"]["radius"]) * float(flange["radius"])
    reach = max(radius, float(outline_curve(design["outline"]).max()) * 1.03)
    record = {"kind": "round", "radius": min(reach, 0.97)}
    if flange["notches"]:
        record |= {"kind": "flutes", "count": flange["notches"], "height": 0.07, "width": 0.12, "flank": 0.01}
    edge = edge_of(outline_curve(record), sheet.at)
    slices = []
    for z, shade in ((float(flange["z"]) - float(flange["thickness"]), 0.75), (float(flange["z"]), 1.0)):
        inside = edge.distance(sheet.at)
        relief = -np.maximum(np.float32(0.02) - inside * np.float32(sheet.at.pixel), 0)
        albedo = soiled(coloured(sheet.tone * np.float32(shade), design["material"]["body"]), grime, tint)
        alpha, gloss = cover(inside), float(design["material"]["gloss"])
        slices.append(Slice(z, alpha, albedo, relief, gloss, masks=_soil(alpha, grime)))
    return slices


def _soil(alpha: Plane, grime: Plane | None) -> dict[str, Mask]:
    """The deposit's mask on a slice."""
    return {} if grime is None else {"grime": (grime >= 0.5) & (alpha >= 0.5)}


def _levels(recipe: Recipe) -> tuple[list[float], int]:
    """Heights of the slices behind the face, farthest first, and how many lie below the socket's floor.

    A barrel that is looked at straight needs few; a leaning one shows its steps, so it gets more.
    """
    depth = float(recipe.design["socket"]["depth"])
    length = max(float(recipe.design["body"]["length"]), depth + 0.1)
    lean = math.sin(math.radians(min(float(recipe.camera.get("tilt_deg", 0.0)), 60.0))) + 0.08
    behind = min(max(math.ceil((length - depth) * lean / SLICE_STEP), 2), 6)
    around = min(max(math.ceil(depth * lean / SLICE_STEP), 2), 6)
    back, ring = np.linspace(-length, -depth, behind + 1), np.linspace(-depth, 0, around + 1)
    return [float(z) for z in (*back, *ring[1:-1])], behind


def _between(new: Edge, worn: Edge, share: np.float32) -> Edge:
    """An outline that is only partly deformed, as the barrel is behind a melted end."""
    return Edge(new.level + share * (worn.level - new.level), new.tilt + share * (worn.tilt - new.tilt))


def _barrel(recipe: Recipe, sheet: Sheet, grime: Plane | None, tint: Plane | None) -> list[Slice]:
    """Body behind the face: solid slices below the socket's floor, then rings around the socket."""
    design, deform = recipe.design, recipe.wear.get("deform")
    material, body = design["material"], design["body"]
    new, worn = edge_of(sheet.form.nominal, sheet.at), edge_of(sheet.form.outline, sheet.at)
    # Slices below the floor share one array a colour: three-channel products are what costs time here.
    walls = {near: soiled(coloured(sheet.tone * np.float32(0.8), material["ends"][0] if near else material["body"]),
                           grime, tint) for near in (True, False)}  # fmt: skip
    outside = np.clip((np.float32(WALL_EDGE) - sheet.outer) / np.float32(WALL_EDGE), 0, None)
    inside = np.clip((np.float32(WALL_EDGE) - sheet.inner) / np.float32(WALL_EDGE), 0, 1.5)
    relief = np.float32(-1.2 * WALL_EDGE) * (np.minimum(outside, 1.5) + inside)
    slices = []
    levels, behind = _levels(recipe)
    for number, z in enumerate(levels):
        floor = number == behind
        reach = math.exp(z / (0.25 * float(deform["reach"]))) if deform else 0.0
        edge = new if reach < 0.02 else _between(new, worn, np.float32(reach))
        scale = float(body["scale"]) if -z > float(body["step_at"]) else 1.0
        alpha = cover(edge.distance(sheet.at, scale))
        if number > behind:
            alpha = alpha * (1 - sheet.opening)
        near = -z < float(body["step_at"]) or number >= behind
        albedo = walls[near]
        if number >= behind:
            albedo = albedo * np.float32(0.25 + 0.65 * math.exp(z * 2.5) if floor else 0.5 + 0.55 * math.exp(z * 2.0))
        if floor and design["socket"]["bore"]:
            bore = float(design["socket"]["bore"]) * float(sheet.form.moulded.min())
            hole = np.clip((np.float32(bore) - sheet.at.radius) / np.float32(sheet.at.pixel) + 0.5, 0, 1)
            albedo *= (1 - np.float32(0.85) * hole)[..., None]
        flat = None if floor else relief
        slices.append(Slice(z, alpha, albedo, flat, float(material["gloss"]), masks=_soil(alpha, grime)))
    return slices


def _front(recipe: Recipe, sheet: Sheet) -> Slice:
    """The front face with its relief, marks and harmless blemishes."""
    face, material = recipe.design["face"], recipe.design["material"]
    depth = recess(face, sheet.form, sheet.at, sheet.across)
    chamfer, lead = np.float32(face["chamfer"]), np.float32(face["lead_in"])
    relief = roughness(material, sheet.tone.shape, recipe.seed) - depth
    relief = relief - 0.8 * np.maximum(chamfer - sheet.outer, 0) - 0.8 * np.maximum(lead - sheet.inner, 0)
    if face["rings"]:
        relief = relief + np.float32(face["rings"]) * np.sin(sheet.at.radius * np.float32(150))
    tone = sheet.tone * (1 - np.minimum(np.float32(3.5) * depth, np.float32(0.6)))
    relief, albedo = face_skin(recipe, sheet, relief, tone)
    masks = {"face": sheet.face, "socket": sheet.socket}
    alpha = cover(sheet.outer / np.float32(sheet.at.pixel)) * (1 - sheet.opening)
    return Slice(0.0, alpha, albedo, relief, float(material["gloss"]), masks=masks, through=frozenset(masks))


def _crack(recipe: Recipe, sheet: Sheet, front: Slice, base: Plane) -> Slice | None:
    """All cracks and their branches, dark with a bright lip, just above everything."""
    made = face_cracks(recipe, sheet, base)
    if made is None:
        return None
    drawn, colour = made
    records = recipe.wear["cracks"]
    width, contrast = max(float(c["width"]) for c in records), float(records[0]["contrast"])
    masks = {"crack": (drawn >= 0.3) & (front.alpha >= 0.5)}
    relief = np.float32(-1.5 * width) * drawn
    return Slice(0.003, drawn * front.alpha * np.float32(contrast), colour, relief, 0.05, masks=masks)


def draw_end(recipe: Recipe, size: int) -> Drawing:
    """Slices and truth of an end; see ``training/sketch/drawing.py`` for the form."""
    design, wear = recipe.design, recipe.wear
    form = end_form(design, wear)
    sheet = sheet_of(recipe, form, size)
    grime, tint = face_grime(recipe, sheet) or (None, None)
    front = _front(recipe, sheet)
    slices = [*_barrel(recipe, sheet, grime, tint)]
    for disc in _flange(design, sheet, grime, tint):
        slices.insert(sum(s.z < disc.z for s in slices), disc)
    slices.append(front)
    top = front.albedo
    if grime is not None and tint is not None:
        alpha = grime * front.alpha
        masks = {"grime": (grime >= 0.5) & (front.alpha >= 0.5)}
        slices.append(Slice(0.001, alpha, tint, front.height, float(wear["grime"]["gloss"]), masks=masks))
        top = top + grime[..., None] * (tint - top)
    crack = _crack(recipe, sheet, front, top)
    if crack is not None:
        slices.append(crack)
    if wear["harmless"]["drops"]:
        wet, relief = drops(wear["harmless"]["drops"], size, recipe.seed)
        slices.append(Slice(0.006, 0.3 * wet * front.alpha, top * np.float32(0.9), relief, 0.95))
    longest = max(form.cracks, key=path_length, default=np.zeros((0, 2)))
    notes: dict[str, object] = {
        "trace": [[float(v) for v in point] for point in longest],
        "socket": design["socket"]["kind"],
        "wall": form.wall,
        "outer_radius": form.radius,
    }
    return Drawing(tuple(slices), end_measures(form, design, wear), None, float(design["mm_per_unit"]), notes)
