"""What is put to a claim; rules of the desk."""

from __future__ import annotations

import pytest

from wearvision.errors import ReadingError
from wearvision_api.problems import Problem
from wearvision_api.returns import evidence
from wearvision_api.returns.missing import missing_of
from wearvision_api.returns.weighing import reckon, weigh

from .conftest import Desk

FACE = "flame_cell-face-replace-1.jpg"


def _grade(desk: Desk, one: str) -> None:
    with desk.house.session() as session:
        evidence.grade(desk.house, session, desk.ada, one)
        session.commit()


def _missing(desk: Desk, one: str) -> set[str]:
    return set(desk.read(one, lambda row: {item.key for item in missing_of(row)}))


def test_a_photo_that_joins_or_leaves_makes_the_grade_stale(desk: Desk) -> None:
    one = desk.taken_in(part="flame_cell")
    assert {"view:face", "grade", "check:cell-lit-beside-good"} <= _missing(desk, one)
    with pytest.raises(Problem, match="no photo of the part"):
        _grade(desk, one)
    desk.photo(one, "face", FACE)
    _grade(desk, one)
    assert not {"view:face", "grade"} & _missing(desk, one)
    desk.photo(one, "plate", "not-a-part-1.jpg")  # for the record only
    assert "grade" not in _missing(desk, one)
    photo = desk.read(one, lambda row: next(item.id for item in row.photos if item.view == "face"))
    desk.act(one, lambda session, row: evidence.set_aside(session, desk.ada, row, photo, "Wrong part."))
    assert {"view:face", "grade"} <= _missing(desk, one)
    with pytest.raises(Problem, match="no photo"):
        desk.act(one, lambda session, row: evidence.set_aside(session, desk.ada, row, photo, "Again."))


def test_the_newest_reading_counts_and_all_stay(desk: Desk) -> None:
    one = desk.taken_in(part="flame_cell")
    entered = {"adapted": "yes", "lit_good": "600 ohm", "lit_part": "open"}
    for part in ("open", "620 ohm"):
        values = entered | {"lit_part": part}
        desk.act(
            one,
            lambda session, row, values=values: evidence.add_reading(
                session, desk.ada, row, "cell-lit-beside-good", values
            ),
        )
    said = desk.read(one, lambda row: [item.finding["says"] for item in row.readings])
    assert said == ["bad", "good"]
    found = desk.read(one, lambda row: weigh(desk.house, row).findings)
    assert [item.state for item in found if item.kind == "reading"] == ["good"]
    with pytest.raises(ReadingError):
        desk.act(
            one, lambda session, row: evidence.add_reading(session, desk.ada, row, "coupler-fit", {"reading": "good"})
        )


def test_only_what_is_missing_can_be_done_without(desk: Desk) -> None:
    one = desk.taken_in()
    desk.act(one, lambda session, row: evidence.waive(session, desk.ada, row, "view:plate", "Cut off."))
    for item in ("view:plate", "field:machine", "view:nowhere"):
        with pytest.raises(Problem, match="not missing"):
            desk.act(one, lambda session, row, item=item: evidence.waive(session, desk.ada, row, item, "Because."))
    reasons = desk.read(one, lambda row: {item.key: (item.reason, item.by) for item in missing_of(row)})
    assert reasons["view:plate"] == ("Cut off.", "ada")
    assert reasons["view:hour-meter"] == ("", "")


def test_the_same_photo_in_two_returns_is_flagged_once_and_looked_at_once(desk: Desk) -> None:
    first, second = desk.taken_in(part="flame_cell"), desk.taken_in(part="flame_cell", machine="KH-14")
    desk.photo(first, "face", FACE)
    desk.photo(second, "face", FACE)
    assert not [item for item in desk.read(first, lambda row: list(row.flags)) if item.kind == "same photo"]
    flag = desk.read(second, lambda row: next(item for item in row.flags if item.kind == "same photo"))
    assert flag.other_return_id == first
    desk.act(second, lambda session, row: evidence.settle_flag(session, desk.ben, row, flag.id, "The same file."))
    with pytest.raises(Problem, match="ben has looked"):
        desk.act(second, lambda session, row: evidence.settle_flag(session, desk.ada, row, flag.id, "Again."))
    with pytest.raises(Problem, match="no flag"):
        desk.act(first, lambda session, row: evidence.settle_flag(session, desk.ada, row, flag.id, "Not mine."))


def test_another_part_than_claimed_is_found_and_all_in_doubt(desk: Desk) -> None:
    one = desk.taken_in(part="coupler")
    desk.photo(one, "end-blower", FACE)
    _grade(desk, one)
    weighed = desk.read(one, lambda row: weigh(desk.house, row))
    assert weighed.facts.another_part
    assert weighed.proposal.needs_second
    assert "The photos show another part than is claimed." in weighed.proposal.reasons
    desk.act(one, lambda session, row: reckon(desk.house, session, row))
    assert desk.read(one, lambda row: row.doubt) == 1.0
