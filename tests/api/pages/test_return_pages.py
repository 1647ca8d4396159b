"""Pages of the returns desk as a browser without JavaScript uses them. Expected words: issue 5 and the tables' own."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import pytest
from argon2 import PasswordHasher
from bs4 import BeautifulSoup, Tag
from fastapi.testclient import TestClient
from PIL import Image
from pypdf import PdfReader

from wearvision.parts import PARTS
from wearvision_api.accounts.passwords import Passwords
from wearvision_api.app import create_app
from wearvision_api.services import accounts
from wearvision_api.settings import Settings

from .conftest import CELL, SAMPLES, Pages

PASSWORD = "three plain words do"
COUPLER = "coupler-end-clean-and-reuse-1.jpg"
CLAIM = {
    "part": "flame_cell",
    "machine": "KH-13",
    "claimant": "Ostvale Hire, yard",
    "story": "Goes out after a minute, then locks out.",
    "claimed": "defect",
    "value": "129,50",
    "currency": "eur",
    "hours_installed": "900",
    "hours_failed": "960,5",
    "installed_on": "2025-05-20",
    "failed_on": "2025-07-03",
    "kept_where": "Shelf 4, box 2",
}


def text(page: Tag | None) -> str:
    assert page is not None
    return " ".join(page.get_text(" ").split())


class Person(Pages):
    """Somebody who is logged in; sends the token that the pages carry."""

    def send(self, path: str, status: int = 303, files: Any = None, **fields: Any) -> Any:
        return super().send(path, status, files, csrf=self.client.headers["X-CSRF"], **fields)

    def take_in(self, **said: str) -> str:
        """The address of a return that was just taken in."""
        return str(self.send("/returns/new", **CLAIM | said).headers["location"]).partition("#")[0]

    def page(self, address: str) -> BeautifulSoup:
        return self.read(address)

    def do_without(self, address: str) -> None:
        """Says of all that is missing why it can be done without."""
        items = [one["value"] for one in self.read(address).select("input[name=item]")]
        self.send(f"{address}/waivers", item=items, reason="Not to be had: the machine was scrapped.")

    def decide(self, address: str, outcome: str = "accept", status: int = 303) -> Any:
        return self.send(
            f"{address}/decisions",
            status,
            version=value(self.read(address), "decisions", "version"),
            outcome=outcome,
            reason="Element burned through, no sign of a knock.",
        )


def value(page: Tag, action: str, name: str) -> str:
    """What a form's hidden field holds."""
    field = page.select_one(f"form[action$='/{action}'] input[name={name}]")
    assert field is not None
    return str(field["value"])


def photos(*names: str) -> list[tuple[str, tuple[str, bytes, str]]]:
    return [("file", (name, (SAMPLES / name).read_bytes(), "image/jpeg")) for name in names]


def other_photo(shade: int) -> list[tuple[str, tuple[str, bytes, str]]]:
    out = io.BytesIO()
    Image.radial_gradient("L").resize((900, 700)).point(lambda level: level // 2 + shade).save(out, "JPEG")
    return [("file", (f"{shade}.jpg", out.getvalue(), "image/jpeg"))]


@pytest.fixture(scope="module")
def people(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, Person]]:
    """Ada and Ben at the counter, and a technician; each in a browser of their own."""
    app = create_app(Settings(data=tmp_path_factory.mktemp("desk"), workers=1, accounts=True))
    with TestClient(app, base_url="http://localhost"):
        quick = Passwords(PasswordHasher(time_cost=1, memory_cost=8, parallelism=1))
        app.state.house = replace(app.state.house, passwords=quick)
        with app.state.house.session() as session:
            for name, role in (("ada", "counter"), ("ben", "counter"), ("tom", "technician")):
                accounts.create(session, quick, "test", name, role, PASSWORD)  # type: ignore[arg-type]
            session.commit()
        found = {}
        for name in ("ada", "ben", "tom"):
            browser = TestClient(app, base_url="http://localhost")
            browser.post("/login", data={"name": name, "password": PASSWORD})
            token = re.search(r'name="csrf" value="([0-9a-f]{64})"', browser.get("/account").text)
            assert token is not None
            browser.headers["X-CSRF"] = token[1]
            found[name] = Person(browser)
        yield found


@pytest.fixture
def ada(people: dict[str, Person]) -> Person:
    return people["ada"]


@pytest.fixture
def ben(people: dict[str, Person]) -> Person:
    return people["ben"]


def test_a_claim_is_taken_in_and_shown(ada: Person) -> None:
    page = ada.read(ada.take_in())
    assert re.fullmatch(r"\d\d-\d{5}-\d\d: flame-sensing cell", text(page.h1))
    claim = text(page.select_one("section[aria-labelledby=claim] dl"))
    for said in ("KH-13", "129.50 EUR", "2025-05-20, at 900.0 h", "60.5 h, 44 days", "Possible defect of the part"):
        assert said in claim
    assert "Gathering evidence" in text(page.select_one(".sheet"))


def test_only_the_part_is_needed(ada: Person) -> None:
    address = ada.send("/returns/new", part="coupler").headers["location"].partition("#")[0]
    assert "drive coupler" in text(ada.read(address).h1)


def test_going_back_after_taking_in_leads_to_the_return_and_makes_no_second(ada: Person) -> None:
    """Each form has an address of its own, which a browser goes back to."""
    form = ada.client.get("/returns/new?part=coupler", follow_redirects=False)
    assert re.fullmatch(r"/returns/new\?part=coupler&form=[0-9a-f-]{36}", form.headers["location"])
    page = BeautifulSoup(ada.client.get(form.headers["location"]).text, "html.parser")
    fresh = str(page.select_one("input[name=fresh]")["value"])
    assert form.headers["location"].endswith(fresh)
    made = ada.send("/returns/new", part="coupler", fresh=fresh).headers["location"]
    back = ada.client.get(form.headers["location"], follow_redirects=False)
    assert (back.status_code, back.headers["location"]) == (303, made)
    assert ada.send("/returns/new", part="coupler", fresh=fresh).headers["location"] == made
    ada.send("/returns/new", 422, part="coupler", lot="2611", fresh=fresh)


def test_the_form_begins_with_today_and_the_last_place(ada: Person) -> None:
    ada.take_in(kept_where="Drawer 9", returned_on="2025-07-10", kept_until="2025-08-19")
    page = ada.read("/returns/new")
    held = {str(one["name"]): str(one.get("value", "")) for one in page.select("form input[id^=claim-]")}
    today = date.fromisoformat(held["returned_on"])
    assert abs(today - date.today()) <= timedelta(1)
    assert held["kept_where"] == "Drawer 9"
    assert date.fromisoformat(held["kept_until"]) - today == timedelta(40)
    assert held["currency"] == "EUR"


@pytest.mark.parametrize(
    ("wrong", "fault"),
    [
        ({"value": "1.290"}, "decimals"),
        ({"hours_failed": "many"}, "Hour meter at the failure: "),
        ({"failed_on": "2025-01-01"}, "failed before it was fitted"),
        ({"currency": ""}, "currency"),
    ],
)
def test_a_refused_claim_keeps_what_was_typed(ada: Person, wrong: dict[str, str], fault: str) -> None:
    before = len(ada.read("/returns", state="").select("table.list tbody tr"))
    answer = BeautifulSoup(ada.send("/returns/new", 422, **CLAIM | wrong).text, "html.parser")
    assert fault in text(answer.select_one("[role=alert]"))
    assert answer.select_one("#claim-claimant")["value"] == CLAIM["claimant"]  # type: ignore[index]
    assert text(answer.select_one("#claim-part option[selected]")) == "Flame-sensing cell"
    assert len(ada.read("/returns", state="").select("table.list tbody tr")) == before


def test_a_claim_is_corrected_and_a_stale_page_is_told(ada: Person) -> None:
    address = ada.take_in()
    version = ada.read(address).select_one("#claim ~ details input[name=version]")["value"]  # type: ignore[index]
    ada.send(address, **CLAIM | {"lot": "2611", "story": "", "version": version})
    page = ada.read(address)
    assert "2611" in text(page.select_one("section[aria-labelledby=claim] dl"))
    assert "What the claimant says" in text(page.select_one("ul.missing"))
    ada.send(address, 412, **CLAIM | {"lot": "9", "version": version})


@pytest.mark.parametrize("part", PARTS)
def test_each_missing_thing_leads_to_its_place(ada: Person, part: str) -> None:
    page = ada.read(ada.send("/returns/new", part=part).headers["location"].partition("#")[0])
    links = page.select("ul.missing a")
    assert len(links) > 10
    for link in links:
        place = page.find(id=str(link["href"]).removeprefix("#"))
        assert place is not None, link
        assert place.name in ("input", "textarea", "select", "h2")


def test_what_is_done_without_says_why_and_who(ada: Person) -> None:
    address = ada.take_in()
    ada.send(f"{address}/waivers", item=["view:plate", "view:hour-meter"], reason="The frame was scrapped.")
    page = ada.read(address)
    said = text(page.select_one("section[aria-labelledby=missing] dl"))
    assert "The frame was scrapped." in said
    assert "ada" in said
    assert "Hour meter of the machine; Plate of the machine" in said or "Plate of the machine; Hour meter" in said
    assert "Plate of the machine" not in text(page.select_one("ul.missing"))
    ada.send(f"{address}/waivers", 422, item=["view:with-tag"], reason="")


def test_several_photos_fill_the_views_in_order_and_are_graded(ada: Person) -> None:
    address = ada.take_in()
    fresh = value(ada.read(address), "photos", "fresh")
    for _ in range(2):  # pressed twice
        sent = ada.send(f"{address}/photos", files=photos(CELL, COUPLER), grade="yes", fresh=fresh)
    assert sent.headers["location"].startswith(address)
    page = ada.read(address)
    assert [len(page.select(f"li.tile:has(#view-{key}) figure")) for key in ("face", "housing", "plate")] == [1, 1, 0]
    grade = page.select_one("section[aria-labelledby=grade]")
    assert grade is not None
    assert len(grade.select("ul.measures > li")) == len(PARTS["flame_cell"].modes)


def test_the_way_down_the_page_never_says_serviceable_alone_while_replace_is_possible(ada: Person) -> None:
    address = ada.take_in(part="electrode")
    ada.send(f"{address}/photos", files=photos("electrode-side-serviceable-2.jpg"), view=["side-1"], grade="yes")
    page = ada.read(address)
    assert "replace is possible" in text(page.select_one("section[aria-labelledby=grade] .headline"))
    assert "in doubt" in text(page.select_one(".steps-nav a[href='#grade']"))


def test_a_view_can_be_named_for_each_photo(ada: Person) -> None:
    address = ada.take_in()
    ada.send(f"{address}/photos", files=other_photo(1) + other_photo(60), view=["hour-meter", "plate"])
    page = ada.read(address)
    assert page.select("li.tile:has(#view-plate) figure")
    assert page.select("li.tile:has(#view-hour-meter) figure")
    assert not page.select("li.tile:has(#view-face) figure")


def test_more_photos_than_views_are_refused_before_any_is_kept(ada: Person) -> None:
    address = ada.take_in()
    ada.send(f"{address}/photos", 422, files=photos(CELL) * 9)
    assert not ada.read(address).select("li.tile figure")


def test_a_photo_is_set_aside_and_stays_on_record(ada: Person) -> None:
    address = ada.take_in()
    ada.send(f"{address}/photos", files=other_photo(20), view=["plate"])
    form = ada.read(address).select_one("form[action$='/aside']")
    assert form is not None
    ada.send(str(form["action"]), reason="It shows another machine.")
    page = ada.read(address)
    assert not page.select("li.tile:has(#view-plate) figure")
    assert "Set aside: 1" in text(page.select_one("section[aria-labelledby=photos]"))
    assert "It shows another machine." in text(page.select_one("section[aria-labelledby=history]"))


def test_another_part_than_claimed_is_said(ada: Person) -> None:
    address = ada.take_in()
    ada.send(f"{address}/photos", files=photos(COUPLER), view=["face"], grade="yes")
    said = text(ada.read(address).select_one("section[aria-labelledby=grade]"))
    assert "The photos show: drive coupler. The claim is about: flame-sensing cell." in said


def test_a_reading_says_what_it_means_where_it_was_entered(ada: Person) -> None:
    address = ada.take_in()
    sent = ada.send(
        f"{address}/readings",
        check="cell-lit-beside-good",
        adapted="yes",
        lit_good="1,2",
        **{"lit_good-unit": "kohm", "lit_part": "1500", "lit_part-unit": "ohm"},
    )
    assert sent.headers["location"] == f"{address}#check-cell-lit-beside-good"
    check = ada.read(address).select_one("article:has(#check-cell-lit-beside-good)")
    assert "Good" in text(check)  # 1500 / 1200 = 1.25, below the band's 1.5
    assert "Known-good cell, lit: 1.2 kohm" in text(check)


@pytest.mark.parametrize("part", PARTS)
def test_every_reading_that_is_asked_for_can_be_entered_as_its_form_stands(ada: Person, part: str) -> None:
    """Words: the first one; numbers: 0.5 in the unit that stands first."""
    address = ada.take_in(part=part)
    forms = ada.read(address).select("form[action$='/readings']")
    assert len(forms) >= 6
    for form in forms:
        fields = {str(one["name"]): str(one.get("value") or "0.5") for one in reversed(form.select("input"))}
        fields |= {str(one["name"]): str(one.option["value"]) for one in form.select("select")}  # type: ignore[index]
        del fields["csrf"]
        sent = ada.send(f"{address}/readings", **fields)
        assert sent.headers["location"] == f"{address}#check-{fields['check']}"
    page = ada.read(address)
    assert len(page.select("article:has(form[action$='/readings']) > .answer")) == len(forms)
    assert not page.select("ul.missing a[href^='#read-']")


def test_a_refused_reading_keeps_what_was_typed(ada: Person) -> None:
    address = ada.take_in()
    fields = {"check": "cell-lit-beside-good", "adapted": "yes", "lit_good": "1200", "lit_part": "many"}
    page = BeautifulSoup(ada.send(f"{address}/readings", 422, **fields).text, "html.parser")
    check = page.select_one("article:has(#check-cell-lit-beside-good)")
    assert check is not None
    assert "Not entered." in text(check.select_one("[role=alert]"))
    assert check.select_one("input[name=lit_part]")["value"] == "many"  # type: ignore[index]
    assert check.select_one("details[open]") is not None
    assert check.select_one("input[name=adapted][value=yes][checked]") is not None


def test_flags_show_two_pictures_and_are_settled_with_one_sentence(ada: Person) -> None:
    first, second = ada.take_in(machine="KH-14"), ada.take_in(machine="KH-15")
    for address in (first, second):
        ada.send(f"{address}/photos", files=other_photo(40), view=["housing"])
    page = ada.read(second)
    pair = next(one for one in page.select("article") if "same photo" in text(one.h3).lower())
    assert len(pair.select("img")) == 2
    assert pair.select_one(f"a[href='{first}']") is not None
    ticked = [one["value"] for one in page.select("input[name=flag]")]
    ada.send(f"{second}/flags", 422, flag=[], text="Nothing ticked.")
    ada.send(f"{second}/flags", flag=ticked, text="Two cells of one machine; one plate.")
    flags = text(ada.read(second).select_one("section[aria-labelledby=flags]"))
    assert flags.count("Two cells of one machine; one plate. (ada,") == len(ticked)
    assert "Nobody has looked" not in flags


def test_what_is_said_alike_of_several_photos_is_settled_at_once(ada: Person) -> None:
    address = ada.take_in()
    ada.send(f"{address}/photos", files=other_photo(90) + other_photo(110), view=["hour-meter", "plate"])
    page = ada.read(address)
    together = [one for one in page.select("input[name=flag]") if len(str(one["value"]).split()) == 2]
    assert together
    article = together[0].find_parent("article")
    assert article is not None
    assert len(article.select("figure")) == 2
    ada.send(f"{address}/flags", flag=[together[0]["value"]], text="Screenshots.")
    assert text(ada.read(address).select_one("section[aria-labelledby=flags]")).count("Screenshots.") == 1


def test_doubt_falls_as_evidence_comes_in(ada: Person) -> None:
    address = ada.take_in()

    def doubt() -> float:
        found = re.search(r"\((\d\.\d\d)\)", text(ada.read(address).select_one(".sheet dl")))
        assert found is not None
        return float(found[1])

    before = doubt()
    ada.send(f"{address}/photos", files=photos("flame_cell-face-replace-1.jpg"), view=["face"], grade="yes")
    assert doubt() < before == 1.0


def test_no_decision_is_offered_while_something_is_missing(ada: Person) -> None:
    address = ada.take_in()
    page = ada.read(address)
    assert not page.select("form[action$='/decisions']")
    assert "still missing" in text(page.select_one("section[aria-labelledby=decision]"))
    ada.send(f"{address}/decisions", 409, version="1", outcome="accept", reason="I am in a hurry.")


def test_what_differs_from_the_proposal_is_said_before_it_is_sent(ada: Person) -> None:
    address = ada.take_in(hours_failed="9000")  # past the example policy's 1000 hours: it proposes to decline
    ada.do_without(address)
    page = ada.read(address)
    assert "Decline the claim" in text(page.select_one(".proposal"))
    means = {str(one.input["value"]): text(one) for one in page.select("form[action$='/decisions'] label.choice")}  # type: ignore[index]
    assert "Against the policy" in means["accept"]
    assert "As the policy proposes" in means["decline"]
    assert "second person must sign" in means["decline"]  # things were done without


def test_nobody_decides_on_what_they_have_not_seen(ada: Person, ben: Person) -> None:
    address = ada.take_in()
    ada.do_without(address)
    seen = value(ada.read(address), "decisions", "version")
    ben.send(f"{address}/photos", files=other_photo(70), view=["plate"])
    ada.send(f"{address}/decisions", 412, version=seen, outcome="accept", reason="As it was this morning.")
    assert ada.read(address).select("form[action$='/decisions']")


def test_two_people_decide_and_a_third_course_hears_the_objection(ada: Person, ben: Person) -> None:
    address = ada.take_in()
    ada.do_without(address)
    ada.decide(address)
    mine, theirs = ada.read(address), ben.read(address)
    assert "another person must sign" in text(mine.select_one("section[aria-labelledby=decision] > .caution"))
    assert not mine.select("form[action$='/signatures']")
    assert not theirs.select("form[action$='/photos']")  # what was decided on stays as it is
    version = value(theirs, "signatures", "version")
    ada.send(f"{address}/signatures", 403, version=version, word="agree", reason="I agree with myself.")
    ben.send(f"{address}/signatures", version=version, word="agree", reason="I see the same.")
    page = ben.read(address)
    decision = text(page.select_one("section[aria-labelledby=decision]"))
    assert "Decision 1: accepted" in decision
    assert "Stands" in decision
    assert page.select_one(f"a[href='/api/v1{address}/letter.pdf']") is not None
    fresh = value(page, "objections", "fresh")
    ben.send(f"{address}/objections", received_on="2025-11-02", text="The pump turned freely.", fresh=fresh)
    page = ada.read(address)
    assert "The pump turned freely." in text(page.select_one("section[aria-labelledby=decision]"))
    assert not page.select("form[action$='/hearing']")
    assert "You took part" in text(page.select_one("section[aria-labelledby=decision] > .caution"))
    ada.send(f"{address}/hearing", 403)


def test_after_a_no_it_is_decided_anew(ada: Person, ben: Person) -> None:
    address = ada.take_in()
    ada.do_without(address)
    ada.decide(address)
    version = value(ben.read(address), "signatures", "version")
    ben.send(f"{address}/signatures", version=version, word="not agree", reason="The ceramic is chipped, not cracked.")
    page = ben.read(address)
    assert "The second person did not agree" in text(page.select_one("section[aria-labelledby=decision]"))
    assert page.select("form[action$='/decisions']")


def test_history_tells_each_step_in_a_sentence_of_its_own(ada: Person, ben: Person) -> None:
    address = ada.take_in()
    ada.send(f"{address}/photos", files=photos(CELL), view=["face"], grade="yes")
    ada.send(f"{address}/readings", check="cell-wipe", reading="heavily cloudy")
    version = ada.read(address).select_one("#claim ~ details input[name=version]")["value"]  # type: ignore[index]
    ada.send(address, **CLAIM | {"value": "99", "version": version})
    ada.do_without(address)
    ada.decide(address, "decline")
    ben.send(
        f"{address}/signatures",
        version=value(ben.read(address), "signatures", "version"),
        word="agree",
        reason="Clouded by heat.",
    )
    lines = [text(one) for one in ada.read(address).select("section[aria-labelledby=history] li")]
    told = "\n".join(lines)
    for sentence in (
        "Took in return",
        "Added a photo, “Face, as removed”",
        "Graded the photos: flame-sensing cell,",
        "Took a reading, “Wipe the window”: bad.",
        "value: 129.50 EUR → 99.00 EUR",
        "Said why it can be done without “Plate of the machine”.",
        "Decided: declined. The policy proposed:",
        "Agreed as second person.",
    ):
        assert sentence in told.replace("\u00a0", " "), sentence
    places = [int(found[1]) for line in lines if (found := re.search(r"entry (\d+), [0-9a-f]{12}…", line))]
    assert len(places) == len(lines)
    assert places == sorted(places)


def test_the_tag_carries_the_number(ada: Person) -> None:
    address = ada.take_in()
    number = text(ada.read(address).h1).partition(":")[0]
    answer = ada.client.get(f"{address}/tag.pdf")
    assert answer.headers["content-type"] == "application/pdf"
    assert number in PdfReader(io.BytesIO(answer.content)).pages[0].extract_text()


def test_a_scanned_number_opens_its_return(ada: Person) -> None:
    address = ada.take_in()
    number = text(ada.read(address).h1).partition(":")[0]
    for params in ({"number": number}, {"number": number.replace("-", "")}, {"q": f" {number} "}):
        answer = ada.client.get("/returns", params=params, follow_redirects=False)
        assert (answer.status_code, answer.headers["location"]) == (303, address)
    wrong = number[:-1] + str((int(number[-1]) + 1) % 10)
    for params in ({"number": wrong}, {"q": wrong}):
        assert wrong in text(ada.read("/returns", **params).select_one("[role=alert]"))


def test_the_list_is_filtered_searched_and_ordered(ada: Person) -> None:
    cheap = ada.take_in(claimant="Osprey Plant", value="1", part="electrode")
    dear = ada.take_in(claimant="Osprey Plant", value="900000", part="coupler")
    page = ada.read("/returns", q="osprey", order="value")
    assert [one["href"] for one in page.select("a[data-row]")] == [dear, cheap]
    assert "900\u202f000.00\u00a0EUR" in page.get_text()
    only = ada.read("/returns", q="osprey", part="electrode", state="gathering")
    assert [one["href"] for one in only.select("a[data-row]")] == [cheap]
    none = ada.read("/returns", q="osprey", value="5000000")
    assert not none.select("a[data-row]")
    assert none.select_one("details.filters[open]") is not None
    assert ada.read("/returns", days="nonsense", doubt="9", order="x", state="y").select("a[data-row]")


def test_a_list_is_saved_under_a_name_and_removed(ada: Person, ben: Person) -> None:
    page = ada.read("/returns", part="coupler", order="doubt")
    ada.send("/returns/lists", name="Couplers in doubt", query=value(page, "lists", "query"))
    saved = ada.read("/returns").select_one("ul.saved a")
    assert text(saved) == "Couplers in doubt"
    assert dict(pair.split("=") for pair in saved["href"].partition("?")[2].split("&")) == {  # type: ignore[index,union-attr]
        "part": "coupler",
        "order": "doubt",
    }
    assert not ben.read("/returns").select("ul.saved")
    form = ada.read("/returns").select_one("ul.saved form")
    assert form is not None
    ben.send(str(form["action"]), 404)
    ada.send(str(form["action"]))
    assert not ada.read("/returns").select("ul.saved")


def test_who_may_not_see_returns_finds_no_way_there(people: dict[str, Person]) -> None:
    tom, ada = people["tom"], people["ada"]
    address = ada.take_in()
    assert not tom.read("/").select("a[href^='/returns'], a[href='/figures']")
    tom.read("/returns", 403)
    tom.read(address, 403)
    home = ada.read("/")
    assert home.select("header a[href='/returns']")
    counted = home.select_one(".tally a[href='/returns?state=gathering'] strong")
    assert int(text(counted)) == len(ada.read("/returns", state="gathering").select("a[data-row]"))


def test_without_accounts_it_is_said_that_nobody_else_can_sign(pages: Pages) -> None:
    address = pages.send("/returns/new", part="coupler").headers["location"].partition("#")[0]
    items = [one["value"] for one in pages.read(address).select("input[name=item]")]
    pages.send(f"{address}/waivers", item=items, reason="Nothing came with it.")
    version = value(pages.read(address), "decisions", "version")
    pages.send(f"{address}/decisions", version=version, outcome="accept", reason="It is broken through.")
    assert "without accounts" in text(pages.read(address).select_one("section[aria-labelledby=decision] > .caution"))


def test_hostile_text_stays_text(ada: Person) -> None:
    bad = "<script>alert(1)</script>"
    address = ada.take_in(story=bad, claimant=bad, lot=bad)
    for path in (address, "/returns"):
        page = ada.read(path)
        assert bad in page.get_text()
        assert all(script.get("src") for script in page.select("script"))
