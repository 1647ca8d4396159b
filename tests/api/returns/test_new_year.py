"""Numbers over the turn of the year, and a year whose numbers are used up.

Expected: the desk's own rule (two digits of the year, a running count from 1, check digits) worked out by hand.
"""

from __future__ import annotations

import io
import zipfile
from datetime import UTC, datetime

import pytest
from fastapi.testclient import TestClient

from wearvision.return_numbers import with_check_digits
from wearvision_api.record import ledger
from wearvision_api.returns import intake, numbers
from wearvision_api.returns.parcels import TABLE
from wearvision_api.store.return_tables import NumberCount, ReturnRow

from .conftest import Desk


@pytest.mark.on_both
def test_the_count_begins_anew_with_the_year_and_goes_on_in_the_old_one(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    def taken_at(*moment: int) -> str:
        monkeypatch.setattr(intake, "now", lambda: datetime(*moment, tzinfo=UTC))  # type: ignore[misc,arg-type]
        return str(desk.read(desk.taken_in(), lambda row: row.number))

    given = [
        taken_at(2026, 12, 31, 23, 59, 59),
        taken_at(2027, 1, 1, 0, 0, 0),
        taken_at(2026, 12, 31, 23, 59, 59),  # a clock that was put back
        taken_at(2027, 1, 1, 0, 0, 1),
    ]
    assert given == [with_check_digits(one) for one in ("2600001", "2700001", "2600002", "2700002")]


@pytest.fixture
def last(client: TestClient, monkeypatch: pytest.MonkeyPatch) -> TestClient:
    """One number is left of 2026."""
    monkeypatch.setattr(intake, "now", lambda: datetime(2026, 12, 30, tzinfo=UTC))
    with client.app.state.house.session() as session:  # type: ignore[attr-defined]
        session.add(NumberCount(year=2026, last=numbers.MOST_A_YEAR - 1))
        session.commit()
    return client


def test_a_year_whose_numbers_are_used_up_is_told_and_the_next_goes_on(
    last: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    house = last.app.state.house  # type: ignore[attr-defined]
    made = last.post("/api/v1/returns", json={"part": "coupler"})
    assert made.json()["number"] == with_check_digits("2699999")
    key = {"Idempotency-Key": "beyond"}
    for _ in range(2):
        refused = last.post("/api/v1/returns", json={"part": "coupler"}, headers=key)
        assert (refused.status_code, refused.json()["code"]) == (409, "conflict")
        assert "2026 are used" in refused.json()["detail"]
    page = last.post("/returns/new", data={"part": "coupler", "story": "Melted."}, follow_redirects=False)
    assert page.status_code == 409
    assert "2026 are used" in page.text
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as made_up:
        made_up.writestr(TABLE, "part\ncoupler\n")
    rows = last.post("/api/v1/parcels", files={"file": out.getvalue()}).json()["rows"]
    assert [(one["number"], "2026 are used" in one["fault"]) for one in rows] == [("", True)]
    with house.session(writes=False) as session:
        assert session.query(ReturnRow).count() == 1
        assert [row.what for row in ledger.about(session, limit=100) if row.kind == "return"] == ["opened"]
        assert session.get_one(NumberCount, 2026).last == numbers.MOST_A_YEAR
    monkeypatch.setattr(intake, "now", lambda: datetime(2027, 1, 1, tzinfo=UTC))
    again = last.post("/api/v1/returns", json={"part": "coupler"}, headers=key)
    assert again.json()["number"] == with_check_digits("2700001")
