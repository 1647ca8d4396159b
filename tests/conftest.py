"""Fixtures that several rooms share: a released model that is ready to grade, and photos drawn for it."""

from __future__ import annotations

import json
import os
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck
from hypothesis import settings as bounds
from PIL import Image

import wearvision_models
from wearvision.calibration import Calibration
from wearvision.errors import ModelError
from wearvision.grade import Grader
from wearvision.parts import PARTS, measure_keys
from wearvision.standard.grades import GRADES
from wearvision_training.recipe import Recipe
from wearvision_training.studio import draw, sample_recipe

# Whether a busy machine is slow is no finding.
bounds.register_profile("any machine", deadline=None, suppress_health_check=[HealthCheck.too_slow])
bounds.load_profile("any machine")

RELEASED = Path(wearvision_models.__file__).parent / wearvision_models.DEFAULT
DRAWN_PX = 512


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_setupnodes() -> None:
    """Workers share the cores: several threads in each of them would only wait for one another."""
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    os.environ.setdefault("OPENCV_FOR_THREADS_NUM", "1")


@dataclass(frozen=True)
class DrawnPhoto:
    """A photo on disk with what was drawn."""

    path: Path
    part: str
    view: str
    recipe: Recipe
    image: np.ndarray


def synthetic_calibration() -> dict[str, Any]:
    """A block with plain, known figures, for a model that has none yet: all measures alike, one spread down, two up."""
    row = {
        "weight": 0.0,
        "doubt": 0.0,
        "floor": 0.0,
        "usual_gap": 1e6,
        "below": 1.0,
        "above": 2.0,
        "residuals": [round(float(r), 4) for r in np.linspace(-2, 2, 99)],
    }
    return {
        "rate": 0.95,
        "calibrated_on": "rendered",
        "measures": {key: dict(row) for key in measure_keys()},
        "joint": dict.fromkeys(PARTS, 1.0),
        "refusal": {"least_energy": 0.0, "most_none": 0.5},
    }


@pytest.fixture(scope="session")
def model_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of the released model, with its own calibration, or a synthetic one where it has none."""
    folder = tmp_path_factory.mktemp("model")
    shutil.copy(RELEASED / "model.onnx", folder)
    record = json.loads((RELEASED / "model.json").read_text("utf-8"))
    try:
        Calibration.read(record.get("calibration", {}))
    except ModelError:
        refusal = record.get("calibration", {}).get("refusal", synthetic_calibration()["refusal"])
        record["calibration"] = {**synthetic_calibration(), "refusal": refusal}
    (folder / "model.json").write_text(json.dumps(record), "utf-8")
    return folder


@pytest.fixture(scope="session")
def grader(model_folder: Path) -> Grader:
    """One grader for all tests that do not change it."""
    return Grader(model_folder)


@pytest.fixture(scope="session")
def drawn_photos(tmp_path_factory: pytest.TempPathFactory, grader: Grader) -> dict[tuple[str, str], DrawnPhoto]:
    """One JPEG of each part and view that the grader finds fit to judge."""
    folder = tmp_path_factory.mktemp("photos")
    found = {}
    for part, spec in PARTS.items():
        for view in spec.views:
            found[part, view] = _fit_photo(folder, grader, part, view)
    return found


def _fit_photo(folder: Path, grader: Grader, part: str, view: str) -> DrawnPhoto:
    rng = np.random.default_rng([11, sorted(PARTS).index(part), len(view)])
    for _ in range(12):
        recipe = sample_recipe(part, rng, view=view)
        image = draw(recipe, DRAWN_PX).image
        path = folder / f"{part}-{view}.jpg"
        Image.fromarray(image).save(path, quality=95)
        report = grader.grade(path)
        if report.usable and report.part["name"] == part and report.grade in GRADES:
            return DrawnPhoto(path, part, view, recipe, image)
    raise AssertionError(f"none of twelve drawn photos of {part}, {view} view, was fit to judge")
