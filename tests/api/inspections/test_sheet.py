"""The sheet as PDF, read back by another library, and the exports."""

from __future__ import annotations

import csv
import io
import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pypdf import PdfReader

from wearvision.standard import CAUTIONS, DEFERENCE
from wearvision_api.routes.visit_schemas import InspectionExport
from wearvision_api.services.export import COLUMNS, safe


def pdf_of(site: Any, visit: str) -> PdfReader:
    answer = site.client.get(f"/api/v1/inspections/{visit}/sheet.pdf")
    assert answer.status_code == 200, answer.text
    assert answer.headers["content-type"] == "application/pdf"
    return PdfReader(io.BytesIO(answer.content))


def words_of(reader: PdfReader) -> str:
    return " ".join(" ".join(page.extract_text() for page in reader.pages).split())


def _coupler_verdict(site: Any, visit: Any) -> str:
    """What the twist comes to; whether it bears the photo out or overrides it is the model's matter."""
    grades = site.get("/grades")["items"]
    own = next(one for one in grades if one["inspection"] == visit["id"] and one["part"] == "coupler")
    assert own["holds"] == "replace"
    return str(own["verdict"]["reason"])


def test_sheet_says_what_was_found_and_done(site: Any, full_visit: Any) -> None:
    site.post(f"/inspections/{full_visit['id']}/close", {"service": True})
    reader = pdf_of(site, full_visit["id"])
    words = words_of(reader)
    for said in (
        "H-07",
        "Indirect heater on the yard trailer",
        "1320.5 h",
        "Flame-sensing cell",
        "Ignition electrode",
        "Drive coupler",
        "Standing: overridden by eye",
        "By eye: clean-and-reuse: Carbon at the clamp",
        "What was done: replaced. Keyed end first.",
        "1200 ohm",
        "Twist by hand",
        _coupler_verdict(site, full_visit),
        "serviceable < 0.03; replace ≥ 0.06",
        "electrode gap",
        "3.2 mm",
        "-5 Pa",
        "ruled out",
        "Pump and motor turn freely.",
        "By hours: 500 running hours are left",
        "Model mixed-2",
        "Limits wear-standard-1",
        DEFERENCE,
        *CAUTIONS,
    ):
        assert " ".join(said.split()) in words, said
    assert f"page 1 of {len(reader.pages)}" in words
    assert sum(len(page.images) for page in reader.pages) == 3
    assert reader.metadata is not None
    assert reader.metadata.title == "Inspection of H-07"


def test_sheet_of_an_empty_visit_says_that_nothing_was_graded(site: Any) -> None:
    words = words_of(pdf_of(site, site.visit(site.machine()["id"])["id"]))
    assert "No part has been graded at this visit." in words
    assert "Hour meter: not read" in words
    assert "still open" in words


def test_sheet_takes_any_text(site: Any) -> None:
    """Markup, letters that hardly any font has, and very long words."""
    machine = site.machine(description="<b>&amp;</b> \U0001f525 " + "x" * 400)
    visit = site.visit(machine["id"], notes="line one\nline <two> ⟦⟧\n" + "word " * 700)
    words = words_of(pdf_of(site, visit["id"]))
    assert "<b>&amp;</b>" in words
    assert "line <two>" in words
    assert "not in this machine's fonts" in words


def test_sheet_takes_remarks_longer_than_a_page(site: Any) -> None:
    visit = site.visit(site.machine()["id"], notes="n\n" * 1900)
    grade = site.grade(visit["id"], "coupler")
    site.put(f"/grades/{grade['id']}/override", {"grade": "replace", "reason": "why\n" * 900})
    site.put(f"/grades/{grade['id']}/outcome", {"done": "replaced", "note": "note " * 790})
    site.post(f"/inspections/{visit['id']}/causes", {"cause": "c" * 200, "finding": "found", "note": "c\n" * 1900})
    words = words_of(pdf_of(site, visit["id"]))
    assert words.count("why") == 900
    assert words.replace("notes", "").count("note") >= 790


def test_csv_has_a_line_for_each_record(site: Any, full_visit: Any) -> None:
    answer = site.client.get(f"/api/v1/inspections/{full_visit['id']}/export.csv")
    assert answer.headers["content-type"].startswith("text/csv")
    text = answer.content.decode()
    assert text.endswith("\r\n")
    assert text.replace("\r\n", "").count("\n") == 0
    rows = list(csv.DictReader(io.StringIO(text, newline=""), strict=True))
    assert tuple(rows[0]) == COLUMNS
    kinds = [row["record"] for row in rows]
    measures = sum(len(site.get(f"/grades/{one}")["report"]["measures"]) for one in full_visit["grades"])
    assert {kind: kinds.count(kind) for kind in set(kinds)} == {
        "inspection": 1,
        "grade": 6,
        "measure": measures,
        "reading": 2,
        "override": 1,
        "outcome": 2,
        "setting": 2,
        "cause": 1,
        "part used": 1,
    }
    assert {row["machine"] for row in rows} == {"H-07"}
    assert next(row for row in rows if row["name"] == "draft over fire")["value"] == "-5.0"
    assert next(row for row in rows if row["record"] == "part used")["name"] == '\'=HYPERLINK("x") coupler'


@given(st.text(max_size=30))
def test_cell_never_begins_like_a_formula(text: str) -> None:
    cell = safe(text)
    assert cell in (text, f"'{text}")
    assert not cell.strip(" ").startswith(("=", "+", "-", "@", "\t", "\r"))


@pytest.mark.parametrize("number", [-5, -0.25, 3])
def test_number_stays_a_number(number: float) -> None:
    assert safe(number) is number


def test_json_export_is_whole_and_reads_again(site: Any, full_visit: Any) -> None:
    site.put(
        f"/machines/{full_visit['machine']}/references/coupler", {"photo": site.photo("coupler-end-serviceable-1.jpg")}
    )
    after = site.photo("flame_cell-face-serviceable-1.jpg")
    wiped = site.put(f"/grades/{full_visit['grades'][0]}/wiping", {"after": after})
    text = site.client.get(f"/api/v1/inspections/{full_visit['id']}/export.json").text
    export = InspectionExport.model_validate_json(text)
    assert export.plain() == json.loads(text)
    assert export.inspection.plain() == site.get(f"/inspections/{full_visit['id']}")
    assert export.machine.plain() == site.get(f"/machines/{full_visit['machine']}")
    assert [one.id for one in export.grades[:3]] == full_visit["grades"]
    assert export.grades[0].plain() == wiped
    named = {
        photo for grade in export.grades for photo in [*grade.photos, *([grade.reference] if grade.reference else [])]
    }
    named |= {one.photo for one in export.machine.references}
    assert {photo.id for photo in export.photos} == named
    assert after in named
