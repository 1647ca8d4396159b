"""Words of the returns desk that several pages share: states, outcomes, doubt, ages."""

from __future__ import annotations

from datetime import date

from wearvision.standard.origins import load_origins
from wearvision_api.store.return_tables import ReturnRow
from wearvision_api.store.tables import now

STATES = {
    "gathering": "Gathering evidence",
    "second person": "Waits for a second person",
    "objected": "Objected to",
    "decided": "Decided",
}
OUTCOMES = {
    "accept": "Accept the claim",
    "decline": "Decline the claim",
    "second person": "A second person must look",
    "more evidence": "More evidence is needed",
}
DONE = {"accept": "accepted", "decline": "declined"}
FIELD_TITLES = {
    "part": "part",
    "part_number": "part number",
    "lot": "lot",
    "serial": "serial number",
    "machine": "machine",
    "hours_installed": "hour meter at the fitting",
    "hours_failed": "hour meter at the failure",
    "hours_last_good": "hour meter when last found good",
    "installed_on": "day fitted",
    "failed_on": "day failed",
    "returned_on": "day it came back",
    "claimant": "who claims",
    "story": "what they say",
    "claimed": "cause as they see it",
    "value_minor": "value",
    "currency": "currency",
    "kept_where": "where it is kept",
    "kept_until": "until when it is kept",
    "may_teach": "whether the photos may be used to teach",
}
"""What a claim says, field by field."""
_DOUBT = ((0.15, "hardly any"), (0.4, "some"), (0.75, "much"), (0.999, "very much"))
"""Words up to each figure; own choice, for reading only."""


def cause_words(key: str) -> str:
    """The title of a class of cause; that it is open for anything else."""
    found = {str(name): one.title for name, one in load_origins().classes.items()}
    return found[key].capitalize() if key in found else "Open"


def claimed_words(key: str) -> str:
    """What a claimant holds for the cause."""
    return cause_words(key) if key else "They do not say"


def doubt_words(doubt: float) -> str:
    """Doubt from 0 to 1 in words, with its figure."""
    word = next((word for most, word in _DOUBT if doubt <= most), "nothing is sure")
    return f"{word} ({doubt:.2f})"


def age_words(row: ReturnRow) -> str:
    """How long a return has been open, or took until it was closed."""
    days = ((row.closed_at or now()) - row.created_at).days
    span = "under a day" if days < 1 else "1 day" if days == 1 else f"{days} days"
    return f"took {span}" if row.closed_at else span


def day(value: date | None) -> str:
    """A date after ISO 8601; empty for none."""
    return "" if value is None else value.isoformat()


def hours(value: float | None) -> str:
    """Running hours with one decimal, as hour meters have; empty for none."""
    return "" if value is None else f"{value:.1f}"
