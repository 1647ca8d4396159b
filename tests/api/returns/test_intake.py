"""Claims as they come in, with rules of our own."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from datetime import date
from typing import Any

import pytest

from wearvision.return_numbers import read_number
from wearvision_api.problems import Problem
from wearvision_api.record import ledger
from wearvision_api.returns import intake
from wearvision_api.store.tables import Machine, new_id

from .conftest import CLAIM, Desk


@pytest.mark.on_both
def test_numbers_follow_one_another_also_at_the_same_moment(desk: Desk) -> None:
    with ThreadPoolExecutor(8) as pool:
        ids = list(pool.map(lambda _: desk.taken_in(), range(24)))
    numbers = sorted(desk.read(one, lambda row: row.number) for one in ids)
    assert [int(number[3:8]) for number in numbers] == list(range(1, 25))
    assert all(read_number(number) == number for number in numbers)


def test_every_step_is_in_the_log_with_before_and_after(desk: Desk) -> None:
    one = desk.taken_in()
    desk.act(one, lambda session, row: intake.change(session, desk.ben, row, {"lot": "2612", "claimed": "heat"}))
    desk.act(one, lambda session, row: intake.change(session, desk.ben, row, {"lot": "2612"}))  # changes nothing
    with desk.house.session(writes=False) as session:
        entries = ledger.about(session, subject=one)
    assert [(entry.who, entry.what) for entry in entries] == [("ada", "opened"), ("ben", "changed")]
    assert '"before":{"claimed":"defect","lot":"2611"}' in entries[1].entry
    assert '"after":{"claimed":"heat","lot":"2612"}' in entries[1].entry


@pytest.mark.parametrize(
    ("said", "words"),
    [
        ({"part": "muffler"}, "no part"),
        ({"failed_on": date(2026, 7, 1)}, "failed before it was fitted"),
        ({"returned_on": date(2026, 8, 1)}, "came back before it failed"),
        ({"kept_until": date(2026, 1, 1)}, "kept until before"),
        ({"hours_failed": 12.0}, "hour meter read less"),
        ({"hours_last_good": 12.0}, "last found good"),
        ({"currency": ""}, "currency"),
        ({"machine_id": "00000000-0000-4000-8000-000000000001"}, "no machine"),
    ],
)
def test_what_contradicts_itself_is_refused_and_nothing_is_kept(desk: Desk, said: dict[str, Any], words: str) -> None:
    with pytest.raises(Problem, match=words):
        desk.taken_in(**said)
    one = desk.taken_in()
    assert desk.read(one, lambda row: row.number)[3:8] == "00001"  # a refused claim takes no number
    assert desk.read(one, intake.claim_of)["machine"] == CLAIM["machine"]


def test_a_correction_that_contradicts_is_refused(desk: Desk) -> None:
    one = desk.taken_in()
    with pytest.raises(Problem, match="failed before it was fitted"):
        desk.act(one, lambda session, row: intake.change(session, desk.ada, row, {"installed_on": date(2026, 9, 9)}))
    assert desk.read(one, lambda row: row.installed_on) == CLAIM["installed_on"]


PLAN: dict[str, Any] = {"description": "", "interval_hours": 500, "interval_days": 365}


def test_another_machine_typed_over_one_on_record_leaves_that_one(desk: Desk) -> None:
    """Photos of one machine are expected to look alike: a claim must not stay tied to a machine it no longer names."""
    with desk.house.session() as session:
        kept = Machine(id=new_id(), owner_id=desk.ada.id, identifier="KH-20", hours=10, **PLAN)
        session.add(kept)
        session.commit()
    one = desk.taken_in(machine_id=kept.id)
    for name, tied in (("KH-20", kept.id), ("KH-21", None)):
        desk.act(one, lambda session, row, name=name: intake.change(session, desk.ada, row, {"machine": name}))
        assert desk.read(one, lambda row: (row.machine, row.machine_id)) == (name, tied)
