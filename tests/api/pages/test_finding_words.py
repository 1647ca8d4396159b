"""Why a class of cause is open, and what can settle it, in the words of the page; held against the tables."""

from __future__ import annotations

from typing import Any

import pytest

from wearvision.parts import PARTS
from wearvision.standard.counter import checks_at_counter, judge
from wearvision_api.pages.return_finding_contexts import overall_words, settling
from wearvision_api.returns.findings import Facts, findings
from wearvision_api.returns.overall import weigh_findings

CURED = {"adapted": "yes", "lit_good": "620 ohm", "lit_part": "1900 ohm", "lit_wiped": "680 ohm"}
WHOLE = {"cell-wipe": "clear", "cell-crack": "none", "cell-element": "even", "cell-fit": "seats"}


def shown(part: str, *readings: Any, photo_part: str | None = None) -> tuple[str, dict[str, Any]]:
    """Class of cause, and findings with what they come to, as plain values."""
    found = findings(None, readings, Facts(part, photo_part=photo_part))
    overall = weigh_findings(found)
    return overall.cause, {"findings": [one.to_dict() for one in found], "overall": overall.to_dict()}


def test_a_cell_without_a_graded_photo_is_settled_by_the_checks_that_are_named() -> None:
    lit = judge("cell-lit-beside-good", CURED)
    cause, plain = shown("flame_cell", lit)
    assert cause == "open"
    assert "nothing is known yet of" in overall_words(cause, plain)
    left, checks = settling("flame_cell", plain["findings"], {lit.check})
    assert set(left) == {mode.title for mode in PARTS["flame_cell"].modes}
    assert {key for key, _ in checks} == set(WHOLE)

    cause, plain = shown("flame_cell", lit, *(judge(key, {"reading": word}) for key, word in WHOLE.items()))
    assert cause == "dirt"
    assert overall_words(cause, plain).startswith("Likely class of cause: dirt")
    assert settling("flame_cell", plain["findings"], {lit.check, *WHOLE}) == ((), ())


def test_another_part_comes_before_every_other_reason() -> None:
    assert "photos show another part" in overall_words(*shown("coupler", photo_part="electrode"))


def test_a_sound_part_has_no_cause() -> None:
    alike = judge("cell-lit-beside-good", CURED | {"lit_part": "650 ohm", "lit_wiped": ""})
    sound = shown("flame_cell", alike, *(judge(key, {"reading": word}) for key, word in WHOLE.items()))
    assert overall_words(*sound) == "Nothing is found wrong with the part, so there is no cause to name."


def test_several_grades_are_named() -> None:
    doubtful = judge("cell-lit-beside-good", CURED | {"lit_part": "1200 ohm", "lit_wiped": "1100 ohm"})
    words = overall_words(*shown("flame_cell", doubtful))
    assert words == "The class of cause is open: the part may be serviceable or replace."


@pytest.mark.parametrize("part", PARTS)
def test_only_checks_of_the_part_that_were_not_taken_are_named(part: str) -> None:
    found = shown(part)[1]["findings"]
    every = {one.id for one in checks_at_counter(part)}
    named = {key for key, _ in settling(part, found, set())[1]}
    assert named
    assert named <= every
    for taken in named:
        assert taken not in {key for key, _ in settling(part, found, {taken})[1]}
