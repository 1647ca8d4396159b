"""The labelling desk: the sheet of questions with the standard beside them. Its script asks for the photos."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any

from fastapi import APIRouter, Path, Request, Response

from wearvision.faults import FaultKind
from wearvision.labels.label import ABSENT, NONE, NOT_SEEN, Asked, asked
from wearvision.parts import PARTS, Mode
from wearvision.standard import DEFERENCE
from wearvision.standard.definitions import load_definitions, where_grades_begin
from wearvision.standard.grades import GRADES, Grade
from wearvision.standard.limits import Limits, Row
from wearvision_api.accounts.roles import Caller
from wearvision_api.deps import HouseDep, needs
from wearvision_api.pages.offline import STATIC
from wearvision_api.pages.view import show
from wearvision_api.routes.schemas import UUID_FORM

router = APIRouter(prefix="/teaching/label", include_in_schema=False)
Labeller = Annotated[Caller, needs("labels:write")]

_GRADE_DIGITS: dict[str, str] = {grade: str(number) for number, grade in enumerate(GRADES, 2)}
DIGITS: dict[str, str] = {ABSENT: "1", **_GRADE_DIGITS, NOT_SEEN: "0", "null": "0"}
"""The same answer has the same key in every question."""
FAULTS: tuple[tuple[FaultKind, str], ...] = (
    (FaultKind.BLURRED, "Out of focus"),
    (FaultKind.MOTION_BLURRED, "Shaken"),
    (FaultKind.TOO_DARK, "Too dark"),
    (FaultKind.TOO_BRIGHT, "Too bright"),
    (FaultKind.GLARE, "A reflection covers it"),
    (FaultKind.CUT_OFF, "Runs out of the picture"),
    (FaultKind.TOO_SMALL, "Too small"),
    (FaultKind.TOO_TILTED, "Too tilted"),
    (FaultKind.MORE_THAN_ONE, "More than one part"),
    (FaultKind.SHADOWS_CLIPPED, "Black without detail"),
    (FaultKind.LOW_CONTRAST, "Hardly any contrast"),
    (FaultKind.TOO_NOISY, "Grain covers it"),
)
FAULT_KEYS = "1234567890,."
TOOL_KEYS = "dfhilqwyzm,."
VIEW_TITLES = {"face": "Face", "side": "Side", "end": "End"}
KEYS = (
    ("1 2 3 4 0", "the answers of the question that is open, as written beside them"),
    ("j k", "next question, the one before; arrows choose within it"),
    ("a", "all modes that are left: absent"),
    ("g", "the grade alone, without modes"),
    ("u r", "undo, redo"),
    ("s", "save; then Enter leads to the next photo"),
    ("p", "take back the label saved last"),
    ("x", "leave this photo out"),
    ("v", "to the photo: arrows move it, + - zoom, = shows all of it"),
    ("o", "hide what is drawn, show it again"),
    ("Enter", "with a tool: set a point, pick one, let it go; brush down, brush up"),
    ("Shift", "with an arrow: ten pixels instead of one"),
    ("c", "close the outline"),
    ("n N", "pick the next point, the one before"),
    ("Backspace Delete", "remove the newest point, the one at the cross-hair"),
    ("e b [ ]", "areas: take away or add, brush or outline, smaller, larger"),
    ("Esc", "back to the questions"),
    ("t", "note"),
    ("?", "shows these keys"),
)


@dataclass(frozen=True, slots=True)
class Choice:
    """An answer that can be given: what is stored, words, the digit that gives it, and a drawn picture of it."""

    value: str
    title: str
    digit: str
    words: str = ""
    picture: str = ""


@dataclass(frozen=True, slots=True)
class Question:
    """One question of the desk; ``part`` and ``view`` are empty where it is asked of all.

    Attributes:
        key: ``part``, ``view``, ``fit``, ``grade`` or ``mode:…``.
        title: Of the question.
        choices: Its answers.
        part: Whose question it is.
        view: Of which view.
        look: How the mode shows, one sentence.
        what: What its measure is.
        source: Where its limits come from.
    """

    key: str
    title: str
    choices: tuple[Choice, ...]
    part: str = ""
    view: str = ""
    look: str = ""
    what: str = ""
    source: str = ""


@dataclass(frozen=True, slots=True)
class Tool:
    """Something to draw or to compare: ``mark``, ``region`` or ``match``, with its key."""

    kind: str
    key: str
    title: str
    hint: str
    letter: str
    part: str
    view: str


@dataclass(frozen=True, slots=True)
class LabelContext:
    """The desk.

    Attributes:
        example: The example to show, empty for whichever teaches most.
        account: Id of whoever labels: what waits on the device is kept apart by it.
        questions: In the order in which they are asked.
        faults: What makes a photo unfit: kind, words, key.
        tools: What can be drawn.
        sheet: The same for the script.
        keys: Key and what it does.
        deference: Who wins over all this.
    """

    example: str
    account: str
    questions: tuple[Question, ...]
    faults: tuple[tuple[str, str, str], ...]
    tools: tuple[Tool, ...]
    sheet: dict[str, Any]
    keys: tuple[tuple[str, str], ...]
    deference: str


def label_context(limits: Limits, who: Caller, example: str = "") -> LabelContext:
    """The desk under the limits in force."""
    views = [(part, view, asked(part, view, limits)) for part, spec in PARTS.items() for view in spec.views]
    return LabelContext(
        example=example,
        account=who.id,
        questions=(
            _part_question(),
            *_view_questions(),
            Question(
                "fit", "Is the photo fit to judge?", (Choice("true", "Fit", "1"), Choice("false", "Not fit", "2"))
            ),
            *(_mode_question(limits, part, view, mode) for part, view, sheet in views for mode, _ in sheet.modes),
            _grade_question(),
        ),
        faults=tuple((str(kind), words, key) for (kind, words), key in zip(FAULTS, FAULT_KEYS, strict=True)),
        tools=tuple(tool for part, view, sheet in views for tool in _tools(part, view, sheet)),
        sheet=_sheet(limits, views),
        keys=KEYS,
        deference=DEFERENCE,
    )


def _part_question() -> Question:
    parts = [Choice(key, spec.title.capitalize(), str(number)) for number, (key, spec) in enumerate(PARTS.items(), 1)]
    return Question("part", "Which part is it?", (*parts, Choice(NONE, "None of these", "0")))


def _view_questions() -> tuple[Question, ...]:
    return tuple(
        Question(
            "view",
            "Which view is it?",
            tuple(Choice(view, VIEW_TITLES.get(view, view), str(number)) for number, view in enumerate(spec.views, 1)),
            part=part,
        )
        for part, spec in PARTS.items()
        if len(spec.views) > 1
    )


def _grade_question() -> Question:
    grades = tuple(Choice(grade, grade.capitalize(), DIGITS[grade]) for grade in GRADES)
    return Question("grade", "Grade of the part in this photo", (*grades, Choice("null", "Cannot be said", "0")))


def answers(row: Row) -> tuple[str, ...]:
    """What can be said of a mode. Where any trace is replace, or it is there or not, *serviceable* is *absent*."""
    no_traces = row.any_is_replace or row.clean_from == row.serviceable_below
    return (ABSENT, *(grade for grade in row.grades if not (no_traces and grade == GRADES[0])), NOT_SEEN)


def _mode_question(limits: Limits, part: str, view: str, mode: Mode) -> Question:
    row = limits.row(part, mode.measure)
    words, definition = where_grades_begin(row), load_definitions()[part, mode.measure]
    titles = {ABSENT: "Absent", NOT_SEEN: "Not seen"}
    hints = {ABSENT: "no trace", NOT_SEEN: "the photo can't show it"}

    def choice(value: str) -> Choice:
        shown: str = GRADES[0] if value == ABSENT and GRADES[0] not in given else value
        return Choice(
            value,
            titles.get(value, value.capitalize()),
            DIGITS[value],
            hints.get(value) or words[_grade(value)],
            picture_of(part, view, mode.key, shown),
        )

    given = answers(row)
    return Question(
        f"mode:{mode.key}",
        mode.title.capitalize(),
        tuple(choice(value) for value in given),
        part,
        view,
        definition.look,
        definition.what,
        row.source,
    )


def _grade(value: str) -> Grade:
    return next(grade for grade in GRADES if grade == value)


def picture_of(part: str, view: str, mode: str, grade: str) -> str:
    """Address of the drawn picture of a mode at a grade, empty where there is none."""
    name = f"{part}-{view}-{mode.replace(' ', '_')}-{grade}.jpg"
    return f"/static/standard/{name}" if (STATIC / "standard" / name).is_file() else ""


def _tools(part: str, view: str, sheet: Asked) -> tuple[Tool, ...]:
    modes = {mode.measure: mode.title for mode, _ in sheet.modes}
    rows = (
        *(("mark", mark.key, mark.key, mark.title) for mark in sheet.marks),
        *(("region", mark.key, f"{mark.key} area", mark.title) for mark in sheet.regions),
        *(("match", name, modes[name], "beside a drawn series, in steps of 0.1") for name in sheet.matches),
    )
    return tuple(
        Tool(kind, key, title.capitalize(), hint, letter, part, view)
        for (kind, key, title, hint), letter in zip(rows, TOOL_KEYS, strict=False)
    )


def _sheet(limits: Limits, views: list[tuple[str, str, Asked]]) -> dict[str, Any]:
    out: dict[str, Any] = {part: {} for part in PARTS} | {NONE: {}}
    for part, view, sheet in views:
        out[part][view] = {
            "modes": [
                {
                    "key": mode.key,
                    "measure": mode.measure,
                    "title": mode.title,
                    "values": list(answers(limits.row(part, mode.measure))),
                }
                for mode, _ in sheet.modes
            ],
            "marks": [{"key": mark.key, "shape": mark.shape, "least": mark.points} for mark in sheet.marks],
            "regions": [{"key": mark.key} for mark in sheet.regions],
            "matches": list(sheet.matches),
        }
    return out


@router.get("")
def desk(request: Request, house: HouseDep, who: Labeller) -> Response:
    """The example that teaches most, of those that wait for this person."""
    return show(request, who, "label.html", label_context(house.grader.limits, who))


@router.get("/{example_id}")
def desk_of(
    request: Request, house: HouseDep, who: Labeller, example_id: Annotated[str, Path(pattern=UUID_FORM)]
) -> Response:
    """One example."""
    return show(request, who, "label.html", label_context(house.grader.limits, who, example_id))
