"""A coupler seen end-on: barrel, drive socket with its walls and floor, front face, deposits, cracks."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from wearvision_training.designs.coupler_form import ANGLES, EndForm, end_form, end_measures, outline_curve, path_length
from wearvision_training.recipe import Recipe
from wearvision_training.sketch.coupler_surface import (
    Edge,
    Grid,
    Mask,
    cover,
    deposit,
    drops,
    edge_of,
    grid,
    letters,
    lines,
    paint_deposit,
    plastic,
    roughness,
    scratches,
    specks,
)
from wearvision_training.sketch.drawing import Drawing, Plane, Slice
from wearvision_training.sketch.noise import generator, smooth

Record = Mapping[str, Any]
WALL_EDGE = 0.035  # width of the rounded shoulder that makes a barrel slice catch the light sideways
SLICE_STEP = 0.07  # plane units that two neighbouring slices may part in the picture before steps show


@dataclass(frozen=True, slots=True)
class _Sheet:
    """What the slices of one end share, all (P, P).

    ``outer`` and ``inner`` are distances in plane units into the material from outline and opening; ``across``
    runs from 0 at the opening to 1 at the outline.
    """

    at: Grid
    form: EndForm
    outer: Plane
    inner: Plane
    across: Plane
    tone: Plane
    opening: Plane
    face: Mask
    socket: Mask


def _sheet(recipe: Recipe, form: EndForm, size: int) -> _Sheet:
    at = grid(size)
    outline, opening = edge_of(form.outline, at), edge_of(form.opening, at)
    to_outline, to_opening = outline.distance(at), opening.distance(at)
    low = np.take(form.moulded.astype(np.float32), at.turn)
    high = np.take(form.nominal.astype(np.float32), at.turn)
    return _Sheet(
        at=at,
        form=form,
        outer=to_outline * np.float32(at.pixel),
        inner=-to_opening * np.float32(at.pixel),
        across=(at.radius - low) / (high - low),
        tone=plastic(recipe.design["material"], (size, size), recipe.seed),
        opening=cover(to_opening),
        face=to_outline >= 0,
        socket=to_opening >= 0,
    )


def _colour(tone: Plane, colour: Sequence[float]) -> Plane:
    """Tone times colour, (P, P, 3), never brighter than white."""
    made = np.empty((*tone.shape, 3), np.float32)
    for channel, strength in enumerate(colour):
        np.minimum(tone * np.float32(strength), 1.0, out=made[..., channel])
    return made


def _flange(design: Record, sheet: _Sheet, grime: Plane | None, tint: Plane | None) -> list[Slice]:
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
        albedo = _soiled(_colour(sheet.tone * np.float32(shade), design["material"]["body"]), grime, tint)
        alpha, gloss = cover(inside), float(design["material"]["gloss"])
        slices.append(Slice(z, alpha, albedo, relief, gloss, masks=_soil(alpha, grime)))
    return slices


def _soiled(albedo: Plane, grime: Plane | None, tint: Plane | None) -> Plane:
    """A colour with the deposit mixed into it."""
    return albedo if grime is None or tint is None else albedo + grime[..., None] * (tint - albedo)


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


def _barrel(recipe: Recipe, sheet: _Sheet, grime: Plane | None, tint: Plane | None) -> list[Slice]:
    """Body behind the face: solid slices below the socket's floor, then rings around the socket."""
    design, deform = recipe.design, recipe.wear.get("deform")
    material, body = design["material"], design["body"]
    new, worn = edge_of(sheet.form.nominal, sheet.at), edge_of(sheet.form.outline, sheet.at)
    # Slices below the floor share one array a colour: three-channel products are what costs time here.
    walls = {near: _soiled(_colour(sheet.tone * np.float32(0.8), material["ends"][0] if near else material["body"]),
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


def _recess(face: Record, sheet: _Sheet) -> Plane:
    """Depth of the face's relief below the front, plane units >= 0."""
    kind, depth = face["kind"], np.float32(face["depth"])
    start, stop = float(face["start"]), float(face["stop"])
    across, soft = sheet.across, np.float32(max(0.02, 2.5 * sheet.at.pixel))
    low, high = float(sheet.form.moulded.max()), float(sheet.form.nominal.min())
    if face["concentric"] and high > low + 0.08:
        across = (sheet.at.radius - np.float32(low)) / np.float32(high - low)
    band = np.clip((across - start) / soft + 0.5, 0, 1) * np.clip((stop - across) / soft + 0.5, 0, 1)
    if kind == "groove":
        return depth * band
    if kind == "counterbore":
        return depth * np.clip((start - across) / soft + 0.5, 0, 1)
    if kind == "boss":
        return depth * np.clip((across - start) / soft + 0.5, 0, 1)
    if kind == "dished":
        return depth * np.clip(1 - np.abs(across - 0.5) * 2, 0, 1)
    if kind in ("pockets", "spokes"):
        wave = np.cos(int(face["count"]) * ANGLES) - 0.1
        gate = np.clip(wave / 0.12, 0, 1) if kind == "pockets" else np.clip((wave + 0.85) / 0.15, 0, 1)
        return 2.5 * depth * band * np.take(gate.astype(np.float32), sheet.at.turn)
    return np.zeros_like(sheet.across)


def _marks(recipe: Recipe, sheet: _Sheet, relief: Plane, tone: Plane) -> tuple[Plane, Plane]:
    """Letters, gate, ejector pins, mould line, rub marks: relief and tone with them."""
    marks, form, size = recipe.design["marks"], sheet.form, len(sheet.tone)
    middle = 0.5 * (float(form.moulded.max()) + float(form.nominal.min()))
    room = float(form.nominal.min() - form.moulded.max())
    at = np.array([math.cos(marks["letters_at"]), math.sin(marks["letters_at"])])
    sign = 1.0 if marks["letters_raised"] else -1.0
    if marks["letters"] and room > 0.1:
        height = min(float(marks["letters_size"]), 0.7 * room)
        place = (float(at[0] * middle), float(at[1] * middle))
        drawn = letters(marks["letters"], place, height, marks["letters_at"] + math.pi / 2, size, recipe.seed)
        relief, tone = relief + np.float32(0.012 * sign) * drawn, tone * (1 - np.float32(0.12) * drawn)
    spots = [] if marks["gate"] is None else [tuple(marks["gate"])]
    spots += [(marks["letters_at"] + 2 * math.pi * (k + 0.5) / marks["pins"], 0.035) for k in range(marks["pins"])]
    for angle, radius in spots:
        away = np.hypot(sheet.at.x - middle * math.cos(angle), sheet.at.y - middle * math.sin(angle)) - radius
        ring = np.exp(-((away / np.float32(0.009)) ** 2))
        relief, tone = relief - np.float32(0.006) * ring, tone * (1 - np.float32(0.15) * ring)
    if marks["mould_line"] is not None:
        off = sheet.at.x * math.sin(marks["mould_line"]) - sheet.at.y * math.cos(marks["mould_line"])
        line = np.exp(-((off / np.float32(0.006)) ** 2))
        relief, tone = relief + np.float32(0.004) * line, tone * (1 - np.float32(0.06) * line)
    if marks["rub"]:
        patch = 0.6 + 0.4 * smooth(generator(recipe.seed, "rub"), sheet.tone.shape, (6, 6))
        rub = np.exp(-np.maximum(sheet.inner, 0) / np.float32(0.05)) * patch
        tone = tone * (1 + np.float32(float(marks["rub"]) * (1 if recipe.seed % 2 else -0.7)) * rub)
    return relief, tone


def _melt(recipe: Recipe, sheet: _Sheet, relief: Plane, albedo: Plane) -> tuple[Plane, Plane]:
    """Slumped and browned plastic where the outline has moved."""
    deform = recipe.wear.get("deform")
    if not deform:
        return relief, albedo
    moved = sheet.form.outline - sheet.form.nominal
    share = np.take((moved / max(float(np.abs(moved).max()), 1e-9)).astype(np.float32), sheet.at.turn)
    near = np.clip(sheet.across, 0, 1.2) ** 2 * np.abs(share)
    rng = generator(recipe.seed, "melt")
    amount = np.float32(min(float(deform["ratio"]) * 0.35, 0.03))
    relief = relief + amount * near * (share + 0.5 * smooth(rng, share.shape, (9, 9)))
    brown = np.clip(near * (0.7 + 0.5 * smooth(rng, share.shape, (7, 7))), 0, 1) * np.float32(
        float(deform["browning"]) * min(1.0, 6 * float(deform["ratio"]))
    )
    tint = np.asarray((0.5, 0.32, 0.16), np.float32)
    return relief, albedo * (1 - brown[..., None] * (1 - tint))


def _front(recipe: Recipe, sheet: _Sheet) -> Slice:
    """The front face with its relief, marks and harmless blemishes."""
    design, harmless, size = recipe.design, recipe.wear["harmless"], len(sheet.tone)
    face, material = design["face"], design["material"]
    recess = _recess(face, sheet)
    chamfer, lead = np.float32(face["chamfer"]), np.float32(face["lead_in"])
    relief = roughness(material, sheet.tone.shape, recipe.seed) - recess
    relief = relief - 0.8 * np.maximum(chamfer - sheet.outer, 0) - 0.8 * np.maximum(lead - sheet.inner, 0)
    if face["rings"]:
        relief = relief + np.float32(face["rings"]) * np.sin(sheet.at.radius * np.float32(150))
    tone = sheet.tone * (1 - np.minimum(np.float32(3.5) * recess, np.float32(0.6)))
    relief, tone = _marks(recipe, sheet, relief, tone)
    albedo = _colour(tone, material["ends"][0])
    if face["inlay"] is not None:
        start, wide = (float(v) for v in face["inlay"])
        band = ((sheet.across > start) & (sheet.across < start + wide))[..., None]
        albedo = np.where(band, _colour(tone, face["inlay_colour"]), albedo)
    relief, albedo = _melt(recipe, sheet, relief, albedo)
    pale = np.zeros_like(tone)
    if harmless["scratches"]:
        pale = scratches(harmless["scratches"], size, recipe.seed)
    if harmless["stress"]:
        pale = pale + np.float32(harmless["stress"]) * np.exp(-np.maximum(sheet.inner, 0) / np.float32(0.03))
    if harmless["specks"]:
        pale = np.maximum(pale, specks(harmless["specks"], size, recipe.seed))
    if pale.any():
        albedo = albedo + pale[..., None] * (np.float32(0.55) - albedo) * np.float32(0.5)
    masks = {"face": sheet.face, "socket": sheet.socket}
    alpha = cover(sheet.outer / np.float32(sheet.at.pixel)) * (1 - sheet.opening)
    return Slice(0.0, alpha, albedo, relief, float(material["gloss"]), masks=masks, through=frozenset(masks))


def _crack(recipe: Recipe, sheet: _Sheet, front: Slice, base: Plane) -> Slice | None:
    """All cracks and their branches, dark with a bright lip, just above everything."""
    records = recipe.wear.get("cracks", ())
    if not sheet.form.cracks:
        return None
    size, width = len(sheet.tone), max(float(c["width"]) for c in records)
    drawn = lines([*sheet.form.cracks, *sheet.form.branches], width, size)
    inside = (drawn >= 0.3) & (front.alpha >= 0.5)
    contrast = float(records[0]["contrast"])
    dark = np.minimum(base * np.float32(0.12), np.float32(0.03))
    if float(np.mean(recipe.design["material"]["ends"][0])) < 0.05:
        # On black plastic a crack shows by its pale, broken lips, not by a darker gap.
        dark = base + np.float32(0.10)
    relief = np.float32(-1.5 * width) * drawn
    return Slice(0.003, drawn * front.alpha * np.float32(contrast), dark, relief, 0.05, masks={"crack": inside})


def draw_end(recipe: Recipe, size: int) -> Drawing:
    """Slices and truth of an end; see ``training/sketch/drawing.py`` for the form."""
    design, wear = recipe.design, recipe.wear
    form = end_form(design, wear)
    sheet = _sheet(recipe, form, size)
    grime, tint = None, None
    if wear.get("grime"):
        favoured = np.exp(-np.abs(sheet.outer) / np.float32(0.08)) + np.exp(-np.abs(sheet.inner) / np.float32(0.08))
        grime = deposit(wear["grime"], sheet.face, favoured, recipe.seed)
        tint = paint_deposit(wear["grime"], grime.shape)
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
