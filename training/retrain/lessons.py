"""What labels teach: intervals of the measures, sets of right grades, and the worst mode where nobody said which."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import torch
from torch import Tensor

from wearvision.labels.bounds import range_of
from wearvision.labels.truth import Truth
from wearvision.parts import PARTS
from wearvision.standard import Limits
from wearvision.standard.grades import GRADES
from wearvision_training.losses import IGNORE, measure_scales
from wearvision_training.network import MEASURES, PART_NAMES, VIEW_NAMES


@dataclass(frozen=True, slots=True)
class Lessons:
    """Labels of N pictures as tensors; measures in units of ``measure_scales``.

    Attributes:
        part: (N,) index, ``IGNORE`` where unknown. view: (N,) likewise.
        accepted: (N, 3) bool, the grades that are a right answer; none where there is no grade.
        low: (N, M) lower end of each measure, NaN where nothing is known. high: (N, M) upper end.
        least: (N, M) one of these values at least is reached, NaN for measures that are not meant.
    """

    part: Tensor
    view: Tensor
    accepted: Tensor
    low: Tensor
    high: Tensor
    least: Tensor

    def __len__(self) -> int:
        return len(self.part)

    def at(self, index: Tensor) -> Lessons:
        """The labels of some pictures."""
        return Lessons(*(getattr(self, name)[index] for name in self.__slots__))

    def to(self, device: torch.device) -> Lessons:
        """The same on another device."""
        return Lessons(*(getattr(self, name).to(device) for name in self.__slots__))

    def opinions_only(self) -> Lessons:
        """The same without measures, for a look from which grading takes none."""
        unknown = torch.full_like(self.low, torch.nan)
        return Lessons(self.part, self.view, self.accepted, unknown, unknown, unknown)

    @classmethod
    def joined(cls, pieces: Sequence[Lessons]) -> Lessons:
        """The labels of several groups of pictures, one after another."""
        return cls(*(torch.cat([getattr(one, name) for one in pieces]) for name in cls.__slots__))

    @classmethod
    def of_drawn(cls, truths: Sequence[Mapping[str, Any]]) -> Lessons:
        """Of drawn pictures, whose truth is exact: labels in the form of ``dataset.truth_of``."""
        rows = _Rows(len(truths))
        for row, truth in enumerate(truths):
            rows.says(row, truth["part"], truth["view"], truth["acceptable_grades"])
            for name, value in truth["measures"].items():
                rows.bounds(row, f"{truth['part']}.{name}", value, value)
        return rows.lessons()

    @classmethod
    def of_truths(cls, truths: Sequence[Truth], limits: Limits) -> Lessons:
        """Of a site's photos: what its labels, readings and pairs settled.

        A photo that is not fit to judge teaches part and view alone.

        Args:
            truths: Of the photos.
            limits: Under which they were labelled.
        """
        rows = _Rows(len(truths))
        for row, truth in enumerate(truths):
            rows.says(row, truth.part, truth.view, truth.acceptable_grades if truth.fit else ())
            if not truth.fit or truth.part not in PARTS:
                continue
            for name, bound in truth.bounds.items():
                rows.bounds(row, f"{truth.part}.{name}", bound.low, bound.high)
            if truth.at_least is not None:
                spec = PARTS[truth.part]
                for mode in map(spec.mode, truth.at_least.modes):
                    limit = limits.row(truth.part, mode.measure)
                    rows.reaches(row, f"{truth.part}.{mode.measure}", range_of(limit, truth.at_least.grade).low)
        return rows.lessons()


class _Rows:
    """Lessons while they are filled in."""

    def __init__(self, count: int) -> None:
        self.part, self.view = np.full(count, IGNORE), np.full(count, IGNORE)
        self.accepted = np.zeros((count, len(GRADES)), bool)
        self.low, self.high, self.least = (np.full((count, len(MEASURES)), np.nan, np.float32) for _ in range(3))
        self.scales = measure_scales().numpy()

    def says(self, row: int, part: str | None, view: str | None, grades: Sequence[str]) -> None:
        self.part[row] = PART_NAMES.index(part) if part else IGNORE
        self.view[row] = VIEW_NAMES.index(view) if view else IGNORE
        self.accepted[row] = [grade in grades for grade in GRADES]

    def bounds(self, row: int, key: str, low: float, high: float) -> None:
        column = MEASURES.index(key)
        self.low[row, column], self.high[row, column] = low / self.scales[column], high / self.scales[column]

    def reaches(self, row: int, key: str, least: float) -> None:
        column = MEASURES.index(key)
        self.least[row, column] = least / self.scales[column]

    def lessons(self) -> Lessons:
        return Lessons(*(torch.from_numpy(getattr(self, name)) for name in Lessons.__slots__))
