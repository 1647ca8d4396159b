"""The decision letter: what was found, what was decided and why, and what the claimant can do, in plain short words.

Its words stand in ``letter.toml``. A letter rests on what its decision kept, so a later print says the same.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import cache
from importlib.resources import files
from typing import Any

from wearvision.parts import PARTS
from wearvision_api.problems import Problem
from wearvision_api.settings import Settings
from wearvision_api.store.return_tables import Decision, ReturnRow

NOT_SIGNED = "Draft. Do not send it: a second person has not signed yet."
HEARD = "Copy. An objection to this decision is being heard."
ANOTHER = "The photos show another kind of part than the claim is about."
COUNTER = "the counter where the part was handed in"


@dataclass(frozen=True, slots=True)
class Section:
    """A heading and its paragraphs."""

    title: str
    paragraphs: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Letter:
    """A letter for paper or message.

    Attributes:
        number: Of the return.
        day: Of the letter: the decision's.
        house: Letterhead, a line each; empty where the site has set none.
        mark: Why it must not be taken for a letter to send; empty: it may be sent.
        stamp: That in one word.
        to: Whom it is written to.
        facts: Heading and text.
        subject: Of the letter.
        sections: What it says.
        closing: Who decided.
    """

    number: str
    day: str
    house: tuple[str, ...]
    mark: str
    stamp: str
    to: tuple[str, ...]
    facts: tuple[tuple[str, str], ...]
    subject: str
    sections: tuple[Section, ...]
    closing: tuple[str, ...]


def letter_of(settings: Settings, row: ReturnRow) -> Letter:
    """The letter about the newest decision that stands or waits for its second signature.

    Raises:
        Problem: nothing was decided yet.
    """
    made = [one for one in row.decisions if one.standing in ("final", "waiting")]
    if not made:
        raise Problem("conflict", "There is no decision yet, so there is no letter about it.")
    decision = made[-1]
    heard = {one.decision_id for one in row.objections}
    is_draft = decision.standing == "waiting"
    mark = NOT_SIGNED if is_draft else HEARD if decision.id in heard else ""
    before = next((one for one in reversed(made[:-1]) if one.id in heard), None)
    return Letter(
        number=row.number,
        day=day_words(_day(decision)),
        house=tuple(filter(None, (settings.house_name, settings.house_address))) if settings.house_name else (),
        mark=mark,
        stamp=("DRAFT" if is_draft else "COPY") if mark else "",
        to=(f"To {row.claimant}",) if row.claimant else (),
        facts=tuple(_facts(row, decision)),
        subject="Our decision about your part",
        sections=tuple(_sections(settings, row, decision, before)),
        closing=tuple(_closing(decision)),
    )


def day_words(day: date) -> str:
    """A day for a letter, such as ``2 March 2026``."""
    return f"{day.day} {day:%B %Y}"


@cache
def words() -> Mapping[str, Any]:
    """The letter's own words."""
    return tomllib.loads(files("wearvision_api.returns").joinpath("letter.toml").read_text("utf-8"))


def _day(decision: Decision) -> date:
    return (decision.second_at or decision.created_at).date()


def _facts(row: ReturnRow, decision: Decision) -> Iterator[tuple[str, str]]:
    yield "Date", day_words(_day(decision))
    yield "Return", row.number
    yield "Part", PARTS[row.part].title + (f", part number {row.part_number}" if row.part_number else "")
    if row.machine:
        yield "Machine", row.machine
    yield "Handed in", day_words(row.returned_on)


def _sections(settings: Settings, row: ReturnRow, decision: Decision, before: Decision | None) -> Iterator[Section]:
    said, kept = words(), decision.proposal
    why = [decision.reason]
    if kept["proposal"]["outcome"] == decision.outcome:
        why.append(f"Our rule for such a part says: {kept['proposal']['text']}")
    yield Section("What we decided", tuple(_decided(decision, before)))
    if row.story:
        yield Section("What you told us", (row.story,))
    yield Section("What we looked at", tuple(_looked_at(kept)))
    yield Section("What we found", tuple(_found(row.part, kept)))
    yield Section("Why we decided so", tuple(why))
    yield Section("If you do not agree", tuple(_objection(settings, row, decision)))
    yield Section("Where the part is", tuple(_kept(row)))
    yield Section("Please take care", (*said["care"]["all"], *said["care"].get(row.part, ())))


def _decided(decision: Decision, before: Decision | None) -> Iterator[str]:
    said = words()["decision"]
    if before is not None:
        result = said["same" if before.outcome == decision.outcome else "other"]
        yield f"{said['again'].format(day=day_words(_day(before)))} {result}"
    yield f"{said[decision.outcome]} {said[f'{decision.outcome}_next']}"


def _looked_at(kept: Mapping[str, Any]) -> Iterator[str]:
    photos, tests = (_count(kept["looked_at"][f"{what}s"], what) for what in ("photo", "test"))
    text = f"We looked at {photos} and made {tests} at the counter."
    without = sum(bool(one["reason"]) for one in kept["missing"])
    if without:
        text += f" We did without {_count(without, 'other thing')}. Our files say why. You can ask us."
    yield text


def _found(part: str, kept: Mapping[str, Any]) -> Iterator[str]:
    said = words()
    cause = said["cause"][kept["overall"]["cause"]]
    yield cause["clear" if kept["overall"]["sure"] == "clear" else "likely"]
    if "advice" in cause:
        yield cause["advice"]
    yield from (ANOTHER for one in kept["findings"] if one["kind"] == "part")
    for state, lead in (("worn", "We saw this:"), ("may be worn", "This may be so, but we could not see it clearly:")):
        lines = [said["seen"][part][one["about"]] for one in kept["findings"] if one["state"] == state]
        if lines:
            yield "\n".join([lead, *(f"• {line}" for line in lines)])
    readings = [f"• {one['title']}: {one['text']}" for one in kept["findings"] if one["kind"] == "reading"]
    if readings:
        yield "\n".join(["The tests at the counter say this:", *readings])


def _objection(settings: Settings, row: ReturnRow, decision: Decision) -> Iterator[str]:
    days = int(decision.proposal["terms"]["objection_days"])
    last = _day(decision) + timedelta(days=days)
    where = settings.house_contact or COUNTER
    yield (
        f"You can object. Tell us by {day_words(last)}. That is {days} days after this decision. Write or speak to "
        f"{where}. Give the return number {row.number} and say what you see differently."
    )
    yield "Someone who took no part in this decision will then look at everything again."
    if row.kept_until is not None and row.kept_until < last:
        yield f"Please tell us before {day_words(row.kept_until)} if you can. We keep the part until that day."


def _kept(row: ReturnRow) -> Iterator[str]:
    where = f"We keep the part here: {row.kept_where}." if row.kept_where else "Ask us where we keep the part."
    yield f"{where} We keep it until {day_words(row.kept_until)}." if row.kept_until else where


def _closing(decision: Decision) -> Iterator[str]:
    yield f"Decided by {decision.owner.name} on {_stamp(decision.created_at)}."
    if decision.second is not None and decision.second_at is not None:
        yield f"{decision.second.name} has looked at it too and agreed on {_stamp(decision.second_at)}."
    yield "A program has measured photos and laid our rule beside them. People decided."


def _stamp(at: datetime) -> str:
    return day_words(at.date())


def _count(number: int, what: str) -> str:
    return f"{number or 'no'} {what}{'' if number == 1 else 's'}"
