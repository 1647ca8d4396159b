"""Agreement over labels as they lie in the database; figures themselves are tested in tests/outside."""

from __future__ import annotations

import csv
import io

import pytest
from bs4 import BeautifulSoup

from wearvision.standard.limits import load_limits
from wearvision_api.store.tables import now
from wearvision_api.teaching.agreement import Agreement, Row, agreement

from .conftest import BAD, CLEAN, GOOD, Site, label, truth


def found(site: Site) -> Agreement:
    with site.house.session(writes=False) as session:
        return agreement(session, load_limits())


def row(all_found: Agreement, table: str, key: str) -> Row:
    rows = next(one.rows for one in all_found.tables if one.key == table)
    return next(one for one in rows if one.key == key)


def test_no_label_says_nothing_and_why(site: Site) -> None:
    nothing = found(site)
    assert (nothing.examples, nothing.several, nothing.labels) == (0, 0, 0)
    figure = row(nothing, "part", "all").figures["alpha"]
    assert figure.value is None
    assert figure.reason == "there is no example with two labels"


def test_only_blind_labels_that_hold_count_and_of_each_person_the_newest(site: Site) -> None:
    anna, ben, cleo = (site.person(name) for name in ("anna", "ben", "cleo"))
    example = site.example()
    site.label(example, anna, label("coupler", BAD))
    site.label(example, anna, label("coupler", GOOD))  # replaces it
    site.label(example, ben, label("coupler", GOOD), turn=2)
    site.label(example, ben, label("coupler", BAD), turn=2, withdrawn_at=now())
    site.label(example, cleo, label("coupler", BAD), turn=3)
    site.label(example, cleo, label("coupler", BAD), turn=4)
    other = site.example(state="left out")
    site.label(other, anna, label("coupler", GOOD))
    now_found = found(site)
    assert (now_found.examples, now_found.several, now_found.labels, now_found.people) == (1, 1, 2, 2)
    line = row(now_found, "part", "coupler")
    assert (line.of, line.alike) == (1, 1)
    assert row(now_found, "part", "flame_cell").of == 0


@pytest.mark.on_both
def test_tables_by_part_grade_mode_pair_and_truth(site: Site) -> None:
    anna, ben = site.person("anna"), site.person("ben")
    rows = [(GOOD, GOOD)] * 6 + [(CLEAN, CLEAN)] * 2 + [(BAD, BAD)] * 3 + [(GOOD, CLEAN)]
    for one, other in rows:
        example = site.settled(truth("coupler", one, "third" if one != other else "agreed"))
        site.label(example, anna, label("coupler", one, modes={"grime": one if one != BAD else "not seen"}))
        site.label(example, ben, label("coupler", other, modes={"grime": other if other != BAD else CLEAN}), turn=2)
    all_found = found(site)
    whole = row(all_found, "part", "all")
    assert (whole.of, whole.alike) == (12, 11)
    assert whole.figures["fleiss"].value is not None
    pair = row(all_found, "pair", "anna/ben")
    assert (pair.of, pair.alike) == (12, 11)
    assert pair.figures["quadratic"].value > pair.figures["plain"].value  # type: ignore[operator]  # they differ by one step
    worst = row(all_found, "grade", "coupler/replace")
    assert (worst.of, worst.alike) == (3, 3)
    assert worst.figures["alpha"].value == pytest.approx(1)
    assert (
        row(all_found, "grade", "all/clean-and-reuse").of,
        row(all_found, "grade", "all/clean-and-reuse").alike,
    ) == (3, 2)
    assert row(all_found, "mode", "coupler/grime").of == 9  # "not seen" is missing
    assert row(all_found, "what", "part").figures["alpha"].value is None  # all said coupler
    assert (row(all_found, "truth", "anna/settled").of, row(all_found, "truth", "anna/settled").alike) == (12, 12)
    decided = row(all_found, "truth", "ben/decided")
    assert (decided.of, decided.alike) == (1, 0)


def test_routes_and_page_say_the_same(site: Site) -> None:
    anna, ben = site.person("=anna"), site.person("ben")
    for place in range(12):
        example = site.example()
        said = (GOOD, CLEAN, BAD)[place % 3]
        site.label(example, anna, label("electrode", said))
        site.label(example, ben, label("electrode", BAD if place == 0 else said), turn=2)
    body = site.http.get("/api/v1/agreement").json()
    assert (body["examples"], body["several"], body["labels"], body["people"]) == (12, 12, 24, 2)
    alpha = next(one for one in body["tables"] if one["key"] == "part")["rows"][0]["figures"]["alpha"]
    answer = site.http.get("/api/v1/agreement.csv")
    assert answer.headers["content-type"].startswith("text/csv")
    lines = list(csv.DictReader(io.StringIO(answer.text)))
    first = next(one for one in lines if (one["table"], one["row"], one["figure"]) == ("part", "all", "alpha"))
    assert float(first["value"]) == alpha["value"]
    assert next(one for one in lines if one["table"] == "pair")["row"] == "'=anna/ben"  # no formula
    page = BeautifulSoup(site.http.get("/teaching/agreement").text, "html.parser")
    text = page.get_text(" ", strip=True)
    assert f"{alpha['value']:.2f} ({alpha['low']:.2f} to {alpha['high']:.2f})" in text
    assert "Only 12 examples: a rough figure." in text
    assert "cannot be computed, because there is no example with two labels" in text
    assert page.select("svg.plot desc")


def test_the_page_without_labels_is_honest(site: Site) -> None:
    text = BeautifulSoup(site.http.get("/teaching/agreement").text, "html.parser").get_text(" ", strip=True)
    assert "Nothing can be said yet." in text
