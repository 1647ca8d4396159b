"""How many wrong grades are found among drawn photos, by features of the released model.

Run with ``python -m pytest -m bench -s tests/benchmarks/bench_doubts.py``.
"""

from __future__ import annotations

import numpy as np
import pytest

from wearvision.grade import Grader
from wearvision.photo import read_photo
from wearvision.standard.grades import GRADES
from wearvision.standard.limits import load_limits
from wearvision_api.services.photos import jpeg
from wearvision_api.teaching.suspects import search
from wearvision_training.studio import draw, sample_recipe

SIZE = 384
PHOTOS = 150


@pytest.mark.bench
@pytest.mark.parametrize("part", ["flame_cell", "electrode", "coupler"])
def test_wrong_grades_of_drawn_photos(part: str) -> None:
    """One in ten grades set to another one. Each photo is of a design of its own, and so a group of its own; borderline
    ones are left out, since there two grades are right."""
    rng = np.random.default_rng(17)
    grader, limits = Grader(), load_limits()
    features, grades = [], []
    while len(grades) < PHOTOS:
        example = draw(sample_recipe(part, rng), SIZE)
        truth = limits.grade_part(part, example.measures)
        if truth.borderline:
            continue
        features.append(grader.features(read_photo(jpeg(example.image))))
        grades.append(truth.grade)
    flipped = rng.random(PHOTOS) < 0.1
    said = [
        str(rng.choice([one for one in GRADES if one != grade])) if is_wrong else grade
        for grade, is_wrong in zip(grades, flipped, strict=True)
    ]
    for name, labels, wrong in (("flipped", said, flipped), ("as drawn", grades, np.zeros(PHOTOS, bool))):
        found = search(np.array(features), labels, range(PHOTOS))
        places = [one.place for one in found.suspects]
        right = int(wrong[places].sum())
        print(f"\n{part}, {name}: {int(wrong.sum())} of {PHOTOS} wrong, {len(places)} doubted, {right} of them wrong")
        first = wrong[places[: int(wrong.sum())]].sum()
        print(f"   of the {int(wrong.sum())} least believed {int(first)} are wrong")
        assert len(places) < PHOTOS / 2
