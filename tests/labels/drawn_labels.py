"""Hypothesis strategies: labels that a person could give, what their marks came to, and evidence."""

from __future__ import annotations

from hypothesis import strategies as st

from wearvision.labels import Evidence, Given, Label, asked
from wearvision.labels.bounds import top_of
from wearvision.labels.label import ABSENT, NOT_SEEN, could_be, grade_of_answer
from wearvision.measure.result import Measured, Outcome
from wearvision.parts import PARTS
from wearvision.standard.grades import GRADES, worst

VIEWS = [(part, view) for part, spec in PARTS.items() for view in spec.views]


@st.composite
def labels(draw: st.DrawFn, where: tuple[str, str] | None = None) -> Label:
    """A fit photo's label whose grade and answers go together."""
    part, view = where or draw(st.sampled_from(VIEWS))
    questions = asked(part, view)
    modes: dict[str, str] = {}
    for mode, grades in questions.modes:
        answer = draw(st.sampled_from([None, ABSENT, NOT_SEEN, *grades]))
        if answer is not None:
            modes[mode.key] = answer
    said = [found for answer in modes.values() if (found := grade_of_answer(answer)) is not None]
    could = [worst(said)] + [
        grade
        for grade in GRADES
        if GRADES.index(grade) > GRADES.index(worst(said)) and could_be(grade, modes, questions)
    ]
    return Label.read({"part": part, "view": view, "modes": modes, "grade": draw(st.sampled_from(could))})


@st.composite
def outcomes(draw: st.DrawFn, label: Label) -> dict[str, Outcome]:
    """Some measures of the label's view with plausible intervals."""
    found: dict[str, Outcome] = {}
    for mode, _ in asked(label.part, label.view).modes:
        if draw(st.integers(0, 3)) == 0:
            low, value, high = sorted(draw(st.floats(0, min(1.0, top_of(mode.measure)))) for _ in range(3))
            found[mode.measure] = Measured(value, low, high)
    return found


@st.composite
def given_labels(draw: st.DrawFn, where: tuple[str, str], author: str, turn: int) -> Given:
    label = draw(labels(where))
    return Given(author, turn, label, draw(outcomes(label)))


@st.composite
def evidence(draw: st.DrawFn, part: str) -> Evidence:
    """A reading or pair about some modes of a part; what it condemns can be condemned."""
    spec = PARTS[part]
    modes = draw(st.lists(st.sampled_from([mode.key for mode in spec.modes]), min_size=1, max_size=3, unique=True))
    every = [one for view in spec.views for one in asked(part, view).modes]
    able = {grade for mode, grades in every if mode.key in modes for grade in grades}
    least, most = sorted((draw(st.sampled_from(GRADES)) for _ in range(2)), key=GRADES.index)
    least = least if least in able else GRADES[0]
    return Evidence(draw(st.sampled_from(["reading", "pair"])), tuple(modes), least, most)
