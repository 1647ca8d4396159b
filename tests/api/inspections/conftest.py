"""A demo visit of our own invention: a heater on a trailer, its three parts out of their places."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient

PHOTOS = {
    "flame_cell": "flame_cell-face-clean-and-reuse-1.jpg",
    "electrode": "electrode-side-serviceable-1.jpg",
    "coupler": "coupler-end-replace-1.jpg",
}


class Site:
    """What a technician's phone sends; answers are checked and given as plain JSON."""

    def __init__(self, client: TestClient, samples: Path) -> None:
        self.client, self.samples = client, samples

    def post(self, path: str, body: dict[str, Any], status: int = 201) -> Any:
        answer = self.client.post(f"/api/v1{path}", json=body)
        assert answer.status_code == status, answer.text
        return answer.json()

    def get(self, path: str) -> Any:
        answer = self.client.get(f"/api/v1{path}")
        assert answer.status_code == 200, answer.text
        return answer.json()

    def put(self, path: str, body: dict[str, Any]) -> Any:
        answer = self.client.put(f"/api/v1{path}", json=body)
        assert answer.status_code == 200, answer.text
        return answer.json()

    def photo(self, name: str) -> str:
        file = (self.samples / name).read_bytes()
        answer = self.client.post("/api/v1/photos", files={"file": (name, file, "image/jpeg")})
        assert answer.status_code == 201, answer.text
        return str(answer.json()["id"])

    def machine(self, **said: Any) -> Any:
        return self.post("/machines", {"identifier": "H-07", "hours": 1200} | said)

    def visit(self, machine: str, **said: Any) -> Any:
        return self.post("/inspections", {"machine": machine} | said)

    def grade(self, visit: str | None, part: str, name: str = "") -> Any:
        photo = self.photo(name or PHOTOS[part])
        return self.post("/grades", {"photos": [photo], "inspection": visit, "part": part})


@pytest.fixture
def site(client: TestClient, samples: Path) -> Site:
    return Site(client, samples)


@pytest.fixture
def full_visit(site: Site) -> Any:
    """An open visit with three parts, readings, an override, outcomes and lines."""
    machine = site.machine(description="Indirect heater on the yard trailer")
    visit = site.visit(machine["id"], hours=1320.5, notes="Dead with power on; fired after the cell was wiped.")
    cell, electrode, coupler = (site.grade(visit["id"], part) for part in PHOTOS)
    site.post(f"/grades/{cell['id']}/readings", {"check": "cell-lit", "value": "1.2 kohm"})
    site.put(f"/grades/{cell['id']}/outcome", {"done": "cleaned and refitted"})
    site.put(f"/grades/{electrode['id']}/override", {"grade": "clean-and-reuse", "reason": "Carbon at the clamp"})
    site.post(f"/grades/{coupler['id']}/readings", {"check": "coupler-twist", "value": "gives"})
    site.put(f"/grades/{coupler['id']}/outcome", {"done": "replaced", "note": "Keyed end first."})
    path = f"/inspections/{visit['id']}"
    site.post(f"{path}/settings", {"name": "electrode gap", "value": 3.2, "unit": "mm"})
    site.post(f"{path}/settings", {"name": "draft over fire", "value": -5, "unit": "Pa"})
    cause = coupler["report"]["causes"][0]["title"]
    site.post(f"{path}/causes", {"cause": cause, "finding": "ruled out", "note": "Pump and motor turn freely."})
    site.post(f"{path}/parts-used", {"part": "coupler", "description": '=HYPERLINK("x") coupler', "quantity": 1})
    return site.get(path)
