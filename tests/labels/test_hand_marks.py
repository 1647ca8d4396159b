"""Marks by hand against the exact truth of drawn pictures: how often the measure's interval holds it.

Reference: the sketch studio's own truth of each picture (training/studio.py), not a measurement.
"""

from __future__ import annotations

from collections import defaultdict

import numpy as np
import pytest
from careful_hand import label_of
from drawn_labels import VIEWS

from wearvision.labels import Label, LabelError, asked
from wearvision.labels.measuring import measured, outcome_from_dict, outcome_to_dict
from wearvision.measure.result import Measured, Reason, Unmeasured
from wearvision.parts import PARTS, Scene
from wearvision.standard import load_limits
from wearvision_training.example import Example
from wearvision_training.studio import draw, sample_recipe

LIMITS = load_limits()
SIZE = 512


def picture(part: str, view: str, seed: int) -> Example:
    rng = np.random.default_rng([31, seed, sorted(PARTS).index(part), len(view)])
    return draw(sample_recipe(part, rng, view=view), SIZE)


@pytest.mark.parametrize(("part", "view"), VIEWS)
def test_the_truth_lies_in_the_interval_of_what_a_hand_drew(part: str, view: str) -> None:
    held = found = 0
    for seed in range(2):
        example = picture(part, view, seed)
        label = label_of(example, np.random.default_rng(seed), 1.5)
        for measure, outcome in measured(label, example.image, LIMITS).items():
            truth = example.measures[measure]
            if isinstance(outcome, Measured) and truth is not None:
                found += 1
                held += outcome.low - 1e-6 <= truth <= outcome.high + 1e-6
    assert found >= 2
    assert held >= found - 1, f"{held} of {found}"


@pytest.mark.bench
@pytest.mark.parametrize("hand_px", [0.0, 1.0, 2.0])
def test_how_often_the_interval_holds_the_truth(hand_px: float, capsys: pytest.CaptureFixture[str]) -> None:
    rows: dict[tuple[str, str, str], list[tuple[float, Measured]]] = defaultdict(list)
    for part, view in VIEWS:
        for seed in range(100, 125):
            example = picture(part, view, seed)
            label = label_of(example, np.random.default_rng(seed), hand_px)
            for measure, outcome in measured(label, example.image, LIMITS).items():
                if isinstance(outcome, Measured) and (truth := example.measures[measure]) is not None:
                    rows[part, view, measure].append((truth, outcome))
    inside = {key: [one.low - 1e-6 <= truth <= one.high + 1e-6 for truth, one in row] for key, row in rows.items()}
    with capsys.disabled():
        print(f"\nhand off by {hand_px:g} px, pictures of {SIZE} px")
        for (part, view, measure), row in rows.items():
            half = float(np.median([(one.high - one.low) / 2 for _, one in row]))
            held = inside[part, view, measure]
            print(f"  {part:10} {view:4} {measure:18} {sum(held):3} of {len(held):3}  half width {half:.3f}")
        print(f"  all {sum(map(sum, inside.values()))} of {sum(map(len, inside.values()))}")
    assert sum(map(sum, inside.values())) >= 0.9 * sum(map(len, inside.values()))


@pytest.mark.bench
def test_how_far_geometry_itself_is_off(capsys: pytest.CaptureFixture[str]) -> None:
    """What ``geometry_off`` of the parts stands on: the true regions measured, truth against interval."""
    below: dict[tuple[str, str, str], list[float]] = defaultdict(list)
    above: dict[tuple[str, str, str], list[float]] = defaultdict(list)
    for part, view in VIEWS:
        for seed in range(200, 260):
            example = picture(part, view, seed)
            for measure, outcome in PARTS[part].measure(Scene(example.image, example.masks, view)).items():
                truth = example.measures.get(measure)
                if isinstance(outcome, Measured) and truth is not None:
                    below[part, view, measure].append(max(0.0, outcome.low - truth))
                    above[part, view, measure].append(max(0.0, truth - outcome.high))
    with capsys.disabled():
        for key, under in below.items():
            ends = [float(np.quantile(off, 0.95)) for off in (under, above[key])]
            print(f"  {key}: {len(under)} pictures, 95 % below {ends[0]:.4f}, above {ends[1]:.4f}")
    assert all(np.isfinite(off).all() for off in below.values())


def test_more_of_a_shaking_hand_is_a_wider_interval() -> None:
    example = picture("flame_cell", "face", 1)
    label = label_of(example, np.random.default_rng(0), 0.0)
    steady, shaky = (measured(label, example.image, LIMITS, hand_px=px)["rim_deviation"] for px in (0.5, 4.0))
    assert isinstance(steady, Measured)
    assert isinstance(shaky, Measured)
    assert shaky.high - shaky.low > steady.high - steady.low
    assert steady.value == shaky.value


def round_label(points: int, **more: object) -> Label:
    turn = np.arange(points) * 2 * np.pi / points
    circle = [[0.5 + 0.3 * float(np.cos(t)), 0.5 + 0.3 * float(np.sin(t))] for t in turn]
    marks = {"rim": {"shape": "outline", "points": circle}}
    return Label.read({"part": "flame_cell", "view": "face", "marks": marks} | more)


IMAGE = np.zeros((500, 500, 3), np.uint8)


def test_a_circle_of_few_points_is_round() -> None:
    found = measured(round_label(12), IMAGE, LIMITS)["rim_deviation"]
    assert isinstance(found, Measured)
    assert found.value < 0.005
    assert found.low == 0.0


def test_too_few_points_and_missing_marks_say_what_to_draw() -> None:
    sparse = measured(round_label(8), IMAGE, LIMITS)["rim_deviation"]
    assert isinstance(sparse, Unmeasured)
    assert sparse.reason is Reason.NOT_RESOLVABLE
    assert "at least 12 points" in sparse.note
    crack = {"marks": {"crack": {"shape": "line", "points": [[0.4, 0.4], [0.6, 0.6]]}}}
    lone = measured(Label.read({"part": "flame_cell", "view": "face"} | crack), IMAGE, LIMITS)
    assert set(lone) == {"crack_ratio"}
    assert isinstance(lone["crack_ratio"], Unmeasured)
    assert "window" in lone["crack_ratio"].note


def test_a_crack_is_as_long_as_drawn_over_the_window() -> None:
    window = round_label(16).to_dict()["marks"]["rim"]
    marks = {"window": window, "crack": {"shape": "line", "points": [[0.4, 0.5], [0.55, 0.5]]}}
    found = measured(Label.read({"part": "flame_cell", "view": "face", "marks": marks}), IMAGE, LIMITS)["crack_ratio"]
    assert isinstance(found, Measured)
    assert found.value == pytest.approx(0.15 / 0.6, abs=0.01)
    assert found.low < 0.25 < found.high


def test_a_match_is_half_a_step_exact() -> None:
    found = measured(round_label(12, matches={"haze": 0.3, "film_loss": 0.0}, marks={}), IMAGE, LIMITS)
    assert {name: (one.low, one.value, one.high) for name, one in found.items() if isinstance(one, Measured)} == {
        "haze": (pytest.approx(0.25), 0.3, pytest.approx(0.35)), "film_loss": (0.0, 0.0, 0.05),
    }  # fmt: skip


def test_what_nobody_drew_is_not_measured() -> None:
    assert measured(Label.read({"part": "coupler", "view": "end", "grade": "serviceable"}), IMAGE, LIMITS) == {}
    assert set(asked("coupler", "end").by_hand) > {"profile_deviation"}


def test_outcomes_read_as_they_were_written() -> None:
    for outcome in (Measured(0.1, 0.05, 0.2, note="x"), Unmeasured(Reason.GLARE, "y")):
        assert outcome_from_dict(outcome_to_dict(outcome)) == outcome
    for wrong in ({}, {"value": 1}, {"value": "x", "low": 0, "high": 1}, {"value": None, "reason": "because"}):
        with pytest.raises(LabelError):
            outcome_from_dict(wrong)
