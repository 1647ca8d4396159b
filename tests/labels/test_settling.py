"""How labels and evidence settle: whatever the order, the better rank wins, and only where it decides."""

from __future__ import annotations

from itertools import permutations

import pytest
from drawn_labels import VIEWS, evidence, given_labels, labels
from hypothesis import given, settings
from hypothesis import strategies as st

from wearvision.labels import Dispute, Evidence, Given, Label, Truth, asked, bounds, differences, settle
from wearvision.labels.evidence import of_pair, of_reading
from wearvision.measure.result import Measured
from wearvision.parts import PARTS
from wearvision.readings import read_readings
from wearvision.standard import load_checks, load_limits
from wearvision.standard.grades import GRADES
from wearvision.wiping import WipingPair

LIMITS = load_limits()


def flame(**more: object) -> Label:
    return Label.read({"part": "flame_cell", "view": "face", **more})


def settled(given: list[Given], *found: Evidence) -> Truth:
    truth = settle(given, found, LIMITS)
    assert isinstance(truth, Truth), truth
    return truth


@settings(deadline=None)
@given(st.data())
def test_the_order_does_not_matter(data: st.DataObject) -> None:
    where = data.draw(st.sampled_from(VIEWS))
    turns = data.draw(st.sampled_from([(1, 2, 2), (3, 3, 3), (1, 2, 3), (4, 3, 1)]))
    held = [data.draw(given_labels(where, author, turn)) for author, turn in zip("abc", turns, strict=True)]
    proofs = data.draw(st.lists(evidence(where[0]), max_size=2))
    first = settle(held, proofs, LIMITS).to_dict()
    for order in permutations(held):
        assert settle(list(order), proofs[::-1], LIMITS).to_dict() == first


@settings(deadline=None)
@given(st.data())
def test_every_truth_makes_sense_and_reads_as_it_was_written(data: st.DataObject) -> None:
    where = data.draw(st.sampled_from(VIEWS))
    held = [data.draw(given_labels(where, author, 1)) for author in data.draw(st.sampled_from(["a", "ab"]))]
    found = settle(held, data.draw(st.lists(evidence(where[0]), max_size=3)), LIMITS)
    if isinstance(found, Dispute):
        assert found.differences
        return
    assert Truth.read(found.to_dict()).to_dict() == found.to_dict()
    assert found.grade in found.acceptable_grades
    if found.at_least is not None:
        assert found.at_least.grade == found.grade
        assert found.at_least.modes


@settings(deadline=None)
@given(labels())
def test_two_who_say_the_same_agree_and_no_more_is_known(label: Label) -> None:
    one, two = settled([Given("a", 1, label)]), settled([Given("a", 1, label), Given("b", 2, label)])
    assert (one.rank, two.rank) == ("one", "agreed")
    assert one.to_dict() | {"rank": "agreed"} == two.to_dict()
    assert one.grade == label.grade
    assert one.bounds == bounds(label, {}, LIMITS)


@settings(deadline=None)
@given(st.data())
def test_a_reading_changes_only_what_it_decides(data: st.DataObject) -> None:
    where = data.draw(st.sampled_from(VIEWS))
    held = data.draw(given_labels(where, "a", 1))
    proof = data.draw(evidence(where[0]))
    before, after = settled([held]), settled([held], proof)
    decided = {PARTS[where[0]].mode(mode).measure for mode in proof.modes}
    for measure in set(before.bounds) | set(after.bounds):
        if measure not in decided:
            assert before.bounds.get(measure) == after.bounds.get(measure)
    shown = {mode.key for mode, _ in asked(*where).modes}
    if set(proof.modes) <= shown and after.grade is not None:
        assert GRADES.index(after.grade) >= GRADES.index(proof.least)


@settings(deadline=None)
@given(st.data())
def test_differences_are_the_same_both_ways(data: st.DataObject) -> None:
    where = data.draw(st.sampled_from(VIEWS))
    one, other = data.draw(given_labels(where, "a", 1)), data.draw(given_labels(where, "b", 2))
    there, back = differences(one, other, LIMITS), differences(other, one, LIMITS)
    assert [found.field for found in there] == [found.field for found in back]
    assert [(found.one, found.other) for found in there] == [(found.other, found.one) for found in back]


def test_what_two_differ_in_is_named_and_a_third_decides() -> None:
    one = Given("a", 1, flame(grade="replace", modes={"clouding": "replace", "film": "absent"}))
    other = Given("b", 2, flame(grade="clean-and-reuse", modes={"clouding": "clean-and-reuse", "film": "absent"}))
    found = settle([other, one], (), LIMITS)
    assert isinstance(found, Dispute)
    assert [(one.field, one.one, one.other) for one in found.differences] == [
        ("grade", "replace", "clean-and-reuse"), ("modes.clouding", "replace", "clean-and-reuse"),
    ]  # fmt: skip
    third = Given("c", 3, flame(grade="clean-and-reuse"))
    truth = settled([one, other, third])
    assert (truth.grade, truth.rank) == ("clean-and-reuse", "third")
    again = Given("a", 4, flame(grade="replace"))
    assert settled([one, other, third, again]).grade == "replace", "who looks again decides over the third"


@pytest.mark.parametrize(
    ("other", "field"),
    [
        (Label.read({"part": "none"}), "part"),
        (Label.read({"part": "flame_cell", "fit": False, "faults": ["glare"]}), "fit"),
        (Label.read({"part": "electrode", "view": "side", "grade": "serviceable"}), "part"),
        (flame(grade="clean-and-reuse"), "grade"),
    ],
)
def test_the_field_that_decides_is_named_alone(other: Label, field: str) -> None:
    found = differences(Given("a", 1, flame(grade="serviceable")), Given("b", 2, other), LIMITS)
    assert [one.field for one in found] == [field]


def test_measures_that_touch_agree_and_come_to_their_mean() -> None:
    label = flame(grade="clean-and-reuse", matches={"haze": 0.2})
    near = Given("b", 2, label, {"haze": Measured(0.3, 0.25, 0.35)})
    truth = settled([Given("a", 1, label, {"haze": Measured(0.2, 0.15, 0.25)}), near])
    bound = truth.bounds["haze"]
    assert bound.value == pytest.approx(0.25)
    assert (bound.low, bound.high, bound.source) == (pytest.approx(0.2), pytest.approx(0.3), "match")
    far = Given("b", 2, label, {"haze": Measured(0.4, 0.36, 0.40)})
    assert [one.field for one in differences(near, far, LIMITS)] == ["measures.haze"]


def test_what_one_can_not_see_is_not_claimed() -> None:
    sure = flame(grade="serviceable", modes={"crack": "absent", "clouding": "absent"})
    unsure = flame(grade="serviceable", modes={"crack": "not seen", "clouding": "absent"})
    truth = settled([Given("a", 1, sure), Given("b", 2, unsure)])
    assert truth.rank == "agreed"
    assert "crack_ratio" not in truth.bounds
    assert truth.bounds["haze"].high == 0.10


def test_a_mark_corrects_its_authors_word_and_the_grade_follows() -> None:
    said = flame(grade="serviceable", modes={"housing": "absent"})
    truth = settled([Given("a", 1, said, {"rim_deviation": Measured(0.2, 0.18, 0.22)})])
    assert (truth.grade, truth.acceptable_grades) == ("replace", ("replace",))


def test_a_value_in_a_guard_band_makes_both_grades_right() -> None:
    said = flame(grade="serviceable", modes={"clouding": "serviceable"})
    truth = settled([Given("a", 1, said, {"haze": Measured(0.12, 0.07, 0.17)})])
    assert truth.acceptable_grades == ("serviceable", "clean-and-reuse")


def test_a_bad_reading_makes_it_replace_and_a_good_one_clears_what_it_can() -> None:
    fine = Given("a", 1, flame(grade="serviceable"))
    bad = Evidence("reading", ("film", "clouding"), "replace", "replace")
    truth = settled([fine], bad)
    assert (truth.grade, truth.rank, truth.at_least) == ("replace", "reading", None)
    assert truth.bounds["haze"].low == 0.30, "film never means replace, so it is the clouding"
    assert truth.bounds["crack_ratio"].high == 0.15, "of the crack it says nothing"
    good = Evidence("reading", ("film", "clouding"), "serviceable", "clean-and-reuse")
    clouded = Given("a", 1, flame(grade="replace", modes={"clouding": "replace", "crack": "absent"}))
    truth = settled([clouded], good)
    assert (truth.grade, truth.rank) == ("serviceable", "one")
    assert truth.acceptable_grades == ("serviceable", "clean-and-reuse")
    cracked = Given("a", 1, flame(grade="replace", modes={"clouding": "replace", "crack": "replace"}))
    assert settled([cracked], good).grade == "replace"
    unnamed = settled([Given("a", 1, flame(grade="replace"))], good)
    assert unnamed.grade == "replace"
    assert unnamed.at_least is not None
    assert unnamed.at_least.modes == ("crack", "scorch", "housing")


def test_a_good_reading_does_not_deny_what_is_to_be_cleaned() -> None:
    good = Evidence("reading", ("film", "clouding"), "serviceable", "clean-and-reuse")
    dirty = Given("a", 1, flame(grade="clean-and-reuse", modes={"film": "clean-and-reuse"}))
    assert settled([dirty], good).grade == "clean-and-reuse"
    assert settled([Given("a", 1, flame(grade="clean-and-reuse"))], good).grade == "clean-and-reuse"


def test_evidence_takes_away_a_difference_that_it_decides() -> None:
    one = Given("a", 1, flame(grade="replace", modes={"clouding": "replace", "crack": "absent"}))
    other = Given("b", 2, flame(grade="serviceable", modes={"clouding": "absent", "crack": "absent"}))
    assert isinstance(settle([one, other], (), LIMITS), Dispute)
    bad = Evidence("reading", ("clouding",), "replace", "replace")
    truth = settled([one, other], bad)
    assert (truth.grade, truth.rank) == ("replace", "reading")


def test_a_reading_outranks_a_pair_and_the_worse_of_two_readings_holds() -> None:
    fine = Given("a", 1, flame(grade="serviceable"))
    pair = Evidence("pair", ("clouding",), "serviceable", "replace", {"haze": (0.5, 0.6)})
    assert settled([fine], pair).grade == "replace"
    assert settled([fine], pair).rank == "pair"
    good = Evidence("reading", ("clouding",), "serviceable", "clean-and-reuse")
    assert settled([fine], pair, good).grade == "serviceable"
    bad = Evidence("reading", ("clouding", "film"), "replace", "replace")
    assert settled([fine], good, bad).grade == "replace"


def test_a_bad_reading_of_modes_that_the_view_does_not_all_show_condemns_nothing_in_it() -> None:
    side = Given("a", 1, Label.read({"part": "coupler", "view": "side", "grade": "serviceable"}))
    loose = Evidence("reading", ("drive rounding", "bow"), "replace", "replace")
    assert settled([side], loose).grade == "serviceable"
    end = Given("a", 1, Label.read({"part": "coupler", "view": "end", "grade": "serviceable"}))
    assert settled([end], Evidence("reading", ("drive rounding",), "replace", "replace")).grade == "replace"


def test_none_and_unfit_photos_settle_without_a_grade() -> None:
    none = settled([Given("a", 1, Label.read({"part": "none"})), Given("b", 2, Label.read({"part": "none"}))])
    assert (none.part, none.grade, none.acceptable_grades, none.rank) == ("none", None, (), "agreed")
    blurred = Label.read({"part": "coupler", "fit": False, "faults": ["blurred"]})
    dark = Label.read({"part": "coupler", "fit": False, "faults": ["too_dark"]})
    truth = settled([Given("a", 1, blurred), Given("b", 2, dark)])
    assert (truth.fit, truth.faults, truth.grade) == (False, ("blurred", "too_dark"), None)


def test_no_label_is_no_truth() -> None:
    with pytest.raises(ValueError, match="no label"):
        settle([], (), LIMITS)


def test_readings_of_the_standards_checks_become_evidence() -> None:
    checks = load_checks()
    seen = set()
    for part in PARTS:
        for check in checks.of(part):
            for answer in check.reading.answers if check.reading else ():
                if answer.word:
                    value: object = answer.word
                elif answer.code is None and answer.high > answer.low:
                    value = (answer.low + min(answer.high, answer.low + 1)) / 2
                else:
                    continue
                (finding,) = read_readings(part, {check.id: value}, checks)
                found = of_reading(finding)
                assert (found is not None) == bool(finding.modes)
                if found is not None:
                    assert found.modes == finding.modes
                    assert (found.least == "replace") == (finding.says == "replace")
                    seen.add(finding.says)
    assert {"good", "replace"} <= seen


def test_a_wiping_pair_says_what_each_of_its_photos_shows() -> None:
    pair = WipingPair({"film_loss": (0.2, 0.3)}, {"haze": (0.05, 0.1)}, "serviceable", ("serviceable",), "")
    names = {mode.measure: mode.key for mode in PARTS["flame_cell"].modes}
    before = {measure: ends for one in of_pair(pair, names, before=True) for measure, ends in one.bounds.items()}
    after = {measure: ends for one in of_pair(pair, names, before=False) for measure, ends in one.bounds.items()}
    assert before == {"film_loss": (0.2, 0.3), "haze": (0.05, 0.1)}
    assert after == {"haze": (0.05, 0.1)}
    veiled = Given("a", 1, flame(grade="replace", modes={"clouding": "replace"}))
    truth = settled([veiled], *of_pair(pair, names, before=True))
    assert truth.grade == "clean-and-reuse", "what looked like a veil wiped off"
    assert truth.bounds["haze"].high == 0.1
