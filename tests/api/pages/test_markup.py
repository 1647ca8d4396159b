"""What holds for every page: language, headings, labels, nothing inline. Rules: WCAG 2.2, and the service's own CSP."""

from __future__ import annotations

import itertools

import pytest
from bs4 import BeautifulSoup

from wearvision.readings import UNITS
from wearvision_api.pages.units import OFFERED, amount, expected

from .conftest import CELL, Pages

PATHS = (
    "/",
    "/grade",
    "/grade?beside=true",
    "/grades",
    "/pattern",
    "/start",
    "/start/dead",
    "/machines",
)
DESK = (
    "/returns",
    "/returns/new",
    "/returns/many",
    "/returns/regrade",
    "/figures",
    "/teaching",
    "/teaching/examples",
    "/teaching/disputes",
    "/trust",
)


@pytest.fixture(params=[*PATHS, *DESK, "grade", "return"])
def page(request: pytest.FixtureRequest, pages: Pages) -> BeautifulSoup:
    if request.param == "return":
        return pages.read(pages.send("/returns/new", part="coupler").headers["location"].partition("#")[0])
    path = pages.grade(CELL) if request.param == "grade" else request.param
    return pages.read(path)


def test_every_page(page: BeautifulSoup) -> None:
    assert page.html["lang"] == "en-GB"
    assert page.select_one("meta[name=viewport]")
    assert page.select_one("a.skip")["href"] == "#main"
    levels = [int(one.name[1]) for one in page.select("h1, h2, h3, h4")]
    assert levels.count(1) == 1
    assert all(after <= before + 1 for before, after in itertools.pairwise(levels)), levels
    assert not page.select("[style], [onclick], style")
    assert all(script.get("src") for script in page.select("script"))
    ids = [one["id"] for one in page.select("[id]")]
    assert len(ids) == len(set(ids))


def test_every_field_has_a_label_and_every_form_its_secret(page: BeautifulSoup) -> None:
    for field in page.select("input:not([type=hidden]), select, textarea"):
        assert field.find_parent("label") or page.select_one(f'label[for="{field["id"]}"]'), field
    for form in page.select("form[method=post]"):
        assert form.select_one("input[name=csrf]"), form["action"]


def test_a_problem_is_a_page(pages: Pages) -> None:
    page = pages.read("/grades/00000000-0000-4000-8000-000000000009", 404)
    assert page.h1.get_text() == "There is no such record"


def test_units_offered_are_those_that_are_read() -> None:
    assert {unit: set(names) - set(UNITS[unit]) for unit, names in OFFERED.items()} == {unit: set() for unit in OFFERED}


@pytest.mark.parametrize(
    ("value", "unit", "system", "words"),
    [
        (3.175, "mm", "inch", "0.125 in"),  # an eighth of an inch, by definition 25.4 mm
        (6.894757, "bar", "inch", "100 psi"),  # 1 psi = 6894.757 Pa (NIST SP 811, B.8)
        (24.9089, "Pa", "inch", "0.1 inWC"),  # 1 inWC = 249.089 Pa (NIST SP 811, B.8, at 4 degrees C)
        (1650, "ohm", "inch", "1.65 kohm"),
        (3.2, "mm", "metric", "3.2 mm"),
    ],
)
def test_amounts_in_words(value: float, unit: str, system: str, words: str) -> None:
    assert amount(value, unit, system) == words


def test_what_is_expected_in_words() -> None:
    assert expected({"low": 50000}, "ohm", "metric") == "50 kohm or more"
    assert expected({"low": 2.5, "high": 3.5}, "mm", "metric") == "2.5 mm to 3.5 mm"
    assert expected({"text": "clear"}, "", "metric") == "clear"
