"""Lays one picture over another and asks whether they are one exposure, edited, or two.

Parts of one design on one bench look alike to any hash. One exposure differs from its edited copy only by a crop, a
scale, a right-angled turn, a mirror and one curve of tones, and by what compression leaves; another part, or the same
part taken again, differs in places besides.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from wearvision_api.honesty.details import Details, details

Grey = NDArray[np.uint8]
Plane = NDArray[np.float32]
Affine = NDArray[np.float64]

LEAST_ALIKE = 6
"""Details that must agree on how the pictures lie."""
MOST_TURN_DEG = 1.0
"""Off a right angle; a second exposure from the hand is nearly always further off."""
SCALES = 0.90, 1.11
"""Between pictures of equal area: what a crop of a tenth of the area makes of it, and some room."""
MOST_SHEAR = 0.04
LEAST_COVER = 0.6
MOST_MOVED, MOST_REST = 0.15, 2.0
"""Shares of these two are added, and the sum must not pass 1. Set on drawn parts and carried photographs."""
_ROUGHLY, _ROOM = 3.0, 1.05  # room about these limits before the fit is refined
_RATIO = 0.8  # Lowe's test: the best match is this much nearer than the second
_NEAR_PX = 1.5
_SOFT_PX = 1.0
_RIM_PX, _CLIP_PX = 4, 4  # left out along the rim, and about what is nearly black or white
_BLACK, _WHITE = 14, 241  # in the edited picture, where a change of tone has cut codes off
_MOVED_PX = 0.7
_CORNERS, _APART_PX, _WINDOW_PX = 150, 5, 15
_PLACE_PX = 2.0  # a place that differs, as the deviation of a Gaussian
_ACTIVE_PX = 2.5
_LEFT, _LEFT_OF_DETAIL = 1.0, 0.3  # codes that edits leave: everywhere, and for each code of local deviation
_LEFT_OF_SCENE = 0.05  # and more in a picture that is full of detail, by its liveliest twentieth
_LEAST_PIXELS = 2000
_LEAST_OF_TONE = 12


@dataclass(frozen=True, slots=True)
class Laid:
    """How two pictures lie over each other.

    Attributes:
        same: They are one exposure.
        alike: Details that agree.
        cover: Share of the first picture that the second covers; 0 where they could not be laid over each other.
        moved: Share of the corners that lie elsewhere in the second picture.
        rest: How far they differ after one curve of tones in the most different thousandth, in units of what edits
            leave there.
        turned_deg: Right-angled turn of the second against the first, clockwise.
        mirrored: The second is mirrored.
    """

    same: bool = False
    alike: int = 0
    cover: float = 0.0
    moved: float = 1.0
    rest: float = float("inf")
    turned_deg: int = 0
    mirrored: bool = False

    def words(self) -> str:
        """For a person, with figures: why it is held for one exposure."""
        how = [f"turned by {self.turned_deg}°"] if self.turned_deg else []
        how += ["mirrored"] if self.mirrored else []
        way = f" once {' and '.join(how)}" if how else ""
        figures = (
            f"{self.alike} details agree, {100 * self.moved:.0f} % of the corners moved, "
            f"places differ by {self.rest:.1f} of what saving again leaves"
        )
        return (
            f"{100 * self.cover:.0f} % is covered{way}, and nothing in it lies elsewhere or looks otherwise than "
            f"saving a photo again makes it ({figures})"
        )


@dataclass(frozen=True, slots=True, eq=False)
class Sheet:
    """A picture to be laid over others, with what is worked out for it once.

    Attributes:
        ways: The picture as it is and mirrored, each with its details.
    """

    ways: tuple[tuple[Grey, Details], tuple[Grey, Details]]

    @classmethod
    def of(cls, picture: Grey) -> Sheet:
        """Of a normal picture (``picture.normal_picture``)."""
        flipped = np.ascontiguousarray(picture[:, ::-1])
        return cls(((picture, details(picture)), (flipped, details(flipped))))

    def over(self, first: Grey) -> Laid:
        """Whether it is one exposure with an earlier normal picture.

        Limits: a retouched place makes one exposure two, as gamma may in a scene of strong colours (the picture is
            grey). Parts without wear, laid into the very same place under a fixed camera, may pass for one.
        """
        of_first = details(first)
        fits = [_agree(of_first, of_second) for _, of_second in self.ways]
        mirrored = fits[1][1] > fits[0][1]
        matrix, alike = fits[mirrored]
        if matrix is None or alike < LEAST_ALIKE:
            return Laid(alike=alike)
        return _judge(first, self.ways[mirrored][0], matrix, alike, mirrored)


def _agree(first: Details, second: Details) -> tuple[Affine | None, int]:
    """The similarity that takes points of the first picture to the second, and how many details agree on it."""
    if min(len(first.points), len(second.points)) < LEAST_ALIKE:
        return None, 0
    likeness = first.descriptors @ second.descriptors.T
    rows = np.arange(len(likeness))
    best = likeness.argmax(1)
    nearest = 2 - 2 * likeness[rows, best]
    likeness[rows, best] = -1
    kept = nearest < _RATIO**2 * (2 - 2 * likeness.max(1))
    if kept.sum() < LEAST_ALIKE:
        return None, int(kept.sum())
    cv2.setRNGSeed(0)  # the same pictures give the same answer
    matrix, inside = cv2.estimateAffinePartial2D(
        first.points[kept], second.points[best[kept]], ransacReprojThreshold=_NEAR_PX, maxIters=500
    )
    return (None, 0) if matrix is None else (np.asarray(matrix, np.float64), int(inside.sum()))


def _judge(first: Grey, second: Grey, matrix: Affine, alike: int, mirrored: bool) -> Laid:
    _, turn, scale, _ = _parts(matrix)
    if abs(turn) > _ROUGHLY * MOST_TURN_DEG or not SCALES[0] / _ROOM <= scale <= SCALES[1] * _ROOM:
        return Laid(alike=alike)  # most photos of another part end here, before the slow step
    a, b = (_soft(one, _SOFT_PX) for one in (first, second))
    fine = _refined(a, b, matrix)
    if fine is None:
        return Laid(alike=alike)
    quarter, turn, scale, shear = _parts(fine)
    height, width = first.shape
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    laid = np.asarray(cv2.warpAffine(b, fine, (width, height), flags=flags), np.float32)
    inside = cv2.warpAffine(np.full(second.shape, 255, np.uint8), fine, (width, height), flags=flags) == 255
    inside = _shrunk(inside, _RIM_PX)
    cover = float(inside.mean())
    seen = Laid(alike=alike, cover=cover, turned_deg=90 * quarter, mirrored=mirrored)
    if abs(turn) > MOST_TURN_DEG or not SCALES[0] <= scale <= SCALES[1] or shear > MOST_SHEAR or cover < LEAST_COVER:
        return seen
    uncut = (laid > _BLACK) & (laid < _WHITE) & (a > 4) & (a < 251)
    where = inside & _shrunk(uncut, _CLIP_PX)
    if where.sum() < _LEAST_PIXELS:
        return seen
    toned = a.copy()
    toned[where] = _toned(laid[where], a[where])
    moved, rest = _moved(a, toned, where), _rest(a, toned, where)
    return replace(seen, moved=moved, rest=rest, same=moved / MOST_MOVED + rest / MOST_REST <= 1)


def _refined(first: Plane, second: Plane, matrix: Affine) -> Affine | None:
    """The affine map from the first picture to the second that correlates them best, None where there is none.

    Source: Evangelidis and Psarakis, IEEE PAMI 30 (2008), enhanced correlation coefficient; from memory.
    """
    until = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 30, 1e-5)
    try:
        found = cv2.findTransformECC(first, second, matrix.astype(np.float32), cv2.MOTION_AFFINE, until)[1]
    except cv2.error:  # it does not converge on pictures that have little in common
        return None
    return np.asarray(found, np.float64)


def _parts(matrix: Affine) -> tuple[int, float, float, float]:
    """Quarter turns (0 to 3), the rest of the turn in degrees, scale, and how far it is from a similarity."""
    across, down = matrix[:, 0], matrix[:, 1]
    angle = float(np.degrees(np.arctan2(across[1], across[0])))
    quarter = round(angle / 90)
    scale = float(abs(np.linalg.det(matrix[:, :2])) ** 0.5)
    if not scale > 0:  # all points fell into one: no picture is laid by that
        return quarter % 4, angle - 90 * quarter, 0.0, np.inf
    lengths = np.hypot(*across), np.hypot(*down)
    shear = abs(float(across @ down)) / scale**2 + abs(float(lengths[0] - lengths[1])) / scale
    return quarter % 4, angle - 90 * quarter, scale, shear


def _moved(first: Plane, toned: Plane, where: NDArray[np.bool_]) -> float:
    """Share of the corners that lie elsewhere in the other picture: another part was put down a little differently.

    Source: Shi and Tomasi (CVPR 1994) corners, followed after Lucas and Kanade (1981), by OpenCV; from memory.
    """
    one, other = (np.clip(plane, 0, 255).astype(np.uint8) for plane in (first, toned))
    corners = cv2.goodFeaturesToTrack(one, _CORNERS, 0.02, _APART_PX, mask=where.astype(np.uint8))
    if corners is None:
        return 0.0
    size = (_WINDOW_PX, _WINDOW_PX)
    followed, known, _ = cv2.calcOpticalFlowPyrLK(one, other, corners, np.empty_like(corners), winSize=size, maxLevel=2)
    far = np.hypot(*(followed - corners).reshape(-1, 2).T) > _MOVED_PX
    return float(np.mean(far[known.ravel() > 0])) if known.any() else 1.0


def _rest(first: Plane, toned: Plane, where: NDArray[np.bool_]) -> float:
    """How far two pictures differ where they differ most, against what edits leave there."""
    place = _soft(np.where(where, first - toned, 0), _PLACE_PX)[where] / _soft(where, _PLACE_PX)[where]
    variance = _soft(first * first, _ACTIVE_PX) - _soft(first, _ACTIVE_PX) ** 2
    active = np.sqrt(np.maximum(variance, 0))[where]
    left = (_LEFT + _LEFT_OF_DETAIL * active) * (1 + _LEFT_OF_SCENE * np.percentile(active, 95))
    return float(np.percentile(np.abs(place) / left, 99.9))


def _toned(codes: Plane, wanted: Plane) -> Plane:
    """Codes through the rising curve that brings them nearest to the wanted ones: brightness, contrast, gamma."""
    bins = np.clip(codes / 4, 0, 63).astype(np.intp)
    order = np.argsort(bins, kind="stable")
    ends = np.searchsorted(bins[order], np.arange(65))
    full = [part for part in (order[low:high] for low, high in pairwise(ends)) if len(part) >= _LEAST_OF_TONE]
    if len(full) < 2:
        return np.full_like(codes, wanted.mean())
    x = np.array([codes[part].mean() for part in full])
    from scipy.optimize import isotonic_regression  # takes a second to load, and few photos come this far

    y = isotonic_regression([np.median(wanted[part]) for part in full], weights=[len(part) for part in full]).x
    # Straight on beyond the last tones that are common enough.
    steps = min(3, len(x) - 1)
    slopes = (y[steps] - y[0]) / (x[steps] - x[0]), (y[-1] - y[-1 - steps]) / (x[-1] - x[-1 - steps])
    x = np.concatenate([[x[0] - 255], x, [x[-1] + 255]])
    y = np.concatenate([[y[0] - 255 * slopes[0]], y, [y[-1] + 255 * slopes[1]]])
    return np.asarray(np.interp(codes, x, y), np.float32)


def _soft(picture: NDArray[Any], deviation_px: float) -> Plane:
    return np.asarray(cv2.GaussianBlur(picture.astype(np.float32), (0, 0), deviation_px), np.float32)


def _shrunk(mask: NDArray[np.bool_], by_px: int) -> NDArray[np.bool_]:
    kernel = np.ones((2 * by_px + 1, 2 * by_px + 1), np.uint8)
    return np.asarray(cv2.erode(mask.astype(np.uint8), kernel, borderValue=0) > 0)
