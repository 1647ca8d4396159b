"""Builds what surrounds a part from its scene's records: bench, clutter, lamps, room."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wearvision_training.pathtrace.benches import lay_bench, reach_of
from wearvision_training.pathtrace.clutter import extras, strewn
from wearvision_training.pathtrace.hand import hold
from wearvision_training.pathtrace.lamps import make_lamps
from wearvision_training.pathtrace.room import directions, paint_room
from wearvision_training.pathtrace.solid import Solid
from wearvision_training.pathtrace.world import World
from wearvision_training.recipe import Recipe
from wearvision_training.scenes.room import sample_room
from wearvision_training.sketch.noise import generator
from wearvision_training.sketch.warp import rotation

HANDS = ("skin", "glove")
"""Kinds of bench that are a hand."""


def build(recipe: Recipe, floor: float, *, photos: Sequence[NDArray[np.uint8]] = ()) -> World:
    """The world about a part; the same recipe and photographs give the same world.

    Args:
        recipe: Scene, camera, seed and the design's real size are used. A scene without ``"room"`` gets one from
            the seed.
        floor: Height of the part's lowest point, part frame.
        photos: RGB photographs (H, W, 3) uint8 that a room record may ask for by number.
    """
    scene, camera = recipe.scene, recipe.camera
    room = room_of(recipe)
    unit = float(recipe.design.get("mm_per_unit", 12.0))
    height = floor - float(scene["lift"]) * 0.5
    lens = np.asarray(rotation(camera).T @ np.array([0.0, 0.0, 1.0]), np.float64)
    lamps, hoods = make_lamps(scene["light"], room, camera, unit)
    environment = paint_room(room, scene["light"], lens, recipe.seed, photos)
    photo = None
    use = room.get("photo")
    if use and photos and use["use"] == "bench":
        photo = (photos[int(use["index"]) % len(photos)], float(use["zoom"]))
    kind, hand = scene["bench"]["kind"], room["hand"]
    table: Mapping[str, Any] = scene["bench"]
    fingers: tuple[Solid, ...] = ()
    if hand["held"] or (kind in HANDS and not hand["open"]):
        fingers = hold(hand, _skin_of(scene["bench"], room), height, unit, recipe.seed)
        table = {**table, "kind": room["bench"]["second_kind"] if kind in HANDS else kind, "edge": None}
        height -= float(hand["below_mm"]) / unit
    bench = lay_bench(table, room["bench"], height, reach_of(camera, height), unit, recipe.seed, photo)
    around = (*fingers, *strewn(recipe, height), *extras(room, height, unit, recipe.seed))
    level = float(scene["light"]["ambient"]) if lamps else 1.0
    return World((*bench, *around, *hoods), lamps, scaled(environment, np.pi * level))


def _skin_of(bench: Mapping[str, Any], room: Mapping[str, Any]) -> dict[str, Any]:
    """What the hand wears: the bench's colours where the bench is a hand, else skin or a glove of its own."""
    form = {"turn_deg": bench["turn_deg"], "form": room["bench"]["form"]}
    if bench["kind"] in HANDS:
        return {**form, "colour": bench["colour"], "second": bench["second"], "glove": bench["kind"] == "glove"}
    skin = room["hand"]["skin"]
    second = [skin[0] * 0.95, skin[1] * 0.75, skin[2] * 0.7]
    return {**form, "colour": skin, "second": second, "glove": bool(room["hand"]["glove"])}


def room_of(recipe: Recipe) -> Mapping[str, Any]:
    """The scene's room record, or the one that its seed gives."""
    made: Mapping[str, Any] = recipe.scene.get("room") or sample_room(
        generator(recipe.seed, "room record"), recipe.part, light=recipe.scene["light"]["kind"]
    )
    return made


def scaled(environment: NDArray[np.float32], irradiance: float) -> NDArray[np.float32]:
    """The panorama times what makes it light a level bench with this irradiance."""
    up = np.clip(directions(environment.shape[0])[..., 2], 0, None)
    sine = np.sqrt(1 - np.clip(directions(environment.shape[0])[..., 2] ** 2, 0, 1))
    texel = (np.pi / environment.shape[0]) ** 2
    arriving = float((environment.mean(-1) * up * sine).sum() * texel)
    return np.asarray(environment * np.float32(irradiance / max(arriving, 1e-6)), np.float32)
