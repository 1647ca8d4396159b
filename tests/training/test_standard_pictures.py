"""The pictures of each mode at each grade that the labelling desk shows."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from wearvision.standard.limits import load_limits
from wearvision_training import studio
from wearvision_training.standard_pictures import SHOWN, Shown, band, shows, wanted

LIMITS = load_limits()
WANTED = list(wanted(LIMITS))
FOLDER = Path(__file__).parents[2] / "api" / "pages" / "static" / "standard"


@pytest.mark.parametrize("one", WANTED, ids=lambda one: one.name)
def test_band_holds_only_values_of_its_grade(one: Shown) -> None:
    row = LIMITS.row(one.part, one.mode.measure)
    low, high = band(row, one.grade)
    assert low <= high
    assert {grade for value in np.linspace(low, high, 9) for grade in row.grades_of(float(value))} == {one.grade}


def test_every_picture_is_there_and_nothing_else() -> None:
    assert {path.name for path in FOLDER.iterdir()} == {one.name for one in WANTED}
    for path in FOLDER.iterdir():
        with Image.open(path) as picture:
            assert picture.size == (SHOWN, SHOWN)


def test_a_picture_shows_its_mode_and_no_other_wear() -> None:
    """Of drawn pictures, those taken for a mode have it in the band, and every other mode under half of its limit."""
    found = 0
    for number in range(40):
        recipe = studio.sample_recipe("electrode", np.random.default_rng([7, number]), view="side")
        example = studio.draw(recipe, 96)
        for one in (one for one in WANTED if one.part == "electrode" and shows(example, one, LIMITS)):
            found += 1
            for measure, value in example.measures.items():
                if measure != one.mode.measure and value is not None:
                    assert value <= 0.5 * LIMITS.row("electrode", measure).serviceable_below
    assert found > 0
