"""Surface of a coupler's front face as rasters without light: what both engines lay on it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from wearvision_training.designs.coupler_form import ANGLES, EndForm
from wearvision_training.recipe import Recipe
from wearvision_training.sketch.coupler_surface import (
    Grid,
    Mask,
    cover,
    deposit,
    edge_of,
    grid,
    letters,
    lines,
    paint_deposit,
    plastic,
    scratches,
    specks,
)
from wearvision_training.sketch.drawing import Plane
from wearvision_training.sketch.noise import generator, smooth

Record = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Sheet:
    """What the surfaces of one end share, all (P, P).

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


def sheet_of(recipe: Recipe, form: EndForm, size: int) -> Sheet:
    """Rasters of one end at ``size`` pixels a side."""
    at = grid(size)
    outline, opening = edge_of(form.outline, at), edge_of(form.opening, at)
    to_outline, to_opening = outline.distance(at), opening.distance(at)
    low = np.take(form.moulded.astype(np.float32), at.turn)
    high = np.take(form.nominal.astype(np.float32), at.turn)
    return Sheet(
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


def coloured(tone: Plane, colour: Sequence[float]) -> Plane:
    """Tone times colour, (P, P, 3), never brighter than white."""
    made = np.empty((*tone.shape, 3), np.float32)
    for channel, strength in enumerate(colour):
        np.minimum(tone * np.float32(strength), 1.0, out=made[..., channel])
    return made


def soiled(albedo: Plane, grime: Plane | None, tint: Plane | None) -> Plane:
    """A colour with the deposit mixed into it."""
    return albedo if grime is None or tint is None else albedo + grime[..., None] * (tint - albedo)


def recess(face: Record, form: EndForm, at: Grid, across: Plane) -> Plane:
    """Depth of the face's relief below the front at points, plane units >= 0; ``across`` as in ``Sheet``."""
    kind, depth = face["kind"], np.float32(face["depth"])
    start, stop = float(face["start"]), float(face["stop"])
    soft = np.float32(max(0.02, 2.5 * at.pixel))
    low, high = float(form.moulded.max()), float(form.nominal.min())
    if face["concentric"] and high > low + 0.08:
        across = (at.radius - np.float32(low)) / np.float32(high - low)
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
        return 2.5 * depth * band * np.take(gate.astype(np.float32), at.turn)
    return np.zeros_like(across)


def _marks(recipe: Recipe, sheet: Sheet, relief: Plane, tone: Plane) -> tuple[Plane, Plane]:
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


def melt(recipe: Recipe, sheet: Sheet) -> tuple[Plane, Plane] | None:
    """Slumped and browned plastic where the outline has moved: rise in plane units, and factor on the colour.

    None where nothing has melted.
    """
    deform = recipe.wear.get("deform")
    if not deform:
        return None
    moved = sheet.form.outline - sheet.form.nominal
    share = np.take((moved / max(float(np.abs(moved).max()), 1e-9)).astype(np.float32), sheet.at.turn)
    near = np.clip(sheet.across, 0, 1.2) ** 2 * np.abs(share)
    rng = generator(recipe.seed, "melt")
    amount = np.float32(min(float(deform["ratio"]) * 0.35, 0.03))
    rise = amount * near * (share + 0.5 * smooth(rng, share.shape, (9, 9)))
    brown = np.clip(near * (0.7 + 0.5 * smooth(rng, share.shape, (7, 7))), 0, 1) * np.float32(
        float(deform["browning"]) * min(1.0, 6 * float(deform["ratio"]))
    )
    tint = np.asarray((0.5, 0.32, 0.16), np.float32)
    return rise, np.asarray(1 - brown[..., None] * (1 - tint), np.float32)


def face_skin(recipe: Recipe, sheet: Sheet, relief: Plane, tone: Plane) -> tuple[Plane, Plane]:
    """Marks, colours and harmless blemishes of the front face over a relief and a tone: both with them.

    Args:
        recipe: The end.
        sheet: Its rasters.
        relief: Heights to which the marks' own are added. tone: Brightness factor, (P, P).

    Returns:
        Relief, (P, P), and albedo, (P, P, 3).
    """
    design, harmless, size = recipe.design, recipe.wear["harmless"], len(sheet.tone)
    face, material = design["face"], design["material"]
    relief, tone = _marks(recipe, sheet, relief, tone)
    albedo = coloured(tone, material["ends"][0])
    if face["inlay"] is not None:
        start, wide = (float(v) for v in face["inlay"])
        band = ((sheet.across > start) & (sheet.across < start + wide))[..., None]
        albedo = np.where(band, coloured(tone, face["inlay_colour"]), albedo)
    melted = melt(recipe, sheet)
    if melted is not None:
        relief, albedo = relief + melted[0], albedo * melted[1]
    pale = np.zeros_like(tone)
    if harmless["scratches"]:
        pale = scratches(harmless["scratches"], size, recipe.seed)
    if harmless["stress"]:
        pale = pale + np.float32(harmless["stress"]) * np.exp(-np.maximum(sheet.inner, 0) / np.float32(0.03))
    if harmless["specks"]:
        pale = np.maximum(pale, specks(harmless["specks"], size, recipe.seed))
    if pale.any():
        albedo = albedo + pale[..., None] * (np.float32(0.55) - albedo) * np.float32(0.5)
    return relief, albedo


def face_grime(recipe: Recipe, sheet: Sheet) -> tuple[Plane, Plane] | None:
    """Opacity (P, P) and colour (P, P, 3) of the deposit over the whole end, or None."""
    record = recipe.wear.get("grime")
    if not record:
        return None
    favoured = np.exp(-np.abs(sheet.outer) / np.float32(0.08)) + np.exp(-np.abs(sheet.inner) / np.float32(0.08))
    grime = deposit(record, sheet.face, favoured, recipe.seed)
    return grime, paint_deposit(record, grime.shape)


def face_cracks(recipe: Recipe, sheet: Sheet, base: Plane) -> tuple[Plane, Plane] | None:
    """Cover (P, P) of all cracks and their branches, and their colour (P, P, 3) on ``base``; None without any."""
    if not sheet.form.cracks:
        return None
    width = max(float(c["width"]) for c in recipe.wear["cracks"])
    drawn = lines([*sheet.form.cracks, *sheet.form.branches], width, len(sheet.tone))
    dark = np.minimum(base * np.float32(0.12), np.float32(0.03))
    if float(np.mean(recipe.design["material"]["ends"][0])) < 0.05:
        # On black plastic a crack shows by its pale, broken lips, not by a darker gap.
        dark = base + np.float32(0.10)
    return drawn, dark
