"""The simulated company: that it is the same each time, its labeller, its curves, and its way to grade."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import torch
from hypothesis import given
from hypothesis import strategies as st

from wearvision.grade import Grader
from wearvision.labels.label import NONE
from wearvision.network import ModelFolder
from wearvision.standard import load_limits
from wearvision.standard.grades import GRADES, worst
from wearvision_training.company.fleet import FAMILIES, PHOTOS_A_MACHINE, taken
from wearvision_training.company.gains import between, gain, labels_for
from wearvision_training.company.labeller import SEEN_WITHIN, SLIPS, label_of
from wearvision_training.company.photos import SIDE, draw_photos
from wearvision_training.company.remembered import Again, look_with
from wearvision_training.families import families
from wearvision_training.school.weights import load_weights
from wearvision_training.studio import draw

torch.set_num_threads(1)


def test_the_fleet_is_the_same_each_time_and_its_designs_are_none_that_was_trained_on() -> None:
    first, again = list(taken(24, 3)), list(taken(24, 3))
    assert [one.recipe.to_json() for one in first] == [one.recipe.to_json() for one in again]
    assert [one.machine for one in first] == [one.machine for one in again]
    assert {one.machine for one in first} == {f"OH-{number:04d}" for number in range(24 // PHOTOS_A_MACHINE)}
    for part, family in FAMILIES.items():
        assert family not in families(part, "train")
        assert family not in families(part, "calibrate")
    assert all(one.recipe.family == FAMILIES[one.recipe.part] for one in first if one.recipe.part != NONE)


def test_parts_of_one_machine_seen_from_one_side_are_of_one_design() -> None:
    seen: dict[tuple[str, str, str], Any] = {}
    met = 0
    for one in taken(80, 3):
        if one.recipe.part == NONE:
            continue
        key = (one.machine, one.recipe.part, str(one.recipe.view))
        met += key in seen
        assert seen.setdefault(key, one.recipe.design) == one.recipe.design
    assert met > 2


def test_photos_are_drawn_once_and_then_read(tmp_path: Path) -> None:
    made = draw_photos(tmp_path, 2, seed=3, workers=1)
    before = {file: file.stat().st_mtime_ns for file in tmp_path.iterdir()}
    read = draw_photos(tmp_path, 2, seed=3, workers=1)
    assert made.machines == read.machines
    assert made.truths == read.truths
    for one, other, record in zip(made.images, read.images, taken(2, 3), strict=True):
        np.testing.assert_array_equal(one, other)
        np.testing.assert_array_equal(one, draw(record.recipe, SIDE).image)
    assert {file: file.stat().st_mtime_ns for file in tmp_path.iterdir()} == before


FAR = float(np.exp(5 * SEEN_WITHIN))
"""An eye's error by this factor is as rare as five standard deviations."""


@given(haze=st.floats(0, 0.9), film=st.floats(0, 0.9), seed=st.integers(0, 2**32 - 1))
def test_wear_far_from_limits_is_labelled_right_but_for_slips(haze: float, film: float, seed: int) -> None:
    limits = load_limits()
    measures = {"haze": haze, "film_loss": film}
    right = {name: limits.row("flame_cell", name).grade_of(value) for name, value in measures.items()}
    for name, value in measures.items():
        row = limits.row("flame_cell", name)
        if row.grade_of(value / FAR) != row.grade_of(value * FAR):
            return
    truth = {"part": "flame_cell", "view": "face", "measures": measures}
    rng = np.random.default_rng(seed)
    said = label_of(truth, rng)
    asked_of = {mode.measure: said.modes[mode.key] for mode in _modes() if mode.measure in measures}
    wrong = [name for name, answer in asked_of.items() if answer not in (right[name], "absent")]
    if wrong:  # a slip: rare, and of one mode alone
        assert len(wrong) == 1
        assert SLIPS > 0
    else:
        assert said.grade == worst([right[name] for name in asked_of])
    for name, step in said.matches.items():
        assert abs(step - measures[name]) <= 0.35
        assert step * 10 == pytest.approx(round(step * 10))


def _modes() -> Any:
    from wearvision.parts import PARTS

    return PARTS["flame_cell"].modes


def test_slips_are_as_rare_as_said() -> None:
    truth = {"part": "flame_cell", "view": "face", "measures": {"haze": 0.0, "film_loss": 0.0}}
    rng = np.random.default_rng(5)
    answers = [answer for _ in range(2000) for answer in label_of(truth, rng).modes.values() if answer != "not seen"]
    slipped = sum(answer in GRADES[1:] for answer in answers) / len(answers)
    assert 0 < slipped <= 2 * SLIPS


def test_something_else_is_labelled_as_no_part() -> None:
    said = label_of({"part": NONE, "view": None, "measures": {}}, np.random.default_rng(1))
    assert said.part == NONE
    assert said.grade is None


def _rows(order: str, seed: int, *values: tuple[int, float]) -> list[dict[str, Any]]:
    return [
        {"order": order, "seed": seed, "labels": size, "clear": {"macro_f1": {"value": value}}}
        for size, value in values
    ]


def test_area_between_the_curves_by_hand() -> None:
    rows = [
        *_rows("queue", 1, (0, 0.7), (100, 0.9), (300, 0.9)),
        *_rows("lot", 1, (0, 0.7), (100, 0.8), (300, 0.9)),
        *_rows("queue", 2, (0, 0.7), (100, 0.8), (300, 0.9)),
        *_rows("lot", 2, (0, 0.7), (100, 0.8), (300, 0.9)),
    ]
    found = between(rows, (0, 100, 300))
    # Seed 1: trapezia of 0, 0.1, 0 over 100 and 200 labels make 5 + 10, over 300 labels 0.05; seed 2: 0.
    assert found["each"] == [0.05, 0.0]
    assert found["mean"] == pytest.approx(0.025)
    # Student's t at 97.5 % with one degree of freedom is 12.706 (table); sd / sqrt(2) is 0.025.
    assert found["high"] - found["mean"] == pytest.approx(12.706 * 0.025, rel=1e-4)
    assert gain(rows, "queue", 100)["each"] == [0.2, 0.1]


def test_labels_for_a_goal_are_read_off_between_two_sizes() -> None:
    rows = _rows("queue", 1, (200, 0.9), (0, 0.7), (600, 0.96))
    assert labels_for(rows, "queue", 1, 0.8) == pytest.approx(100)
    assert labels_for(rows, "queue", 1, 0.95) == pytest.approx(200 + 400 * 5 / 6)
    assert labels_for(rows, "queue", 1, 0.6) == 0
    assert labels_for(rows, "queue", 1, 0.97) is None
    assert labels_for(rows, "lot", 1, 0.6) is None


def test_remembered_grading_is_the_graders_own() -> None:
    """Against the library's grader with the same network in its own runtime."""
    model = ModelFolder.open("mixed-2")
    images = [draw(one.recipe, SIDE).image for one in taken(2, 3)]
    network = load_weights(model.path / "weights.safetensors")
    kept = look_with(network, images, int(model.record["input"]["size"]), torch.device("cpu"), 1)
    again = Again(kept, model.path, workers=1).graded(model.path)
    grader = Grader(model.path)
    for image, report in zip(images, again, strict=True):
        own = grader.grade_image(image).to_dict()
        assert report["grade"] == own["grade"]
        assert report["possible_grades"] == own["possible_grades"]
        assert report["part"]["name"] == own["part"]["name"]
        for line, other in zip(report["measures"], own["measures"], strict=True):
            assert line["name"] == other["name"]
            if other["value"] is None:
                assert line["value"] is None
            else:
                assert line["value"] == pytest.approx(other["value"], abs=0.02, rel=0.05)
