"""What another model, other limits or another policy would have said of returns; it shows, and changes nothing."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

from sqlalchemy.orm import Session

from wearvision.errors import PhotoError
from wearvision.grade import Grader
from wearvision.photo import read_photo
from wearvision_api.house import House
from wearvision_api.returns.intake import find
from wearvision_api.returns.policy import Policy
from wearvision_api.returns.weighing import weigh


@dataclass(frozen=True, slots=True)
class Said:
    """What photos and policy come to.

    Attributes:
        part: Recognised part; None: none.
        grade: First grade; None: the photos cannot be judged.
        possible: Every possible grade.
        origin: Likely class of cause, or ``open``.
        proposal: What the policy proposes.
        row: Row of the policy.
        model: Id of the model.
        limits: Id of the limits.
    """

    part: str | None
    grade: str | None
    possible: tuple[str, ...]
    origin: str
    proposal: str
    row: str
    model: str
    limits: str


@dataclass(frozen=True, slots=True)
class Would:
    """One return beside what would have been said.

    Attributes:
        id: Of the return.
        number: Of the return.
        before: As recorded; None: it was never graded.
        after: As it would be; None where ``fault`` says why it cannot be told.
        fault: Such as a photo that was erased.
    """

    id: str
    number: str
    before: Said | None
    after: Said | None
    fault: str = ""

    @property
    def changes(self) -> tuple[str, ...]:
        """What would differ: ``part``, ``grade``, ``possible``, ``origin``, ``proposal``; a first grade is none."""
        if self.before is None or self.after is None:
            return ()
        names = ("part", "grade", "possible", "origin", "proposal")
        return tuple(name for name in names if getattr(self.before, name) != getattr(self.after, name))


def regrade(
    house: House, session: Session, ids: Iterable[str], grader: Grader, policy: Policy | None = None
) -> Iterator[Would]:
    """Grades the photos of returns anew, one return at a time.

    Args:
        house: Photos, the model and the policy in force.
        session: Open; nothing is written.
        ids: Of returns.
        grader: With the other model or the other limits.
        policy: The other policy; None: the one in force.

    Raises:
        Problem: there is no such return, or all hands are busy.
    """
    for return_id in ids:
        row = find(session, return_id)
        grade = row.grade
        if grade is None:
            yield Would(row.id, row.number, None, None, "It was never graded.")
            continue
        before = _said(grade.report, weigh(house, row).to_dict())
        digests = [one.photo.sha256 for one in grade.photos]
        session.rollback()  # holds nothing while the photos are looked at
        try:
            report = house.work.run(lambda names=digests: _again(house, grader, names))  # type: ignore[misc]
        except (FileNotFoundError, PhotoError) as error:
            why = "A photo was erased." if isinstance(error, FileNotFoundError) else str(error)
            yield Would(row.id, row.number, before, None, why)
            continue
        row = find(session, return_id)
        after = weigh(house, row, report=report, grader=grader, policy=policy)
        yield Would(row.id, row.number, before, _said(report, after.to_dict()))


def _again(house: House, grader: Grader, digests: list[str]) -> dict[str, Any]:
    return grader.grade_part([read_photo(house.blobs.get(digest)) for digest in digests]).to_dict()


def _said(report: dict[str, Any], weighed: dict[str, Any]) -> Said:
    return Said(
        part=report["part"]["name"],
        grade=report["grade"],
        possible=tuple(report["possible_grades"]),
        origin=weighed["class"],
        proposal=weighed["proposal"]["outcome"],
        row=weighed["proposal"]["row"],
        model=report["model"]["id"],
        limits=report["limits"]["id"],
    )
