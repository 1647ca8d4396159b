"""What worker processes do with a model folder: examine photos to calibrate, grade them to compare."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wearvision.errors import PhotoError
from wearvision.grade import Grader
from wearvision.network import ModelFolder, Network
from wearvision_training.calibrate import Seen, seen_in
from wearvision_training.retrain.glimpses import read_picture
from wearvision_training.retrain.progress import Failed

KEPT = ("grade", "possible_grades", "probabilities", "refusal", "part", "faults", "measures")
"""What of a report is compared."""


@dataclass(frozen=True, slots=True)
class Look:
    """A picture to look at with a model.

    Attributes:
        model: Its folder.
        picture: A photo, or the picture itself, RGB uint8.
        truth: Of the picture; its part is taken as known in an examination.
        limits: File of the site's limits, or None.
    """

    model: str
    picture: Path | NDArray[np.uint8]
    truth: Mapping[str, Any]
    limits: str | None = None


def examine(task: Look) -> Seen:
    """What the library sees, before calibration.

    Raises:
        Failed: the photo cannot be read.
    """
    image = read_picture(task.picture) if isinstance(task.picture, Path) else task.picture
    return seen_in(_network(task.model), image, task.truth)


def grade(task: Look) -> dict[str, Any]:
    """The library's answer, as a user would get it.

    Raises:
        Failed: the photo cannot be read.
    """
    grader = _grader(task.model, task.limits)
    if isinstance(task.picture, Path):
        try:
            report = grader.grade(task.picture).to_dict()
        except PhotoError as error:
            raise Failed(f"The photo {task.picture.name} cannot be read: {error}") from error
    else:
        report = grader.grade_image(task.picture).to_dict()
    return {name: report[name] for name in KEPT if name in report} | {"refusal": report.get("refusal")}


@lru_cache(maxsize=2)
def _network(folder: str) -> Network:
    return Network(ModelFolder.open(folder))


@lru_cache(maxsize=2)
def _grader(folder: str, limits: str | None) -> Grader:
    return Grader(folder, limits)
