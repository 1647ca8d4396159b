"""A hand that holds the part from below: fingers side by side, perhaps a thumb at the part's edge."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from wearvision_training.pathtrace.mesh import grid_mesh
from wearvision_training.pathtrace.solid import Finish, Mesh, Solid
from wearvision_training.sketch.noise import fractal, generator, smooth

LONG = 9.0
"""Finger breadths from a finger's tip to where the palm covers its root."""
JOINTS = (1.5, 2.9, 5.2)
"""Where a finger's creases lie, in breadths from the tip; common proportions, no published source."""
TEXTURE = (384, 128)
"""Pixels along and around a finger."""


def hold(
    hand: Mapping[str, Any], skin: Mapping[str, Any], height: float, mm_per_unit: float, seed: int
) -> tuple[Solid, ...]:
    """The fingers whose upper sides touch a plane at ``height``, part frame.

    Args:
        hand: The room record's ``hand``.
        skin: ``colour`` and ``second`` (linear RGB), ``glove`` (bool), ``form`` (0 to 1: knitted, leather, rubber),
            ``turn_deg``.
        height: Where the part lies on them.
        mm_per_unit: Real size of a plane unit.
        seed: Seeds creases and lines.
    """
    rng = generator(seed, "hand")
    breadth = float(hand["width_mm"]) / mm_per_unit
    count = int(hand["fingers"])
    turn = np.deg2rad(float(skin["turn_deg"]))
    bodies = []
    for k in range(count):
        size = breadth * float(rng.uniform(0.9, 1.05))
        place = (k - (count - 1) / 2) * breadth * 1.02 + 0.15 * breadth * float(rng.normal())
        lean = (k - (count - 1) / 2) * 0.5 * float(hand["spread"]) / max(count - 1, 1)
        tip = 0.7 + float(hand["tip"]) * breadth + 0.4 * breadth * float(rng.normal())
        mesh = _finger(size, tip, place, lean, height - size / 2, turn)
        bodies.append(Solid(mesh, _skin(skin, size, rng)))
    if hand["thumb"]:
        size = breadth * 1.2
        side = 1.08 + size / 2
        # It may stand over the part's foot, not so high that it hides the part from a tilted camera.
        axis = height + min(0.1 * size, 0.45 - size / 2)
        mesh = _finger(size, float(rng.uniform(-0.5, 0.6)), side, float(rng.normal(0, 0.1)), axis, turn)
        bodies.append(Solid(mesh, _skin(skin, size, rng)))
        if not skin["glove"]:
            bodies.append(_nail(mesh, skin))
    return tuple(bodies)


def _finger(breadth: float, tip: float, place: float, lean: float, axis: float, turn: float) -> Mesh:
    """A finger along x whose tip is at ``tip`` and whose middle line is at y = ``place``; then all turned about z."""
    radius = breadth / 2
    dome = radius * (1 - np.cos(np.linspace(0, np.pi / 2, 12)))
    s = np.concatenate([dome, np.linspace(radius, LONG * breadth, 60)[1:]])
    swell = 1 + 0.05 * sum(np.exp(-(((s / breadth - j) / 0.35) ** 2)) for j in JOINTS) + 0.006 * s / breadth
    r = radius * swell * np.sqrt(np.clip(1 - (1 - np.minimum(s / radius, 1)) ** 2, 0, 1))
    # Fingers bend down towards the palm a little, and their pads are flatter than their sides.
    sink = 0.012 / breadth * np.maximum(s - 2 * breadth, 0) ** 2
    around = np.linspace(0, 2 * np.pi, 41)
    across, up = r[:, None] * np.sin(around), r[:, None] * np.cos(around) * 0.92
    x = np.broadcast_to(tip - s[:, None], across.shape)
    y = place + across - lean * s[:, None]
    z = axis + up + 0.08 * radius - sink[:, None]
    c, q = np.cos(turn), np.sin(turn)
    uv = np.stack(np.broadcast_arrays(around[None, :] / (2 * np.pi), (s / s[-1])[:, None]), -1)
    return grid_mesh(np.stack([c * x - q * y, q * x + c * y, z], -1), uv=uv)


def _skin(skin: Mapping[str, Any], breadth: float, rng: np.random.Generator) -> Finish:
    """Colour, lines and creases over a finger; rows run from the tip, columns around it."""
    shape = TEXTURE
    first, second = (np.asarray(skin[name], np.float32) for name in ("colour", "second"))
    blotch = np.clip(0.4 + 0.5 * fractal(rng, shape, (10, 3), 4), 0, 1)[..., None]
    colour = first + 0.6 * blotch * (second - first)
    along = np.linspace(0, LONG, shape[0], dtype=np.float32)[:, None]
    crease = np.zeros(shape, np.float32)
    for joint in JOINTS:
        for shift in rng.uniform(-0.2, 0.2, 3):
            line = along - joint - float(shift) - 0.06 * smooth(rng, (shape[0], shape[1]), (2, 3))
            crease += np.exp(-((line / 0.03) ** 2)) * float(rng.uniform(0.3, 1))
    crease = np.clip(crease, 0, 1.2)
    grime = np.clip(1.5 * fractal(rng, shape, (16, 5), 4) - 0.3, 0, 1) * float(skin["form"])
    if not skin["glove"]:
        fine = -np.abs(smooth(rng, shape, (150, 50)))
        colour = colour * (1 - 0.35 * crease)[..., None] * (1 - 0.5 * grime)[..., None]
        colour[: shape[0] // 9] *= np.array([1.08, 0.9, 0.88], np.float32)
        relief = breadth * (0.006 * fine - 0.03 * crease)
        return Finish(_bounded(colour), 0.5, 0.0, 0.1, relief.astype(np.float32))
    colour = colour * (1 - 0.6 * grime)[..., None]
    if float(skin["form"]) < 0.4:  # knitted
        wave = np.sin(along * 2 * np.pi * 9) * np.sin(np.linspace(0, 2 * np.pi * 28, shape[1], dtype=np.float32))[None]
        stitches = (0.02 * breadth * wave).astype(np.float32)
        return Finish(_bounded(colour * (1 + 0.15 * wave)[..., None]), 0.95, relief=stitches)
    wrinkle = -np.abs(fractal(rng, shape, (26, 4), 3)) ** 0.7
    relief = cv2.GaussianBlur((breadth * (0.07 * wrinkle - 0.03 * crease)).astype(np.float32), (0, 0), 1.2)
    rubber = float(skin["form"]) > 0.7
    return Finish(_bounded(colour), 0.35 if rubber else 0.75, 0.0, 0.3 * rubber, np.asarray(relief, np.float32))


def _bounded(colour: NDArray[Any]) -> NDArray[np.float32]:
    return np.asarray(np.clip(colour, 0.01, 0.9), np.float32)


def _nail(finger: Mesh, skin: Mapping[str, Any]) -> Solid:
    """A nail on top of a finger's last joint: the patch of its skin there, lifted a little."""
    rows, columns = finger.vertices.shape[0] // 41, 41
    grid = finger.vertices.reshape(rows, columns, 3)
    top = np.concatenate([grid[4:17, -6:-1], grid[4:17, :6]], 1).copy()
    top[..., 2] += 0.02 * float(np.ptp(grid[20, :, 2]))
    colour = np.clip(np.asarray(skin["colour"], np.float32) * [1.15, 1.1, 1.1] + 0.05, 0, 0.9).astype(np.float32)
    return Solid(grid_mesh(top), Finish(colour, 0.3, coat=0.4))
