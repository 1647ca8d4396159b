"""Scores for what is no part, on glances whose answer is known."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

import wearvision_models
from wearvision_training.__main__ import main
from wearvision_training.assessment import refusal
from wearvision_training.assessment.refusal import Glance, compare_scores, refusal_table, scores_of
from wearvision_training.dataset import Plan, build

MODEL = Path(wearvision_models.__file__).parent / wearvision_models.DEFAULT


@pytest.fixture(autouse=True)
def few_rounds(monkeypatch: pytest.MonkeyPatch) -> None:
    """Intervals are checked against the outside; here they need not be fine."""
    monkeypatch.setattr(refusal, "ROUNDS", 40)


def glance(label: str, logits: list[float], features: np.ndarray) -> Glance:
    exps = np.exp(logits)
    parts = dict(zip(("flame_cell", "electrode", "coupler", "none"), (exps / exps.sum()).tolist(), strict=True))
    return Glance(label, parts, float(np.log(exps.sum())), features.astype(np.float32))


def crowd(rng: np.random.Generator, *, far: float) -> list[Glance]:
    """Sixty parts of two kinds about their own middles, and twenty others ``far`` from both; outputs tell nothing."""
    made = []
    for index in range(80):
        label = "none" if index >= 60 else ("coupler end", "electrode side")[index // 2 % 2]
        middle = np.zeros(8)
        middle[{"none": 0, "coupler end": 1, "electrode side": 2}[label]] = far
        made.append(glance(label, rng.normal(0, 1, 4).tolist(), middle + rng.normal(0, 1, 8)))
    return made


def test_far_features_are_told_by_distance_and_by_nothing_else() -> None:
    found = compare_scores(crowd(np.random.default_rng(0), far=12.0))
    assert (found["parts"], found["non_parts"], found["fitted_on"]) == (30, 20, 30)
    by_distance = found["scores"]["distance of features to the nearest middle"]
    assert by_distance["auroc"]["value"] == pytest.approx(1.0)
    assert by_distance["refused_at_1_percent"]["value"] == 1.0
    for name in ("probability of none", "energy of all outputs", "energy of the parts' outputs"):
        assert 0.2 < found["scores"][name]["auroc"]["value"] < 0.8


def test_mahalanobis_ignores_directions_that_vary_anyway() -> None:
    rng = np.random.default_rng(1)
    stretch = np.array([100.0, 1.0])
    known = [glance("coupler end", [0, 0, 1, 0], stretch * rng.normal(0, 1, 2)) for _ in range(2000)]
    wide, odd = (glance("none", [0, 0, 0, 1], np.array(at)) for at in ([100.0, 0.0], [0.0, 10.0]))
    scores = scores_of(known)
    plain, spread = (
        scores[name]([wide, odd]) for name in ("distance of features to the nearest middle", "the same, by Mahalanobis")
    )
    assert plain[0] > plain[1]
    assert spread[0] < spread[1]
    assert spread == pytest.approx([1.0, 10.0], rel=0.15)


def test_scores_come_back_from_the_outputs() -> None:
    """Taking the share of none off the energy gives the log-sum-exp over the parts alone."""
    logits = [1.0, -2.0, 0.5, 3.0]
    one = glance("none", logits, np.zeros(2))
    known = [glance("coupler end", [0, 0, 2, 0], np.eye(2)[index % 2]) for index in range(8)]
    scores = {name: float(score([one])[0]) for name, score in scores_of(known).items()}
    assert scores["energy of all outputs"] == pytest.approx(-np.log(np.exp(logits).sum()))
    assert scores["energy of the parts' outputs"] == pytest.approx(-np.log(np.exp(logits[:3]).sum()))
    assert scores["probability of none"] == pytest.approx(np.exp(3) / np.exp(logits).sum())
    assert scores["largest probability of a part"] == pytest.approx(1 - np.exp(1) / np.exp(logits).sum())
    assert 1.0 < scores["none or energy, whichever is rarer among parts"] < 1.0 + 1 / 8


def test_too_few_pictures_are_refused() -> None:
    few = crowd(np.random.default_rng(0), far=3.0)
    with pytest.raises(ValueError, match="too few"):
        compare_scores(few[:61])


def test_command_prints_a_row_a_score(tmp_path: Path) -> None:
    build(tmp_path / "set", Plan(16, "test", 8, 64, False), workers=1, progress=False)
    arguments = ["refusal", "--model", MODEL, "--set", tmp_path / "set", "--workers", 1, "--json", tmp_path / "f.json"]
    result = CliRunner().invoke(main, [str(item) for item in arguments])
    assert result.exit_code == 0, result.output
    figures = json.loads((tmp_path / "f.json").read_text("utf-8"))
    assert figures["parts"] + figures["non_parts"] + figures["fitted_on"] == 16
    assert refusal_table(figures) == result.stdout.rstrip("\n")
    for name, row in figures["scores"].items():
        assert name in result.stdout
        assert 0 <= row["auroc"]["value"] <= 1
