"""The page of how often the photo was right in Debian's chromium: axe, targets, width, keyboard, paper."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from typing import Any

import numpy as np
import pytest
from playwright.sync_api import Browser

from wearvision_api.house import House
from wearvision_api.settings import Settings
from wearvision_api.store.tables import now
from wearvision_api.trust import drift

from ..looks import IN_BROWSER, SIZES, faults_of, open_at
from ..trust.conftest import Store, company
from .conftest import served

pytestmark = IN_BROWSER


@pytest.fixture(scope="module")
def trusted(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """A service with forty weeks of an invented company whose photos have got darker."""
    settings = Settings(data=tmp_path_factory.mktemp("trusted"), workers=1)
    house = House.open(settings)
    start = drift.monday(now()) - timedelta(weeks=40) + timedelta(hours=8)
    with house.session() as session:
        Store(session).take(company(np.random.default_rng(5), 40, visits=5, changes=26, shift=-2.5, start=start))
        session.commit()
    house.close()
    with served(settings) as base:
        yield base


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", SIZES)
def test_the_page_is_accessible(chromium: Browser, trusted: str, size: str, scheme: Any) -> None:
    context = open_at(chromium, size, color_scheme=scheme, bypass_csp=True)
    page = context.new_page()
    page.goto(f"{trusted}/trust")
    page.evaluate("document.querySelectorAll('details').forEach((one) => one.open = true)")
    found = faults_of(page)
    context.close()
    assert found == []


def test_without_grades_it_is_accessible_too(chromium: Browser, tmp_path: Any) -> None:
    with served(Settings(data=tmp_path / "bare", workers=1)) as base:
        context = open_at(chromium, "phone", bypass_csp=True)
        page = context.new_page()
        page.goto(f"{base}/trust")
        assert faults_of(page) == []
        context.close()


def test_a_part_is_chosen_by_keyboard_without_scripts(chromium: Browser, trusted: str) -> None:
    context = open_at(chromium, "phone", java_script_enabled=False)
    page = context.new_page()
    page.goto(f"{trusted}/trust")
    page.locator("#part").focus()
    page.keyboard.press("End")  # the last part of the list
    for _ in range(4):
        page.keyboard.press("Tab")
    assert page.locator(":focus").inner_text() == "Show"
    page.keyboard.press("Enter")
    page.wait_for_url("**part=coupler**")
    assert page.locator("#parts ~ table tbody tr").count() == 1
    context.close()


def test_on_paper_the_alarm_stays_and_the_form_goes(chromium: Browser, trusted: str) -> None:
    context = open_at(chromium, "desk")
    page = context.new_page()
    page.goto(f"{trusted}/trust")
    page.emulate_media(media="print")
    assert page.get_by_role("alert").is_visible()
    assert not page.get_by_role("button", name="Show").is_visible()
    context.close()
