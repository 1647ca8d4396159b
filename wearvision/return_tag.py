"""The return tag in a photo: whose part it is, millimetres and light. Drawing it: ``wearvision.return_tag_print``."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import chain
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from wearvision.markers import Marker, find_markers, grey_of, square_mm
from wearvision.measure.plane_scale import ScaleFit, fit_scale
from wearvision.measure.regions import Points
from wearvision.photo import Photo
from wearvision.return_tag_code import numbers_in, read_code
from wearvision.return_tag_grey import GreyReading, read_grey
from wearvision.return_tag_print import (
    MARKER_MM,
    MARKERS_MM,
    QR_AT_MM,
    QR_MM,
    TAG_MM,
    draw_return_tag,
    draw_return_tags,
)

__all__ = [
    "LEAST_CODE_PX",
    "GreyReading",
    "ReturnTag",
    "draw_return_tag",
    "draw_return_tags",
    "find_tag_scale",
    "read_return_tag",
    "read_return_tags",
    "tag_fits",
]

LEAST_CODE_PX = 60
"""Shorter side of the code's picture from which it is read reliably in a sharp picture, tilted up to 40 degrees; in one
that is soft by 1.5 pixels about the same, in softer ones not (measured)."""
CLOSER_PX = 3000
"""Long side of the second look at a file's own picture, where the working picture does not give the number."""
_LEAST_GREY_PX = 1.9  # pixels a millimetre from which patches, and the white beside them, are free of their edges
_MISFIT = 0.12  # of a marker's side: markers farther off lie on another tag
_SOFT_PX, _RAISED = 2.0, 3.0
_PRINT_ERROR = 0.01  # half a millimetre on the 50 mm rule, what the page allows
_CORNER_PX = 0.3  # a corner's own error at least


@dataclass(frozen=True, slots=True)
class ReturnTag:
    """A tag in a photo. Pixels are those of the working picture.

    Attributes:
        number: The return's number, None where its code can't be read.
        scale: The tag's plane, None where fewer than two of its markers are seen.
        corners: Row, column of its corners, (4, 2), from its upper left clockwise; None without scale.
        markers: How many of its four markers are seen.
        px_per_mm: Pixels a millimetre at its middle, along the direction that has fewer; None without scale.
        px_per_mm_low: Lower end of the interval, 95 % or more (tests); a printer's 1 % is in it.
        px_per_mm_high: Upper end.
        tilt_deg: Between the tag's normal and the line of sight.
        grey: What the grey patches say; None where they are too small or there is no scale.
        others: Numbers of further tags in the photo.
        notes: What could not be read, and what to do.
    """

    number: str | None
    scale: ScaleFit | None = None
    corners: Points | None = None
    markers: int = 0
    px_per_mm: float | None = None
    px_per_mm_low: float | None = None
    px_per_mm_high: float | None = None
    tilt_deg: float | None = None
    grey: GreyReading | None = None
    others: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Plain values, rounded."""
        return {
            "number": self.number,
            "others": list(self.others),
            "markers": self.markers,
            "px_per_mm": _round(self.px_per_mm),
            "px_per_mm_low": _round(self.px_per_mm_low),
            "px_per_mm_high": _round(self.px_per_mm_high),
            "tilt_deg": None if self.tilt_deg is None else round(self.tilt_deg, 1),
            "corners": None if self.corners is None else np.round(self.corners, 1).tolist(),
            "grey": None if self.grey is None else self.grey.to_dict(),
            "notes": list(self.notes),
        }


def read_return_tag(photo: Photo | NDArray[np.uint8], *, focal_px: float | None = None) -> ReturnTag | None:
    """The largest tag in a photo, with the numbers of further ones; None where none is found.

    Args:
        photo: A photo that was read (the file's own picture then is looked at where the working picture does not
            give the number), or RGB (H, W, 3) or grey (H, W), uint8.
        focal_px: Focal length in working pixels where the file tells it; else a phone's usual one, for the tilt only.
    Raises:
        ValueError: not such an image.
    """
    tags = read_return_tags(photo, focal_px=focal_px)
    if not tags:
        return None
    others = dict.fromkeys(tag.number for tag in tags[1:] if tag.number not in (None, tags[0].number))
    return replace(tags[0], others=tuple(number for number in others if number is not None))


def read_return_tags(photo: Photo | NDArray[np.uint8], *, focal_px: float | None = None) -> tuple[ReturnTag, ...]:
    """Every tag in a photo, those with a number first, then the largest first; as :func:`read_return_tag`."""
    image = photo.image if isinstance(photo, Photo) else np.asarray(photo)
    tags = _tags_in(image, focal_px)
    if isinstance(photo, Photo) and photo.scale < 1 and not (tags and all(tag.number for tag in tags)):
        closer = _closer(photo)
        factor = max(image.shape[:2]) / max(closer.shape[:2])
        seen = _tags_in(closer, None if focal_px is None else focal_px / factor)
        if _worth(seen) > _worth(tags):
            tags = [_shrunk(tag, factor, (image.shape[0], image.shape[1])) for tag in seen]
    return tuple(sorted(tags, key=lambda tag: (tag.number is None, -(tag.px_per_mm or 0.0))))


def find_tag_scale(
    image: NDArray[np.uint8], *, focal_px: float | None = None, markers: Sequence[Marker] | None = None
) -> ScaleFit | None:
    """The plane of the largest tag of which two markers or more are seen, else None; its code is not read.

    Args:
        image: RGB (H, W, 3) or grey (H, W), uint8.
        focal_px: As for :func:`read_return_tag`.
        markers: Those of the picture, where they were looked for already.
    Raises:
        ValueError: not such an image.
    """
    grey = grey_of(image)
    fits = tag_fits(grey, find_markers(grey) if markers is None else markers, focal_px=focal_px)
    return max(fits, key=lambda fit: fit.px_per_mm_at(_middle(fit)), default=None)


def tag_fits(
    grey: NDArray[np.uint8], markers: Sequence[Marker], *, least: int = 2, focal_px: float | None = None
) -> list[ScaleFit]:
    """The planes of all tags in a grey picture, (H, W) uint8, of which at least ``least`` (2 to 4) markers are seen."""
    return [_fit(group, grey, focal_px) for group in _groups(markers) if len(group) >= least]


def _tags_in(image: NDArray[np.uint8], focal_px: float | None) -> list[ReturnTag]:
    grey = grey_of(image)
    colours = image if image.ndim == 3 else np.repeat(image[..., None], 3, axis=2)
    tags = [_tag(group, grey, colours, focal_px) for group in _groups(find_markers(grey))]
    if not any(tag.number for tag in tags):
        # In a soft picture the squares run into each other; light is read from the picture itself all the same.
        crisp = _sharpened(grey)
        again = [_tag(group, crisp, colours, focal_px) for group in _groups(find_markers(crisp))]
        tags = max(tags, again, key=_worth)
    if not any(tag.number for tag in tags):
        # A code without its markers still names the part.
        known = {tag.number for tag in tags}
        note = "No marker of the tag is seen, so it gives no scale. Lay it flat, whole and in the light."
        tags += [ReturnTag(number, notes=(note,)) for number in numbers_in(grey) if number not in known]
    return tags


def _sharpened(grey: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """The picture with its edges raised, for a softness of some 1 to 2 pixels (measured)."""
    soft = cv2.GaussianBlur(grey, (0, 0), _SOFT_PX)
    return np.asarray(cv2.addWeighted(grey, 1 + _RAISED, soft, -_RAISED, 0), np.uint8)


def _tag(
    group: Sequence[Marker], grey: NDArray[np.uint8], colours: NDArray[np.uint8], focal_px: float | None
) -> ReturnTag:
    if len(group) < 2:
        number = read_code(grey, _homography(group), exact=False)
        notes = ["Only one marker of the tag is seen: no scale. Lay it flat and whole into the picture."]
        if number is None:
            notes.append(_unread(group[0].side_px / MARKER_MM * QR_MM))
        return ReturnTag(number, markers=1, notes=tuple(notes))
    fit = _fit(group, grey, focal_px)
    number = read_code(grey, fit.homography, exact=True)
    middle = _middle(fit)
    per_mm = fit.px_per_mm_at(middle)
    slack = _relative_error(fit, group) * per_mm
    light = read_grey(colours, fit.homography) if per_mm >= _LEAST_GREY_PX else None
    notes = [] if number else [_unread(_code_px(fit))]
    if light is None:
        notes.append("The grey patches are too small in the picture to be read.")
    elif light.clipped:
        notes.append(f"{len(light.clipped)} of {len(light.patches)} grey patches are black or white in the picture.")
    return ReturnTag(
        number,
        fit,
        fit.to_px(square_mm((0.0, 0.0), 1.0) * np.array(TAG_MM)),
        len(group),
        per_mm,
        per_mm - slack,
        per_mm + slack,
        fit.tilt_deg,
        light,
        notes=tuple(notes),
    )


def _unread(side_px: float) -> str:
    """Why the number is not read."""
    said = f"The tag's number can't be read: its code is {side_px:.0f} pixels high in the picture"
    if side_px < LEAST_CODE_PX:
        return f"{said}, it needs {LEAST_CODE_PX}. Come closer or lay the tag nearer."
    return f"{said}, but covered, blurred or in glare. Uncover it and take the picture again."


def _groups(markers: Sequence[Marker]) -> list[list[Marker]]:
    """The markers of each tag: those that one plane explains. Markers of other things are left out."""
    left = sorted((marker for marker in markers if marker.id in MARKERS_MM), key=lambda marker: -marker.side_px)
    groups = []
    while left:
        group = [left.pop(0)]
        for code in MARKERS_MM:
            fitting = [
                (misfit, other)
                for other in left
                if other.id == code and code not in {m.id for m in group}
                if (misfit := _misfit([*group, other])) < _MISFIT
            ]
            if fitting:
                best = min(fitting, key=lambda pair: pair[0])[1]
                group.append(best)
                left.remove(best)
        groups.append(group)
    return groups


def _misfit(group: Sequence[Marker]) -> float:
    """Distance of the markers' corners from one plane, over the smallest marker's side; huge where there is none."""
    try:
        fit = fit_scale(*_points(group), (1, 1), extent_mm=TAG_MM, source="return tag")
    except ValueError:
        return float("inf")
    return fit.reprojection_px / max(1.0, min(marker.side_px for marker in group))


def _fit(group: Sequence[Marker], grey: NDArray[np.uint8], focal_px: float | None) -> ScaleFit:
    shape = (int(grey.shape[0]), int(grey.shape[1]))
    return fit_scale(*_points(group), shape, extent_mm=TAG_MM, source="return tag", focal_px=focal_px)


def _points(group: Sequence[Marker]) -> tuple[Points, Points]:
    """The markers' corners on the tag and in the picture, x and y."""
    on_tag = np.concatenate([square_mm(MARKERS_MM[marker.id], MARKER_MM) for marker in group])
    return on_tag, np.concatenate([marker.corners for marker in group])


def _homography(group: Sequence[Marker]) -> NDArray[np.float64]:
    on_tag, picture = _points(group)
    return np.asarray(cv2.getPerspectiveTransform(on_tag.astype(np.float32), picture.astype(np.float32)), np.float64)


def _middle(fit: ScaleFit) -> Points:
    return np.asarray(fit.to_px(np.array([[TAG_MM[0] / 2, TAG_MM[1] / 2]]))[0], np.float64)


def _code_px(fit: ScaleFit) -> float:
    """Shortest side of the code in the picture, pixels."""
    corners = fit.to_px(square_mm(QR_AT_MM, QR_MM))
    return float(np.hypot(*(np.roll(corners, -1, axis=0) - corners).T).min())


def _relative_error(fit: ScaleFit, group: Sequence[Marker]) -> float:
    """Error of pixels a millimetre, relative: two corners' errors over the way between the farthest, and the print."""
    points = np.array(list(chain.from_iterable(marker.corners for marker in group)))
    longest = max(float(np.hypot(*(points - point).T).max()) for point in points)
    return 2 * float(np.sqrt(2)) * max(_CORNER_PX, fit.reprojection_px) / longest + _PRINT_ERROR


def _closer(photo: Photo) -> NDArray[np.uint8]:
    """The file's own picture, at most ``CLOSER_PX`` long."""
    height, width = photo.image.shape[:2]
    whole = photo.full_region(0, 0, height, width)
    shrink = CLOSER_PX / max(whole.shape[:2])
    if shrink >= 1:
        return whole
    size = (round(whole.shape[1] * shrink), round(whole.shape[0] * shrink))
    return np.asarray(cv2.resize(whole, size, interpolation=cv2.INTER_AREA), np.uint8)


def _worth(tags: Sequence[ReturnTag]) -> tuple[int, int]:
    """Orders two readings of one photo: more numbers, then more markers."""
    return len({tag.number for tag in tags if tag.number}), sum(tag.markers for tag in tags)


def _shrunk(tag: ReturnTag, factor: float, shape: tuple[int, int]) -> ReturnTag:
    """A tag read in a larger picture, in working pixels."""
    if tag.scale is None or tag.corners is None or tag.px_per_mm is None:
        return tag
    # Pixel centres: column x of the larger picture lies at (x + 0.5) * factor - 0.5.
    to_working = np.array([[factor, 0, factor / 2 - 0.5], [0, factor, factor / 2 - 0.5], [0, 0, 1.0]])
    scale = replace(
        tag.scale,
        homography=to_working @ tag.scale.homography,
        image_shape=shape,
        reprojection_px=tag.scale.reprojection_px * factor,
        focal_px=tag.scale.focal_px * factor,
    )
    return replace(
        tag,
        scale=scale,
        corners=(tag.corners + 0.5) * factor - 0.5,
        px_per_mm=tag.px_per_mm * factor,
        px_per_mm_low=None if tag.px_per_mm_low is None else tag.px_per_mm_low * factor,
        px_per_mm_high=None if tag.px_per_mm_high is None else tag.px_per_mm_high * factor,
    )


def _round(value: float | None) -> float | None:
    return None if value is None else round(float(value), 4)
