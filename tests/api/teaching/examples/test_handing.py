"""Hand-outs: the most urgent first, one in five by lot, nothing to two people at a time."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest

from wearvision_api.problems import Problem
from wearvision_api.store.tables import now
from wearvision_api.store.teaching_tables import ExampleRow
from wearvision_api.teaching import examples, handing

NONE = {"part": "none"}


def filled(bench: Any, urgencies: list[float]) -> list[str]:
    """Examples of different machines, as urgent as said; lots rise with their order."""
    found = []
    for place, urgency in enumerate(urgencies):
        example = bench.permit(bench.grade(visit=bench.visit(f"OH-{place}"))).examples[0]

        def change(session: Any, example: str = example, urgency: float = urgency, place: int = place) -> None:
            row = session.get(ExampleRow, example)
            row.urgency, row.draw, row.split = urgency, (place + 1) / 100, "train"

        bench.act(change)
        found.append(example)
    return found


def following(bench: Any, who: str, by_lot: bool | None = False) -> str | None:
    row = bench.act(lambda s: handing.next_for(s, bench[who], by_lot=by_lot))
    return None if row is None else str(row.id)


def test_the_most_urgent_comes_first_and_stays_until_it_is_labelled(bench: Any) -> None:
    found = filled(bench, [0.1, 0.9, 0.5])
    assert following(bench, "ada") == following(bench, "ada") == found[1]
    assert following(bench, "ben") == found[2]
    assert following(bench, "cleo") == found[0]
    assert following(bench, "yard") is None
    bench.label("ada", found[1], NONE)
    assert following(bench, "ada") is None, "the others are held"


def test_a_hold_runs_out(bench: Any) -> None:
    (example,) = filled(bench, [0.1])
    assert following(bench, "ada") == example

    def later(session: Any) -> None:
        session.get(ExampleRow, example).held_until = now() - timedelta(seconds=1)

    bench.act(later)
    assert following(bench, "ben") == example
    with pytest.raises(Problem, match="Somebody else"):
        bench.act(lambda s: handing.hold_for(s, bench["ada"], examples.find(s, example)))


def test_photos_of_a_group_with_labels_come_later(bench: Any) -> None:
    visit = bench.visit("OH-20")
    crowded = [bench.permit(bench.grade(visit=visit)).examples[0] for _ in range(2)]
    other = bench.permit(bench.grade(visit=bench.visit("OH-21"))).examples[0]

    def urgent(session: Any) -> None:
        for row in session.query(ExampleRow):
            row.urgency, row.split = 0.5 if row.id in crowded else 0.4, "train"

    bench.act(urgent)
    first = following(bench, "ada")
    assert first in crowded
    bench.label("ada", first, NONE)
    assert following(bench, "ada") == other


def test_lots_join_the_sample_in_their_order_whatever_became_of_them(bench: Any) -> None:
    found = filled(bench, [0.9, 0.1, 0.2, 0.3])
    assert following(bench, "ada") == found[0]
    bench.label("ada", found[0], NONE)
    # The lowest lot is labelled already: it joins, and the most urgent one is handed out.
    assert following(bench, "ada", by_lot=True) == found[3]
    assert [bench.row(one).at_random for one in found] == [True, False, False, False]
    bench.label("ada", found[3], NONE)
    assert following(bench, "ada", by_lot=True) == found[1], "the next lot has no label yet"
    assert [bench.row(one).at_random for one in found] == [True, True, False, False]


def test_of_many_hand_outs_one_in_five_draws_a_lot(bench: Any) -> None:
    """Binomial: 5 standard deviations of 150 draws are 24.5."""
    filled(bench, [0.1] * 3)
    drawn = 0
    for _ in range(150):

        def once(session: Any) -> int:
            for row in session.query(ExampleRow):
                row.at_random, row.held_by, row.held_until = False, None, None
            session.flush()
            handing.next_for(session, bench["ada"])
            return int(session.query(ExampleRow).filter_by(at_random=True).count())

        drawn += bench.act(once)
    assert abs(drawn - 30) < 24.5


def test_what_is_left_out_or_settled_is_not_handed_out(bench: Any) -> None:
    found = filled(bench, [0.9, 0.5])
    bench.act(lambda s: examples.leave_out(s, bench["ada"], examples.find(s, found[0]), "Blurred hand."))
    assert bench.see(lambda s: handing.waiting_for(s, bench["ada"])) == 1
    assert following(bench, "ada") == found[1]


@pytest.mark.on_both
@pytest.mark.parametrize("by_lot", [False, True])
def test_who_asks_at_once_gets_another_one(bench: Any, at_once: Callable[..., list[Any]], by_lot: bool) -> None:
    found = filled(bench, [0.9, 0.8, 0.7, 0.6])
    people = ("ada", "ben", "cleo", "yard")
    done = at_once(*(lambda name=name: following(bench, name, by_lot) for name in people))
    handed = [one for one in done if one is not None]
    assert len(handed) == len(set(handed)) >= 3, done
    for name in people:
        following(bench, name, by_lot)
    held = bench.see(lambda s: [row.held_by for row in s.query(ExampleRow)])
    assert sorted(held) == sorted(bench[name].id for name in people)
    assert set(found) == {row.id for row in bench.see(lambda s: s.query(ExampleRow).all())}
