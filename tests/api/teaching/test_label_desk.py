"""The sheet of the labelling desk, and the comparison series that it shows."""

from __future__ import annotations

import io
from collections import Counter
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import pytest
from fastapi.testclient import TestClient
from PIL import Image

from wearvision.labels.label import Label, asked
from wearvision.parts import PARTS
from wearvision.standard.limits import load_limits
from wearvision_api.accounts.roles import Caller
from wearvision_api.pages.labelling import KEYS, Question, answers, label_context

LIMITS = load_limits()
CONTEXT = label_context(LIMITS, Caller("someone", "someone", "trainer"))
VIEWS = [(part, view) for part, spec in PARTS.items() for view in spec.views]
MODES = [one for one in CONTEXT.questions if one.key.startswith("mode:")]


def questions_of(part: str, view: str) -> list[Question]:
    return [one for one in MODES if (one.part, one.view) == (part, view)]


@pytest.mark.parametrize(("part", "view"), VIEWS)
def test_sheet_asks_every_mode_that_the_library_asks(part: str, view: str) -> None:
    modes = [f"mode:{mode.key}" for mode, _ in asked(part, view, LIMITS).modes]
    assert [one.key for one in questions_of(part, view)] == modes
    assert [f"mode:{one['key']}" for one in CONTEXT.sheet[part][view]["modes"]] == modes


@pytest.mark.parametrize("question", MODES, ids=lambda one: f"{one.part}-{one.view}-{one.key}")
def test_sheet_offers_only_answers_that_a_label_takes(question: Question) -> None:
    """Each answer, alone in a label with the grade that it stands for, is read by the library."""
    for choice in question.choices:
        grade = {"absent": "serviceable", "not seen": None}.get(choice.value, choice.value)
        body: dict[str, Any] = {
            "part": question.part,
            "view": question.view,
            "modes": {question.key.removeprefix("mode:"): choice.value},
            "grade": grade,
        }
        assert Label.read(body, LIMITS).grade == grade


@pytest.mark.parametrize("question", MODES, ids=lambda one: f"{one.part}-{one.view}-{one.key}")
def test_sheet_shows_words_and_a_picture_of_each_grade(question: Question) -> None:
    graded = [one for one in question.choices if one.value not in ("absent", "not seen")]
    assert all(one.words for one in question.choices)
    assert all(one.picture for one in graded)
    assert question.look
    assert question.source


@pytest.mark.parametrize(("part", "view"), VIEWS)
def test_keys_of_tools_are_each_their_own(part: str, view: str) -> None:
    letters = [one.letter for one in CONTEXT.tools if (one.part, one.view) == (part, view)]
    found = asked(part, view, LIMITS)
    assert len(letters) == len(found.marks) + len(found.regions) + len(found.matches)
    taken = {key for keys, _ in KEYS for key in keys.split()} | set("0123456789")
    assert max(Counter(letters).values()) == 1
    assert not taken & set(letters)


def test_a_mode_without_traces_has_no_serviceable() -> None:
    """Any crack in ceramic is replace, and a bridge is there or not: *absent* says it all."""
    assert answers(LIMITS.row("electrode", "crack_ratio")) == ("absent", "replace", "not seen")
    assert answers(LIMITS.row("electrode", "bridge")) == ("absent", "clean-and-reuse", "not seen")


def test_series_darkens_with_film_and_pales_with_haze(client: TestClient, sample: Path) -> None:
    example = an_example(client, sample)

    def light(measure: str, step: int) -> float:
        answer = client.get(f"/api/v1/examples/{example}/series/{measure}/{step}.jpg")
        assert (answer.status_code, answer.headers["content-type"]) == (200, "image/jpeg")
        picture = np.asarray(Image.open(io.BytesIO(answer.content)).convert("L"))
        middle = picture.shape[0] // 4
        return float(picture[middle:-middle, middle:-middle].mean())

    films, hazes = ([light(measure, step) for step in (0, 3, 6, 9)] for measure in ("film_loss", "haze"))
    assert films == sorted(films, reverse=True)
    assert hazes == sorted(hazes)
    assert films[0] == pytest.approx(hazes[0], abs=1)  # both begin with the clear window


def test_series_of_something_else_is_refused(client: TestClient, sample: Path) -> None:
    example = an_example(client, sample)
    for path, status in (("rim_deviation/1.jpg", 404), ("haze/10.jpg", 422), ("haze/-1.jpg", 422)):
        answer: httpx.Response = client.get(f"/api/v1/examples/{example}/series/{path}")
        assert answer.status_code == status


def an_example(client: TestClient, sample: Path) -> str:
    kept = client.post("/api/v1/photos", files={"file": (sample.name, sample.read_bytes(), "image/jpeg")}).json()
    grade = client.post("/api/v1/grades", json={"photos": [kept["id"]]}).json()
    answer = client.post(f"/api/v1/grades/{grade['id']}/permission", json={"ground": "a test"})
    assert answer.status_code == 201, answer.text
    return str(answer.json()["examples"][0])
