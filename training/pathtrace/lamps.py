"""The lamps of a scene as shining surfaces: their place, size and radiance from light and room records."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wearvision_training.pathtrace.solid import Finish, Mesh, Solid
from wearvision_training.pathtrace.world import Lamp, from_room, to_room
from wearvision_training.scenes.light import kelvin_to_rgb
from wearvision_training.sketch.warp import rotation

SUN = 200.0
"""Plane units to the disc that stands for the sun: far over any bench."""
LOWEST = 0.2
"""Sine of the least elevation of a lamp over the bench."""
Vector = NDArray[np.float64]


def make_lamps(
    light: Mapping[str, Any], room: Mapping[str, Any], camera: Mapping[str, Any], mm_per_unit: float
) -> tuple[tuple[Lamp, ...], tuple[Solid, ...]]:
    """The lamps, and bodies that belong to them (a torch's hood).

    Together they give the bench an irradiance of pi times ``1 - ambient``; the room gives the rest.
    """
    if light["kind"] == "overcast":
        return (), ()
    share = 1 - float(light["ambient"])
    second = room.get("second")
    rest = float(second["share"]) if second else 0.0
    form = room["lamp"]
    tint = np.array([1 - light["tint"] / 2, 1 + light["tint"], 1 - light["tint"] / 2])
    colour = kelvin_to_rgb(float(light["kelvin"])) * tint
    lamps, bodies = [], []
    if light["kind"] == "flash":
        place, radius = _beside_lens(form, camera, mm_per_unit), 0.0
        radius = max(2.5 / mm_per_unit * (0.7 + float(light["softness"])), 0.012 * float(camera["distance"]))
        mesh = panel(place, -place / np.linalg.norm(place), (radius, radius), 0.0)
    else:
        towards = over_bench(light, camera)
        reach = SUN if light["kind"] == "sun" else float(form["reach"]) * float(camera["distance"])
        if in_view(towards[None] * reach, camera, 0.6).any():
            reach = max(reach, 1.4 * float(camera["distance"]))  # behind the lens instead of before it
        mesh, radius = _far(towards, reach, float(light["softness"]), form)
        place = towards * reach
        if room.get("shade"):
            bodies += shade(room["shade"], towards, min(reach, 2.5 * float(camera["distance"])), camera)
    lamps.append(lit(mesh, colour, np.pi * share * (1 - rest)))
    if form.get("hood"):
        hood = _hood(place, radius)
        if not in_view(hood.mesh.vertices, camera, 0.1).any():
            bodies.append(hood)
    if second:
        reach = float(second["reach"]) * float(camera["distance"])
        mesh, _ = _far(over_bench(second, camera), reach, float(second["softness"]), second)
        lamps.append(lit(mesh, kelvin_to_rgb(float(second["kelvin"])), np.pi * share * rest))
    return tuple(lamps), tuple(bodies)


def shade(form: Mapping[str, Any], towards: Vector, reach: float, camera: Mapping[str, Any]) -> list[Solid]:
    """Dark strips between lamp and bench, on the side away from the lens, so that only their shadow is seen.

    None where the lamp stands so near the lens that strips before it would be in the picture.
    """
    lens = np.array([0.0, 0.0, 1.0]) @ rotation(camera)
    if towards @ lens > 0.8:
        return []
    out = -(lens - (lens @ towards) * towards)
    out /= np.linalg.norm(out)
    along = np.cross(towards, out)
    a = np.deg2rad(float(form["lean_deg"]))
    out, along = np.cos(a) * out + np.sin(a) * along, np.cos(a) * along - np.sin(a) * out
    near = float(form["near"]) * reach
    # The lamp is far: a strip's shadow is about as wide as it is, wider only for a near lamp.
    shrink = 1 - float(form["near"]) * 0.5
    bodies = []
    for k in range(int(form["bars"])):
        width = float(form["width"]) if form["bars"] > 1 else 4 * near
        start = (float(form["offset"]) + k * (float(form["width"]) + float(form["gap"]))) * shrink
        centre = towards * near + out * (start + width / 2)
        corners = [centre + p * along * 5 * near + q * out * width / 2 for p in (-1, 1) for q in (-1, 1)]
        mesh = Mesh(
            np.array(corners, np.float32), np.array([[0, 1, 2], [2, 1, 3]], np.int32), np.zeros((4, 2), np.float32),
            flat=True,
        )  # fmt: skip
        bodies.append(Solid(mesh, Finish(np.full(3, 0.1, np.float32), 0.9)))
    return bodies


def over_bench(light: Mapping[str, Any], camera: Mapping[str, Any]) -> Vector:
    """Unit vector to a lamp in the part frame; its record's angles are the picture's, and it is kept over the bench."""
    a, e = np.deg2rad(float(light["azimuth_deg"])), np.deg2rad(float(light["elevation_deg"]))
    seen = np.array([np.cos(a) * np.cos(e), np.sin(a) * np.cos(e), np.sin(e)])
    towards = seen @ rotation(camera)
    towards[2] = max(towards[2], LOWEST)
    return np.asarray(towards / np.linalg.norm(towards), np.float64)


def in_view(points: NDArray[Any], camera: Mapping[str, Any], margin: float) -> NDArray[np.bool_]:
    """Whether points (N, 3) of the part frame are before the lens and in the picture, or beside it by ``margin``.

    The margin is a share of the picture's half side.
    """
    seen, distance = to_room(points, camera), float(camera["distance"])
    depth = distance - seen[:, 2]
    half = np.maximum(depth, 0) / (float(camera["scale"]) * distance)
    return np.asarray((depth > 0) & (np.abs(seen[:, :2]).max(1) < (1 + margin) * half))


def panel(centre: Vector, facing: Vector, half: tuple[float, float], turn: float, corners: int = 24) -> Mesh:
    """A flat lamp: an ellipse of ``corners`` (4: a rectangle) that shines towards ``facing``."""
    helper = np.array([0.0, 0.0, 1.0]) if abs(facing[2]) < 0.9 else np.array([1.0, 0.0, 0.0])
    u = np.cross(helper, facing)
    u /= np.linalg.norm(u)
    v = np.cross(facing, u)
    angles = np.linspace(0, 2 * np.pi, corners, endpoint=False) + (np.pi / 4 if corners == 4 else 0.0)
    grow = np.sqrt(2) if corners == 4 else 1.0
    p, q = half[0] * grow * np.cos(angles), half[1] * grow * np.sin(angles)
    c, s = np.cos(turn), np.sin(turn)
    ring = centre + (c * p - s * q)[:, None] * u + (s * p + c * q)[:, None] * v
    points = np.vstack([centre, ring]).astype(np.float32)
    k = np.arange(corners)
    faces = np.stack([np.zeros(corners, int), 1 + k, 1 + (k + 1) % corners], -1)
    return Mesh(points, faces.astype(np.int32), np.zeros((corners + 1, 2), np.float32), flat=True)


def lit(mesh: Mesh, colour: NDArray[Any], irradiance: float) -> Lamp:
    """The lamp whose radiance gives the part's plane, at its centre, this irradiance (for a colour of luminance 1)."""
    a, b, c = (mesh.vertices[mesh.faces[:, k]].astype(float) for k in range(3))
    across = np.cross(b - a, c - a) / 2
    middle = (a + b + c) / 3
    distance = np.linalg.norm(middle, axis=1)
    leaving = np.clip(-(across * middle).sum(1) / distance, 0, None)
    arriving = np.clip(middle[:, 2] / distance, 0.02, None)
    per_radiance = float((leaving * arriving / distance**2).sum())
    radiance = np.clip(np.asarray(colour, float), 0.0, None) * irradiance / max(per_radiance, 1e-9)
    return Lamp(mesh, (float(radiance[0]), float(radiance[1]), float(radiance[2])))


def _far(towards: Vector, reach: float, softness: float, form: Mapping[str, Any]) -> tuple[Mesh, float]:
    """A lamp in a direction: half its angular size grows with softness."""
    radius = reach * np.tan(0.012 + 0.14 * softness)
    aspect = float(form["aspect"])
    half = (radius * np.sqrt(aspect), radius / np.sqrt(aspect))
    corners = 4 if aspect > 1.2 else 24
    return panel(towards * reach, -towards, half, np.deg2rad(float(form["turn_deg"])), corners), float(radius)


def _beside_lens(form: Mapping[str, Any], camera: Mapping[str, Any], mm_per_unit: float) -> Vector:
    a, distance = np.deg2rad(float(form["beside_deg"])), float(camera["distance"])
    away = min(float(form["beside_mm"]) / mm_per_unit, 0.35 * distance)
    place = np.array([[away * np.cos(a), away * np.sin(a), distance * 1.01]])
    return np.asarray(from_room(place, camera)[0], np.float64)


def _hood(place: Vector, radius: float) -> Solid:
    """The tube about a torch's lamp that cuts its beam to a disc of light with a soft edge."""
    axis = -place / np.linalg.norm(place)
    helper = np.array([0.0, 0.0, 1.0]) if abs(axis[2]) < 0.9 else np.array([1.0, 0.0, 0.0])
    u = np.cross(helper, axis)
    u /= np.linalg.norm(u)
    v = np.cross(axis, u)
    turn = np.linspace(0, 2 * np.pi, 32, endpoint=False)
    ring = np.cos(turn)[:, None] * u + np.sin(turn)[:, None] * v
    far = np.linalg.norm(place)
    # Its length lets a disc of about 1.5 to 2 plane units about the part be lit in full.
    length = min(radius * far / 1.8, 0.5 * far)
    points = place + np.concatenate([ring * radius * 1.3 - axis * 0.02, ring * radius * 1.6 + axis * length])
    k = np.arange(32)
    n = (k + 1) % 32
    faces = np.concatenate([np.stack([k, n, k + 32], -1), np.stack([n, n + 32, k + 32], -1)]).astype(np.int32)
    mesh = Mesh(points.astype(np.float32), faces, np.zeros((64, 2), np.float32))
    return Solid(mesh, Finish(np.full(3, 0.02, np.float32), 0.8))
