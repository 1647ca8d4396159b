"""Pages of machines and visits as a browser without JavaScript uses them: read, fill in, send, follow."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import pytest
from bs4 import BeautifulSoup, Tag


class Browser:
    """Follows links and sends forms with all that their fields hold."""

    def __init__(self, site: Any) -> None:
        self.client, self.samples = site.client, site.samples
        self.page = BeautifulSoup("", "html.parser")
        self.path = ""

    def open(self, path: str) -> BeautifulSoup:
        answer = self.client.get(path, headers={"Accept": "text/html"})
        assert answer.status_code == 200, answer.text
        self.path, self.page = path, BeautifulSoup(answer.text, "html.parser")
        return self.page

    def main(self) -> Tag:
        """The page without what surrounds every page."""
        found = self.page.find("main")
        assert isinstance(found, Tag)
        return found

    def form(self, button: str) -> Tag:
        found = [
            one for one in self.page.find_all("button") if (one.get("aria-label") or one.get_text(strip=True)) == button
        ]
        assert found, f"no button {button!r}"
        form = found[0].find_parent("form")
        assert isinstance(form, Tag)
        return form

    def send(self, button: str, files: dict[str, Any] | None = None, **filled: str) -> str:
        """Presses a button; gives where it leads."""
        form = self.form(button)
        fields: dict[str, str] = {}
        for one in form.find_all(["input", "textarea", "select"]):
            kind = one.get("type", "")
            if kind == "file" or (kind in ("radio", "checkbox") and one.get("checked") is None):
                continue
            chosen = one.find_all("option")[0] if one.name == "select" else one
            fields[str(one["name"])] = str(one.get_text() if one.name == "textarea" else chosen.get("value", ""))
        known = {str(one["name"]) for one in form.find_all(["input", "textarea", "select"])}
        assert set(filled) <= known, f"the form has {sorted(known)}"
        answer = self.client.post(str(form["action"]), data=fields | filled, files=files, follow_redirects=False)
        assert answer.status_code == 303, answer.text
        return str(answer.headers["location"])


@pytest.fixture
def browser(site: Any) -> Browser:
    return Browser(site)


def text(page: Tag) -> str:
    return " ".join(page.get_text(" ").split())


def test_visit_from_machine_to_sheet_without_javascript(browser: Browser, site: Any) -> None:
    browser.open("/machines")
    machine = browser.send("Take in", identifier="H-07", description="Heater on the trailer", hours="1200")
    assert "Next service: not known yet" in text(browser.open(machine))
    visit = browser.send("Begin the visit", hours="1320.5", notes="Dead with power on")
    page = browser.open(visit)
    assert "Not photographed yet." in text(page)
    links = [str(one["href"]) for one in page.find_all("a", class_="button")]
    assert f"/grade?inspection={visit.rpartition('/')[2]}&part=coupler" in links
    grade = site.grade(visit.rpartition("/")[2], "coupler")
    browser.open(visit)
    browser.send("Add the setting", name="spark gap", value="3.2", unit="mm")
    browser.send("Add the part", description="Drive coupler", quantity="1", part="coupler")
    page = browser.open(visit)
    assert "spark gap" in text(page)
    assert "Drive coupler (drive coupler)" in text(page)
    image = browser.main().find("img")
    assert isinstance(image, Tag)
    assert site.client.get(str(image["src"])).headers["content-type"] == "image/jpeg"
    title = grade["report"]["causes"][0]["title"]
    assert title in text(page)
    browser.send("Record", finding="ruled out", note="Turns freely")
    assert "Ruled out : Turns freely" in text(browser.open(visit))
    browser.send("Close", kind="service")
    page = browser.open(visit)
    assert [one.get_text(strip=True) for one in browser.main().find_all("button")] == ["Save"]
    sheet = text(browser.open(f"{visit}/sheet"))
    for said in (
        "H-07",
        "1320.5 h",
        "Drive coupler",
        "spark gap",
        "3.2 mm",
        "Turns freely",
        "500 running hours are left",
    ):
        assert said in sheet
    assert "Next service: not due" in text(browser.open(machine))


def test_button_pressed_twice_records_once(browser: Browser, site: Any) -> None:
    machine = site.machine()["id"]
    browser.open(f"/machines/{machine}")
    assert browser.send("Begin the visit", hours="1300") == browser.send("Begin the visit", hours="1300")
    visit = site.get("/inspections")["items"]
    assert len(visit) == 1
    browser.open(f"/inspections/{visit[0]['id']}")
    for _ in range(2):
        browser.send("Add the setting", name="spark gap", value="3")
    assert len(site.get(f"/inspections/{visit[0]['id']}")["settings"]) == 1


def test_line_is_struck_by_its_own_button(browser: Browser, site: Any, full_visit: Any) -> None:
    path = f"/inspections/{full_visit['id']}"
    browser.open(path)
    browser.send("Strike electrode gap")
    assert [one["name"] for one in site.get(path)["settings"]] == ["draft over fire"]


def test_machine_page_keeps_a_photo_as_installed(browser: Browser, site: Any) -> None:
    path = f"/machines/{site.machine()['id']}"
    browser.open(path)
    form = next(one for one in browser.page.find_all("form") if str(one["action"]).endswith("references/coupler"))
    photo = (site.samples / "coupler-end-serviceable-1.jpg").read_bytes()
    answer = site.client.post(
        str(form["action"]), files={"file": ("a.jpg", photo, "image/jpeg")}, follow_redirects=False
    )
    assert answer.status_code == 303
    image = browser.open(path).find("img", alt="drive coupler as installed")
    assert isinstance(image, Tag)
    assert site.client.get(str(image["src"])).headers["content-type"] == "image/jpeg"


def test_machine_page_shows_history_as_picture_and_table(browser: Browser, site: Any) -> None:
    machine = site.machine(hours=1000)["id"]
    for hours in (1100, 1200, 1300):
        visit = site.visit(machine, hours=hours)["id"]
        site.grade(visit, "coupler")
    page = browser.open(f"/machines/{machine}")
    figure = next(one for one in page.find_all("figure") if "Drive coupler: grime" in text(one))
    picture = figure.find("svg")
    assert isinstance(picture, Tag)
    named = [figure.find(id=one) for one in str(picture["aria-labelledby"]).split()]
    assert all(isinstance(one, Tag) and one.get_text() for one in named)
    assert len(picture.find_all("circle")) == 3
    table = figure.find("table")
    assert isinstance(table, Tag)
    assert [text(row).split()[0] for row in table.find_all("tr")[1:]] == ["1100", "1200", "1300"]
    assert "does not clearly rise" in text(figure)


def test_machine_is_changed_unless_somebody_else_did_meanwhile(browser: Browser, site: Any) -> None:
    path = f"/machines/{site.machine(notes='old')['id']}"
    browser.open(path)
    browser.send("Save", description="In the yard", notes="")
    assert (site.get(path)["description"], site.get(path)["notes"]) == ("In the yard", "")
    form = browser.form("Save")
    stale = {"version": "1", "identifier": "H-99"}
    answer = site.client.post(str(form["action"]), data=stale, follow_redirects=False)
    assert answer.status_code == 412
    assert site.get(path)["identifier"] == "H-07"


def test_meter_is_recorded_and_put_right_on_the_machine_page(browser: Browser, site: Any) -> None:
    path = f"/machines/{site.machine()['id']}"
    browser.open(path)
    browser.send("Record", hours="12340")
    browser.send("Record", hours="1234", corrects="true")
    assert site.get(path)["hours"] == 1234
    browser.send("Record", hours="2", meter_reason="meter replaced")
    assert "2 h, 1234 h run in all" in text(browser.open(path))


@pytest.mark.parametrize(
    ("tail", "fields", "words"),
    [
        ("settings", {"name": "gap", "value": "wide"}, "value"),
        ("causes", {"cause": "x", "finding": "perhaps"}, "finding"),
        ("parts-used", {"description": ""}, "description"),
        ("close", {}, "the service or another visit"),
        ("", {"hours": "-1"}, "hours"),
        ("", {"notes": "x" * 4001}, "notes"),
    ],
)
def test_wrong_entry_is_refused_and_says_which(site: Any, tail: str, fields: dict[str, str], words: str) -> None:
    visit = site.visit(site.machine()["id"])["id"]
    answer = site.client.post(f"/inspections/{visit}/{tail}".rstrip("/"), data=fields, follow_redirects=False)
    assert answer.status_code == 422
    assert words in answer.json()["detail"]


@pytest.mark.parametrize(
    "path", ["/machines", "/machines/{machine}", "/inspections/{visit}", "/inspections/{visit}/sheet"]
)
def test_page_is_well_made(browser: Browser, full_visit: Any, path: str) -> None:
    """One h1, headings in order, labels for all fields, no id twice, no inline style or script."""
    page = browser.open(path.format(machine=full_visit["machine"], visit=full_visit["id"]))
    levels = [int(one.name[1]) for one in page.find_all(["h1", "h2", "h3", "h4"])]
    assert levels.count(1) == 1
    assert all(after - before <= 1 for before, after in pairwise(levels))
    ids = [str(one["id"]) for one in page.find_all(id=True)]
    assert len(ids) == len(set(ids))
    labels = {str(one["for"]) for one in page.find_all("label") if one.get("for")}
    for one in page.find_all(["input", "textarea", "select"]):
        if one.get("type") != "hidden":
            assert one.get("id") in labels or one.find_parent("label"), one
    for form in page.find_all("form"):
        assert form.find("input", attrs={"name": "csrf"})
    assert not page.find_all(style=True)
    assert all(one.get("src") for one in page.find_all("script"))
    assert all(one.get("alt") and one.get("width") for one in browser.main().find_all("img"))
    for one in page.select("[aria-labelledby]"):
        assert all(page.find(id=name) for name in str(one["aria-labelledby"]).split())


def test_text_from_people_is_shown_as_text(browser: Browser, site: Any) -> None:
    machine = site.machine(identifier='<i>"x', description="<script>alert(1)</script>", notes="</textarea><b>")
    page = browser.open(f"/machines/{machine['id']}")
    assert "<script>alert(1)</script>" in text(page)
    assert page.find("i") is None
    assert "alert" not in "".join(one.get_text() for one in page.find_all("script"))
    notes = page.find(id="edit-notes")
    assert isinstance(notes, Tag)
    assert notes.get_text().strip() == "</textarea><b>"
