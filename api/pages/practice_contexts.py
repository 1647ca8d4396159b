"""What the pages of practice show."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from markupsafe import Markup

from wearvision.labels.label import NONE
from wearvision.parts import PARTS
from wearvision.standard.grades import GRADES
from wearvision_api.pages.labelling import FAULTS, picture_of
from wearvision_api.store.teaching_tables import ExampleRow, SittingRow
from wearvision_api.teaching.feedback import Feedback
from wearvision_api.teaching.marking import NO_WEAR
from wearvision_api.teaching.plots import Bar, agreement_plot, words
from wearvision_api.teaching.progress import Progress, Result
from wearvision_api.teaching.where import PLACES

PART_KEYS = "fec0"
GRADE_KEYS = "234"
"""The same digits as at the labelling desk."""
COUNTS = (5, 10, 20)
DRAWN_RESULTS = 12
NO_PART, NO_GRADE, NO_ANSWER = "None of these parts", "No grade", "no answer"
QUESTIONS = {"part": "Part", "fit": "Fit to judge", "grade": "Grade", "mode": "Worst wear", "where": "Where it is"}
KEYS = (
    ("f e c 0", "the part: flame-sensing cell, ignition electrode, drive coupler, none"),
    ("y n", "fit to judge or not"),
    ("2 3 4", "the grade"),
    ("m", "to the worst wear; letters or arrows choose"),
    ("w", "to the place"),
    ("s", "answer"),
    ("g", "go on to the next question"),
    ("Esc", "leaves a list"),
    ("?", "shows these keys"),
)


@dataclass(frozen=True, slots=True)
class Choice:
    """An answer that can be given: value, words, key."""

    value: str
    title: str
    key: str = ""


@dataclass(frozen=True, slots=True)
class ResultLine:
    """A sitting in a table: address, when, whose, about what, right of answered, kappa, what to know of it."""

    href: str
    when: str
    person: str
    part: str
    right: str
    kappa: str
    note: str


@dataclass(frozen=True, slots=True)
class PersonView:
    """Results of one person: name, kappa over all answers, picture over time, lines newest first."""

    person: str
    kappa: str
    plot: Markup
    lines: tuple[ResultLine, ...]


@dataclass(frozen=True, slots=True)
class PracticeContext:
    """The page of practice.

    Attributes:
        there: Examples that this person can be asked.
        parts: Choices of part.
        counts: Choices of how many.
        people: Results.
        everybody: Whether results of all are shown.
        may_see_all: Whether they may be.
        teaches: Whether the other pages of teaching are open to this person.
        fresh: Id for a sitting that the form begins.
    """

    there: int
    parts: tuple[Choice, ...]
    counts: tuple[int, ...]
    people: tuple[PersonView, ...]
    everybody: bool
    may_see_all: bool
    teaches: bool
    fresh: str


@dataclass(frozen=True, slots=True)
class SittingContext:
    """The page of a sitting that is over: its line, and its questions by place, whether right, and what was asked."""

    line: ResultLine
    questions: tuple[tuple[int, str, str], ...]
    path: str
    teaches: bool


@dataclass(frozen=True, slots=True)
class Answer:
    """A question with what was said, what is right, and how it came out: ``right``, ``wrong`` or ``not answered``."""

    title: str
    said: str
    true: str
    outcome: str


@dataclass(frozen=True, slots=True)
class WearView:
    """Wear in the photo: title, grade, whether it was named, where, the standard's words and its drawn picture."""

    title: str
    grade: str
    named: bool
    where: str
    standard: str
    picture: str


@dataclass(frozen=True, slots=True)
class QuestionContext:
    """The page of a question.

    Attributes:
        path: Of the sitting.
        place: Counted from 1.
        of: Questions.
        state: ``open``, ``answered`` or ``gone``.
        own: Whether the one who looks may answer.
        photo: Address of the photo; empty where it is gone.
        outlined: Address of the photo with what was drawn; empty where nothing was.
        parts: Choices of part.
        grades: Choices of grade.
        modes: Title of a part to choices of its modes.
        places: Choices of place.
        verdict: In words, once it is answered.
        right: Whether it was right.
        answers: Each question with its answer.
        wear: All wear that is settled.
        faults: What makes the photo unfit, in words.
        drawn: What is drawn over the photo, in words.
        keys: The scheme of keys.
    """

    path: str
    place: int
    of: int
    state: str
    own: bool
    photo: str
    outlined: str
    parts: tuple[Choice, ...]
    grades: tuple[Choice, ...]
    modes: tuple[tuple[str, tuple[Choice, ...]], ...]
    places: tuple[Choice, ...]
    verdict: str
    right: bool
    answers: tuple[Answer, ...]
    wear: tuple[WearView, ...]
    faults: tuple[str, ...]
    drawn: tuple[str, ...]
    keys: tuple[tuple[str, str], ...]


def part_title(part: str | None) -> str:
    """A part in words; None: all of them."""
    return "All parts" if part is None else PARTS[part].title.capitalize() if part in PARTS else NO_PART


def result_line(one: Result) -> ResultLine:
    """A sitting in a table."""
    left = one.asked - one.answered
    right = f"{one.right} of {one.answered}{f', {left} not answered' if left else ''}"
    return ResultLine(
        href=f"/teaching/practice/{one.id}",
        when=f"{one.at:%Y-%m-%d %H:%M} UTC",
        person=one.person,
        part=part_title(one.part),
        right=right if one.answered else "not begun",
        kappa=words(one.kappa),
        note=one.kappa.note,
    )


def person_view(one: Progress, number: int) -> PersonView:
    """Results of one person, with a picture over time where there is something to draw."""
    drawn = [row for row in one.results if row.kappa.value is not None][-DRAWN_RESULTS:]
    plot = ""
    if len(drawn) > 1:
        bars = [Bar(f"{row.at:%Y-%m-%d} (n {row.kappa.of})", row.kappa) for row in drawn]
        plot = agreement_plot(
            bars, "weighted kappa with the truth", f"{one.person}: sittings, oldest first", f"p{number}"
        )
    lines = tuple(result_line(row) for row in reversed(one.results))
    return PersonView(one.person, f"{words(one.kappa)}, n {one.kappa.of}", Markup(plot), lines)  # from escaped text


def question_context(sitting: SittingRow, row: ExampleRow, found: Feedback, *, own: bool) -> QuestionContext:
    """A question, with its answer once there is one."""
    path, at = f"/teaching/practice/{sitting.id}", f"/api/v1/practice/{sitting.id}/{found.place}"
    is_there = found.state != "gone" and row.photo.erased_at is None and row.state != "left out"
    faults = {str(kind): title for kind, title in FAULTS}
    right = found.row is not None and found.row.right
    return QuestionContext(
        path=path,
        place=found.place,
        of=found.of,
        state=found.state,
        own=own,
        photo=f"{at}/photo" if is_there else "",
        outlined=f"{at}/outlined" if is_there and found.drawn else "",
        parts=tuple(Choice(part, part_title(part), key) for part, key in zip((*PARTS, NONE), PART_KEYS, strict=True)),
        grades=tuple(Choice(grade, grade.capitalize(), key) for grade, key in zip(GRADES, GRADE_KEYS, strict=True)),
        modes=tuple(
            (spec.title.capitalize(), tuple(Choice(mode.key, mode.title.capitalize()) for mode in spec.modes))
            for spec in PARTS.values()
        ),
        places=tuple(Choice(place, place.capitalize()) for place in PLACES),
        verdict="" if found.row is None else "Right." if right else "Not right.",
        right=right,
        answers=tuple(
            _answer(key, one, _true_part(found)) for key, one in (found.marked or {}).items() if key in QUESTIONS
        ),
        wear=tuple(_wear(row, one) for one in found.wear),
        faults=tuple(faults.get(kind, kind) for kind in found.faults),
        drawn=found.drawn,
        keys=KEYS,
    )


def _true_part(found: Feedback) -> str:
    return str((found.marked or {}).get("part", {}).get("true", [NONE])[0])


def _answer(key: str, one: Mapping[str, Any], part: str) -> Answer:
    outcome = {True: "right", False: "wrong", None: "not answered"}[one["right"]]
    said = _words(key, one["said"], part) if one["right"] is not None else NO_ANSWER
    return Answer(QUESTIONS[key], said, " or ".join(_words(key, value, part) for value in one["true"]), outcome)


def _words(key: str, value: Any, part: str) -> str:
    if key == "part":
        return part_title(str(value))
    if key == "fit":
        return "fit" if value else "not fit"
    if key == "mode":
        titles = {mode.key: mode.title for spec in PARTS.values() for mode in spec.modes}
        titles |= {mode.key: mode.title for mode in PARTS[part].modes} if part in PARTS else {}
        return "no wear that counts" if value == NO_WEAR else titles[str(value)]
    return NO_GRADE.lower() if value is None else str(value)


def _wear(row: ExampleRow, one: Any) -> WearView:
    truth = row.truth or {}
    where = f"{', '.join(one.where)} of the picture" if one.where else "nobody drew where"
    return WearView(
        title=one.mode.title.capitalize(),
        grade=one.grade,
        named=one.named,
        where=where,
        standard=one.standard,
        picture=picture_of(truth["part"], truth["view"] or "", one.mode.key, one.grade),
    )
