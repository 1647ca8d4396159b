"""The photo with its outlined regions and each measure against its limits, so that a person sees why."""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from wearvision.bars import MARKS, bar, headline
from wearvision.parts import PARTS
from wearvision.report import MeasureLine, Report
from wearvision.standard import Limits

SIDE = 720
PANEL = 640
INK, PAPER, FAINT = (28, 32, 38), (250, 248, 243), (170, 168, 160)
GRADE_COLOURS = {"serviceable": (34, 120, 80), "clean-and-reuse": (176, 116, 0), "replace": (190, 40, 40)}
OUTLINE, WEAR = (0, 200, 220), (255, 96, 32)
SEEN = 0.5


def overlay(report: Report, limits: Limits, *, number: int = 0) -> NDArray[np.uint8]:
    """Draws one of a report's pictures.

    Args:
        report: What was found.
        limits: Those that it was judged under.
        number: Which picture, for several photos of one part.

    Returns:
        RGB, (720, 1360, 3) uint8.
    """
    left = outlined(report, number)
    canvas = Image.new("RGB", (SIDE + PANEL, SIDE), PAPER)
    canvas.paste(Image.fromarray(left), (0, 0))
    _panel(ImageDraw.Draw(canvas), report, limits)
    return np.asarray(canvas)


def outlined(report: Report, number: int = 0, *, lines: bool = True) -> NDArray[np.uint8]:
    """The square that was judged, with the outlines of its regions.

    Args:
        report: What was found.
        number: Which picture, for several photos of one part.
        lines: False for the bare square.

    Returns:
        RGB, (720, 720, 3) uint8.
    """
    picture = report.pictures[number]
    large = cv2.resize(picture.image, (SIDE, SIDE), interpolation=cv2.INTER_CUBIC)
    part = PARTS.get(report.part["name"] or "")
    if part is None or not lines:
        return np.asarray(large, np.uint8)
    wear = {mode.region for mode in part.modes} - set(part.outlines) - {"part", "rod"}
    for name, weights in picture.regions.items():
        grown = cv2.resize(weights, (SIDE, SIDE), interpolation=cv2.INTER_LINEAR)
        level = SEEN if name not in ("film", "clouding") else 0.15
        contours, _ = cv2.findContours((grown > level).astype(np.uint8), cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
        contours = [line for line in contours if cv2.contourArea(line) > 30]
        cv2.drawContours(large, contours, -1, INK, 4, cv2.LINE_AA)
        cv2.drawContours(large, contours, -1, WEAR if name in wear else OUTLINE, 2, cv2.LINE_AA)
    scale = SIDE / picture.image.shape[0]
    for trace in picture.traces.values():
        points = np.round((trace[:, ::-1] + 0.5) * scale).astype(np.int32)
        cv2.polylines(large, [points], False, (255, 255, 255), 4, cv2.LINE_AA)
        cv2.polylines(large, [points], False, INK, 2, cv2.LINE_AA)
    return np.asarray(large, np.uint8)


def _panel(draw: ImageDraw.ImageDraw, report: Report, limits: Limits) -> None:
    x, right, y = SIDE + 28, SIDE + PANEL - 28, 24
    part = PARTS.get(report.part["name"] or "")
    draw.text((x, y), part.title if part else "no part recognised", INK, _font(22))
    y += 34
    words = headline(report.grade, report.possible_grades, report.views_missing) if report.usable else "not judged"
    plain = words.lstrip("".join(MARKS.values())).strip()  # Pillow's own font has no such marks
    doubtful = len(report.possible_grades) > 1  # a grade's colour would say more than is known
    y = _wrapped(draw, plain, (x, y), right, None if doubtful else report.grade)
    if report.refusal:
        y = _small(draw, report.refusal, (x, y + 6), right)
    for fault in report.faults:
        y = _small(
            draw, f"{fault.kind} ({fault.value:.2g}, limit {fault.limit:.2g}): {fault.advice}", (x, y + 6), right
        )
    y += 18
    for line in report.measures:
        y = _measure(draw, line, limits, report.part["name"], (x, y), right)
    if report.not_seen:
        y = _small(draw, "Not seen, so not cleared: " + ", ".join(report.not_seen) + ".", (x, y), right)
    _small(
        draw,
        "From the photo only. Confirm by the hand checks; the maker's manual and local code win.",
        (x, SIDE - 48),
        right,
    )


def _measure(
    draw: ImageDraw.ImageDraw, line: MeasureLine, limits: Limits, part: str, at: tuple[int, int], right: int
) -> int:
    x, y = at
    draw.text((x, y), f"{line.mode}   {line.name}", INK, _font(16))
    if line.value is None:
        said = f"not seen: {(line.reason or '').replace('_', ' ')}"
        draw.text((right, y), said, FAINT, _font(15), anchor="ra")
        return y + 40
    colour = GRADE_COLOURS.get(line.grade or "", INK)
    draw.text(
        (right, y), f"{line.value:.3f}  ({line.low:.3f}-{line.high:.3f})  {line.grade}", colour, _font(15), anchor="ra"
    )
    place = bar(line, limits.row(part, line.name))
    top, bottom, width = y + 24, y + 34, right - x
    draw.rectangle((x, top, right, bottom), outline=FAINT)
    draw.rectangle((x + width * (place.low or 0), top + 3, x + width * (place.high or 0), bottom - 3), fill=FAINT)
    for position, grade in place.ticks:
        draw.line((x + width * position, top - 4, x + width * position, bottom + 4), GRADE_COLOURS[grade], 3)
    middle = x + width * (place.value or 0)
    draw.polygon([(middle - 6, top - 2), (middle + 6, top - 2), (middle, bottom)], colour)
    return y + 52


def _wrapped(
    draw: ImageDraw.ImageDraw, text: str, at: tuple[int, int], right: int, grade: str | None, size: int = 26
) -> int:
    font, (x, y) = _font(size), at
    for row in _rows(draw, text, font, right - x):
        draw.text((x, y), row, GRADE_COLOURS.get(grade or "", INK), font)
        y += int(size * 1.25)
    return y


def _small(draw: ImageDraw.ImageDraw, text: str, at: tuple[int, int], right: int) -> int:
    return _wrapped(draw, text, at, right, None, 15)


def _rows(draw: ImageDraw.ImageDraw, text: str, font: ImageFont.FreeTypeFont, width: int) -> list[str]:
    rows, current = [], ""
    for word in text.split():
        longer = f"{current} {word}".strip()
        if current and draw.textlength(longer, font) > width:
            rows.append(current)
            current = word
        else:
            current = longer
    return [*rows, current]


@cache
def _font(size: int) -> ImageFont.FreeTypeFont:
    font = ImageFont.load_default(size)
    if not isinstance(font, ImageFont.FreeTypeFont):
        raise RuntimeError("Pillow was built without FreeType; install the wheel from the package index")
    return font
