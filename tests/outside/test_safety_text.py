"""Safety lines that must stand in what we print (handbook section 9, checks C9.1 to C9.4).

Sources: reset once and chamber first: an oil-heat council's FAQ and a technicians' manual p. 15-5; cadmium: 40 CFR
261.24 Table 1; no ordinary meter on ignition: trade study set; heat source first: common practice.
"""

from __future__ import annotations

import re

import pytest

from wearvision.standard import CAUTIONS, DEFERENCE, GRADES, causes_for, checks_for, load_checks, load_limits

CHECKS = list(load_checks().rows.values())
RESTART = re.compile(r"\brestart|with a steady flame|light-off", re.I)
ISOLATE = re.compile(r"isolate|take the (coupler|cell|electrode) out", re.I)


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.id)
def test_c9_1_reset_once_and_chamber_come_before_any_restart(check) -> None:
    for i, step in enumerate(check.steps):
        if RESTART.search(step):
            until = " ".join(check.steps[: i + 1]).casefold()
            before = until[: until.rindex("restart")] if "restart" in step.casefold() else until
            assert "press reset once only" in before
            assert "look into the chamber for oil" in until


def test_c9_1_is_not_empty() -> None:
    assert sum(bool(RESTART.search(step)) for check in CHECKS for step in check.steps) >= 5


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.id)
def test_every_restart_looks_into_the_chamber(check) -> None:
    for step in check.steps:
        if re.search(r"\brestart", step, re.I):
            assert "look into the chamber for oil" in step.casefold()


@pytest.mark.parametrize("mode", [row.mode for row in load_limits().of_part("flame_cell")])
def test_c9_2_every_replace_verdict_on_a_flame_cell_carries_the_cadmium_line(mode: str) -> None:
    found = checks_for("flame_cell", "replace", [mode])
    assert any("Cadmium" in line for check in found for line in (*check.steps, *check.cautions))
    assert any("dispose" in line and "Cadmium" in line for check in found for line in check.cautions)


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.id)
def test_c9_3_no_step_asks_for_a_live_high_voltage_reading(check) -> None:
    if check.reading:
        assert check.reading.unit not in {"V", "kV"}
        assert "volt" not in check.reading.quantity.casefold()
    for step in check.steps:
        assert not re.search(r"(measure|read|test)[^.]*(spark|ignition|high[- ]voltage|kV)", step, re.I), step
        assert not re.search(r"screwdriver|draw an arc", step, re.I)
    if check.part == "electrode":
        assert re.search(r"verify dead", check.steps[0]), check.id


@pytest.mark.parametrize(
    ("part", "mode", "check", "word"),
    [("flame_cell", "housing", "cell-fit", "melted"), ("coupler", "end deformation", "coupler-fit", "melted")],
)
def test_c9_4_a_melted_part_opens_the_heat_source_branch(part: str, mode: str, check: str, word: str) -> None:
    assert "heat source" in causes_for(part, [mode])[0].title
    answers = load_checks().rows[check].reading.answers
    assert any(a.word == word and "heat source" in a.text and a.says == "replace" for a in answers)
    assert any("heat source" in s for c in checks_for(part, "replace", [mode]) for s in c.steps)


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.id)
def test_every_check_starts_safe(check) -> None:
    """The live reading by the control's own read-out is the one that starts with the burner as it runs."""
    first = check.steps[:2]
    assert check.id == "cell-lit" or any(ISOLATE.search(step) or "checks above" in step for step in first), check.id


def test_live_reading_names_its_safe_way() -> None:
    check = load_checks().rows["cell-lit"]
    assert "own read-out first" in check.steps[0]
    assert "licensed person" in check.steps[1]
    assert any("never jumpers the flame terminals" in step for step in check.steps)
    assert any("Test flame proving afterwards" in step for step in check.steps)
    assert any("jumpered" in line for line in check.cautions)


def test_general_cautions_and_deference() -> None:
    text = " ".join(CAUTIONS).casefold()
    for needed in ("lock", "once only", "chamber", "high voltage", "jumpered", "carbon monoxide", "licensed"):
        assert needed in text
    for needed in ("maker's manual", "local code", "licensed practice"):
        assert needed in DEFERENCE
    assert len(GRADES) == 3
