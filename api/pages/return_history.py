"""The record of one return in plain sentences, each with the digest by which it hangs in the chain."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy.orm import Session

from wearvision.parts import PARTS
from wearvision.standard.views import wanted_views
from wearvision_api.pages.return_words import DONE, FIELD_TITLES, OUTCOMES, claimed_words
from wearvision_api.record.ledger import about
from wearvision_api.returns.missing import wanted_titles
from wearvision_api.returns.money import amount_words
from wearvision_api.store.record_tables import LogRow
from wearvision_api.store.return_tables import ReturnRow

MOST = 500
"""Entries shown on the page; the record itself has all."""
Plain = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class HistoryLine:
    """One entry: when, who, what happened in a sentence, what it says besides, its place in the chain and digest."""

    at: str
    who: str
    sentence: str
    quoted: str
    place: int
    digest: str


def history(session: Session, row: ReturnRow) -> tuple[HistoryLine, ...]:
    """What happened to a return, oldest first."""
    return tuple(history_line(one, row) for one in about(session, subject=row.id, limit=MOST))


def history_line(entry: LogRow, row: ReturnRow) -> HistoryLine:
    """One entry in words; a verb that is not known here stands as it is."""
    told = json.loads(entry.entry)
    before, after = told.get("before") or {}, told.get("after") or {}
    say = _SENTENCES.get(entry.what)
    sentence = say(before, after, row) if say else f"{entry.what.capitalize()}."
    quoted = str(after.get("reason") or after.get("text") or "")
    return HistoryLine(
        f"{entry.at[:16].replace('T', ' ')} UTC",
        entry.who,
        sentence,
        "" if quoted in sentence else quoted,
        entry.place,
        entry.digest[:12],
    )


def _opened(before: Plain, after: Plain, row: ReturnRow) -> str:
    part = PARTS[after["part"]].title if after.get("part") in PARTS else "part"
    return f"Took in return {after.get('number', row.number)}: {part}."


def _changed(before: Plain, after: Plain, row: ReturnRow) -> str:
    said = [
        f"{FIELD_TITLES[name]}: {_value(name, before, row)} → {_value(name, after, row)}"
        for name in after
        if name in FIELD_TITLES
    ]
    return f"Changed the claim; {'; '.join(said)}."


def _value(name: str, side: Plain, row: ReturnRow) -> str:
    value = side.get(name)
    if name == "may_teach":
        return "yes" if value else "no"
    if value in (None, ""):
        return "nothing"
    if name == "claimed":
        return claimed_words(str(value))
    if name == "value_minor":
        return amount_words(int(str(value)), str(side.get("currency") or row.currency))
    if name == "part":
        return PARTS[str(value)].title if value in PARTS else str(value)
    return f"“{value}”" if name in ("story", "claimant", "kept_where", "machine") else str(value)


def _photo(before: Plain, after: Plain, row: ReturnRow) -> str:
    tag = after.get("tag") or {}
    number = tag.get("number")
    read = "the return tag in it was read" if number == row.number else "it shows no tag of this return"
    return f"Added a photo, {_view(after.get('view'), row)}; {read}."


def _aside(before: Plain, after: Plain, row: ReturnRow) -> str:
    return f"Set a photo aside that stood under {_view(before.get('view'), row)}."


def _view(key: object, row: ReturnRow) -> str:
    return next((f"“{one.title}”" for one in wanted_views(row.part) if one.key == key), f"“{key}”")


def _flagged(before: Plain, after: Plain, row: ReturnRow) -> str:
    return f"The photo check asks somebody to look: {after.get('kind', 'something')}."


def _graded(before: Plain, after: Plain, row: ReturnRow) -> str:
    possible = after.get("possible") or []
    if not after.get("part"):
        return "Graded the photos: no part was recognised."
    part = PARTS[after["part"]].title if after["part"] in PARTS else str(after["part"])
    return f"Graded the photos: {part}, {after.get('says') or 'no grade'}; possible: {', '.join(possible) or 'none'}."


def _reading(before: Plain, after: Plain, row: ReturnRow) -> str:
    finding = after.get("finding") or {}
    return f"Took a reading, “{finding.get('title', after.get('check'))}”: {finding.get('says', 'no saying')}."


def _without(before: Plain, after: Plain, row: ReturnRow) -> str:
    return (
        f"Said why it can be done without “{wanted_titles(row.part).get(str(after.get('item')), after.get('item'))}”."
    )


def _decided(before: Plain, after: Plain, row: ReturnRow) -> str:
    proposed = (before.get("proposal") or {}).get("outcome")
    done = DONE.get(str(after.get("outcome")), str(after.get("outcome")))
    second = " A second person must sign." if after.get("needs_second") else ""
    return f"Decided: {done}. The policy proposed: {OUTCOMES.get(str(proposed), 'nothing').lower()}.{second}"


def _signed(before: Plain, after: Plain, row: ReturnRow) -> str:
    return "Agreed as second person."


def _not_agreed(before: Plain, after: Plain, row: ReturnRow) -> str:
    return "Did not agree as second person; it is to be decided anew."


def _objection(before: Plain, after: Plain, row: ReturnRow) -> str:
    return f"Recorded an objection that came on {after.get('received_on', 'a day not known')}."


def _again(before: Plain, after: Plain, row: ReturnRow) -> str:
    return "Opened the return again to hear the objection."


def _looked(before: Plain, after: Plain, row: ReturnRow) -> str:
    return "Looked at what the photo check pointed at."


_SENTENCES: Mapping[str, Callable[[Plain, Plain, ReturnRow], str]] = {
    "opened": _opened,
    "changed": _changed,
    "photo added": _photo,
    "photo set aside": _aside,
    "flagged": _flagged,
    "flag looked at": _looked,
    "graded": _graded,
    "reading taken": _reading,
    "done without": _without,
    "decided": _decided,
    "signed": _signed,
    "not agreed": _not_agreed,
    "objection received": _objection,
    "opened again": _again,
}
