"""Millimetres from a flat card of known size in the picture, the camera's tilt taken out."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from wearvision.measure.regions import Points

# Phones' main cameras see about as a 26 mm lens does on 36 mm film; 24 to 35 mm covers cropping and 1.3x zoom.
FOCAL_SHARE = 26.0 / 36.0
FOCAL_SHARE_RANGE = (24.0 / 36.0, 35.0 / 36.0)


@dataclass(frozen=True, slots=True)
class ScaleFit:
    """A plane with known millimetres.

    Attributes:
        homography: (3, 3), from x, y in millimetres on the card to x, y in pixels.
        image_shape: Height and width of the picture.
        reprojection_px: Root mean square distance of the reference points from where the fit puts them.
        extent_mm: Width and height of the card.
        focal_px: Focal length in pixels, read or assumed.
        focal_known: False where it was assumed.
        source: ``"markers"`` or ``"card edges"``.
        height_mm: Height of the measured plane over the card, towards the camera.
    """

    homography: NDArray[np.float64]
    image_shape: tuple[int, int]
    reprojection_px: float
    extent_mm: tuple[float, float]
    focal_px: float
    focal_known: bool
    source: str
    height_mm: float = 0.0

    def to_mm(self, points: Points) -> Points:
        """Row, column in pixels (N, 2) to x, y in millimetres on the plane, (N, 2)."""
        inverse = np.asarray(np.linalg.inv(self.homography), np.float64)
        return _project(inverse, np.asarray(points, np.float64).reshape(-1, 2)[:, ::-1])

    def to_px(self, points_mm: Points) -> Points:
        """x, y in millimetres (N, 2) to row, column in pixels, (N, 2)."""
        return _project(self.homography, np.asarray(points_mm, np.float64).reshape(-1, 2))[:, ::-1]

    def px_per_mm_at(self, point: Points) -> float:
        """Pixels a millimetre at a row, column: the smaller of the two directions, which limits what is resolved."""
        at = np.asarray(point, np.float64)
        moved = self.to_mm(at + np.array([(0, 0), (1, 0), (0, 1)]))
        jacobian = (moved[1:] - moved[0]).T
        return float(1 / np.linalg.svd(jacobian, compute_uv=False)[0])

    @property
    def tilt_deg(self) -> float:
        """Angle between the card's normal and the line of sight, from the focal length at hand."""
        return float(np.degrees(np.arccos(min(1.0, abs(float(_pose(self)[2, 2]))))))

    @property
    def distance_mm(self) -> float:
        """Distance from the camera to the card's middle, from the focal length at hand."""
        pose = _pose(self)
        middle = np.array([self.extent_mm[0] / 2, self.extent_mm[1] / 2])
        return float(np.linalg.norm(pose[:, 0] * middle[0] + pose[:, 1] * middle[1] + pose[:, 3]))

    def lifted(self, height_mm: float, *, focal_px: float | None = None) -> ScaleFit:
        """The plane ``height_mm`` nearer the camera than the card and parallel to it.

        Raises:
            ValueError: the plane would lie at or behind the camera.
        """
        fit = self if focal_px is None else replace(self, focal_px=focal_px)
        pose = _pose(fit)
        normal = pose[:, 2] if pose[:, 2] @ pose[:, 3] < 0 else -pose[:, 2]
        moved = np.stack([pose[:, 0], pose[:, 1], pose[:, 3] + height_mm * normal], axis=1)
        if moved[2, 2] <= 0:
            raise ValueError(f"a plane {height_mm} mm over the card lies behind the camera")
        homography = _camera(fit) @ moved
        return replace(fit, homography=homography / homography[2, 2], height_mm=self.height_mm + height_mm)


def fit_scale(
    card_mm: Points,
    picture_xy: Points,
    image_shape: tuple[int, int],
    *,
    extent_mm: tuple[float, float],
    source: str,
    focal_px: float | None = None,
) -> ScaleFit:
    """Least-squares plane through four or more points.

    Args:
        card_mm: x, y on the card, (N, 2), N >= 4.
        picture_xy: The same points in the picture, x, y in pixels.
        image_shape: Height and width of the picture.
        extent_mm: Width and height of the card.
        source: What the points are.
        focal_px: Focal length in pixels where the file tells it; else assumed.
    Raises:
        ValueError: fewer than four points, or all on a line.
    """
    if len(card_mm) < 4:
        raise ValueError(f"a plane needs four points, these are {len(card_mm)}")
    homography, _ = cv2.findHomography(np.asarray(card_mm, np.float64), np.asarray(picture_xy, np.float64))
    if homography is None:
        raise ValueError("the points lie on a line")
    matrix = np.asarray(homography, np.float64)
    off = _project(matrix, np.asarray(card_mm, np.float64)) - picture_xy
    error = float(np.sqrt((off**2).sum(axis=1).mean()))
    assumed = FOCAL_SHARE * max(image_shape)
    return ScaleFit(
        matrix, image_shape, error, extent_mm, focal_px or assumed, focal_px is not None, source
    )


def axes_mismatch(fit: ScaleFit) -> float:
    """How far the card's two axes are from equal and square under the focal length at hand; 0 for a true fit."""
    columns = np.linalg.inv(_camera(fit)) @ fit.homography[:, :2]
    lengths = np.hypot(np.hypot(columns[0], columns[1]), columns[2])
    skew = abs(float(columns[:, 0] @ columns[:, 1])) / float(lengths.prod())
    return max(abs(float(np.log(lengths[0] / lengths[1]))), skew)


def _camera(fit: ScaleFit) -> NDArray[np.float64]:
    height, width = fit.image_shape
    return np.array([[fit.focal_px, 0, (width - 1) / 2], [0, fit.focal_px, (height - 1) / 2], [0, 0, 1.0]])


def _pose(fit: ScaleFit) -> NDArray[np.float64]:
    """Rotation and translation of the card, (3, 4): the nearest rigid pose to the homography."""
    raw = np.linalg.inv(_camera(fit)) @ fit.homography
    raw *= 2 / (np.linalg.norm(raw[:, 0]) + np.linalg.norm(raw[:, 1]))
    if raw[2, 2] < 0:
        raw = -raw
    left, _, right = np.linalg.svd(raw[:, :2], full_matrices=False)
    turn = left @ right
    normal = np.cross(turn[:, 0], turn[:, 1])
    return np.column_stack([turn, normal, raw[:, 2]])


def _project(homography: NDArray[np.float64], xy: Points) -> Points:
    moved = np.column_stack([xy, np.ones(len(xy))]) @ homography.T
    return moved[:, :2] / moved[:, 2:]
