"""Which grades are counted, each once, with what its hand checks found; on both databases."""

from __future__ import annotations

from datetime import timedelta

import pytest

from wearvision_api.accounts.gate import LOCAL_ID
from wearvision_api.trust.population import population

from .conftest import START, Store


@pytest.mark.on_both
def test_a_grade_is_read_with_its_verdict_and_newest_readings(store: Store) -> None:
    machine = store.machine()
    readings = (("coupler-wipe", "again"), ("coupler-wipe", "replace"), ("coupler-crack", "good"))
    name = store.grade(
        machine=machine,
        standing="overridden",
        found="replace",
        readings=readings,
        chance=0.2,
        why="drawn",
        by_eye="clean-and-reuse",
        possible=("serviceable", "replace"),
        modes={"grime": "serviceable"},
        inputs={"energy": 7.5},
    )
    (one,) = population(store.session)
    assert (one.id, one.at, one.part, one.grade, one.place) == (name, START, "coupler", "serviceable", machine)
    assert (one.chance, one.asked, one.why) == (0.2, True, "drawn")
    assert (one.standing, one.found, one.by_eye) == ("overridden", "replace", "clean-and-reuse")
    assert one.readings == {"coupler-wipe": "replace", "coupler-crack": "good"}
    assert (one.model, one.rate, one.inputs) == ("mixed-2", 0.95, {"energy": 7.5})
    assert (one.possible, one.modes) == (("serviceable", "replace"), {"grime": "serviceable"})


@pytest.mark.on_both
def test_an_incomplete_verdict_has_not_come_back(store: Store) -> None:
    store.grade(standing="incomplete", found="serviceable", readings=(("coupler-wipe", "good"),))
    (one,) = population(store.session)
    assert (one.standing, one.found, one.settled) == ("", None, False)


@pytest.mark.on_both
def test_without_a_machine_the_place_is_account_and_day(store: Store) -> None:
    store.grade(day=0)
    store.grade(day=0.3)
    store.grade(day=1)
    places = [one.place for one in population(store.session)]
    assert places == [f"{LOCAL_ID} 2026-01-05"] * 2 + [f"{LOCAL_ID} 2026-01-06"]


@pytest.mark.on_both
def test_moments_bound_it(store: Store) -> None:
    names = [store.grade(day=day, readings=(("coupler-wipe", "good"),)) for day in (0, 1, 2)]
    found = population(store.session, START + timedelta(days=1), START + timedelta(days=2))
    assert [one.id for one in found] == names[1:2]
    assert found[0].readings == {"coupler-wipe": "good"}


def test_a_part_graded_anew_counts_once_and_the_newest_counts(store: Store) -> None:
    first = store.grade(day=0)
    second = store.grade(day=0.1, after=(first,))
    third = store.grade(day=0.2, after=(second, first))
    assert [one.id for one in population(store.session)] == [third]


def test_what_hand_checks_settled_is_not_replaced(store: Store) -> None:
    """Else a grade that a check contradicted could be made to vanish by grading again."""
    first = store.grade(day=0, standing="overridden", found="replace")
    second = store.grade("replace", day=0.1, after=(first,), standing="confirmed")
    store.grade("replace", day=0.2, after=(second, first))
    store.grade("replace", day=0.3, after=(second,))
    assert [one.id for one in population(store.session)] == [first]


def test_two_parts_that_turn_out_to_be_one_count_once(store: Store) -> None:
    one, two = store.grade(day=0), store.grade(day=0.1)
    both = store.grade(day=0.2, after=(one, two))
    assert [row.id for row in population(store.session)] == [both]
