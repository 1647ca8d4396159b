"""Grades a labelled set with the library, as a user's photos would be, and keeps truth and answer together."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wearvision.grade import Grader
from wearvision.parts import PARTS
from wearvision_training.assessment.changes import CHANGES, Change
from wearvision_training.dataset import PictureSet

Row = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Case:
    """One picture: what is true, what was answered, how it was made.

    Attributes:
        index: Its place in the set.
        truth: The label, see ``dataset.truth_of``.
        report: The library's answer as JSON values.
        recipe: The parameter record; empty for a set without.
    """

    index: int
    truth: Row
    report: Row
    recipe: Row

    @property
    def is_part(self) -> bool:
        """Whether it shows a registered part."""
        return self.truth["part"] in PARTS

    @property
    def fit(self) -> bool:
        """Whether it was made as a photo that can be judged: its recipe names no fault."""
        return not (self.recipe.get("fault") or self.recipe.get("camera", {}).get("fault"))

    @property
    def said(self) -> str | None:
        """The grade that was answered; None where the photo was turned away."""
        grade: str | None = self.report["grade"]
        return grade

    @property
    def refused(self) -> bool:
        """Turned away as not a part, or as one that is not known."""
        return self.said is None and self.report.get("refusal") is not None

    @property
    def named_unfit(self) -> bool:
        """Turned away as a photo that cannot be judged."""
        return self.said is None and not self.refused

    @property
    def clear(self) -> bool:
        """Outside every guard band: one grade alone is right."""
        return not self.truth["borderline"]

    @property
    def right(self) -> bool:
        """Answered with a grade that the standard accepts."""
        return self.said in self.truth["acceptable_grades"]

    @property
    def missed(self) -> bool:
        """The error that matters most: surely to be replaced, and called serviceable."""
        return list(self.truth["acceptable_grades"]) == ["replace"] and self.said == "serviceable"

    @property
    def resolved(self) -> str:
        """The true grade; in a guard band the answered one, where that is accepted."""
        return str(self.said if self.right else self.truth["grade"])

    def line(self, measure: str) -> Row | None:
        """The report's line of a measure; None where it has none or no value."""
        for line in self.report["measures"]:
            if line["name"] == measure and line["value"] is not None:
                found: Row = line
                return found
        return None


@dataclass(frozen=True, slots=True)
class Answers:
    """Truth and report of every picture of a set, in order, and their recipes where the set has them."""

    truths: Sequence[Row]
    reports: Sequence[Row]
    recipes: Sequence[Row] = ()

    def __iter__(self) -> Iterator[Case]:
        recipes = self.recipes or [{}] * len(self.truths)
        rows = zip(self.truths, self.reports, recipes, strict=True)
        return (Case(index, *row) for index, row in enumerate(rows))

    def __len__(self) -> int:
        return len(self.truths)

    def cases(self, wanted: Callable[[Case], bool] = lambda _: True) -> list[Case]:
        """The pictures of registered parts that are wanted."""
        return [case for case in self if case.is_part and wanted(case)]

    def judged(self, wanted: Callable[[Case], bool] = lambda _: True) -> list[Case]:
        """Those pictures of parts that were given a grade."""
        return self.cases(lambda case: case.said is not None and wanted(case))


_grader: Grader | None = None


def _start(folder: str) -> None:
    global _grader  # one session a process
    _grader = Grader(model=folder)


def _grade(image: NDArray[np.uint8], change: str | None) -> Row:
    if _grader is None:
        raise RuntimeError("the worker was not started with a model")
    changed: Change = CHANGES[change] if change else lambda picture: picture
    return _grader.grade_image(changed(image)).to_dict()


def answer(folder: Path, pictures: PictureSet, *, workers: int, change: str | None = None) -> Answers:
    """Grades every picture of a set.

    Args:
        folder: The model folder.
        pictures: The labelled set.
        workers: Processes.
        change: One of ``changes.CHANGES`` to make to each picture first.
    """
    from tqdm import tqdm

    # Spawned, not forked: a fork beside the threads of a runtime already loaded here may wait for ever.
    context = get_context("spawn")
    with ProcessPoolExecutor(workers, context, initializer=_start, initargs=(str(folder),)) as pool:
        graded = pool.map(partial(_grade, change=change), pictures.images, chunksize=16)
        title = f"grading, {change}" if change else "grading"
        reports = list(tqdm(graded, total=len(pictures), desc=title, mininterval=5))
    return Answers(pictures.truths, reports, pictures.recipes)
