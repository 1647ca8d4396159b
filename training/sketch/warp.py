"""The pinhole camera over the part plane: where a plane point at a height lands in the picture."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

OVERSAMPLE = 1.3  # raster pixels per picture pixel: enough for linear sampling to look antialiased
LARGEST = 1.75  # raster size over picture size; beyond it time grows faster than sharpness

Matrix = NDArray[np.float64]


def plane_raster_size(camera: Mapping[str, Any], size: int) -> int:
    """Pixels along a side of the rasters that a drawer should make for a picture of ``size`` pixels."""
    wanted = OVERSAMPLE * float(camera["scale"]) * size
    return int(np.clip(16 * round(wanted / 16), 96, 16 * round(LARGEST * size / 16)))


def rotation(camera: Mapping[str, Any]) -> Matrix:
    """Turn about the viewing axis, then tilt about an axis in the picture plane; (3, 3)."""
    turn, tilt, towards = (np.deg2rad(float(camera[k])) for k in ("turn_deg", "tilt_deg", "tilt_towards_deg"))
    about_z = np.array([[np.cos(turn), -np.sin(turn), 0], [np.sin(turn), np.cos(turn), 0], [0, 0, 1.0]])
    a = np.array([[np.cos(towards), -np.sin(towards), 0], [np.sin(towards), np.cos(towards), 0], [0, 0, 1.0]])
    lean = np.array([[np.cos(tilt), 0, np.sin(tilt)], [0, 1.0, 0], [-np.sin(tilt), 0, np.cos(tilt)]])
    return np.asarray(a @ lean @ a.T @ about_z, np.float64)


def homography(camera: Mapping[str, Any], size: int, z: float = 0.0) -> Matrix:
    """Plane point (x, y, 1) at height ``z`` to picture pixel (column, row, 1); pixel centres are integers.

    Args:
        camera: ``tilt_deg``, ``tilt_towards_deg``, ``turn_deg``, ``distance`` (plane units from the lens to the
            plane's centre), ``scale`` (half sides of the picture per plane unit), ``shift`` (centre, half sides).
        size: Side of the picture in pixels.
        z: Height over the plane, plane units, nearer the camera is larger.
    """
    r = rotation(camera)
    scale, distance = float(camera["scale"]), float(camera["distance"])
    shift_x, shift_y = (float(v) / scale for v in camera["shift"])
    pose = np.column_stack([r[:, 0], r[:, 1], r[:, 2] * z + np.array([shift_x, shift_y, 0.0])])
    focal, centre = scale * distance * size / 2, size / 2 - 0.5
    depth = np.array([0.0, 0.0, distance]) - pose[2]
    return np.stack([focal * pose[0] + centre * depth, focal * pose[1] + centre * depth, depth])


def raster_to_plane(raster: int) -> Matrix:
    """Raster pixel index (column, row, 1) to plane point (x, y, 1)."""
    step = 2.0 / raster
    return np.array([[step, 0, step / 2 - 1], [0, step, step / 2 - 1], [0, 0, 1.0]])


def project(matrix: Matrix, points: NDArray[Any]) -> NDArray[np.float64]:
    """(N, 2) points x, y through a homography."""
    moved = np.column_stack([points, np.ones(len(points))]) @ matrix.T
    return moved[:, :2] / moved[:, 2:]


class Placed:
    """Moves the rasters of one height into the picture; each only inside the box that it covers."""

    def __init__(self, camera: Mapping[str, Any], size: int, raster: int, z: float) -> None:
        """Places rasters of ``raster`` pixels at height ``z`` into a picture of ``size`` pixels."""
        self.size = size
        self.matrix = homography(camera, size, z) @ raster_to_plane(raster)

    def box_of(self, top: int, bottom: int, left: int, right: int) -> tuple[slice, slice]:
        """Picture rows and columns that the raster's rows and columns reach; may be empty."""
        corners = np.array([[left, top], [right, top], [left, bottom], [right, bottom]], float)
        at = project(self.matrix, corners)
        low = np.clip(np.floor(at.min(0)).astype(int) - 1, 0, self.size)
        high = np.clip(np.ceil(at.max(0)).astype(int) + 2, 0, self.size)
        return slice(low[1], high[1]), slice(low[0], high[0])

    def warp(self, raster: NDArray[Any], origin: tuple[int, int], box: tuple[slice, slice]) -> NDArray[Any]:
        """The raster (whose first pixel is ``origin`` = row, column of the whole) as seen inside ``box``."""
        rows, columns = box
        into = np.array([[1, 0, -columns.start], [0, 1, -rows.start], [0, 0, 1.0]])
        back = np.array([[1, 0, origin[1]], [0, 1, origin[0]], [0, 0, 1.0]])
        size = (columns.stop - columns.start, rows.stop - rows.start)
        return cv2.warpPerspective(raster, into @ self.matrix @ back, size, flags=cv2.INTER_LINEAR)
