"""What surrounds a part: bench, clutter, lamps and the room, as the path tracer takes them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wearvision_training.pathtrace.solid import Mesh, Solid
from wearvision_training.sketch.warp import rotation


@dataclass(frozen=True, slots=True)
class Lamp:
    """A surface that shines.

    Attributes:
        mesh: Its shape, part frame; it shines on the side its triangles turn counterclockwise to.
        radiance: Linear RGB.
    """

    mesh: Mesh
    radiance: tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class World:
    """Everything but the part.

    Attributes:
        solids: Bench and what lies on it, part frame.
        lamps: Lights with a shape; any number.
        environment: The room far away, (H, 2H, 3) float32 radiance, row 0 above the bench (+z of the part frame),
            columns counterclockwise from +x as seen from above.
    """

    solids: tuple[Solid, ...]
    lamps: tuple[Lamp, ...]
    environment: NDArray[np.float32]


def to_room(points: NDArray[Any], camera: Mapping[str, Any]) -> NDArray[np.float64]:
    """Points (N, 3) of the part frame in the camera's frame: x right, y down, z to the lens, part centre shifted.

    The lens stands at (0, 0, distance) and looks along -z.
    """
    scale = float(camera["scale"])
    shift = np.array([float(camera["shift"][0]) / scale, float(camera["shift"][1]) / scale, 0.0])
    return np.asarray(np.asarray(points, float) @ rotation(camera).T + shift)


def from_room(points: NDArray[Any], camera: Mapping[str, Any]) -> NDArray[np.float64]:
    """The inverse of ``to_room``."""
    scale = float(camera["scale"])
    shift = np.array([float(camera["shift"][0]) / scale, float(camera["shift"][1]) / scale, 0.0])
    return np.asarray((np.asarray(points, float) - shift) @ rotation(camera))
