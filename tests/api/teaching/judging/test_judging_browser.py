"""Agreement, doubts and practice in Debian's chromium: by keyboard alone, accessible, at both sizes, light and dark."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest
from playwright.sync_api import Browser, Page

from wearvision_api.app import create_app
from wearvision_api.settings import Settings
from wearvision_api.store.tables import now
from wearvision_api.store.teaching_tables import DoubtRow, ExampleRow, SittingRow
from wearvision_api.teaching import practice
from wearvision_api.teaching.marking import Said

from ...looks import IN_BROWSER, SIZES, faults_of, open_at
from ...loopback import serving
from .conftest import BAD, CLEAN, GOOD, Site, label, truth

pytestmark = IN_BROWSER

CELL = "flame_cell-face-replace-1.jpg"
RIM = {"shape": "outline", "points": [[0.5, 0.2], [0.8, 0.5], [0.5, 0.8], [0.2, 0.5]]}
CRACK = {"shape": "line", "points": [[0.4, 0.3], [0.6, 0.35], [0.65, 0.45]]}


@dataclass(frozen=True)
class Live:
    """A service on loopback with people, labels, a doubt and sittings; the addresses of its pages."""

    base: str
    site: Site
    pages: dict[str, str]


@pytest.fixture(scope="module")
def live(tmp_path_factory: pytest.TempPathFactory, sample_bytes: dict[str, bytes]) -> Iterator[Live]:
    app = create_app(Settings(data=tmp_path_factory.mktemp("judging"), workers=1))
    with serving(app) as base, httpx.Client(base_url=base, timeout=60) as http:
        site = Site(app.state.house, http)  # type: ignore[arg-type]
        yield Live(base, site, filled(site, sample_bytes))


def filled(site: Site, photos: dict[str, bytes]) -> dict[str, str]:
    """Two people's labels, one doubt, and three sittings, the last of them open at its first question."""
    anna, ben = site.person("anna"), site.person("ben")
    bounds = {"crack_ratio": {"low": 0.15, "high": 1.0, "value": None, "source": "mode"}}
    cell = site.settled(truth("flame_cell", BAD, bounds=bounds), photos[CELL])
    drawn = label("flame_cell", BAD, modes={"crack": BAD}, marks={"rim": RIM, "crack": CRACK})
    for turn, who in enumerate((anna, ben), 1):
        site.label(cell, who, drawn, turn)
    others = []
    for place in range(14):
        said = (GOOD, CLEAN, BAD)[place % 3]
        one = site.settled(truth("coupler", said))
        site.label(
            one, anna, label("coupler", GOOD if place == 1 else said, modes={"grime": CLEAN if place % 2 else "absent"})
        )
        site.label(one, ben, label("coupler", said, modes={"grime": CLEAN if place % 2 else "absent"}), 2)
        others.append(one)
    house, who = site.house, site.local
    with house.session() as session:
        doubted = session.get_one(ExampleRow, others[0])
        doubted.state = "again"
        says: dict[str, Any] = {"label": GOOD, "likelier": BAD, "probabilities": {GOOD: 0.06, BAD: 0.9, CLEAN: 0.04}}
        says |= {"model": "0" * 64, "opinion": {"model": "mixed-2", "grade": BAD, "possible_grades": [CLEAN, BAD]}}
        session.add(DoubtRow(example_id=doubted.id, quality=0.06, says=says, answered_at=None))
        for days, chosen in ((9, others[1:8]), (2, others[4:14])):
            sitting = SittingRow(owner_id=who.id, part=None, asked=chosen, created_at=now() - timedelta(days=days))
            session.add(sitting)
            session.flush()
            for place, example in enumerate(chosen, 1):
                true = (session.get_one(ExampleRow, example).truth or {})["grade"]
                said = (GOOD if true == CLEAN else CLEAN) if place % 4 == 3 else true
                practice.answer(house, session, who, sitting, place, Said("coupler", grade=said))
        told = SittingRow(owner_id=who.id, part=None, asked=[cell])
        asked = SittingRow(owner_id=who.id, part=None, asked=[cell, others[3]])
        session.add_all([told, asked])
        session.flush()
        practice.answer(house, session, who, told, 1, Said("flame_cell", grade=CLEAN, mode="film", where="left"))
        session.commit()
        return {
            "agreement": "/teaching/agreement",
            "doubts": "/teaching/doubts",
            "practice": "/teaching/practice",
            "result": f"/teaching/practice/{sitting.id}",
            "told": f"/teaching/practice/{told.id}/1",
            "question": f"/teaching/practice/{asked.id}/1",
        }


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", SIZES)
def test_pages_are_accessible(chromium: Browser, live: Live, size: str, scheme: Any) -> None:
    context = open_at(chromium, size, color_scheme=scheme, bypass_csp=True)  # axe comes as an inline script
    page, faults = context.new_page(), {}
    pictures = os.environ.get("WEARVISION_TEST_PICTURES")
    for name, path in live.pages.items():
        page.goto(live.base + path, wait_until="networkidle")
        for box in page.locator("details:not([open]) > summary").all():
            if box.is_visible():
                box.click()
        faults[name] = faults_of(page)
        if pictures:
            page.screenshot(path=Path(pictures) / f"{name}-{size}-{scheme}.png", full_page=True)
    context.close()
    assert {name: found for name, found in faults.items() if found} == {}


@pytest.mark.parametrize("scripts", [True, False])
def test_a_sitting_by_keyboard_alone(chromium: Browser, live: Live, scripts: bool) -> None:
    """With scripts by single keys, without them by Tab, arrows, space and Enter; both reach the same."""
    context = open_at(chromium, "desk", java_script_enabled=scripts)
    page = context.new_page()
    refused: list[str] = []
    page.on("console", lambda message: refused.append(message.text) if "Content Security" in message.text else None)
    page.goto(f"{live.base}/teaching/practice")
    page.locator("#count").focus()
    page.keyboard.press("5")
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    page.wait_for_url("**/teaching/practice/*/1")
    of = int(page.locator("h1").inner_text().rsplit(" ", 1)[1])
    assert of == 5
    for place in range(1, of + 1):
        assert page.locator("h1").inner_text() == f"Question {place} of {of}"
        (by_single_keys if scripts else by_tab)(page)
        page.locator("#verdict").wait_for()
        said = page.locator("table tbody tr td:nth-of-type(1)").all_inner_texts()
        assert said[0] == "Drive coupler"
        assert said[2] == "replace"
        if scripts:
            page.keyboard.press("g")
        else:
            page.get_by_role("link", name="Go on").focus()
            page.keyboard.press("Enter")
        page.wait_for_url("**/teaching/practice/*/*" if place < of else "**/teaching/practice/*")
    page.locator("#result").wait_for()
    assert "of 5" in page.locator("dl.facts").inner_text()
    assert refused == []
    context.close()


def by_single_keys(page: Page) -> None:
    page.locator("html.with-keys, [data-keys]:not([hidden])").first.wait_for()
    for key in "cy4":
        page.keyboard.press(key)
    page.keyboard.press("m")
    assert page.locator(":focus").get_attribute("id") == "mode"
    page.keyboard.type("Crac")
    page.keyboard.press("Escape")
    page.keyboard.press("s")


def by_tab(page: Page) -> None:
    page.locator("input[name=part]").first.focus()
    for _ in range(2):
        page.keyboard.press("ArrowDown")
    page.keyboard.press("Tab")  # fit: yes already
    page.keyboard.press("Tab")
    page.keyboard.press("ArrowUp")  # round to the last grade
    page.keyboard.press("Enter")


def test_the_label_stands_by_keyboard(chromium: Browser, live: Live) -> None:
    context = open_at(chromium, "desk")
    page = context.new_page()
    page.goto(f"{live.base}/teaching/doubts")
    page.get_by_role("button", name="The label stands").focus()
    page.keyboard.press("Enter")
    page.get_by_text("Waiting for an answer: 0").wait_for()
    context.close()
