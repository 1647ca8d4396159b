"""Ceramic that is missing from an insulator's outline, and the insulator's own diameter."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from wearvision.measure.cover import cover_ratio
from wearvision.measure.regions import Region, as_bool, border_points, components, edge_columns, main_axis, strip
from wearvision.measure.result import Measured, Outcome, Reason, Unmeasured

LEAST_WIDTH_PX = 8.0  # the wear standard's least width and least limit
LEAST_LIMIT_PX = 3.0
FACING = "A chip is seen from the front; its depth is not: take it from the side."
# A chip with this share of its surroundings ceramic faces the camera.
FACING_SHARE = 0.85


def chip_ratio(chip: Region, ceramic: Region, *, finest: float = 0.01, plain: float = 0.02) -> Outcome:
    """Ceramic missing from the outline, over the insulator's area with it; larger is worse.

    Args:
        chip: The missing ceramic, (H, W) bool or probabilities (half level).
        ceramic: What is left of the insulator.
        finest: The smallest ratio that matters; a piece of that area under 3 px across cannot be resolved.
        plain: Ratio from which a chip counts however coarse the picture is.
    Returns:
        The ratio. A chip that faces the camera is seen but its depth is not: ``not_in_view``. Also ``not_in_view``
        without ceramic, ``not_resolvable`` where ``finest`` is too small to see and the wear is not plain.
    Raises:
        ValueError: shapes differ, or a region is not (H, W) bool or floating.
    Source: own definition, see the wear standard.
    """
    missing, left = as_bool(chip), as_bool(ceramic)
    whole = left | missing
    if missing.shape == left.shape and missing.any() and left.any():
        facing = [piece for piece in components(missing) if _faces_camera(piece, left)]
        for piece in facing:
            missing &= ~piece
        if facing and not missing.any():
            return Unmeasured(Reason.NOT_IN_VIEW, FACING)
    outcome = cover_ratio(missing, whole) if left.any() else Unmeasured(Reason.NOT_IN_VIEW, "No ceramic is in view.")
    if isinstance(outcome, Measured) and outcome.value < plain and finest * float(whole.sum()) < LEAST_LIMIT_PX**2:
        return Unmeasured(Reason.NOT_RESOLVABLE, "A chip that matters would be under 3 pixels across: come closer.")
    return outcome


def _faces_camera(piece: NDArray[np.bool_], ceramic: NDArray[np.bool_]) -> bool:
    grown = cv2.dilate(piece.view(np.uint8), np.ones((5, 5), np.uint8)) > 0
    ring = grown & ~piece
    return bool(ring.any()) and float((ceramic & ring).sum()) / float(ring.sum()) >= FACING_SHARE


def insulator_diameter_px(ceramic: Region) -> float | None:
    """Diameter of the insulator's body across its own axis, pixels; None where there is none or it is under 8 px.

    Args:
        ceramic: (H, W) bool or probabilities; of several pieces the largest counts. Holes and notches on the way
            (a crack, a deposit) do not matter.
    Returns:
        The upper quartile of the widths along the inner four fifths: the body, not its neck; single collars over
        the body count little.
    """
    pieces = components(ceramic, least_px=32)
    if not pieces:
        return None
    centre, axis = main_axis(pieces[0])
    offsets = border_points(pieces[0]) - centre
    along, across = offsets @ axis, offsets @ np.array([-axis[1], axis[0]])
    back, ahead, half = (int(np.ceil(v)) + 2 for v in (-along.min(), along.max(), np.abs(across).max()))
    weight = np.where(pieces[0], ceramic, 0).astype(np.float32)
    first, last = edge_columns(strip(weight, centre, axis, back=back, ahead=ahead, half=half))
    widths = (last - first)[np.isfinite(first)]
    inset = len(widths) // 10
    diameter = float(np.percentile(widths[inset : len(widths) - inset], 75))
    return diameter if diameter >= LEAST_WIDTH_PX else None
