"""Which hand check is asked for, and why: always in doubt and for a worn part, by chance for a part called serviceable.

If only doubtful grades were checked, nobody would know how often the sure ones are right. So a share of these is drawn,
and each draw's chance is kept: rates are weighted by it.

The draw is a keyed hash (HMAC-SHA-256) of the first photo's own hash, under a secret derived from the record's key.
Nobody without it can foresee the draw, and it cannot be repeated until it suits: the same photo draws the same lot,
whatever id the grade has, and a grade of further photos of the part keeps the lot of the first grade that any of them
was in.
"""

from __future__ import annotations

import hmac
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF
from sqlalchemy import Select, select
from sqlalchemy.orm import Session

from wearvision.standard.checks import Checks
from wearvision_api.house import House
from wearvision_api.record.keys import RecordKey
from wearvision_api.store.tables import GradePhoto, GradeRow, PhotoRow
from wearvision_api.store.teaching_tables import AskedRow
from wearvision_api.trust.facts import facts

PURPOSE = b"wearvision: which hand checks are drawn"
LOOKED_BACK = 20
"""Earlier grades of the same photos that are looked at; what they replaced in turn is known from them."""
NUMBERS = "nought", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten"


@dataclass(frozen=True, slots=True)
class Wanted:
    """A hand check that is asked for.

    Attributes:
        why: ``doubt``, ``worn`` or ``drawn``.
        reason: One sentence for a person.
        checks: Ids of the checks still to be done, in order; none once a verdict holds.
        chance: How likely it was to be asked for, 0 to 1.
    """

    why: str
    reason: str
    checks: tuple[str, ...]
    chance: float


def lot(key: RecordKey, photo: str) -> float:
    """The lot that a photo draws, evenly between 0 and 1; the same whenever it is drawn.

    Args:
        key: The record's; the secret is derived from it (HKDF, RFC 5869) for this purpose alone.
        photo: SHA-256 of the photo, hex.
    """
    secret = HKDF(SHA256(), 32, salt=None, info=PURPOSE).derive(key.private.private_bytes_raw())
    return int.from_bytes(hmac.digest(secret, bytes.fromhex(photo), "sha256")[:8], "big") / 2**64


def ask(house: House, session: Session, row: GradeRow) -> AskedRow:
    """Decides whether a hand check of a new grade is asked for, and keeps how likely that was.

    Args:
        house: For the share, the checks and the key.
        session: The caller's; the grade and its photos are flushed.
        row: The grade.
    """
    kept = facts(row.report, house.checks)
    if row.grade is not None:
        kept["after"] = _replaced(session, row)
    if row.grade is None:
        made = AskedRow(chance=1.0, asked=False, why="no grade")
    elif not kept["checks"]:
        made = AskedRow(chance=1.0, asked=False, why="no check")
    elif len(kept["possible"]) > 1:
        made = AskedRow(chance=1.0, asked=True, why="doubt")
    elif row.grade != "serviceable":
        made = AskedRow(chance=1.0, asked=True, why="worn")
    else:
        share = house.settings.ask_share
        drawn = lot(house.key, _first_photo(session, row)) < share
        made = AskedRow(chance=share, asked=drawn, why="drawn" if drawn else "not drawn")
    made.grade_id, made.facts, made.at = row.id, kept, row.created_at
    session.add(made)
    session.flush()
    session.refresh(row, ["asked"])
    return made


def _sharing(row: GradeRow) -> Select[GradeRow]:
    """Grades of any of a grade's photos, itself among them; the same picture twice is the same photo."""
    same = select(GradePhoto.grade_id).join(PhotoRow).where(PhotoRow.sha256.in_(_hashes(row)))
    return select(GradeRow).where(GradeRow.id.in_(same))


def _hashes(row: GradeRow) -> set[str]:
    return {one.photo.sha256 for one in row.photos}


def _first_photo(session: Session, row: GradeRow) -> str:
    """SHA-256 of the first photo of the first grade that any of these photos was in."""
    first = session.scalars(_sharing(row).order_by(GradeRow.created_at, GradeRow.id).limit(1)).one()
    return first.photos[0].photo.sha256


def _replaced(session: Session, row: GradeRow) -> list[str]:
    """Ids of the newest earlier grades all of whose photos are in this one: it stands in their place."""
    query = _sharing(row).where(GradeRow.id != row.id).order_by(GradeRow.created_at.desc(), GradeRow.id)
    return [one.id for one in session.scalars(query.limit(LOOKED_BACK)) if _hashes(one) <= _hashes(row)]


def wanted_of(row: GradeRow, checks: Checks) -> Wanted | None:
    """What is asked for beside a grade; None where nothing is.

    Args:
        row: The grade.
        checks: Those in force; one that is no longer there is not asked for.
    """
    asked = row.asked
    if asked is None or not asked.asked:
        return None
    verdict: Mapping[str, object] = row.verdict or {"standing": "incomplete"}
    to_do: Sequence[str] = ()
    if verdict["standing"] == "incomplete":
        missing = verdict.get("missing") or asked.facts["checks"]
        to_do = [str(name) for name in missing] if isinstance(missing, list) else []
    return Wanted(asked.why, _reason(row, asked), tuple(name for name in to_do if name in checks.rows), asked.chance)


def _reason(row: GradeRow, asked: AskedRow) -> str:
    if asked.why == "drawn":
        return f"Drawn by chance, {odds(asked.chance)}, to know how often the photo is right."
    if asked.why == "doubt":
        return f"The photo leaves it open: {' or '.join(asked.facts['possible'])} is possible."
    return f"The photo says {row.grade}: a hand check decides before the part is given up or goes back."


def odds(share: float) -> str:
    """A chance in words, such as ``one in five``."""
    if share >= 1:
        return "every one"
    each = round(1 / share)
    if abs(share * each - 1) > 0.02:
        return f"{100 * share:.0f} in a hundred"
    return f"one in {NUMBERS[each] if each < len(NUMBERS) else each}"
