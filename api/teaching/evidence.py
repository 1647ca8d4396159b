"""What hand checks and wiping say of an example's photo, by the grades and returns that hold it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from wearvision.errors import ReadingError
from wearvision.labels.evidence import Evidence, of_pair, of_reading
from wearvision.parts import PARTS
from wearvision.readings import read_reading
from wearvision.standard.checks import Checks
from wearvision.standard.grades import GRADES
from wearvision.wiping import WipingPair
from wearvision_api.store.return_tables import CounterReading, ReturnPhoto, ReturnRow
from wearvision_api.store.tables import GradePhoto, GradeRow, ReadingRow


def evidence_on(session: Session, checks: Checks, photo_id: str, part: str) -> tuple[Evidence, ...]:
    """Readings and pairs of the grades that hold a photo, and readings of its return.

    Which check decides which mode stands in the table of checks; a reading speaks for the part, hence for every photo
    of it that shows the mode. Of several readings of one check the newest of each grade counts.

    Args:
        session: For reading.
        checks: Those in force.
        photo_id: Of the example.
        part: Key of the part that the labels name; what was read of another one says nothing.
    """
    if part not in PARTS:
        return ()
    measures = {mode.measure: mode.key for mode in PARTS[part].modes}
    found: list[Evidence] = []
    query = select(GradeRow).join(GradePhoto).where(GradePhoto.photo_id == photo_id, GradeRow.part == part)
    for row in session.scalars(query.order_by(GradeRow.created_at, GradeRow.id)):
        found += _read(checks, part, row.readings)
        if row.wiping is not None:
            found += of_pair(pair_of(row.wiping), measures, before=True)
        before = session.scalars(select(GradeRow).where(GradeRow.after_id == row.id)).all()
        for one in before:
            if one.wiping is not None:
                found += of_pair(pair_of(one.wiping), measures, before=False)
    return (*found, *_at_the_counter(session, photo_id, part))


def pair_of(kept: dict[str, Any]) -> WipingPair:
    """A pair before and after wiping as a grade keeps it."""
    ranges = {
        side: {name: (float(low), float(high)) for name, (low, high) in kept[side].items()}
        for side in ("wiped", "stays")
    }
    return WipingPair(
        ranges["wiped"], ranges["stays"], kept["grade"], tuple(kept["possible_grades"]), str(kept["reason"])
    )


def _read(checks: Checks, part: str, rows: Sequence[ReadingRow]) -> list[Evidence]:
    found = []
    for row in {one.check: one for one in rows}.values():
        check = checks.rows.get(row.check)
        if check is None or check.part != part:
            continue
        value, unit = row.value["value"], row.value["unit"] or None
        entered = value | {"unit": unit} if isinstance(value, dict) else {"value": value, "unit": unit}
        try:
            told = of_reading(read_reading(check, entered))
        except ReadingError:  # taken under checks that a site has changed since
            continue
        if told is not None:
            found.append(told)
    return found


def _at_the_counter(session: Session, photo_id: str, part: str) -> list[Evidence]:
    """What the newest reading of each check at the counter says of the modes that it names."""
    query = (
        select(CounterReading)
        .join(ReturnRow, ReturnRow.id == CounterReading.return_id)
        .join(ReturnPhoto, ReturnPhoto.return_id == ReturnRow.id)
        .where(ReturnPhoto.photo_id == photo_id, ReturnRow.part == part)
        .order_by(CounterReading.created_at, CounterReading.id)
    )
    known = {mode.key for mode in PARTS[part].modes}
    found = []
    for finding in {row.check: row.finding for row in session.scalars(query)}.values():
        modes = tuple(mode for mode in finding["modes"] if mode in known)
        if not modes or finding["says"] not in ("good", "bad") or finding["grade"] is None:
            continue
        # A good reading says that nothing must be replaced; what is there to be cleaned it does not deny.
        ends = (GRADES[0], GRADES[1]) if finding["says"] == "good" else (finding["grade"], finding["grade"])
        found.append(Evidence("reading", modes, *ends))
    return found


__all__ = ["evidence_on", "pair_of"]
