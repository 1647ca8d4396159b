"""Findings: the decisions of the trade come out, doubt stays doubt, a measurement wins over the photo.

Checked against the handbook: the rows of section 11 (common practice), C1.6 (wipe and remeasure), C5.2 (a setting is
not wear) and C9.4 (a melted part always opens the branch "find the heat source"). Scores are our own convention.
"""

from __future__ import annotations

import copy
import json
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wearvision.parts import PARTS
from wearvision.standard.counter import CounterFinding, checks_at_counter, judge
from wearvision.standard.limits import load_limits, override_limits
from wearvision.standard.origins import load_origins
from wearvision_api.returns.findings import Facts, Finding, findings
from wearvision_api.returns.overall import Overall, weigh_findings
from wearvision_api.returns.policy import load_policy, propose
from wearvision_api.returns.reasoning import SURE, agreed, capped, likely

LIMITS = load_limits()
NEW, OLD = Facts("coupler", hours_run=40, days_run=10), Facts("coupler", hours_run=900, days_run=300)


def value_of(part: str, measure: str, grade: str) -> float:
    """A value that is surely of a grade."""
    row = LIMITS.row(part, measure)
    if grade == "serviceable":
        return 0.0
    if grade == "replace":
        return float(row.replace_from or 0) * 1.5
    return float(row.clean_from or 0) * 1.1


def report(part: str, **worn: str | tuple[float, float, float] | None) -> dict[str, Any]:
    """A joint report: every mode surely serviceable, but for those named (a grade, a triple, or None: not seen)."""
    spec = PARTS[part]
    lines: list[dict[str, Any]] = []
    for mode in spec.modes:
        said = worn.get(mode.key.replace(" ", "_"), "serviceable")
        if said is None:
            lines.append({"name": mode.measure, "mode": mode.key, "value": None, "reason": "not_resolvable"})
            continue
        middle = value_of(part, mode.measure, said) if isinstance(said, str) else said[0]
        low, high = (middle, middle) if isinstance(said, str) else said[1:]
        row = LIMITS.row(part, mode.measure)
        lines.append(
            {"name": mode.measure, "mode": mode.key, "value": middle, "low": low, "high": high, "unit": "1"}
            | {"grade": row.grade_of(middle), "agree": True}
        )
    unseen = [mode.key for mode in spec.modes if worn.get(mode.key.replace(" ", "_"), "") is None]
    return {
        "usable": True,
        "part": {"name": part, "probability": 1.0, "view": spec.views[0]},
        "measures": lines,
        "not_seen": unseen,
        "views_missing": [],
    }


def weighed(facts: Facts, seen: dict[str, Any] | None, **read: Any) -> tuple[dict[str, Finding], Overall]:
    found = findings(seen, readings(facts.part, read), facts)
    return {one.about: one for one in found}, weigh_findings(found)


def readings(part: str, read: dict[str, Any]) -> list[CounterFinding]:
    entries = {key.replace("_", "-"): value for key, value in read.items()}
    return [
        judge(key, value if isinstance(value, dict) else {"reading": value}, part=part)
        for key, value in entries.items()
    ]


def lit(part: str, wiped: str = "", good: str = "500") -> dict[str, str]:
    return {"adapted": "yes", "lit_good": good, "lit_part": part, "lit_wiped": wiped}


DARK = {"adapted": "yes", "waited": "yes", "dark_good": "2 Mohm", "dark_part": "1.5 Mohm"}


# ------------------------------------------------------------------------------------------- decisions of the trade


@pytest.mark.parametrize(
    ("facts", "seen", "read", "cause", "sure"),
    [
        # flame cell dirty: wipe, remeasure
        (Facts("flame_cell"), report("flame_cell", film="clean-and-reuse"), {}, "dirt", "clear"),
        (
            Facts("flame_cell"),
            report("flame_cell"),
            {"cell_lit_beside_good": lit("1650", "520"), "cell_dark_beside_good": DARK},
            "dirt",
            "clear",
        ),
        # scorched, melted: heat
        (Facts("flame_cell"), report("flame_cell", scorch="replace"), {}, "heat", "likely"),
        (Facts("flame_cell"), report("flame_cell", scorch="replace", housing="replace"), {}, "heat", "clear"),
        (Facts("flame_cell"), report("flame_cell", clouding="replace", scorch="replace"), {}, "heat", "clear"),
        (Facts("flame_cell"), report("flame_cell", housing="replace"), {"cell_fit": "melted"}, "heat", "clear"),
        # clouded without heat after long service
        (
            Facts("flame_cell", hours_run=900),
            report("flame_cell", clouding="replace"),
            {},
            "service-wear",
            "likely",
        ),
        # cracked without a burn at low hours: handling more than a defect, never clear
        (Facts("flame_cell", hours_run=40), report("flame_cell", crack="replace"), {}, "handling", "likely"),
        # no wear seen, bad reading
        (
            Facts("flame_cell", hours_run=40),
            report("flame_cell"),
            {"cell_lit_beside_good": lit("open")},
            "defect",
            "clear",
        ),
        (
            Facts("flame_cell", hours_run=300),
            report("flame_cell"),
            {"cell_lit_beside_good": lit("2600", "2500")},
            "defect",
            "likely",
        ),
        # the same at many hours: drift and defect stand against each other
        (
            Facts("flame_cell", hours_run=900),
            report("flame_cell"),
            {"cell_lit_beside_good": lit("2600", "2500")},
            "open",
            "open",
        ),
        # electrode: carbon, a struck ceramic, long service
        (Facts("electrode"), report("electrode", residue="clean-and-reuse"), {}, "dirt", "clear"),
        (Facts("electrode"), report("electrode", crack="replace", chip="replace"), {}, "handling", "clear"),
        (Facts("electrode", hours_run=900), report("electrode", tip_wear="replace"), {}, "service-wear", "clear"),
        (Facts("electrode", hours_run=40), report("electrode", tip_wear="replace"), {}, "open", "open"),
        (
            Facts("electrode", hours_run=40),
            report("electrode"),
            {"electrode_insulation": "0.2 Mohm"},
            "defect",
            "clear",
        ),
        # coupler: melted or distorted; rounded out; broken by a stiff pump
        (NEW, report("coupler", end_deformation="replace", bow="replace"), {}, "heat", "clear"),
        (NEW, report("coupler", end_deformation="replace"), {"coupler_fit": "melted"}, "heat", "clear"),
        (OLD, report("coupler", drive_rounding="replace"), {}, "service-wear", "clear"),
        (NEW, report("coupler", drive_rounding="replace"), {"coupler_spin": "pump stiff"}, "handling", "clear"),
        (NEW, report("coupler", drive_rounding="replace"), {}, "open", "open"),
        (NEW, report("coupler", crack="replace"), {"coupler_spin": "pump stiff"}, "handling", "clear"),
        (NEW, report("coupler", crack="replace"), {"coupler_spin": "both free"}, "defect", "likely"),
        (NEW, report("coupler", crack="replace"), {}, "open", "open"),
        (NEW, report("coupler", grime="clean-and-reuse"), {}, "dirt", "clear"),
        # grime on a cooked coupler is not what it is condemned for
        (NEW, report("coupler", grime="clean-and-reuse", end_deformation="replace"), {}, "heat", "likely"),
    ],
)
def test_likely_class(facts: Facts, seen: dict[str, Any], read: dict[str, Any], cause: str, sure: str) -> None:
    _, whole = weighed(facts, seen, **read)
    assert (whole.cause, whole.sure) == (cause, sure)


def test_a_high_lit_reading_as_it_came_condemns_nothing() -> None:
    """C1.6: film and 1650 ohm: wipe and remeasure first."""
    found, whole = weighed(
        Facts("flame_cell"), report("flame_cell", film="clean-and-reuse"), cell_lit_beside_good=lit("1650")
    )
    assert found["cell-lit-beside-good"].state == "doubtful"
    assert found["cell-lit-beside-good"].text.startswith("Wipe the window")
    assert whole.cause == "open"
    assert whole.possible_grades == ("clean-and-reuse", "replace")


@pytest.mark.parametrize(
    ("part", "mode"),
    [("flame_cell", "housing"), ("flame_cell", "scorch"), ("coupler", "end deformation"), ("coupler", "bow")],
)
@pytest.mark.parametrize("width", [0.0, 1.0])
def test_what_melted_opens_the_branch_to_the_heat_source(part: str, mode: str, width: float) -> None:
    """C9.4, also where the photo leaves open whether it is melted."""
    at = value_of(part, PARTS[part].mode(mode).measure, "replace")
    seen = report(part, **{mode.replace(" ", "_"): (at, at * (1 - width), at)})
    found, _ = weighed(Facts(part), seen)
    assert found[mode].state == ("may be worn" if width else "worn")
    assert any("find the heat source" in cause["title"] for cause in found[mode].look_at)


def test_a_gap_out_of_setting_changes_nothing() -> None:
    """C5.2: 2.5 or 6.0 mm is a setting, the wear grade stays."""
    seen = report("electrode")
    for gap in ("2.5", "4.0", "6.0"):
        _, whole = weighed(Facts("electrode"), seen, electrode_gap=gap)
        assert (whole.grade, whole.possible_grades) == ("serviceable", ("serviceable",))


# ------------------------------------------------------------------------------------------- doubt


def test_doubt_whether_it_is_worn_leaves_the_cause_open() -> None:
    at = value_of("coupler", "profile_deviation", "replace")
    found, whole = weighed(NEW, report("coupler", end_deformation=(at, 0.0, at)))
    one = found["end deformation"]
    assert (one.state, one.cause, one.sure) == ("may be worn", "open", "open")
    assert {sign.cause for sign in one.signs} == {"heat"}  # shown all the same, for the person who looks
    assert (whole.grade, whole.cause, whole.possible_grades) == ("replace", "open", ("serviceable", "replace"))


def test_doubt_how_far_it_is_worn_is_never_clear() -> None:
    seen = report("flame_cell", clouding=(0.35, 0.2, 0.5), scorch="replace")
    found, _ = weighed(Facts("flame_cell"), seen)
    assert found["clouding"].possible_grades == ("clean-and-reuse", "replace")
    assert found["clouding"].sure == "likely"


@pytest.mark.parametrize("part", PARTS)
@pytest.mark.parametrize("seen", [None, {"usable": False, "part": {"name": None}, "measures": []}])
def test_without_a_grade_every_mode_is_named_as_not_seen(part: str, seen: dict[str, Any] | None) -> None:
    found, whole = weighed(Facts(part), seen)
    assert list(found) == [mode.key for mode in PARTS[part].modes]
    assert {one.state for one in found.values()} == {"not seen"}
    assert whole.not_seen == tuple(found)
    assert (whole.grade, whole.cause, whole.fault, whole.doubt) == (None, "open", None, 1.0)
    assert len(whole.possible_grades) == 3


def test_an_unseen_mode_caps_how_sure_it_is() -> None:
    heat = {"end_deformation": "replace", "bow": "replace"}
    assert weighed(NEW, report("coupler", **heat))[1].sure == "clear"
    assert weighed(NEW, report("coupler", **heat, grime=None))[1].sure == "likely"
    assert weighed(NEW, report("coupler", grime="clean-and-reuse"))[1].cause == "dirt"
    assert weighed(NEW, report("coupler", grime="clean-and-reuse", crack=None))[1].cause == "open"


def test_a_drive_without_teeth_has_no_teeth_to_see() -> None:
    seen = report("coupler", drive_rounding="replace")
    line = next(one for one in seen["measures"] if one["mode"] == "tooth loss")
    line |= {"value": None, "reason": "not_in_view", "note": "This drive has corners, no teeth."}
    found, whole = weighed(OLD, seen)
    assert found["tooth loss"].state == "does not apply"
    assert whole.not_seen == ()
    seen["views_missing"] = ["end"]  # while an end is still to see, it may be the one with teeth
    assert weighed(OLD, seen)[0]["tooth loss"].state == "not seen"


def test_a_part_that_is_sound_has_no_fault() -> None:
    _, whole = weighed(NEW, report("coupler"), coupler_fit="slides on", coupler_play="snug")
    assert (whole.fault, whole.grade, whole.cause) == (False, "serviceable", "open")
    assert weighed(NEW, report("coupler"))[1].fault is None  # nobody held it in hand
    assert weighed(NEW, report("coupler"), coupler_fit="binds")[1].fault is True


def test_another_part_than_claimed_is_found_first_and_nothing_of_it_counts() -> None:
    facts = Facts("coupler", photo_part="electrode")
    found = findings(report("electrode", crack="replace"), [], facts)
    assert (found[0].kind, found[0].state) == ("part", "another part")
    assert "ignition electrode" in found[0].text
    assert {one.state for one in found[1:]} == {"not seen"}
    assert weigh_findings(found).doubt == 1.0
    assert weigh_findings(found).another_part


# ------------------------------------------------------------------------------------------- readings and the photo


def test_a_reading_settles_what_the_photo_left_open() -> None:
    at = value_of("coupler", "profile_deviation", "replace")
    seen = report("coupler", end_deformation=(at, 0.0, 0.7))
    found, whole = weighed(NEW, seen, coupler_fit="slides on")
    assert (found["end deformation"].state, found["end deformation"].decided_by) == ("not worn", ("coupler-fit",))
    assert whole.possible_grades == ("serviceable",)


def test_a_reading_against_a_photo_that_is_sure_leaves_both_possible() -> None:
    found, whole = weighed(NEW, report("coupler", crack="replace"), coupler_crack="none")
    assert found["crack"].possible_grades == ("serviceable", "replace")
    assert "Look again" in found["crack"].text
    assert whole.cause == "open"


def test_a_bad_reading_wins_over_a_photo_that_saw_nothing() -> None:
    found, whole = weighed(NEW, report("coupler"), coupler_fit="melted")
    assert (found["end deformation"].state, whole.grade) == ("worn", "replace")
    assert whole.cause == "heat"


def test_a_reading_for_several_modes_condemns_none_that_it_cannot_tell_apart() -> None:
    seen = report("electrode", crack=(0.0, 0.0, 0.5), chip=(0.0, 0.0, 0.1))
    found, whole = weighed(Facts("electrode", hours_run=40), seen, electrode_insulation="0.2 Mohm")
    assert (found["crack"].state, found["chip"].state) == ("may be worn", "may be worn")
    assert (whole.grade, whole.cause) == ("replace", "open")  # crack, chip or the part itself: it can't be told


def test_a_good_insulation_clears_no_crack_that_is_seen() -> None:
    found, _ = weighed(Facts("electrode"), report("electrode", crack="replace"), electrode_insulation="200")
    assert found["crack"].state == "worn"


def test_the_pair_after_wiping_tells_film_from_clouding() -> None:
    seen = report("flame_cell", film=(0.05, 0.0, 0.4), clouding=(0.25, 0.0, 0.5))
    wiping = {"wiped": {"film_loss": [0.2, 0.4]}, "stays": {"haze": [0.0, 0.05]}}
    found = {one.about: one for one in findings(seen, [], Facts("flame_cell"), wiping=wiping)}
    assert (found["film"].state, found["clouding"].state) == ("worn", "not worn")
    assert weigh_findings(list(found.values())).cause == "dirt"


def test_the_last_of_several_readings_of_one_check_counts() -> None:
    read = [judge("coupler-fit", {"reading": word}) for word in ("melted", "slides on")]
    found = findings(report("coupler"), read, NEW)
    assert [one.state for one in found if one.kind == "reading"] == ["good"]


def test_other_limits_need_no_other_report() -> None:
    seen = report("flame_cell", film=(0.12, 0.12, 0.12))
    strict = override_limits(
        LIMITS, {"flame_cell": {"film_loss": {"serviceable_below": 0.02, "clean_from": 0.03}}}, "x"
    )
    states = [
        {one.about: one.state for one in findings(seen, [], Facts("flame_cell"), limits=limits)}["film"]
        for limits in (LIMITS, strict)
    ]
    assert states == ["not worn", "worn"]
    assert findings(seen, [], Facts("flame_cell"))[0].measure["limits"]["clean_from"] == 0.15  # type: ignore[index]


# ------------------------------------------------------------------------------------------- adding up


def test_how_signs_add_up() -> None:
    by = {(row.cause, row.weight, row.favours): row for row in load_origins().signs}
    weak, strong = by["heat", "weak", True], by["heat", "strong", True]
    other, against = by["defect", "weak", True], by["defect", "strong", False]
    assert likely([]) == ("open", "open")
    assert likely([weak]) == ("open", "open")
    assert likely([strong]) == ("heat", "likely")
    assert likely([strong, weak]) == ("heat", "clear")
    assert likely([strong, other]) == ("heat", "likely")
    assert likely([strong, weak, other, other]) == ("heat", "likely")
    assert likely([other, against]) == ("open", "open")


def test_what_all_ways_agree_on() -> None:
    assert agreed([("heat", "clear"), ("heat", "likely")]) == ("heat", "likely")
    assert agreed([("heat", "clear"), ("dirt", "clear")]) == ("open", "open")
    assert agreed([("heat", "clear"), ("open", "open")]) == ("open", "open")
    assert agreed([]) == ("open", "open")
    assert capped("heat", "clear", "likely") == ("heat", "likely")
    assert capped("heat", "clear", "open") == ("open", "open")


# ------------------------------------------------------------------------------------------- properties

GRADES_OF = st.sampled_from(["serviceable", "clean-and-reuse", "replace"])


@st.composite
def cases(draw: st.DrawFn) -> tuple[Facts, dict[str, Any], list[CounterFinding]]:
    part = draw(st.sampled_from(list(PARTS)))
    worn: dict[str, Any] = {}
    for mode in PARTS[part].modes:
        row = LIMITS.row(part, mode.measure)
        middle = value_of(part, mode.measure, draw(st.sampled_from(row.grades)))
        down, up = draw(st.sampled_from([(0.0, 0.0), (0.0, 0.0), (1.0, 0.0), (0.5, 2.0)]))
        worn[mode.key.replace(" ", "_")] = draw(
            st.just((middle, middle * (1 - down), middle + up * row.serviceable_below)) | st.none()
        )
    hours = draw(st.sampled_from([None, 10.0, 300.0, 2000.0]))
    claimed = draw(st.sampled_from(["", "defect", "heat"]))
    taken = []
    for check in checks_at_counter(part):
        if check.judged == "hand check" and check.fields[0].words and draw(st.booleans()):
            taken.append(judge(check.id, {"reading": draw(st.sampled_from(check.fields[0].words))}))
    return Facts(part, claimed, hours, 20, part), report(part, **worn), taken


@given(cases())
@settings(max_examples=60, deadline=None)
def test_findings_are_pure_and_plain(case: tuple[Facts, dict[str, Any], list[CounterFinding]]) -> None:
    facts, seen, taken = case
    before = copy.deepcopy(seen)
    first, second = findings(seen, taken, facts), findings(seen, taken, facts)
    assert seen == before
    assert first == second
    json.dumps([one.to_dict() for one in first], allow_nan=False)
    whole = weigh_findings(first)
    assert 0 <= whole.doubt <= 1
    assert (whole.cause == "open") == (whole.sure == "open")
    assert whole.grade is None or whole.grade in whole.possible_grades


@given(cases(), st.randoms(use_true_random=False))
@settings(max_examples=60, deadline=None)
def test_the_order_of_readings_does_not_matter(case: tuple[Facts, dict[str, Any], list[CounterFinding]], rng) -> None:
    facts, seen, taken = case
    shuffled = rng.sample(taken, len(taken))
    assert weigh_findings(findings(seen, taken, facts)) == weigh_findings(findings(seen, shuffled, facts))


@given(cases(), st.data())
@settings(max_examples=150, deadline=None)
def test_more_doubt_never_makes_it_surer(
    case: tuple[Facts, dict[str, Any], list[CounterFinding]], data: st.DataObject
) -> None:
    """With a mode in doubt or not seen it is no surer than whichever way that mode turns out, of the same class, and
    never asks for one signature less."""
    facts, seen, taken = case
    taken = [one for one in taken if not one.modes]  # a reading settles the very doubt that is put in here
    place = data.draw(st.integers(0, len(seen["measures"]) - 1))
    blurred = copy.deepcopy(seen)
    line = blurred["measures"][place]
    row = LIMITS.row(facts.part, line["name"])
    ends = [value_of(facts.part, line["name"], grade) for grade in row.grades]
    if data.draw(st.booleans()):
        line |= {"value": data.draw(st.sampled_from(ends)), "low": 0.0, "high": max(ends)}
    else:
        blurred["measures"][place] = {"name": line["name"], "mode": line["mode"], "value": None, "reason": "glare"}
        blurred["not_seen"] = [*seen["not_seen"], line["mode"]]
    soft = findings(blurred, taken, facts)
    for end in ends:
        settled = copy.deepcopy(seen)
        settled["measures"][place] |= {"value": end, "low": end, "high": end}
        settled["not_seen"] = [mode for mode in seen["not_seen"] if mode != line["mode"]]
        sharp = findings(settled, taken, facts)
        doubtful, certain = weigh_findings(soft), weigh_findings(sharp)
        assert SURE.index(doubtful.sure) <= SURE.index(certain.sure)
        assert doubtful.cause in ("open", certain.cause)
        needs = [propose(load_policy(), one, facts).needs_second for one in (soft, sharp)]
        assert needs[0] >= needs[1]


def test_a_class_counts_only_if_it_comes_out_whichever_way_a_doubt_turns_out() -> None:
    rounded = report("coupler", drive_rounding="replace")
    assert weighed(OLD, rounded)[1].sure == "clear"
    also = report("coupler", drive_rounding="replace", end_deformation=(0.0, 0.0, 0.7))
    assert weighed(OLD, also)[1].sure == "likely"  # were the end melted, heat would stand beside service wear
