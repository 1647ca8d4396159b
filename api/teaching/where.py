"""Where in the photo the wear is: what people drew when they settled it, laid over the photo, and in words."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from wearvision.labels.drawn import mask
from wearvision.labels.label import Label, LabelError
from wearvision.overlay import INK, OUTLINE, WEAR
from wearvision.parts import PARTS
from wearvision_api.store.teaching_tables import ExampleRow

NINTHS = (
    ("upper left", "top", "upper right"),
    ("left", "middle", "right"),
    ("lower left", "bottom", "lower right"),
)
PLACES = tuple(name for row in NINTHS for name in row)
SHARE = 0.15
"""Of what is drawn that must lie in a ninth of the picture for it to be named; smaller spills over its edge are not."""
LOOKED_AT = (480, 480)
Mask = NDArray[np.bool_]


def drawn_label(row: ExampleRow) -> Label | None:
    """The newest label that stands for a settled example and has something drawn; None where nobody drew anything."""
    truth = row.truth or {}
    standing = [one.body for one in row.labels if one.withdrawn_at is None]
    brought = [one["body"] for one in (row.brought or {}).get("labels", ())]
    for body in [*reversed(standing), *reversed(brought)]:
        try:
            label = Label.read(body)
        except LabelError:
            continue  # under limits of another time
        if (label.part, label.view, label.grade) == (truth.get("part"), truth.get("view"), truth.get("grade")) and (
            label.marks or label.regions
        ):
            return label
    return None


def masks(label: Label, size: tuple[int, int]) -> dict[str, Mask]:
    """What a label has drawn, by key of the mark, each as a mask of a size."""
    shapes = {key: (shape,) for key, shape in label.marks.items()} | dict(label.regions)
    return {key: mask(all_of_it, size) for key, all_of_it in shapes.items()}


def wear_keys(part: str) -> frozenset[str]:
    """Marks of a part that show wear itself, not the outline of what is measured."""
    spec = PARTS[part]
    return frozenset(mark.key for mark in spec.marks if mark.shape != "outline")


def places(drawn: Mask) -> tuple[str, ...]:
    """The ninths of the picture in which something drawn lies, most of it first; empty where nothing is drawn.

    Example:
        >>> left = np.zeros((90, 90), bool)
        >>> left[40:50, 5:20] = True
        >>> places(left)
        ('left',)
    """
    rows, columns = np.nonzero(drawn)
    if not rows.size:
        return ()
    cells = rows * 3 // drawn.shape[0] * 3 + columns * 3 // drawn.shape[1]
    shares = np.bincount(cells, minlength=9) / rows.size
    order = sorted(range(9), key=lambda cell: (-shares[cell], cell))
    return tuple(PLACES[cell] for cell in order if shares[cell] >= SHARE)


def wear_places(label: Label | None, modes: Iterable[str]) -> tuple[str, ...]:
    """The ninths in which the drawn wear of some modes lies; empty where it was not drawn."""
    if label is None or label.part not in PARTS:
        return ()
    spec = PARTS[label.part]
    regions = {mode.region for mode in spec.modes if mode.key in set(modes)}
    keys = {mark.key for mark in spec.marks if mark.region in regions} & wear_keys(label.part)
    found = [one for key, one in masks(label, LOOKED_AT).items() if key in keys]
    return places(np.any(found, axis=0)) if found else ()


def words(label: Label | None) -> tuple[str, ...]:
    """Everything drawn, in words: a text beside the picture for whoever cannot see it."""
    if label is None:
        return ()
    titles: Mapping[str, str] = {mark.key: mark.title for mark in PARTS[label.part].marks}
    return tuple(f"{titles[key].capitalize()}: {_spread(one)}." for key, one in masks(label, LOOKED_AT).items())


def _spread(drawn: Mask) -> str:
    names, (height, width) = places(drawn), drawn.shape
    rows, columns = np.nonzero(drawn)
    if not rows.size:
        return "too small to be seen here"
    across, down = np.ptp(columns) + 1, np.ptp(rows) + 1
    return f"{_joined(names) or 'all over'}, {across / width:.0%} of the picture wide and {down / height:.0%} high"


def _joined(names: Sequence[str]) -> str:
    return " and ".join([", ".join(names[:-1]), names[-1]]) if len(names) > 1 else "".join(names)


def laid_over(image: NDArray[np.uint8], label: Label) -> NDArray[np.uint8]:
    """A photo with what a label has drawn: wear in one colour, outlines of the part in another.

    Args:
        image: RGB, (H, W, 3) uint8, upright; not changed.
        label: Of this photo.
    """
    out = image.copy()
    wear = wear_keys(label.part)
    height, width = image.shape[:2]
    thick = max(2, round(max(height, width) / 320))
    for key, one in masks(label, (height, width)).items():
        contours, _ = cv2.findContours(one.astype(np.uint8), cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
        cv2.drawContours(out, contours, -1, INK, thick * 2, cv2.LINE_AA)
        cv2.drawContours(out, contours, -1, WEAR if key in wear else OUTLINE, thick, cv2.LINE_AA)
    return out


def legend(label: Label) -> dict[str, Any]:
    """What the colours stand for: whether wear and whether outlines are drawn."""
    keys = {*label.marks, *label.regions}
    return {"wear": bool(keys & wear_keys(label.part)), "outlines": bool(keys - wear_keys(label.part))}
