"""What a label's marks and matches come to: measured as everything else is, with an interval that honours the hand.

The marks are drawn into regions and the part's own ``measure`` is taken from them. How far a hand is off is tried
out: every point is moved as a hand moves it, and the measure taken again.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wearvision.labels.drawn import paint, to_pixels
from wearvision.labels.label import Label, LabelError, asked
from wearvision.measure.result import Measured, Outcome, Reason, Unmeasured
from wearvision.parts import PARTS, Mark, Scene
from wearvision.standard.limits import Limits

HAND_PX = 1.5
"""How far a hand is off at most, as a rule, in pixels of the shown picture (common practice, no published source)."""

MATCH = 0.05
"""Half a step of a comparison series."""

TRIES = 8
"""How often the hand's error is tried out."""

MOST_PX = 1400
"""Longest side on which marks are measured; larger surroundings of the marks are made smaller."""

_MARGIN_PX = 12.0
_SEED = 20


@dataclass(frozen=True, slots=True)
class _Stroke:
    """One shape, in the pixels of the piece of the photo that holds all of them."""

    region: str
    kind: str
    points: NDArray[np.float64]
    radius_px: float
    erase: bool


@dataclass(frozen=True, slots=True)
class _Drawing:
    """All that was drawn, the size of the piece of the photo that holds it, and its pixels a pixel of the photo."""

    strokes: tuple[_Stroke, ...]
    size: tuple[int, int]
    scale: float


def measured(
    label: Label, image: NDArray[np.uint8], limits: Limits, *, hand_px: float = HAND_PX, tries: int = TRIES
) -> dict[str, Outcome]:
    """What a label's marks and matches come to, by measure.

    Args:
        label: The label.
        image: The upright photo as it was shown, RGB (H, W, 3) uint8.
        limits: Those in force.
        hand_px: How far a hand is off, in pixels of ``image``.
        tries: How often that is tried out.

    Returns:
        Every measure for which something was drawn or matched. One that lacks a mark, or has too few points, is
        unmeasured and says what to draw. A match is half a step of its series exact.

    Limits: where the hand is off by more than ``hand_px``, or skips a dent between two points, so is the interval.
    """
    found: dict[str, Outcome] = {
        measure: Measured(step, max(0.0, step - MATCH), min(1.0, step + MATCH), note="By the comparison series.")
        for measure, step in label.matches.items()
    }
    wanted, lacking = _wanted(label, limits)
    found |= lacking
    if not wanted:
        return found
    drawing = _drawing(label, (int(image.shape[0]), int(image.shape[1])))
    first = _taken(label, drawing.strokes, drawing.size)
    rng, hand = np.random.default_rng(_SEED), hand_px * drawing.scale
    moved = [
        _taken(label, [_moved(stroke, rng, hand) for stroke in drawing.strokes], drawing.size) for _ in range(tries)
    ]
    for measure in wanted:
        outcome = first.get(measure, Unmeasured(Reason.NOT_IN_VIEW))
        own = PARTS[label.part].geometry_off.get((measure, str(label.view)), (0.0, 0.0))
        found[measure] = _widened(outcome, [one.get(measure) for one in moved], own)
    return found


def _wanted(label: Label, limits: Limits) -> tuple[tuple[str, ...], dict[str, Outcome]]:
    """The measures that the marks carry, and those that lack something, with what."""
    questions = asked(label.part, label.view, limits)
    marks = {mark.key: mark for mark in (*questions.marks, *questions.regions)}
    drawn = {**{key: len(shape.points) for key, shape in label.marks.items()}, **dict.fromkeys(label.regions, MOST_PX)}
    wanted, lacking = [], {}
    for measure, keys in questions.by_hand.items():
        if keys[0] not in drawn:
            continue
        missing = [marks[key] for key in keys if key not in drawn]
        sparse = [marks[key] for key in keys if key in drawn and drawn[key] < marks[key].points]
        if missing or sparse:
            lacking[measure] = _lacking(missing, sparse)
        else:
            wanted.append(measure)
    return tuple(wanted), lacking


def _lacking(missing: list[Mark], sparse: list[Mark]) -> Outcome:
    parts = [f"draw {mark.title} too" for mark in missing]
    parts += [f"set at least {mark.points} points on {mark.title}" for mark in sparse]
    text = "; ".join(parts)
    return Unmeasured(Reason.NOT_IN_VIEW if missing else Reason.NOT_RESOLVABLE, f"{text[0].upper()}{text[1:]}.")


def _drawing(label: Label, size: tuple[int, int]) -> _Drawing:
    """The marks in the pixels of their surroundings, made smaller where these are large."""
    regions = {mark.key: mark.region for mark in PARTS[label.part].marks}
    listed = [(key, shape) for key, shape in label.marks.items()]
    listed += [(key, shape) for key, shapes in label.regions.items() for shape in shapes]
    placed = [to_pixels(shape.points, size) for _, shape in listed]
    reach = max(shape.radius * size[1] for _, shape in listed) + _MARGIN_PX
    # Near the picture's edge the piece ends with the picture: what is cut off must be seen to be.
    low = np.maximum(np.floor(np.concatenate(placed).min(axis=0) - reach), 0)
    high = np.minimum(np.ceil(np.concatenate(placed).max(axis=0) + reach), size[::-1])
    width, height = np.maximum(high - low, 1)
    scale = min(1.0, MOST_PX / max(width, height))
    strokes = tuple(
        _Stroke(regions[key], shape.kind, (points - low) * scale, shape.radius * size[1] * scale, shape.erase)
        for (key, shape), points in zip(listed, placed, strict=True)
    )
    return _Drawing(strokes, (max(1, round(scale * height)), max(1, round(scale * width))), scale)


def _taken(label: Label, strokes: Sequence[_Stroke], size: tuple[int, int]) -> Mapping[str, Outcome]:
    """The part's measures from what was drawn."""
    covers: dict[str, NDArray[np.float32]] = {}
    for stroke in strokes:
        out = covers.setdefault(stroke.region, np.zeros(size, np.float32))
        paint(out, stroke.points, stroke.kind, radius_px=stroke.radius_px, erase=stroke.erase)
    masks = {region: out >= 0.5 for region, out in covers.items()}
    # Without a reference no measure looks at the picture itself.
    return PARTS[label.part].measure(Scene(np.zeros((*size, 3), np.uint8), masks, str(label.view), covers))


def _moved(stroke: _Stroke, rng: np.random.Generator, hand_px: float) -> _Stroke:
    """A shape as the same hand might have drawn it: every point off by chance, and all of them too far in or out."""
    points = stroke.points + rng.normal(0, hand_px / 2, stroke.points.shape)
    out_by, radius = rng.normal(0, hand_px / 2), stroke.radius_px
    if stroke.kind == "brush":
        radius = max(0.5, radius + out_by)
    elif stroke.kind == "line":
        points[[0, -1]] += out_by * _unit(stroke.points[[0, -1]] - stroke.points[[1, -2]])
    else:
        before, after = np.roll(stroke.points, 1, axis=0), np.roll(stroke.points, -1, axis=0)
        along = _unit(after - before)
        turning = np.sign(np.sum(before[:, 0] * stroke.points[:, 1] - before[:, 1] * stroke.points[:, 0])) or 1.0
        points += out_by * turning * np.column_stack([along[:, 1], -along[:, 0]])
    return replace(stroke, points=points, radius_px=radius)


def _unit(vectors: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(vectors / np.maximum(np.hypot(*vectors.T), 1e-9)[:, None], np.float64)


def _widened(outcome: Outcome, moved: Sequence[Outcome | None], own: tuple[float, float]) -> Outcome:
    """The outcome with its interval widened by as much as the hand moved it, and by how far the measure itself is off.

    A hand's error moves some measures one way only: noise on a round rim makes it less round. Drawn with an error
    as these were with a second one, the value is off by as much as they are off from it, so what they show to one
    side is allowed for on both.
    """
    if isinstance(outcome, Unmeasured):
        return outcome
    off = max((abs(one.value - outcome.value) for one in moved if isinstance(one, Measured)), default=0.0)
    return replace(outcome, low=max(0.0, outcome.low - off - own[0]), high=outcome.high + off + own[1])


def outcome_to_dict(outcome: Outcome) -> dict[str, Any]:
    """A measure as JSON: value, interval and unit, or the reason why there is none; without its course."""
    if isinstance(outcome, Unmeasured):
        return {"value": None, "reason": str(outcome.reason), "note": outcome.note}
    value, low, high = (round(number, 6) for number in (outcome.value, outcome.low, outcome.high))
    return {"value": value, "low": low, "high": high, "unit": outcome.unit, "note": outcome.note}


def outcome_from_dict(body: Mapping[str, Any]) -> Outcome:
    """A measure from its JSON form.

    Raises:
        LabelError: it is none.
    """
    try:
        if body["value"] is None:
            return Unmeasured(Reason(body["reason"]), str(body.get("note", "")))
        value, low, high = (float(body[key]) for key in ("value", "low", "high"))
        return Measured(value, low, high, str(body.get("unit", "1")), note=str(body.get("note", "")))
    except (KeyError, TypeError, ValueError) as error:
        raise LabelError("measured", f"no measure: {error}.") from None


__all__ = ["HAND_PX", "MATCH", "measured", "outcome_from_dict", "outcome_to_dict"]
