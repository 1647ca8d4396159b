"""Numbers of returns: year, running count, two check digits; one after the other, none twice."""

from __future__ import annotations

from datetime import date

from sqlalchemy import select
from sqlalchemy.dialects.postgresql import insert as postgres_insert
from sqlalchemy.dialects.sqlite import insert as sqlite_insert
from sqlalchemy.orm import Session

from wearvision.return_numbers import with_check_digits
from wearvision_api.problems import Problem
from wearvision_api.store.return_tables import NumberCount

MOST_A_YEAR = 99_999


def next_number(session: Session, today: date) -> str:
    """The next free number, such as ``26-00042-33``. It is taken once the caller commits.

    Whoever comes second waits for the first one's commit, so that no number is given twice.

    Raises:
        Problem: the year's numbers are used up.
    """
    insert = sqlite_insert if session.get_bind().dialect.name == "sqlite" else postgres_insert
    session.execute(insert(NumberCount).values(year=today.year, last=0).on_conflict_do_nothing())
    count = session.scalars(
        select(NumberCount)
        .where(NumberCount.year == today.year)
        .with_for_update()
        .execution_options(populate_existing=True)
    ).one()
    if count.last >= MOST_A_YEAR:
        raise Problem("conflict", f"All {MOST_A_YEAR} return numbers of {today.year} are used.")
    count.last += 1
    session.flush()
    return with_check_digits(f"{today.year % 100:02d}{count.last:05d}")
