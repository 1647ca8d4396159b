"""Practice: which examples are asked, how answers are held against the truth, what is told, who sees results."""

from __future__ import annotations

import io
import random
from collections import Counter
from typing import Any

import numpy as np
import pytest
from bs4 import BeautifulSoup
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from wearvision.labels.label import Label
from wearvision.labels.truth import Truth
from wearvision.parts import PARTS
from wearvision.standard.limits import load_limits
from wearvision_api.accounts.roles import Caller
from wearvision_api.problems import Problem
from wearvision_api.store.tables import PhotoRow, now
from wearvision_api.store.teaching_tables import ExampleRow, LabelRow, SittingRow
from wearvision_api.teaching import practice
from wearvision_api.teaching.marking import NO_WEAR, Said, is_right, marked, standard_words, worn, worst_modes
from wearvision_api.teaching.progress import progress
from wearvision_api.teaching.where import PLACES, laid_over, masks, places, wear_places, words

from .conftest import BAD, CLEAN, GOOD, Site, label, picture, truth

LIMITS = load_limits()
CRACKED = {
    "crack_ratio": {"low": 0.15, "high": 1.0, "value": None, "source": "mode"},
    "haze": {"low": 0.1, "high": 0.4, "value": None, "source": "mode"},
    "film_loss": {"low": 0.0, "high": 0.1, "value": None, "source": "mode"},
}
CRACK = {"shape": "line", "points": [[0.72, 0.1], [0.95, 0.28]]}
WINDOW = {"shape": "outline", "points": [[0.2, 0.2], [0.8, 0.2], [0.8, 0.8], [0.2, 0.8]]}


def cracked(**more: Any) -> dict[str, Any]:
    """A window that is cracked and cloudy, settled by two."""
    return truth("flame_cell", BAD, bounds=CRACKED, **more)


def read(said: dict[str, Any]) -> Truth:
    return Truth.read(said)


# What is right


def test_the_mode_that_surely_gives_the_grade_is_the_worst() -> None:
    assert worst_modes(read(cracked()), LIMITS) == ("crack",)
    assert [(mode.key, grade) for mode, grade in worn(read(cracked()), LIMITS)] == [("crack", BAD), ("clouding", CLEAN)]


def test_where_it_is_not_settled_which_mode_is_the_worst_all_that_can_be_are_right() -> None:
    either = truth("flame_cell", BAD, at_least={"grade": BAD, "modes": ["crack", "scorch"]})
    assert worst_modes(read(either), LIMITS) == ("crack", "scorch")
    found = marked(Said("flame_cell", grade=BAD, mode="scorch"), read(either), LIMITS)
    assert found["mode"].right is True
    assert marked(Said("flame_cell", grade=BAD, mode="film"), read(either), LIMITS)["mode"].right is False
    assert worst_modes(read(truth("coupler", GOOD)), LIMITS) == (NO_WEAR,)


def test_every_grade_that_a_guard_band_touches_is_right() -> None:
    between = read(truth("coupler", GOOD, acceptable_grades=[GOOD, CLEAN]))
    for grade, right in ((GOOD, True), (CLEAN, True), (BAD, False)):
        found = marked(Said("coupler", grade=grade), between, LIMITS)
        assert found["grade"].right is right
        assert is_right(found) is right
        assert found["mode"].right is None  # not answered


def test_what_shows_no_part_or_is_unfit_asks_no_grade() -> None:
    nothing = marked(Said("coupler", grade=BAD), read(truth("none", None)), LIMITS)
    assert list(nothing) == ["part"]
    assert not is_right(nothing)
    unfit = read(truth("coupler", None, fit=False, faults=["blurred"]))
    assert is_right(marked(Said("coupler", fit=False), unfit, LIMITS))
    assert not is_right(marked(Said("coupler", grade=GOOD), unfit, LIMITS))


def test_the_right_mode_of_another_part_is_not_right() -> None:
    found = marked(Said("electrode", grade=BAD, mode="crack"), read(cracked()), LIMITS)
    assert (found["part"].right, found["grade"].right, found["mode"].right) == (False, True, False)


def test_a_place_counts_where_wear_was_drawn() -> None:
    found = marked(Said("flame_cell", grade=BAD, where="upper right"), read(cracked()), LIMITS, ("upper right",))
    assert found["where"].right is True
    assert "where" not in marked(Said("flame_cell", grade=BAD, where="top"), read(cracked()), LIMITS)


@pytest.mark.parametrize("part", PARTS)
def test_the_standard_has_words_for_every_mode(part: str) -> None:
    for mode in PARTS[part].modes:
        said = standard_words(part, mode, LIMITS)
        assert "Measured: " in said
        assert all(grade in said for grade in LIMITS.row(part, mode.measure).grades)


# Where it is


@given(st.integers(0, 8), st.integers(12, 200), st.integers(12, 200))
def test_something_in_one_ninth_is_there(cell: int, height: int, width: int) -> None:
    drawn = np.zeros((height, width), bool)
    row, column = divmod(cell, 3)
    drawn[-(-row * height // 3) : (row + 1) * height // 3, -(-column * width // 3) : (column + 1) * width // 3] = True
    assert places(drawn) == (PLACES[cell],)
    assert places(np.zeros((height, width), bool)) == ()
    assert set(places(np.ones((height, width), bool))) <= set(PLACES)


def test_what_was_drawn_is_laid_over_and_told() -> None:
    drawn = Label.read(label("flame_cell", BAD, modes={"crack": BAD}, marks={"crack": CRACK, "window": WINDOW}))
    assert wear_places(drawn, ("crack",)) == ("upper right",)
    assert wear_places(drawn, ("film",)) == ()
    assert wear_places(None, ("crack",)) == ()
    told = words(drawn)
    assert any(line.startswith("Longest crack, without its branches: upper right, 2") for line in told), told
    image = np.full((90, 160, 3), 128, np.uint8)
    over = laid_over(image, drawn)
    assert image.min() == 128  # not changed
    changed = (over != image).any(-1)
    assert changed[masks(drawn, (90, 160))["crack"]].any()
    assert not changed[40:50, 60:90].any()  # inside of the outline nothing is painted over


# Which examples are asked


def begin(site: Site, who: Caller, **more: Any) -> list[str]:
    with site.house.session() as session:
        row = practice.begin(session, who, chance=random.Random(3), **more)
        session.commit()
        return list(row.asked)


@pytest.mark.on_both
def test_asked_is_what_is_settled_by_more_than_one_and_unknown_to_who_practises(site: Site) -> None:
    anna, ben = site.person("anna"), site.person("ben", "technician")
    good = site.settled(truth("coupler", GOOD))
    site.settled(truth("coupler", GOOD, "one"))
    site.example()
    own = site.settled(truth("coupler", BAD))
    site.label(own, anna, label("coupler", BAD), withdrawn_at=now())  # seen is seen
    gone = site.settled(truth("electrode", GOOD))
    unsure = site.settled(truth("electrode", None))
    with site.house.session() as session:
        session.get_one(PhotoRow, session.get_one(ExampleRow, gone).photo_id).erased_at = now()
        session.commit()
    assert begin(site, anna) == [good]
    assert sorted(begin(site, ben)) == sorted([good, own])
    assert unsure not in begin(site, ben)
    with pytest.raises(Problem, match="nothing to practise on"):
        begin(site, ben, part="flame_cell")


def test_parts_and_grades_take_turns_and_what_was_asked_comes_last(site: Site) -> None:
    ben = site.person("ben", "technician")
    strata = [("coupler", GOOD)] * 9 + [("coupler", BAD)] * 3 + [("electrode", CLEAN)] * 3
    made = {site.settled(truth(part, grade)): (part, grade) for part, grade in strata}
    first = begin(site, ben, count=6)
    assert Counter(made[one] for one in first) == {("coupler", GOOD): 2, ("coupler", BAD): 2, ("electrode", CLEAN): 2}
    with site.house.session() as session:
        sitting = session.query(SittingRow).one()
        for place in range(1, 7):
            practice.answer(site.house, session, ben, sitting, place, Said("coupler", grade=GOOD))
        session.commit()
    second = begin(site, ben, count=6)
    again = [one for one in second if one in first]
    assert {made[one] for one in again} <= {
        ("coupler", BAD),
        ("electrode", CLEAN),
    }  # one unasked was left
    assert len(again) == 2
    assert len(begin(site, ben, count=40)) == 15


def test_photos_of_one_group_do_not_come_together_while_there_are_others(site: Site) -> None:
    ben = site.person("ben")
    same = [site.settled(truth("coupler", GOOD), group="twice") for _ in range(4)]
    others = [site.settled(truth("coupler", BAD)) for _ in range(3)]
    chosen = begin(site, ben, count=4)
    assert len(set(chosen) & set(same)) == 1
    assert set(others) <= set(chosen)


# Answers and results


def sit(site: Site, who: Caller, grades: list[str], said: list[str]) -> str:
    """A sitting on couplers with these grades, answered in this way."""
    with site.house.session() as session:
        made = [site.settled(truth("coupler", grade)) for grade in grades]
        sitting = SittingRow(owner_id=who.id, part=None, asked=made)
        session.add(sitting)
        session.flush()
        for place, grade in enumerate(said, 1):
            practice.answer(site.house, session, who, sitting, place, Said("coupler", grade=grade))  # type: ignore[arg-type]
        session.commit()
        return sitting.id


@pytest.mark.on_both
def test_an_answer_counts_once_and_keeps_what_was_true(site: Site) -> None:
    ben, cleo = site.person("ben", "technician"), site.person("cleo", "technician")
    example = site.settled(cracked())
    site.label(example, cleo, label("flame_cell", BAD, modes={"crack": BAD}, marks={"crack": CRACK}))
    asked = begin(site, ben)
    assert asked == [example]
    with site.house.session() as session:
        sitting = session.query(SittingRow).one()
        with pytest.raises(Problem, match="Only whoever began"):
            practice.answer(site.house, session, cleo, sitting, 1, Said("flame_cell"))
        row = practice.answer(
            site.house, session, ben, sitting, 1, Said("flame_cell", grade=CLEAN, mode="clouding", where="middle")
        )
        assert row.right is False
        assert {key: one["right"] for key, one in row.found.items() if isinstance(one, dict)} == {
            "part": True,
            "fit": True,
            "grade": False,
            "mode": False,
            "where": False,
        }
        with pytest.raises(Problem, match="first answer counts"):
            practice.answer(site.house, session, ben, sitting, 1, Said("flame_cell", grade=BAD))
        session.get_one(ExampleRow, example).truth = truth("flame_cell", CLEAN)
        session.commit()
    with site.house.session(writes=False) as session:
        (mine,) = progress(session, ben)
        assert mine.results[0].right == 0  # as it was when it was answered


def test_kappa_of_sittings_is_that_of_the_grades(site: Site) -> None:
    from sklearn.metrics import cohen_kappa_score

    ben = site.person("ben", "technician")
    true, said = [GOOD, GOOD, CLEAN, BAD, BAD, CLEAN], [GOOD, CLEAN, CLEAN, BAD, GOOD, CLEAN]
    sit(site, ben, true, said)
    sit(site, ben, [GOOD] * 3, [GOOD] * 3)
    with site.house.session(writes=False) as session:
        (mine,) = progress(session, ben)
    first, second = mine.results
    levels = [GOOD, CLEAN, BAD]
    assert first.kappa.value == pytest.approx(cohen_kappa_score(true, said, labels=levels, weights="quadratic"))
    assert (first.right, first.answered) == (4, 6)
    assert second.kappa.value is None
    assert "serviceable every time" in second.kappa.reason
    assert mine.kappa.of == 9


def test_own_results_only_unless_one_teaches(site: Site) -> None:
    ben, cleo, anna = site.person("ben", "technician"), site.person("cleo", "counter"), site.person("anna")
    mine = sit(site, ben, [GOOD, BAD], [GOOD, BAD])
    sit(site, cleo, [GOOD, BAD], [BAD, BAD])
    with site.house.session(writes=False) as session:
        assert [one.person for one in progress(session, ben, everybody=True)] == ["ben"]
        assert [one.person for one in progress(session, anna, everybody=True)] == ["ben", "cleo"]
        assert progress(session, anna) == ()
        assert practice.find(session, anna, mine).id == mine
        with pytest.raises(Problem, match="no sitting"):
            practice.find(session, cleo, mine)


# Over HTTP


def test_a_sitting_over_the_api(site: Site) -> None:
    cleo = site.person("cleo")
    example = site.settled(cracked(), picture(77, 192))
    site.label(example, cleo, label("flame_cell", BAD, modes={"crack": BAD}, marks={"crack": CRACK, "window": WINDOW}))
    http, path = site.http, "/api/v1/practice"
    sitting = http.post(path, json={"count": 5}).json()
    assert (sitting["asked"], sitting["answered"], sitting["next"]) == (1, 0, 1)
    at = f"{path}/{sitting['id']}/1"
    before = http.get(at).json()
    assert (before["state"], before["marked"], before["wear"], before["drawn"]) == ("open", {}, [], [])
    assert http.get(f"{at}/photo").headers["content-type"] == "image/jpeg"
    assert http.get(f"{at}/outlined").status_code == 409
    assert http.get(f"{path}/{sitting['id']}/2").status_code == 404
    assert http.post(at, json={"part": "flame_cell", "mode": "rust"}).status_code == 422
    key = {"Idempotency-Key": "once"}
    said = {"part": "flame_cell", "grade": "replace", "mode": "crack", "where": "upper right"}
    told = http.post(at, json=said, headers=key)
    assert told.status_code == 201
    assert http.post(at, json=said, headers=key).json() == told.json()
    assert http.post(at, json=said).status_code == 409
    body = told.json()
    assert body["right"] is True
    assert [(one["mode"], one["named"], one["where"]) for one in body["wear"]] == [
        ("crack", True, ["upper right"]),
        ("clouding", False, []),
    ]
    assert "any" in body["wear"][0]["standard"] or "0.15" in body["wear"][0]["standard"]
    plain, over = (
        np.asarray(Image.open(io.BytesIO(http.get(f"{at}/{name}").content))) for name in ("photo", "outlined")
    )
    assert plain.shape == over.shape
    assert (np.abs(plain.astype(int) - over).max(-1) > 60).any()
    result = http.get(path).json()["items"][0]["results"][0]
    assert (result["right"], result["answered"], result["kappa"]["value"]) == (1, 1, None)
    assert http.get(f"{path}/{sitting['id']}").json()["next"] is None


def test_a_photo_taken_out_meanwhile_is_passed_over(site: Site) -> None:
    made = [site.settled(truth("coupler", grade)) for grade in (GOOD, BAD)]
    sitting = site.http.post("/api/v1/practice", json={}).json()
    with site.house.session() as session:
        asked = session.get_one(SittingRow, sitting["id"]).asked
        session.get_one(ExampleRow, asked[0]).state = "left out"
        session.commit()
    assert sorted(asked) == sorted(made)
    at = f"/api/v1/practice/{sitting['id']}"
    assert site.http.get(at).json()["next"] == 2
    assert site.http.get(f"{at}/1").json()["state"] == "gone"
    assert site.http.get(f"{at}/1/photo").status_code == 410
    assert site.http.post(f"{at}/1", json={"part": "coupler"}).status_code == 410
    assert "taken out of teaching" in site.http.get(f"/teaching/practice/{sitting['id']}/1").text


def test_pages_without_scripts(site: Site) -> None:
    cleo = site.person("cleo")
    example = site.settled(cracked(), picture(78, 192))
    site.label(example, cleo, label("flame_cell", BAD, modes={"crack": BAD}, marks={"crack": CRACK}))
    site.settled(truth("electrode", None, fit=False, faults=["blurred"]))
    start = BeautifulSoup(site.http.get("/teaching/practice").text, "html.parser")
    assert "2 examples are there for you" in start.get_text(" ", strip=True)
    page = site.http.post("/teaching/practice", data={"count": "10"})
    for _ in range(2):
        shown = BeautifulSoup(page.text, "html.parser")
        form = shown.select_one("form[action^='/teaching/practice/']")
        assert form is not None
        assert "crack" not in shown.select_one("section[aria-labelledby=photo]").get_text()  # type: ignore[union-attr]
        said = {"part": "flame_cell", "fit": "true", "grade": "clean-and-reuse", "mode": "clouding"}
        told = BeautifulSoup(site.http.post(str(form["action"]), data=said).text, "html.parser")
        words_told = told.get_text(" ", strip=True)
        assert "Not right." in words_told
        if "not named as the worst" in words_told:
            assert "upper right of the picture" in words_told
            assert told.select_one("img[src$='/outlined']")["alt"].startswith("The photo with what people drew")  # type: ignore[index,union-attr]
        else:
            assert "What makes it unfit: out of focus." in words_told
        page = site.http.get(str(told.select_one("a[data-key=g]")["href"]))  # type: ignore[index]
    assert "0 of 2" in page.text
    assert "not right" in page.text
    results = site.http.get("/teaching/practice?everybody=true").text
    assert "0 of 2" in results


def test_what_people_labelled_stays_theirs(site: Site) -> None:
    """Practice writes no label: nothing that is practised changes what is settled."""
    site.settled(truth("coupler", GOOD))
    sitting = site.http.post("/api/v1/practice", json={}).json()
    site.http.post(f"/api/v1/practice/{sitting['id']}/1", json={"part": "coupler", "grade": "replace"})
    with site.house.session(writes=False) as session:
        assert session.query(LabelRow).count() == 0
        assert session.query(ExampleRow).one().state == "settled"
