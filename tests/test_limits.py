"""Every row of the wear standard, and overriding it."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wearvision.errors import LimitsError
from wearvision.parts import PARTS
from wearvision.standard import GRADES, load_limits, worst_of

LIMITS = load_limits()
S, C, R = GRADES

# The table of the wear standard, row by row, as (value, right answers).
STANDARD = [
    ("flame_cell", "film_loss", [(0, [S]), (0.099, [S]), (0.10, [S, C]), (0.149, [S, C]), (0.15, [C]), (1, [C])]),
    ("flame_cell", "haze", [(0.09, [S]), (0.12, [S, C]), (0.15, [C]), (0.30, [C]), (0.35, [C, R]), (0.40, [R])]),
    ("flame_cell", "crack_ratio", [(0.04, [S]), (0.05, [S, R]), (0.149, [S, R]), (0.15, [R])]),
    ("flame_cell", "scorch_ratio", [(0.019, [S]), (0.02, [S, R]), (0.049, [S, R]), (0.05, [R])]),
    ("flame_cell", "rim_deviation", [(0.029, [S]), (0.03, [S, R]), (0.059, [S, R]), (0.06, [R])]),
    ("electrode", "residue_ratio", [(0.049, [S]), (0.05, [S, C]), (0.10, [C]), (0.9, [C])]),
    ("electrode", "bridge", [(0, [S]), (1, [C])]),
    ("electrode", "crack_ratio", [(0.09, [S]), (0.10, [R]), (0.2, [R]), (0.25, [R])]),
    ("electrode", "chip_ratio", [(0.009, [S]), (0.01, [S, R]), (0.02, [R])]),
    ("electrode", "tip_loss", [(0.14, [S]), (0.15, [S, R]), (0.34, [S, R]), (0.35, [R])]),
    ("coupler", "grime_ratio", [(0.04, [S]), (0.05, [S, C]), (0.10, [C])]),
    ("coupler", "profile_deviation", [(0.02, [S]), (0.03, [S, R]), (0.06, [R])]),
    ("coupler", "corner_rounding", [(0.14, [S]), (0.15, [S, R]), (0.30, [R])]),
    ("coupler", "tooth_loss", [(0.14, [S]), (0.15, [S, R]), (0.30, [R])]),
    ("coupler", "crack_ratio", [(0.09, [S]), (0.10, [R]), (0.29, [R]), (0.30, [R])]),
    ("coupler", "bow_ratio", [(0.009, [S]), (0.01, [S, R]), (0.03, [R])]),
]


def test_standard_covers_every_registered_measure() -> None:
    assert {(part, measure) for part, measure, _ in STANDARD} == set(LIMITS.rows)
    assert set(LIMITS.rows) == {(p.key, m.measure) for p in PARTS.values() for m in p.modes}
    assert all(row.source for row in LIMITS.rows.values())


@pytest.mark.parametrize(("part", "measure", "values"), STANDARD)
def test_row_gives_the_standards_answers(part: str, measure: str, values: list[tuple[float, list[str]]]) -> None:
    row = LIMITS.row(part, measure)
    for value, right in values:
        assert list(row.grades_of(value)) == right, value
        assert row.grade_of(value) in right


@pytest.mark.parametrize("row", LIMITS.rows.values(), ids=lambda row: f"{row.part}.{row.measure}")
@given(a=st.floats(0, 2), b=st.floats(0, 2))
@settings(max_examples=40, deadline=None)
def test_worse_value_never_gives_a_better_grade(row, a: float, b: float) -> None:
    low, high = sorted((a, b))
    assert GRADES.index(row.grade_of(low)) <= GRADES.index(row.grade_of(high))
    assert GRADES.index(row.grades_of(low)[0]) <= GRADES.index(row.grades_of(high)[-1])
    assert {row.grade_of(low), row.grade_of(high)} <= set(row.reachable(low, high))
    assert row.grade_of(low) in row.grades_of(low)


def test_guard_band_is_split_at_its_middle() -> None:
    row = LIMITS.row("flame_cell", "haze")
    assert [row.grade_of(v) for v in (0.1249, 0.1251, 0.349, 0.351)] == [S, C, C, R]
    assert LIMITS.row("electrode", "crack_ratio").grade_of(0.1) == R, "a detection floor is not split"


def test_crack_between_floor_and_scored_limit_is_borderline() -> None:
    row = LIMITS.row("electrode", "crack_ratio")
    assert [row.borderline(v) for v in (0.05, 0.10, 0.24, 0.25)] == [False, True, True, False]


def test_grade_part_takes_the_worst_mode_and_all_right_answers() -> None:
    label = LIMITS.grade_part("flame_cell", {"film_loss": 0.12, "haze": 0.34, "crack_ratio": None})
    assert label == (C, (C, R), True)
    assert LIMITS.grade_part("flame_cell", {"film_loss": 0.5, "rim_deviation": 0.2}) == (R, (R,), False)
    assert LIMITS.grade_part("coupler", {}) == (S, (S,), False)


def test_worst_of_needs_every_mode_to_allow_a_grade() -> None:
    assert worst_of([(S, R), (C,)]) == (C, R)
    assert worst_of([(S,), (S, C), (S, R)]) == (S, C, R)
    assert worst_of([]) == ()


def test_nan_and_unknown_measure_are_refused() -> None:
    row = LIMITS.row("flame_cell", "haze")
    for call in (row.grade_of, row.grades_of):
        with pytest.raises(ValueError, match="not a number"):
            call(math.nan)
    with pytest.raises(KeyError, match=r"no row coupler\.haze"):
        LIMITS.grade_part("coupler", {"haze": 0.1})


def test_override_changes_named_keys_and_keeps_the_rest(tmp_path: Path) -> None:
    file = tmp_path / "site.toml"
    file.write_text("[flame_cell.haze]\nreplace_from = 0.60\nclean_to = 0.5\n")
    site = load_limits(file)
    assert site.grade_part("flame_cell", {"haze": 0.47}).grade == C
    assert LIMITS.grade_part("flame_cell", {"haze": 0.47}).grade == R
    assert site.row("flame_cell", "film_loss") == LIMITS.row("flame_cell", "film_loss")
    assert site.row("flame_cell", "haze").source == "set in site.toml, no source given"
    assert (site.id, site.sha256 != LIMITS.sha256) == ("wear-standard-1+site", True)


def test_hash_follows_what_decides_only(tmp_path: Path) -> None:
    file = tmp_path / "site.toml"
    file.write_text('id = "ours"\n[flame_cell.haze]\nreplace_from = 0.40\nsource = "our own log"\n')
    assert (load_limits(file).id, load_limits(file).sha256) == ("ours", LIMITS.sha256)


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("[toaster.haze]\nreplace_from = 1", "row toaster: no such part"),
        ("[flame_cell.hase]\nreplace_from = 1", "row flame_cell.hase: no such row"),
        ("flame_cell = 3", "row flame_cell: no such part"),
        ("[flame_cell]\nhaze = 3", "row flame_cell.haze: no such row"),
        ("[flame_cell.haze]\nreplace_form = 1", "row flame_cell.haze: unknown key 'replace_form'"),
        ('[flame_cell.haze]\nunit = "%"', "unit must be '1', is '%'"),
        ('[flame_cell.haze]\nunit = "mm"', "unit must be '1', is 'mm'"),
        ('[flame_cell.haze]\nmode = "film"', "mode is 'clouding'"),
        ('[flame_cell.haze]\nreplace_from = "0.4"', "replace_from must be a number, is '0.4'"),
        ("[flame_cell.haze]\nreplace_from = true", "replace_from must be a number, is True"),
        ("[flame_cell.haze]\nreplace_from = nan", "must be finite"),
        ("[flame_cell.haze]\nreplace_from = inf", "must be finite"),
        ("[flame_cell.haze]\nreplace_from = -0.1", "not negative"),
        ("[flame_cell.haze]\nreplace_from = 0.2", "bands cross: clean_to 0.3 lies above replace_from 0.2"),
        ("[flame_cell.crack_ratio]\nserviceable_below = 0.2", "bands cross"),
        ("[flame_cell.film_loss]\nclean_to = 0.9", "clean_to belongs with both"),
        ("[flame_cell.film_loss]\nreplace_from = 0.9", "clean_to belongs with both"),
        ("[flame_cell.haze]\nany_is_replace = true", "allows no clean_from"),
        ("[flame_cell.haze]\nany_is_replace = 1", "must be true or false"),
        ('[flame_cell.haze]\nsource = " "', "source is empty"),
        ("id = 3", "id: must be a text"),
        ("[flame_cell", "not valid TOML"),
    ],
)
def test_bad_limits_file_names_file_row_and_reason(tmp_path: Path, text: str, reason: str) -> None:
    file = tmp_path / "site.toml"
    file.write_text(text)
    with pytest.raises(LimitsError) as caught:
        load_limits(file)
    assert "site.toml" in str(caught.value)
    assert reason in str(caught.value)


def test_limits_file_that_is_missing_or_not_text_is_named(tmp_path: Path) -> None:
    with pytest.raises(LimitsError, match=r"none\.toml: cannot be read"):
        load_limits(tmp_path / "none.toml")
    (tmp_path / "raw.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(LimitsError, match=r"raw\.toml: not valid TOML"):
        load_limits(tmp_path / "raw.toml")
