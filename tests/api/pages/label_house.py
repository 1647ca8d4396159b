"""A service with accounts and examples to label, and keys pressed on the labelling desk."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import httpx
from fastapi.testclient import TestClient
from playwright.sync_api import Page
from sqlalchemy import select, update
from sqlalchemy.orm import Session

from wearvision_api.accounts.first import make_administrator
from wearvision_api.accounts.passwords import Passwords
from wearvision_api.accounts.roles import Caller
from wearvision_api.app import create_app
from wearvision_api.services import accounts, photos
from wearvision_api.settings import Settings
from wearvision_api.store.engine import open_engine
from wearvision_api.store.tables import Account
from wearvision_api.store.teaching_tables import ExampleRow, Permission
from wearvision_api.teaching import examples

from .conftest import SAMPLES, served

PASSWORD = "three plain words do"
PEOPLE = ("ada", "ben", "cyra")
OPINION = {
    "usable": True,
    "faults": [],
    "part": {"name": "flame_cell", "probability": 0.99, "view": "face"},
    "grade": "clean-and-reuse",
    "possible_grades": ["clean-and-reuse", "replace"],
    "probabilities": {"serviceable": 0.05, "clean-and-reuse": 0.62, "replace": 0.33},
    "measures": [
        {"name": "film_loss", "mode": "film", "value": 0.3, "low": 0.2, "high": 0.4, "grade": "clean-and-reuse"}
    ],
}
"""An invented report of a model."""


@dataclass(frozen=True)
class LabelHouse:
    """A service in which trainers label sample photos: its address, and each photo's example."""

    settings: Settings
    base: str
    examples: dict[str, str]

    def let_go(self) -> None:
        """No example is kept for anybody any longer, as after a quarter of an hour."""
        engine = open_engine(self.settings.database_url)
        with Session(engine.execution_options(writes=True)) as session:
            session.execute(update(ExampleRow).values(held_by=None, held_until=None))
            session.commit()
        engine.dispose()


@contextmanager
def labelling(settings: Settings, names: Sequence[str]) -> Iterator[LabelHouse]:
    """A service with three trainers and examples of sample photos."""
    make_administrator(settings, "yardmaster", PASSWORD)
    with TestClient(create_app(settings), base_url="http://localhost") as client:
        house: Any = client.app.state.house  # type: ignore[attr-defined]
        with house.session() as session:
            for name in PEOPLE:
                accounts.create(session, Passwords(), "test", name, "trainer", PASSWORD)
            first = session.scalars(select(Account).where(Account.name == "yardmaster")).one()
            who = Caller(first.id, first.name, "administrator")
            made = {name: _example(house, session, who, name) for name in names}
            session.commit()
    with served(settings) as base:
        yield LabelHouse(settings, base, made)


def _example(house: Any, session: Any, who: Caller, name: str) -> str:
    row = photos.take(house, session, who, (SAMPLES / name).read_bytes(), "as-removed")
    session.add(Permission(photo_id=row.id, given_by=who.id, basis="a test"))
    added = examples.add(
        session, who, row, source="folder", source_id=None, machine="", capture=name, opinion=OPINION
    )  # fmt: skip
    return str(added.id)


class Desk:
    """The labelling desk of one person in a browser, by keys alone."""

    def __init__(self, page: Page, base: str, name: str) -> None:
        self.page, self.base, self.presses = page, base, 0
        page.on("dialog", lambda dialog: dialog.accept())
        page.goto(f"{base}/login?next=/teaching")
        page.get_by_label("Name").fill(name)
        page.get_by_label("Password").fill(PASSWORD)
        page.get_by_role("button", name="Log in").click()
        page.wait_for_url("**/teaching")

    def open(self, example: str = "") -> None:
        """The desk, with one example or whichever teaches most."""
        self.page.goto(f"{self.base}/teaching/label/{example}".rstrip("/"))
        self.ready()

    def ready(self) -> None:
        """Waits until an example is there with its photo."""
        self.page.wait_for_selector("#label-ask:not([hidden])")
        self.page.wait_for_selector('#label-canvas[data-photo="shown"]')

    def until(self, is_so: Callable[[], bool], seconds: float = 20) -> None:
        """Waits for something; the page's policy forbids asking it by an expression."""
        ends = time.monotonic() + seconds
        while not is_so():
            assert time.monotonic() < ends, f"not within {seconds} s"
            self.page.wait_for_timeout(50)

    def press(self, *keys: str) -> None:
        for key in keys:
            self.page.keyboard.press(key)
            self.presses += 1

    def save(self) -> None:
        """Presses the button that has the focus, which must be the one that saves."""
        assert self.focus == "label-save"
        self.press("Enter")
        self.page.wait_for_selector("#label-after:not([hidden])")

    def key_of(self, tool: str) -> str:
        """The key of a tool, as the page shows it."""
        return self.page.locator(f'.label-tools [data-name="{tool}"]:visible kbd').inner_text()

    def draw(self, tool: str, places: Sequence[tuple[int, int]]) -> None:
        """With a tool, sets a point at each place: tens of pixels right and down of the photo's middle."""
        self.press(tool)
        at = (0, 0)
        for place in places:
            for axis, (less, more) in enumerate((("ArrowLeft", "ArrowRight"), ("ArrowUp", "ArrowDown"))):
                way = place[axis] - at[axis]
                self.press(*[f"Shift+{more if way > 0 else less}"] * abs(way))
            self.press("Enter")
            at = place

    @property
    def focus(self) -> str:
        """Id or question of what has the focus."""
        return str(
            self.page.evaluate("(node => node.id || node.dataset.question || node.tagName)(document.activeElement)")
        )

    @property
    def said(self) -> str:
        return self.page.locator("#label-said").inner_text()

    @property
    def verdict(self) -> str:
        return self.page.locator("#label-verdict").inner_text()

    def example(self, example: str) -> dict[str, Any]:
        """An example as this person may see it."""
        cookies = {one["name"]: one["value"] for one in self.page.context.cookies()}
        answer = httpx.get(f"{self.base}/api/v1/examples/{example}", cookies=cookies, timeout=60)
        assert answer.status_code == 200, answer.text
        return dict(answer.json())
