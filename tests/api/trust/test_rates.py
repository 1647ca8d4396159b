"""Rates over invented populations: what counts, what does not, and that weights mend what doubt-driven checks bend."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from wearvision.standard.checks import load_checks
from wearvision_api.trust.over_time import by_model, by_period
from wearvision_api.trust.population import Counted
from wearvision_api.trust.rates import by_check, by_grade, confirmed, kept_promise, outcome, stated

from .conftest import START

ONE = Counted("g", START, "coupler", "serviceable", "m1", standing="confirmed", found="serviceable")
CHECKS = load_checks()


def test_checks_unasked_and_eyes_are_counted_apart() -> None:
    rows = [
        ONE,
        replace(ONE, standing="overridden", found="replace"),
        replace(ONE, standing="", found=None),
        replace(ONE, asked=False, chance=0.2, why="not drawn", standing="overridden", found="replace"),
        replace(ONE, asked=False, chance=0.2, why="not drawn", standing="", by_eye="replace"),
        replace(ONE, asked=False, chance=0.2, why="not drawn", standing="", by_eye="serviceable"),
    ]
    (line,) = by_grade(rows)
    assert (line.grades, line.share.asked, line.share.answered, line.share.held) == (6, 3, 2, 1)
    assert (line.confirmed, line.overridden, line.contradicted, line.unasked) == (1, 1, 0, 1)
    assert (line.by_eye, line.by_eye_other) == (2, 1)
    assert line.share.value == 0.5
    assert line.share.least == pytest.approx(1 / 3)
    assert line.share.most == pytest.approx(2 / 3)


def test_lines_come_by_part_and_grade() -> None:
    rows = [replace(ONE, grade="replace", standing="contradicted"), ONE, replace(ONE, part="flame_cell")]
    found = [(one.part, one.grade, one.contradicted) for one in by_grade(rows)]
    assert found == [("flame_cell", "serviceable", 0), ("coupler", "serviceable", 0), ("coupler", "replace", 1)]


def test_possible_grades_hold_or_not() -> None:
    rows = [
        replace(ONE, possible=("serviceable",), rate=0.95),
        replace(ONE, possible=("serviceable", "replace"), standing="overridden", found="replace", rate=0.9),
        replace(ONE, possible=("serviceable",), standing="overridden", found="replace"),
    ]
    assert kept_promise(rows).value == pytest.approx(2 / 3)
    assert stated(rows) == 0.9
    assert stated([ONE]) is None


@pytest.mark.parametrize(
    ("check", "photo", "says", "found"),
    [
        ("coupler-wipe", {"grime": "serviceable"}, "good", "held"),
        ("coupler-wipe", {"grime": "clean-and-reuse"}, "good", "held"),
        ("coupler-wipe", {"grime": "serviceable"}, "clean", "worse"),
        ("coupler-wipe", {"grime": "serviceable"}, "replace", "worse"),
        ("coupler-wipe", {"crack": "replace"}, "good", None),  # it decides grime only
        ("coupler-crack", {"crack": "replace", "grime": "serviceable"}, "good", "better"),
        ("coupler-crack", {"crack": "replace"}, "replace", "held"),
        ("coupler-crack", {"crack": "serviceable"}, "again", None),
        ("cell-wipe", {"film": "serviceable", "clouding": "replace"}, "clean", "better"),
        ("electrode-wipe", {"residue": "clean-and-reuse", "crack": "serviceable"}, "replace", "worse"),
        ("electrode-wipe", {"bridge": "clean-and-reuse"}, "good", None),  # a good wipe clears no bridge
    ],
)
def test_a_check_speaks_for_its_own_modes_only(check: str, photo: dict[str, str], says: str, found: str | None) -> None:
    row = CHECKS.rows[check]
    one = replace(ONE, part=row.part, modes=photo, readings={check: says})
    assert outcome(one, row, CHECKS) == found


def test_a_check_repeated_under_better_conditions_counts_in_its_place() -> None:
    lit = CHECKS.rows["cell-lit"]
    one = replace(ONE, part="flame_cell", modes={"clouding": "serviceable"}, readings={"cell-lit": "again"})
    assert outcome(one, lit, CHECKS) is None
    again = replace(one, readings={"cell-lit": "again", "cell-lit-wiped": "replace"})
    assert outcome(again, lit, CHECKS) == "worse"


def test_lines_by_check_count_those_asked_for() -> None:
    asked = replace(ONE, wanted=("coupler-wipe", "coupler-crack"), modes={"grime": "serviceable"})
    rows = [
        replace(asked, id="1", readings={"coupler-wipe": "good"}),
        replace(asked, id="2", readings={"coupler-wipe": "replace"}),
        replace(asked, id="3"),
        replace(asked, id="4", asked=False, readings={"coupler-wipe": "replace"}),
    ]
    (line,) = by_check(rows, CHECKS)
    assert (line.check, line.share.asked, line.share.answered, line.share.held) == ("coupler-wipe", 3, 2, 1)
    assert (line.worse, line.better) == (1, 0)


def test_months_quarters_and_models() -> None:
    rows = [
        replace(ONE, at=START + timedelta(days=day), model=model) for day, model in ((0, "a"), (30, "a"), (400, "b"))
    ]
    assert [one.name for one in by_period(rows, "month")] == ["2026-01", "2026-02", "2027-02"]
    quarters = by_period(rows, "quarter")
    assert [(one.name, one.grades, str(one.ends)) for one in quarters] == [
        ("2026 Q1", 2, "2026-04-01"),
        ("2027 Q1", 1, "2027-04-01"),
    ]
    assert [(one.model, one.grades) for one in by_model(rows)] == [("a", 2), ("b", 1)]
    december = by_period([replace(ONE, at=START - timedelta(days=10))], "quarter")[0]
    assert (december.name, str(december.ends)) == ("2025 Q4", "2026-01-01")


def _checked(rng: np.random.Generator, count: int) -> list[Counted]:
    """Serviceables, a fifth in doubt: 0.70 of those are right, of the others 0.97; true share 0.8·0.97 + 0.2·0.70."""
    rows = []
    for _ in range(count):
        doubt, drawn, answers, right = rng.random(4)
        chance, why, share, back = (1.0, "doubt", 0.70, 0.9) if doubt < 0.2 else (0.2, "drawn", 0.97, 0.5)
        is_asked = drawn < chance
        standing = ("confirmed" if right < share else "overridden") if is_asked and answers < back else ""
        rows.append(
            replace(ONE, chance=chance, asked=is_asked, why=why if is_asked else "not drawn", standing=standing)
        )
    return rows


def test_weights_recover_the_true_share_and_without_them_it_is_too_low() -> None:
    """200 invented companies of 500 grades: mean error against its own Monte-Carlo error."""
    rng, true = np.random.default_rng(20260105), 0.8 * 0.97 + 0.2 * 0.70
    found = [confirmed(_checked(rng, 500)) for _ in range(200)]
    weighted = np.array([one.value for one in found], float)
    bare = np.array([one.unweighted for one in found], float)
    error = weighted.std(ddof=1) / np.sqrt(len(found))
    assert abs(weighted.mean() - true) < 3 * error
    assert bare.mean() < true - 20 * error
    held = np.mean([one.low <= true <= one.high for one in found])
    assert held > 0.9
