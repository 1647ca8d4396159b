"""The claim as a form: what stands in it at first, what was typed, and what of it goes to the record."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from pydantic import ValidationError
from sqlalchemy import select
from sqlalchemy.orm import Session

from wearvision.parts import PARTS
from wearvision.standard.origins import CAUSES
from wearvision_api.accounts.roles import Caller
from wearvision_api.pages.return_list_contexts import last_currency
from wearvision_api.pages.return_words import FIELD_TITLES, claimed_words, day, hours
from wearvision_api.problems import Problem
from wearvision_api.returns.money import amount_words, minor_of, plain_amount
from wearvision_api.routes.return_schemas import ReturnUpdate
from wearvision_api.store.return_tables import ReturnRow
from wearvision_api.store.tables import Machine, new_id, now

KEPT = timedelta(days=90)
"""How long a part is kept where nothing was kept before; common practice, no published source."""
MOST_MACHINES = 200
_TEXTS = ("part", "part_number", "lot", "serial", "machine", "claimant", "story", "claimed", "currency", "kept_where")
_HOURS = ("hours_installed", "hours_last_good", "hours_failed")
_DAYS = ("installed_on", "failed_on", "returned_on", "kept_until")
FIELDS = (*_TEXTS, *_HOURS, *_DAYS, "value", "may_teach")
"""Names of the form's fields."""


@dataclass(frozen=True, slots=True)
class ClaimForm:
    """The form of a claim.

    Attributes:
        values: What stands in each of ``FIELDS``.
        parts: Key and title.
        classes: Classes of cause that a claimant can hold for right.
        machines: Identifiers on record, to choose from.
        fault: Why it was not taken; empty at first.
        fresh: Id for the record that the form makes.
    """

    values: Mapping[str, str]
    parts: tuple[tuple[str, str], ...]
    classes: tuple[tuple[str, str], ...]
    machines: tuple[str, ...]
    fault: str
    fresh: str


@dataclass(frozen=True, slots=True)
class NewReturnContext:
    """The page on which a return is taken in."""

    form: ClaimForm


def claim_form(session: Session, values: Mapping[str, str], fault: str = "", fresh: str = "") -> ClaimForm:
    """The form, with these values in it."""
    machines = session.scalars(select(Machine.identifier).order_by(Machine.identifier).limit(MOST_MACHINES)).all()
    return ClaimForm(
        values=dict.fromkeys(FIELDS, "") | dict(values),
        parts=tuple((key, spec.title.capitalize()) for key, spec in PARTS.items()),
        classes=tuple((key, claimed_words(key)) for key in ("", *CAUSES)),
        machines=tuple(machines),
        fault=fault,
        fresh=fresh or new_id(),
    )


def first_values(session: Session, who: Caller, part: str, machine: str) -> dict[str, str]:
    """What a new form holds: today, and where and how long this person kept the last part."""
    query = select(ReturnRow).where(ReturnRow.owner_id == who.id, ReturnRow.kept_where != "")
    last = session.scalar(query.order_by(ReturnRow.created_at.desc()).limit(1))
    today = now().date()
    span = last.kept_until - last.returned_on if last is not None and last.kept_until is not None else KEPT
    return {
        "part": part if part in PARTS else "",
        "machine": machine,
        "returned_on": day(today),
        "kept_where": last.kept_where if last is not None else "",
        "kept_until": day(today + min(span, date.max - today)),
        "currency": last_currency(session),
    }


def values_of(row: ReturnRow) -> dict[str, str]:
    """What a claim says, as the form holds it."""
    return {
        **{name: getattr(row, name) for name in _TEXTS},
        **{name: "" if getattr(row, name) is None else f"{getattr(row, name):g}" for name in _HOURS},
        **{name: day(getattr(row, name)) for name in _DAYS},
        "value": plain_amount(row.value_minor, row.currency),
        "may_teach": "yes" if row.may_teach else "",
    }


def facts_of(row: ReturnRow) -> tuple[tuple[str, str], ...]:
    """What a claim says, for people; what is not known is left out."""
    run = None
    if row.hours_failed is not None and row.hours_installed is not None:
        run = row.hours_failed - row.hours_installed
    spent = (row.failed_on - row.installed_on).days if row.failed_on and row.installed_on else None
    pairs = (
        ("Part", PARTS[row.part].title.capitalize()),
        ("Part number", row.part_number),
        ("Lot", row.lot),
        ("Serial number", row.serial),
        ("Machine", row.machine),
        ("Fitted", _at(day(row.installed_on), hours(row.hours_installed))),
        ("Last found good", _at("", hours(row.hours_last_good))),
        ("Failed", _at(day(row.failed_on), hours(row.hours_failed))),
        (
            "Ran",
            ", ".join(filter(None, ("" if run is None else f"{run:.1f} h", "" if spent is None else _days(spent)))),
        ),
        ("Came back", day(row.returned_on)),
        ("Who claims", row.claimant),
        ("What they say", row.story),
        ("Cause, as they see it", claimed_words(row.claimed) if row.claimed else ""),
        ("Value", amount_words(row.value_minor, row.currency)),
        ("Photos may teach", "yes, the claimant agrees" if row.may_teach else ""),
        ("Kept", ", until ".join(filter(None, (row.kept_where, day(row.kept_until))))),
    )
    return tuple((name, text) for name, text in pairs if text)


def said(session: Session, typed: Mapping[str, str]) -> ReturnUpdate:
    """What the form says: every field, emptied ones as None.

    Args:
        session: Open; a machine on record is found by its identifier.
        typed: Fields by name.

    Raises:
        Problem: a value makes no sense; it says which.
    """
    plain = {name: text.strip() for name, text in typed.items()}
    currency = plain["currency"].upper()
    machine = session.scalar(select(Machine).where(Machine.identifier == plain["machine"]))
    fields: dict[str, Any] = {name: plain[name] or None for name in FIELDS if name != "value"}
    fields |= {name: plain[name].replace(",", ".") or None for name in _HOURS}
    fields |= {
        "currency": currency,
        "value_minor": minor_of(plain["value"], currency),
        "machine_id": machine.id if machine else None,
        "may_teach": plain["may_teach"] == "yes",  # a box that is not ticked sends nothing
    }
    try:
        return ReturnUpdate.model_validate(fields)
    except ValidationError as error:
        faults = [f"{FIELD_TITLES[str(row['loc'][0])].capitalize()}: {row['msg'].lower()}" for row in error.errors()]
        raise Problem("invalid", f"{'; '.join(faults)}.") from error


def _at(on: str, meter: str) -> str:
    return ", ".join(filter(None, (on, f"at {meter} h" if meter else "")))


def _days(count: int) -> str:
    return "1 day" if count == 1 else f"{count} days"
