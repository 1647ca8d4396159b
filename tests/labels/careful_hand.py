"""A careful labeller: draws a picture's true regions as marks, with a hand that shakes as much as asked."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np

from wearvision.labels import Label, asked
from wearvision.measure import outline as lines
from wearvision.measure.cracks import crack_length
from wearvision.measure.regions import components
from wearvision.parts import Mark
from wearvision_training.example import Example

_BEND_PX = 0.7  # a careful hand sets a point where a straight line would leave the edge by more
_SPECK_PX = 6


def label_of(example: Example, rng: np.random.Generator, hand_px: float) -> Label:
    """Every mark and region of a drawn picture that can be measured, as that hand draws it.

    Args:
        example: The picture with its true regions.
        rng: Chance of the hand.
        hand_px: Each point is off by a normal error of half as much in each direction.
    """
    questions = asked(example.part, example.view)
    marks = {mark.key: shape for mark in questions.marks if (shape := _mark(mark, example, rng, hand_px))}
    regions = {mark.key: drawn for mark in questions.regions if (drawn := _area(mark, example, rng, hand_px))}
    return Label.read({"part": example.part, "view": example.view, "marks": marks, "regions": regions})


def _mark(mark: Mark, example: Example, rng: np.random.Generator, hand_px: float) -> dict[str, Any] | None:
    region = example.masks[mark.region]
    if mark.shape == "line":
        crack = crack_length(region)
        if crack.length_px < 3:
            return None
        points = cv2.approxPolyDP((crack.trace[:, ::-1] + 0.5).astype(np.float32)[:, None], _BEND_PX, False)[:, 0]
        return {"shape": "line", "points": _shaken(points, example, rng, hand_px)}
    pieces = components(region, least_px=30)
    number = 1 if mark.key.startswith("other") else 0
    if len(pieces) <= number or pieces[number].sum() < 0.2 * pieces[0].sum():
        return None
    return {"shape": "outline", "points": _shaken(_edge(pieces[number], 2 * mark.points), example, rng, hand_px)}


def _edge(piece: np.ndarray, least: int) -> np.ndarray:
    """Points where the outline bends, and others between them so that none are far apart; x, y."""
    course = lines.outline(piece)[:, ::-1] + 0.5
    bends = cv2.approxPolyDP(course.astype(np.float32)[:, None], _BEND_PX, True)[:, 0]
    places = sorted({int(np.argmin(((course - bend) ** 2).sum(axis=1))) for bend in bends})
    gap, at = max(8, len(course) // (2 * least)), []
    for first, last in zip(places, [*places[1:], places[0] + len(course)], strict=True):
        steps = max(1, -(-(last - first) // gap))
        at += [(first + (last - first) * step // steps) % len(course) for step in range(steps)]
    return course[at]


def _area(mark: Mark, example: Example, rng: np.random.Generator, hand_px: float) -> list[dict[str, Any]]:
    """A polygon about each piece, and one that erases each hole."""
    shapes = []
    for piece in components(example.masks[mark.region])[:300]:
        course = lines.outline(piece)[:, ::-1] + 0.5
        if len(course) < 3:
            middle, reach = np.argwhere(piece).mean(axis=0)[::-1] + 0.5, np.sqrt(piece.sum()) / 2
            course = middle + reach * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
        shapes.append({"shape": "polygon", "points": _shaken(course, example, rng, hand_px), "erase": False})
        whole = np.zeros(piece.shape, np.uint8)
        cv2.fillPoly(whole, [np.round(course - 0.5).astype(np.int32)], 1)
        for hole in components((whole > 0) & ~piece, least_px=_SPECK_PX)[:50]:
            inner = lines.outline(hole)[:, ::-1] + 0.5
            if len(inner) >= 3:
                shapes.append({"shape": "polygon", "points": _shaken(inner, example, rng, hand_px), "erase": True})
    return shapes[:500]


def _shaken(points: np.ndarray, example: Example, rng: np.random.Generator, hand_px: float) -> list[list[float]]:
    moved = points + rng.normal(0, hand_px / 2, points.shape) if hand_px else points
    height, width = example.image.shape[:2]
    return np.clip(moved / (width, height), 0, 1).tolist()
