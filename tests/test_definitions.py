"""The wear standard in words: every measure has some, and they say the limits that grade."""

from __future__ import annotations

import re

import pytest

from wearvision.parts import PARTS
from wearvision.standard.definitions import load_definitions, where_grades_begin
from wearvision.standard.limits import load_limits

ROWS = [row for part in PARTS for row in load_limits().of_part(part)]


def test_words_each_measure_has_its_own_two_lines() -> None:
    words = load_definitions()
    assert len({one.what for one in words.values()}) == len({one.look for one in words.values()}) == len(ROWS)
    assert all(one.look.endswith(".") and not one.what.endswith(".") for one in words.values())


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row.part}.{row.measure}")
def test_words_say_a_value_of_the_grade(row) -> None:
    """A number that stands in the words of a grade is a right answer of that grade (checked against the limits)."""
    said = where_grades_begin(row)
    assert tuple(said) == row.grades
    for grade, words in said.items():
        for number in re.findall(r"\d+\.?\d*", re.sub(r"below \S+", "", words)):
            assert grade in row.grades_of(float(number))
        for number in re.findall(r"below (\d+\.?\d*)", words):
            assert row.grades_of(float(number) - 1e-9) == (grade,)
