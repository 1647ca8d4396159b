"""The page and the JSON of figures, as the counter sees them: told in words, refused in words, written once."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from datetime import date, timedelta
from typing import Any
from xml.etree import ElementTree

import pytest
from bs4 import BeautifulSoup
from fastapi.testclient import TestClient

from wearvision_api.app import create_app
from wearvision_api.record.ledger import about
from wearvision_api.services.figures import ALONE
from wearvision_api.settings import Settings
from wearvision_api.store.return_tables import Decision, Fitted, ReturnRow
from wearvision_api.store.tables import now

from .conftest import Fleet

SINCE = now().date() - timedelta(days=200)
HEAD = "part,part_number,lot,since,count,hours_a_day"


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    settings = Settings(data=tmp_path_factory.mktemp("figures"), workers=1)
    with TestClient(create_app(settings), base_url="http://127.0.0.1", headers={"Accept": "text/html"}) as client:
        yield client


@pytest.fixture
def http(served: TestClient) -> TestClient:
    """The service with an empty desk."""
    with served.app.state.house.session() as session:  # type: ignore[attr-defined]
        for table in (Decision, ReturnRow, Fitted):
            session.query(table).delete()
        session.commit()
    return served


@pytest.fixture
def filled(http: TestClient) -> TestClient:
    """Two lots of 300 couplers, 20 returns of the worse one and 2 of the other."""
    with http.app.state.house.session() as session:  # type: ignore[attr-defined]
        fleet = Fleet(session)
        for lot, count in (("2611", 20), ("2612", 2)):
            fleet.fitted(300, lot, since=SINCE)
            for place in range(count):
                at = SINCE + timedelta(days=100 + place)
                cause = "defect" if place % 2 else "heat"
                fleet.back(lot, cause, hours_installed=10.0, hours_failed=110 + 37.0 * place, returned_on=at)
        session.commit()
    return http


def page(http: TestClient, **asked: str) -> BeautifulSoup:
    answer = http.get("/figures", params=asked)
    assert answer.status_code == 200, answer.text
    return BeautifulSoup(answer.text, "html.parser")


def get(http: TestClient, path: str, status: int = 200, **asked: Any) -> Any:
    answer = http.get(f"/api/v1{path}", params=asked)
    assert answer.status_code == status, answer.text
    return answer.json()


def send(http: TestClient, text: str | bytes, status: int, key: str = "") -> Any:
    data = text.encode() if isinstance(text, str) else text
    headers = {"Idempotency-Key": key} if key else {}
    answer = http.post("/api/v1/fitted/import", files={"file": ("p.csv", data, "text/csv")}, headers=headers)
    assert answer.status_code == status, answer.text
    return answer.json()


def test_empty_desk_says_what_cannot_be_said(http: TestClient) -> None:
    text = page(http, part="electrode").get_text(" ", strip=True)
    assert f"Cannot be said: {ALONE}" in text
    assert "There is no return." in text
    assert "No return that counts here." in text
    assert "Nothing is on record" in text


def test_life_lots_and_months_in_words(filled: TestClient) -> None:
    found = page(filled, part="coupler")
    text = found.get_text(" ", strip=True)
    assert "600, of which 22 failed" in text
    assert "Worse than the others: C-8, lot 2611." in text
    assert "None" not in text
    rows = [
        [cell.get_text(" ", strip=True) for cell in row.select("th, td")]
        for row in found.select("#lots ~ table tbody tr")
    ]
    assert [(row[0], row[1], row[-1]) for row in rows] == [
        ("C-8, lot 2611", "20 of 300", "worse"),
        ("C-8, lot 2612", "2 of 300", "not shown to be worse"),
    ]
    assert "decide no single return" in text


def test_pictures_are_whole_and_say_what_they_show(filled: TestClient) -> None:
    found = page(filled, part="coupler")
    pictures = [ElementTree.fromstring(str(one)) for one in found.select("svg.plot")]
    assert len(pictures) == 2
    kinds = [[one.get("class") for one in picture.iter() if one.get("class")] for picture in pictures]
    assert (kinds[0].count("stairs"), kinds[0].count("band"), kinds[0].count("line")) == (1, 1, 1)
    assert kinds[0].count("running") == 1
    assert kinds[1].count("interval") == 2
    assert "value worse" in kinds[1]
    for picture in pictures:
        named = picture.get("aria-labelledby", "").split()
        assert [one.get("id") for one in list(picture)[:2]] == named
        assert all(one.text for one in list(picture)[:2])
    assert "22 of them failed" in (pictures[0][1].text or "")
    assert "C-8, lot 2611" in (pictures[1][1].text or "")


def test_cause_narrows_what_counts(filled: TestClient) -> None:
    assert "600, of which 11 failed" in page(filled, part="coupler", cause="heat").get_text(" ", strip=True)
    assert (
        page(filled, part="coupler", lot="2612")
        .select_one("#life")
        .find_parent("section")
        .find(string="300, of which 2 failed")
    )


def test_page_keeps_the_rules_of_all_pages(filled: TestClient) -> None:
    found = page(filled, part="coupler", by="lot")
    levels = [int(one.name[1]) for one in found.select("h1, h2, h3")]
    assert levels.count(1) == 1
    assert all(after <= before + 1 for before, after in itertools.pairwise(levels))
    ids = [one["id"] for one in found.select("[id]")]
    assert len(ids) == len(set(ids))
    for field in found.select("input:not([type=hidden]), select, textarea"):
        assert field.find_parent("label") or found.select_one(f'label[for="{field["id"]}"]'), field
    for form in found.select("form[method=post]"):
        assert form.select_one("input[name=csrf]"), form["action"]
    assert not found.select("[style], [onclick], style")
    assert [one["value"] for one in found.select("select option[selected]")] == ["coupler", "", "lot"]


@pytest.mark.parametrize("asked", [{"part": "wheel"}, {"cause": "rust"}, {"by": "owner"}])
def test_page_refuses_what_it_does_not_know(http: TestClient, asked: dict[str, str]) -> None:
    assert http.get("/figures", params=asked).status_code == 422


def test_population_by_form_once_and_struck(http: TestClient) -> None:
    fresh = page(http, part="coupler").select_one("form[action='/figures/fitted'] input[name=fresh]")["value"]
    fields = {
        "part": "coupler",
        "lot": "2611",
        "since": "2026-01-31",
        "count": "240",
        "hours_a_day": "",
        "fresh": fresh,
    }
    for _ in range(2):
        assert http.post("/figures/fitted", data=fields, follow_redirects=False).status_code == 303
    found = page(http, part="coupler")
    rows = found.select("#population ~ table tbody tr")
    assert len(rows) == 1
    assert "number not told, lot 2611" in rows[0].get_text()
    strike = rows[0].form["action"]
    assert http.post(strike, follow_redirects=False).headers["location"] == "/figures?part=coupler#population"
    assert not page(http, part="coupler").select("#population ~ table tbody tr")
    assert http.post(strike, follow_redirects=False).status_code == 404


def test_population_steps_stand_in_the_record(http: TestClient) -> None:
    made = http.post("/api/v1/fitted", json={"part": "coupler", "since": "2026-01-31", "count": 7}).json()
    assert http.delete(f"/api/v1/fitted/{made['id']}").status_code == 204

    with http.app.state.house.session(writes=False) as session:  # type: ignore[attr-defined]
        steps = about(session, subject=made["id"])
    assert sorted((one.what, one.kind) for one in steps) == [("recorded", "population"), ("struck", "population")]


def test_table_read_in_once(http: TestClient) -> None:
    table = f"\ufeff{HEAD}\ncoupler,C-8,2611,2026-01-31,240,6.5\r\nelectrode,,,2026-02-01,10,\n"
    first = send(http, table, 201, "k1")
    assert (first["lines"], first["parts"]) == (2, 250)
    assert send(http, table, 201, "k1") == first
    rows = get(http, "/fitted")["items"]
    assert len(rows) == 2
    coupler = next(row for row in rows if row["part"] == "coupler")
    assert (coupler["part_number"], coupler["lot"], coupler["since"], coupler["count"]) == (
        "C-8",
        "2611",
        "2026-01-31",
        240,
    )
    assert [row["hours_a_day"] for row in get(http, "/fitted", part="electrode")["items"]] == [None]


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ("part,count\ncoupler,3", "must name the columns"),
        (f"{HEAD},colour\n", "must name the columns"),
        (HEAD, "0 lines"),
        (f"{HEAD}\ncoupler,,,2026-01-31,0,", "Line 2, count"),
        (f"{HEAD}\ncoupler,,,2026-01-31,5,\nwheel,,,2026-01-31,5,", "Line 3, part"),
        (f"{HEAD}\ncoupler,,,31.1.2026,5,", "Line 2, since"),
        (f"{HEAD}\ncoupler,,,1926-01-31,5,", "must not lie before"),
        (f"{HEAD}\ncoupler,,,2026-01-31,5,25", "Line 2, hours_a_day"),
        (f"{HEAD}\ncoupler,,,2026-01-31,5", "more or fewer columns"),
        (f"{HEAD}\ncoupler,,,2026-01-31,5,1,9", "more or fewer columns"),
        (b"part,since,count\n\xff\xfe", "no table in CSV"),
    ],
)
def test_wrong_table_is_refused_whole(http: TestClient, table: str | bytes, words: str) -> None:
    assert words in send(http, table, 422)["detail"]
    assert get(http, "/fitted")["items"] == []


def test_life_as_json(filled: TestClient) -> None:
    found = get(filled, "/figures/life", part="coupler")
    assert (found["source"], found["unit"], found["parts"], found["failures"]) == ("fitted", "h", 600, 22)
    assert found["curve"]["method"] == "Kaplan-Meier"
    assert found["weibull"]["b10"]["low"] < found["weibull"]["b10"]["value"]
    assert (found["weibull_unsaid"], found["curve_unsaid"]) == ("", "")
    alone = get(filled, "/figures/life", part="electrode")
    assert (alone["weibull"], alone["curve"], alone["weibull_unsaid"]) == (None, None, ALONE)
    before = get(filled, "/figures/life", part="coupler", as_of=str(SINCE + timedelta(days=99)))
    assert (before["returns"], before["failures"]) == (0, 0)


def test_lots_and_months_as_json(filled: TestClient) -> None:
    lots = get(filled, "/figures/lots", part="coupler")
    assert [(one["lot"], one["found"], one["worse"]) for one in lots["lots"]] == [
        ("2611", 20, True),
        ("2612", 2, False),
    ]
    assert sum(one["expected"] for one in lots["lots"]) == pytest.approx(22)
    months = get(filled, "/figures/months", part="coupler", by="lot")["months"]
    assert sum(one["found"] for one in months) == 22
    assert {one["group"] for one in months} == {"2611", "2612"}
    assert all(one["rate_low"] <= one["rate"] <= one["rate_high"] for one in months)


@pytest.mark.parametrize(
    "asked", [{}, {"part": "wheel"}, {"part": "coupler", "cause": "x"}, {"part": "coupler", "lot": "a\0"}]
)
def test_json_refuses_what_it_does_not_know(http: TestClient, asked: dict[str, str]) -> None:
    get(http, "/figures/life", 422, **asked)


def test_future_and_distant_days_are_no_failure_of_the_service(filled: TestClient) -> None:
    for day in (date.min, date.max):
        for path in ("life", "lots", "months"):
            get(filled, f"/figures/{path}", part="coupler", as_of=str(day))
