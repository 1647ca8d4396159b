"""What a part's modeller hands to the path tracer: bodies with their surfaces, and what counts as what.

The part frame is that of the sketch: x to the right, y down, z towards the camera, one unit half the part
plane; z = 0 is the plane that carries the measured outline. Textures lie over ``uv`` from 0 to 1. Most bodies take
plane coordinates for them, ``uv = ((x + 1) / 2, (y + 1) / 2)``: then a (P, P) raster of the part plane (row 0 at
y = -1), such as the sketch draws, lies on the body as seen from the front.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Plane = NDArray[np.float32]
Mask = NDArray[np.bool_]
WHOLE = True
"""A mark that holds everywhere on a body."""


@dataclass(frozen=True, slots=True)
class Mesh:
    """Triangles.

    Attributes:
        vertices: (N, 3) float32, part frame.
        faces: (M, 3) int32; either way round, surfaces are two-sided.
        uv: (N, 2) float32.
        normals: (N, 3) float32 unit vectors, or None: averaged from the triangles at each vertex.
        flat: Shade each triangle flat, for bodies with sharp edges and few triangles.
    """

    vertices: NDArray[np.float32]
    faces: NDArray[np.int32]
    uv: NDArray[np.float32]
    normals: NDArray[np.float32] | None = None
    flat: bool = False


@dataclass(frozen=True, slots=True)
class Finish:
    """How a surface answers the light.

    Attributes:
        albedo: Linear RGB 0 to 1: (3,) or a texture (H, W, 3) float32. No light or shadow painted in.
        roughness: 0 (mirror) to 1 (chalk): a number or (H, W). Not under 0.08.
        metal: 0 or 1 or between: a number or (H, W).
        coat: Clear lacquer or wetness over it, 0 to 1: a number or (H, W).
        relief: Fine heights that change the shading only, (H, W) float32 in plane units, or None.
    """

    albedo: Plane
    roughness: float | Plane = 0.5
    metal: float | Plane = 0.0
    coat: float | Plane = 0.0
    relief: Plane | None = None


@dataclass(frozen=True, slots=True)
class Solid:
    """One body.

    Attributes:
        mesh: Its triangles.
        finish: Its surface.
        marks: Region name to ``WHOLE`` or a bool raster over ``uv``: where the body, seen, counts as that region.
            ``"part"`` need not be given for bodies of the part. Bodies of bench and clutter have none.
    """

    mesh: Mesh
    finish: Finish
    marks: Mapping[str, Mask | bool] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Pane:
    """The clear window of a cell, laid over the picture of what is behind it.

    The body marked ``"window"`` carries ``film`` and ``haze`` over its own uv.

    Attributes:
        film: f, (P, P) float32, 0 to 1. haze: h, likewise.
        film_radiance: S under a white card's light of 1, linear RGB. haze_radiance: A, likewise.
        glass: Front surface of the glass or lens, whose mirror image of the room is added by Fresnel's law.
        index: Refractive index.
        card: A flat body over the window, white, from which the light on the window is taken.
        tint: Linear RGB transmittance.
    """

    film: Plane
    haze: Plane
    film_radiance: tuple[float, float, float]
    haze_radiance: tuple[float, float, float]
    glass: Mesh
    card: Mesh
    index: float = 1.5
    tint: tuple[float, float, float] = (1.0, 1.0, 1.0)


@dataclass(frozen=True, slots=True)
class Model:
    """A part in three dimensions with its truth.

    Attributes:
        solids: Its bodies.
        outlines: Region name to a bool (P, P) raster of the part plane and the height at which it lies. They stay
            whole although something lies over them (rim, face, socket, missing ceramic).
        measures: Truth of the form measures by name; area ratios come from the picture.
        floor: Height of the lowest point: where the bench touches.
        pane: The window of a cell.
        mm_per_unit: Real size of one unit.
        notes: Further truth as plain JSON values.
    """

    solids: tuple[Solid, ...]
    outlines: Mapping[str, tuple[Mask, float]]
    measures: Mapping[str, float]
    floor: float
    pane: Pane | None = None
    mm_per_unit: float = 10.0
    notes: Mapping[str, object] = field(default_factory=dict)
