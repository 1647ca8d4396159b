"""No signal, in Debian's chromium by host name over TLS, against the real served process. Rows are counted in the
database file, not as the service tells them."""

from __future__ import annotations

import io
import json
import re
import zipfile
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytest
from playwright.sync_api import Dialog, Page, expect

from .served import HOST, LossyLink, Phone, Served

pytestmark = pytest.mark.browser


def keep_photo(page: Page, photo: Path, part: str = "flame_cell") -> None:
    """Takes a photo on the page that stands in, and waits until the phone says that it has it."""
    page.click("nav a[href='#take']")
    page.set_input_files("#take-file", photo)
    expect(page.locator("#take-photos li")).to_have_count(1)
    page.select_option("#take-part", part)
    page.click("#take-keep")
    expect(page.locator("#take-answer")).to_contain_text("Kept on this phone")


def keep_reading(page: Page, check: str = "cell-lit", value: str = "1.65", unit: str = "kohm") -> None:
    """Enters a reading for the part just photographed."""
    page.click("#take-answer a")
    page.click(f"#check-{check} summary")
    page.fill(f"#value-{check}", value)
    page.select_option(f"#unit-{check}", unit)
    page.click(f"#check-{check} button[type=submit]")
    expect(page.locator(f"#check-{check} [data-kept]")).to_be_visible()


def waiting(page: Page) -> list[str]:
    """What the visible queue shows, by state."""
    page.goto(f"https://{HOST}/queue")
    expect(page.locator("#queue-count")).not_to_be_empty()
    rows = page.locator("#queue-items li").all()
    return [row.get_attribute("data-state") or "" for row in rows]


def test_service_stopped_browser_closed_all_is_sent_once(phone: Phone, served: Served, sample: Path) -> None:
    page = phone.log_in()
    served.stop()
    page.goto(f"https://{HOST}/grade")  # never seen with a link
    expect(page.locator("#take h2")).to_be_visible()
    keep_photo(page, sample)
    keep_reading(page)
    expect(page.locator("#check-cell-lit [data-says]")).to_contain_text("Over the service limit")
    phone.close()

    page = phone.open("/queue")
    assert waiting(page) == ["waiting"] * 3
    served.start()
    served.settles_at(photos=1, grades=1, readings=1)
    expect(page.locator("#queue-items li")).to_have_count(0)
    expect(page.locator("#queue-sent li")).to_have_count(3)
    page.reload()
    served.settles_at(photos=1, grades=1, readings=1)


def test_battery_dies_after_kept_nothing_is_lost(phone: Phone, served: Served, sample: Path) -> None:
    """SIGKILL of the browser as soon as the page says that it kept the photo."""
    page = phone.log_in()
    served.stop()
    page.goto(f"https://{HOST}/grade")
    keep_photo(page, sample)
    phone.kill()
    page = phone.open("/queue")
    assert waiting(page) == ["waiting"] * 2
    phone.close()
    served.start()
    phone.log_in()  # the log-in's cookie may not have been on the disk yet
    served.settles_at(photos=1, grades=1)


def test_answers_lost_after_the_service_stored_them_double_nothing(
    phone_by: Callable[[int], Phone], served: Served, sample: Path
) -> None:
    with LossyLink(served).running() as link:
        phone = phone_by(link.port)
        page = phone.log_in()
        page.goto(f"https://{HOST}/queue")
        keep_photo(page, sample)
        keep_reading(page)
        page.goto(f"https://{HOST}/queue")
        expect(page.locator("#queue-sent li")).to_have_count(3)
        served.settles_at(photos=1, grades=1, readings=1)
        assert len(link.lost) == 3
        phone.close()


def test_visit_walk_and_photo_without_a_link_come_in_order(phone: Phone, served: Served, sample: Path) -> None:
    page = phone.log_in()
    assert phone.context is not None
    phone.context.set_offline(True)
    page.click("nav a[href='#visit']")
    page.fill("#visit-identifier", "Heater 7")
    page.fill("#visit-hours", "1510")
    page.click("#visit-form button")
    expect(page.locator("#visit-answer")).to_contain_text("Kept on this phone")
    keep_photo(page, sample)

    page.click("nav a[href='#start']")
    page.click("#start-walk a[href='#start/no-fuel']")
    page.check("input[value=oil]")
    page.click("#start-chamber button[type=submit]")
    page.click("text=Keep this walk")
    expect(page.locator("#start-walk [data-kept]")).to_be_visible()
    expect(page.locator("#link")).to_contain_text("No link")
    assert served.counts()["photos"] == 0

    phone.context.set_offline(False)  # the page hears of it by itself
    served.settles_at(photos=1, grades=1, walks=1, machines=1, inspections=1)


def test_what_the_service_refuses_stays_visible_until_removed(phone: Phone, served: Served, tmp_path: Path) -> None:
    page = phone.log_in()
    broken = tmp_path / "broken.jpg"
    broken.write_bytes(b"no photo at all")
    keep_photo(page, broken)
    page.click("nav a[href='#queue']")
    row = page.locator("#queue-items li[data-state=parked]")
    expect(row).to_contain_text("Not taken by the service")
    expect(row).to_contain_text("broken.jpg")
    page.reload()
    expect(row).to_have_count(1)

    with page.expect_download() as download:
        page.click("#queue-save")
    with zipfile.ZipFile(io.BytesIO(Path(download.value.path()).read_bytes())) as archive:
        records = json.loads(archive.read("records.json"))
        assert [record["kind"] for record in records] == ["photo", "grade"]
        assert archive.read(records[0]["file"]) == b"no photo at all"

    asked: list[str] = []

    def decline(dialog: Dialog) -> None:
        asked.append(dialog.message)
        dialog.dismiss()

    page.once("dialog", decline)
    row.get_by_text("Remove").click()
    expect(page.locator("#queue-items li")).to_have_count(2)
    page.once("dialog", lambda dialog: dialog.accept())
    row.get_by_text("Remove").click()
    expect(page.locator("#queue-items li")).to_have_count(0)
    assert "never recorded" in asked[0]
    assert "Grade" in asked[0]
    served.settles_at()


def test_grade_form_goes_through_the_queue_and_on_to_the_grade(phone: Phone, served: Served, sample: Path) -> None:
    page = phone.log_in()
    page.goto(f"https://{HOST}/grade")
    page.set_input_files("form[data-keep=grade] input[type=file] >> nth=0", sample)
    expect(page.get_by_text("Focus, light and size look fit")).to_be_visible()
    page.click("form[data-keep=grade] button[type=submit]")
    page.wait_for_url(re.compile(r"/grades/[0-9a-f-]{36}$"))
    expect(page.locator("main h1")).to_be_visible()
    served.settles_at(photos=1, grades=1)


def test_two_windows_send_each_record_once(phone: Phone, served: Served, sample: Path) -> None:
    page = phone.log_in()
    assert phone.context is not None
    other = phone.context.new_page()
    other.goto(f"https://{HOST}/queue")
    phone.context.set_offline(True)
    keep_photo(page, sample)
    keep_photo(other, sample)
    phone.context.set_offline(False)
    served.settles_at(photos=2, grades=2)


def test_log_in_that_has_ended_keeps_all_and_asks(phone: Phone, served: Served, sample: Path) -> None:
    page = phone.log_in()
    assert phone.context is not None
    phone.context.clear_cookies()
    keep_photo(page, sample)
    page.click("nav a[href='#queue']")
    page.click("#queue-send")
    expect(page.locator("#queue-login")).to_be_visible()
    expect(page.locator("#queue-items li[data-state=waiting]")).to_have_count(2)
    assert served.counts()["photos"] == 0
    phone.close()
    phone.log_in()
    served.settles_at(photos=1, grades=1)


def test_bad_photos_are_found_when_they_are_taken(phone: Phone, sample: Path, tmp_path: Path) -> None:
    page = phone.log_in()
    assert phone.context is not None
    phone.context.set_offline(True)
    good = np.asarray(cv2.imread(str(sample)), np.uint8)
    spoiled = {  # of one kind or the other: edges of few directions leave focus and shake alike
        "blurred": cv2.GaussianBlur(good, (0, 0), 8),
        "too_dark": (good * 0.15).astype(np.uint8),
        "too_bright": cv2.convertScaleAbs(good, alpha=3, beta=60),
        "too_small": cv2.resize(good, (96, 96), interpolation=cv2.INTER_AREA),
    }
    page.click("nav a[href='#take']")
    page.set_input_files("#take-file", sample)
    expect(page.locator("#take-photos li")).to_contain_text("look fit")
    for kind, picture in spoiled.items():
        path = tmp_path / f"{kind}.png"
        cv2.imwrite(str(path), picture)
        page.set_input_files("#take-file", path)
        expect(page.locator(f"#take-photos [data-fault$={kind}]")).to_be_visible()


def test_photos_not_kept_yet_outlive_the_page(phone: Phone, served: Served, sample: Path) -> None:
    """A phone may throw a page away while its camera is open."""
    page = phone.log_in()
    served.stop()
    page.click("nav a[href='#take']")
    page.set_input_files("#take-file", sample)
    expect(page.locator("#take-photos li")).to_contain_text("look fit")
    phone.close()
    page = phone.open("/grade")
    expect(page.locator("#take-photos li")).to_have_count(1)
    expect(page.locator("#take-keep")).to_be_enabled()


def test_page_can_be_installed_and_breaks_no_policy(phone: Phone) -> None:
    page = phone.log_in()
    assert phone.context is not None
    said: list[str] = []
    page.on("console", lambda message: said.append(message.text))
    page.reload()
    expect(page.locator("#queue h2")).to_be_visible()
    for name in ("take", "start", "checks", "visit", "queue"):
        page.click(f"nav a[href='#{name}']")
        expect(page.locator(f"#{name} h2")).to_be_focused()
    assert not said
    tools = phone.context.new_cdp_session(page)
    assert tools.send("Page.getInstallabilityErrors")["installabilityErrors"] == []
    manifest = json.loads(tools.send("Page.getAppManifest")["data"])
    sizes = page.evaluate(
        """async (icons) => Promise.all(icons.map(async ({ src }) => {
             const one = await createImageBitmap(await (await fetch(src)).blob());
             return `${one.width}x${one.height}`;
           }))""",
        manifest["icons"][1:],
    )
    assert sizes == [icon["sizes"] for icon in manifest["icons"][1:]]
