"""Who decides, who signs, who hears an objection; rules of the desk, tried in every order."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import date
from threading import Barrier
from typing import Any

import pytest

from wearvision_api.problems import Problem
from wearvision_api.record import ledger
from wearvision_api.record.verify import verify
from wearvision_api.returns import deciding, intake
from wearvision_api.returns.deciding import decide, object_to, sign, take_up
from wearvision_api.store.return_tables import ReturnRow

from .conftest import Desk


def _decide(desk: Desk, who: Any, outcome: Any = "accept") -> Callable[..., Any]:
    return lambda session, row: decide(desk.house, session, who, row, outcome, "As seen.")


def _decided(desk: Desk) -> str:
    one = desk.ready()
    desk.act(one, _decide(desk, desk.ada))
    desk.act(one, lambda session, row: sign(session, desk.ben, row, agrees=True, reason="As seen."))
    return one


def _object(desk: Desk, one: str) -> None:
    desk.act(one, lambda session, row: object_to(session, desk.cleo, row, "Not so.", date(2026, 10, 1)))


def test_nothing_is_decided_while_something_is_missing(desk: Desk) -> None:
    one = desk.taken_in()
    with pytest.raises(Problem, match=r"Still missing: .*Plate of the machine"):
        desk.act(one, _decide(desk, desk.ada))


def test_who_decides_without_photos_needs_a_second_person_and_is_not_it(desk: Desk) -> None:
    one = desk.ready()
    desk.act(one, _decide(desk, desk.ada))
    assert desk.read(one, lambda row: (row.state, row.closed_at)) == ("second person", None)
    with pytest.raises(Problem, match="another person must sign"):
        desk.act(one, lambda session, row: sign(session, desk.ada, row, agrees=True, reason="Mine."))
    desk.act(one, lambda session, row: sign(session, desk.ben, row, agrees=True, reason="As seen."))

    def names(row: ReturnRow) -> tuple[str, str, str]:
        final = deciding.final_decision(row)
        assert final is not None
        assert final.second is not None
        return final.owner.name, final.second.name, final.standing

    assert desk.read(one, names) == ("ada", "ben", "final")
    assert desk.read(one, lambda row: row.state) == "decided"


def test_a_decision_keeps_what_was_weighed(desk: Desk) -> None:
    one = _decided(desk)
    kept = desk.read(one, lambda row: row.decisions[0].proposal)
    assert kept["proposal"]["policy"]["sha256"] == desk.house.policy.sha256
    assert {"facts", "findings", "overall", "class", "missing"} <= set(kept)
    assert (kept["facts"]["hours_run"], kept["facts"]["days_run"]) == (60, 45)


def test_nothing_is_changed_once_it_is_decided(desk: Desk) -> None:
    one = _decided(desk)
    with pytest.raises(Problem, match="A decision was made"):
        desk.act(one, lambda session, row: intake.change(session, desk.ada, row, {"lot": "x"}))
    with pytest.raises(Problem, match="A decision was made"):
        desk.act(one, _decide(desk, desk.cleo))
    with pytest.raises(Problem, match="No decision waits"):
        desk.act(one, lambda session, row: sign(session, desk.cleo, row, agrees=True, reason="Me too."))


def test_a_second_persons_no_is_decided_again_and_then_always_by_two(desk: Desk) -> None:
    one = desk.ready()
    desk.act(one, _decide(desk, desk.ada))
    desk.act(one, lambda session, row: sign(session, desk.ben, row, agrees=False, reason="I see heat."))
    assert desk.read(one, lambda row: (row.state, row.attempt)) == ("gathering", 2)
    desk.act(one, _decide(desk, desk.ada, "decline"))
    desk.act(one, lambda session, row: sign(session, desk.cleo, row, agrees=True, reason="Heat, yes."))
    standings = desk.read(one, lambda row: [(d.attempt, d.standing) for d in row.decisions])
    assert standings == [(1, "not agreed"), (2, "final")]


def test_an_objection_goes_to_somebody_who_took_no_part(desk: Desk) -> None:
    one = _decided(desk)
    _object(desk, one)
    with pytest.raises(Problem, match=r"objected|no decision"):
        _object(desk, one)
    for took_part in (desk.ada, desk.ben):
        with pytest.raises(Problem, match="another person must hear"):
            desk.act(one, lambda session, row, who=took_part: take_up(session, who, row))
    desk.act(one, lambda session, row: take_up(session, desk.cleo, row))
    assert desk.read(one, lambda row: (row.state, row.attempt)) == ("gathering", 2)
    for took_part in (desk.ada, desk.ben):
        with pytest.raises(Problem, match="another person must decide"):
            desk.act(one, _decide(desk, took_part))
    desk.act(one, _decide(desk, desk.cleo, "decline"))
    with pytest.raises(Problem, match="another person must sign"):
        desk.act(one, lambda session, row: sign(session, desk.ben, row, agrees=True, reason="Still."))


@pytest.mark.on_both
def test_two_people_who_sign_at_once_give_one_decision(desk: Desk) -> None:
    for _ in range(5):
        one = desk.ready()
        desk.act(one, _decide(desk, desk.ada))
        outcomes = _at_once(
            lambda who, one=one: desk.act(
                one, lambda session, row: sign(session, who, row, agrees=who is desk.ben, reason="At once.")
            ),
            (desk.ben, desk.cleo),
        )
        assert sorted(outcomes) == ["conflict", "done"]
        assert len(desk.read(one, lambda row: row.decisions)) == 1
    with desk.house.session(writes=False) as session:
        assert verify(ledger.lines(session)).broken is None


@pytest.mark.on_both
def test_two_people_who_decide_at_once_give_one_decision(desk: Desk) -> None:
    one = desk.ready()
    outcomes = _at_once(lambda who: desk.act(one, _decide(desk, who)), (desk.ada, desk.ben, desk.cleo))
    assert sorted(outcomes) == ["conflict", "conflict", "done"]
    assert desk.read(one, lambda row: [d.attempt for d in row.decisions]) == [1]


def _at_once(act: Callable[[Any], Any], people: tuple[Any, ...]) -> list[str]:
    gate = Barrier(len(people))

    def go(who: Any) -> str:
        gate.wait()
        try:
            act(who)
        except Problem as problem:
            return problem.code
        return "done"

    with ThreadPoolExecutor(len(people)) as pool:
        return list(pool.map(go, people))
