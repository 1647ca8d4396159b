"""From measures and limits to grades."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wearvision.judge import join, judge, views_missing
from wearvision.measure.result import Measured, Reason, Unmeasured
from wearvision.parts import PARTS, part_spec
from wearvision.standard import GRADES, load_limits
from wearvision.standard.limits import override_limits

LIMITS = load_limits()
S, C, R = GRADES


def exact(value: float) -> Measured:
    return Measured(value, value, value)


CLEAN_CELL = {mode.measure: exact(0.0) for mode in PARTS["flame_cell"].modes}


@st.composite
def outcomes(draw: st.DrawFn) -> tuple[str, dict[str, Measured | Unmeasured]]:
    part = draw(st.sampled_from(sorted(PARTS)))
    lines: dict[str, Measured | Unmeasured] = {}
    for mode in PARTS[part].modes:
        if draw(st.integers(0, 4)) == 0:
            lines[mode.measure] = Unmeasured(draw(st.sampled_from(list(Reason))))
        else:
            low, value, high = sorted(draw(st.floats(0, 0.6)) for _ in range(3))
            lines[mode.measure] = Measured(value, low, high)
    return part, lines


def test_worst_mode_wins() -> None:
    assert judge("flame_cell", CLEAN_CELL, LIMITS).grade == S
    assert judge("flame_cell", CLEAN_CELL | {"film_loss": exact(0.5)}, LIMITS).grade == C
    found = judge("flame_cell", CLEAN_CELL | {"film_loss": exact(0.5), "haze": exact(0.47)}, LIMITS)
    assert (found.grade, found.possible_grades, found.deciding) == (R, (R,), ("clouding",))


def test_changed_limit_changes_the_grade() -> None:
    site = override_limits(LIMITS, {"flame_cell": {"haze": {"clean_to": 0.5, "replace_from": 0.6}}}, "site.toml")
    lines = CLEAN_CELL | {"haze": Measured(0.47, 0.44, 0.50)}
    assert judge("flame_cell", lines, LIMITS).possible_grades == (R,)
    assert judge("flame_cell", lines, site).possible_grades == (C,)


def test_serviceable_that_could_be_replace_is_in_doubt() -> None:
    found = judge("flame_cell", CLEAN_CELL | {"rim_deviation": Measured(0.02, 0.0, 0.07)}, LIMITS)
    assert (found.grade, found.possible_grades, found.in_doubt) == (S, (S, R), True)
    assert found.deciding[-1] == "housing"
    assert not judge("flame_cell", CLEAN_CELL, LIMITS).in_doubt


@pytest.mark.parametrize(
    ("low", "high", "possible"), [(0.0, 0.099, (S,)), (0.0, 0.10, (S, R)), (0.12, 0.2, (R,)), (0.3, 0.9, (R,))]
)
def test_crack_floor_adds_replace_as_soon_as_it_is_reached(low: float, high: float, possible: tuple[str, ...]) -> None:
    lines = {"crack_ratio": Measured(low, low, high)}
    assert judge("electrode", lines, LIMITS).possible_grades == possible


@pytest.mark.parametrize("reason", [r for r in Reason if r is not Reason.NOT_IN_VIEW])
def test_unmeasured_mode_is_not_seen_and_never_cleared(reason: Reason) -> None:
    found = judge("flame_cell", CLEAN_CELL | {"crack_ratio": Unmeasured(reason)}, LIMITS)
    assert (found.grade, found.not_seen) == (S, ("crack",))
    assert "crack" in found.modes_to_check
    line = next(line for line in found.lines if line.mode == "crack")
    record = line.to_dict()
    assert (record["name"], record["value"], record["reason"], record["grade"]) == ("crack_ratio", None, reason, None)


def test_mode_out_of_view_or_left_out_is_neither_seen_nor_unseen() -> None:
    lines = {"crack_ratio": exact(0.0), "bow_ratio": Unmeasured(Reason.NOT_IN_VIEW)}
    assert judge("coupler", lines, LIMITS).not_seen == ()


def test_plain_wear_that_cannot_be_measured_is_still_graded() -> None:
    blind = Unmeasured(Reason.NOT_RESOLVABLE)
    crack = judge("electrode", {"crack_ratio": blind, "tip_loss": exact(0.0)}, LIMITS, plain={"crack_ratio"})
    assert (crack.grade, crack.possible_grades, crack.not_seen) == (R, (R,), ())
    chip = judge("electrode", {"chip_ratio": blind}, LIMITS, plain={"chip_ratio"})
    assert (chip.grade, chip.possible_grades) == (R, (S, R))
    film = judge("flame_cell", {"film_loss": blind}, LIMITS, plain={"film_loss"})
    assert film.grade == C


def test_nothing_measured_gives_no_grade_and_every_possibility() -> None:
    found = judge("flame_cell", {"haze": Unmeasured(Reason.GLARE)}, LIMITS)
    assert (found.grade, found.possible_grades, found.in_doubt) == (None, GRADES, True)
    assert sum(found.probabilities.values()) == pytest.approx(1)


@given(outcomes())
@settings(max_examples=200, deadline=None)
def test_possible_grades_equal_the_worst_of_every_combination(case: tuple[str, dict[str, object]]) -> None:
    """An independent, slow way: all ways to take one grade from each mode."""
    part, lines = case
    found = judge(part, lines, LIMITS)  # type: ignore[arg-type]
    sets = [line.possible_grades for line in found.lines if line.grade]
    brute = {max(combo, key=GRADES.index) for combo in itertools.product(*sets) if combo} if sets else set(GRADES)
    assert set(found.possible_grades) == brute
    assert found.possible_grades
    assert found.grade is None or found.grade in found.possible_grades
    assert sum(found.probabilities.values()) == pytest.approx(1)


@given(outcomes(), st.floats(0, 0.5))
@settings(max_examples=200, deadline=None)
def test_widening_an_interval_never_removes_a_grade(case: tuple[str, dict[str, object]], by: float) -> None:
    part, lines = case
    before = judge(part, lines, LIMITS)  # type: ignore[arg-type]
    for name, outcome in lines.items():
        if isinstance(outcome, Measured):
            wide = lines | {name: replace(outcome, low=max(0.0, outcome.low - by), high=outcome.high + by)}
            assert set(before.possible_grades) <= set(judge(part, wide, LIMITS).possible_grades)  # type: ignore[arg-type]


@given(outcomes(), st.floats(0, 0.5))
@settings(max_examples=200, deadline=None)
def test_more_wear_never_gives_a_better_grade(case: tuple[str, dict[str, object]], by: float) -> None:
    part, lines = case
    before = judge(part, lines, LIMITS).grade  # type: ignore[arg-type]
    for name, outcome in lines.items():
        if isinstance(outcome, Measured):
            worse = Measured(outcome.value + by, outcome.low + by, outcome.high + by)
            after = judge(part, lines | {name: worse}, LIMITS).grade  # type: ignore[arg-type]
            assert before is not None
            assert after is not None
            assert GRADES.index(before) <= GRADES.index(after)


def test_probabilities_are_the_chances_of_each_limit_and_combine_modes() -> None:
    lines = {"film_loss": exact(0.10), "haze": exact(0.30)}
    # A quarter of the haze is over 0.35 and all over 0.125; half of the film is over 0.125.
    chances = {"haze": lambda at: 0.25 if at > 0.3 else 1.0, "film_loss": lambda at: 0.5}
    found = judge("flame_cell", lines, LIMITS, chances=chances)
    assert found.probabilities == pytest.approx({S: 0.0, C: 0.75, R: 0.25})
    alone = judge("flame_cell", {"film_loss": exact(0.10)}, LIMITS, chances=chances)
    assert alone.probabilities == pytest.approx({S: 0.5, C: 0.5, R: 0.0})


def test_probabilities_without_residuals_agree_with_a_drawn_triangle() -> None:
    draws = np.random.default_rng(5).triangular(0.05, 0.11, 0.5, 200_000)
    found = judge("flame_cell", {"haze": Measured(0.11, 0.05, 0.5)}, LIMITS)
    assert found.probabilities[S] == pytest.approx(float(np.mean(draws < 0.125)), abs=0.005)
    assert found.probabilities[R] == pytest.approx(float(np.mean(draws >= 0.35)), abs=0.005)


def test_join_keeps_the_worst_and_every_doubt() -> None:
    sharp, dull = Measured(0.06, 0.05, 0.07), Measured(0.05, 0.0, 0.2)
    joined = join("electrode", [("side", {"tip_loss": dull}), ("side", {"tip_loss": sharp})])
    outcome = joined.lines["tip_loss"]
    assert isinstance(outcome, Measured)
    assert (outcome.low, outcome.value, outcome.high) == (0.05, 0.06, 0.2)
    assert (joined.taken_from, joined.views_missing) == ({"tip_loss": 1}, ())


def test_join_names_missing_views_and_sides_that_showed_nothing() -> None:
    seen, blind = exact(0.0), Unmeasured(Reason.NOT_RESOLVABLE)
    joined = join("coupler", [("end", {"crack_ratio": seen}), ("side", {"crack_ratio": blind, "bow_ratio": seen})])
    assert joined.views_missing == ("end", "side")
    assert joined.not_seen == ("crack",)
    found = judge("coupler", joined.lines, LIMITS, not_seen=joined.not_seen)
    assert (found.grade, found.not_seen) == (S, ("crack",))
    enough = join("electrode", [("side", {"crack_ratio": one}) for one in (seen, blind, seen)])
    assert enough.not_seen == ()


def test_join_never_betters_a_grade() -> None:
    bad, good = {"crack_ratio": exact(0.5)}, {"crack_ratio": exact(0.0)}
    assert judge("electrode", join("electrode", [("side", good), ("side", bad)]).lines, LIMITS).grade == R


def test_views_missing_counts_each_view() -> None:
    assert views_missing(part_spec("coupler"), ["end", "end", "end"]) == ("side", "side")
    assert views_missing(part_spec("flame_cell"), ["face"]) == ()


def test_wrong_measure_view_or_part_is_refused() -> None:
    with pytest.raises(KeyError, match=r"coupler\.haze"):
        judge("coupler", {"haze": exact(0.1)}, LIMITS)
    with pytest.raises(ValueError, match="no view 'top'"):
        join("coupler", [("top", {})])
