"""Steps at the same time, on both databases: none is lost, none is taken twice, nobody waits for each other for ever.

Checked against the rules of the desk and the record's own verification.
"""

from __future__ import annotations

import itertools
import threading
from collections import Counter
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from wearvision_api.problems import Problem
from wearvision_api.record import ledger
from wearvision_api.record.verify import verify
from wearvision_api.returns import bulk, deciding, evidence, intake
from wearvision_api.returns.parcels import TABLE, Folder
from wearvision_api.returns.weighing import reckon, weigh
from wearvision_api.services import grading
from wearvision_api.store.once import Once
from wearvision_api.store.return_tables import ReturnRow

from ..at_once import together
from .conftest import CLAIM, Desk

END, OTHER_END = "coupler-end-replace-1.jpg", "coupler-end-replace-2.jpg"


def whole(desk: Desk) -> Counter[str]:
    """Steps in the record, which must be whole."""
    with desk.house.session(writes=False) as session:
        assert verify(ledger.lines(session)).broken is None
        return Counter(row.what for row in ledger.about(session, limit=100_000) if row.kind == "return")


@pytest.mark.on_both
def test_photos_of_two_returns_that_name_each_other_do_not_wait_for_ever(desk: Desk) -> None:
    """A flag names the other return; that one is held by its own step, which waits for the record."""
    shots = [evidence.shot_of(desk.house, (desk.samples / name).read_bytes()) for name in (END, OTHER_END)]
    one, two = desk.taken_in(), desk.taken_in()
    for claim, shot in zip((one, two), shots, strict=True):
        desk.act(claim, lambda s, row, shot=shot: evidence.add_photo(desk.house, s, desk.ada, row, shot, "end-blower"))

    def add(claim: str, shot: Any) -> Callable[[], Any]:
        return lambda: desk.act(
            claim, lambda s, row: evidence.add_photo(desk.house, s, desk.ada, row, shot, "end-pump").id
        )

    for _ in range(4):
        done = together(add(one, shots[1]), add(two, shots[0]), add(one, shots[1]), add(two, shots[0]))
        assert all(len(str(each)) == 36 for each in done), done
    assert desk.read(one, lambda row: len(row.photos)) == desk.read(two, lambda row: len(row.photos)) == 9
    assert whole(desk)["photo added"] == 18


@pytest.mark.on_both
def test_everybody_at_once_loses_no_step(desk: Desk) -> None:
    """Claims taken in, readings, corrections, decisions, signatures, objections, by three people."""
    claims = [desk.ready() for _ in range(3)]
    counted: Counter[str] = Counter()
    lock = threading.Lock()

    refused: set[str] = set()

    def did(what: str, act: Callable[..., Any], claim: str) -> None:
        try:
            desk.act(claim, act)
        except Problem as problem:
            refused.add(problem.code)
        else:
            with lock:
                counted[what] += 1

    def work(who: Any, start: int) -> None:
        for claim in itertools.islice(itertools.cycle(claims), start, start + 9):
            did("decided", lambda s, row: deciding.decide(desk.house, s, who, row, "accept", "Seen."), claim)
            did("signed", lambda s, row: deciding.sign(s, who, row, agrees=True, reason="Seen."), claim)
            did(
                "objection received",
                lambda s, row: deciding.object_to(s, who, row, "Not so.", date(2026, 10, 1)),
                claim,
            )
            did("opened again", lambda s, row: deciding.take_up(s, who, row), claim)
            did("changed", lambda s, row: intake.change(s, who, row, {"lot": f"{who.name} {row.version}"}), claim)
            with desk.house.session() as session:
                intake.open_return(session, who, CLAIM)
                session.commit()
            with lock:
                counted["opened"] += 1

    together(*(lambda who=who, n=n: work(who, n) for n, who in enumerate((desk.ada, desk.ben, desk.cleo))))
    assert refused <= {"conflict", "not-allowed"}
    told = whole(desk)
    told["opened"] -= len(claims)
    assert {name: told[name] for name in counted} == dict(counted)
    with desk.house.session(writes=False) as session:
        numbers = [row.number for row in session.query(ReturnRow)]
        assert len(set(numbers)) == len(numbers)
    for claim in claims:
        desk.read(claim, nobody_judges_himself)


def nobody_judges_himself(row: ReturnRow) -> None:
    """Nobody has a part in a decision after an objection to one that he had a part in, nor signs his own."""
    objected = {one.decision_id for one in row.objections}
    before: set[str] = set()
    since: set[str] = set()
    for one in row.decisions:
        people = {one.owner_id, one.second_id} - {None}
        assert one.second_id != one.owner_id
        assert not people & before, one.attempt
        since |= people  # type: ignore[arg-type]
        if one.id in objected:
            before |= since


@pytest.mark.on_both
def test_one_parcel_taken_in_twice_at_once_is_taken_once(desk: Desk, tmp_path: Path) -> None:
    (tmp_path / TABLE).write_text("part,lot,photos\n" + "".join(f"coupler,L{n},end-pump={END}\n" for n in range(3)))
    (tmp_path / END).write_bytes((desk.samples / END).read_bytes())
    both = together(*[lambda: list(bulk.take_in(desk.house, desk.ada, Folder(tmp_path)))] * 2)
    assert sorted(one.is_new for taken in both for one in taken) == [False] * 3 + [True] * 3
    assert {one.number for one in both[0]} == {one.number for one in both[1]}
    assert whole(desk)["opened"] == 3


@pytest.mark.on_both
def test_the_same_key_twice_at_once_gives_the_first_answer_twice(desk: Desk) -> None:
    """The second finds a decision made; the answer is that of the first, no conflict."""
    for _ in range(4):
        claim = desk.ready()

        def decide(claim: str = claim) -> Any:
            with desk.house.session() as session:

                def make() -> dict[str, Any]:
                    row = intake.find(session, claim, to_change=True)
                    deciding.decide(desk.house, session, desk.ada, row, "accept", "Seen.")
                    return {"id": claim, "attempt": row.attempt}

                once = Once(session, desk.ada.id, f"key {claim}", "POST /decide")
                return once.reply("accept", make).body

        assert together(*[decide] * 3) == [{"id": claim, "attempt": 1}] * 3
    assert whole(desk)["decided"] == 4


@pytest.mark.parametrize("step", ["set aside", "added", "changed"])
def test_a_grade_of_photos_that_count_no_longer_is_not_kept(
    desk: Desk, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    """What happens while the photos are looked at, here in the middle of it."""
    claim = desk.taken_in()
    desk.photo(claim, "end-blower", END)
    real = grading.create

    def slow(*given: Any) -> Any:
        made = real(*given)
        given[1].commit()
        monkeypatch.setattr(grading, "create", real)
        if step == "added":
            desk.photo(claim, "end-pump", OTHER_END)
        elif step == "changed":
            desk.act(claim, lambda s, row: intake.change(s, desk.ben, row, {"part": "electrode"}))
        else:
            desk.act(claim, lambda s, row: evidence.set_aside(s, desk.ben, row, row.photos[0].id, "Wrong part."))
        return made

    monkeypatch.setattr(grading, "create", slow)
    with (
        pytest.raises(Problem, match="grade it again"),
        desk.house.session() as session,
    ):
        evidence.grade(desk.house, session, desk.ada, claim)
    assert desk.read(claim, lambda row: row.grade_id) is None
    assert whole(desk)["graded"] == 0


def test_another_part_is_weighed_by_its_own_photos_and_readings(desk: Desk) -> None:
    claim = desk.taken_in()
    desk.photo(claim, "end-blower", END)
    with desk.house.session() as session:
        reckon(desk.house, session, evidence.grade(desk.house, session, desk.ada, claim))
        session.commit()
    values = {"reading": "slides on"}
    desk.act(claim, lambda s, row: evidence.add_reading(s, desk.ada, row, "coupler-fit", values))
    desk.act(claim, lambda s, row: intake.change(s, desk.ada, row, {"part": "electrode"}))
    assert desk.read(claim, lambda row: row.grade_id) is None
    found = desk.read(claim, lambda row: weigh(desk.house, row).findings)
    assert not [one for one in found if one.kind == "reading"]
