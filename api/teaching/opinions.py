"""Gives examples the opinion of the model in use, where no grade of the photo alone had one."""

from __future__ import annotations

import logging
from functools import partial

from sqlalchemy import null, select

from wearvision.errors import WearvisionError
from wearvision.grade import Grader
from wearvision.photo import read_photo
from wearvision.report import Report
from wearvision_api.house import House
from wearvision_api.problems import Problem
from wearvision_api.store.tables import PhotoRow
from wearvision_api.store.teaching_tables import ExampleRow
from wearvision_api.teaching.examples import find, judge_anew, rarity_now

LOG = logging.getLogger(__name__)
AT_ONCE = 40
"""Examples that one call looks at, at most: a service that is told to stop waits for it. The next call goes on."""


def fill(house: House, most: int = AT_ONCE) -> int:
    """Grades the photos of examples that have no opinion yet, one by one, and says how urgent they are.

    No transaction is open while a photo is looked at. Where all hands are busy it stops: people come first, and the
    next call goes on.

    Args:
        house: The running service.
        most: How many at most.

    Returns:
        How many got one.
    """
    done, passed = 0, set[str]()
    while done + len(passed) < most:
        with house.session(writes=False) as session:
            query = (
                select(ExampleRow.id, ExampleRow.sha256)
                .join(PhotoRow, PhotoRow.id == ExampleRow.photo_id)
                .where(ExampleRow.opinion.is_(null()), PhotoRow.erased_at.is_(None), ExampleRow.id.not_in(passed))
                .order_by(ExampleRow.created_at, ExampleRow.id)
            )
            row = session.execute(query.limit(1)).first()
            rare = rarity_now(session)
        if row is None:
            break
        grader = house.grader
        try:
            report = house.work.run(partial(_look, house, grader, row.sha256))
        except Problem:
            break
        except (WearvisionError, OSError):
            LOG.exception("no opinion on an example", extra={"example": row.id})
            passed.add(row.id)
            continue
        with house.session() as session:
            example = find(session, row.id, to_change=True)
            if example.opinion is None:
                example.opinion = report.to_dict()
                judge_anew(session, example, rare, grader.least_energy)
            session.commit()
        done += 1
    return done


def _look(house: House, grader: Grader, digest: str) -> Report:
    return grader.grade(read_photo(house.blobs.get(digest)))


__all__ = ["fill"]
