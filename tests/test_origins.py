"""Classes of cause and their signs: whole, sourced, and holding exactly when what they name is so.

Which sign speaks for which class is common practice (handbook section 11), no published source; the rows named there
are walked in the tests of the findings.
"""

from __future__ import annotations

from importlib.resources import files

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wearvision.errors import LimitsError
from wearvision.parts import PARTS
from wearvision.standard.origins import CAUSES, Sign, State, load_origins, read_origins

ORIGINS = load_origins()
TEXT = files("wearvision.standard").joinpath("origins.toml").read_text("utf-8")
MODES = [(part, mode.key) for part, spec in PARTS.items() for mode in spec.modes]
STATES: tuple[State, ...] = ("worn", "may be worn", "not worn", "not seen", "does not apply")


def sign(**more: object) -> Sign:
    plain = {"modes": ("crack",), "reading": "", "when": (), "beside": (), "without": (), "alone": False, "age": ""}
    plain |= {"cause": "heat", "favours": True, "weight": "weak", "text": "t", "source": "s"}
    return Sign(part="coupler", **(plain | more))  # type: ignore[arg-type]


@pytest.mark.parametrize(("part", "mode"), MODES)
def test_every_mode_has_a_sign_for_some_class(part: str, mode: str) -> None:
    assert [one for one in ORIGINS.signs if one.part == part and mode in one.modes and one.favours]


def test_every_class_is_explained_and_may_be_found() -> None:
    assert tuple(ORIGINS.classes) == CAUSES
    for key, one in ORIGINS.classes.items():
        assert one.meaning
        assert one.source
        assert any(row.cause == key and row.favours for row in ORIGINS.signs)


def test_every_part_may_come_out_as_a_defect_and_be_cleared_of_it() -> None:
    for part in PARTS:
        about = [row for row in ORIGINS.signs if row.part == part and row.cause == "defect"]
        assert any(row.favours for row in about)
        assert any(not row.favours for row in about)


def test_dirt_and_heat_never_speak_for_a_defect() -> None:
    for row in ORIGINS.signs:
        if row.cause == "defect" and row.favours:
            assert not set(row.modes) & {"film", "residue", "bridge", "grime", "scorch"}


@pytest.mark.parametrize(
    ("hours", "days", "age"),
    [
        (0, None, "few"),
        (99.9, 900, "few"),  # hours win over days
        (100, None, ""),
        (500, 1, "many"),
        (None, 29, "few"),
        (None, 30, ""),
        (None, 365, "many"),
        (None, None, ""),
    ],
)
def test_age_is_told_by_hours_and_else_by_days(hours: float | None, days: float | None, age: str) -> None:
    assert ORIGINS.ages.of(hours, days) == age


@pytest.mark.parametrize("state", STATES)
def test_beside_and_without_need_certainty(state: State) -> None:
    states = {"crack": "worn", "bow": state, "grime": "not worn"}
    assert sign(beside=("bow",)).fits(states) == (state == "worn")
    assert sign(without=("bow",)).fits(states) == (state in ("not worn", "does not apply"))
    assert sign(alone=True).fits(states) == (state in ("not worn", "does not apply"))
    assert sign().fits(states)


def test_age_and_reading_must_be_as_asked() -> None:
    read = {"coupler-spin": ("pump stiff", "cannot tell")}
    stiff = sign(reading="coupler-spin", when=("pump stiff",))
    assert stiff.asked(read, "few")
    assert not stiff.asked({}, "few")
    assert not sign(reading="coupler-spin", when=("good",)).asked(read, "")
    assert sign(age="few").asked({}, "few")
    assert not sign(age="few").asked({}, "")


def test_points_of_signs() -> None:
    ways = [("weak", True), ("weak", False), ("strong", True), ("strong", False)]
    assert [sign(weight=weight, favours=favours).points for weight, favours in ways] == [1, -1, 2, -2]


@pytest.mark.parametrize(
    ("old", "new", "reason"),
    [
        ('modes = ["film"]', 'modes = ["fog"]', "unknown mode 'fog'"),
        ('favours = "dirt"', 'favours = "luck"', "unknown class 'luck'"),
        ('favours = "dirt"', 'favours = "dirt"\nagainst = "heat"', "either favours or against"),
        ('weight = "strong"', 'weight = "huge"', "unknown weight 'huge'"),
        ('part = "flame_cell"', 'part = "nozzle"', "unknown part 'nozzle'"),
        ('reading = "cell-wipe"', 'reading = "cell-lit"', "unknown check at the counter 'cell-lit'"),
        ('when = ["clear"]', 'when = ["bright"]', "unknown result 'bright'"),
        ('when = ["clear"]\n', "", "reading and when belong together"),
        ('age = "many"', 'age = "old"', "unknown age 'old'"),
        ("few_hours_below = 100", "few_hours_below = 600", "cross"),
        ("few_hours_below = 100", "few_hours_below = nan", "cross"),
        ('key = "dirt"', 'key = "rust"', "unknown class 'rust'"),
        ("[[sign]]", "[[hint]]", "unknown table 'hint'"),
        ("[[sign]]", '[[sign]]\ncolour = "red"', "unknown key 'colour'"),
        ('text = "A film lies on the window; a film wipes off."', 'text = ""', "text is empty"),
        ("\n[age]", "\n[age", "not valid TOML"),
    ],
)
def test_bad_table_names_file_row_and_reason(old: str, new: str, reason: str) -> None:
    assert old in TEXT
    with pytest.raises(LimitsError) as caught:
        read_origins("site.toml", TEXT.replace(old, new, 1))
    assert "site.toml" in str(caught.value)
    assert reason in str(caught.value)


def test_a_missing_class_is_named() -> None:
    with pytest.raises(LimitsError, match="class is missing"):
        read_origins("site.toml", "")


@given(st.text())
def test_any_other_text_is_refused_in_words(text: str) -> None:
    with pytest.raises(LimitsError):
        read_origins("site.toml", text)
