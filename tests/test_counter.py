"""Checks at the counter: a lit cell is held against a known-good one only, hand checks say what they say anywhere.

Outside values: the handbook's section 1 (unit spread of 50 % or more; dark limits 20 k to 100 k; clean, then recheck:
C1.6), section 5 (10 Mohm rule of thumb, C5.2 gap 3.2 to 4.8 mm) and section 9 (cautions). The bands of the ratio are
calculated here from the spread; ``cured_from`` is common practice, no published source.
"""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from wearvision.errors import LimitsError, ReadingError, UnknownPart
from wearvision.parts import PARTS
from wearvision.photocell import GAMMA_RANGE, resistance
from wearvision.standard.checks import load_checks
from wearvision.standard.counter import CounterFinding, checks_at_counter, counter_check, judge
from wearvision.standard.counter_table import read_counter

LIT, DARK = "cell-lit-beside-good", "cell-dark-beside-good"
SPREAD = 0.5
WORSE = ("good", "doubtful", "bad")
ALL = [(part, check) for part in PARTS for check in checks_at_counter(part)]


def lit(part: object, good: object = 500, wiped: object = "", adapted: str = "yes") -> CounterFinding:
    values = {"adapted": adapted, "lit_good": str(good), "lit_part": str(part), "lit_wiped": str(wiped)}
    return judge(LIT, values, part="flame_cell")


def dark(part: object, good: object = "2 Mohm", adapted: str = "yes", waited: str = "yes", **more: object):
    values = {"adapted": adapted, "waited": waited, "dark_good": str(good), "dark_part": str(part)}
    return judge(DARK, values, **more)


# ------------------------------------------------------------------------------------------- lit, beside a good one


def test_bands_are_those_of_the_unit_spread() -> None:
    check = counter_check(LIT)
    edge = (1 + SPREAD) / (1 - SPREAD)
    for of in ("found", "wiped"):
        bands = sorted((one.low, one.high) for one in check.outcomes if one.of == of)
        assert [low for low, _ in bands] == [0, 1 / edge, 1 + SPREAD, edge]


@pytest.mark.parametrize(
    ("part", "says", "outcome"),
    [
        (400, "good", "alike"),
        (749, "good", "alike"),
        (750, "doubtful", "higher"),
        (1499, "doubtful", "higher"),
        (1500, "doubtful", "far higher"),
        (166, "doubtful", "lower"),
        (167, "good", "alike"),
        ("open", "bad", "open"),
        ("OL", "bad", "open"),
        ("short", "bad", "short"),
        (3, "bad", "short"),
        ("0.4 kohm", "good", "alike"),
    ],
)
def test_lit_as_it_came(part: object, says: str, outcome: str) -> None:
    found = lit(part)
    assert (found.says, found.outcome) == (says, outcome)


def test_a_high_reading_is_wiped_and_read_again_before_anything_is_said_of_the_cell() -> None:
    """Handbook C1.6: 1650 ohm with film: first advice wipe and remeasure, not replace."""
    first = lit(1650)
    assert first.says != "bad"
    assert first.grade is None
    assert first.text.startswith("Wipe the window and read again")
    assert lit(1650, wiped=520).outcome == "wiping cured it"
    still = lit(1650, wiped=1600)
    assert (still.says, still.outcome, still.grade) == ("bad", "wiped far higher", "replace")


@pytest.mark.parametrize(
    ("part", "wiped", "outcome"),
    [
        (700, 650, "wiped alike"),  # alike already as it came: wiping cured nothing
        (800, 740, "wiped alike"),  # 8 % less is the placing in front of the lamp, not dirt
        (900, 740, "wiping cured it"),
        (1650, 900, "wiped higher"),
        ("open", 500, "comes and goes"),
        (500, "open", "open"),
        (500, 100, "wiped lower"),
        (1650, 2, "short"),
    ],
)
def test_the_wiped_reading_decides(part: object, wiped: object, outcome: str) -> None:
    assert lit(part, wiped=wiped).outcome == outcome


def test_no_limit_of_a_flame_is_applied_to_a_lamp() -> None:
    """2400 ohm is over the service limit in a flame; beside a good one that reads 2200 under this lamp it is good."""
    assert lit(2400, good=2200).says == "good"
    assert lit(900, good=250, wiped=900).says == "bad"  # within the flame's limit, far from its like
    assert not {"cell-lit", "cell-lit-wiped"} & {check.id for check in checks_at_counter("flame_cell")}


@given(
    ratio=st.floats(0.2, 20),  # under that a short, which is told in ohms
    good=st.floats(500, 900),
    light=st.floats(0.2, 5),
    gamma=st.floats(*GAMMA_RANGE),
)
def test_another_lamp_changes_no_verdict(ratio: float, good: float, light: float, gamma: float) -> None:
    """By the photocell law more light lowers both cells alike, so their ratio and the verdict stay."""
    scale = resistance(10 * light, 1.0, gamma)
    assume(all(abs(ratio / edge - 1) > 1e-6 for edge in (1 / 3, 1.5, 3)))
    assert lit(f"{ratio * good:.9f}", good=f"{good:.9f}").outcome == (
        lit(f"{ratio * good * scale:.9f}", good=f"{good * scale:.9f}").outcome
    )


@given(st.floats(1 - SPREAD + 1e-6, 1 + SPREAD - 1e-6), st.floats(1 - SPREAD + 1e-6, 1 + SPREAD - 1e-6))
def test_two_good_cells_of_a_batch_are_never_called_bad(one: float, other: float) -> None:
    assert lit(f"{one * 600:.6f}", good=f"{other * 600:.6f}", wiped=f"{one * 600:.6f}").says in ("good", "doubtful")


@given(st.floats(0.34, 50), st.floats(1, 5))
def test_a_higher_wiped_reading_is_never_better(ratio: float, more: float) -> None:
    low, high = (lit(f"{500 * r:.6f}", wiped=f"{500 * r:.6f}").says for r in (ratio, ratio * more))
    assert WORSE.index(high) >= WORSE.index(low)


@pytest.mark.parametrize(("good", "part"), [(10, 10), (10000, 12000), ("50 kohm", "open")])
def test_a_known_good_cell_that_does_not_read_so_says_nothing(good: object, part: object) -> None:
    found = lit(part, good=good)
    assert (found.says, found.outcome, found.grade) == ("cannot tell", "good one out", None)


def test_cells_out_of_the_dark_say_nothing() -> None:
    assert lit(5000, adapted="no").says == "cannot tell"
    assert dark(1000, adapted="no").says == "cannot tell"
    assert dark(1000, waited="no").outcome == "not waited"


# ------------------------------------------------------------------------------------------- dark, beside a good one


@pytest.mark.parametrize(
    ("part", "good", "says", "outcome"),
    [
        ("1 Mohm", "2 Mohm", "good", "dark enough"),
        ("open", "2 Mohm", "good", "open"),
        ("open", "open", "good", "open"),
        ("60k", "open", "good", "dark enough"),
        ("100 kohm", "2 Mohm", "doubtful", "low beside the good one"),
        ("30k", "2 Mohm", "doubtful", "in between"),
        ("10k", "2 Mohm", "bad", "leaky"),
        ("10k", "10k", "cannot tell", "good one out"),
    ],
)
def test_dark(part: str, good: str, says: str, outcome: str) -> None:
    found = dark(part, good)
    assert (found.says, found.outcome) == (says, outcome)


def test_the_dark_limit_is_the_setting_of_the_hand_check(tmp_path: Path) -> None:
    text = Path(load_checks.__code__.co_filename).with_name("checks.toml").read_text("utf-8")
    row = next(part for part in text.split("[[check]]") if 'id = "cell-dark-capped"' in part)
    site = tmp_path / "site.toml"
    site.write_text("[[check]]" + row.replace("50000", "30000"), encoding="utf-8")
    assert dark("40k", "100k").outcome == "in between"
    assert dark("40k", "100k", checks=load_checks(site)).outcome == "dark enough"


# ------------------------------------------------------------------------------------------- hand checks


@pytest.mark.parametrize(
    ("check", "entry", "says", "grade", "modes"),
    [
        ("electrode-insulation", "0.5 Mohm", "bad", "replace", ("crack", "chip")),
        ("electrode-insulation", "5 Mohm", "doubtful", None, ()),
        ("electrode-insulation", "20", "good", None, ()),  # a good reading clears no crack that is seen
        ("electrode-gap", "4.0", "good", None, ()),
        ("electrode-gap", "2.5", "cannot tell", None, ()),  # C5.2: out of setting, wear grade unchanged
        ("electrode-gap", "6.0 mm", "cannot tell", None, ()),
        ("electrode-wipe", "line stays", "bad", "replace", ("residue", "bridge", "crack")),
        ("coupler-fit", "slides on", "good", "serviceable", ("end deformation",)),
        ("coupler-fit", "melted", "bad", "replace", ("end deformation",)),
        ("coupler-fit", "wrong way", "cannot tell", None, ()),
        ("coupler-play", "Slips", "bad", "replace", ("drive rounding", "tooth loss")),
        ("coupler-spin", "pump stiff", "cannot tell", None, ()),
        ("cell-wipe", "slightly cloudy", "good", "clean-and-reuse", ("film", "clouding")),
        ("cell-fit", "melted", "bad", "replace", ("housing",)),
    ],
)
def test_hand_checks_at_the_counter(check: str, entry: str, says: str, grade: str | None, modes: tuple) -> None:
    found = judge(check, {"reading": entry})
    assert (found.says, found.grade, found.modes) == (says, grade, modes)


def test_a_hand_check_is_the_same_there_as_everywhere() -> None:
    for _, check in ALL:
        if check.judged == "hand check":
            base = load_checks().rows[check.id]
            assert (check.title, check.steps, check.cautions, check.source) == (
                base.title,
                base.steps,
                base.cautions,
                base.source,
            )


def test_asked_for_are_the_readings_of_the_returns_desk() -> None:
    required = {part: {check.id for check in checks_at_counter(part) if check.required} for part in PARTS}
    assert required == {
        "flame_cell": {LIT, DARK},
        "electrode": {"electrode-insulation", "electrode-gap"},
        "coupler": {"coupler-fit", "coupler-play"},
    }


# ------------------------------------------------------------------------------------------- cautions, entries, form


@pytest.mark.parametrize(("part", "check"), ALL, ids=lambda one: getattr(one, "id", one))
def test_every_check_has_source_steps_and_its_cautions(part: str, check) -> None:
    assert check.source
    assert check.steps
    assert check.title
    said = " ".join((*check.cautions, *check.steps, check.note)).lower()
    if check.id in (LIT, DARK):
        assert "cadmium" in said
    if check.id == "electrode-insulation":
        assert re.search(r"dead.*isolated.*discharged", said)
    live = re.search(r"(measure|read) [^.]*(high voltage|the spark|ignition voltage)", said)  # handbook C9.3
    assert not live


@pytest.mark.parametrize(
    ("values", "reason"),
    [
        ({}, "is missing"),
        ({"adapted": "yes", "lit_good": "500"}, "lit_part"),
        ({"adapted": "perhaps", "lit_good": "500", "lit_part": "500"}, "enter one of yes, no"),
        ({"adapted": "yes", "lit_good": "open", "lit_part": "500"}, "can't be open"),
        ({"adapted": "yes", "lit_good": "500", "lit_part": "500 m"}, "unit 'm' does not fit"),
        ({"adapted": "yes", "lit_good": "500", "lit_part": "-5"}, "enter a number in ohm"),
        ({"adapted": "yes", "lit_good": "500", "lit_part": "nan"}, "enter a number in ohm"),
        ({"adapted": "yes", "lit_good": "500", "lit_part": "500", "lux": "3"}, "no field 'lux'"),
    ],
)
def test_senseless_entries_are_refused(values: dict[str, str], reason: str) -> None:
    with pytest.raises(ReadingError) as caught:
        judge(LIT, values)
    assert reason in str(caught.value)


def test_checks_of_another_part_are_refused() -> None:
    with pytest.raises(ReadingError, match="no check 'coupler-fit'"):
        judge("coupler-fit", {"reading": "binds"}, part="electrode")
    with pytest.raises(ReadingError, match="no check 'cell-lit'"):
        judge("cell-lit", {"reading": "500"})
    with pytest.raises(UnknownPart):
        checks_at_counter("nozzle")


@given(st.dictionaries(st.sampled_from(["adapted", "lit_good", "lit_part", "lit_wiped", "lamp", "x"]), st.text()))
def test_any_entry_is_judged_or_refused_in_words(values: dict[str, str]) -> None:
    try:
        found = judge(LIT, values)
    except ReadingError:
        return
    assert found.says in (*WORSE, "cannot tell")


@given(st.sampled_from(["500", "open", "short", "1.2 kohm", "9k"]), st.sampled_from(["", "600", "5 k"]))
def test_a_finding_comes_back_from_json_as_it_was(part: str, wiped: str) -> None:
    found = lit(part, wiped=wiped)
    assert CounterFinding.from_dict(json.loads(json.dumps(found.to_dict()))) == found


TABLE = Path(load_checks.__code__.co_filename).with_name("counter.toml").read_text("utf-8")


@pytest.mark.parametrize(
    ("old", "new", "reason"),
    [
        ('hand_check = "cell-wipe"', 'hand_check = "cell-smell"', "unknown hand check 'cell-smell'"),
        ('part = "coupler"\nhand_check = "coupler-fit"', 'part = "electrode"\nhand_check = "coupler-fit"', "no hand"),
        ("below = 1.5\n", "below = 1.4\n", "without a hole"),
        ("from = 3\n", "from = 4\n", "without a hole"),
        ("good_below = 10000", "good_below = -1", "positive and finite"),
        ("cured_from = 1.2", "cured = 1.2", "needs cured_from"),
        ('name = "good one out"', 'name = "odd"', "needs good one out"),
        ('judged = "lit ratio"', 'judged = "by eye"', "unknown way of judging"),
        ('hand_limit = "cell-dark-capped"\n', "", "hand_limit is missing"),
        ('says = "bad"', 'says = "awful"', "unknown saying 'awful'"),
        ("required = true", "needed = true", "unknown key 'needed'"),
        ("says = { again", "says = { never", "unknown saying 'never'"),
        ('hand_check = "cell-crack"', 'hand_check = "cell-wipe"', "stands there twice"),
        ("[[check]]", "[[check", "not valid TOML"),
    ],
)
def test_bad_table_names_file_row_and_reason(old: str, new: str, reason: str) -> None:
    assert old in TABLE
    with pytest.raises(LimitsError) as caught:
        read_counter("site.toml", TABLE.replace(old, new, 1), load_checks())
    assert "site.toml" in str(caught.value)
    assert reason in str(caught.value)
