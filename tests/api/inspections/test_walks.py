"""Where to start over HTTP: what a phone walked without a link is checked and kept."""

from __future__ import annotations

import uuid
from html import unescape
from typing import Any

import pytest

from wearvision.standard.starts import load_starts
from wearvision.walk import walk


def good_answers(start: str) -> list[dict[str, Any]]:
    """Answers that rule everything out, to the end: a word where there is one, else the middle of a band."""
    answers: list[dict[str, Any]] = []
    while (check := walk(start, answers).check) is not None:
        assert check.reading is not None
        fits = sorted(check.reading.answers, key=lambda one: one.says != "good")
        for one in fits:
            top = one.low + 1 if one.high == float("inf") else one.high
            answer = one.word or round((one.low + top) / 2, 3)
            tried = [*answers, {"check": check.id, "answer": answer}]
            try:
                after = walk(start, tried)
            except ValueError:
                continue
            if after.check is not check:
                answers = tried
                break
        else:
            pytest.fail(f"no answer leads on from {check.id}")
    return answers


def test_starts_hold_all_that_a_walk_needs(site: Any) -> None:
    found = site.get("/starts")
    assert [one["id"] for one in found["starts"]] == list(load_starts().starts)
    known = {one["id"] for one in found["checks"]} | {one["id"] for one in found["ends"]}
    led = {answer["next"] for one in found["checks"] for answer in one["reading"]["answers"]}
    assert led <= known | {"onward", ""}
    assert any("reset once only" in one for one in found["cautions"])
    one = site.get(f"/starts/{found['starts'][0]['id']}")
    assert [row["id"] for row in one["starts"]] == [found["starts"][0]["id"]]
    assert site.client.get("/api/v1/starts/nothing-like-it").status_code == 404


@pytest.mark.parametrize("start", list(load_starts().starts))
def test_walk_is_kept_with_what_each_answer_meant(site: Any, start: str) -> None:
    answers = good_answers(start)
    kept = site.post("/walks", {"start": start, "steps": answers})
    assert [{"check": one["check"], "answer": one["answer"]} for one in kept["steps"]] == answers
    assert all(one["text"] and one["title"] for one in kept["steps"])
    assert kept["end"]["id"] == kept["steps"][-1]["leads_to"]
    assert site.get(f"/walks/{kept['id']}") == kept


def test_walk_of_a_visit_stands_on_its_sheet_and_in_its_export(site: Any) -> None:
    visit = site.visit(site.machine()["id"])["id"]
    answers = good_answers("dead")
    body = {"id": str(uuid.uuid4()), "start": "dead", "inspection": visit, "steps": answers}
    for _ in range(2):
        answer = site.client.post("/api/v1/walks", json=body, headers={"Idempotency-Key": "walk-1"})
        assert answer.status_code == 201
    export = site.get(f"/inspections/{visit}/export.json")
    assert [one["id"] for one in export["walks"]] == [body["id"]]
    title = load_starts().start("dead").title
    for path in (f"/inspections/{visit}", f"/inspections/{visit}/sheet"):
        page = unescape(site.client.get(path).text)
        assert title in page
        assert all(one["title"] in page for one in export["walks"][0]["steps"])
    assert site.client.get(f"/api/v1/inspections/{visit}/sheet.pdf").status_code == 200
    site.post(f"/inspections/{visit}/close", {"service": False})
    assert site.post("/walks", body | {"id": str(uuid.uuid4())}, 409)["code"] == "conflict"


@pytest.mark.parametrize(
    ("start", "steps"),
    [
        ("no-such-start", [{"check": "chamber", "answer": "dry"}]),
        ("dead", []),
        ("dead", [{"check": "fuses", "answer": "good"}]),
        ("dead", [{"check": "chamber", "answer": "purple"}]),
    ],
)
def test_walk_that_makes_no_sense_is_refused(site: Any, start: str, steps: list[dict[str, Any]]) -> None:
    assert site.post("/walks", {"start": start, "steps": steps}, 422)["code"] == "invalid"
