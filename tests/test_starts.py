"""Where to start: the table can be walked to an end by every way, and the walker says what each answer meant.

Bands and order are the standard's own (mostly common practice, no published source); here they are checked for
being whole, walkable and safe. Safety lines: handbook checks C9.1, C9.3 and C9.4.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from typing import Any

import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from wearvision.cli import main
from wearvision.errors import LimitsError, ReadingError, UnknownStart, WalkError
from wearvision.parts import PARTS
from wearvision.readings import UNITS
from wearvision.standard import DEFERENCE, load_starts
from wearvision.standard.checks import Answer
from wearvision.standard.starts import COMPUTES, End, StartCheck, read_starts
from wearvision.walk import NOTES, walk

DATA = load_starts()
STARTS = list(DATA.starts)
CHECKS = list(DATA.checks.values())
RESTART = re.compile(r"\brestart|start it by|light-off|it lights", re.I)


def value_of(answer: Answer) -> Any:
    """An answer as a person enters it: the word, or the middle of the band."""
    return answer.word or (answer.low + answer.high) / 2


@cache
def edges(start: str) -> dict[str, tuple[tuple[Answer, str], ...]]:
    """Check id to its answers with the id that each leads to."""
    found = {}
    for check in DATA.checks_of(start):
        assert check.reading is not None
        found[check.id] = tuple((one, DATA.after(start, check.id, one.next).id) for one in check.reading.answers)
    return found


def routes(start: str) -> Iterator[tuple[str, ...]]:
    """All ways through a start as ids, each edge between two checks taken once for each way to it, to the end."""
    graph = {key: sorted({after for _, after in out}) for key, out in edges(start).items()}

    def go(path: tuple[str, ...]) -> Iterator[tuple[str, ...]]:
        if path[-1] in DATA.ends:
            yield path
            return
        for after in graph[path[-1]]:
            yield from go((*path, after))

    yield from go((DATA.start(start).checks[0],))


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.id)
def test_check_is_complete_and_plain_json(check: StartCheck) -> None:
    record = json.loads(json.dumps(check.to_dict(), allow_nan=False))
    assert all(record[key] for key in ("id", "title", "why", "needs", "steps", "cautions", "source", "reading"))
    assert check.why.endswith(".")
    assert check.reading is not None
    assert check.reading.unit in {"", *UNITS}
    assert check.reading.unit or check.reading.expect["text"] in check.reading.words
    assert record["reading"]["answers"]
    for answer in record["reading"]["answers"]:
        assert answer["text"].endswith(".")
        assert answer["next"]
        assert ("word" in answer) != ("low" in answer)
    words = [word.casefold() for word in check.reading.words]
    assert len(set(words)) == len(words)
    assert all("," not in word for word in words)


@pytest.mark.parametrize("check", [c for c in CHECKS if c.reading and c.reading.unit], ids=lambda check: check.id)
def test_bands_begin_at_nothing_and_hold_the_expected_range(check: StartCheck) -> None:
    bands = sorted((a.low, a.high, a.says) for a in check.reading.answers if not a.word)
    assert bands[0][0] == 0
    assert not math.isinf(bands[-1][1])
    if check.id == "analyser":  # what it expects follows from the oxygen
        return
    low, high = check.reading.expect["low"], check.reading.expect["high"]
    hit = {says for start, end, says in bands if start < high - 1e-9 and end > low + 1e-9}
    assert "good" in hit
    assert hit <= {"good", "again"}


@pytest.mark.parametrize("check", [c for c in CHECKS if c.part], ids=lambda check: check.id)
def test_photograph_is_answered_by_every_grade(check: StartCheck) -> None:
    assert check.part in PARTS
    assert {"serviceable", "clean-and-reuse", "replace", "no photo"} <= set(check.reading.words)
    assert any("before any cleaning" in step for step in check.steps)


def test_every_part_is_photographed_somewhere() -> None:
    assert {check.part for check in CHECKS} - {""} == set(PARTS)


def test_symptoms_are_those_asked_for() -> None:
    assert STARTS == ["dead", "drops-out", "black-smoke", "no-fuel", "no-spark"]


@pytest.mark.parametrize("start", STARTS)
def test_every_check_is_reached_and_every_way_leads_forward_to_an_end(start: str) -> None:
    order = DATA.start(start).checks
    reached = {order[0]}
    for place, key in enumerate(order):
        assert key in reached, f"{key} is reached by no answer"
        for _, after in edges(start)[key]:
            assert after in DATA.ends or order.index(after) > place
            reached.add(after)
    assert "running" in reached


def test_no_row_is_left_over() -> None:
    plain = DATA.to_dict()
    assert [row["id"] for row in plain["ends"]] == list(DATA.ends)
    assert {key for start in DATA.starts.values() for key in start.checks} == set(DATA.checks)


@pytest.mark.parametrize("start", STARTS)
def test_every_answer_of_every_check_can_be_walked(start: str) -> None:
    """Each edge is walked once, by the shortest way to its check, with the answer as a person enters it."""
    way: dict[str, list[dict[str, Any]]] = {DATA.start(start).checks[0]: []}
    ends = set()
    for key in DATA.start(start).checks:
        for answer, after in edges(start)[key]:
            answers = [*way[key], {"check": key, "answer": value_of(answer)}]
            if key == "analyser" and not answer.word:  # 14 % fits the 2 % oxygen of the way there
                answers[-1] = {"check": key, "answer": 14}
            if key == "carbon-dioxide":  # the pair is tested below; here an analyser that reads one gas only
                answers = [one | {"answer": "no analyser"} if one["check"] == "oxygen" else one for one in answers]
            walked = walk(start, answers)
            last = walked.steps[-1]
            assert last.finding.text == answer.text
            assert (walked.end or walked.check).id == after == last.leads_to
            assert (walked.end is None) != (walked.check is None)
            json.dumps(walked.to_dict(), allow_nan=False)
            ends |= {walked.end.id} if walked.end else set()
            if after in DATA.checks and after not in way:
                way[after] = answers
    assert {"running", "oil-in-chamber"} <= ends


@settings(max_examples=60, deadline=None)
@given(st.sampled_from(STARTS), st.randoms(use_true_random=False))
def test_any_walk_ends_by_the_data_alone(start: str, chance: Any) -> None:
    """A second walker on the JSON, as a page has it, comes to the same end as the walker."""
    plain = json.loads(json.dumps(DATA.to_dict(start)))
    checks, ends = ({row["id"]: row for row in plain[key]} for key in ("checks", "ends"))
    order, then = plain["starts"][0]["checks"], plain["starts"][0]["then"]
    place, answers = order[0], []
    while place not in ends:
        options = checks[place]["reading"]["answers"]
        answer = chance.choice(options)
        entered = answer.get("word", answer.get("low"))
        if place in ("carbon-dioxide", "analyser") and "word" not in answer:
            oxygen = next(one["answer"] for one in answers if one["check"] == "oxygen")
            if oxygen != "no analyser":  # what belongs to it at a fuel factor of 1.348
                entered = (20.9 - oxygen) / 1.348
                answer = next(one for one in options if "low" in one and one["low"] <= entered < one["high"])
        answers.append({"check": place, "answer": entered})
        follows = [*order, then][order.index(place) + 1]
        place = follows if answer["next"] == "onward" else answer["next"]
    walked = walk(start, answers)
    assert walked.end is not None
    assert walked.end.id == place


# C9.1, handbook section 9: an oil-heat council's FAQ and a technicians' manual p. 15-5.
@pytest.mark.parametrize("start", STARTS)
def test_c9_1_reset_once_and_the_chamber_come_before_any_restart(start: str) -> None:
    seen = 0
    for path in set(routes(start)):
        said = ""
        for check in (DATA.checks[key] for key in path if key in DATA.checks):
            for step in check.steps:
                if RESTART.search(step):
                    seen += 1
                    assert "press reset once only" in (said + step).casefold()
                    assert "look into the chamber for oil" in (said + step).casefold()
                said += step + " "
    assert seen


@pytest.mark.parametrize("start", STARTS)
def test_reset_is_pressed_at_most_once_in_any_walk(start: str) -> None:
    lengths = set()
    for path in set(routes(start)):
        presses = [key for key in path if key in DATA.checks and DATA.checks[key].presses_reset]
        assert len(presses) <= 1
        lengths.add(len(presses))
        if path[-1] == "running":
            assert len(presses) == 1
    assert lengths == {0, 1}


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.id)
def test_reset_is_asked_for_only_where_the_data_say_so(check: StartCheck) -> None:
    asks = [
        step for step in check.steps if re.search(r"press reset once only, for|locked out: press reset", step, re.I)
    ]
    assert bool(asks) == check.presses_reset
    if check.presses_reset:
        text = " ".join(check.steps)
        assert "look into the chamber for oil, leave the door ajar, stand to the side" in text
        failed = [a for a in check.reading.answers if a.word in ("locked out", "drops out again", "no flame")]
        assert failed
        assert all("no second press" in answer.text.casefold() and answer.next == "locked-out" for answer in failed)


# C9.3, handbook section 9: a trade study set ("do not measure with a standard multimeter").
@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.id)
def test_c9_3_no_step_asks_for_a_live_high_voltage_reading(check: StartCheck) -> None:
    for step in check.steps:
        assert not re.search(r"(measure|read|test|meter)[^.]*(spark|ignition|high[- ]voltage|kV)", step, re.I), step
        assert not re.search(r"draw an arc|jump(er|ed) the", step, re.I), step
    if check.reading.unit == "V":
        assert max(answer.high for answer in check.reading.answers) <= 20
        assert re.search(r"low-voltage supply terminals only", check.cautions[0], re.I)
    if "electrode" in check.title.casefold():
        assert "verify dead" in check.steps[0]
        assert "ground the electrodes before you touch them" in " ".join(check.steps)


# C9.4, handbook sections 9 and 11: common practice.
@pytest.mark.parametrize("start", STARTS)
def test_c9_4_a_melted_part_opens_the_heat_source_branch(start: str) -> None:
    for key, out in edges(start).items():
        for answer, after in out:
            if "melted" in answer.word:
                assert after == "heat-source", key
                assert "heat source" in answer.text
    parts = {check.part for check in DATA.checks_of(start)}
    words = {a.word for check in DATA.checks_of(start) for a in check.reading.answers}
    assert ("melted" in words) == bool(parts & {"flame_cell", "coupler"})


# C9.2, handbook section 9: 40 CFR 261.24 Table 1.
def test_c9_2_a_cell_to_replace_carries_the_cadmium_line() -> None:
    check = DATA.checks["photo-cell"]
    assert any("Cadmium" in line and "do not break" in line for line in check.cautions)
    (text,) = [answer.text for answer in check.reading.answers if answer.word == "replace"]
    assert "dispose" in text
    assert "cadmium" in text


def test_heat_source_not_found_lets_no_new_part_in() -> None:
    check = DATA.checks["heat-source"]
    onward = [answer.word for answer in check.reading.answers if answer.next == "onward"]
    assert onward == ["found and mended"]


@pytest.mark.parametrize(
    "check", [c for c in CHECKS if c.id not in ("supply-rest", "lock-out")], ids=lambda check: check.id
)
def test_hands_go_in_only_after_it_is_isolated(check: StartCheck) -> None:
    """Checks on the running burner say so; all others isolate before anything is opened or touched."""
    running = {"supply-load", "restart", "air-band", "smoke", "oxygen", "analyser", "carbon-dioxide", "draft"}
    running |= {"cut-off"}
    if check.id in running:
        assert not re.search(
            r"\b(take|unplug|loosen|open) (the|each) (cell|coupler|gun|nozzle|coil|plug)", " ".join(check.steps), re.I
        )
    else:
        first = " ".join(check.steps[:2]).casefold()
        assert "isolate" in first or "the coupler is out" in first


def test_units_are_read_metric_and_inch() -> None:
    run = [("chamber", "dry"), ("supply-rest", "12.6 V"), ("supply-load", {"value": 14.1, "unit": "V"})]
    run += [("connections", "tight"), ("burn-marks", "none"), ("spring-contacts", "press")]
    run += [
        ("photo-electrode", "clean-and-reuse"),
        ("electrode-set", "5/32 in"),
        ("nozzle", "matches"),
        ("restart", "Runs"),
    ]
    run += [("pump-pressure", "140 psi"), ("cut-off", "80 %"), ("air-band", "clear"), ("smoke", {"reflectance": 95})]
    run += [("oxygen", 5), ("carbon-dioxide", "11.8 %"), ("draft", "0.02 inWC")]
    walked = walk("no-spark", [{"check": key, "answer": answer} for key, answer in run])
    assert walked.end is not None
    assert walked.end.id == "running"
    assert walked.photograph == ("electrode",)
    found = {one["check"]: (one["value"], one["unit"]) for one in walked.settings}
    # 5/32 in = 3.969 mm, 140 psi = 9.653 bar, 0.02 inWC = 4.98 Pa: by definition of the units.
    assert found["electrode-set"] == (pytest.approx(3.969, abs=1e-3), "mm")
    assert found["pump-pressure"] == (pytest.approx(9.653, abs=1e-3), "bar")
    assert found["draft"] == (pytest.approx(4.98, abs=0.01), "Pa")
    assert found["smoke"] == (pytest.approx(0.5), "spot")
    assert set(found) == {"supply-rest", "supply-load", "cut-off", "oxygen", "carbon-dioxide"} | {
        "electrode-set", "pump-pressure", "draft", "smoke",
    }  # fmt: skip
    notes = {step.check.id: step.note for step in walked.steps if step.note}
    assert "1.18 times" in notes["pump-pressure"]
    assert "11.8 %" in notes["oxygen"]
    assert "29 % excess air" in notes["oxygen"]


FIRST = {"check": "chamber", "answer": "dry"}


def to_gases(oxygen: Any) -> list[dict[str, Any]]:
    run = {"chamber": "dry", "tank": "in order", "solenoid": "in and out", "connections": "tight"}
    run |= {"motor-spin": "both free", "photo-coupler": "serviceable", "fit-coupler": "slides on", "nozzle": "matches"}
    run |= {"bleed": "runs without bubbles", "pump-pressure": "no gauge", "cut-off": "no gauge", "air-band": "clear"}
    return [{"check": key, "answer": answer} for key, answer in (run | {"smoke": 0, "oxygen": oxygen}).items()]


# C6.4, handbook section 6: form published, range remembered.
def test_c6_4_gases_that_do_not_fit_each_other_are_refused() -> None:
    with pytest.raises(
        ReadingError, match=r"11 % does not fit oxygen 10.5 % \(fuel factor 0\.945\).*Zero the analyser"
    ):
        walk("no-fuel", [*to_gases(10.5), {"check": "analyser", "answer": 11}])
    with pytest.raises(ReadingError, match=r"fuel factor 1\.445"):
        walk("no-fuel", [*to_gases(6.45), {"check": "carbon-dioxide", "answer": 10}])
    assert walk("no-fuel", [*to_gases(10.5), {"check": "analyser", "answer": 7.7}]).end.id == "combustion-off"
    assert walk("no-fuel", [*to_gases(5), {"check": "carbon-dioxide", "answer": 11.8}]).check.id == "draft"
    assert walk("no-fuel", [*to_gases("no analyser"), {"check": "carbon-dioxide", "answer": 11}]).check.id == "draft"
    assert walk("no-fuel", [*to_gases(5), {"check": "carbon-dioxide", "answer": "no analyser"}]).check.id == "draft"


def test_a_range_across_a_limit_leaves_the_check_open() -> None:
    start = [FIRST, {"check": "supply-rest", "answer": "12.3-12.7"}]
    walked = walk(
        "drops-out",
        [FIRST, {"check": "photo-cell", "answer": "serviceable"}, {"check": "cell-sight", "answer": "clear"}, start[1]],
    )
    assert walked.check.id == "supply-rest"
    assert walked.steps[-1].finding.says == "again"
    again = [{"check": one.check.id, "answer": one.finding.entered} for one in walked.steps]
    walked = walk("drops-out", [*again, {"check": "supply-rest", "answer": 12.6}])
    assert walked.check.id == "supply-load"
    assert [one["value"] for one in walked.settings] == [12.6]


def test_a_range_within_one_band_counts_by_its_middle_and_keeps_its_ends() -> None:
    answers = [one for one in to_gases(5) if one["check"] not in ("cut-off", "air-band", "smoke", "oxygen")]
    answers[-1] = {"check": "pump-pressure", "answer": "100-104 psi"}
    (setting,) = walk("no-fuel", answers).settings
    low, high = 100 * 0.0689476, 104 * 0.0689476  # bar, by definition of the units
    assert [setting[key] for key in ("low", "value", "high")] == pytest.approx([low, (low + high) / 2, high])


def test_gases_are_compared_by_the_last_reading_of_a_check() -> None:
    """The first oxygen lies on both sides of a limit and would not fit: it was read again."""
    answers = [*to_gases("0.5-4.5"), {"check": "oxygen", "answer": 7}]
    assert walk("no-fuel", [*answers, {"check": "carbon-dioxide", "answer": 10.3}]).check.id == "draft"
    with pytest.raises(ReadingError, match="does not fit oxygen 7 %"):
        walk("no-fuel", [*answers, {"check": "carbon-dioxide", "answer": 12.2}])


@pytest.mark.parametrize("bad", ["Measure the spark.", "Read the high voltage.", "Draw an arc."])
def test_c9_3_sees_what_it_is_to_forbid(bad: str) -> None:
    check = replace(DATA.checks["restart"], steps=(bad,))
    with pytest.raises(AssertionError):
        test_c9_3_no_step_asks_for_a_live_high_voltage_reading(check)


def test_a_range_between_two_ways_is_open_though_both_say_the_same() -> None:
    """Under 1 V and under 13.3 V lead elsewhere: same kind of answer would not be enough to go on."""
    text = BASE.replace('below = 1, says = "good", next = "onward"', 'below = 1, says = "good", next = "stop"')
    data = read_starts("site.toml", text)
    assert walk("odd", [{"check": "one", "answer": "0.5-1.5"}], data).check.id == "one"


@pytest.mark.parametrize(
    ("answers", "error", "reason"),
    [
        ([{"check": "tank", "answer": "in order"}], WalkError, "next check is 'chamber'"),
        ([FIRST, FIRST], WalkError, "Answer 2 is for 'chamber'; the next check is 'tank'"),
        ([FIRST | {"answer": "oil"}, FIRST], WalkError, "has ended at 'oil-in-chamber'"),
        ([{"check": "chamber"}], WalkError, "needs the form"),
        (["dry"], WalkError, "needs the form"),
        ([FIRST | {"answer": "damp"}], ReadingError, "enter one of dry, oil"),
        ([FIRST | {"answer": 3}], ReadingError, "enter one of dry, oil"),
        ([*to_gases(5)[:9], {"check": "pump-pressure", "answer": "100 V"}], ReadingError, "unit 'V' does not fit"),
        ([*to_gases(5)[:9], {"check": "pump-pressure", "answer": 60}], ReadingError, "no plausible pump pressure"),
        ([*to_gases(5)[:-2], {"check": "smoke", "answer": {"reflectance": 120}}], ReadingError, "between 0 and 100"),
        ([*to_gases(5)[:-2], {"check": "smoke", "answer": {"reflectance": "x"}}], ReadingError, "must be a number"),
        ([*to_gases(5)[:-1], {"check": "oxygen", "answer": 21}], ReadingError, "no plausible oxygen"),
    ],
)
def test_answers_out_of_turn_or_without_sense_are_refused(answers: list[Any], error: type, reason: str) -> None:
    with pytest.raises(error, match=reason):
        walk("no-fuel", answers)


def test_unknown_symptom_names_those_that_there_are() -> None:
    with pytest.raises(UnknownStart, match=r"no start 'noise'; there are dead, drops-out"):
        walk("noise")
    with pytest.raises(UnknownStart):
        DATA.to_dict("noise")


def test_a_new_walk_stands_at_the_first_check() -> None:
    walked = walk("dead")
    assert (walked.check.id, walked.steps, walked.end, walked.photograph, walked.settings) == (
        "chamber",
        (),
        None,
        (),
        (),
    )
    assert walk("drops-out", [FIRST]).photograph == ("flame_cell",)


BASE = """
[[start]]
id = "odd"
title = "Odd"
seen_as = "It is odd."
then = "stop"
checks = ["one"]
[[check]]
id = "one"
presses_reset = true
title = "One"
why = "Because."
needs = ["hand"]
steps = ["Isolate."]
cautions = ["Care."]
source = "none"
[check.reading]
quantity = "volts"
unit = "V"
expect = { low = 1, high = 20 }
answers = [
    { from = 0, below = 1, says = "good", next = "onward", text = "Low." },
    { from = 1, below = 20, says = "good", next = "onward", text = "High." },
]
[[end]]
id = "stop"
kind = "done"
title = "Stop"
text = "Stop."
source = "none"
"""


@pytest.mark.parametrize(
    ("old", "new", "reason"),
    [
        ("presses_reset = true", "", "start 'odd': reset is pressed in 0 checks"),
        ('"High."', '"High.", code = 3, word = "x", wrong = 1', "check 'one': unknown key of the answer 'wrong'"),
        ('next = "onward", text = "High."', 'next = "one", text = "High."', "leads to 'one', which is neither"),
        ('next = "onward", text = "High."', 'next = "two", text = "High."', "leads to 'two', which is neither"),
        ('next = "onward", text = "High."', 'text = "High."', "check 'one': next is missing"),
        ('checks = ["one"]', 'checks = ["one", "two"]', "there is no check or end 'two'"),
        ('checks = ["one"]', 'checks = ["one", "one"]', "'one' stands there twice"),
        ('checks = ["one"]', "checks = []", "it has no checks"),
        ('then = "stop"', 'then = "go"', "there is no check or end 'go'"),
        ('kind = "done"', 'kind = "perhaps"', "end 'stop': unknown kind of end 'perhaps'"),
        ('id = "stop"\nkind', 'id = "one"\nkind', "end 'one': the name stands there twice"),
        ('source = "none"\n[check', 'source = ""\n[check', "check 'one': source is empty"),
        ('title = "One"', 'title = "One"\ncomputes = "luck"', "check 'one': unknown computation 'luck'"),
        ("[[end]]", "[[end", "not valid TOML"),
    ],
)
def test_bad_row_names_file_row_and_reason(old: str, new: str, reason: str) -> None:
    assert BASE.count(old) == 1
    assert read_starts("site.toml", BASE).starts["odd"].checks == ("one",)
    with pytest.raises(LimitsError) as caught:
        read_starts("site.toml", BASE.replace(old, new))
    assert str(caught.value).startswith("site.toml")
    assert reason in str(caught.value)


def test_what_can_be_computed_is_what_the_walker_computes() -> None:
    assert {"", *NOTES} == set(COMPUTES)


@pytest.mark.parametrize("start", STARTS)
def test_command_prints_the_checks_in_order_with_their_ways(start: str) -> None:
    result = CliRunner().invoke(main, ["start", start])
    assert result.exit_code == 0
    text = " ".join(result.stdout.split())
    assert DEFERENCE[:40] in text
    places = [text.index(f"[{check.id}]") for check in DATA.checks_of(start)]
    assert places == sorted(places)
    for check in DATA.checks_of(start):
        for answer in check.reading.answers:
            after = DATA.after(start, check.id, answer.next)
            assert f"{answer.text} → {after.title}" in text
            assert not isinstance(after, End) or after.text in text


def test_command_lists_symptoms_gives_json_and_names_what_it_knows() -> None:
    assert all(f"[{start}]" in CliRunner().invoke(main, ["start"]).stdout for start in STARTS)
    assert json.loads(CliRunner().invoke(main, ["start", "--json"]).stdout) == json.loads(json.dumps(DATA.to_dict()))
    one = json.loads(CliRunner().invoke(main, ["start", "dead", "--json"]).stdout)
    assert [row["id"] for row in one["starts"]] == ["dead"]
    assert {row["id"] for row in one["checks"]} == set(DATA.start("dead").checks)
    wrong = CliRunner().invoke(main, ["start", "noise"])
    assert wrong.exit_code == 2
    assert "there are dead" in wrong.stderr
