"""Pages of grades as a browser without JavaScript uses them. Expected words: the wear standard and the checks' own."""

from __future__ import annotations

import io

import pytest
from bs4 import BeautifulSoup, Tag
from PIL import Image
from sqlalchemy import select

from wearvision_api.store.record_tables import LogRow

from .conftest import CELL, SAMPLES, Pages, photo


def text(page: Tag | None) -> str:
    assert page is not None
    return " ".join(page.get_text(" ").split())


@pytest.fixture(scope="module")
def cell(pages: Pages) -> str:
    return pages.grade(CELL)


def test_a_photo_from_the_form_leads_to_its_grade(pages: Pages, cell: str) -> None:
    page = pages.read(cell)
    assert text(page.h1) == "Flame-sensing cell"
    assert "replace" in text(page.find(id="headline")).lower()
    picture = page.select_one("img.outlined-picture")
    assert picture is not None
    shown = pages.client.get(picture["src"])
    assert Image.open(io.BytesIO(shown.content)).size == (720, 720)


def test_doubt_stands_beside_the_grade(pages: Pages) -> None:
    page = pages.read(pages.grade("electrode-side-serviceable-2.jpg"))
    headline = text(page.find(id="headline"))
    assert headline.startswith("Serviceable")
    assert "replace is possible" in headline


def test_a_list_never_shows_serviceable_alone_while_replace_is_possible(pages: Pages) -> None:
    address = pages.grade("electrode-side-serviceable-2.jpg")
    line = pages.read("/grades").select_one(f"a[href='{address}']")
    assert "Serviceable, replace possible" in text(line)
    assert line is not None
    assert line.select_one(".g-none") is not None


def test_pressing_twice_grades_once(pages: Pages) -> None:
    fresh = str(pages.read("/grade").select_one("form[action='/grade'] input[name=id]")["value"])  # type: ignore[index]
    first, second = (pages.grade(CELL, id=fresh) for _ in range(2))
    assert first == second == f"/grades/{fresh}"


def test_a_form_without_a_photo_says_so(pages: Pages) -> None:
    body = b'--x\r\nContent-Disposition: form-data; name="file"; filename=""\r\n\r\n\r\n--x--\r\n'
    answer = pages.client.post("/grade", content=body, headers={"Content-Type": "multipart/form-data; boundary=x"})
    assert answer.status_code == 422
    assert "Take or choose a photo first." in answer.text


@pytest.mark.parametrize(
    ("fields", "answer"),
    [
        ({"check": "cell-wipe", "value": "heavily cloudy"}, "Replace"),
        ({"check": "cell-room", "value": "1,65", "unit": "kohm"}, "1650 ohm"),
        ({"check": "cell-dark", "word": "open", "value": "", "unit": "ohm"}, "Good"),
        ({"check": "cell-lit", "flashes": "2", "value": ""}, "2 flashes"),
    ],
)
def test_a_reading_is_answered_where_it_was_entered(
    pages: Pages, cell: str, fields: dict[str, str], answer: str
) -> None:
    sent = pages.send(f"{cell}/readings", **fields)
    assert sent.headers["location"] == f"{cell}#check-{fields['check']}"
    assert answer in text(pages.read(cell).select_one(f"#check-{fields['check']} .answer"))


def test_a_reading_confirms_what_the_photo_says(pages: Pages) -> None:
    page = pages.grade("flame_cell-face-replace-1.jpg")
    pages.send(f"{page}/readings", check="cell-element", value="burned")
    assert "Confirmed: replace now holds." in text(pages.read(page).find(id="check-cell-element"))


def test_a_reading_overrides_the_photo(pages: Pages) -> None:
    page = pages.grade("flame_cell-face-serviceable-1.jpg")
    pages.send(f"{page}/readings", check="cell-crack", value="crack")
    read = pages.read(page)
    assert text(read.select_one("#headline .g")) == "Replace"
    assert "Overridden by a hand check" in text(read.find(id="verdict"))


def test_a_reading_that_makes_no_sense_stays_to_be_put_right(pages: Pages, cell: str) -> None:
    answer = pages.send(f"{cell}/readings", 422, check="cell-room", value="many", unit="kohm")
    check = BeautifulSoup(answer.text, "html.parser").find(id="check-cell-room")
    assert "Not entered" in text(check)
    assert check.select_one("#value-cell-room")["value"] == "many"
    assert check.select_one("option[selected]")["value"] == "kohm"


def test_cautions_stand_before_the_steps(pages: Pages, cell: str) -> None:
    check = pages.read(cell).find(id="check-cell-dark")
    assert check is not None
    caution, steps = check.select_one("ul.caution"), check.select_one("ol.steps")
    assert "dead circuit" in text(caution)
    assert caution.sourceline < steps.sourceline or caution.sourcepos < steps.sourcepos


def test_no_caution_is_lost(pages: Pages, cell: str) -> None:
    from wearvision.standard import CAUTIONS, DEFERENCE

    page = text(pages.read(cell))
    assert [line for line in (DEFERENCE, *CAUTIONS) if line not in page] == []


def test_an_eye_stands_above_readings(pages: Pages) -> None:
    page = pages.grade(CELL)
    pages.send(f"{page}/readings", check="cell-element", value="burned")
    pages.send(f"{page}/override", grade="clean-and-reuse", reason="Stain on the glass only")
    headline = text(pages.read(page).find(id="headline"))
    assert headline.startswith("Clean-and-reuse Graded by eye")
    pages.send(f"{page}/override", 422, grade="replace", reason="")


def test_a_grade_by_eye_can_be_taken_back_and_the_record_keeps_both(pages: Pages) -> None:
    page = pages.grade(CELL)
    before = text(pages.read(page).find(id="headline"))
    pages.send(f"{page}/override/back", 409)
    pages.send(f"{page}/override", grade="replace", reason="Looked worse by hand")
    assert text(pages.read(page).find(id="headline")) != before
    pages.send(f"{page}/override/back")
    shown = pages.read(page)
    assert text(shown.find(id="headline")) == before
    assert shown.find("form", action=f"{page}/override/back") is None
    pages.send(f"{page}/override/back", 409)
    house = pages.client.app.state.house
    with house.session(writes=False) as session:
        query = select(LogRow).where(LogRow.subject == page.rsplit("/", 1)[1]).order_by(LogRow.place)
        kept = [(row.what, row.entry) for row in session.scalars(query)]
    assert [what for what, _ in kept] == ["graded by eye", "took the grade by eye back"]
    assert all('"grade":"replace"' in entry and "by hand" not in entry for _, entry in kept)


def test_what_was_done_stands_apart_from_the_grade(pages: Pages) -> None:
    page = pages.grade(CELL)
    before = text(pages.read(page).find(id="headline"))
    pages.send(f"{page}/outcome", done="cleaned and refitted", note="wiped twice")
    read = pages.read(page)
    assert "Cleaned and refitted : wiped twice" in text(read.find(id="done").parent)
    assert text(read.find(id="headline")) == before


def test_a_pair_before_and_after_wiping(pages: Pages) -> None:
    page = pages.grade(CELL)
    pages.send(f"{page}/wiping", files=photo("flame_cell-face-serviceable-1.jpg"))
    section = pages.read(page).find(id="wiping").parent
    assert "Wiping took away" in text(section)
    assert len(section.select(".pair img")) == 2


def test_a_further_view_takes_photos_and_readings_along(pages: Pages) -> None:
    first = pages.grade("coupler-end-clean-and-reuse-1.jpg")
    assert "Still to see: end, side (2 photos)" in text(pages.read(first))
    pages.send(f"{first}/readings", check="coupler-twist", value="firm")
    added = pages.send(f"{first}/photos", files=photo("coupler-side-clean-and-reuse-1.jpg")).headers["location"]
    page = pages.read(added)
    assert len(page.select("img.outlined-picture")) == 2
    assert page.select_one("#check-coupler-twist .answer") is not None


def test_faults_come_with_advice_and_a_way_to_take_it_again(pages: Pages) -> None:
    page = pages.read(pages.grade("unfit-dark.jpg"))
    assert "The picture is too dark" in text(page)
    assert page.find("a", string="Take it again")["href"].startswith("/grade?part=")


def test_photos_can_be_graded_as_another_part(pages: Pages, cell: str) -> None:
    again = pages.send(f"{cell}/again", part="coupler").headers["location"]
    assert text(pages.read(again).h1) == "Drive coupler"


def test_a_photo_is_kept_as_installed_and_lies_beside_the_next(pages: Pages) -> None:
    machine = pages.send("/machines", identifier="HM-7", hours="10").headers["location"]
    visit = pages.send(f"{machine}/inspections", hours="12").headers["location"]
    inspection = visit.rsplit("/", 1)[1]
    page = pages.grade(CELL, inspection=inspection)
    assert pages.send(f"{page}/reference", files=photo(CELL)).headers["location"] == f"{machine}#installed"
    later = pages.grade(CELL, inspection=inspection, part="flame_cell")
    kept = pages.client.get(f"/api/v1{later}").json()["reference"]
    content = pages.client.get(f"/api/v1/photos/{kept}/content").content
    assert content == (SAMPLES / CELL).read_bytes()


def test_readings_show_in_the_units_chosen(pages: Pages) -> None:
    page = pages.grade("electrode-side-serviceable-2.jpg")
    check = next(
        one
        for one in pages.client.get("/api/v1/checks").json()["checks"]
        if one["reading"] and one["reading"]["unit"] == "mm"
    )
    pages.send(f"{page}/readings", check=check["id"], value="3.2", unit="mm")
    pages.send("/units", units="inch", back=page)
    try:
        # 3.2 mm over 25.4 mm an inch
        shown = pages.read(page).find(id=f"check-{check['id']}")
        assert "0.126 in" in text(shown.select_one(".answer"))
        assert shown.select_one("option")["value"] == "in"
    finally:
        pages.client.cookies.clear()


@pytest.mark.parametrize("back", ["//elsewhere.example", "/\\elsewhere.example", "https://elsewhere.example", "/\t/x"])
def test_the_choice_of_units_leads_nowhere_else(pages: Pages, back: str) -> None:
    assert pages.send("/units", units="metric", back=back).headers["location"] == "/"
