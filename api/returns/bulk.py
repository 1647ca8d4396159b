"""Takes many claims in at once; each is whole or not there, and the same one again is not taken twice."""

from __future__ import annotations

import hashlib
import json
import logging
import uuid
from collections.abc import Iterator
from dataclasses import dataclass

from pydantic import ValidationError
from sqlalchemy.exc import IntegrityError

from wearvision.errors import WearvisionError
from wearvision_api.accounts.roles import Caller
from wearvision_api.house import House
from wearvision_api.problems import Problem, problem_of
from wearvision_api.returns import evidence, intake
from wearvision_api.returns.parcels import Parcel, Row, rows_of
from wearvision_api.returns.weighing import reckon
from wearvision_api.routes.return_schemas import ReturnCreate
from wearvision_api.store.return_tables import ReturnRow

LOG = logging.getLogger(__name__)
SPACE = uuid.UUID("4dd1f6a1-92f6-4d0c-9f0e-7c1f1e6a2f57")
"""Names the ids that are made from a claim's own text and photos."""


@dataclass(frozen=True, slots=True)
class Taken:
    """What became of one row.

    Attributes:
        line: Its line in the table.
        number: Of the return; empty where none was made.
        id: Of the return; empty where none was made.
        fault: Why there is none, or what could not be done to it; empty: all went well.
        is_new: False where the same row was taken in before.
    """

    line: int
    number: str
    id: str
    fault: str
    is_new: bool


def take_in(house: House, who: Caller, parcel: Parcel) -> Iterator[Taken]:
    """Takes the claims of a parcel in, one transaction each, and grades their photos.

    Raises:
        wearvision.errors.InputError: the table cannot be read; nothing is taken.
    """
    for row in tuple(rows_of(parcel)):
        try:
            yield _once(house, who, parcel, row)
        except Exception as error:  # whatever befalls one row, the others are taken, and the parcel can come again
            yield Taken(row.line, "", "", _said(error), is_new=False)


def _once(house: House, who: Caller, parcel: Parcel, row: Row) -> Taken:
    try:
        return _take(house, who, parcel, row)
    except IntegrityError:  # the same parcel is taken in twice at the same time, and the other one came first
        return _take(house, who, parcel, row)


def _take(house: House, who: Caller, parcel: Parcel, row: Row) -> Taken:
    said = ReturnCreate.model_validate(dict(row.said)).model_dump(exclude={"id"}, exclude_none=True)
    files = [(view, parcel.read(name, house.settings.max_upload_mb * 2**20)) for view, name in row.photos]
    record_id = _id_of(row, [data for _, data in files])
    with house.session(writes=False) as session:
        there = session.get(ReturnRow, record_id)
        if there is not None:
            return Taken(row.line, there.number, there.id, "", is_new=False)
    shots = [(view, evidence.shot_of(house, data)) for view, data in files]
    with house.session() as session:
        made = intake.open_return(session, who, said, record_id)
        for view, shot in shots:
            evidence.add_photo(house, session, who, made, shot, view)
        reckon(house, session, made)
        session.commit()
        fault = ""
        try:
            evidence.grade(house, session, who, made.id)
            reckon(house, session, made)
            session.commit()
        except Problem as problem:  # taken in all the same; the counter grades it later
            session.rollback()
            fault = f"Taken in, not graded: {problem.detail}"
        return Taken(row.line, made.number, made.id, fault, is_new=True)


def _id_of(row: Row, photos: list[bytes]) -> str:
    digests = [hashlib.sha256(data).hexdigest() for data in photos]
    return str(uuid.uuid5(SPACE, json.dumps([sorted(row.said.items()), digests])))


def _said(error: Exception) -> str:
    if isinstance(error, ValidationError):
        rows = [f"{'.'.join(map(str, one['loc']))}: {one['msg']}" for one in error.errors()]
        return "; ".join(rows[:3])
    if isinstance(error, WearvisionError):
        return str(error)
    problem = problem_of(error)
    if problem.code == "internal":
        LOG.error("unforeseen error", exc_info=error)
    return problem.detail
