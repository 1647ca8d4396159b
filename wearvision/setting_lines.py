"""Settings that a scale card or return tag in the photo makes measurable, as report lines. They change no grade."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from wearvision.examine import Examination
from wearvision.markers import Marker, grey_of, markers_at_hand
from wearvision.measure.plane_scale import ScaleFit
from wearvision.measure.regions import components
from wearvision.measure.result import Measured
from wearvision.measure.settings import Chart, spark_gap, within
from wearvision.report import SettingLine

LEAST_ROD_PX = 30
NOTE = "In the plane of card or tag within 5 mm. The burner's own chart and the setting gauge decide."


def settings_of(
    image: NDArray[np.uint8],
    found: Examination,
    *,
    chart: Chart | None = None,
    markers: Sequence[Marker] | None = None,
) -> tuple[SettingLine, ...]:
    """The spark gap, where the part has one, two rods are seen and a printed scale card, or a return tag, lies
    beside them; the card goes before the tag.

    Tip height and reach need the nozzle's place, which no region marks: ``wearvision.measure.settings`` measures
    them where a caller can point at it.

    Args:
        image: RGB, (H, W, 3) uint8, the working image.
        found: The examination of it.
        chart: The burner's own range; None leaves ``within`` open.
        markers: Those of the image, where they were looked for already.
    """
    if found.spec is None or "spark_gap" not in found.spec.settings:
        return ()
    rods = components(found.masks["rod"], least_px=LEAST_ROD_PX)
    if len(rods) < 2:
        return ()
    scale = _scale_in(image, markers)
    if scale is None:
        return ()
    placed = [_in_photo(rod, image.shape[:2], found) for rod in rods[:2]]
    gap = spark_gap(placed[0], placed[1], scale)
    if not isinstance(gap, Measured):
        return ()
    note = f"{gap.note} {NOTE}".strip()
    return (SettingLine("spark_gap", gap.value, gap.low, gap.high, gap.unit, within(gap, chart), note),)


def _scale_in(image: NDArray[np.uint8], markers: Sequence[Marker] | None) -> ScaleFit | None:
    """The plane of the scale card, else of the return tag; their readers are loaded once there are markers."""
    markers = markers_at_hand(grey_of(image)) if markers is None else markers
    if len(markers) < 2:
        return None
    from wearvision.return_tag import find_tag_scale
    from wearvision.scale_card import find_scale

    return find_scale(image, markers=markers) or find_tag_scale(image, markers=markers)


def _in_photo(mask: NDArray[np.bool_], shape: tuple[int, ...], found: Examination) -> NDArray[np.bool_]:
    """A mask of the square that was judged, laid back into the photo."""
    window, zoom = found.look.window, found.look.pixels_per_pixel
    # Pixel centres: column x of the square lies at window.col + (x + 0.5) * zoom - 0.5 of the photo.
    matrix = np.array([[zoom, 0.0, window.col + zoom / 2 - 0.5], [0.0, zoom, window.row + zoom / 2 - 0.5]])
    laid = cv2.warpAffine(mask.astype(np.float32), matrix, (shape[1], shape[0]), flags=cv2.INTER_LINEAR)
    return np.asarray(laid > 0.5)
