"""The evidence sheet as PDF, read back by another library (pypdf) and, for its code, by OpenCV's own reader."""

from __future__ import annotations

import io
import re
import shutil
import subprocess
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from fastapi.testclient import TestClient
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image
from pypdf import PdfReader

from wearvision.standard import CAUTIONS, DEFERENCE
from wearvision.standard.counter import checks_at_counter
from wearvision_api.accounts.roles import Caller
from wearvision_api.app import create_app
from wearvision_api.house import House
from wearvision_api.record.erase import erase
from wearvision_api.record.ledger import append, head
from wearvision_api.returns import evidence, intake
from wearvision_api.returns.deciding import decide, object_to, sign, take_up
from wearvision_api.returns.evidence_pdf import evidence_pdf
from wearvision_api.returns.evidence_sheet import VARYING, evidence_of
from wearvision_api.returns.letter import letter_of
from wearvision_api.returns.policy_table import load_policy
from wearvision_api.routes.return_papers import picture_bytes, small_photo
from wearvision_api.services.paper import LOST, Paper
from wearvision_api.settings import Settings
from wearvision_api.store.tables import Account

from .conftest import Desk


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    """One service for all tests here: each has a return of its own, and opening a service takes seconds."""
    settings = Settings(data=tmp_path_factory.mktemp("papers") / "data", workers=1, waiting=4)
    with TestClient(create_app(settings), base_url="http://127.0.0.1") as client:
        yield client


@pytest.fixture(scope="module")
def desk(client: TestClient, samples: Path) -> Desk:
    house: House = client.app.state.house  # type: ignore[attr-defined]
    with house.session() as session:
        rows = [Account(name=name, role="counter") for name in ("ada", "ben", "cleo")]
        session.add_all(rows)
        session.commit()
        ada, ben, cleo = (Caller(row.id, row.name, "counter") for row in rows)
    return Desk(house, ada, ben, cleo, samples)


@pytest.fixture(scope="module")
def settled(desk: Desk) -> str:
    """A graded return that was declined and signed; tests read it and change nothing of it."""
    return decided(desk, graded(desk, claimant="Ostvale Hire, Süd-Øst Łódź"))


AT = datetime(2026, 10, 1, 9, 30, tzinfo=UTC)
REASON = "Worn round, and the pump turned hard."


def sheet_bytes(desk: Desk, one: str, at: datetime = AT, house: House | None = None) -> bytes:
    used = house or desk.house
    with used.session(writes=False) as session:
        sheet = evidence_of(used, session, intake.find(session, one), at)
    return evidence_pdf(sheet, lambda digest: small_photo(used, digest), lambda digest: picture_bytes(used, digest))


def words_of(data: bytes) -> str:
    return " ".join(" ".join(page.extract_text() for page in PdfReader(io.BytesIO(data)).pages).split())


def has(words: str, said: str) -> bool:
    """Whether a text stands in the words, whatever its line breaks."""
    return "".join(said.split()) in "".join(words.split())


def graded(desk: Desk, **said: Any) -> str:
    """A coupler with two photos of its ends, graded, a reading, and reasons for the rest."""
    one = desk.taken_in(**said)
    desk.photo(one, "end-blower", "coupler-end-replace-1.jpg")
    desk.photo(one, "end-pump", "coupler-end-clean-and-reuse-1.jpg")
    with desk.house.session() as session:
        evidence.grade(desk.house, session, desk.ada, one)
        session.commit()
    check = checks_at_counter("coupler")[0]
    entered = {field.key: field.words[0] for field in check.fields if field.required}
    desk.act(one, lambda session, row: evidence.add_reading(session, desk.ada, row, check.id, entered))
    desk.complete(one)
    return one


def decided(desk: Desk, one: str, outcome: Any = "decline", reason: str = REASON) -> str:
    """Decides, and lets a second person sign where one is wanted."""
    desk.act(one, lambda session, row: decide(desk.house, session, desk.ada, row, outcome, reason))
    if desk.read(one, lambda row: row.state) == "second person":
        desk.act(one, lambda session, row: sign(session, desk.ben, row, agrees=True, reason="I see the same."))
    return one


def test_sheet_says_all_that_the_decision_rests_on(desk: Desk, settled: str) -> None:
    one, data = settled, sheet_bytes(desk, settled)
    words = words_of(data)
    reader = PdfReader(io.BytesIO(data))
    row = desk.read(one, lambda row: row)
    digests, report, policy = desk.read(
        one, lambda row: ([photo.sha256 for photo in row.photos], row.grade.report, row.decisions[0].proposal)
    )
    for said in (
        row.number,
        "Decided: claim declined",
        "Claimant: Ostvale Hire, Süd-Øst Łódź",
        "Holds for right: possible defect of the part",
        "Part number: DC-8",
        "Lot: 2611",
        "Fitted: 2026-07-20, 900.0 h",
        "Failed: 2026-09-03, 960.0 h",
        "Ran: 60.0 h, 45 days",
        "Value: 19.80 EUR",
        "Kept at: Shelf 4",
        "Kept until: 2027-03-31",
        "Melted. Burner ran without fuel pressure.",
        policy["proposal"]["text"],
        *policy["proposal"]["reasons"],
        policy["proposal"]["policy"]["sha256"],
        f"Reason: {REASON}",
        "Decided by: ada, 20",
        "Signed as second person: ben, 20",
        "I see the same.",
        *(line["title"] for line in policy["findings"]),
        *(one["text"] for line in policy["findings"] for one in [*line["signs_for"], *line["signs_against"]]),
        "serviceable < 0.05; clean ≥ 0.1",
        checks_at_counter("coupler")[0].title,
        "Not to be had in this test. (ada)",
        *digests,
        report["model"]["id"],
        report["model"]["sha256"],
        report["limits"]["sha256"],
        "Return tag: none seen",
        "Printed: 2026-10-01 09:30 UTC",
        VARYING,
        DEFERENCE,
        *CAUTIONS,
    ):
        assert has(words, said), said
    assert f"page 1 of {len(reader.pages)}" in words
    assert sum(len(page.images) for page in reader.pages) == 2 * len(digests), "each photo, and each with its outlines"
    assert reader.metadata is not None
    assert reader.metadata.title == f"Evidence sheet of return {row.number}"
    assert "DRAFT" not in words


def test_sheet_names_the_steps_on_record_and_the_digests_that_seal_the_decision(desk: Desk) -> None:
    one = decided(desk, desk.ready())
    words = words_of(sheet_bytes(desk, one))
    with desk.house.session(writes=False) as session:
        end = head(session)
    assert has(words, f"(signed): {end.digest}")
    assert has(words, f"Head of the record when printed, entry {end.place}: {end.digest}")
    assert "decided: decline" in words
    assert words.count("done without: ") == len(desk.read(one, lambda row: row.waivers))


def test_sheet_differs_from_print_to_print_in_the_stated_lines_only(desk: Desk, settled: str) -> None:
    first = sheet_bytes(desk, settled)
    assert sheet_bytes(desk, settled) == first
    with desk.house.session() as session:
        append(session, "ada", "opened", "return", "another one")
        session.commit()
    second = sheet_bytes(desk, settled, AT + timedelta(days=40))
    before, after = (lines_of(data) for data in (first, second))
    changed = [line for pair in zip(before, after, strict=True) if pair[0] != pair[1] for line in pair]
    assert 4 <= len(changed) <= 6, changed
    stated = re.compile(r"Printed: |Head of the record when printed|[0-9a-f]+$")
    assert all(stated.match(line) for line in changed), changed


def lines_of(data: bytes) -> list[str]:
    return [line for page in PdfReader(io.BytesIO(data)).pages for line in page.extract_text().split("\n")]


def test_sheet_of_a_decision_is_not_altered_by_a_later_policy_limits_or_terms(
    desk: Desk, settled: str, tmp_path: Path
) -> None:
    first = sheet_bytes(desk, settled)
    policy, limits = tmp_path / "policy.toml", tmp_path / "limits.toml"
    policy.write_text(
        'id = "other"\n[warranty]\nhours = 1\nsource = "x"\n'
        '[[row]]\nid = "all"\npropose = "accept"\ntext = "Everything."\nsource = "x"\n'
    )
    limits.write_text("[coupler.grime_ratio]\nserviceable_below = 0.9\nclean_from = 0.95\n")
    settings = desk.house.settings.model_copy(update={"policy": policy, "limits": limits, "objection_days": 5})
    later = House.open(settings)
    try:
        assert later.policy.id == "other" != load_policy(None).id
        assert later.grader.limits.sha256 != desk.house.grader.limits.sha256
        assert sheet_bytes(desk, settled, house=later) == first
    finally:
        later.close()


def test_sheet_without_a_decision_is_a_draft_and_says_what_is_missing(desk: Desk) -> None:
    words = words_of(sheet_bytes(desk, desk.taken_in()))
    for said in ("DRAFT", "Not decided", "Evidence is being gathered", "Still missing", "Plate of the machine"):
        assert has(words, said), said
    assert "A person decided" not in words


def test_sheet_of_a_cell_warns_of_cadmium_as_every_sheet_of_one_must(desk: Desk) -> None:
    """Handbook section 9, check C9.2 (common practice; 40 CFR 261.24 names cadmium)."""
    ids = desk.taken_in(part="flame_cell"), desk.taken_in(part="coupler")
    with desk.house.session(writes=False) as session:
        cell, other = (evidence_of(desk.house, session, intake.find(session, one)) for one in ids)
    assert any("Cadmium" in line for line in cell.cautions)
    assert not any("Cadmium" in line for line in other.cautions)


def test_sheet_that_waits_for_a_second_person_is_a_draft(desk: Desk) -> None:
    one = desk.ready()
    desk.act(one, lambda session, row: decide(desk.house, session, desk.ada, row, "accept", REASON))
    words = words_of(sheet_bytes(desk, one))
    assert "DRAFT" in words
    assert "Second person: has not signed yet" in words


def test_sheet_after_an_objection_shows_both_decisions(desk: Desk) -> None:
    one = decided(desk, desk.ready())
    desk.act(one, lambda session, row: object_to(session, desk.ada, row, "It turns freely.", date(2026, 10, 1)))
    desk.act(one, lambda session, row: take_up(session, desk.cleo, row))
    desk.act(one, lambda session, row: decide(desk.house, session, desk.cleo, row, "accept", "It does turn freely."))
    words = words_of(sheet_bytes(desk, one))
    for said in (
        "It does turn freely.",
        "Decided by: cleo",
        "Earlier: attempt 1",
        REASON,
        "Received on 2026-10-01: It turns freely.",
        "taken up by cleo",
        "Waits for a second person (claim accepted)",
    ):
        assert has(words, said), said


def test_sheet_shows_an_erased_photo_by_its_hash_and_tombstone(desk: Desk) -> None:
    one = decided(desk, graded(desk))
    photo_id, digest = desk.read(one, lambda row: (row.photos[0].photo_id, row.photos[0].sha256))
    with desk.house.session() as session:
        erase(session, desk.house.key, "ada", photo_id, "A face is in it.")
        session.commit()
    data = sheet_bytes(desk, one)
    words = words_of(data)
    assert has(words, digest)
    assert has(words, "Erased on a lawful request on 20")
    assert has(words, "by ada: A face is in it.")
    assert sum(len(page.images) for page in PdfReader(io.BytesIO(data)).pages) == 2


def test_sheet_says_when_the_store_has_lost_a_photo(desk: Desk, settled: str) -> None:
    with desk.house.session(writes=False) as session:
        sheet = evidence_of(desk.house, session, intake.find(session, settled), AT)
    assert words_of(evidence_pdf(sheet, lambda _: None, lambda _: None)).count("does not hold this photo") == 2


def test_sheet_shows_flags_and_what_looking_at_them_came_to(desk: Desk) -> None:
    first, second = desk.taken_in(), desk.taken_in()
    for one in (first, second):
        desk.photo(one, "end-blower", "coupler-end-serviceable-1.jpg")
    flag = desk.read(second, lambda row: next(one for one in row.flags if one.kind == "same photo"))
    before = words_of(sheet_bytes(desk, second))
    assert has(before, f"{flag.kind.capitalize()}: {flag.reason}")
    assert has(before, f"return {desk.read(first, lambda row: row.number)}; its photo SHA-256")
    assert has(before, "Looked at: Nobody has looked at it yet.")
    desk.act(
        second, lambda session, row: evidence.settle_flag(session, desk.ben, row, flag.id, "Sent twice by the yard.")
    )
    assert has(words_of(sheet_bytes(desk, second)), "Looked at: Sent twice by the yard. (ben, 20")


@pytest.mark.parametrize(
    ("tag", "said"),
    [
        (None, "none seen"),
        ({"number": None, "others": [], "px_per_mm": 4.04}, "its number could not be read; 4.0 pixels a millimetre"),
        ({"number": "OWN", "others": [], "px_per_mm": None}, "Return tag: OWN"),
        ({"number": "OWN", "others": ["26-00042-33"]}, "OWN, 26-00042-33 (another return's)"),
    ],
)
def test_sheet_says_what_the_tag_in_a_photo_says(desk: Desk, tag: Any, said: str) -> None:
    one = desk.taken_in()
    number = desk.read(one, lambda row: row.number)
    put = dict(tag, number=number) if tag and tag["number"] == "OWN" else tag
    shot = replace(evidence.shot_of(desk.house, drawn(7)), tag=put)
    desk.act(one, lambda session, row: evidence.add_photo(desk.house, session, desk.ada, row, shot, "plate"))
    assert has(words_of(sheet_bytes(desk, one)), said.replace("OWN", number))


def drawn(seed: int) -> bytes:
    """A small picture of its own."""
    pixels = np.random.default_rng(seed).integers(0, 255, (12, 12, 3), dtype=np.uint8)
    out = io.BytesIO()
    Image.fromarray(pixels).resize((160, 120)).save(out, "JPEG")
    return out.getvalue()


def test_sheet_with_twenty_photos_has_pages_enough(desk: Desk) -> None:
    one = desk.taken_in()
    for seed in range(20):
        shot = evidence.shot_of(desk.house, drawn(seed))
        desk.act(
            one, lambda session, row, shot=shot: evidence.add_photo(desk.house, session, desk.ada, row, shot, "plate")
        )
    data = sheet_bytes(desk, one)
    words, reader = words_of(data), PdfReader(io.BytesIO(data))
    assert len(reader.pages) >= 5
    assert sum(len(page.images) for page in reader.pages) == 20
    assert all(has(words, photo.sha256) for photo in desk.read(one, lambda row: list(row.photos)))
    assert has(words, "20. Plate of the machine")


def test_sheet_takes_long_and_hostile_text(desk: Desk) -> None:
    """Markup, marks that turn the direction of text, control characters, and texts of several pages."""
    one = desk.ready(
        story="<b>bold</b> &amp; \u202eesrever\u202c \x07bell\n" + "y\n" * 1900,
        claimant="<para>" + "W" * 114,
        lot="&lt;",
    )
    reason = "r\n" * 1900 + "z" * 190
    decided(desk, one, reason=reason)
    data = sheet_bytes(desk, one)
    words = words_of(data)
    for said in ("<b>bold</b> &amp; ?esrever? ?bell", "<para>" + "W" * 114, "Lot: &lt;", "z" * 190, LOST):
        assert has(words, said), said[:40]
    assert "\u202e" not in words
    assert len(PdfReader(io.BytesIO(data)).pages) >= 50


@given(st.text(max_size=60))
def test_paper_shows_no_mark_that_steers_its_output(text: str) -> None:
    shown = Paper().plain(text)
    assert not re.search("[\x00-\x09\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u202a-\u202e\u2066-\u2069]", shown)
    assert Paper().plain(shown) == shown


@pytest.mark.skipif(shutil.which("pdftoppm") is None, reason="pdftoppm is not installed")
def test_sheet_bears_the_number_as_a_code(desk: Desk, tmp_path: Path) -> None:
    one = desk.taken_in()
    (tmp_path / "sheet.pdf").write_bytes(sheet_bytes(desk, one))
    subprocess.run(
        ["pdftoppm", "-r", "150", "-gray", "-l", "1", str(tmp_path / "sheet.pdf"), str(tmp_path / "page")], check=True
    )
    page = cv2.imread(str(next(tmp_path.glob("page*.pgm"))), cv2.IMREAD_GRAYSCALE)
    assert page is not None
    read, *_ = cv2.QRCodeDetector().detectAndDecode(page)
    assert read == desk.read(one, lambda row: row.number)


def test_routes_give_the_papers(desk: Desk, client: TestClient, settled: str) -> None:
    one = settled
    number = desk.read(one, lambda row: row.number)
    for name, kind in (
        ("sheet.pdf", "application/pdf"),
        ("letter.pdf", "application/pdf"),
        ("letter.txt", "text/plain"),
    ):
        answer = client.get(f"/api/v1/returns/{one}/{name}")
        assert answer.status_code == 200, answer.text
        assert answer.headers["content-type"].startswith(kind)
        assert number in answer.headers["content-disposition"]
        assert "no-cache" in answer.headers["cache-control"]
        assert client.get(f"/api/v1/returns/00000000-0000-4000-8000-0000000000ff/{name}").status_code == 404


def test_letter_says_the_same_while_an_objection_is_heard(desk: Desk) -> None:
    one = decided(desk, desk.ready())
    desk.act(one, lambda session, row: object_to(session, desk.ada, row, "It turns freely.", date(2026, 10, 1)))
    before = desk.read(one, lambda row: letter_of(desk.house.settings, row))
    desk.act(one, lambda session, row: take_up(session, desk.cleo, row))
    shot = evidence.shot_of(desk.house, drawn(3))
    desk.act(one, lambda session, row: evidence.add_photo(desk.house, session, desk.cleo, row, shot, "plate"))
    assert desk.read(one, lambda row: letter_of(desk.house.settings, row)) == before
    assert before.stamp == "COPY"


def test_letter_before_a_decision_is_refused(desk: Desk, client: TestClient) -> None:
    answer = client.get(f"/api/v1/returns/{desk.ready()}/letter.txt")
    assert answer.status_code == 409
    assert "no decision yet" in answer.json()["detail"]
