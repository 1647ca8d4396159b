"""The phone walks from a symptom exactly as the library does: same checks, findings, notes, ends and refusals."""

from __future__ import annotations

import random
from typing import Any

from wearvision.errors import ReadingError
from wearvision.readings import OPEN, UNITS
from wearvision.standard.starts import StartCheck, load_starts
from wearvision.walk import walk

from . import node

WALKS = 120
"""Random walks of each start; together they answer each check of each start many times over."""


def answers_to(check: StartCheck, chance: random.Random) -> Any:
    """Mostly an answer that leads on; else a word, a number near a band's end, a range, another unit, or nonsense."""
    reading = check.reading
    assert reading is not None
    kind = chance.random()
    onward = [answer for answer in reading.answers if answer.next not in load_starts().ends]
    if kind > 0.35 and onward:
        answer = chance.choice(onward)
        return answer.word or chance.uniform(answer.low, min(answer.high, 2 * answer.low + 1))
    if kind < 0.03:
        return chance.choice(["", "who knows", {"value": "5", "unit": "furlong"}, {"value": -1, "unit": reading.unit}])
    if reading.words and (not reading.unit or kind < 0.1):
        return chance.choice([*reading.words, *(answer.word for answer in reading.answers[:1] if answer.word)])
    ends = [end for answer in reading.answers for end in (answer.low, answer.high) if 0 <= end < 1e6]
    value = max(0.0, chance.choice(ends) + chance.choice([-0.5, -0.1, 0.0, 0.1, 0.37, 1.0]))
    other = chance.choice(list(UNITS[reading.unit]))
    scaled = value / UNITS[reading.unit][other]
    return chance.choice([value, {"value": scaled, "unit": other}, f"{value:.2f}-{value + 0.3:.2f}", f"{value:.3f}"])


def walked(start: str, chance: random.Random) -> tuple[list[dict[str, Any]], dict[str, Any]]:
    """Answers, the last of them perhaps refused, and what the library made of them."""
    given: list[dict[str, Any]] = []
    state = walk(start)
    while state.check is not None and len(given) < 60:
        given.append({"check": state.check.id, "answer": answers_to(state.check, chance)})
        try:
            state = walk(start, given)
        except ReadingError as error:
            if chance.random() < 0.3:
                return given, {"refused": str(error)}
            given.pop()
    steps = [
        [step.check.id, step.finding.entered, step.finding.says, step.finding.text, step.leads_to, step.note]
        for step in state.steps
    ]
    place = state.end or state.check
    assert place is not None
    return given, {"steps": steps, "at": place.id, "photograph": list(state.photograph)}


def test_phone_and_library_walk_the_same_way() -> None:
    chance = random.Random(4)
    starts = load_starts()
    cases = [(start, *walked(start, chance)) for start in starts.starts for _ in range(WALKS)]
    data = starts.to_dict() | {"units": UNITS, "open": sorted(OPEN)}
    script = """
      const { walk } = await load("walk.js");
      const { ReadingError } = await load("readings.js");
      return given.cases.map(([start, answers]) => {
        try {
          const { steps, check, end, photograph } = walk(start, answers, given.data);
          const rows = steps.map(({ check, finding, leads_to, note }) =>
            [check.id, finding.entered, finding.says, finding.text, leads_to, note]);
          return { steps: rows, at: (end ?? check).id, photograph };
        } catch (error) {
          if (!(error instanceof ReadingError)) throw error;
          return { refused: error.message };
        }
      });
    """
    phone = node.run(script, {"data": data, "cases": [case[:2] for case in cases]})
    library = [case[2] for case in cases]
    differing = [row for row in zip(cases, phone, library, strict=True) if row[1] != row[2]]
    assert not differing, f"{len(differing)} of {len(cases)}: {differing[0]}"
    seen = {step[0] for said in library for step in said.get("steps", [])}
    assert seen == set(starts.checks)
    assert {said.get("at") for said in library} >= set(starts.ends)
    assert any("refused" in said for said in library)
    assert any(step[5] for said in library for step in said.get("steps", []))
