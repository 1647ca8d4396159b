"""Pages of data sets in Debian's chromium: axe finds nothing, nothing overflows, a set is frozen by keyboard."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser
from sqlalchemy import select

from wearvision_api.app import create_app
from wearvision_api.record.erase import erase
from wearvision_api.settings import Settings
from wearvision_api.store.teaching_tables import ExampleRow

from ...looks import IN_BROWSER, SIZES, faults_of, open_at
from ...loopback import serving
from .conftest import World, picture

pytestmark = IN_BROWSER

GRADES = ("serviceable", "clean-and-reuse", "replace")


@pytest.fixture(scope="module")
def depot(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, World]]:
    """A service with a set, a model taught with it, and a photo erased since."""
    app = create_app(Settings(data=tmp_path_factory.mktemp("depot"), workers=1))
    with serving(app) as base:
        world = World(app.state.house)
        with world.house.session() as session:
            for seed in range(12):
                body = {"part": "coupler", "view": "end", "grade": GRADES[seed % 3]}
                world.example(session, picture(seed), machine=f"H-{seed // 2:02}", body=body)
            session.commit()
        row = world.freeze("2026 spring, all that was settled by April")
        with world.house.session() as session:
            world.model(session, "site-2026-05", "mixed-2", row.id)
            first = session.scalars(select(ExampleRow)).first()
            assert first is not None
            erase(session, world.house.key, "office", first.photo_id, "asked for")
            session.commit()
        yield base, world


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", SIZES)
def test_pages_of_sets_are_accessible(
    chromium: Browser, depot: tuple[str, World], size: str, scheme: Any, tmp_path: Path
) -> None:
    base, _ = depot
    context = open_at(chromium, size, color_scheme=scheme, bypass_csp=True)
    page, faults = context.new_page(), {}
    page.goto(f"{base}/teaching/sets")
    for summary in page.locator("main details > summary").all():
        summary.click()
    faults["sets"] = faults_of(page)
    page.get_by_role("link", name="2026 spring").click()
    page.wait_for_url("**/teaching/sets/*")
    faults["set"] = faults_of(page)
    archive = tmp_path / "heap.zip"
    with zipfile.ZipFile(archive, "w") as made:
        made.writestr("H-77/torn-with-a-long-name-as-cameras-write-them-2026-03-02.png", b"torn")
    page.goto(f"{base}/teaching/examples")
    page.get_by_text("Take photos in from a folder").click()
    faults["examples"] = faults_of(page)
    page.get_by_label("Zip archive").set_input_files(archive)
    page.get_by_label("On what ground may these photos teach?").fill("our own machines")
    page.locator("details", has=page.locator("#heap-file")).get_by_role("button", name="Take them in").click()
    page.wait_for_url("**/teaching/heaps")
    faults["taken"] = faults_of(page)
    context.close()
    assert {name: found for name, found in faults.items() if found} == {}


def test_set_is_frozen_and_downloaded_by_keyboard_without_javascript(
    chromium: Browser, depot: tuple[str, World]
) -> None:
    base, _ = depot
    context = open_at(chromium, "desk", java_script_enabled=False, accept_downloads=True)
    page = context.new_page()
    page.goto(f"{base}/teaching/sets")
    page.locator("#name").focus()
    page.keyboard.type("By keyboard")
    for _ in range(6):
        if page.locator(":focus").inner_text() == "Freeze":
            break
        page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    page.wait_for_url("**/teaching/sets/*-*")
    assert page.locator("h1").inner_text() == "By keyboard"
    page.get_by_role("link", name="Download as zip").focus()
    with page.expect_download() as download:
        page.keyboard.press("Enter")
    with zipfile.ZipFile(io.BytesIO(Path(download.value.path()).read_bytes())) as found:
        assert {"set.json", "examples.jsonl", "examples.csv", "left_out.csv"} <= set(found.namelist())
    context.close()
