"""What the working list shows, and how its filters stand in an address."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import cast, get_args
from urllib.parse import urlencode

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from wearvision.parts import PARTS
from wearvision_api.accounts.roles import Caller
from wearvision_api.pages.return_words import STATES, age_words, doubt_words
from wearvision_api.problems import Problem
from wearvision_api.returns import lists
from wearvision_api.returns.lists import Filters, Order
from wearvision_api.returns.money import amount_words, minor_of, plain_amount
from wearvision_api.store.return_tables import Flag, ReturnRow

CHOICES = (
    ("open", "All open ones"),
    ("mine", "What I can do next"),
    *STATES.items(),
    ("", "All, decided ones too"),
)
TALLY = {"mine": "What I can do next", **STATES}
ORDERS = (
    ("age", "Oldest first"),
    ("newest", "Newest first"),
    ("value", "Highest value first"),
    ("doubt", "Most doubt first"),
)
DOUBTS = (("", "Any"), ("0.4", "Much or more"), ("0.75", "Very much or more"))
FIELDS = ("state", "part", "q", "flagged", "days", "value", "doubt", "order")
"""Of an address that names filters."""
KEYS = (
    ("j k", "down and up the list; the arrows do so too once a line has the focus"),
    ("Enter", "opens the return"),
    ("/", "to the search field; Esc leaves a field"),
    ("f", "to the filters"),
    ("n", "takes a new return in"),
    ("?", "shows these keys"),
)


@dataclass(frozen=True, slots=True)
class ReturnLine:
    """A return in the list; all as text."""

    href: str
    number: str
    part: str
    claimant: str
    about: str
    age: str
    value: str
    state: str
    doubt: str
    flags: str


@dataclass(frozen=True, slots=True)
class SavedLine:
    """A saved list: its address, its name, and where it is removed."""

    href: str
    name: str
    forget: str


@dataclass(frozen=True, slots=True)
class ReturnsContext:
    """The working list.

    Attributes:
        lines: Of this page.
        total: How many returns the filters leave.
        shown: Which of them stand here, in words.
        before: Address of the page before; empty on the first.
        after: Address of the next page; empty on the last.
        counts: Address, title, number, and whether that filter is on.
        values: What the filters say, by field, and the currency of ``value``.
        is_filtered: Whether the filters differ from the list as it opens, so that they stand open.
        choices: Options of the fields, by field.
        saved: Lists kept under a name.
        query: The filters as they are kept.
        unknown: A number that was asked for and is none of ours.
        may_write: Whether a new return can be taken in.
        keys: The scheme of keys.
    """

    lines: tuple[ReturnLine, ...]
    total: int
    shown: str
    before: str
    after: str
    counts: tuple[tuple[str, str, int, bool], ...]
    values: dict[str, str]
    is_filtered: bool
    choices: dict[str, tuple[tuple[str, str], ...]]
    saved: tuple[SavedLine, ...]
    query: str
    unknown: str
    may_write: bool
    keys: tuple[tuple[str, str], ...] = KEYS


def filters_from(fields: dict[str, str], currency: str) -> Filters:
    """Filters out of an address; what makes no sense is left out.

    Args:
        fields: Some of ``FIELDS``.
        currency: In which ``value`` is meant.
    """
    state = fields.get("state", "open")
    days, order = fields.get("days", ""), fields.get("order", "age")
    doubt = fields.get("doubt", "")
    try:
        value = minor_of(fields.get("value", ""), currency)
    except Problem:
        value = None
    return Filters(
        state=state if state in dict(CHOICES) else "open",
        part=fields["part"] if fields.get("part") in PARTS else "",
        text=fields.get("q", "").replace("\x00", "").strip(),
        flagged=fields.get("flagged") == "yes",
        days_from=int(days) if days.isascii() and days.isdigit() and len(days) <= 5 else None,
        value_from=value,
        doubt_from=float(doubt) if doubt in dict(DOUBTS) and doubt else None,
        order=cast(Order, order if order in get_args(Order) else "age"),
    )


def fields_of(filters: Filters, currency: str) -> dict[str, str]:
    """The fields of an address that say the same; only those that differ from the list as it opens."""
    texts = {
        "state": filters.state,
        "part": filters.part,
        "q": filters.text,
        "flagged": "yes" if filters.flagged else "",
        "days": "" if filters.days_from is None else str(filters.days_from),
        "value": plain_amount(filters.value_from, currency),
        "doubt": "" if filters.doubt_from is None else f"{filters.doubt_from:g}",
        "order": filters.order,
    }
    bare = {"state": "open", "order": "age"}
    return {name: text for name, text in texts.items() if text != bare.get(name, "")}


def last_currency(session: Session) -> str:
    """The currency of the newest claim that has one; empty where none has."""
    query = select(ReturnRow.currency).where(ReturnRow.currency != "").order_by(ReturnRow.created_at.desc())
    return session.scalar(query.limit(1)) or ""


def tally(session: Session, who: Caller) -> tuple[tuple[str, str, int], ...]:
    """What waits, for the first page: address, title and number."""
    found = lists.counts(session, who)
    return tuple(
        (address({"state": key}), title, found.get(key, 0)) for key, title in TALLY.items() if key != "decided"
    )


def open_flags_of(session: Session, rows: Sequence[ReturnRow]) -> dict[str, int]:
    """How many flags of each return nobody has looked at."""
    ids = [row.id for row in rows]
    query = select(Flag.return_id, func.count()).where(Flag.return_id.in_(ids), Flag.settled.is_(None))
    return {str(key): int(count) for key, count in session.execute(query.group_by(Flag.return_id)).all()}


def return_line(row: ReturnRow, open_flags: int) -> ReturnLine:
    """A return in a list."""
    return ReturnLine(
        href=f"/returns/{row.id}",
        number=row.number,
        part=PARTS[row.part].title.capitalize(),
        claimant=row.claimant or "not said",
        about=", ".join(filter(None, (row.machine, row.part_number, row.lot))),
        age=age_words(row),
        value=amount_words(row.value_minor, row.currency),
        state=STATES[row.state],
        doubt=doubt_words(row.doubt),
        flags="" if not open_flags else "1 flag to look at" if open_flags == 1 else f"{open_flags} flags to look at",
    )


def address(fields: dict[str, str], page: int = 1) -> str:
    """The address of the list with these filters."""
    asked = urlencode(fields | ({"page": str(page)} if page > 1 else {}))
    return f"/returns?{asked}" if asked else "/returns"


def shown(page: int, count: int, total: int) -> str:
    """Which returns stand on a page, in words."""
    if total == 0:
        return "No return fits these filters."
    first = (page - 1) * lists.PAGE + 1
    return f"{total} returns" if count == total > 1 else f"{first} to {first + count - 1} of {total}"


def counts_of(found: dict[str, int], filters: Filters) -> tuple[tuple[str, str, int, bool], ...]:
    """The tally above the list: address, title, number, and whether that filter is on."""
    return tuple(
        (address({"state": key}), title, found.get(key, 0), filters.state == key) for key, title in TALLY.items()
    )
