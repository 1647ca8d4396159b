"""The scale card: a page to print at true size, and finding it, or a plain card of its size, in a photo."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from wearvision.markers import Marker, bits_of, find_markers, grey_of, square_mm
from wearvision.measure.plane_scale import ScaleFit, axes_mismatch, fit_scale
from wearvision.measure.regions import Points

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

mm = 72 / 25.4
"""Points of a page to a millimetre. The page's library is loaded by the one function that writes a page: grading
looks for the card in every photo of an electrode and must not wait for it."""

CARD_MM = (85.60, 53.98)
"""Width and height: the ID-1 size of ISO/IEC 7810, so that any card of that size has the same outline."""
CORNER_RADIUS_MM = 3.18
CORNER_RADII_MM = (2.2, 4.3)  # the standard's 2.88 to 3.48, and what a blurred outline adds
MARKER_MM = 12.0
MARKERS_MM: dict[int, tuple[float, float]] = {20: (3.5, 3.5), 21: (70.1, 3.5), 22: (70.1, 38.48), 23: (3.5, 38.48)}
"""Marker id to its upper left corner, x to the right and y down from the card's upper left corner."""
PATCH_MM = (9.2, 14.0)
PATCHES_MM: dict[int, tuple[float, float]] = {
    code: (17.8 + 10.2 * k, 19.0) for k, code in enumerate((40, 95, 140, 190, 240))
}
"""sRGB grey code to its upper left corner."""
RULE_MM = (17.8, 47.5, 50.0)  # left end, base line, length
TITLE, ADVICE = "wearvision scale card", "Print at 100 %, check the rule: 50 mm"
# A card whose axes come out less equal and square than this under the lens at hand is some other rectangle.
MOST_MISMATCH = 0.15
LEAST_CARD_SHARE = 0.01
LEVELS = 5  # brightness levels tried for a plain card's outline


def write_scale_card(path: str | Path) -> None:
    """Writes the card as a one-page A4 PDF at true size.

    Args:
        path: The file to write; an existing one is replaced.
    Raises:
        OSError: the file cannot be written.
    """
    from reportlab.lib.pagesizes import A4
    from reportlab.pdfgen.canvas import Canvas

    canvas = Canvas(str(path), pagesize=A4, invariant=1, pageCompression=0)
    canvas.setTitle(TITLE)
    left, top = (A4[0] - CARD_MM[0] * mm) / 2, A4[1] - 40 * mm
    canvas.translate(left, top)
    _draw_markers(canvas)
    _draw_patches(canvas)
    _draw_rule(canvas)
    canvas.setStrokeGray(0.6)
    canvas.setLineWidth(0.2)
    canvas.roundRect(0, -CARD_MM[1] * mm, CARD_MM[0] * mm, CARD_MM[1] * mm, CORNER_RADIUS_MM * mm)
    canvas.setFillGray(0)
    canvas.setFont("Helvetica", 8)
    canvas.drawCentredString(CARD_MM[0] / 2 * mm, -8 * mm, TITLE)
    canvas.setFont("Helvetica", 6.5)
    canvas.drawCentredString(CARD_MM[0] / 2 * mm, -12 * mm, ADVICE)
    stated = f"ArUco 5x5, ids {min(MARKERS_MM)} to {max(MARKERS_MM)}, {MARKER_MM:g} mm"
    canvas.drawCentredString(CARD_MM[0] / 2 * mm, -15.5 * mm, stated)
    canvas.setFont("Helvetica", 10)
    for line, text in enumerate(_instructions()):
        canvas.drawString(0, -(CARD_MM[1] + 14 + 6 * line) * mm, text)
    canvas.showPage()
    canvas.save()


def _instructions() -> tuple[str, ...]:
    return (
        "Print on plain matt paper at 100 %, without fitting to the page.",
        "Lay a ruler on the 50 mm rule: half a millimetre off, and the card is not to be used.",
        "Cut along the outline and glue it to something flat and stiff.",
        "Photograph it flat beside the part and level with it. Higher or lower by more than",
        "5 mm, the difference must be measured and told, or the millimetres are wrong.",
    )


def _box(canvas: Canvas, x: float, y: float, width: float, height: float, grey: float) -> None:
    """A filled box; millimetres, y down."""
    canvas.setFillGray(grey)
    canvas.rect(x * mm, -(y + height) * mm, width * mm, height * mm, stroke=0, fill=1)


def marker_bits(marker: int) -> NDArray[np.bool_]:
    """A marker's 7 x 7 modules with its black border, True for white. Raises ValueError for an id the card lacks."""
    if marker not in MARKERS_MM:
        raise ValueError(f"the card has the markers {sorted(MARKERS_MM)}, not {marker}")
    return bits_of(marker)


def _draw_markers(canvas: Canvas) -> None:
    module = MARKER_MM / 7
    for marker, (x, y) in MARKERS_MM.items():
        _box(canvas, x, y, MARKER_MM, MARKER_MM, 0)
        for row, column in np.argwhere(marker_bits(marker)).tolist():
            _box(canvas, x + column * module, y + row * module, module, module, 1)


def _draw_patches(canvas: Canvas) -> None:
    for code, (x, y) in PATCHES_MM.items():
        _box(canvas, x, y, *PATCH_MM, code / 255)


def _draw_rule(canvas: Canvas) -> None:
    left, base, length = RULE_MM
    canvas.setStrokeGray(0)
    canvas.setLineWidth(0.15 * mm)
    canvas.line(left * mm, -base * mm, (left + length) * mm, -base * mm)
    canvas.setFillGray(0)
    canvas.setFont("Helvetica", 5.5)
    for at in range(int(length) + 1):
        tall = 4.0 if at % 10 == 0 else 3.0 if at % 5 == 0 else 2.0
        canvas.line((left + at) * mm, -base * mm, (left + at) * mm, -(base - tall) * mm)
        if at % 10 == 0:
            canvas.drawCentredString((left + at) * mm, -(base + 2.6) * mm, f"{at}")


def find_scale(
    image: NDArray[np.uint8], *, focal_px: float | None = None, markers: Sequence[Marker] | None = None
) -> ScaleFit | None:
    """The printed card in a photo; None where fewer than two of its markers are read.

    Args:
        image: RGB (H, W, 3) or grey (H, W), uint8.
        focal_px: Focal length in pixels where the file tells it; else a phone's usual one is assumed, which matters
            for tilt, distance and heights only, not for lengths in the card's plane.
        markers: Those of the picture, where they were looked for already.
    Raises:
        ValueError: not such an image.
    """
    grey = grey_of(image)
    found = {marker.id: marker for marker in (find_markers(grey) if markers is None else markers)}
    known = [found[marker] for marker in MARKERS_MM if marker in found]
    if len(known) < 2:
        return None
    card = np.concatenate([square_mm(MARKERS_MM[marker.id], MARKER_MM) for marker in known])
    picture = np.concatenate([marker.corners for marker in known])
    return fit_scale(card, picture, _shape(grey), extent_mm=CARD_MM, source="markers", focal_px=focal_px)


def find_plain_card(image: NDArray[np.uint8], *, focal_px: float | None = None) -> ScaleFit | None:
    """A plain ID-1 sized card in a photo, by its four edges and rounded corners; None where none is sure.

    Arguments and errors as for :func:`find_scale`. The card must stand out from its background in brightness all
    round. Its upper left corner counts as the origin, its long edge as x.

    Limits: half a per cent in the card's plane (tests); surer with :func:`find_scale`.
    """
    grey = np.asarray(cv2.GaussianBlur(grey_of(image), (0, 0), 1.0), np.uint8)
    best: tuple[float, ScaleFit] | None = None
    dark, light = np.percentile(grey, (2, 98))
    shortest = 2 * np.sqrt(LEAST_CARD_SHARE * grey.size)
    for level in np.linspace(dark, light, LEVELS + 2)[1:-1]:
        outline = (grey > level).astype(np.uint8)
        for bright in (outline, 1 - outline):
            for contour in cv2.findContours(bright, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0]:
                if len(contour) < shortest:
                    continue
                found = _as_card(contour.reshape(-1, 2).astype(np.float64), _shape(grey), focal_px)
                if found is not None and (best is None or found[0] < best[0]):
                    best = found
    return best[1] if best else None


def _as_card(outline: Points, shape: tuple[int, int], focal_px: float | None) -> tuple[float, ScaleFit] | None:
    """How badly an outline fits a card, and the fit; None where it is none."""
    x, y = outline[:, 0], outline[:, 1]
    if min(x.min(), y.min()) <= 1 or x.max() >= shape[1] - 2 or y.max() >= shape[0] - 2:
        return None
    contour = outline.astype(np.float32)
    area, hull = cv2.contourArea(contour), cv2.convexHull(contour)
    if area < LEAST_CARD_SHARE * shape[0] * shape[1] or area < 0.95 * cv2.contourArea(hull):
        return None
    rough = cv2.approxPolyDP(hull, 0.05 * cv2.arcLength(hull, True), True).reshape(-1, 2).astype(np.float64)
    if len(rough) != 4:
        return None
    exact = _corners(outline, rough)
    if exact is None:
        return None
    corners, roughness = exact
    width, height = CARD_MM
    card = np.array([(0, 0), (width, 0), (width, height), (0, height)])
    placed = [np.roll(corners, turn, axis=0) for turn in (0, 1)]
    fits = [fit_scale(card, p, shape, extent_mm=CARD_MM, source="card edges", focal_px=focal_px) for p in placed]
    fit = min(fits, key=axes_mismatch)
    mismatch = axes_mismatch(fit)
    on_card = fit.to_mm(outline[:, ::-1])
    radius = float(np.median([np.hypot(*(on_card - corner).T).min() for corner in card])) / (np.sqrt(2) - 1)
    if mismatch > MOST_MISMATCH or not CORNER_RADII_MM[0] <= radius <= CORNER_RADII_MM[1]:
        return None
    # Four corners always fit; how straight the edges are says how well the card is placed.
    return mismatch + 0.1 * abs(radius - CORNER_RADIUS_MM) + roughness, replace(fit, reprojection_px=roughness)


def _corners(outline: Points, rough: Points) -> tuple[Points, float] | None:
    """Where lines through the middles of the four edges meet, clockwise from the upper left, and their spread."""
    middle = rough.mean(axis=0)
    turn = np.argsort(np.arctan2(*(rough - middle).T[::-1]))
    quad = rough[turn]
    lines, spreads = [], []
    for start, stop in pairwise([*quad, quad[0]]):
        length = float(np.hypot(*(stop - start)))
        along = (stop - start) / length
        outward = np.array([along[1], -along[0]])
        place, aside = (outline - start) @ along / length, np.abs((outline - start) @ outward)
        near = outline[(place > 0.12) & (place < 0.88) & (aside < 0.03 * length + 3)]
        if len(near) < 0.5 * 0.76 * length:
            return None
        centre = near.mean(axis=0)
        direction = np.linalg.svd(near - centre, full_matrices=False)[2][0]
        normal = np.array([direction[1], -direction[0]])
        normal = normal if normal @ (centre - middle) > 0 else -normal
        # The outline runs through the outermost pixels' centres; the edge lies half a pixel farther out.
        lines.append((normal, float(normal @ centre) + 0.5))
        spreads.append(float(np.sqrt((((near - centre) @ normal) ** 2).mean())))
    corners = [np.linalg.solve(np.stack([a[0], b[0]]), [a[1], b[1]]) for a, b in pairwise([lines[-1], *lines])]
    return (np.array(corners), max(spreads)) if max(spreads) < 2.0 else None


def _shape(grey: NDArray[np.uint8]) -> tuple[int, int]:
    return int(grey.shape[0]), int(grey.shape[1])
