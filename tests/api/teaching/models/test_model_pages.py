"""Pages of models and trainings read as a person does, without JavaScript; routes of the same."""

from __future__ import annotations

import copy
import hashlib
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from bs4 import BeautifulSoup
from fastapi.testclient import TestClient

from wearvision_api.accounts.gate import LOCAL_ID
from wearvision_api.house import House
from wearvision_api.store.tables import new_id
from wearvision_api.store.teaching_tables import DataSetRow
from wearvision_api.teaching import job, training_watch

from .conftest import RELEASED, report
from .test_hot_swap import API, graded, until

STUB = Path(__file__).with_name("training_stub.py")


def read(client: TestClient, path: str, status: int = 200) -> BeautifulSoup:
    answer = client.get(path, headers={"Accept": "text/html"})
    assert answer.status_code == status, answer.text
    return BeautifulSoup(answer.text, "html.parser")


def words(page: BeautifulSoup) -> str:
    return " ".join(page.get_text(" ").split())


def send(client: TestClient, path: str, status: int = 303, **fields: str) -> Any:
    answer = client.post(path, data=fields, headers={"Accept": "text/html"}, follow_redirects=False)
    assert answer.status_code == status, answer.text
    return answer


def test_the_way_from_comparison_over_shadow_to_release_and_back(
    client: TestClient, house: House, taken_in: Callable[..., str], sample: Path
) -> None:
    digest = hashlib.sha256(sample.read_bytes()).hexdigest()
    graded(client, sample)
    said = report()
    said["missed"] = [
        {"sha256": "e" * 64, "part": "coupler", "truth": "replace", "old": "serviceable", "new": "replace"},
        {"sha256": digest, "part": "flame_cell", "truth": "replace", "old": "replace", "new": "serviceable"},
    ]
    key = taken_in("site-yard-1", said)
    listed = words(read(client, "/teaching/models"))
    assert "In use: mixed-2" in listed
    assert f"{key} At rest" in listed
    assert "✓ Passed" in listed
    page = read(client, f"/teaching/models/{key}")
    text = words(page)
    assert "Gate: passed" in text
    assert "60 held-out photos of 12 machines" in text
    assert "+0.15 [+0.11, +0.19]" in text
    assert "9 only the new one, 2 only the old one, p 0.065" in text
    assert "released, widened; 9 photos: 9 of 19 photos" in text
    tiles = page.select("#missed ~ .tiles article")
    assert "missed by the new model" in words(tiles[0])
    assert client.get(tiles[0].img["src"]).headers["content-type"] == "image/jpeg"
    assert tiles[1].img is None
    assert page.select_one("svg.plot") is not None
    send(client, f"/teaching/models/{key}/shadow")
    graded(client, sample)
    assert until(lambda: house.shadow.graded == 1)
    assert "1 grade compared" in words(read(client, "/teaching/models"))
    for which in ("all", "dangerous", "grade", "refused"):
        read(client, f"/teaching/models/{key}/shadow?which={which}")
    read(client, f"/teaching/models/{key}/shadow?which=some", 422)
    send(client, f"/teaching/models/{key}/release", reason="better by 0.15")
    listed = words(read(client, "/teaching/models"))
    assert f"In use: {key}" in listed
    assert "better by 0.15" in listed
    assert "In the shadow" not in listed
    made = graded(client, sample)
    assert f"model {key}" in words(read(client, f"/grades/{made['id']}"))
    send(client, f"/teaching/models/{key}/take-back")
    assert "In use: mixed-2" in words(read(client, "/teaching/models"))
    assert "Back to mixed-2" in words(read(client, "/teaching/models"))
    send(client, f"/teaching/models/{key}/take-back", 409)


def test_a_model_against_the_gate_asks_for_a_reason(client: TestClient, taken_in: Callable[..., str]) -> None:
    key = taken_in("site-worse", report(misses=(0, 2)))
    page = read(client, f"/teaching/models/{key}")
    assert "Gate: not passed" in words(page)
    assert "✗ not met" in words(page)
    assert page.select_one("form[action$='/release'] textarea[required]") is not None
    send(client, f"/teaching/models/{key}/release", 422, reason="why not")
    send(client, f"/teaching/models/{key}/release", reason="both were labelled wrongly, seen again")
    assert f"In use: {key}" in words(read(client, "/teaching/models"))


def test_a_model_that_learned_nothing_says_so(client: TestClient, taken_in: Callable[..., str]) -> None:
    page = words(read(client, f"/teaching/models/{taken_in('site-yard-8')}"))
    assert "nothing: nothing that was tried did better on photos left out" in page
    assert "Photos learned from 200" in page


def test_a_report_with_gaps_still_makes_a_page(client: TestClient, taken_in: Callable[..., str]) -> None:
    said = copy.deepcopy(report())
    said["parts"]["all"]["new"] = {"macro_f1": {"value": None, "low": None, "high": None, "of": 0}}
    del said["synthetic"], said["calibration"], said["missed"]
    said["parts"]["flame_cell"]["mcnemar"] = {}
    text = words(read(client, f"/teaching/models/{taken_in('site-gaps', said)}"))
    assert "not known" in text
    assert "Gate: not passed" in text
    assert "Gate: not passed" in words(read(client, f"/teaching/models/{taken_in('site-none', {'told': 3})}"))


def test_released_models_have_a_page_and_unknown_ones_none(client: TestClient) -> None:
    page = read(client, "/teaching/models/mixed-2")
    assert "In use since the service began" in words(page)
    assert page.select_one("pre.card") is not None
    read(client, "/teaching/models/mixed-9", 404)
    read(client, "/teaching/models/mixed-9/shadow", 404)
    assert client.get(f"{API}/models/Mixed").status_code == 422


def test_routes_say_the_same(client: TestClient, house: House, taken_in: Callable[..., str], sample: Path) -> None:
    key = taken_in()
    found = client.get(f"{API}/models").json()
    assert (found["in_use"], found["here"], found["before"], found["shadow"]) == ("mixed-2", "mixed-2", None, "")
    assert found["items"][0]["id"] == key
    assert client.post(f"{API}/models/{key}/shadow", json={}).json()["shadow"] == key
    assert client.delete(f"{API}/models/{key}/shadow").json()["shadow"] == ""
    assert client.delete(f"{API}/models/{key}/shadow").status_code == 409
    found = client.post(f"{API}/models/{key}/release", json={"reason": "tried"}).json()
    assert (found["in_use"], found["here"], found["before"]) == (key, key, "mixed-2")
    assert found["turns"][0]["reason"] == "tried"
    detail = client.get(f"{API}/models/{key}").json()
    assert detail["report"] == report()
    assert detail["state"] == "in use"
    assert detail["card"].startswith(f"# {key}")
    assert client.get(f"{API}/models/{key}/differences").json()["compared"] == 0
    found = client.post(f"{API}/models/{key}/take-back", json={}).json()
    assert found["in_use"] == "mixed-2"
    assert client.post(f"{API}/models/site-none/release", json={}).status_code == 404


@pytest.fixture
def yard(house: House, monkeypatch: pytest.MonkeyPatch) -> dict[str, Any]:
    """A set to learn from, and what the stand-in does with it."""
    import json

    told: dict[str, Any] = {"steps": 30, "pause": 0.1, "model": str(RELEASED), "report": report()}

    def write(house: House, session: Any, row: DataSetRow, folder: Path) -> None:
        folder.mkdir(parents=True)
        (folder / "how.json").write_text(json.dumps(told), "utf-8")

    monkeypatch.setattr(training_watch, "write_set", write)
    monkeypatch.setattr(job, "PROGRAM", (sys.executable, str(STUB)))
    with house.session() as session:
        session.add(DataSetRow(id=new_id(), owner_id=LOCAL_ID, name="Yard", sha256="0" * 64, counts={"photos": 60}))
        session.commit()
    return told


def test_a_training_from_the_page(client: TestClient, house: House, yard: dict[str, Any]) -> None:
    page = read(client, "/teaching/models")
    assert "Yard (60 photos)" in words(page)
    chosen = page.select_one("select[name=data_set] option")["value"]
    fields = {"data_set": str(chosen), "base": "", "stage": "heads", "minutes": "", "fresh": new_id()}
    address = send(client, "/teaching/trainings", **fields).headers["location"]
    assert send(client, "/teaching/trainings", **fields).headers["location"] == address  # pressed twice
    key = address.rsplit("/", 1)[1]
    assert until(lambda: client.get(f"{API}/trainings/{key}").json()["progress"].get("done", 0) >= 2)
    page = read(client, address)
    assert page.select_one("#live")["hx-trigger"] == "every 2s"
    assert page.select_one("progress")["max"] == "30"
    assert "HX-Refresh" not in client.get(address, headers={"HX-Request": "true"}).headers
    send(client, f"{address}/stop")
    assert "It stops at its next step" in words(read(client, address)) or "Stopped" in words(read(client, address))
    assert until(lambda: client.get(f"{API}/trainings/{key}").json()["state"] == "stopped")
    assert client.get(address, headers={"HX-Request": "true"}).headers["HX-Refresh"] == "true"
    page = read(client, address)
    assert "It was stopped, and can go on." in words(page)
    assert page.select_one("#live").get("hx-get") is None
    yard.update(pause=0)
    send(client, f"{address}/resume")
    assert until(lambda: client.get(f"{API}/trainings/{key}").json()["state"] == "done")
    page = read(client, address)
    assert "Compare the new model site-yard-1" in words(page)
    assert "Learned from Yard" in words(read(client, "/teaching/models/site-yard-1"))
    assert "Yard, from mixed-2 Done" in words(read(client, "/teaching/models"))


def test_trainings_by_route(client: TestClient, yard: dict[str, Any]) -> None:
    yard.update(steps=1, fails="The set has no photo to learn from.")
    headers = {"Idempotency-Key": "once"}
    first = client.post(f"{API}/trainings", json={"data_set": "Yard"}, headers=headers)
    assert first.status_code == 201
    again = client.post(f"{API}/trainings", json={"data_set": "Yard"}, headers=headers)
    assert again.json() == first.json()
    key = first.json()["id"]
    assert until(lambda: client.get(f"{API}/trainings/{key}").json()["state"] == "failed")
    assert client.get(f"{API}/trainings/{key}").json()["said"] == "The set has no photo to learn from."
    assert [one["id"] for one in client.get(f"{API}/trainings").json()["items"]] == [key]
    assert client.post(f"{API}/trainings/{key}/stop").status_code == 409
    assert client.post(f"{API}/trainings", json={"data_set": "Elsewhere"}).status_code == 404
    assert client.post(f"{API}/trainings", json={"data_set": "Yard", "base": "mixed-9"}).status_code == 404
    assert client.post(f"{API}/trainings", json={"data_set": "Yard", "stage": "all"}).status_code == 422
