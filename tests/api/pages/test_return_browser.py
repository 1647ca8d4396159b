"""The returns desk in Debian's chromium: a return settled by keyboard alone, keys that steal nothing, and axe."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page
from sqlalchemy.orm import Session

from wearvision_api.accounts.first import make_administrator
from wearvision_api.accounts.passwords import Passwords
from wearvision_api.services import accounts
from wearvision_api.settings import Settings
from wearvision_api.store.engine import open_engine

from ..looks import IN_BROWSER, faults_of, open_at
from .conftest import CELL, SAMPLES, served

pytestmark = IN_BROWSER


PASSWORD = "three plain words do"
PHOTOS = [CELL, "flame_cell-face-replace-1.jpg", "electrode-side-serviceable-2.jpg"]


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """A service with accounts; Ada and Ben work at the counter."""
    settings = Settings(data=tmp_path_factory.mktemp("desk"), workers=1, accounts=True)
    make_administrator(settings, "yardmaster", PASSWORD)
    with served(settings) as base:
        make_people(settings)
        yield base


def make_people(settings: Settings) -> None:
    engine = open_engine(settings.database_url)
    with Session(engine.execution_options(writes=True)) as session:
        for name in ("ada", "ben"):
            accounts.create(session, Passwords(), "test", name, "counter", PASSWORD)
        session.commit()
    engine.dispose()


def log_in(page: Page, base: str, name: str) -> None:
    page.goto(f"{base}/login?next=/returns")
    page.get_by_label("Name").fill(name)
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Log in").click()
    page.wait_for_url("**/returns")


class Keys:
    """Presses keys and says where the focus is; there is no mouse."""

    def __init__(self, page: Page) -> None:
        self.page = page

    def press(self, *keys: str) -> None:
        for key in keys:
            self.page.keyboard.press(key)

    def type(self, text: str) -> None:
        self.page.keyboard.type(text)

    def send(self) -> None:
        """Presses the button that has the focus, and waits for the page that answers."""
        with self.page.expect_navigation():
            self.press("Enter")

    @property
    def focus(self) -> dict[str, str]:
        return self.page.evaluate(
            "() => { const n = document.activeElement; return {id: n.id, tag: n.tagName, text: n.innerText ?? ''}; }"
        )

    def tab_to(self, text: str, most: int = 60) -> None:
        """Goes on by Tab to what has this text, name or label."""
        for _ in range(most):
            self.press("Tab")
            found = self.page.evaluate(
                """() => { const n = document.activeElement, labels = [...(n.labels ?? [])];
                   return [n.innerText, n.id, n.name, ...labels.map((one) => one.innerText)].join(' '); }"""
            )
            if text in found:
                return
        raise AssertionError(f"{text!r} is not reached by Tab; the focus is on {self.focus}")


def test_a_return_is_settled_by_keyboard_alone(chromium: Browser, desk: str) -> None:
    context = open_at(chromium, "desk")
    page = context.new_page()
    refused: list[str] = []
    page.on("console", lambda message: refused.append(message.text) if "Content Security" in message.text else None)
    log_in(page, desk, "ada")
    keys = Keys(page)
    keys.press("n")
    page.wait_for_url("**/returns/new?*")
    keys.tab_to("Kind")
    keys.type("Fl")
    keys.tab_to("Who claims")
    keys.type("Ostvale Hire, yard")
    keys.tab_to("Take it in")
    keys.send()
    assert page.url.endswith("#photos")
    assert keys.focus["id"] == "photos"

    keys.tab_to("Choose photos")
    with page.expect_file_chooser() as chooser:
        keys.press("Space")
    chooser.value.set_files([SAMPLES / name for name in PHOTOS])
    assert page.locator(".several-list select").evaluate_all("all => all.map((one) => one.value)") == [
        "face",
        "housing",
        "with-tag",
    ]
    keys.tab_to("Add the photos")
    keys.send()
    assert page.url.endswith("#grade")
    assert keys.focus["id"] == "grade"

    keys.press("5")
    assert keys.focus["id"] == "readings"
    keys.press("e")  # the first thing missing: the machine
    assert keys.focus["id"] == "claim-machine"
    keys.type("KH-13 n 5")  # letters and digits stay in the field
    assert page.locator("#claim-machine").input_value() == "KH-13 n 5"
    keys.press("Escape", "6")
    assert keys.focus["id"] == "flags"
    flags = page.locator("input[name=flag]").count()
    for _ in range(flags):
        keys.tab_to("I have looked at this")
        keys.press("Space")
    if flags:
        keys.tab_to("What it is")
        keys.type("Samples without camera data.")
        keys.tab_to("Settle what is ticked")
        keys.send()
        assert page.url.endswith("#flags")
        assert page.locator("input[name=flag]").count() == 0

    keys.press("1")
    keys.tab_to("Do without some of it")
    keys.press("Enter")
    for _ in range(page.locator("input[name=item]").count()):
        keys.press("Tab", "Space")
    keys.tab_to("waive-reason")
    keys.type("The frame was scrapped before it came back.")
    keys.tab_to("Do without")
    keys.send()
    assert page.url.endswith("#missing")

    keys.press("8")
    keys.tab_to("Accept the claim")
    keys.press("Space")
    keys.tab_to("decide-reason")
    keys.type("Element burned through, no knock to be seen.")
    keys.tab_to("Decide")
    keys.send()
    assert page.url.endswith("#decision")
    assert "Waits for a second person" in page.locator("section[aria-labelledby=decision]").inner_text()
    address = page.url.partition("#")[0]
    assert refused == []
    context.close()

    context = open_at(chromium, "desk")
    page = context.new_page()
    log_in(page, desk, "ben")
    keys = Keys(page)
    keys.press("j")
    assert page.evaluate("document.activeElement.href") == address
    keys.press("Enter")
    page.wait_for_url(address)
    keys.press("8")
    keys.tab_to("I agree")
    keys.press("Space")
    keys.tab_to("sign-reason")
    keys.type("I see the same.")
    keys.tab_to("Sign")
    keys.send()
    assert page.url.endswith("#decision")
    assert "Decision 1: accepted" in page.locator("section[aria-labelledby=decision]").inner_text()
    context.close()


def test_keys_can_be_switched_off_and_digits_go_to_the_search(chromium: Browser, desk: str) -> None:
    context = open_at(chromium, "desk")
    page = context.new_page()
    log_in(page, desk, "ada")
    keys = Keys(page)
    keys.type("26-0")  # as a scanner types
    assert page.locator("#q").input_value() == "26-0"
    keys.press("Escape", "?")
    assert keys.focus["text"] == "Keys on this page"
    switch = page.get_by_role("button", name="Single keys")
    keys.tab_to("Single keys")
    keys.press("Enter")
    assert switch.get_attribute("aria-pressed") == "false"
    page.reload()
    keys.press("n")
    page.wait_for_timeout(200)
    assert page.url.endswith("/returns")
    page.locator("#keys summary").focus()
    keys.press("Enter")
    keys.tab_to("Single keys")
    keys.press("Enter", "n")
    page.wait_for_url("**/returns/new?*")
    context.close()


def test_the_focus_comes_back_to_its_section_without_javascript(chromium: Browser, desk: str) -> None:
    context = open_at(chromium, "phone", java_script_enabled=False)
    page = context.new_page()
    log_in(page, desk, "ada")
    page.goto(f"{desk}/returns/new")
    page.get_by_label("Kind").select_option("coupler")
    page.get_by_role("button", name="Take it in").click()
    page.wait_for_url("**#photos")
    assert page.locator("h2:focus").inner_text() == "Photos"
    page.get_by_role("link", name="Hour meter when it failed").click()
    assert page.locator(":focus").get_attribute("id") == "claim-hours_failed"
    assert page.locator("#claim-hours_failed").is_visible()
    context.close()


@pytest.mark.parametrize(
    ("size", "scheme"),
    [
        ("phone", "light"),
        ("desk", "dark"),
        pytest.param("phone", "dark", marks=pytest.mark.slow),
        pytest.param("desk", "light", marks=pytest.mark.slow),
    ],
)
def test_every_page_of_the_desk_is_accessible(chromium: Browser, desk: str, size: str, scheme: Any) -> None:
    context = open_at(chromium, size, color_scheme=scheme, bypass_csp=True)  # axe comes as an inline script
    page = context.new_page()
    log_in(page, desk, "ada")
    faults = {"list": faults_of(page)}
    page.goto(f"{desk}/returns?state=&order=doubt")
    faults["filtered"] = faults_of(page)
    for path in ("returns/many", "returns/regrade", "figures", "returns/new"):
        page.goto(f"{desk}/{path}")
        faults[path] = faults_of(page)
    page.get_by_label("Kind").select_option("electrode")
    page.get_by_role("button", name="Take it in").click()
    page.wait_for_url("**#photos")
    page.evaluate("document.querySelectorAll('details').forEach((one) => (one.open = true))")
    faults["gathering"] = faults_of(page)
    page.goto(f"{desk}/returns?state=decided")
    if page.locator("a[data-row]").count():
        page.locator("a[data-row]").first.click()
        page.evaluate("document.querySelectorAll('details').forEach((one) => (one.open = true))")
        faults["decided"] = faults_of(page)
    context.close()
    assert {name: found for name, found in faults.items() if found} == {}


def test_a_return_prints_without_forms(chromium: Browser, desk: str, tmp_path: Path) -> None:
    context = open_at(chromium, "desk")
    page = context.new_page()
    log_in(page, desk, "ada")
    page.goto(f"{desk}/returns/new")
    page.get_by_label("Kind").select_option("coupler")
    page.get_by_role("button", name="Take it in").click()
    page.wait_for_url("**#photos")
    page.emulate_media(media="print")
    assert page.locator("form:visible").count() == 0
    assert page.locator(".steps-nav").is_hidden()
    assert page.locator("#claim").is_visible()
    context.close()
