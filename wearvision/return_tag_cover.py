"""Takes a return tag out of the picture that the network looks at: it knows no tags and may take one for a part."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from wearvision.markers import Marker, grey_of, markers_at_hand
from wearvision.measure.plane_scale import ScaleFit
from wearvision.return_tag import tag_fits
from wearvision.return_tag_code import read_code
from wearvision.return_tag_print import TAG_MM

BLANK_MM = (
    (1.0, 0.8, 88.0, 1.4), (1.0, 52.9, 88.0, 1.3), (0.8, 1.0, 1.4, 53.0), (87.8, 1.0, 1.4, 53.0),  # along the edges
    (14.8, 3.0, 3.4, 31.0), (45.0, 3.0, 3.2, 31.0), (49.0, 12.6, 26.0, 3.0), (49.0, 22.8, 38.0, 1.6),
    (16.0, 43.6, 58.0, 1.8), (4.0, 16.0, 9.0, 23.0), (76.0, 36.0, 10.0, 4.0),
)  # fmt: skip
"""White boxes of the tag (left, top, width, height) on which nobody writes. A part that lies on the tag, wholly or in
part, covers some of one: the parts graded here are larger than the ways between them."""
_BLANK_LEVEL = 0.85  # of the paper around: darker is something that lies on it
_BLANK_SHARE = 0.95
_BEYOND_MM = 1.5  # the tag's own edge and shadow
_RING_PX = 6
_STEP = 2  # pixels a millimetre in the levelled tag


def without_tags(image: NDArray[np.uint8], markers: Sequence[Marker] | None = None) -> NDArray[np.uint8]:
    """The picture with the bench's colour laid over each return tag that lies clear of everything.

    A tag with something on it, with a marker hidden or with an unreadable code stays: part of a part might be laid
    over with it.

    Args:
        image: RGB, (H, W, 3) uint8; not changed.
        markers: Those of the picture, where they were looked for already.
    Returns:
        The same array where there is nothing to lay over, else a new one.
    Raises:
        ValueError: not such an image.
    """
    grey = grey_of(image)
    laid = image
    for fit in tag_fits(grey, markers_at_hand(grey) if markers is None else markers, least=4):
        if read_code(grey, fit.homography, exact=True) is None or not _is_clear(grey, fit):
            continue
        width, height = TAG_MM
        edge = np.array([(0, 0), (width, 0), (width, height), (0, height)]) + _BEYOND_MM * np.array(
            [(-1, -1), (1, -1), (1, 1), (-1, 1)]
        )
        tag = np.zeros(grey.shape, np.uint8)
        cv2.fillPoly(tag, [np.round(fit.to_px(edge)[:, ::-1]).astype(np.int32)], 1)
        ring = (cv2.dilate(tag, np.ones((2 * _RING_PX + 1,) * 2, np.uint8)) > 0) & (tag == 0)
        if not ring.any():
            continue
        laid = laid.copy()
        laid[tag > 0] = np.median(image[ring], axis=0)
    return laid


def _is_clear(grey: NDArray[np.uint8], fit: ScaleFit) -> bool:
    """Whether the tag's white boxes are all as bright as paper beside them would be."""
    size = (round(TAG_MM[0] * _STEP), round(TAG_MM[1] * _STEP))
    to_mm = np.array([[1 / _STEP, 0, 0.5 / _STEP], [0, 1 / _STEP, 0.5 / _STEP], [0, 0, 1.0]])
    flags = cv2.INTER_AREA | cv2.WARP_INVERSE_MAP
    level = cv2.warpPerspective(grey, fit.homography @ to_mm, size, flags=flags, borderMode=cv2.BORDER_REPLICATE)
    boxes = [tuple(round(v * _STEP) for v in (y, y + height, x, x + width)) for x, y, width, height in BLANK_MM]
    rows, columns, light = [], [], []
    for top, bottom, left, right in boxes:
        row, column = np.mgrid[top:bottom, left:right]
        rows.append(row.ravel())
        columns.append(column.ravel())
        light.append(level[top:bottom, left:right].ravel().astype(np.float64))
    at = [np.column_stack([np.ones(r.size), r, c]) for r, c in zip(rows, columns, strict=True)]
    # A plane follows a shadow's slope; laid again through what is not far below it, it is not drawn down by a part.
    basis, seen = np.concatenate(at), np.concatenate(light)
    keep = seen >= np.median(seen) * _BLANK_LEVEL
    plane = np.linalg.lstsq(basis[keep], seen[keep], rcond=None)[0]
    return all(
        np.mean(values >= _BLANK_LEVEL * (box @ plane)) >= _BLANK_SHARE for box, values in zip(at, light, strict=True)
    )
