"""Cracks 1 to 3 pixels wide on native 12-megapixel photos: found from the reduced decoding as from the full one?

``python -m pytest -m bench -s tests/benchmarks/bench_fine_cracks.py``; WEARVISION_CRACKS says how many cells are drawn.
Truth: cracks that this file draws, of known width and length, on drawn cells of calibration designs that have none.
"""

from __future__ import annotations

import os
from collections import Counter

import cv2
import numpy as np
import pytest

from wearvision import Grader
from wearvision.report import Report
from wearvision_training.assessment.intervals import wilson
from wearvision_training.example import Example
from wearvision_training.families import families
from wearvision_training.studio import draw, sample_recipe
from wearvision_training.timing import DRAWN_PX, PHOTO_SIZE, QUALITY, SENSOR_NOISE

CELLS = int(os.environ.get("WEARVISION_CRACKS", "12"))
WIDTHS_PX = (1, 2, 3)
DARK = 0.25  # light that a crack leaves; common practice, no published source
WAYS = ("reduced decoding", "full decoding, shrunk", "full decoding, whole")


def whole_cell(rng: np.random.Generator) -> Example:
    """A drawn cell without a crack, window well in view."""
    while True:
        recipe = sample_recipe("flame_cell", rng, families=families("flame_cell", "calibrate"))
        if not recipe.wear.get("crack"):
            drawn = draw(recipe, DRAWN_PX)
            if not drawn.measures["crack_ratio"] and drawn.masks["window"].any():
                return drawn


def enlarged(drawn: Example) -> np.ndarray:
    """The drawing on a bench of its own colour, float RGB of 12 megapixels."""
    height, width = PHOTO_SIZE
    photo = np.empty((height, width, 3), np.float32)
    photo[:] = drawn.image[-8:].reshape(-1, 3).mean(0)
    left = (width - height) // 2
    photo[:, left : left + height] = cv2.resize(drawn.image, (height, height), interpolation=cv2.INTER_CUBIC)
    return photo


def crack(window: np.ndarray, width_px: int, rng: np.random.Generator) -> np.ndarray:
    """How much a crack from the window's edge inwards covers, (H, W) float32 of the photo's size."""
    height, width = PHOTO_SIZE
    grow = height / DRAWN_PX
    rows, columns = np.nonzero(window)
    centre, radius = np.array([columns.mean(), rows.mean()]), np.sqrt(rows.size / np.pi)
    heading = rng.uniform(0, 2 * np.pi)
    at = centre + 0.95 * radius * np.array([np.cos(heading), np.sin(heading)])
    heading += np.pi + rng.normal(0, 0.3)
    steps = [at]
    for turn in rng.normal(0, 0.25, 20):
        heading += turn
        at = at + rng.uniform(0.3, 0.6) * 2 * radius / 20 * np.array([np.cos(heading), np.sin(heading)])
        steps.append(at)
    points = (np.array(steps) + 0.5) * grow + ((width - height) // 2, 0)
    drawn = np.zeros((height, width), np.uint8)
    cv2.polylines(drawn, [np.round(points * 16).astype(np.int32)], False, 255, width_px, cv2.LINE_AA, 4)
    return drawn.astype(np.float32) / 255


def photographed(photo: np.ndarray, cover: np.ndarray, rng: np.random.Generator) -> bytes:
    """The JPEG of a photo with a crack in it."""
    lit = photo * (1 - (1 - DARK) * cover[..., None])
    lit += SENSOR_NOISE * rng.standard_normal(lit.shape, dtype=np.float32)
    codes = np.clip(np.rint(lit), 0, 255).astype(np.uint8)
    return bytes(cv2.imencode(".jpg", codes[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, QUALITY])[1].tobytes())


def graded(grader: Grader, jpeg: bytes) -> dict[str, Report]:
    """The photo's report by each way of decoding it."""
    whole = cv2.cvtColor(cv2.imdecode(np.frombuffer(jpeg, np.uint8), cv2.IMREAD_COLOR), cv2.COLOR_BGR2RGB)
    size = (PHOTO_SIZE[1] // 4, PHOTO_SIZE[0] // 4)
    shrunk = cv2.resize(whole, size, interpolation=cv2.INTER_AREA)
    reports = (grader.grade(jpeg), grader.grade_image(shrunk), grader.grade_image(whole))
    return dict(zip(WAYS, reports, strict=True))


def seen(report: Report) -> bool:
    """Whether a report calls the crack worth acting on."""
    return any(line.name == "crack_ratio" and line.grade not in (None, "serviceable") for line in report.measures)


@pytest.mark.bench
def test_recall_of_fine_cracks_by_way_of_decoding() -> None:
    """Prints recall with its 95 % interval for each width and way; usable photos only, all ways on the same photos."""
    grader, found, tried = Grader(), Counter[tuple[int, str]](), Counter[int]()
    for number in range(CELLS):
        rng = np.random.default_rng(9000 + number)
        drawn = whole_cell(rng)
        photo = enlarged(drawn)
        for width in WIDTHS_PX:
            jpeg = photographed(photo, crack(drawn.masks["window"], width, rng), rng)
            reports = graded(grader, jpeg)
            if all(report.usable for report in reports.values()):
                tried[width] += 1
                found.update((width, way) for way, report in reports.items() if seen(report))
    print(f"\nload {os.getloadavg()[0]:.1f}, {os.cpu_count()} cores, model {grader.model_id}, {CELLS} cells")
    for width in WIDTHS_PX:
        for way in WAYS:
            hit, low, high = found[width, way], *wilson(found[width, way], tried[width])
            print(f"{width} px, {way:22s}: {hit} of {tried[width]}, 95 % interval {low:.2f} to {high:.2f}")
    hits = {way: sum(found[width, way] for width in WIDTHS_PX) for way in WAYS}
    assert sum(tried.values()) > 0
    # Both are the same network on nearly the same pixels; a real loss would show far beyond single photos.
    assert hits[WAYS[0]] >= hits[WAYS[1]] - max(2, 0.1 * sum(tried.values()))
