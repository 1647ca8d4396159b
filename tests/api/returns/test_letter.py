"""The decision letter: what it says in each state, that it is easy to read, and that it blames nobody.

Its ease is measured after Kincaid and others, "Derivation of new readability formulas …", 1975 (formula from memory):
US school grade = 0.39 words a sentence + 11.8 syllables a word - 15.59; grade 6 is read at 11 to 12 years.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterable
from datetime import UTC, date, datetime
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pypdf import PdfReader

from wearvision.parts import PARTS
from wearvision.standard.counter import CounterFinding
from wearvision.standard.origins import CAUSES
from wearvision_api.problems import Problem
from wearvision_api.returns.findings import Facts, findings
from wearvision_api.returns.letter import letter_of, words
from wearvision_api.returns.letter_pdf import letter_pdf, letter_text
from wearvision_api.returns.overall import weigh_findings
from wearvision_api.returns.policy import load_policy, propose
from wearvision_api.settings import Settings
from wearvision_api.store.return_tables import Decision, Objection, ReturnRow
from wearvision_api.store.tables import Account

SETTINGS = Settings()
AT = datetime(2026, 10, 1, 9, 30, tzinfo=UTC)
REASON = "The corners are worn round. We saw no other fault."
BLAME = re.compile(
    r"\b(your fault|you (broke|damaged|failed|should have|misused|did not)|misuse|abuse|neglect|careless|negligen\w+|"
    r"improper|wrongly|guilt\w*|to blame|fraud\w*|cheat\w*|tamper\w*)\b",
    re.IGNORECASE,
)
HIGHEST_GRADE = 6.0


def kept(cause: str = "open", sure: str = "open", *, part: str = "coupler", worn: Iterable[str] = ()) -> dict[str, Any]:
    """What a decision keeps: findings of a part nobody photographed, with the stated cause and worn modes put in."""
    facts = Facts(part)
    found = findings(None, [], facts)
    proposal = propose(load_policy(), found, facts)
    lines = [one.to_dict() for one in found]
    for line in lines:
        if line["about"] in worn:
            line["state"] = "worn"
    return {
        "findings": lines,
        "overall": weigh_findings(found).to_dict() | {"cause": cause, "sure": sure},
        "proposal": proposal.to_dict(),
        "terms": {"objection_days": 30},
        "looked_at": {"photos": 1, "tests": 0},
        "missing": [{"reason": "The plate is gone."}, {"reason": ""}],
    }


def decision(number: int, outcome: str = "decline", standing: str = "final", **said: Any) -> Decision:
    return Decision(
        **{
            "id": str(number),
            "attempt": number,
            "proposal": kept(),
            "outcome": outcome,
            "reason": REASON,
            "needs_second": True,
            "standing": standing,
            "owner": Account(name="ada"),
            "created_at": AT,
        }
        | said
    )


def claim(*decisions: Decision, **said: Any) -> ReturnRow:
    """A return that is in no database."""
    return ReturnRow(
        **{
            "number": "26-00042-33",
            "part": "coupler",
            "part_number": "DC-8",
            "machine": "KH-13",
            "returned_on": date(2026, 9, 17),
            "claimant": "Ostvale Hire, yard",
            "story": "It slipped.",
            "kept_where": "Shelf 4",
            "kept_until": date(2027, 3, 31),
            "objections": [],
            "decisions": list(decisions),
        }
        | said
    )


def text_of(row: ReturnRow, settings: Settings = SETTINGS) -> str:
    return " ".join(letter_text(letter_of(settings, row)).split())


def test_letter_says_decision_finding_reason_and_what_can_be_done() -> None:
    row = claim(
        decision(
            1, proposal=kept("service-wear", "clear", worn=["drive rounding"]), second=Account(name="ben"), second_at=AT
        )
    )
    text = text_of(row)
    for said in (
        "To Ostvale Hire, yard",
        "Return: 26-00042-33",
        "Part: drive coupler, part number DC-8",
        "Handed in: 17 September 2026",
        "We do not accept the claim for this part.",
        "It slipped.",
        "We looked at 1 photo and made no tests at the counter. We did without 1 other thing.",
        "The part is worn from use.",
        "The corners that grip the shaft are worn round.",
        REASON,
        "You can object. Tell us by 31 October 2026. That is 30 days after this decision.",
        "the counter where the part was handed in",
        "Someone who took no part in this decision",
        "We keep the part here: Shelf 4. We keep it until 31 March 2027.",
        "The maker's manual and the law where you are come before this letter.",
        "pump and motor must turn freely by hand",
        "Decided by ada on 1 October 2026.",
        "ben has looked at it too and agreed",
        "People decided.",
    ):
        assert said in text, said
    assert "Draft" not in text


def test_accepted_letter_accepts() -> None:
    text = text_of(claim(decision(1, "accept", proposal=kept("defect", "likely"))))
    assert "We accept the claim for this part. Please ask at the counter what happens next." in text
    assert "It is possible that the part was bad from the start." in text
    assert "do not accept" not in text


@pytest.mark.parametrize("sure", ["likely", "clear"])
def test_a_defect_stays_possible(sure: str) -> None:
    sentence = words()["cause"]["defect"][sure]
    assert "possible" in sentence
    assert not re.search(r"\b(was|is) (bad|defective|faulty)\b(?! from the start)", sentence)


def test_letter_cites_the_rule_only_where_it_says_the_same() -> None:
    agreeing = kept()
    agreeing["proposal"] |= {"outcome": "decline", "text": "It ran longer than the warranty lasts."}
    same = text_of(claim(decision(1, "decline", proposal=agreeing)))
    assert "Our rule for such a part says: It ran longer than the warranty lasts." in same
    assert "Our rule" not in text_of(claim(decision(1, "accept", proposal=agreeing)))


def test_letter_that_waits_for_a_signature_is_a_draft() -> None:
    row = claim(decision(1, standing="waiting"))
    assert "*** Draft. Do not send it: a second person has not signed yet. ***" in text_of(row)
    pages = PdfReader(io.BytesIO(letter_pdf(letter_of(SETTINGS, row)))).pages
    assert all("DRAFT" in page.extract_text() for page in pages)


def test_letter_objected_to_is_a_copy() -> None:
    row = claim(decision(1), objections=[Objection(decision_id="1")])
    letter = letter_of(SETTINGS, row)
    assert (letter.stamp, letter.mark) == ("COPY", "Copy. An objection to this decision is being heard.")


@pytest.mark.parametrize(("second", "said"), [("decline", "came to the same result"), ("accept", "another result")])
def test_letter_after_an_objection_says_that_another_person_looked(second: str, said: str) -> None:
    row = claim(decision(1), decision(2, second), objections=[Objection(decision_id="1")])
    letter = letter_of(SETTINGS, row)
    assert letter.stamp == ""
    text = text_of(row)
    assert "You did not agree with our decision of 1 October 2026. So another person has looked" in text
    assert said in text


def test_without_a_decision_that_stands_there_is_no_letter() -> None:
    for row in (claim(), claim(decision(1, standing="not agreed"))):
        with pytest.raises(Problem, match="no decision yet"):
            letter_of(SETTINGS, row)


def test_letterhead_and_contact_are_the_sites_own() -> None:
    own = Settings(house_name="Ostvale Hire", house_address="Yard 5", house_contact="the office, Yard 5")
    row = claim(decision(1))
    text = text_of(row, own)
    assert text.startswith("Ostvale Hire Yard 5 To Ostvale Hire, yard")
    assert "Write or speak to the office, Yard 5." in text
    assert not letter_of(SETTINGS, row).house


def test_terms_are_those_of_the_decision() -> None:
    """A letter printed anew after the site changed its rule says what the first one said."""
    row = claim(decision(1))
    assert text_of(row, Settings(objection_days=5)) == text_of(row)


def test_letter_warns_where_the_part_is_kept_for_less_than_the_objection_takes() -> None:
    text = text_of(claim(decision(1), kept_until=date(2026, 10, 10)))
    assert "Please tell us before 10 October 2026 if you can." in text
    assert "Please tell us before" not in text_of(claim(decision(1)))


def test_every_cause_and_every_mode_has_plain_words() -> None:
    said = words()
    assert set(said["cause"]) == {*CAUSES, "open"}
    assert {part: set(rows) for part, rows in said["seen"].items()} == {
        part: {mode.key for mode in spec.modes} for part, spec in PARTS.items()
    }
    assert set(said["care"]) == {"all", *PARTS}


def all_letters() -> Iterable[str]:
    """One letter for each part, cause, sureness and outcome, all wear modes in it; its own words only."""
    for part, spec in PARTS.items():
        for cause in words()["cause"]:
            for outcome in ("accept", "decline"):
                modes = [mode.key for mode in spec.modes]
                own = kept(cause, "clear" if outcome == "accept" else "likely", part=part, worn=modes)
                first = decision(1, proposal=own)
                row = claim(
                    first, decision(2, outcome, proposal=own), objections=[Objection(decision_id="1")], part=part
                )
                letter = letter_of(SETTINGS, row)
                yield "\n".join(one for section in letter.sections for one in section.paragraphs)


def test_letters_are_read_at_twelve() -> None:
    for text in all_letters():
        sentences = [one for one in re.split(r"[.:!?](?:\s|$)", text) if re.search("[a-z]", one)]
        spoken = re.findall(r"[A-Za-z']+", text)
        assert grade_of(len(sentences), spoken) <= HIGHEST_GRADE, text
        assert max(len(re.findall(r"[A-Za-z']+", one)) for one in sentences) <= 20, text


def grade_of(sentences: int, spoken: list[str]) -> float:
    """School grade; a syllable is a run of vowels, but for a silent e at the end."""
    syllables = sum(max(1, len(re.findall("[aeiouy]+", re.sub(r"e$|es$|ed$", "", one.lower())))) for one in spoken)
    return 0.39 * len(spoken) / sentences + 11.8 * syllables / len(spoken) - 15.59


def test_readability_tells_plain_from_tangled() -> None:
    """The first sentence of the two is what the letters are held to; the second is what they must not be."""
    assert grade_of(1, re.findall(r"\w+", "The part is worn from use")) < 3
    tangled = "Notwithstanding contractual considerations the aforementioned component evidences deterioration"
    assert grade_of(1, re.findall(r"\w+", tangled)) > 12


def test_letters_blame_nobody() -> None:
    for text in all_letters():
        assert not BLAME.search(text.replace("You did not agree with our decision", "")), text
    assert BLAME.search("You broke it.")


def test_pdf_and_text_say_the_same() -> None:
    letter = letter_of(SETTINGS, claim(decision(1, proposal=kept("heat", "clear", worn=["crack"]))))
    pdf = "".join("".join(page.extract_text() for page in PdfReader(io.BytesIO(letter_pdf(letter))).pages).split())
    for section in letter.sections:
        for one in (section.title, *section.paragraphs):
            assert "".join(one.split()) in pdf, one
            assert "".join(one.split()) in "".join(letter_text(letter).split()), one
    assert letter_pdf(letter) == letter_pdf(letter)


def test_a_usual_letter_takes_one_page() -> None:
    letter = letter_of(SETTINGS, claim(decision(1, proposal=kept("heat", "clear", worn=["crack"]))))
    assert len(PdfReader(io.BytesIO(letter_pdf(letter))).pages) == 1


def test_text_of_another_part_and_readings_stands_in_the_letter() -> None:
    own = kept()
    facts = Facts("coupler", photo_part="electrode")
    reading = CounterFinding("coupler-fit", "Fit on the shafts", "bad", "loose", "Both ends turn on their shafts.", {})
    own["findings"] = [one.to_dict() for one in findings(None, [reading], facts)]
    text = text_of(claim(decision(1, proposal=own)))
    assert "The photos show another kind of part than the claim is about." in text
    assert "• Fit on the shafts: Both ends turn on their shafts." in text


@settings(max_examples=30, deadline=None)
@given(story=st.text(max_size=120), claimant=st.text(max_size=40), reason=st.text(min_size=1, max_size=120))
def test_any_text_makes_a_letter(story: str, claimant: str, reason: str) -> None:
    letter = letter_of(SETTINGS, claim(decision(1, reason=reason), story=story, claimant=claimant))
    assert letter_pdf(letter).startswith(b"%PDF")
    assert not re.search("[\x00-\x09\x0b-\x1f\x7f\u202a-\u202e\u2066-\u2069]", letter_text(letter))
