"""How small a change of the photo makes a part to be replaced a serviceable one: plain changes, and the gradient's."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, cast

import cv2
import numpy as np
from numpy.typing import NDArray

from wearvision.standard.grades import GRADES
from wearvision_training.assessment.answers import Answers, Case, answer
from wearvision_training.assessment.changes import Change, exposed, jpeg
from wearvision_training.assessment.intervals import Figure, rare, share_of
from wearvision_training.dataset import PictureSet

QUALITY = 90
"""Every changed photo is saved as JPEG once more before it is graded, as it would be sent."""
BUDGETS = (1, 2, 4, 8)
"""Bounds on the change of each code of the gradient attack."""

Photo = NDArray[np.uint8]


def blurred(image: Photo, sigma: float) -> Photo:
    """Out of focus by ``sigma`` pixels."""
    return np.asarray(cv2.GaussianBlur(image, (0, 0), sigma), np.uint8)


def noisy(image: Photo, sigma: float) -> Photo:
    """With noise of ``sigma`` codes, the same each time."""
    noise = np.random.default_rng(7).normal(0, sigma, image.shape)
    return np.clip(np.round(image + noise), 0, 255).astype(np.uint8)


def turned(image: Photo, degrees: float) -> Photo:
    """Turned about its middle; corners are filled from the edge."""
    height, width = image.shape[:2]
    matrix = cv2.getRotationMatrix2D((width / 2, height / 2), degrees, 1.0)
    return np.asarray(cv2.warpAffine(image, matrix, (width, height), borderMode=cv2.BORDER_REFLECT), np.uint8)


def cropped(image: Photo, share: float) -> Photo:
    """Without ``share`` of its width and height at every edge."""
    height, width = image.shape[:2]
    down, right = round(height * share), round(width * share)
    return image[down : height - down, right : width - right].copy()


def faded(image: Photo, share: float) -> Photo:
    """With ``share`` of its contrast taken away, as haze on the lens or a weak print does."""
    return np.round(image * (1 - share) + 255 * share * 0.6).astype(np.uint8)


PLAIN: dict[str, Change] = {
    "saved again": lambda image: image,
    "blur 1 px": lambda image: blurred(image, 1.0),
    "blur 2 px": lambda image: blurred(image, 2.0),
    "half a stop brighter": lambda image: exposed(image, 0.5),
    "half a stop darker": lambda image: exposed(image, -0.5),
    "one stop brighter": lambda image: exposed(image, 1.0),
    "contrast less 30 %": lambda image: faded(image, 0.3),
    "crop 5 %": lambda image: cropped(image, 0.05),
    "crop 12 %": lambda image: cropped(image, 0.12),
    "turned 5 degrees": lambda image: turned(image, 5),
    "turned 15 degrees": lambda image: turned(image, 15),
    "mirrored": lambda image: image[:, ::-1].copy(),
    "JPEG 30": lambda image: jpeg(image, 30),
    "JPEG 10": lambda image: jpeg(image, 10),
    "noise 6 codes": lambda image: noisy(image, 6),
    "noise 15 codes": lambda image: noisy(image, 15),
}
"""What a careless or cheating person can do to a photo, by the name that reports give it."""


def nudged(
    folder: Path,
    pictures: PictureSet,
    *,
    workers: int,
    device: str,
    limit: int | None = None,
    budgets: Sequence[int] = BUDGETS,
) -> dict[str, Any]:
    """Grades the pictures of a set that must be replaced, as they are and after each nudge.

    Args:
        folder: Model folder, with ``weights.safetensors`` for the gradient.
        pictures: Labelled pictures to grade.
        workers: Processes that grade.
        device: Torch device of the gradient: ``"cpu"``, ``"cuda"``.
        limit: At most so many pictures; None for all.
        budgets: Bounds on the change of each code; none for plain nudges alone.

    Returns:
        ``of`` pictures, ``rows``: name to ``first`` and ``silent``, the shares of the pictures whose first grade is
        serviceable, and of those that are called so with no doubt shown.
    """
    worn = _worn(pictures, answer(folder, pictures, workers=workers), limit)
    ways = {name: [change(image) for image in worn.images] for name, change in PLAIN.items()}
    if budgets:
        ways |= {f"gradient, {codes} of 255": found for codes, found in _hidden(folder, worn, device, budgets)}
    images = [jpeg(image, QUALITY) for found in ways.values() for image in found]
    # A list: cropped pictures are smaller than the others, and grading takes one after the other.
    every = replace(
        worn, images=cast(Any, images), truths=[*worn.truths] * len(ways), recipes=[*worn.recipes] * len(ways)
    )
    cases = list(answer(folder, every, workers=workers))
    graded = {name: cases[at * len(worn) : (at + 1) * len(worn)] for at, name in enumerate(ways)}
    rows = {name: _row(found) for name, found in graded.items()}
    rows["the best plain one for each photo"] = _best([graded[name] for name in PLAIN])
    return {"of": len(worn), "rows": rows}


def _worn(pictures: PictureSet, answers: Answers, limit: int | None) -> PictureSet:
    """Those that are to be replaced for sure, and were judged."""
    kept = [
        case.index
        for case in answers
        if case.is_part and case.fit and case.said is not None and list(case.truth["acceptable_grades"]) == ["replace"]
    ][:limit]
    return replace(
        pictures,
        images=pictures.images[kept],
        regions=pictures.regions[:0],
        truths=[pictures.truths[index] for index in kept],
        recipes=[pictures.recipes[index] for index in kept],
    )


def _hidden(folder: Path, worn: PictureSet, device: str, budgets: Sequence[int]) -> Iterator[tuple[int, list[Photo]]]:
    from wearvision.look import look
    from wearvision.network import ModelFolder, Network
    from wearvision_training.assessment.attack import hidden
    from wearvision_training.school.weights import load_weights

    released = Network(ModelFolder.open(folder))
    network = load_weights(folder / "weights.safetensors").to(device).eval()
    windows = [look(released, image).window for image in worn.images]
    parts = [str(truth["part"]) for truth in worn.truths]
    for codes in budgets:
        yield codes, hidden(network, list(worn.images), windows, parts, codes=codes, size=released.size)


def _first(case: Case) -> bool:
    return case.said == GRADES[0]


def _silent(case: Case) -> bool:
    return list(case.report["possible_grades"]) == [GRADES[0]]


def _row(cases: Sequence[Case]) -> dict[str, Figure]:
    return {
        "first": share_of([_first(case) for case in cases]),
        "silent": rare(sum(map(_silent, cases)), len(cases)),
        "turned away": share_of([case.said is None for case in cases]),
    }


def _best(ways: Sequence[Sequence[Case]]) -> dict[str, Figure]:
    """For somebody who tries every way and sends what looks best."""

    def any_of(flag: Callable[[Case], bool]) -> list[bool]:
        return [any(flag(case) for case in cases) for cases in zip(*ways, strict=True)]

    silent = any_of(_silent)
    return {
        "first": share_of(any_of(_first)),
        "silent": rare(sum(silent), len(silent)),
        "turned away": share_of(any_of(lambda case: case.said is None)),
    }


def nudges_table(figures: Mapping[str, Any]) -> str:
    """The figures as lines a person can read."""
    lines = [f"{figures['of']} pictures of parts that must be replaced, saved as JPEG {QUALITY} after each change"]
    lines.append(
        f"{'change':34s} {'first grade serviceable':>30s} {'no doubt shown, upper bound':>30s} {'turned away':>12s}"
    )
    for name, row in figures["rows"].items():
        first, silent, away = row["first"], row["silent"], row["turned away"]
        lines.append(
            f"{name:34s} {first['hits']:>5d}  {first['value']:.3f} [{first['low']:.3f}, {first['high']:.3f}]"
            f" {silent['hits']:>9d}  {silent['value']:.3f}, < {silent['upper']:.3f} {away['value']:>14.3f}"
        )
    return "\n".join(lines)
