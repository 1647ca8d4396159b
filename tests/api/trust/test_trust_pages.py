"""Page, JSON and table: the same figures, honest where there are none, for every role, no person named in them."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator
from datetime import timedelta

import numpy as np
import pytest
from bs4 import BeautifulSoup
from fastapi.testclient import TestClient

from wearvision_api.accounts.gate import LOCAL_ID
from wearvision_api.accounts.roles import ROLES, Caller
from wearvision_api.app import create_app
from wearvision_api.pages.trust_contexts import sentence
from wearvision_api.settings import Settings
from wearvision_api.store.tables import now
from wearvision_api.store.teaching_tables import ModelTurn
from wearvision_api.trust import drift
from wearvision_api.trust.shares import Class, share

from .conftest import Store, company

WEEKS = 40


@pytest.fixture(scope="module")
def full(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    """Forty weeks of an invented company; photos get darker in the last fourteen."""
    settings = Settings(data=tmp_path_factory.mktemp("full"), workers=1)
    with TestClient(create_app(settings), base_url="http://127.0.0.1") as client:
        _fill(client)
        yield client


def _fill(client: TestClient) -> None:
    house = client.app.state.house  # type: ignore[attr-defined]
    start = drift.monday(now()) - timedelta(weeks=WEEKS) + timedelta(hours=8)
    rows = company(np.random.default_rng(5), WEEKS, visits=5, changes=26, shift=-2.5, start=start)
    with house.session() as session:
        Store(session).take(rows)
        session.add(ModelTurn(kind="use", model="", by_id=LOCAL_ID, at=start))
        session.add(ModelTurn(kind="use", model="site-1 <b>", by_id=LOCAL_ID, at=start + timedelta(weeks=20)))
        session.add(ModelTurn(kind="use", model="mixed-2", by_id=LOCAL_ID, at=start + timedelta(weeks=20)))
        session.commit()


def _page(client: TestClient, **asked: str) -> BeautifulSoup:
    answer = client.get("/trust", params=asked, headers={"Accept": "text/html"})
    assert answer.status_code == 200, answer.text
    return BeautifulSoup(answer.text, "html.parser")


@pytest.mark.on_both
def test_without_grades_nothing_is_claimed(client: TestClient) -> None:
    text = _page(client).get_text(" ")
    assert "No grade counts here yet." in text
    assert "Too early to say" in text
    assert not re.search(r"Of 100 parts", text)
    found = client.get("/api/v1/trust").json()
    assert (found["grades"], found["lines"], found["promise"]["value"]) == (0, [], None)
    assert found["promise"]["reason"] == "No check was asked for yet."
    assert client.get("/api/v1/trust/drift").json()["newest"] is None
    assert len(client.get("/api/v1/trust/table.csv").text.splitlines()) == 1


@pytest.mark.on_both
def test_page_json_and_table_say_the_same(client: TestClient) -> None:
    _fill(client)
    found = client.get("/api/v1/trust").json()
    (total,) = found["totals"]
    value = total["share"]
    low, high = np.floor(100 * value["low"]), np.ceil(100 * value["high"])
    words = f"Of 100 parts called serviceable and checked by hand, {100 * value['value']:.0f} were; between"
    page = _page(client)
    assert f"{words} {low:.0f} and {high:.0f}." in page.get_text(" ")
    rows = list(csv.DictReader(io.StringIO(client.get("/api/v1/trust/table.csv").text)))
    for line in found["lines"]:
        (row,) = (one for one in rows if (one["kind"], one["part"]) == ("grade", line["part"]))
        assert float(row["share"]) == pytest.approx(line["share"]["value"], abs=5e-5)
        assert (int(row["asked"]), int(row["answered"])) == (line["share"]["asked"], line["share"]["answered"])
    assert [one["period"] for one in rows if one["kind"] == "period"] == [one["name"] for one in found["periods"]]
    assert {one["check"] for one in rows if one["kind"] == "check"} == {"cell-wipe", "electrode-wipe", "coupler-wipe"}
    assert found["stated"] == 0.95


def test_choices_narrow_the_figures(full: TestClient) -> None:
    all_parts, coupler = (full.get("/api/v1/trust", params=asked).json() for asked in ({}, {"part": "coupler"}))
    assert {one["part"] for one in coupler["lines"]} == {"coupler"}
    assert 0 < coupler["grades"] < all_parts["grades"]
    quarters = full.get("/api/v1/trust", params={"every": "quarter"}).json()["periods"]
    assert all(re.fullmatch(r"\d{4} Q[1-4]", one["name"]) for one in quarters)
    assert full.get("/api/v1/trust", params={"grade": "replace"}).json()["periods"] == []
    assert full.get("/api/v1/trust", params={"part": "wheel"}).status_code == 422


def test_the_alarm_names_what_changed_and_what_to_do(full: TestClient) -> None:
    alarm = _page(full).find(role="alert")
    assert alarm is not None
    text = alarm.get_text(" ")
    assert "Drive coupler: brightness of the part" in text
    assert "do the hand checks of every part" in text
    found = full.get("/api/v1/trust/drift").json()
    assert found["false_alarms_a_year"] == 0.05
    newest = found["raised"][0]
    assert {one["what"] for one in newest["tests"] if one["alarm"]} == {"brightness"}


def test_model_turns_are_marked_and_names_are_text(full: TestClient) -> None:
    picture = _page(full, since="all").find("svg")
    assert picture is not None
    labels = [one.get_text() for one in picture.find_all("text", class_="label")]
    assert labels[-2:] == ["site-1 <b>", "mixed-2"]  # the first may lie before the first month that says a share
    assert len(picture.find_all("line", class_="turn")) == len(labels)


def test_every_role_may_read_and_no_account_is_named(full: TestClient) -> None:
    for role in ROLES:
        assert Caller("id", "name", role).may("trust:read")
    assert LOCAL_ID not in full.get("/api/v1/trust").text


def test_interval_ends_are_rounded_outward_and_silence_is_said() -> None:
    said = sentence("serviceable", share([Class(1.0, 50, 50, 48)]))  # 0.865 to 0.989
    assert said == "Of 100 parts called serviceable and checked by hand, 96 were; between 86 and 99."
    silent = sentence("replace", share([Class(1.0, 4, 0, 0)]))
    assert silent.startswith("How many of the parts called replace are so cannot be said yet. Of 4 checks")
