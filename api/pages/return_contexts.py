"""What the one page of a return shows, in the order of work; words are chosen here, none in the template."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass

from sqlalchemy.orm import Session

from wearvision.parts import PARTS
from wearvision.standard import DEFERENCE
from wearvision.standard.views import wanted_views
from wearvision_api.accounts.roles import Caller
from wearvision_api.house import House
from wearvision_api.pages.return_claims import ClaimForm, claim_form, facts_of, values_of
from wearvision_api.pages.return_decision_contexts import DecisionPart, decision_part
from wearvision_api.pages.return_evidence_contexts import (
    FlagView,
    PhotoView,
    ViewTile,
    flag_views,
    open_views,
    set_aside,
    view_tiles,
)
from wearvision_api.pages.return_grade_contexts import GradePart, grade_part
from wearvision_api.pages.return_history import HistoryLine, history
from wearvision_api.pages.return_reading_contexts import CounterMistake, CounterView, counter_views
from wearvision_api.pages.return_steps import Step, steps_of
from wearvision_api.pages.return_words import STATES, age_words, doubt_words
from wearvision_api.pages.units import System
from wearvision_api.returns.missing import wanted_titles
from wearvision_api.returns.weighing import weigh
from wearvision_api.services.sheet import moment
from wearvision_api.store.return_tables import ReturnRow
from wearvision_api.store.tables import new_id

KEYS = (
    ("1 2 3 4 5 6 7 8 9", "to the sections, as numbered"),
    ("e", "to the next thing that is missing"),
    ("t", "opens the return tag, to print"),
    ("s", "opens the evidence sheet"),
    ("l", "back to the list"),
    ("/", "to the search of the list"),
    ("n", "takes a new return in"),
    ("Esc", "leaves a field, so that keys work again"),
    ("?", "shows these keys"),
)
CAUTION = (
    "A part may be hot, sooty, sharp or broken: let it cool, wear gloves. A flame-sensing cell holds cadmium: keep it "
    "whole, never scrape or grind it. Readings only on parts that are out, dead and discharged; an insulation tester "
    "gives a voltage that hurts."
)


@dataclass(frozen=True, slots=True)
class MissingLine:
    """Something that is wanted and not there: key, title, link to its place."""

    key: str
    title: str
    href: str


@dataclass(frozen=True, slots=True)
class ReturnContext:
    """The page of a return.

    Attributes:
        path: Of the page.
        number: Of the return.
        title: Number and part.
        facts: State, who took it in, how long it has been open, doubt.
        steps: Sections in order.
        missing: What is wanted, not there, and not stated to be dispensable.
        without: What is done without for one reason; the reason, and who said so.
        claim: Facts of the claim.
        form: To correct it; None where nothing may be changed.
        form_is_open: Whether it stands open.
        views: Wanted photos, and others that are there.
        more_views: Those that only help.
        next_views: Key and title of the views that several photos at once would fill, in order.
        can_then_grade: Whether one of those is a view that is graded.
        aside: Photos that count no longer.
        grade: What the photos came to; None before.
        can_grade: Whether a photo of the part as it came is there.
        checks: At the counter.
        flags: What nobody has looked at.
        settled_flags: What somebody has.
        decision: Findings, proposal, decisions, objections.
        history: The record of this return.
        may_write: Whether evidence can be added now.
        may_take_in: Whether the caller may take a new return in.
        may_withdraw: Whether the permission to teach is taken back by a form of its own, the claim being closed.
        version: For forms that must not act on what has changed.
        fresh: Ids for forms, by name.
        caution: Before anything is touched.
        deference: Who wins over this page.
        keys: The scheme of keys.
    """

    path: str
    number: str
    title: str
    facts: tuple[tuple[str, str], ...]
    steps: tuple[Step, ...]
    missing: tuple[MissingLine, ...]
    without: tuple[tuple[str, str], ...]
    claim: tuple[tuple[str, str], ...]
    form: ClaimForm | None
    form_is_open: bool
    views: tuple[ViewTile, ...]
    more_views: tuple[ViewTile, ...]
    next_views: tuple[tuple[str, str], ...]
    can_then_grade: bool
    aside: tuple[PhotoView, ...]
    grade: GradePart | None
    can_grade: bool
    checks: tuple[CounterView, ...]
    flags: tuple[FlagView, ...]
    settled_flags: tuple[FlagView, ...]
    decision: DecisionPart
    history: tuple[HistoryLine, ...]
    may_write: bool
    may_take_in: bool
    may_withdraw: bool
    version: int
    fresh: dict[str, str]
    caution: str = CAUTION
    deference: str = DEFERENCE
    keys: tuple[tuple[str, str], ...] = KEYS


def return_context(
    house: House,
    session: Session,
    who: Caller,
    row: ReturnRow,
    system: System,
    *,
    claim: ClaimForm | None = None,
    mistake: CounterMistake | None = None,
) -> ReturnContext:
    """The page of one return, as this caller may use it.

    Args:
        house: The running service.
        session: Open.
        who: Sees it.
        row: The return.
        system: Units that readings are entered in first.
        claim: The claim's form with what was refused in it.
        mistake: A reading that was refused.
    """
    weighed = weigh(house, row)
    is_open = row.state == "gathering" and who.may("returns:write")
    missing = tuple(MissingLine(one.key, one.title, _place(one.key)) for one in weighed.missing if not one.reason)
    views, checks, flags = view_tiles(row), counter_views(row, system, mistake), flag_views(session, row)
    grade, decision, told = grade_part(house, row), decision_part(row, weighed, who, house), history(session, row)
    graded = {one.key for one in wanted_views(row.part) if one.graded and not one.cleaned}
    form = (claim or claim_form(session, values_of(row))) if is_open else None
    return ReturnContext(
        path=f"/returns/{row.id}",
        number=row.number,
        title=f"{row.number}: {PARTS[row.part].title}",
        facts=(
            ("State", STATES[row.state]),
            ("Taken in", f"{moment(row.created_at)} by {row.owner.name}"),
            ("Open", age_words(row)),
            ("Doubt", doubt_words(row.doubt)),
            decision.headline,
        ),
        steps=steps_of(row, [one.key for one in missing], views, grade, checks, flags, decision, told),
        missing=missing,
        without=_without(row),
        claim=facts_of(row),
        form=form,
        form_is_open=claim is not None,
        views=tuple(one for one in views if one.photos or (one.is_needed and is_open)),
        more_views=tuple(one for one in views if is_open and not (one.is_needed or one.photos)),
        next_views=tuple((one.key, one.title) for one in open_views(row)),
        can_then_grade=any(one.graded for one in open_views(row)),
        aside=set_aside(row),
        grade=grade,
        can_grade=any(one.photos for one in views if one.key in graded),
        checks=tuple(one for one in checks if one.word or is_open),
        flags=tuple(one for one in flags if not one.settled),
        settled_flags=tuple(one for one in flags if one.settled),
        decision=decision,
        history=told,
        may_write=is_open,
        may_take_in=who.may("returns:write"),
        may_withdraw=row.may_teach and not is_open and who.may("photos:permit"),
        version=row.version,
        fresh={name: new_id() for name in ("waive", "photos", "flags", "decide", "sign", "object", "hear")},
    )


def _without(row: ReturnRow) -> tuple[tuple[str, str], ...]:
    titles, found = wanted_titles(row.part), defaultdict[str, list[str]](list)
    for one in row.waivers:
        found[f"“{one.reason}”, {one.owner.name}"].append(titles.get(one.item, one.item))
    return tuple(("; ".join(items), reason) for reason, items in found.items())


def _place(key: str) -> str:
    """Where something missing is added: the very field, so that it has the focus at once."""
    kind, _, name = key.partition(":")
    return {"field": f"#claim-{name}", "view": f"#photo-{name}", "check": f"#read-{name}"}.get(kind, "#grade")
