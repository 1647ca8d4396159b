"""A model in the shadow grades after the answer, keeps what it said, and gives way when there is no room.

Checked against issue 6, outcome 7: it grades silently beside the old one, differences are collected.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient

from wearvision_api.house import House
from wearvision_api.problems import Problem
from wearvision_api.store.tables import GradeRow
from wearvision_api.store.teaching_tables import ShadowRow
from wearvision_api.teaching import release, shadow_differences
from wearvision_api.teaching.shadow import AfterAnswer, Shadow, Silent

from .conftest import WHO
from .test_hot_swap import graded, until


def rows(house: House) -> list[ShadowRow]:
    with house.session(writes=False) as session:
        return list(session.query(ShadowRow))


@pytest.mark.on_both
def test_the_shadow_says_what_it_would_have_said(
    client: TestClient, house: House, taken_in: Callable[..., str], sample: Path
) -> None:
    graded(client, sample)
    assert house.shadow.waiting == 0
    key = taken_in()
    with house.session() as session:
        release.put_in_shadow(house, session, WHO, key)
    made = graded(client, sample)
    assert made["report"]["model"]["id"] == "mixed-2"
    assert until(lambda: house.shadow.graded == 1)
    (row,) = rows(house)
    assert (row.grade_id, row.model, row.report["model"]["id"]) == (made["id"], key, key)
    assert row.differs == (row.grade != made["grade"])
    assert 'wearvision_shadow_grades_total{end="graded"} 1.0' in client.get("/metrics").text
    with house.session() as session:
        release.end_shadow(house, session, WHO, key)
        with pytest.raises(Problem, match="not in the shadow"):
            release.end_shadow(house, session, WHO, key)
    graded(client, sample)
    assert (house.shadow.waiting, house.shadow.graded) == (0, 1)


def test_a_model_that_comes_into_use_leaves_the_shadow(house: House, taken_in: Callable[..., str]) -> None:
    one, two = taken_in("site-one"), taken_in("site-two")
    with house.session() as session:
        release.put_in_shadow(house, session, WHO, one)
        release.put_in_shadow(house, session, WHO, two)
        assert house.current.shadow is not None
        assert house.current.shadow.model == two
        release.release(house, session, WHO, two)
        assert release.standing(session).shadow == ""
        with pytest.raises(Problem, match="in use already"):
            release.put_in_shadow(house, session, WHO, two)
    assert house.current.shadow is None


def test_only_after_the_answer_and_never_more_than_there_is_room(house: House, taken_in: Callable[..., str]) -> None:
    key = taken_in()
    with house.session() as session:
        release.put_in_shadow(house, session, WHO, key)
    worker = Shadow(house.engine, house.blobs, house.current, most=2)
    order: list[str] = []
    looked = threading.Event()
    worker._grade = lambda one: (order.append(one.grade_id), looked.wait(10))  # type: ignore[assignment, method-assign]

    async def app(scope: Any, receive: Any, send: Any) -> None:
        for number in range(6):
            worker.offer(Silent(str(number), (), None, None))
        time.sleep(0.2)
        assert (worker.waiting, order) == (0, [])  # nothing is handed on before the answer is sent
        await send({"type": "http.response.start", "status": 200})
        order.append("sent")

    async def send(message: Any) -> None:
        pass

    with worker.running():
        coroutine = AfterAnswer(app)({"type": "http"}, None, send)  # type: ignore[arg-type]
        with pytest.raises(StopIteration):
            coroutine.send(None)
        assert until(lambda: len(order) == 2)
        assert order == ["sent", "0"]
        assert worker.dropped + worker.waiting == 5
        assert worker.dropped >= 3
        looked.set()
        assert until(lambda: worker.waiting == 0)
    assert worker.dropped + len(order) - 1 == 6


def test_a_grade_that_was_taken_back_and_a_photo_that_went_are_no_trouble(
    client: TestClient, house: House, taken_in: Callable[..., str], sample: Path
) -> None:
    key = taken_in()
    with house.session() as session:
        release.put_in_shadow(house, session, WHO, key)
    house.shadow.offer(Silent("0" * 36, ("0" * 64,), None, None))
    made = graded(client, sample)
    with house.session() as session:
        row = session.get_one(GradeRow, made["id"])
        house.shadow.offer(Silent(row.id, ("f" * 64,), None, None))
    assert until(lambda: house.shadow.graded == 1 and house.shadow.dropped == 1)
    assert house.shadow.failed == 0


def test_differences_come_with_the_dangerous_ones_first(
    client: TestClient, house: House, taken_in: Callable[..., str], sample: Path
) -> None:
    key = taken_in()
    pairs = [
        ("serviceable", "clean-and-reuse"),
        ("serviceable", "replace"),
        ("replace", "replace"),
        ("replace", "serviceable"),
        (None, "replace"),
        ("replace", "clean-and-reuse"),
    ]
    first = graded(client, sample)
    with house.session() as session:
        kept = session.get_one(GradeRow, first["id"])
        for place, (ours, theirs) in enumerate(pairs):
            row = GradeRow(
                id=f"{place:036d}",
                owner_id=kept.owner_id,
                part="flame_cell",
                grade=ours,
                report=kept.report,
                pictures=[],
            )
            said = {**kept.report, "grade": theirs}
            session.add_all(
                [row, ShadowRow(grade_id=row.id, model=key, grade=theirs, report=said, differs=ours != theirs)]
            )
            session.flush()
        session.commit()
        found = [(one.before, one.after) for one in shadow_differences.listed(session, key, "all", 1)]
        assert found[:2] == [("replace", "serviceable"), ("serviceable", "replace")]
        assert set(found[2:4]) == {("serviceable", "clean-and-reuse"), ("replace", "clean-and-reuse")}
        assert found[4:] == [(None, "replace")]
        only = [(one.before, one.after) for one in shadow_differences.listed(session, key, "dangerous", 1)]
        assert only == found[:2]
        counts = shadow_differences.counted(session, key)
        assert (counts.compared, counts.differ, counts.milder, counts.stricter) == (6, 5, 1, 1)
        assert shadow_differences.listed(session, key, "refused", 1)[0].before is None
        assert shadow_differences.listed(session, "site-other", "all", 1) == []
