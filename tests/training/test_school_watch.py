"""Figures on watched pictures, against what can be counted by hand."""

from __future__ import annotations

import math
from dataclasses import dataclass

import pytest
import torch
from torch import nn

from wearvision.standard import load_limits
from wearvision_training.losses import Targets, measure_scales
from wearvision_training.network import MEASURES, PART_NAMES, REGIONS, VIEW_NAMES, Outputs
from wearvision_training.school.material import Held
from wearvision_training.school.watch import REACH, watch

HAZE = MEASURES.index("flame_cell.haze")


@dataclass
class Said:
    part: str
    haze: float
    spread: float
    worn: bool


class Parrot(nn.Module):
    """Says what it was told, a picture at a time."""

    def __init__(self, told: list[Said]) -> None:
        super().__init__()
        self.told = told

    def forward(self, pictures: torch.Tensor) -> Outputs:
        said, self.told = self.told[: len(pictures)], self.told[len(pictures) :]
        count = len(said)
        part = torch.zeros(count, len(PART_NAMES))
        value, spread, presence = (torch.zeros(count, len(MEASURES)) for _ in range(3))
        for row, one in enumerate(said):
            part[row, PART_NAMES.index(one.part)] = 1
            value[row, HAZE] = one.haze / measure_scales()[HAZE]
            spread[row, HAZE] = one.spread / measure_scales()[HAZE]
            presence[row, HAZE] = 3.0 if one.worn else -3.0
        empty = torch.zeros(count, len(REGIONS), 4, 4)
        views, grades = torch.zeros(count, len(VIEW_NAMES)), torch.zeros(count, 3)
        grades[:, 2] = 1
        reach = torch.zeros(count, len(MEASURES), 0)
        return Outputs(part, views, grades, value, value, spread, presence, reach, empty, empty)


def _held(truths: list[dict]) -> Held:
    images = torch.zeros(len(truths), 64, 64, 3, dtype=torch.uint8)
    return Held(images, torch.empty(0), Targets.of(truths))


def _truth(haze: float) -> dict:
    grade, _, borderline = load_limits().grade_part("flame_cell", {"haze": haze})
    return {"part": "flame_cell", "view": "face", "measures": {"haze": haze}, "grade": grade, "borderline": borderline}


def test_figures_are_what_can_be_counted() -> None:
    truths = [_truth(0.0), _truth(0.0), _truth(0.6), _truth(0.8)]
    told = [
        Said("flame_cell", 0.0, 0.01, False),
        Said("flame_cell", 0.5, 0.01, True),  # a false alarm: serviceable called replace
        Said("flame_cell", 0.55, 0.05 / REACH + 0.001, True),  # off by 0.05, just inside
        Said("none", 0.7, 0.1 / REACH - 0.001, True),  # off by 0.1, just outside
    ]
    found = watch(Parrot(told), _held(truths), 64, torch.device("cpu"), batch=3)  # type: ignore[arg-type]
    assert found["part"] == pytest.approx(3 / 4)
    assert found["grade"] == pytest.approx(2 / 4)
    assert found["grade_by_values"] == pytest.approx(3 / 4)
    assert found["flame_cell.haze.error"] == pytest.approx(0.075, abs=1e-6)
    assert found["flame_cell.haze.constant"] == pytest.approx(0.1, abs=1e-6)
    assert found["relative_error"] == pytest.approx(0.75, abs=1e-5)
    assert found["flame_cell.haze.held"] == pytest.approx(0.5)
    assert found["flame_cell.haze.f1"] == pytest.approx(2 * 2 / (2 * 2 + 1))
    assert found["flame_cell.haze.auroc"] == pytest.approx(0.75)
    assert math.isnan(found["coupler.bow_ratio.error"])


def test_stated_interval_of_a_laplace_error_holds_as_often_as_it_says() -> None:
    errors = torch.distributions.Laplace(0.0, 0.2).sample((20000,))
    assert float((errors.abs() <= REACH * 0.2).float().mean()) == pytest.approx(0.95, abs=0.01)
