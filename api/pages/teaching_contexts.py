"""What the pages of teaching show."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any
from urllib.parse import urlencode

from sqlalchemy import select
from sqlalchemy.orm import Session

from wearvision.labels.label import NONE
from wearvision.parts import PARTS
from wearvision_api.accounts.roles import Caller
from wearvision_api.house import House
from wearvision_api.services.sheet import moment
from wearvision_api.store.paging import page
from wearvision_api.store.tables import new_id
from wearvision_api.store.teaching_tables import ExampleRow
from wearvision_api.teaching import handing, permission, shown
from wearvision_api.teaching.counting import STATES, counts

FILTERS = ("", "third", "again", "settled", "left out")
"""States by which the list is filtered; whether a first label is there is nobody's to see before their own."""
STATE_WORDS = {
    "to label": "To label",
    "waiting": "Waits for a label",
    "second": "Waits for a second label",
    "third": "Two people differ",
    "again": "Doubted",
    "settled": "Settled",
    "left out": "Left out",
}
RANK_WORDS = {
    "one": "by one person",
    "agreed": "by people who agree",
    "third": "by a third person",
    "pair": "by a pair before and after wiping",
    "reading": "by a hand check",
}
SOURCE_WORDS = {"grade": "A grade", "inspection": "An inspection", "return": "A return", "folder": "A folder"}
ON_PAGE = 24


@dataclass(frozen=True, slots=True)
class Tally:
    """A number with what it counts and where it leads; no link where the address is empty."""

    count: int
    title: str
    href: str


@dataclass(frozen=True, slots=True)
class OverviewContext:
    """The first page of teaching.

    Attributes:
        tallies: Examples by state.
        settled: Kind and number of what is settled.
        splits: Split and number of it.
        random: Labelled examples of the random sample.
        waiting: How many the caller can label now.
        permitted: Photos with permission that are no example yet.
        may_teach: Whether the caller may take photos in.
        fresh: Id for the form.
    """

    tallies: tuple[Tally, ...]
    settled: tuple[tuple[str, int], ...]
    splits: tuple[tuple[str, int], ...]
    random: int
    waiting: int
    permitted: int
    may_teach: bool
    fresh: str


def overview_context(session: Session, who: Caller) -> OverviewContext:
    """How far teaching has come, and what to do next."""
    found = counts(session)
    listed = {state: f"/teaching/examples?{urlencode({'state': state})}" for state in FILTERS if state}
    listed["third"] = "/teaching/disputes"
    listed["again"] = "/teaching/doubts"
    return OverviewContext(
        tallies=tuple(Tally(found.states[state], STATE_WORDS[state], listed.get(state, "")) for state in STATES),
        settled=tuple((_kind_words(kind), number) for kind, number in found.settled.items()),
        splits=tuple((split, found.splits.get(split, 0)) for split in ("train", "calibrate", "test")),
        random=found.random,
        waiting=handing.waiting_for(session, who),
        permitted=found.permitted,
        may_teach=who.may("teaching:write"),
        fresh=new_id(),
    )


@dataclass(frozen=True, slots=True)
class ExampleCard:
    """An example in the list.

    Attributes:
        id: Of the example.
        picture: Address of a small copy; empty where the photo was erased.
        title: What it settled as, or what it waits for.
        facts: Name and text of what the caller may see.
        href: Of the labelling desk.
        is_left_out: Whether it can be put back.
        may_leave: Whether it can be left out.
    """

    id: str
    picture: str
    title: str
    facts: tuple[tuple[str, str], ...]
    href: str
    is_left_out: bool
    may_leave: bool


@dataclass(frozen=True, slots=True)
class ExamplesContext:
    """The list of examples.

    Attributes:
        filters: State and title of each choice.
        state: That chosen.
        cards: On this page.
        next: Address of the next page; empty on the last.
        permitted: Photos with permission that are no example yet.
        may_teach: Whether the caller may take in and put back.
        may_label: Whether the caller may leave out.
        may_permit: Whether the caller may permit the photos of all.
        fresh: Ids for the forms.
    """

    filters: tuple[tuple[str, str], ...]
    state: str
    cards: tuple[ExampleCard, ...]
    next: str
    permitted: int
    may_teach: bool
    may_label: bool
    may_permit: bool
    fresh: dict[str, str]


def examples_context(house: House, session: Session, who: Caller, state: str, cursor: str) -> ExamplesContext:
    """One page of examples, newest first."""
    query = select(ExampleRow)
    if state:
        query = query.where(ExampleRow.state == state)
    rows, following = page(session, query, ExampleRow, cursor, ON_PAGE)
    after = f"/teaching/examples?{urlencode({'state': state, 'cursor': following})}" if following else ""
    return ExamplesContext(
        filters=tuple((one, STATE_WORDS[one] if one else "All") for one in FILTERS),
        state=state,
        cards=tuple(_card(house, session, who, row) for row in rows),
        next=after,
        permitted=counts(session).permitted,
        may_teach=who.may("teaching:write"),
        may_label=who.may("labels:write"),
        may_permit=who.role == "administrator" and who.may("photos:permit"),
        fresh={name: new_id() for name in ("take-in", "inspections", "returns")},
    )


def _card(house: House, session: Session, who: Caller, row: ExampleRow) -> ExampleCard:
    seen = shown.shown_to(house, session, who, row)
    facts = [("From", SOURCE_WORDS.get(row.source, row.source)), ("Came", moment(row.created_at))]
    if seen.is_open:
        if row.machine:
            facts.append(("Machine", row.machine))
        facts.append(("Split", row.split))
        if row.truth is not None:
            facts.append(("Settled", RANK_WORDS[row.truth["rank"]]))
        if row.teaches:
            facts.append(("Came up for", ", ".join(row.teaches)))
    if row.left_out is not None:
        facts.append(("Left out", f"{row.left_out['reason']} ({row.left_out['by']})"))
    return ExampleCard(
        id=row.id,
        picture=_picture(row, 480),
        title=truth_words(row.truth) if seen.is_open and row.truth is not None else STATE_WORDS[seen.state],
        facts=tuple(facts),
        href=f"/teaching/label/{row.id}" if seen.asks != "nothing" and who.may("labels:write") else "",
        is_left_out=row.state == "left out",
        may_leave=row.state != "left out",
    )


@dataclass(frozen=True, slots=True)
class DisputeView:
    """An example over which two people differ.

    Attributes:
        picture: Address of a small copy.
        one: Who gave the first label.
        other: Who gave the other.
        rows: Field, and what each says.
        href: Of the labelling desk, where the caller is a third person; else empty.
        when: Of the newer label.
    """

    picture: str
    one: str
    other: str
    rows: tuple[tuple[str, str, str], ...]
    href: str
    when: str


@dataclass(frozen=True, slots=True)
class DisputesContext:
    """Examples over which two people differ, oldest first; how many there are; whether anybody could decide."""

    views: tuple[DisputeView, ...]
    total: int
    lacks_third: bool


MOST_DISPUTES = 50


def disputes_context(house: House, session: Session, who: Caller) -> DisputesContext:
    """All that waits for a third person."""
    query = select(ExampleRow).where(ExampleRow.state == "third").order_by(ExampleRow.created_at, ExampleRow.id)
    rows = session.scalars(query).all()
    found = [_dispute(house, session, who, row) for row in rows[:MOST_DISPUTES]]
    return DisputesContext(tuple(found), len(rows), bool(rows) and not any(one.href for one in found))


def _dispute(house: House, session: Session, who: Caller, row: ExampleRow) -> DisputeView:
    seen = shown.shown_to(house, session, who, row)
    blind = [one for one in seen.labels if one.turn < 3][:2]
    names = [one.owner.name for one in blind]
    return DisputeView(
        picture=_picture(row, 720),
        one=names[0] if names else "",
        other=names[1] if len(names) > 1 else "",
        rows=tuple((field_words(one.field), value_words(one.one), value_words(one.other)) for one in seen.differences),
        href=f"/teaching/label/{row.id}" if seen.asks == "third" and who.may("labels:write") else "",
        when=moment(blind[-1].created_at) if blind else "",
    )


def field_words(field: str) -> str:
    """A field of a label for people, such as ``modes.film``."""
    head, _, key = field.partition(".")
    titles = {mode.key: mode.title for spec in PARTS.values() for mode in spec.modes}
    measures = {mode.measure: mode.title for spec in PARTS.values() for mode in spec.modes}
    if head == "modes" and key:
        return titles.get(key, key).capitalize()
    if head == "measures":
        return f"{measures.get(key, key).capitalize()}, measured"
    return {"fit": "Fit to judge", "modes": "What the grade comes from"}.get(field, field.capitalize())


def value_words(value: Any) -> str:
    """What a label says of a field, for people."""
    if value is None:
        return "not said"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, dict) and {"low", "high"} <= value.keys():
        middle = f"{value['value']:.2f}, " if value.get("value") is not None else ""
        return f"{middle}{value['low']:.2f} to {value['high']:.2f}"
    if isinstance(value, list):
        return ", ".join(map(str, value))
    return PARTS[value].title if value in PARTS else "none of the parts" if value == NONE else str(value)


def truth_words(truth: dict[str, Any]) -> str:
    """What an example settled as, in a few words."""
    part = str(truth["part"])
    if part == NONE:
        return "None of the parts"
    title = PARTS[part].title.capitalize()
    if not truth["fit"]:
        return f"{title}: unfit to judge"
    return f"{title}: {truth['grade'] or 'no grade'}"


def _kind_words(kind: str) -> str:
    part, _, rest = kind.partition(", ")
    return f"{PARTS[part].title.capitalize()}, {rest}" if part in PARTS else "None of the parts"


def _picture(row: ExampleRow, width: int) -> str:
    return "" if row.photo.erased_at is not None else f"/api/v1/photos/{row.photo_id}/content?width={width}"


@dataclass(frozen=True, slots=True)
class WithdrawnContext:
    """What taking permission back came to: numbers, names of sets and models, the sentence, and the way back."""

    photos: int
    left_out: int
    sets: tuple[str, ...]
    models: tuple[str, ...]
    say: str
    back: str


def withdrawn_context(found: permission.Withdrawn, back: str) -> WithdrawnContext:
    """The answer to taking permission back."""
    return WithdrawnContext(
        found.photos, len(found.left_out), found.seen.sets, found.seen.models, found.seen.words, back
    )
