"""The working list of the returns desk: filters, order, saved lists, and the jump by a number typed or scanned."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated, cast, get_args
from urllib.parse import parse_qsl, urlencode

from fastapi import APIRouter, Form, Path, Query, Request, Response
from fastapi.responses import RedirectResponse
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from wearvision.parts import PARTS
from wearvision_api.accounts.roles import Caller
from wearvision_api.deps import SessionDep, needs
from wearvision_api.pages.forms import seen
from wearvision_api.pages.return_words import STATES, age_words, doubt_words
from wearvision_api.pages.view import show
from wearvision_api.problems import Problem
from wearvision_api.returns import lists
from wearvision_api.returns.lists import Filters, Order
from wearvision_api.returns.money import amount_words, minor_of, plain_amount
from wearvision_api.routes.schemas import UUID_FORM
from wearvision_api.store.return_tables import Flag, ReturnRow

router = APIRouter(prefix="/returns", include_in_schema=False)
Reader = Annotated[Caller, needs("returns:read")]
Field = Annotated[str, Query(max_length=200)]
Typed = Annotated[str, Form(max_length=200)]
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
        (_address({"state": key}), title, found.get(key, 0)) for key, title in TALLY.items() if key != "decided"
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
        about=", ".join(filter(None, (row.claimant, row.machine, row.part_number))) or "Nothing said yet",
        age=age_words(row),
        value=amount_words(row.value_minor, row.currency),
        state=STATES[row.state],
        doubt=doubt_words(row.doubt),
        flags="" if not open_flags else "1 flag to look at" if open_flags == 1 else f"{open_flags} flags to look at",
    )


@router.get("")
def listed(
    request: Request,
    session: SessionDep,
    who: Reader,
    number: Field = "",
    q: Field = "",
    page: Annotated[int, Query(ge=1, le=100_000)] = 1,
) -> Response:
    """The list; a whole number, typed or scanned, leads straight to its return."""
    found = lists.jump(session, number or q) if number or q else None
    if found is not None:
        return seen(f"/returns/{found.id}")
    currency = last_currency(session)
    filters = filters_from(dict(request.query_params), currency)
    rows, total = lists.listed(session, filters, who, page)
    fields, flags = fields_of(filters, currency), open_flags_of(session, rows)
    context = ReturnsContext(
        lines=tuple(return_line(row, flags.get(row.id, 0)) for row in rows),
        total=total,
        shown=_shown(page, len(rows), total),
        before=_address(fields, page - 1) if page > 1 else "",
        after=_address(fields, page + 1) if page * lists.PAGE < total else "",
        counts=_counts(lists.counts(session, who), filters),
        values=dict.fromkeys(FIELDS, "") | {"state": "open", "order": "age"} | fields | {"currency": currency},
        is_filtered=bool(fields.keys() - {"q"}) and fields != {"state": "mine"},
        choices={
            "state": CHOICES,
            "part": (("", "Any part"), *((key, spec.title.capitalize()) for key, spec in PARTS.items())),
            "doubt": DOUBTS,
            "order": ORDERS,
        },
        saved=tuple(
            SavedLine(
                _address(fields_of(lists.filters_of(one.query), currency)), one.name, f"/returns/lists/{one.id}/forget"
            )
            for one in lists.saved(session, who)
        ),
        query=urlencode(fields),
        unknown=number,
        may_write=who.may("returns:write"),
    )
    return show(request, who, "returns.html", context)


@router.post("/lists")
def save(
    session: SessionDep, who: Annotated[Caller, needs("returns:write")], name: Typed = "", query: Typed = ""
) -> RedirectResponse:
    """Keeps the filters of the list under a name."""
    kept = " ".join(name.replace("\x00", "").split())[:60]
    if not kept:
        raise Problem("invalid", "Give the list a name.")
    currency = last_currency(session)
    filters = filters_from(dict(parse_qsl(query)), currency)
    lists.save(session, who, kept, filters)
    session.commit()
    return seen(_address(fields_of(filters, currency)))


@router.post("/lists/{list_id}/forget")
def forget(
    session: SessionDep,
    who: Annotated[Caller, needs("returns:write")],
    list_id: Annotated[str, Path(pattern=UUID_FORM)],
) -> RedirectResponse:
    """Removes a saved list."""
    lists.forget(session, who, list_id)
    session.commit()
    return seen("/returns#saved")


def _address(fields: dict[str, str], page: int = 1) -> str:
    asked = urlencode(fields | ({"page": str(page)} if page > 1 else {}))
    return f"/returns?{asked}" if asked else "/returns"


def _shown(page: int, count: int, total: int) -> str:
    if total == 0:
        return "No return fits these filters."
    first = (page - 1) * lists.PAGE + 1
    return f"{total} returns" if count == total > 1 else f"{first} to {first + count - 1} of {total}"


def _counts(found: dict[str, int], filters: Filters) -> tuple[tuple[str, str, int, bool], ...]:
    return tuple(
        (_address({"state": key}), title, found.get(key, 0), filters.state == key) for key, title in TALLY.items()
    )
