"""How far people agree on the examples that several labelled blind, and with what was settled at last.

Counted is the newest label of each person from the first two turns, not taken back: a third label saw both others, and
one shown again knows that a model doubts it.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session, joinedload

from wearvision.labels.label import ABSENT, NONE, NOT_SEEN
from wearvision.parts import PARTS
from wearvision.standard.grades import GRADES
from wearvision.standard.limits import Limits
from wearvision_api.store.teaching_tables import ExampleRow, LabelRow
from wearvision_api.teaching.alpha import Scale, alpha
from wearvision_api.teaching.kappa import cohen, fleiss
from wearvision_api.teaching.resampling import Figure

BLIND = 2
"""The last turn in which nobody saw another's label."""
ABOVE = ("reading", "pair", "third")
"""Ranks of a truth that somebody or something else decided than the people who labelled blind."""
FIT = ("fit to judge", "not fit to judge")
ANOTHER = "another grade"
ORDERED: Scale = "ordinal"
ALPHA = ("alpha", "Krippendorff's alpha")
FLEISS = ("fleiss", "Fleiss' kappa")
WEIGHTED = ("quadratic", "Weighted kappa (quadratic)")
COHEN = (WEIGHTED, ("linear", "Weighted kappa (linear)"), ("plain", "Cohen's kappa"))
Body = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Labelled:
    """An example as people labelled it: account name to label, and what was settled, if it was."""

    labels: Mapping[str, Body]
    truth: Body | None


@dataclass(frozen=True, slots=True)
class Row:
    """A line of a table.

    Attributes:
        key: For programs.
        title: For people.
        of: Examples that it is about.
        alike: Those in which all said the same.
        figures: Column to figure.
    """

    key: str
    title: str
    of: int
    alike: int
    figures: Mapping[str, Figure]


@dataclass(frozen=True, slots=True)
class Table:
    """Figures of one kind: rows by columns, each with key and title, and what a reader must know."""

    key: str
    title: str
    columns: tuple[tuple[str, str], ...]
    rows: tuple[Row, ...]
    note: str


@dataclass(frozen=True, slots=True)
class Agreement:
    """All tables, and what they are over: examples labelled, those with two blind labels or more, labels, people."""

    examples: int
    several: int
    labels: int
    people: int
    tables: tuple[Table, ...]


def agreement(session: Session, limits: Limits) -> Agreement:
    """All figures of agreement.

    Args:
        session: For reading.
        limits: Those in force: they say which grades a mode can give.
    """
    return reckon(gathered(session), limits)


def gathered(session: Session) -> list[Labelled]:
    """The examples that have a blind label; those left out do not count."""
    query = (
        select(LabelRow)
        .join(LabelRow.example)
        .where(LabelRow.withdrawn_at.is_(None), LabelRow.turn <= BLIND, ExampleRow.state != "left out")
        .options(joinedload(LabelRow.example).defer(ExampleRow.opinion), joinedload(LabelRow.owner))
        .order_by(LabelRow.created_at, LabelRow.id)
    )
    labels: dict[str, dict[str, Body]] = {}
    truths: dict[str, Body | None] = {}
    for row in session.scalars(query):
        labels.setdefault(row.example_id, {})[row.owner.name] = row.body  # a later one of the same person replaces it
        truths[row.example_id] = row.example.truth
    return [Labelled(said, truths[example]) for example, said in labels.items()]


def reckon(examples: Sequence[Labelled], limits: Limits) -> Agreement:
    """All figures of agreement over some examples."""
    people = sorted({person for one in examples for person in one.labels})
    several = [one for one in examples if len(one.labels) > 1]
    tables = (
        _what(several),
        _parts(several),
        _grades(several),
        _modes(several, limits),
        _pairs(several, people),
        _against_truth(examples, people),
    )
    return Agreement(len(examples), len(several), sum(len(one.labels) for one in examples), len(people), tables)


def answers(
    examples: Iterable[Labelled], ask: Callable[[Body], Hashable | None], part: str | None = None
) -> list[list[Hashable]]:
    """What was said to one question, example by example; labels without an answer are left out.

    Args:
        examples: With their labels.
        ask: The answer that a label gives, None for none.
        part: Only labels that name this part.
    """
    found = []
    for one in examples:
        said = [ask(body) for body in one.labels.values() if part is None or body["part"] == part]
        found.append([answer for answer in said if answer is not None])
    return found


def grade_of(body: Body) -> Hashable | None:
    """The grade that a label or a truth gives."""
    return body.get("grade")


def _row(key: str, title: str, said: Sequence[Sequence[Hashable]], figures: Mapping[str, Figure]) -> Row:
    several = [one for one in said if len(one) > 1]
    return Row(key, title, len(several), sum(len(set(one)) == 1 for one in several), figures)


def _what(examples: Sequence[Labelled]) -> Table:
    views = tuple(dict.fromkeys(f"{part}/{view}" for part, spec in PARTS.items() for view in spec.views))
    questions: tuple[tuple[str, str, tuple[Hashable, ...], Callable[[Body], Hashable | None]], ...] = (
        ("part", "Which part, or none", (*PARTS, NONE), lambda body: body["part"]),
        ("view", "Which view", views, lambda body: f"{body['part']}/{body['view']}" if body.get("view") else None),
        ("fit", "Fit to judge", FIT, lambda body: FIT[0] if body.get("fit", True) else FIT[1]),
    )
    rows = []
    for key, title, levels, ask in questions:
        said = answers(examples, ask)
        rows.append(_row(key, title, said, {"alpha": alpha(said, levels, "nominal")}))
    return Table("what", "What the photo shows", (ALPHA,), tuple(rows), "Answers as names, without an order.")


def _parts(examples: Sequence[Labelled]) -> Table:
    rows = []
    for part, title in ((None, "All parts"), *((key, spec.title.capitalize()) for key, spec in PARTS.items())):
        said = answers(examples, grade_of, part)
        figures = {"alpha": alpha(said, GRADES, ORDERED), "fleiss": fleiss(said, GRADES)}
        rows.append(_row(part or "all", title, said, figures))
    note = "Grades of labels that name the same part. Alpha takes the grades in their order, Fleiss' kappa as names."
    return Table("part", "The grade, by part", (ALPHA, FLEISS), tuple(rows), note)


def _grades(examples: Sequence[Labelled]) -> Table:
    rows = []
    for part, title in ((None, "all parts"), *((key, spec.title) for key, spec in PARTS.items())):
        said = answers(examples, grade_of, part)
        for grade in GRADES:
            named = [[grade if one == grade else ANOTHER for one in labels] for labels in said]
            figure = alpha(named, (ANOTHER, grade), "nominal")
            met = [one for one in named if grade in one]
            rows.append(_row(f"{part or 'all'}/{grade}", f"{grade.capitalize()}, {title}", met, {"alpha": figure}))
    note = (
        "This grade or another one, over all examples that were graded. Counted beside it: examples that somebody gave "
        "this grade, and those of them to which all gave it."
    )
    return Table("grade", "By grade", (ALPHA,), tuple(rows), note)


def _modes(examples: Sequence[Labelled], limits: Limits) -> Table:
    rows = []
    for part, spec in PARTS.items():
        for mode in spec.modes:
            levels = (ABSENT, *limits.row(part, mode.measure).grades)

            def ask(body: Body, key: str = mode.key) -> Hashable | None:
                answer = (body.get("modes") or {}).get(key)
                return None if answer == NOT_SEEN else answer

            said = answers(examples, ask, part)
            figures = {"alpha": alpha(said, levels, ORDERED)}
            rows.append(_row(f"{part}/{mode.key}", f"{spec.title.capitalize()}: {mode.title}", said, figures))
    note = (
        f"From {ABSENT} over the grades that a mode can give, in order. Where somebody said {NOT_SEEN}, it is missing."
    )
    return Table("mode", "By wear mode", (ALPHA,), tuple(rows), note)


def _pairs(examples: Sequence[Labelled], people: Sequence[str]) -> Table:
    rows = []
    for one, other in combinations(people, 2):
        both = [
            (example.labels[one], example.labels[other])
            for example in examples
            if {one, other} <= example.labels.keys()
        ]
        if both:
            rows.append(_cohen_row(f"{one}/{other}", f"{one} and {other}", both))
    note = (
        "Grades of examples that both labelled and graded. Weighted kappa counts how far apart two grades lie; all "
        "three grades count, also one that neither used."
    )
    return Table("pair", "Two people", COHEN, tuple(rows), note)


def _against_truth(examples: Sequence[Labelled], people: Sequence[str]) -> Table:
    rows = []
    for person in people:
        own = [(one.labels[person], one.truth) for one in examples if person in one.labels and one.truth is not None]
        settled = [(body, truth) for body, truth in own if truth.get("rank") != "one"]
        decided = [(body, truth) for body, truth in settled if truth.get("rank") in ABOVE]
        rows.append(_cohen_row(f"{person}/settled", f"{person}, all that is settled by more than one", settled))
        rows.append(
            _cohen_row(f"{person}/decided", f"{person}, decided by a reading, a pair or a third person", decided)
        )
    note = (
        "Where two agree, what they said became the truth, so the first line of each person flatters; in the second "
        "something else decided, but those are the hard examples."
    )
    return Table("truth", "Each person against what was settled", COHEN, tuple(rows), note)


def _cohen_row(key: str, title: str, both: Sequence[tuple[Body, Body]]) -> Row:
    grades = [(a, b) for a, b in ((grade_of(one), grade_of(other)) for one, other in both) if a and b]
    one, other = [a for a, _ in grades], [b for _, b in grades]
    figures = {
        "quadratic": cohen(one, other, GRADES, "quadratic"),
        "linear": cohen(one, other, GRADES, "linear"),
        "plain": cohen(one, other, GRADES),
    }
    return Row(key, title, len(grades), sum(a == b for a, b in grades), figures)
