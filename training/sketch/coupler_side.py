"""A coupler seen from the side: one relief slice of its body, deposits and cracks over it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from wearvision_training.designs.coupler_axis import (
    SAMPLES,
    STATIONS,
    Curve,
    SideForm,
    radius_curve,
    side_form,
    side_measures,
)
from wearvision_training.designs.coupler_form import path_length
from wearvision_training.recipe import Recipe
from wearvision_training.sketch.coupler_surface import (
    Grid,
    cover,
    deposit,
    drops,
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

Record = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Skin:
    """The visible half of the body on a grid.

    Attributes:
        s, n: Axis coordinates of each pixel.
        radius: Body radius at ``s``.
        around: Angle about the axis, -pi/2 to pi/2, 0 nearest the camera.
        alpha: Cover of the silhouette.
        height: The round body, plane units.
    """

    at: Grid
    s: Plane
    n: Plane
    radius: Plane
    around: Plane
    alpha: Plane
    height: Plane


def _look_up(curve: Curve, s: Plane) -> Plane:
    index = np.clip((s + 1) * np.float32(SAMPLES / 2), 0, SAMPLES - 1).astype(np.intp)
    return np.take(curve.astype(np.float32), index)


def skin_of(form: SideForm, design: Record, size: int) -> Skin:
    """The visible half of a body on a raster of the part plane."""
    at = grid(size)
    if form.scale < 1:
        size_now = np.float32(form.scale)
        at = Grid(at.x / size_now, at.y / size_now, at.radius / size_now, at.turn, at.pixel / form.scale)
    if form.bend.any():
        # The foot of each pixel on the bent centre line: bows are slight, so two steps settle it.
        s = at.x
        for _ in range(2):
            bend, slope = _look_up(form.bend, s), _look_up(form.slope, s)
            s = s + (at.x - s + (at.y - bend) * slope) / (1 + slope**2)
        bend, slope = _look_up(form.bend, s), _look_up(form.slope, s)
        n = (at.y - bend - (at.x - s) * slope) / np.sqrt(1 + slope**2)
    else:
        s, n = at.x, at.y
    table = form.radius
    steep = np.abs(np.gradient(table, STATIONS))
    width = at.pixel * np.sqrt(1 + np.minimum(steep, 8.0) ** 2)
    radius = _look_up(table, s)
    first, last = (float(design["knots"][k][0]) for k in (0, -1))
    ends = cover(np.minimum(s - first, last - s) / np.float32(at.pixel))
    alpha = cover((radius - np.abs(n)) / _look_up(width, s)) * ends
    height = np.sqrt(np.maximum(radius**2 - n**2, 0))
    around = np.arcsin(np.clip(n / np.maximum(radius, np.float32(1e-3)), -1, 1))
    return Skin(at, s, n, radius, around, alpha, height)


def _ribs(texture: Record, skin: Skin, height: Plane, tone: Plane) -> tuple[Plane, Plane]:
    """Longitudinal ribs, flats or slots along the barrel."""
    start, stop = (float(v) for v in texture["barrel"])
    soft = np.float32(0.01)
    along = np.clip((skin.s - start) / soft + 0.5, 0, 1) * np.clip((stop - skin.s) / soft + 0.5, 0, 1)
    ribs = texture["ribs"]
    if ribs:
        turn = (skin.around + np.float32(ribs["phase"])) * np.float32(int(ribs["count"]) / (2 * math.pi))
        off = np.abs((turn + 0.5) % 1.0 - 0.5)
        rib = np.clip((np.float32(ribs["width"]) / 2 - off) / np.float32(0.06) + 0.5, 0, 1)
        down = along * (1 - rib)
        height = height - down * np.float32(ribs["height"]) * skin.radius * np.cos(skin.around)
        tone = tone * (1 - np.float32(0.22) * down)
    if texture["flats"]:
        count = int(texture["flats"])
        pitch = np.float32(2 * math.pi / count)
        phase = np.float32(texture["flats_phase"])
        middle = np.round((skin.around + phase) / pitch) * pitch - phase
        flat = np.float32(math.cos(math.pi / count))
        # A flat's height follows from its line: n sin + h cos = apothem.
        facet = (flat * skin.radius - skin.n * np.sin(middle)) / np.maximum(np.cos(middle), np.float32(0.15))
        height = height + along * (np.clip(facet, 0, 1.2 * skin.radius) - height)
    for slot in texture["slots"]:
        across = np.abs(skin.around - np.float32(slot["around"])) - np.float32(slot["width"])
        ends = np.abs(skin.s - np.float32(slot["at"])) - np.float32(slot["length"] / 2)
        hole = np.clip(0.5 - np.maximum(across * skin.radius, ends) / np.float32(1.5 * skin.at.pixel), 0, 1)
        height = height - np.float32(0.06) * hole
        tone = tone * (1 - np.float32(0.85 if slot["through"] else 0.65) * hole)
    return height, tone


def _dogs(texture: Record, design: Record, skin: Skin, height: Plane, tone: Plane) -> tuple[Plane, Plane]:
    """Crenellated end: between the dogs one looks into the dark bore."""
    dogs = texture["dogs"]
    if not dogs:
        return height, tone
    first, last = (float(design["knots"][k][0]) for k in (0, -1))
    into = skin.s - first if int(dogs["side"]) < 0 else last - skin.s
    turn = (skin.around + np.float32(dogs["phase"])) * np.float32(int(dogs["count"]) / (2 * math.pi))
    gap = np.abs((turn + 0.5) % 1.0 - 0.5) - np.float32(dogs["width"]) / 2
    reach = np.clip((np.float32(dogs["depth"]) - into) / np.float32(0.008) + 0.5, 0, 1)
    hole = np.clip(gap / np.float32(0.03), 0, 1) * reach
    return height - np.float32(0.08) * hole, tone * (1 - np.float32(0.72) * hole)


def side_marks(recipe: Recipe, skin: Skin, height: Plane, tone: Plane) -> tuple[Plane, Plane]:
    """Mould line, letters and gate on the barrel."""
    marks, size = recipe.design["marks"], len(tone)
    if marks["mould_line"] is not None:
        off = (skin.around - np.float32(0.38 * marks["mould_line"])) * skin.radius
        line = np.exp(-((off / np.float32(0.006)) ** 2))
        height, tone = height + np.float32(0.004) * line, tone * (1 - np.float32(0.08) * line)
    if marks["letters"]:
        tall = min(float(marks["letters_size"]), 0.7 * float(skin.radius[:, size // 2].max()))
        place = (0.25 * math.cos(marks["letters_at"]), 0.04 * math.sin(marks["letters_at"]))
        drawn = letters(marks["letters"], place, tall, 0.0 if recipe.seed % 4 else math.pi, size, recipe.seed)
        sign = 1.0 if marks["letters_raised"] else -1.0
        height, tone = height + np.float32(0.012 * sign) * drawn, tone * (1 - np.float32(0.12) * drawn)
    if marks["gate"] is not None:
        angle, radius = (float(v) for v in marks["gate"])
        away = np.hypot(skin.s - np.float32(0.2 * angle), skin.n - np.float32(0.3) * skin.radius) - radius
        ring = np.exp(-((away / np.float32(0.009)) ** 2))
        height, tone = height - np.float32(0.006) * ring, tone * (1 - np.float32(0.15) * ring)
    return height, tone


def painted(design: Record, s: Plane, soft: float, tone: Plane) -> Plane:
    """Colours of end pieces, barrel and band times a tone.

    Args:
        design: Of the side.
        s: Places along the axis, of a shape that goes with ``tone``. soft: Width of a border between colours.
        tone: Brightness factor, (H, W).
    """
    material, step = design["material"], np.float32(soft)
    first, last = (float(design["knots"][k][0]) for k in (0, -1))
    ends = [float(v) for v in design["ends"]]
    left = np.clip((first + ends[0] - s) / step + 0.5, 0, 1)
    right = np.clip((s - last + ends[1]) / step + 0.5, 0, 1)
    middle = 1 - left - right
    band = np.zeros_like(middle)
    if design["band"] is not None:
        at, wide = (float(v) for v in design["band"])
        band = middle * (np.abs(s - np.float32(at)) < wide / 2)
    made = np.empty((*tone.shape, 3), np.float32)
    for channel, (body, one, two) in enumerate(zip(material["body"], *material["ends"], strict=True)):
        colour = np.float32(body) * (middle - band) + np.float32(one) * left + np.float32(two) * right
        np.clip(tone * (colour + np.float32(0.6 * one + 0.05) * band), 0, 1, out=made[..., channel])
    return made


def _body(recipe: Recipe, skin: Skin) -> Slice:
    """The part itself."""
    design, harmless, size = recipe.design, recipe.wear["harmless"], len(skin.alpha)
    texture, material = design["texture"], design["material"]
    tone = plastic(material, skin.alpha.shape, recipe.seed)
    tone = tone * (1 - np.float32(0.25) * np.minimum(_look_up(_steepness(design), skin.s), 1))
    height, tone = _ribs(texture, skin, skin.height, tone)
    height, tone = _dogs(texture, design, skin, height, tone)
    height, tone = side_marks(recipe, skin, height, tone)
    height = height + roughness(material, tone.shape, recipe.seed)
    albedo = painted(design, skin.s, skin.at.pixel, tone)
    pale = scratches(harmless["scratches"], size, recipe.seed) if harmless["scratches"] else np.zeros_like(tone)
    if harmless["specks"]:
        pale = np.maximum(pale, specks(harmless["specks"], size, recipe.seed))
    if pale.any():
        albedo = albedo + pale[..., None] * (np.float32(0.55) - albedo) * np.float32(0.5)
    return Slice(0.0, skin.alpha, albedo, height, float(material["gloss"]))


def _steepness(design: Record) -> Curve:
    """Slope of the body's radius at ``STATIONS``, smoothed: dirt and shade gather where it steps."""
    curve = radius_curve(design)
    curve = np.where(curve > 0, curve, curve[curve > 0][0])
    return np.asarray(np.abs(np.gradient(np.convolve(np.pad(curve, 12, "edge"), np.ones(25) / 25, "valid"), STATIONS)))


def _shaft(design: Record, at: Grid) -> Slice | None:
    """A stub of the motor's steel shaft, still in one end."""
    if design["shaft"] is None:
        return None
    share, side = float(design["shaft"][0]), int(design["shaft"][1])
    end = float(design["knots"][-1 if side > 0 else 0][0])
    radius = np.float32(share * float(design["knots"][-1 if side > 0 else 0][1]))
    # From inside the end to most of the way to the plane's edge.
    start, stop = abs(end) - 0.02, abs(end) + 0.6 * (1 - abs(end))
    along = cover(np.minimum(side * at.x - np.float32(start), np.float32(stop) - side * at.x) / np.float32(at.pixel))
    alpha = along * cover((radius - np.abs(at.y)) / np.float32(at.pixel))
    height = np.sqrt(np.maximum(radius**2 - at.y**2, 0))
    albedo = np.full((*at.x.shape, 3), 0.5, np.float32)
    return Slice(-0.001, alpha, albedo, height, 0.6, 0.9)


def side_grime(recipe: Recipe, skin: Skin) -> tuple[Plane, Plane]:
    """Opacity (P, P) and colour (P, P, 3) of the deposit that the wear tells of."""
    record = recipe.wear["grime"]
    grime = deposit(record, skin.alpha >= 0.5, np.abs(np.sin(skin.around)) ** 4, recipe.seed)
    return grime, paint_deposit(record, grime.shape)


def side_cracks(recipe: Recipe, form: SideForm, base: Plane, size: int) -> tuple[Plane, Plane] | None:
    """Cover (P, P) of all cracks, and their colour on ``base`` (any shape ending in RGB); None without any."""
    if not form.cracks:
        return None
    width = max(float(c["width"]) for c in recipe.wear["cracks"])
    drawn = lines([path * form.scale for path in form.cracks], width, size)
    dark = np.minimum(base * np.float32(0.12), np.float32(0.03))
    pale = base.mean(axis=-1, keepdims=True) < np.float32(0.05)
    return drawn, np.where(pale, base + np.float32(0.10), dark)


def _crack(recipe: Recipe, form: SideForm, body: Slice, base: Plane) -> Slice | None:
    """Cracks, dark on light plastic, pale-lipped on black."""
    made = side_cracks(recipe, form, base, len(body.alpha))
    if made is None:
        return None
    drawn, colour = made
    width = max(float(c["width"]) for c in recipe.wear["cracks"])
    relief = (body.height if body.height is not None else 0) - np.float32(1.5 * width) * drawn
    alpha = drawn * body.alpha * np.float32(recipe.wear["cracks"][0]["contrast"])
    masks = {"crack": (drawn >= 0.3) & (body.alpha >= 0.5)}
    return Slice(0.003, alpha, colour, relief, 0.05, masks=masks)


def draw_side(recipe: Recipe, size: int) -> Drawing:
    """Slices and truth of a side; see ``training/sketch/drawing.py`` for the form."""
    design, wear = recipe.design, recipe.wear
    form = side_form(design, wear)
    skin = skin_of(form, design, size)
    body = _body(recipe, skin)
    stub = None if form.bend.any() else _shaft(design, skin.at)
    slices = [body] if stub is None else [stub, body]
    top = body.albedo
    if wear.get("grime"):
        record = wear["grime"]
        grime, tint = side_grime(recipe, skin)
        masks = {"grime": (grime >= 0.5) & (body.alpha >= 0.5)}
        slices.append(Slice(0.001, grime * body.alpha, tint, body.height, float(record["gloss"]), masks=masks))
        top = top + grime[..., None] * (tint - top)
    crack = _crack(recipe, form, body, top)
    if crack is not None:
        slices.append(crack)
    if wear["harmless"]["drops"]:
        wet, relief = drops(wear["harmless"]["drops"], size, recipe.seed)
        slices.append(Slice(0.006, 0.3 * wet * body.alpha, top * np.float32(0.9), skin.height + relief, 0.95))
    longest = max(form.cracks, key=path_length, default=np.zeros((0, 2)))
    notes: dict[str, object] = {
        "trace": [[float(v) for v in point] for point in longest * form.scale],
        "outer_diameter": form.diameter * form.scale,
        "chord": [s * form.scale for s in form.chord],
    }
    return Drawing(tuple(slices), side_measures(form), None, float(design["mm_per_unit"]), notes)
