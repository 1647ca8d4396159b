"""Plain figures whose measure is known by their formula, and the bool mask that a camera makes of them.

A figure is a closed outline r(``TURN``) in units of one radius. Nothing of the library takes part in
drawing, so that what measures them is measured against something else.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

TURN: Array = np.arange(1440) * 2 * np.pi / 1440
"""Directions of an outline's points, a quarter degree apart."""

FINE = 8
"""Points of the raster on which a figure is filled, along a pixel's side."""


@dataclass(frozen=True, slots=True)
class Pose:
    """How a figure is seen.

    Attributes:
        tilt_deg: Angle between the line of sight and the figure's normal.
        towards: Direction of the axis that the tilt leaves alone, radians.
        distance: Of the camera, in units of the figure.
        shift: Of the figure against the pixel raster, row and column, pixels.
    """

    tilt_deg: float = 0.0
    towards: float = 0.0
    distance: float = 1e6
    shift: tuple[float, float] = (0.3, 0.2)

    @classmethod
    def by_chance(cls, rng: np.random.Generator, *, near: float = 10.0, far: float = 25.0) -> Pose:
        """A tilt up to 35 degrees any way, a distance from near to far, anywhere on the raster."""
        tilt, towards, distance = rng.uniform(0, 35), rng.uniform(0, 6), rng.uniform(near, far)
        across, down = rng.uniform(0, 1, 2)
        return cls(float(tilt), float(towards), float(distance), (float(across), float(down)))

    def __call__(self, points: Array, size: float, z: float = 0.0) -> Array:
        """Points (N, 2) of the figure's plane as pixels about the picture's middle, (N, 2).

        Args:
            size: Pixels of one unit of the figure.
            z: Height of the plane towards the camera, in units of the figure.
        """
        turn = np.array([[np.cos(self.towards), -np.sin(self.towards)], [np.sin(self.towards), np.cos(self.towards)]])
        flat, tilt = points @ turn, np.radians(self.tilt_deg)
        deep = flat[:, 1] * np.sin(tilt) + z * np.cos(tilt)
        flat = np.column_stack([flat[:, 0], flat[:, 1] * np.cos(tilt) - z * np.sin(tilt)])
        near = self.distance / (self.distance - deep)
        return np.asarray((flat * near[:, None]) @ turn.T * size + np.array(self.shift))


def seen(radii: Array, size: float, pose: Pose | None = None, *, z: float = 0.0, room: float = 1.35) -> Mask:
    """The mask of a filled outline, (H, W) bool: the pixels that it covers by half or more.

    Args:
        radii: r(``TURN``) in units of ``size`` pixels.
        size: Pixels of one unit.
        pose: How it is seen; square-on by default.
        z: Height of the outline's plane, see ``Pose``.
        room: Half the picture's side in units, beside a margin of 8 pixels.
    """
    half = room * size + 8
    at = (pose or Pose())(unpolar(radii), size, z) + half
    fine = np.zeros((int(2 * half) * FINE,) * 2, np.uint8)
    cv2.fillPoly(fine, [_fixed(at)], 255, shift=4)
    return np.asarray(cv2.resize(fine, None, fx=1 / FINE, fy=1 / FINE, interpolation=cv2.INTER_AREA) > 127)


def line_seen(points: Array, width_px: float, size: float, pose: Pose | None = None, *, room: float = 1.35) -> Mask:
    """The mask of a line of that width in the picture with its ends cut square, as ``seen``."""
    half = room * size + 8
    at = (pose or Pose())(points, size) + half
    along = np.gradient(at, axis=0)
    along /= np.hypot(*along.T)[:, None]
    across = np.column_stack([-along[:, 1], along[:, 0]]) * width_px / 2
    fine = np.zeros((int(2 * half) * FINE,) * 2, np.uint8)
    for k in range(len(at) - 1):
        piece = np.array([at[k] + across[k], at[k + 1] + across[k + 1], at[k + 1] - across[k + 1], at[k] - across[k]])
        cv2.fillPoly(fine, [_fixed(piece)], 255, shift=4)
    return np.asarray(cv2.resize(fine, None, fx=1 / FINE, fy=1 / FINE, interpolation=cv2.INTER_AREA) > 127)


def _fixed(at: Array) -> NDArray[np.int32]:
    """Row, column in pixels as x, y on the fine raster, in sixteenths as OpenCV takes them."""
    return np.round(((at[:, ::-1] + 0.5) * FINE - 0.5) * 16).astype(np.int32)


def unpolar(radii: Array) -> Array:
    """The points of an outline, (N, 2)."""
    return np.column_stack([radii * np.cos(TURN), radii * np.sin(TURN)])


def away_from(at: float) -> Array:
    """Signed angle of each direction from ``at``, -pi to pi."""
    return np.asarray((TURN - at + np.pi) % (2 * np.pi) - np.pi)


def bump(at: float, width_deg: float) -> Array:
    """A Gaussian of that full width at half height."""
    return np.asarray(np.exp(-0.5 * (away_from(at) / (np.radians(width_deg) / 2.355)) ** 2))


def hexagon(fillet: float = 0.15) -> Array:
    """A regular hexagon of circumscribed radius 1 with rounded corners."""
    apothem = np.cos(np.pi / 6)
    off = (TURN + np.pi / 6) % (np.pi / 3) - np.pi / 6
    centre = (apothem - fillet) / apothem
    corner = np.abs(off) > np.arctan((apothem - fillet) * np.tan(np.pi / 6) / apothem)
    away = np.pi / 6 - np.abs(off)
    arc = centre * np.cos(away) + np.sqrt(np.maximum(fillet**2 - (centre * np.sin(away)) ** 2, 0))
    return np.asarray(np.where(corner, arc, apothem / np.cos(off)))


def ribbed(count: int = 10, height: float = 0.07) -> Array:
    """A circle of radius 1 with ribs."""
    phase = np.abs((TURN * count / (2 * np.pi)) % 1 - 0.5)
    return 1 + height * np.clip(0.5 + (0.2 - phase) / 0.05, 0, 1)


def notched(radii: Array, rng: np.random.Generator) -> Array:
    """An outline with up to three notches or tabs with steep walls, well apart."""
    start = rng.uniform(0, 6)
    for number in range(rng.integers(0, 4)):
        depth = rng.choice([-1, 1]) * rng.uniform(0.06, 0.14)
        radii = radii + depth * (np.abs(away_from(start + 1.5 * number)) < np.radians(rng.uniform(3, 9)))
    return radii


def polygon(count: int, fillets: Array | list[float]) -> Array:
    """A regular polygon of centre-to-flat distance 1; corner k has the fillet radius ``fillets[k]``."""
    half = np.pi / count
    corner = (TURN / (2 * half)).astype(int) % count
    fillet = np.minimum(np.asarray(fillets, float)[corner], 0.99)
    off = TURN - (2 * corner + 1) * half
    middle = (1 - fillet) / np.cos(half)
    tangent = np.arctan(np.tan(half)) - np.arctan((1 - fillet) * np.tan(half))
    arc = middle * np.cos(off) + np.sqrt(np.maximum(fillet**2 - (middle * np.sin(off)) ** 2, 0))
    return np.where(np.abs(off) < tangent, arc, 1 / np.cos(half - np.abs(off)))


def cut_circle(flats: int, outer: float, fillet: float) -> Array:
    """A D (one flat at distance 1) or double-D in a circle of radius ``outer``, all corners alike."""
    off = np.abs(away_from(0.0))
    off = np.minimum(off, np.pi - off) if flats == 2 else off
    x = 1 - fillet
    y = np.sqrt((outer - fillet) ** 2 - x**2)
    turn = off - np.arctan2(y, x)
    arc = np.hypot(x, y) * np.cos(turn) + np.sqrt(np.maximum(fillet**2 - (np.hypot(x, y) * np.sin(turn)) ** 2, 0))
    flat = 1 / np.maximum(np.cos(off), 1e-9)
    return np.where(off <= np.arctan2(y, 1), flat, np.where(off < np.arctan2(y, x), arc, outer))


def waves(orders: list[int], rng: np.random.Generator) -> Array:
    """A sum of waves of any phase, of largest departure 1."""
    made = sum(np.cos(order * TURN - rng.uniform(0, 6)) * rng.uniform(0.5, 1) for order in orders)
    return np.asarray(made / np.abs(made).max())
