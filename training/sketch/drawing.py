"""What a part's drawer hands to the sketch engine: flat slices, stacked towards the camera.

The part plane is square, centred on the part, x to the right and y down, from -1 to 1. A slice is
a (P, P) raster of it at height ``z`` (same unit; larger is nearer the camera). The engine moves
every slice by the homography that its height gives under the camera's tilt, so a stack of slices
shows a barrel's side, a recess's depth and their parallax without a mesh.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Plane = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Slice:
    """One flat layer of a part.

    Attributes:
        z: Height in plane units; 0 is the plane that carries the measured outline.
        alpha: Cover, (P, P) float32, 0 to 1, antialiased.
        albedo: Linear RGB, (P, P, 3) float32, 0 to 1.
        height: Relief in plane units for shading, (P, P) float32, or None for flat.
        gloss: Strength of the highlight, 0 (chalk) to 1 (glass, polished metal).
        metal: 0 to 1; metal mirrors the surroundings in its own colour.
        masks: Region name to bool (P, P). A later slice's alpha hides them, except those in ``through``.
        through: Names of masks that stay whole although something lies over them (an outline such as the rim).
    """

    z: float
    alpha: Plane
    albedo: Plane
    height: Plane | None = None
    gloss: float = 0.1
    metal: float = 0.0
    masks: Mapping[str, NDArray[np.bool_]] = field(default_factory=dict)
    through: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Veil:
    """Film and clouding over a window, by the wear standard's layer equation in linear light.

    Attributes:
        z: Height at which they lie.
        window: The visible window disc, (P, P) bool.
        film: f per pixel, (P, P) float32, 0 to 1.
        haze: h per pixel, likewise.
        film_radiance: S, linear RGB under white light of strength 1 (soot about 0.02, dust about 0.5).
        haze_radiance: A, likewise (milky, about 0.5 to 0.9).
    """

    z: float
    window: NDArray[np.bool_]
    film: Plane
    haze: Plane
    film_radiance: tuple[float, float, float]
    haze_radiance: tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Drawing:
    """A part, drawn.

    Attributes:
        slices: From the farthest to the nearest.
        measures: Truth of the form measures by name (``rim_deviation``, ``crack_ratio``, …), 0.0 where absent.
            Area ratios are not here: the engine takes them from the masks as seen.
        veil: Film and haze, for a window.
        mm_per_unit: Real size of one plane unit.
        notes: Further truth as plain JSON values (``"trace"``: crack polyline in plane units, ``"tips"``, …).
    """

    slices: tuple[Slice, ...]
    measures: Mapping[str, float]
    veil: Veil | None = None
    mm_per_unit: float = 10.0
    notes: Mapping[str, object] = field(default_factory=dict)
