"""The routes and pages of examples, permission and labels, as programs and people without scripts use them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from bs4 import BeautifulSoup
from fastapi.testclient import TestClient

from wearvision.parts import PARTS

CELL = "flame_cell-face-replace-1.jpg"
LABEL: dict[str, Any] = {"part": "flame_cell", "view": "face", "grade": "replace", "modes": {"clouding": "replace"}}
HTML = {"Accept": "text/html"}


@pytest.fixture
def graded(client: TestClient, samples: Path) -> str:
    """Id of a grade of a sample."""
    photo = client.post("/api/v1/photos", files={"file": (samples / CELL).read_bytes()}).json()["id"]
    return str(client.post("/api/v1/grades", json={"photos": [photo]}).json()["id"])


def read(client: TestClient, path: str, status: int = 200) -> BeautifulSoup:
    answer = client.get(path, headers=HTML)
    assert answer.status_code == status, answer.text
    return BeautifulSoup(answer.text, "html.parser")


def test_from_permission_to_a_label_and_back(client: TestClient, graded: str) -> None:
    api = "/api/v1"
    assert client.get(f"{api}/examples/next").json() == {
        "example": None,
        "waiting": 0,
        "say": "No example waits for a label of yours. Take photos in, or let a second person label.",
    }
    made = client.post(f"{api}/grades/{graded}/permission", json={"ground": "own part"})
    assert made.status_code == 201
    (example,) = made.json()["examples"]
    assert client.post(f"{api}/examples", json={}).json() == {"added": 0, "examples": []}

    found = client.get(f"{api}/examples/next").json()["example"]
    assert (found["id"], found["state"], found["asks"]) == (example, "to label", "label")
    hidden = ("own", "doubt", "opinion", "truth", "teaches", "machine", "split", "left_out")
    assert {found[name] for name in hidden} == {None}
    assert client.get(f"{api}/examples/{example}").json()["opinion"] is None
    assert client.post(f"{api}/examples/{example}/hold").status_code == 200

    dry = client.post(f"{api}/examples/{example}/measure", json={"body": LABEL | {"matches": {"haze": 0.4}}})
    assert dry.json()["measured"]["haze"]["value"] == 0.4
    assert client.get(f"{api}/examples/{example}").json()["labels"] == []

    key = {"Idempotency-Key": "label-1"}
    saved = client.post(f"{api}/examples/{example}/labels", json={"body": LABEL, "seconds": 12}, headers=key)
    assert saved.status_code == 201, saved.text
    assert saved.json()["opinion"]["part"]["name"] == "flame_cell"
    assert saved.json()["example"]["truth"]["grade"] == "replace"
    again = client.post(f"{api}/examples/{example}/labels", json={"body": LABEL, "seconds": 12}, headers=key)
    assert again.json() == saved.json()
    assert again.headers["Idempotency-Replayed"] == "true"
    assert client.get(f"{api}/examples/counts").json()["settled"] == {"flame_cell, replace": 1}
    assert client.get(f"{api}/examples?state=settled").json()["items"][0]["id"] == example

    back = client.delete(f"{api}/examples/{example}/labels").json()
    assert back["label"]["withdrawn_at"] is not None
    assert (back["opinion"], back["example"]["state"]) == (None, "to label")

    out = client.post(f"{api}/examples/{example}/leave-out", json={"reason": "A hand covers it."})
    assert out.json()["left_out"]["reason"] == "A hand covers it."
    assert client.post(f"{api}/examples/{example}/put-back").json()["state"] == "to label"
    gone = client.post(f"{api}/grades/{graded}/permission/withdrawal", json={"reason": "The owner asked."}).json()
    assert (gone["photos"], gone["left_out"]) == (1, [example])
    assert gone["say"] == "No data set holds it, and no model was taught with it."
    refused = client.post(f"{api}/examples/{example}/put-back")
    assert (refused.status_code, refused.json()["code"]) == (409, "conflict")


def test_what_is_refused(client: TestClient, graded: str) -> None:
    nobody = "00000000-0000-4000-8000-0000000000ff"
    assert client.get(f"/api/v1/examples/{nobody}").status_code == 404
    assert client.post("/api/v1/permissions", json={"ground": "own machines"}).status_code == 422
    answer = client.post("/api/v1/permissions", json={"returns": ["26-1"], "ground": "own machines"})
    assert (answer.status_code, "no return 26-1" in answer.json()["detail"]) == (404, True)
    (example,) = client.post(f"/api/v1/grades/{graded}/permission", json={}).json()["examples"]
    wrong = client.post(f"/api/v1/examples/{example}/labels", json={"body": {"part": "pump"}})
    assert (wrong.status_code, wrong.json()["reason"]) == (422, "bad_label")


def test_what_is_asked_names_every_view_in_the_standards_words(client: TestClient) -> None:
    found = client.get("/api/v1/standard/labels").json()["views"]
    assert {(one["part"], one["view"]) for one in found} == {
        (key, view) for key, spec in PARTS.items() for view in spec.views
    }
    modes = {(one["part"], mode["key"]): mode for one in found for mode in one["modes"]}
    assert modes["flame_cell", "clouding"]["begins"]["replace"] == "from 0.4"  # wear standard
    assert modes["flame_cell", "film"]["grades"] == ["serviceable", "clean-and-reuse"]


def test_pages_without_scripts(client: TestClient, graded: str) -> None:
    page = read(client, f"/grades/{graded}")
    assert page.select_one(f'form[action="/grades/{graded}/permission"]')
    client.post(f"/grades/{graded}/permission", headers=HTML, follow_redirects=False)
    page = read(client, f"/grades/{graded}")
    assert "1 of 1 photo may teach" in page.get_text()
    assert "Label: 1 wait for you" in read(client, "/teaching").get_text()
    cards = read(client, "/teaching/examples").select("article")
    assert [card.h3.get_text() for card in cards] == ["To label"]
    address = cards[0].select_one("form")["action"]
    assert client.post(address, data={"reason": "x"}, headers=HTML).status_code == 422
    client.post(address, data={"reason": "A hand covers it."}, headers=HTML)
    page = read(client, "/teaching/examples?state=left+out")
    assert "A hand covers it." in page.get_text()
    back = page.select_one('form[action$="/put-back"]')["action"]
    assert client.post(back, headers=HTML, follow_redirects=False).status_code == 303
    assert "There are none." in read(client, "/teaching/disputes").get_text()
    assert read(client, "/teaching/examples?state=second", 422).h1
    answer = client.post(f"/grades/{graded}/permission/withdrawal", data={"reason": "The owner asked."}, headers=HTML)
    assert "No data set holds it" in answer.text
    assert "future sets skip it" in answer.text


def test_the_links_of_teaching_mark_the_page(client: TestClient) -> None:
    for path in ("/teaching", "/teaching/examples", "/teaching/disputes"):
        current = read(client, path).select('nav[aria-label="Teaching"] [aria-current=page]')
        assert [one["href"] for one in current] == [path]
