"""Photo and hand checks together."""

from __future__ import annotations

import json
import math
from typing import Any

import pytest

from wearvision.confirm import confirm, predicted_reading, wiping_pair
from wearvision.errors import ReadingError, UnknownPart
from wearvision.judge import judge
from wearvision.measure.result import Measured
from wearvision.parts import PARTS
from wearvision.standard import load_checks, load_limits

LIMITS = load_limits()
ALL_GOOD = {
    "flame_cell": {
        "cell-wipe": "clear",
        "cell-crack": "none",
        "cell-fit": "seats",
        "cell-dark": "2 M",
        "cell-lit": 600,
    },
    "electrode": {"electrode-wipe": "clean", "electrode-chip": "whole", "electrode-tip": 0.95},
    "coupler": {
        "coupler-wipe": "clean",
        "coupler-crack": "none",
        "coupler-play": "snug",
        "coupler-fit": "slides on",
        "coupler-roll": "true",
    },
}


def report(part: str = "flame_cell", spread: float = 0.02, **values: float) -> dict[str, Any]:
    """A report as the contract has it, every measure zero but those given."""
    lines = {
        mode.measure: Measured(
            values.get(mode.measure, 0.0),
            max(0.0, values.get(mode.measure, 0.0) - spread * (mode.measure in values)),
            values.get(mode.measure, 0.0) + spread * (mode.measure in values),
        )
        for mode in PARTS[part].modes
    }
    found = judge(part, lines, LIMITS)
    return {
        "part": {"name": part, "probability": 0.99, "view": PARTS[part].views[0]},
        "grade": found.grade,
        "possible_grades": list(found.possible_grades),
        "measures": [line.to_dict() for line in found.lines],
    }


def test_over_1600_ohm_with_film_says_wipe_and_remeasure_first() -> None:
    """Handbook C1.6."""
    found = confirm(report(film_loss=0.3), {"cell-lit": 1650})
    assert (found.standing, found.grade) == ("incomplete", "clean-and-reuse")
    assert "wipe the face and read again" in found.reason
    assert found.missing == ("cell-wipe", "cell-lit-wiped")


def test_over_1600_ohm_after_wiping_overrides_the_photo() -> None:
    found = confirm(report(film_loss=0.3), {"cell-lit": 1650, "cell-lit-wiped": 1700})
    assert (found.standing, found.grade) == ("overridden", "replace")
    assert "measurement wins" in found.reason


@pytest.mark.parametrize("value", ["open", "OL", "infinite", math.inf])
def test_open_when_lit_points_at_wiring_holder_and_cell(value: object) -> None:
    """Handbook C1.6."""
    found = confirm(report(), {"cell-lit": value})
    assert (found.standing, found.grade) == ("incomplete", "serviceable")
    assert "wiring" in found.reason
    assert "holder" in found.reason


@pytest.mark.parametrize("value", [0, 5, "short"])
def test_near_zero_when_lit_is_a_short(value: object) -> None:
    found = confirm(report(haze=0.5), {"cell-lit": value})
    assert (found.standing, found.grade) == ("incomplete", "replace")
    assert "short" in found.reason


@pytest.mark.parametrize("part", sorted(PARTS))
def test_every_required_reading_good_confirms_serviceable(part: str) -> None:
    found = confirm(report(part), ALL_GOOD[part])
    assert (found.standing, found.grade, found.missing) == ("confirmed", "serviceable", ())
    for left_out in ALL_GOOD[part]:
        rest = {key: value for key, value in ALL_GOOD[part].items() if key != left_out}
        partly = confirm(report(part), rest)
        assert (partly.standing, partly.missing) == ("incomplete", (left_out,))


def test_repeat_under_better_conditions_stands_for_the_first() -> None:
    readings = ALL_GOOD["flame_cell"] | {"cell-lit": 1700, "cell-lit-wiped": 640, "cell-dark": 9000}
    assert confirm(report(), readings).missing == ("cell-dark-capped",)
    assert confirm(report(), readings | {"cell-dark-capped": "1 Mohm"}).standing == "confirmed"


def test_failing_reading_overrides_serviceable() -> None:
    found = confirm(report("electrode"), ALL_GOOD["electrode"] | {"electrode-wipe": "line stays"})
    assert (found.standing, found.grade) == ("overridden", "replace")
    assert any("do not all say the same" in note for note in found.notes)


def test_photo_replace_and_failing_reading_is_confirmed() -> None:
    found = confirm(report("coupler", crack_ratio=0.5), {"coupler-crack": "crack"})
    assert (found.standing, found.grade) == ("confirmed", "replace")


def test_photo_replace_and_passing_reading_for_that_mode_is_contradicted() -> None:
    found = confirm(report(haze=0.6), {"cell-wipe": "clear", "cell-lit-wiped": 500})
    assert (found.standing, found.grade) == ("contradicted", "serviceable")
    assert "second look" in found.reason


@pytest.mark.parametrize("measure", ["crack_ratio", "rim_deviation"])
def test_ohms_say_nothing_about_crack_or_housing(measure: str) -> None:
    found = confirm(report(**{measure: 0.5}), {"cell-lit": 600, "cell-dark": "2 M"})
    assert (found.standing, found.grade) == ("incomplete", "replace")
    assert "No reading speaks for" in found.reason


def test_insulation_does_not_clear_a_crack_that_is_seen() -> None:
    cracked = report("electrode", crack_ratio=0.5)
    assert confirm(cracked, {"electrode-insulation": "2 Gohm"}).standing == "incomplete"
    assert confirm(cracked, {"electrode-insulation": 0.2}).standing == "confirmed"


def test_part_of_a_verdict_cleared_leaves_the_rest() -> None:
    found = confirm(report(haze=0.6, crack_ratio=0.4), {"cell-wipe": "clear"})
    assert (found.standing, found.grade) == ("incomplete", "replace")
    assert "crack" in found.reason
    assert found.missing == ("cell-crack",)


def test_dirt_that_reads_well_stays_clean_and_reuse() -> None:
    found = confirm(report(film_loss=0.3), {"cell-lit": 700})
    assert (found.standing, found.grade) == ("confirmed", "clean-and-reuse")


@pytest.mark.parametrize(
    ("gap", "says"), [(3.2, "good"), (4.8, "good"), ("5/32 in", "good"), (2.5, "adjust"), (6.0, "adjust")]
)
def test_gap_is_a_setting_and_never_changes_the_grade(gap: object, says: str) -> None:
    """Handbook C5.1 and C5.2."""
    found = confirm(report("electrode"), {"electrode-gap": gap})
    assert found.findings[0].says == says
    assert (found.standing, found.grade) == ("incomplete", "serviceable")


def test_stiff_pump_is_told_and_is_no_wear_of_the_coupler() -> None:
    found = confirm(report("coupler"), ALL_GOOD["coupler"] | {"coupler-spin": "pump stiff"})
    assert found.standing == "confirmed"
    assert any("pump is stiff" in note for note in found.notes)


@pytest.mark.parametrize(
    ("value", "says", "entered"),
    [
        ("3 flashes", "good", "3 flashes"),
        ({"flashes": 4}, "again", "4 flashes"),
        ({"low": 400, "high": 800}, "good", "400 to 800 ohm"),
        ("800-1600", "good", "800 to 1600 ohm"),
        ("1.65 kohm", "again", "1650 ohm"),
        ({"value": 0.5, "unit": "kohm"}, "good", "500 ohm"),
        ("1500 to 1700", "again", "1500 to 1700 ohm"),
        ("1600", "good", "1600 ohm"),
    ],
)
def test_reading_is_understood_in_every_form(value: object, says: str, entered: str) -> None:
    finding = confirm(report(), {"cell-lit": value}).findings[0]
    assert (finding.says, finding.entered) == (says, entered)


@pytest.mark.parametrize(
    ("readings", "message"),
    [
        ({"cell-lit": -1}, "from 0 up"),
        ({"cell-lit": math.nan}, "from 0 up"),
        ({"cell-lit": True}, "a number is needed"),
        ({"cell-lit": None}, "a number is needed"),
        ({"cell-lit": "many"}, "enter a number in ohm or one of open, short"),
        ({"cell-lit": "600 mm"}, "unit 'mm' does not fit"),
        ({"cell-lit": {"value": 600, "unit": "V"}}, "unit 'V' does not fit"),
        ({"cell-lit": {"value": 600, "unit": 3}}, "unit must be a text"),
        ({"cell-lit": {}}, "give value"),
        ({"cell-lit": {"low": 9, "high": 3}}, "runs from 9 down to 3"),
        ({"cell-lit": "7 flashes"}, "7 flashes"),
        ({"cell-lit": "1/0"}, "divides by zero"),
        ({"cell-smell": 3}, "no check 'cell-smell'"),
        ({"electrode-gap": 3}, "no check 'electrode-gap'"),
        ({"cell-replace": "done"}, "no check 'cell-replace'"),
        ({"cell-wipe": 3}, "enter one of clear"),
        ({"cell-wipe": "3"}, "enter one of clear"),
        ([{"check": "cell-lit", "value": 600}, {"check": "cell-lit", "value": 700}], "entered twice"),
        ([{"value": 600}], "needs the form"),
    ],
)
def test_bad_reading_is_refused_with_the_reason(readings: Any, message: str) -> None:
    with pytest.raises(ReadingError, match=message):
        confirm(report(), readings)


def test_implausible_and_infinite_readings_are_refused() -> None:
    with pytest.raises(ReadingError, match="no plausible"):
        confirm(report("electrode"), {"electrode-gap": 900})
    with pytest.raises(ReadingError, match="no reading of this check"):
        confirm(report("electrode"), {"electrode-gap": math.inf})


def test_report_without_part_or_with_unknown_part_is_refused() -> None:
    with pytest.raises(ReadingError, match="names no part"):
        confirm({"part": {"name": None}}, {})
    with pytest.raises(UnknownPart):
        confirm({"part": {"name": "toaster"}}, {})


def test_no_grade_in_the_photo_leaves_only_a_failing_reading() -> None:
    unfit = report() | {"grade": None, "measures": [], "possible_grades": []}
    assert confirm(unfit, {"cell-crack": "none"}).standing == "incomplete"
    found = confirm(unfit, {"cell-crack": "crack"})
    assert (found.standing, found.grade) == ("overridden", "replace")


def test_grade_without_a_mode_behind_it_is_not_taken_away() -> None:
    bare = report() | {"grade": "replace", "measures": []}
    assert confirm(bare, {"cell-lit": 600}).grade == "replace"


def test_report_object_and_list_of_readings_work_too() -> None:
    class Holder:
        def to_dict(self) -> dict[str, Any]:
            return report("coupler", bow_ratio=0.2)

    found = confirm(Holder(), [{"check": "coupler-roll", "value": "wobbles"}])
    assert found.standing == "confirmed"
    assert json.loads(json.dumps(found.to_dict()))["findings"][0]["says"] == "replace"


def test_clean_reading_on_record_gives_a_margin() -> None:
    dirty = report(spread=0.0, film_loss=0.15, haze=0.0)
    forecast = predicted_reading(dirty, clean_ohm=600)
    assert forecast is not None
    # Handbook C1.3: 683.3 ohm at the pessimistic light factor and exponent 0.8, which lies inside the range.
    assert forecast.ohm[0] < 683.3 < forecast.ohm[1]
    assert forecast.ohm[1] == pytest.approx(600 * 0.85**-0.9)
    high = confirm(dirty, {"cell-lit": 1500}, clean_ohm=600)
    assert any("more than film and veil explain" in note for note in high.notes)
    assert not any("more than" in note for note in confirm(dirty, {"cell-lit": 650}, clean_ohm=600).notes)


def test_without_clean_reading_no_margin_is_claimed() -> None:
    forecast = predicted_reading(report(film_loss=0.3))
    assert forecast is not None
    assert forecast.margin_ohm is None
    assert any("no margin" in note for note in confirm(report(film_loss=0.3), {"cell-lit": 900}).notes)
    assert predicted_reading(report("coupler")) is None
    with pytest.raises(ReadingError, match="must be positive"):
        predicted_reading(report(), clean_ohm=-4)


def test_wiping_pair_tells_film_from_clouding() -> None:
    found = wiping_pair(report(film_loss=0.3, haze=0.2), report(film_loss=0.03, haze=0.2))
    low, high = found.wiped["film_loss"]
    assert low < 1 - 0.7 / 0.97 < high
    assert found.stays["haze"][0] < 0.2 < found.stays["haze"][1]
    assert found.grade == "clean-and-reuse"


def test_wiping_pair_sees_through_dust_taken_for_a_veil() -> None:
    """Bright dust reads as haze 0.5 in one picture; it wipes off, so it was film."""
    found = wiping_pair(report(haze=0.5), report(haze=0.02))
    assert found.wiped["film_loss"][0] > 0.4
    assert found.grade == "serviceable"


def test_what_stays_after_wiping_is_clouding_whatever_it_was_called() -> None:
    found = wiping_pair(report(film_loss=0.45), report(film_loss=0.44))
    assert found.stays["haze"][1] > 0.44
    assert "replace" in found.possible_grades


def test_wiping_pair_works_for_parts_without_layers() -> None:
    found = wiping_pair(report("electrode", residue_ratio=0.4, bridge=1.0), report("electrode", residue_ratio=0.02))
    assert found.wiped["residue_ratio"][0] > 0.3
    assert found.grade == "serviceable"
    json.dumps(found.to_dict())


def test_wiping_pair_of_different_parts_or_unfit_photo_is_refused() -> None:
    with pytest.raises(ReadingError, match="same part"):
        wiping_pair(report("coupler"), report("electrode"))
    with pytest.raises(ReadingError, match="fit to judge"):
        wiping_pair(report(), report() | {"grade": None})
    with pytest.raises(ReadingError, match="No measure"):
        wiping_pair(report() | {"measures": []}, report() | {"measures": []})


@pytest.mark.parametrize("check", [c for c in load_checks().rows.values() if c.reading], ids=lambda check: check.id)
def test_every_answer_of_every_check_can_be_entered(check) -> None:
    for answer in check.reading.answers:
        value: object = answer.word or {"low": answer.low, "high": answer.low}
        if answer.code is not None:
            value = {"flashes": answer.code}
        finding = confirm(report(check.part), {check.id: value}).findings[0]
        assert (finding.says, finding.text) == (answer.says, answer.text)
