"""What somebody who practises is told after an answer."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from sqlalchemy.orm import Session

from wearvision.labels.truth import Truth
from wearvision.parts import Mode
from wearvision.photo import read_photo
from wearvision.standard.grades import Grade
from wearvision_api.house import House
from wearvision_api.problems import Problem
from wearvision_api.services.photos import demand_kept, jpeg
from wearvision_api.store.teaching_tables import ExampleRow, PracticeRow, SittingRow
from wearvision_api.teaching import practice
from wearvision_api.teaching.marking import standard_words, worn
from wearvision_api.teaching.where import drawn_label, laid_over, wear_places, words

WIDTH = 1280
State = Literal["open", "answered", "gone"]


@dataclass(frozen=True, slots=True)
class Wear:
    """Wear that the photo shows.

    Attributes:
        mode: Which.
        grade: The grade that it surely reaches.
        named: Whether the answer named it.
        where: Ninths of the picture in which it is drawn; empty where nobody drew it.
        standard: What the wear standard says of it.
    """

    mode: Mode
    grade: Grade
    named: bool
    where: tuple[str, ...]
    standard: str


@dataclass(frozen=True, slots=True)
class Feedback:
    """A question with its answer, once there is one.

    Attributes:
        place: Counted from 1.
        of: Questions of the sitting.
        state: ``gone`` where the photo was taken out of teaching before it was answered.
        row: The answer.
        marked: Question to what was said, every right answer, and whether it was right.
        wear: All wear that is settled, worst first.
        faults: What makes the photo unfit.
        drawn: What people drew when they settled it, in words.
    """

    place: int
    of: int
    state: State
    row: PracticeRow | None = None
    marked: Mapping[str, Mapping[str, Any]] | None = None
    wear: tuple[Wear, ...] = ()
    faults: tuple[str, ...] = ()
    drawn: tuple[str, ...] = ()


def feedback(house: House, session: Session, sitting: SittingRow, place: int) -> Feedback:
    """The question at a place of a sitting, and what was true once it is answered.

    Raises:
        Problem: there is no such place.
    """
    row = practice.asked(session, sitting, place)
    given = practice.answered(sitting, place)
    of = len(sitting.asked)
    if given is None:
        return Feedback(place, of, "open" if practice.can_be_asked(row) else "gone")
    marked = {key: one for key, one in given.found.items() if isinstance(one, dict)}
    if not practice.can_be_asked(row):  # what was said and true is kept with the answer, pictures are not
        return Feedback(place, of, "answered", given, marked)
    truth, limits, label = Truth.read(row.truth), house.grader.limits, drawn_label(row)
    wear = tuple(
        Wear(
            mode,
            grade,
            given.body["part"] == truth.part and given.body["mode"] == mode.key,
            wear_places(label, (mode.key,)),
            standard_words(truth.part, mode, limits),
        )
        for mode, grade in worn(truth, limits)
    )
    return Feedback(place, of, "answered", given, marked, wear, truth.faults, words(label))


def picture(house: House, row: ExampleRow, *, outlined: bool) -> bytes:
    """The photo of a question: an upright JPEG without metadata, with what was drawn over it if asked.

    Raises:
        Problem: the photo was erased, or nobody drew anything over it.
    """
    image = read_photo(house.blobs.get(demand_kept(row.photo).sha256), working_px=WIDTH).image
    if not outlined:
        return jpeg(image)
    label = drawn_label(row)
    if label is None:
        raise Problem("not-found", "Nobody drew anything over this photo.")
    return jpeg(laid_over(image, label))
