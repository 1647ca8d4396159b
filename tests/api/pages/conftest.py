"""A service as a browser sees it, with grades of the sample photos on record."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
import pytest
from bs4 import BeautifulSoup
from fastapi.testclient import TestClient

from wearvision_api.accounts.first import make_administrator
from wearvision_api.app import create_app
from wearvision_api.settings import Settings

from ..loopback import serving

SAMPLES = Path(__file__).parents[3] / "sample_images"
CELL = "flame_cell-face-clean-and-reuse-1.jpg"
ADMINISTRATOR = ("yardmaster", "seven dry nozzles stand")


class Pages:
    """Reads pages and sends forms, without JavaScript."""

    def __init__(self, client: Any) -> None:
        self.client = client

    def read(self, path: str, status: int = 200, **params: Any) -> BeautifulSoup:
        answer = self.client.get(path, params=params, headers={"Accept": "text/html"})
        assert answer.status_code == status, answer.text
        return BeautifulSoup(answer.text, "html.parser")

    def send(self, path: str, status: int = 303, files: Any = None, **fields: Any) -> Any:
        answer = self.client.post(
            path, data=fields, files=files, headers={"Accept": "text/html"}, follow_redirects=False
        )
        assert answer.status_code == status, answer.text
        return answer

    def grade(self, name: str, **fields: str) -> str:
        """Address of the grade of a sample photo."""
        return str(self.send("/grade", files=photo(name), **fields).headers["location"])


def photo(name: str) -> list[tuple[str, tuple[str, bytes, str]]]:
    """A sample as a form sends it."""
    return [("file", (name, (SAMPLES / name).read_bytes(), "image/jpeg"))]


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Pages]:
    settings = Settings(data=tmp_path_factory.mktemp("pages"), workers=1)
    with TestClient(create_app(settings), base_url="http://localhost") as client:
        yield Pages(client)


@dataclass(frozen=True)
class Live:
    """A service on loopback: its address, and that of one page of each kind."""

    base: str
    paths: dict[str, str]


def served(settings: Settings) -> AbstractContextManager[str]:
    """A service on loopback in a thread of its own; gives its address."""
    return serving(create_app(settings))


@pytest.fixture(scope="session")
def live(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Live]:
    with (
        served(Settings(data=tmp_path_factory.mktemp("live"), workers=1)) as base,
        httpx.Client(base_url=base, timeout=60) as client,
    ):
        yield Live(base, _fill(Pages(client)))


@pytest.fixture(scope="session")
def guarded(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """A service that asks for a log-in; its first administrator is ``ADMINISTRATOR``."""
    settings = Settings(data=tmp_path_factory.mktemp("guarded"), workers=1, accounts=True)
    make_administrator(settings, *ADMINISTRATOR)
    with served(settings) as base:
        yield base


def _fill(pages: Pages) -> dict[str, str]:
    """Invented records: a machine, a visit to it, one grade of each kind."""
    machine = pages.send("/machines", identifier="HM-12", description="Thaw unit, yard 2", hours="1200")
    visit = pages.send(f"{machine.headers['location']}/inspections", hours="1250").headers["location"]
    inspection = visit.rsplit("/", 1)[1]
    read = pages.grade(CELL, inspection=inspection)
    pages.send(f"{read}/readings", check="cell-wipe", value="heavily cloudy")
    pages.send(f"{read}/outcome", done="replaced", note="with its gasket")
    walk = pages.send("/start/dead", a=["chamber=dry"]).headers["location"]
    return {
        "home": "/",
        "form": f"/grade?part=coupler&inspection={inspection}",
        "read": read,
        "in doubt": pages.grade("electrode-side-serviceable-2.jpg"),
        "more views": pages.grade("coupler-end-clean-and-reuse-1.jpg", inspection=inspection),
        "refused": pages.grade("not-a-part-1.jpg"),
        "unfit": pages.grade("unfit-dark.jpg"),
        "grades": "/grades",
        "starts": "/start",
        "step": "/start/dead?a=chamber%3Ddry",
        "mistake": "/start/dead?check=chamber&value=nonsense",
        "walk": walk,
        "machines": "/machines",
        "machine": machine.headers["location"],
        "visit": visit,
        "sheet": f"{visit}/sheet",
        "pattern": "/pattern",
        "queue": "/queue",
        "without a link": "/offline",
        "problem": "/grades/00000000-0000-4000-8000-000000000009",
    }
