"""The papers of a return from either database."""

from __future__ import annotations

import pytest

from wearvision_api.record.erase import erase
from wearvision_api.returns import evidence, intake
from wearvision_api.returns.letter import letter_of
from wearvision_api.returns.letter_pdf import letter_text

from .conftest import Desk
from .test_papers import REASON, decided, drawn, has, sheet_bytes, words_of


@pytest.mark.on_both
def test_papers_come_from_either_database(desk: Desk) -> None:
    one = desk.taken_in()
    shot = evidence.shot_of(desk.house, drawn(1))
    desk.act(one, lambda session, row: evidence.add_photo(desk.house, session, desk.ada, row, shot, "plate"))
    desk.complete(one)
    decided(desk, one)
    first = sheet_bytes(desk, one)
    assert sheet_bytes(desk, one) == first
    words = words_of(first)
    assert all(has(words, said) for said in (REASON, shot.stored.sha256, "Decided by: ada", "photo added: plate"))
    with desk.house.session() as session:
        row = intake.find(session, one)
        assert REASON in letter_text(letter_of(desk.house.settings, row))
        erase(session, desk.house.key, "ada", str(row.photos[0].photo_id), "A face is in it.")
        session.commit()
    assert has(words_of(sheet_bytes(desk, one)), "by ada: A face is in it.")
