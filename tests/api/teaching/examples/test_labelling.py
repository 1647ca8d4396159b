"""Labels: whose turn it is, what settles an example, what can be undone, and that nobody sees what they must not.

The rules are the project's own (issue 6, outcome 2); there is no published source.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from wearvision.errors import InputError
from wearvision_api.accounts.roles import Caller
from wearvision_api.problems import Problem
from wearvision_api.services import grading
from wearvision_api.store.tables import Account, GradeRow
from wearvision_api.store.teaching_tables import DoubtRow, ExampleRow, LabelRow
from wearvision_api.teaching import examples, handing, labelling, shown

CLOUDED: dict[str, Any] = {"part": "flame_cell", "view": "face", "grade": "replace", "modes": {"clouding": "replace"}}
CLEAR: dict[str, Any] = {
    "part": "flame_cell",
    "view": "face",
    "grade": "serviceable",
    "modes": {"film": "absent", "clouding": "absent", "crack": "absent", "scorch": "absent", "housing": "absent"},
}
FILMED: dict[str, Any] = CLEAR | {"grade": "clean-and-reuse", "modes": CLEAR["modes"] | {"film": "clean-and-reuse"}}


def seen(bench: Any, who: str, example: str) -> shown.Shown:
    return bench.see(  # type: ignore[no-any-return]
        lambda s: shown.shown_to(bench.house, s, bench[who], examples.find(s, example))
    )


def test_one_label_settles_where_no_second_is_wanted(bench: Any) -> None:
    example = bench.example()
    bench.label("ada", example, CLEAR)
    row = bench.row(example)
    assert (row.state, row.truth["grade"], row.truth["rank"]) == ("settled", "serviceable", "one")
    assert (row.labels[0].turn, row.labels[0].seconds) == (1, 9.5)
    assert bench.told()[-2:] == ["labelled", "settled"]


@pytest.mark.parametrize("split", ["calibrate", "test"])
def test_what_calibrates_and_tests_wants_two(bench: Any, split: str) -> None:
    example = bench.example(split)
    bench.label("ada", example, CLEAR)
    row = bench.row(example)
    assert (row.state, row.truth) == ("second", None)
    bench.label("ben", example, CLEAR)
    row = bench.row(example)
    assert (row.state, row.truth["rank"]) == ("settled", "agreed")
    assert [one.turn for one in row.labels] == [1, 2]


def test_every_replace_and_one_in_four_of_the_others_want_two(bench: Any) -> None:
    example = bench.example()
    bench.label("ada", example, CLOUDED)
    assert bench.row(example).state == "second"
    drawn = bench.example(draws_second=True)
    bench.label("ada", drawn, CLEAR)
    assert bench.row(drawn).state == "second"


def test_nobody_waits_for_a_second_person_who_is_not_there(bench: Any) -> None:
    def alone(session: Any) -> None:
        for row in session.query(Account).filter(Account.name.in_(["ben", "cleo", "yard"])):
            row.active = False

    bench.act(alone)
    example = bench.example("test")
    bench.label("ada", example, CLEAR)
    assert bench.row(example).truth["rank"] == "one"


def test_two_who_differ_go_to_a_third_person(bench: Any) -> None:
    example = bench.example("test")
    bench.label("ada", example, CLEAR)
    bench.label("ben", example, FILMED)
    row = bench.row(example)
    assert (row.state, row.truth) == ("third", None)
    assert {one.field for one in seen(bench, "cleo", example).differences} == {"grade", "modes.film"}
    for name in ("ada", "ben"):
        assert seen(bench, name, example).asks == "nothing"
        with pytest.raises(Problem, match="a third person decides"):
            bench.label(name, example, CLEAR)
    assert seen(bench, "cleo", example).asks == "third"
    bench.label("cleo", example, FILMED)
    row = bench.row(example)
    assert (row.state, row.truth["grade"], row.truth["rank"]) == ("settled", "clean-and-reuse", "third")
    assert bench.told()[-5:] == ["labelled", "labelled", "disputed", "labelled", "settled"]


def test_a_second_label_is_never_by_the_first_person(bench: Any) -> None:
    example = bench.example("test")
    bench.label("ada", example, CLEAR)
    bench.label("ada", example, FILMED)  # a correction, not a second
    row = bench.row(example)
    assert (row.state, [one.turn for one in row.labels]) == ("second", [1, 1])
    assert bench.act(lambda s: handing.next_for(s, bench["ada"])) is None
    assert bench.act(lambda s: handing.next_for(s, bench["ben"])).id == example
    bench.label("ben", example, FILMED)
    assert bench.row(example).truth["grade"] == "clean-and-reuse"


def test_before_the_own_label_nothing_of_others_shows(bench: Any) -> None:
    example = bench.example("test")
    first = seen(bench, "ben", example)
    bench.label("ada", example, CLOUDED)
    assert seen(bench, "ben", example) == first or seen(bench, "ben", example).row.version != first.row.version
    for one in (first, seen(bench, "ben", example)):
        assert (one.state, one.asks, one.own, one.labels, one.differences) == ("to label", "label", None, (), ())
        assert not one.is_open
        assert not one.sees_opinion
    own = seen(bench, "ada", example)
    assert (own.state, own.asks, len(own.labels)) == ("second", "correction", 1)
    assert own.is_open
    assert own.sees_opinion
    bench.label("ben", example, CLEAR)
    assert len(seen(bench, "ben", example).labels) == 2
    third = seen(bench, "cleo", example)
    assert (third.asks, len(third.labels), third.sees_opinion) == ("third", 2, False)


def test_a_label_taken_back_counts_no_more_and_stays_on_record(bench: Any) -> None:
    example = bench.example()
    first = bench.label("ada", example, CLEAR)
    second = bench.label("ada", example, FILMED)
    assert bench.row(example).truth["grade"] == "clean-and-reuse"
    assert bench.take_back("ada", example) == second
    assert bench.row(example).truth["grade"] == "serviceable"
    assert bench.take_back("ada", example) == first
    row = bench.row(example)
    assert (row.state, row.truth, row.settled_at) == ("waiting", None, None)
    assert [one.withdrawn_at is None for one in row.labels] == [False, False]
    with pytest.raises(Problem, match="no label"):
        bench.take_back("ada", example)
    assert bench.told()[-3:] == ["no longer settled", "label taken back"][::-1] or "label taken back" in bench.told()
    bench.label("ada", example, CLEAR)
    assert bench.row(example).state == "settled"


def test_nobody_takes_a_label_back_that_others_have_built_on(bench: Any) -> None:
    example = bench.example("test")
    bench.label("ada", example, CLEAR)
    bench.label("ben", example, FILMED)
    with pytest.raises(Problem, match="after you"):
        bench.take_back("ada", example)
    bench.take_back("ben", example)
    assert bench.row(example).state == "second"


def test_labels_never_change(bench: Any) -> None:
    example = bench.example()
    bench.label("ada", example, CLEAR)
    before = bench.row(example).labels[0].body
    bench.label("ada", example, FILMED)
    bench.take_back("ada", example)
    assert bench.row(example).labels[0].body == before


def test_a_settled_example_takes_no_label_of_others(bench: Any) -> None:
    example = bench.example()
    bench.label("ada", example, CLEAR)
    with pytest.raises(Problem, match="settled"):
        bench.label("ben", example, CLEAR)
    assert seen(bench, "ben", example).asks == "nothing"


def test_a_doubted_example_is_decided_again(bench: Any) -> None:
    example = bench.example()
    bench.label("ada", example, CLEAR)

    def doubt(session: Any) -> None:
        session.get(ExampleRow, example).state = "again"
        session.add(DoubtRow(example_id=example, quality=0.02, says={"grade": "replace"}))

    bench.act(doubt)
    assert seen(bench, "ben", example).asks == "again"
    bench.label("ben", example, FILMED)
    row = bench.row(example)
    assert (row.state, row.truth["grade"], row.labels[-1].turn) == ("settled", "clean-and-reuse", 4)
    assert bench.see(lambda s: s.get(DoubtRow, example).answered_at) is not None


def test_an_example_left_out_takes_no_label_until_it_is_put_back(bench: Any) -> None:
    example = bench.example()
    bench.act(lambda s: examples.leave_out(s, bench["ada"], examples.find(s, example), "Two parts in it."))
    with pytest.raises(Problem, match="left out"):
        bench.label("ada", example, CLEAR)
    with pytest.raises(Problem, match="left out already"):
        bench.act(lambda s: examples.leave_out(s, bench["ada"], examples.find(s, example), "Again."))


@pytest.mark.parametrize("body", [{}, {"part": "pump"}, {"part": "flame_cell", "view": "face", "grade": "awful"}])
def test_nonsense_is_refused_and_nothing_kept(bench: Any, body: dict[str, Any]) -> None:
    example = bench.example()
    with pytest.raises(InputError):
        bench.label("ada", example, body)
    assert bench.row(example).labels == []


@pytest.mark.parametrize("seconds", [None, float("nan"), -1.0, 1e7])
def test_times_that_cannot_be_are_not_kept(bench: Any, seconds: float | None) -> None:
    example = bench.example()
    bench.label("ada", example, {"part": "none"}, seconds)
    assert bench.row(example).labels[0].seconds is None


def test_matches_and_marks_are_measured_and_bound_the_truth(bench: Any) -> None:
    example = bench.example(draws_second=False)
    body = FILMED | {"matches": {"film_loss": 0.3}}
    bench.label("ada", example, body)
    row = bench.row(example)
    assert row.labels[0].measured["film_loss"]["value"] == 0.3
    bound = row.truth["bounds"]["film_loss"]
    assert (bound["value"], bound["source"]) == (0.3, "match")
    assert (bound["low"], bound["high"]) == pytest.approx((0.25, 0.35))


def test_a_reading_outranks_the_label_whenever_it_comes(bench: Any) -> None:
    """``cell-wipe`` decides film and clouding: *heavily cloudy* is replace."""
    grade = bench.grade()
    example = bench.permit(grade).examples[0]

    def read(word: str) -> None:
        def enter(session: Any) -> None:
            row = grading.find(session, bench["van"], grade)
            grading.add_reading(bench.house, session, bench["van"], row, "cell-wipe", word, "", None)

        bench.act(enter)

    bench.act(lambda s: setattr(examples.find(s, example), "split", "train"))
    read("heavily cloudy")
    assert bench.row(example).teaches == {"contradicted": 1.0}, "the photo said serviceable, the reading replace"
    bench.label("ada", example, CLEAR)
    row = bench.row(example)
    assert (row.state in ("settled", "second"), row.labels[0].body["grade"]) == (True, "serviceable")
    if row.state == "second":
        bench.label("ben", example, CLEAR)
        row = bench.row(example)
    assert (row.truth["grade"], row.truth["rank"]) == ("replace", "reading")
    read("clear")
    assert bench.row(example).truth["grade"] != "replace"


def test_a_grade_by_eye_that_differs_makes_urgent_and_settles_nothing(bench: Any) -> None:
    grade = bench.grade()
    example = bench.permit(grade).examples[0]
    for by_eye, expected in (("replace", {"contradicted": 1.0}), ("serviceable", {})):
        bench.act(
            lambda s, by_eye=by_eye: grading.override(
                s, bench["van"], grading.find(s, bench["van"], grade), by_eye, "Seen by hand."
            )
        )
        row = bench.row(example)
        assert (row.teaches, row.urgency > 0) == (expected, bool(expected))
    assert bench.row(example).state == "waiting"


def test_a_wiping_pair_bounds_what_the_labels_say(bench: Any) -> None:
    before, after = bench.grade(), bench.grade()
    example = bench.permit(before).examples[0]
    pair = {
        "wiped": {"film_loss": [0.3, 0.4]},
        "stays": {"haze": [0.0, 0.05]},
        "grade": "serviceable",
        "possible_grades": ["serviceable"],
        "reason": "It wiped off.",
    }

    def wiped(session: Any) -> None:
        row = session.get(GradeRow, before)
        row.after_id, row.wiping = after, pair

    bench.act(wiped)
    bench.act(lambda s: setattr(examples.find(s, example), "split", "test"))
    bench.label("ada", example, CLEAR)
    bench.label("ben", example, CLEAR)
    truth = bench.row(example).truth
    assert truth["bounds"]["film_loss"]["source"] == "pair"
    assert (truth["bounds"]["film_loss"]["low"], truth["bounds"]["film_loss"]["high"]) == pytest.approx((0.3, 0.4))
    assert truth["grade"] == "clean-and-reuse", "the film that came off was there to be cleaned"


@pytest.mark.on_both
def test_two_labels_at_once_are_first_and_second(bench: Any, at_once: Callable[..., list[Any]]) -> None:
    for body in (CLEAR, CLOUDED):
        example = bench.example("test")
        done = at_once(
            lambda body=body, example=example: bench.label("ada", example, body),
            lambda body=body, example=example: bench.label("ben", example, body),
        )
        assert all(len(one) == 36 for one in done), done
        row = bench.row(example)
        assert sorted(one.turn for one in row.labels) == [1, 2]
        assert (row.state, row.truth["rank"]) == ("settled", "agreed")
    bench.told()


@pytest.mark.on_both
def test_everybody_at_once_breaks_no_rule(bench: Any, at_once: Callable[..., list[Any]]) -> None:
    """Three people label, take back, leave out and put back while a technician reads and withdraws."""
    grades = [bench.grade() for _ in range(4)]
    found = [bench.permit(grade).examples[0] for grade in grades]
    refused: set[str] = set()

    def work(name: str, bodies: list[dict[str, Any]]) -> None:
        for turn in range(3):
            for place, example in enumerate(found):
                for act in (
                    lambda e=example, n=place + turn: bench.label(name, e, bodies[n % len(bodies)]),
                    lambda e=example, n=place + turn: n % 4 == 3 and bench.take_back(name, e),
                ):
                    try:
                        act()
                    except Problem as problem:
                        refused.add(problem.code)

    def read() -> None:
        for grade in grades:

            def enter(session: Any, grade: str = grade) -> None:
                row = grading.find(session, bench["van"], grade)
                grading.add_reading(bench.house, session, bench["van"], row, "cell-wipe", "clear", "", None)

            bench.act(enter)

    done = at_once(
        lambda: work("ada", [CLEAR, FILMED]),
        lambda: work("ben", [CLEAR]),
        lambda: work("cleo", [CLEAR, CLOUDED]),
        read,
    )
    assert done == [None] * 4
    assert refused <= {"conflict", "not-found"}
    bench.told()
    for example in found:
        row = bench.row(example)
        standing = [one for one in row.labels if one.withdrawn_at is None]
        blind = {one.turn: {r.owner_id for r in standing if r.turn == one.turn} for one in standing if one.turn < 3}
        assert all(len(people) == 1 for people in blind.values()), "a turn is one person's"
        assert len({p for people in blind.values() for p in people}) == len(blind), "never the same person twice"
        third = {one.owner_id for one in standing if one.turn == 3}
        assert not third & {p for people in blind.values() for p in people}
        assert (row.truth is not None) == (row.state == "settled")
    assert {one.withdrawn_at is None for one in bench.see(lambda s: s.query(LabelRow).all())} <= {True, False}


def test_the_turn_is_told_before_the_work(bench: Any) -> None:
    """Whoever is no third person is refused before a photo is measured."""
    example = bench.example()
    stranger = Caller("x" * 36, "nobody", "trainer")
    bench.label("ada", example, CLEAR)
    with pytest.raises(Problem, match="settled"):
        bench.see(lambda s: labelling.turn_for(examples.find(s, example), s.query(LabelRow).all(), stranger))
