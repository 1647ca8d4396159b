"""A square of bench in millimetres, and what its surface is made of."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from wearvision_training.sketch.noise import Plane, fractal, smooth


@dataclass(slots=True)
class Sheet:
    """A square of bench to be covered.

    Attributes:
        rng: Draws textures.
        n: Pixels along a side.
        span: Its side in millimetres.
        form: 0 to 1, chooses a variant of the kind.
        uneven: 0 to 1, how much it swells.
    """

    rng: np.random.Generator
    n: int
    span: float
    form: float
    uneven: float

    def noise(self, mm: float, octaves: int = 3) -> Plane:
        """Noise about -1 to 1 whose coarsest bumps are ``mm`` wide."""
        return fractal(self.rng, (self.n, self.n), self.cells(mm), octaves)

    def streaks(self, along: float, across: float) -> Plane:
        """Noise stretched along the columns: bumps of ``across`` by ``along`` mm."""
        return smooth(self.rng, (self.n, self.n), (self.cells(across), self.cells(along)))

    def cells(self, mm: float) -> float:
        """Bumps of that width along a side, at least one, at most what the pixels can show."""
        return float(np.clip(self.span / mm, 1.0, self.n / 2))

    def at(self) -> Plane:
        """Millimetres along a side, from a random start, (n,)."""
        return (np.linspace(0, self.span, self.n) + self.rng.uniform(0, 400)).astype(np.float32)

    def fine(self, mm: float) -> float:
        """1 where a pattern of that pitch is wide enough in pixels to be drawn, less and 0 where it would alias."""
        return float(np.clip(mm / self.span * self.n / 3 - 0.7, 0, 1))


@dataclass(slots=True)
class Surface:
    """What a kind of bench is made of.

    Attributes:
        mix: From the bench's first colour (0) to its second (1), (n, n).
        tone: Factor on the colour, about 1, (n, n) or a number.
        relief: Fine heights in mm, shading only.
        height: Coarse heights in mm that are real geometry, or None for flat.
        rough: Roughness. metal: 0 to 1. coat: lacquer.
    """

    mix: Plane
    tone: Plane | float = 1.0
    relief: Plane | None = None
    height: Plane | None = None
    rough: Plane | float = 0.6
    metal: Plane | float = 0.0
    coat: float = 0.0


def mixed(sheet: Sheet, mm: float) -> Plane:
    """Share of the second colour in patches of about ``mm``."""
    return np.clip(0.5 + 0.5 * sheet.noise(mm, 4), 0, 1)


def cellular(sheet: Sheet, mm: float) -> tuple[np.ndarray, Plane]:
    """Cells of about ``mm``: each pixel's cell number and its distance in mm to the cell's seed."""
    n = sheet.n
    count = int(np.clip((sheet.span / mm) ** 2, 4, n * n / 30))
    seeds = np.ones((n, n), np.uint8)
    points = sheet.rng.integers(0, n, (count, 2))
    seeds[points[:, 0], points[:, 1]] = 0
    far, label = cv2.distanceTransformWithLabels(seeds, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL)
    return np.asarray(label), (far * np.float32(sheet.span / n)).astype(np.float32)


def swell(s: Sheet, most: float) -> Plane | None:
    """Slow waves of at most ``most`` mm, only on uneven benches."""
    return most * s.uneven * s.noise(70, 2) if s.uneven > 0.4 else None
