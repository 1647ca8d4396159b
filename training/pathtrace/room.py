"""Paints the room far away as a panorama of radiance, from a scene's room record."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from wearvision_training.scenes.light import kelvin_to_rgb
from wearvision_training.sketch.noise import fractal, generator, smooth

Image = NDArray[np.float32]
ROWS = 96
"""Rows of the panorama: a texel is 1.9 degrees, sharper than any lamp in it."""


def directions(rows: int = ROWS) -> Image:
    """Unit vectors of the panorama's texels in the part frame, (rows, 2 rows, 3): row 0 is +z.

    The columns' start and sense are those of Mitsuba's ``envmap`` as the tracer turns it.
    """
    down = ((np.arange(rows) + 0.5) / rows * np.pi)[:, None]
    around = ((np.arange(2 * rows) + 0.5) / rows * np.pi)[None, :]
    x, y = np.sin(down) * np.sin(around), -np.sin(down) * np.cos(around)
    return np.stack(np.broadcast_arrays(x, y, np.cos(down)), -1).astype(np.float32)


class Panorama:
    """Azimuth and elevation of every texel, and the image so far."""

    def __init__(self, rows: int = ROWS) -> None:
        """An empty, black panorama."""
        self.towards = directions(rows)
        self.azimuth = np.arctan2(self.towards[..., 1], self.towards[..., 0])
        self.elevation = np.arcsin(np.clip(self.towards[..., 2], -1, 1))
        self.image = np.zeros((rows, 2 * rows, 3), np.float32)

    def patch(self, azimuth: float, elevation: float, half_width: float, half_height: float, soft: float) -> Image:
        """Cover 0 to 1 of an upright rectangle on the sky; angles in degrees."""
        away = np.rad2deg(np.abs((self.azimuth - np.deg2rad(azimuth) + np.pi) % (2 * np.pi) - np.pi))
        up = np.abs(np.rad2deg(self.elevation) - elevation)
        # Near the zenith a degree of azimuth is short: keep the patch's real width.
        wide = half_width / max(np.cos(np.deg2rad(min(elevation, 80.0))), 0.17)
        return np.asarray(_edge(wide - away, soft) * _edge(half_height - up, soft), np.float32)

    def streak(self, azimuth: float, elevation: float, half_length: float, half_width: float, turn: float) -> Image:
        """Cover of a lamp's bar about a direction; angles in degrees."""
        a, e, t = np.deg2rad(azimuth), np.deg2rad(elevation), np.deg2rad(turn)
        middle = np.array([np.cos(e) * np.cos(a), np.cos(e) * np.sin(a), np.sin(e)])
        level = np.array([-np.sin(a), np.cos(a), 0.0])
        other = np.cross(middle, level)
        along, across = np.cos(t) * level + np.sin(t) * other, np.cos(t) * other - np.sin(t) * level
        u, v = (np.rad2deg(np.arcsin(np.clip(self.towards @ axis, -1, 1))) for axis in (along, across))
        front = (self.towards @ middle) > 0
        cover = _edge(half_length - np.abs(u), 1.0) * _edge(half_width - np.abs(v), 1.0) * front
        return np.asarray(cover, np.float32)

    def lay(self, cover: Image, colour: Any) -> None:
        """Paints ``colour`` over what is there."""
        self.image += cover[..., None] * (np.asarray(colour, np.float32) - self.image)


def _edge(inside: Any, soft: float) -> Any:
    return np.clip(inside / max(soft, 0.2) + 0.5, 0, 1)


def paint_room(
    room: Mapping[str, Any],
    light: Mapping[str, Any],
    lens: NDArray[np.float64],
    seed: int,
    photos: Sequence[NDArray[np.uint8]] = (),
) -> Image:
    """The panorama of a room, (96, 192, 3) float32 radiance; a well lit wall is about 0.3.

    Args:
        room: As ``scenes.room.sample_room`` makes it.
        light: The scene's light; its ambient colour is used.
        lens: Unit vector from the part to the lens, part frame: who stands there darkens the room.
        seed: Seeds textures.
        photos: RGB photographs that may stand for the room.
    """
    rng, view = generator(seed, "room"), Panorama()
    photo = room.get("photo")
    if photo and photos and photo["use"] == "room":
        _wrap(view, photos[int(photo["index"]) % len(photos)], photo)
    elif room["place"] == "yard":
        _sky(view, room, light, rng)
    else:
        _inside(view, room, rng)
    view.image *= kelvin_to_rgb(light["ambient_kelvin"])
    for window in room["openings"]:
        _window(view, window, rng)
    for tube in room["tubes"]:
        names = ("azimuth_deg", "elevation_deg", "half_length_deg", "half_width_deg", "turn_deg")
        cover = view.streak(*(float(tube[name]) for name in names))
        view.lay(cover, float(tube["strength"]) * kelvin_to_rgb(light["kelvin"]))
    _observe(view, room["observer"], lens)
    return np.maximum(view.image, 1e-4)


def _inside(view: Panorama, room: Mapping[str, Any], rng: np.random.Generator) -> None:
    """Walls, ceiling, ground; shelves and cupboards as boxes of other tones."""
    shape = view.image.shape[:2]
    wall, ceiling, ground = (np.asarray(room[name], np.float32) for name in ("wall", "ceiling", "ground"))
    view.image[:] = wall
    view.lay(_edge(np.rad2deg(view.elevation) - rng.uniform(28, 55), 2.0).astype(np.float32), ceiling)
    view.lay(_edge(-rng.uniform(2, 10) - np.rad2deg(view.elevation), 2.0).astype(np.float32), ground)
    for _ in range(int(rng.integers(3, 14))):
        tone = wall * np.exp(rng.normal(-0.5, 0.7)) * (1 + 0.25 * rng.uniform(-1, 1, 3))
        azimuth, rise, wide, high = (float(v) for v in rng.uniform([0, -5, 3, 2], [360, 30, 25, 18]))
        view.lay(view.patch(azimuth, rise, wide, high, 1.0), np.clip(tone, 0, None))
    for _ in range(int(rng.integers(0, 5))):  # pipes, beams, a crane's rail
        azimuth, rise, long, wide, turn = (float(v) for v in rng.uniform([0, 20, 20, 1, 0], [360, 80, 60, 4, 180]))
        view.lay(view.streak(azimuth, rise, long, wide, turn), wall * rng.uniform(0.1, 1.3))
    view.image *= (1 + 0.25 * fractal(rng, shape, (3, 6), 3))[..., None].clip(0.2, None)
    view.image *= (1 + 0.3 * smooth(rng, shape, (2, 3)))[..., None].clip(0.2, None)


def _sky(view: Panorama, room: Mapping[str, Any], light: Mapping[str, Any], rng: np.random.Generator) -> None:
    """Blue to white sky, clouds, a skyline of houses or trees, ground."""
    shape = view.image.shape[:2]
    up = np.clip(view.elevation / (np.pi / 2), 0, 1)[..., None]
    grey = 1.0 if light["kind"] == "overcast" else float(room["clouds"]) * 0.6
    blue = np.array([0.22, 0.42, 0.9]) * (1 - grey) + grey * np.array([0.75, 0.78, 0.82])
    pale = np.array([0.8, 0.85, 0.95]) * rng.uniform(0.7, 1.2)
    view.image[:] = pale * (1 - up**0.5) + blue * up**0.5
    clouds = np.clip(fractal(rng, shape, (5, 9), 4) + 1.2 * float(room["clouds"]) - 0.6, 0, 1)
    view.lay(clouds.astype(np.float32) * 0.8, np.array([1.0, 1.0, 1.02]) * rng.uniform(0.6, 1.6))
    edge = float(room["skyline_deg"]) * np.clip(0.5 + fractal(rng, (2, shape[1]), (1, 9), 4)[0], 0.05, 1.4)
    blocky = np.repeat(edge[:: shape[1] // 24], shape[1] // 24)[: shape[1]] if rng.random() < 0.5 else edge
    blocky = np.resize(blocky, shape[1])
    tone = np.asarray(room["wall"], np.float32) * (1 + 0.3 * fractal(rng, shape, (9, 20), 2))[..., None]
    view.lay(_edge(blocky[None] - np.rad2deg(view.elevation), 1.5).astype(np.float32), np.clip(tone, 0.01, None))
    view.lay(_edge(-np.rad2deg(view.elevation), 2.0).astype(np.float32), room["ground"])


def _window(view: Panorama, window: Mapping[str, Any], rng: np.random.Generator) -> None:
    """A bright opening with bars across it; brighter towards its upper edge, as sky is."""
    names = ("azimuth_deg", "elevation_deg", "half_width_deg", "half_height_deg")
    azimuth, elevation, wide, high = (float(window[name]) for name in names)
    cover = view.patch(azimuth, elevation, wide, high, 1.5)
    for k in range(1, int(window["panes"])):
        at = azimuth + wide / np.cos(np.deg2rad(min(elevation, 80))) * (2 * k / int(window["panes"]) - 1)
        cover *= 1 - 0.9 * view.patch(at, elevation, 0.9, high, 1.0)
    rise = np.clip((np.rad2deg(view.elevation) - elevation) / high, -1, 1)
    glow = float(window["strength"]) * (1 + 0.5 * rise[..., None]) * kelvin_to_rgb(float(window["kelvin"]))
    view.lay(cover, glow * float(rng.uniform(0.8, 1.2)))


def _observe(view: Panorama, observer: Mapping[str, Any], lens: NDArray[np.float64]) -> None:
    """Darkens the room about the lens, and from there down to one side: a phone, a head, a body."""
    apart = np.rad2deg(np.arccos(np.clip(view.towards @ lens.astype(np.float32), -1, 1)))
    dark = _edge(float(observer["radius_deg"]) - apart, 6.0)
    a = np.deg2rad(float(observer["towards_deg"]))
    beside = view.towards @ np.array([-np.sin(a), np.cos(a), 0.0], np.float32)
    ahead = view.towards @ np.array([np.cos(a), np.sin(a), 0.0], np.float32)
    body = _edge(float(observer["width_deg"]) - np.rad2deg(np.abs(np.arcsin(np.clip(beside, -1, 1)))), 5.0)
    body = body * (ahead > 0) * _edge(float(observer["stretch"]) - ahead, 0.1) * (float(observer["stretch"]) > 0.3)
    view.image *= (1 - (1 - float(observer["share"])) * np.maximum(dark, body))[..., None].astype(np.float32)


def _wrap(view: Panorama, photo: NDArray[np.uint8], use: Mapping[str, Any]) -> None:
    """A photograph bent about the room, mirrored behind; its whites shine as lamps do."""
    rows, columns = view.image.shape[:2]
    small = cv2.resize(np.ascontiguousarray(photo[..., :3]), (columns // 2, rows), interpolation=cv2.INTER_AREA)
    if use["blur"] * rows > 0.5:
        small = cv2.GaussianBlur(small, (0, 0), float(use["blur"]) * rows)
    linear = (small.astype(np.float32) / 255) ** np.float32(2.2)
    linear *= 1 + float(use["boost"]) * linear.min(-1, keepdims=True) ** 4
    view.image[:] = np.hstack([linear, linear[:, ::-1]]) * np.float32(0.8)
