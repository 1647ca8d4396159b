"""Machines and inspections over HTTP, on a real database with real photos."""

from __future__ import annotations

import uuid
from typing import Any

import pytest

MATCH = {"If-Match": "*"}


def patch(site: Any, path: str, body: dict[str, Any], match: str = "*") -> Any:
    return site.client.patch(f"/api/v1{path}", json=body, headers={"If-Match": match})


def test_machine_takes_the_intervals_of_the_settings_unless_told(site: Any) -> None:
    machine = site.machine()
    assert (machine["interval_hours"], machine["interval_days"]) == (500, 365)
    other = site.machine(identifier="H-08", interval_hours=250, interval_days=180)
    assert (other["interval_hours"], other["interval_days"]) == (250, 180)


def test_machine_identifier_is_taken_once(site: Any) -> None:
    site.machine()
    assert site.post("/machines", {"identifier": "H-07"}, 409)["code"] == "conflict"


def test_machine_id_may_be_chosen_and_a_retry_records_nothing_twice(site: Any) -> None:
    body = {"id": str(uuid.uuid4()), "identifier": "H-09", "hours": 5}
    answers = [
        site.client.post("/api/v1/machines", json=body, headers={"Idempotency-Key": "k"}).json() for _ in range(2)
    ]
    assert answers[0] == answers[1]
    assert answers[0]["id"] == body["id"]
    assert len(site.get("/machines")["items"]) == 1


def test_machine_changes_only_for_who_has_seen_it(site: Any) -> None:
    path = f"/machines/{site.machine()['id']}"
    etag = site.client.get(f"/api/v1{path}").headers["etag"]
    assert site.client.get(f"/api/v1{path}", headers={"If-None-Match": etag}).status_code == 304
    assert site.client.patch(f"/api/v1{path}", json={"notes": "a"}).status_code == 428
    assert patch(site, path, {"notes": "a"}, etag).json()["notes"] == "a"
    assert patch(site, path, {"notes": "b"}, etag).status_code == 412
    assert site.get(path)["notes"] == "a"


def test_hour_meter_runs_back_only_with_a_reason(site: Any) -> None:
    path = f"/machines/{site.machine(hours=1200)['id']}"
    refused = patch(site, path, {"hours": 3})
    assert refused.status_code == 409
    assert "cannot run backwards" in refused.json()["detail"]
    assert site.get(path)["hours"] == 1200
    taken = patch(site, path, {"hours": 3, "meter_reason": "meter replaced"}).json()
    assert (taken["hours"], taken["running_hours"]) == (3, 1200)
    assert patch(site, path, {"hours": 53}).json()["running_hours"] == 1250


def test_mistyped_hours_are_put_right(site: Any) -> None:
    path = f"/machines/{site.machine(hours=12000)['id']}"
    assert patch(site, path, {"hours": 1200, "corrects": True}).json()["running_hours"] == 1200


def test_mistyped_hours_of_a_visit_are_put_right_there_even_when_it_is_closed(site: Any) -> None:
    machine = site.machine(hours=1200)
    path = f"/inspections/{site.visit(machine['id'], hours=13205)['id']}"
    site.post(f"{path}/close", {"service": False})
    assert patch(site, f"/machines/{machine['id']}", {"hours": 1320, "corrects": True}).status_code == 409
    assert patch(site, path, {"hours": 1320.5}).json()["hours"] == 1320.5
    assert site.get(f"/machines/{machine['id']}")["hours"] == 1320.5
    assert patch(site, path, {"notes": "later"}).status_code == 409


def test_visit_told_late_is_placed_by_its_time(site: Any) -> None:
    """A phone without a link sends an older visit after a newer one."""
    machine = site.post("/machines", {"identifier": "H-10"})["id"]
    site.visit(machine, hours=900, begun_at="2026-03-01T08:00:00Z")
    site.visit(machine, hours=700, begun_at="2026-01-01T08:00:00Z")
    assert site.get(f"/machines/{machine}")["hours"] == 900
    late = {"machine": machine, "hours": 950, "begun_at": "2026-02-01T08:00:00Z"}
    assert "cannot run backwards" in site.post("/inspections", late, 409)["detail"]
    assert len(site.get(f"/inspections?machine={machine}")["items"]) == 2


@pytest.mark.parametrize("moment", ["1990-01-01T00:00:00Z", "2999-01-01T00:00:00Z", "0001-01-01T00:00:00+14:00"])
def test_visit_at_an_impossible_time_is_refused(site: Any, moment: str) -> None:
    body = {"machine": site.machine()["id"], "begun_at": moment}
    assert site.post("/inspections", body, 422)["code"] == "invalid"


def test_lines_are_kept_and_struck(site: Any) -> None:
    path = f"/inspections/{site.visit(site.machine()['id'])['id']}"
    site.post(f"{path}/settings", {"name": "electrode gap", "value": 3.2, "unit": "mm"})
    site.post(f"{path}/causes", {"cause": "Pump turns hard", "finding": "ruled out"})
    full = site.post(f"{path}/parts-used", {"description": "Nozzle", "quantity": 1})
    assert [full[kind][0][name] for kind, name in (("settings", "value"), ("parts_used", "part"))] == [3.2, None]
    assert full["causes"][0]["finding"] == "ruled out"
    struck = site.client.delete(f"/api/v1{path}/lines/{full['settings'][0]['id']}").json()
    assert (struck["settings"], len(struck["causes"])) == ([], 1)
    assert site.client.delete(f"/api/v1{path}/lines/{full['settings'][0]['id']}").status_code == 404


def test_closed_visit_takes_nothing_more(site: Any) -> None:
    visit = site.visit(site.machine()["id"], hours=1300)
    path = f"/inspections/{visit['id']}"
    line = site.post(f"{path}/settings", {"name": "gap", "value": 3})["settings"][0]["id"]
    closed = site.post(f"{path}/close", {"service": True})
    assert closed["serviced"]
    assert closed["closed_at"].endswith("Z")
    for tail, body in (
        ("settings", {"name": "gap", "value": 3}),
        ("causes", {"cause": "x", "finding": "found"}),
        ("parts-used", {"description": "x"}),
        ("close", {}),
    ):
        assert site.post(f"{path}/{tail}", body, 409)["code"] == "conflict"
    assert site.client.delete(f"/api/v1{path}/lines/{line}").status_code == 409
    photo = site.photo("coupler-end-replace-1.jpg")
    assert site.post("/grades", {"photos": [photo], "inspection": visit["id"]}, 409)["code"] == "conflict"


def test_service_closed_sets_the_next_one(site: Any) -> None:
    machine = site.machine(hours=1200)["id"]
    assert site.get(f"/machines/{machine}/due")["state"] == "unknown"
    visit = site.visit(machine, hours=1300)
    site.post(f"/inspections/{visit['id']}/close", {"service": True})
    due = site.get(f"/machines/{machine}/due")
    assert (due["state"], due["at_hours"], due["hours_left"]) == ("not due", 1800, 500)
    patch(site, f"/machines/{machine}", {"hours": 1810})
    due = site.get(f"/machines/{machine}/due")
    assert (due["state"], due["first"], due["hours_left"]) == ("due", "hours", -10)


def test_visit_that_was_no_service_does_not_move_the_next_one(site: Any) -> None:
    machine = site.machine(hours=1200)["id"]
    visit = site.visit(machine, hours=1300)
    site.post(f"/inspections/{visit['id']}/close", {"service": False})
    assert site.get(f"/machines/{machine}/due")["state"] == "unknown"


def test_machines_photo_as_installed_serves_later_grades(site: Any) -> None:
    machine = site.machine()["id"]
    new = site.photo("flame_cell-face-serviceable-1.jpg")
    kept = site.put(f"/machines/{machine}/references/flame_cell", {"photo": new})
    assert [(one["part"], one["photo"]) for one in kept["references"]] == [("flame_cell", new)]
    grade = site.grade(site.visit(machine)["id"], "flame_cell")
    assert grade["reference"] == new
    newer = site.photo("flame_cell-face-serviceable-2.jpg")
    assert len(site.put(f"/machines/{machine}/references/flame_cell", {"photo": newer})["references"]) == 1


def test_history_follows_the_grades_of_visits(site: Any) -> None:
    machine = site.machine(hours=1000)["id"]
    for hours in (1100, 1200):
        site.grade(site.visit(machine, hours=hours)["id"], "coupler")
    history = site.get(f"/machines/{machine}/history")
    grime = next(one for one in history["series"] if one["measure"] == "grime_ratio")
    assert [point["hours"] for point in grime["points"]] == [1100, 1200]
    assert "2 of at least 3 visits" in grime["reason"]


def test_pages_of_visits_hold_each_once(site: Any) -> None:
    machine = site.machine()["id"]
    made = {site.visit(machine)["id"] for _ in range(5)}
    seen, cursor = [], ""
    while True:
        answer = site.get(f"/inspections?limit=2&cursor={cursor}")
        seen += [one["id"] for one in answer["items"]]
        if answer["next"] is None:
            break
        cursor = answer["next"]
    assert sorted(seen) == sorted(made)


@pytest.mark.parametrize("path", ["machines", "inspections"])
def test_unknown_record_is_not_found(site: Any, path: str) -> None:
    answer = site.client.get(f"/api/v1/{path}/{uuid.uuid4()}")
    assert (answer.status_code, answer.json()["code"]) == (404, "not-found")
