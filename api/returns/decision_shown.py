"""Findings, proposal and decision as a return's sheet shows them, from what was weighed or kept."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from wearvision.standard import Row
from wearvision.standard.origins import CAUSES, load_origins
from wearvision_api.services.sheet import Measured, limits_text, measured, moment
from wearvision_api.store.return_tables import Decision

OUTCOMES = {
    "accept": "accept",
    "decline": "decline",
    "second person": "let a second person decide",
    "more evidence": "get more evidence first",
}
STANDING = {"waiting": "waits for a second person", "final": "final", "not agreed": "the second person did not agree"}
QUIET = ("not worn", "not seen", "does not apply")
"""States of which one line tells all: nothing speaks for or against a cause there."""


@dataclass(frozen=True, slots=True)
class FindingSeen:
    """What was found, of one wear mode or of the part as a whole.

    Attributes:
        title: What it is about.
        cause: Class of cause, or that it stays open; empty where no sign speaks.
        sure: How sure.
        text: What was measured or seen.
        signs_for: Signs that speak for that class.
        signs_against: Signs that speak against it.
    """

    title: str
    cause: str
    sure: str
    text: str
    signs_for: tuple[str, ...]
    signs_against: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ProposalSeen:
    """What the policy proposed.

    Attributes:
        outcome: In words.
        row: The policy's row.
        text: Of that row.
        reasons: Why a second person is needed, or what is wanted first.
        policy: Name and fingerprint of the policy.
    """

    outcome: str
    row: str
    text: str
    reasons: tuple[str, ...]
    policy: str


@dataclass(frozen=True, slots=True)
class DecisionSeen:
    """What people decided.

    Attributes:
        attempt: 1 for the first decision of the return.
        outcome: ``accept`` or ``decline``.
        standing: In words.
        reason: As given.
        signatures: Who decided or signed, when, and what they said.
        proposal: What the policy proposed to them.
    """

    attempt: int
    outcome: str
    standing: str
    reason: str
    signatures: tuple[tuple[str, str], ...]
    proposal: ProposalSeen


@dataclass(frozen=True, slots=True)
class GradeSeen:
    """What the photos came to.

    Attributes:
        grade: The grade that holds; None: none.
        words: That grade with its doubt.
        facts: Standing, remarks, when and by whom.
        measures: Against the limits that were in force.
    """

    grade: str | None
    words: str
    facts: tuple[tuple[str, str], ...]
    measures: tuple[Measured, ...]


def findings_shown(kept: Mapping[str, Any]) -> tuple[FindingSeen, ...]:
    """The part as a whole first, then what says something; modes that are surely not worn are named together."""
    overall = kept["overall"]
    whole = FindingSeen("The part as a whole", class_title(overall["cause"]), overall["sure"], _whole(overall), (), ())
    titles = {one["about"]: one["title"] for one in kept["findings"]}
    shown = tuple(_finding(one, titles) for one in kept["findings"] if not _is_quiet(one))
    quiet = [FindingSeen(state, "", "", ", ".join(modes), (), ()) for state, modes in _quiet(kept["findings"])]
    return (whole, *shown, *quiet)


def proposal_shown(kept: Mapping[str, Any]) -> ProposalSeen:
    """What the policy proposed, with the policy itself."""
    said = kept["proposal"]
    return ProposalSeen(
        outcome=OUTCOMES[said["outcome"]],
        row=said["row"],
        text=said["text"],
        reasons=tuple(said["reasons"]),
        policy=policy_words(said["policy"]),
    )


def decision_shown(one: Decision) -> DecisionSeen:
    """A decision with its signatures."""
    signatures = [("Decided by", f"{one.owner.name}, {moment(one.created_at)}")]
    if one.second is not None and one.second_at is not None:
        verb = "Did not agree" if one.standing == "not agreed" else "Signed as second person"
        signatures.append((verb, f"{one.second.name}, {moment(one.second_at)}: {one.second_reason}"))
    elif one.needs_second:
        signatures.append(("Second person", "has not signed yet"))
    return DecisionSeen(
        attempt=one.attempt,
        outcome=one.outcome,
        standing=STANDING[one.standing],
        reason=one.reason,
        signatures=tuple(signatures),
        proposal=proposal_shown(one.proposal),
    )


def grade_shown(kept: Mapping[str, Any], part: str) -> GradeSeen | None:
    """What the photos came to; None where nothing was graded."""
    said = kept["grade"]
    if said is None:
        return None
    facts = [("Standing", said["standing"]), *((name, text) for name, text in said["remarks"])]
    facts.append(("Graded", f"{moment(datetime.fromisoformat(said['at']))} by {said['by']}"))
    measures = [one for one in kept["findings"] if one["measure"] is not None]
    return GradeSeen(
        grade=said["grade"],
        words=said["words"],
        facts=tuple(facts),
        measures=tuple(_measured(one, part) for one in measures),
    )


def policy_words(policy: Mapping[str, Any]) -> str:
    """Which policy it was, and whether it is the example that comes with the program."""
    example = " (an example, no site's own rule)" if policy["example"] else ""
    return f"{policy['id']}{example}, SHA-256 {policy['sha256']}"


def class_title(cause: str) -> str:
    """A class of cause for people."""
    return load_origins().classes[cause].title if cause in CAUSES else cause


def _whole(overall: Mapping[str, Any]) -> str:
    possible = " or ".join(overall["possible_grades"])
    return f"Possible grades, photos and readings together: {possible}. Doubt {overall['doubt']:.2f} of 1."


def _sign(sign: Mapping[str, Any]) -> str:
    return f"{sign['text']} ({class_title(sign['cause'])}, {sign['weight']})"


def _finding(one: Mapping[str, Any], titles: Mapping[str, str]) -> FindingSeen:
    has_signs = one["signs_for"] or one["signs_against"]
    by = ", ".join(titles[check] for check in one["decided_by"])
    return FindingSeen(
        title=f"{one['title'].capitalize()}, {one['state']}",
        cause=class_title(one["cause"]) if has_signs else "",
        sure=one["sure"],
        text=f"{one['text']} (decided by: {by})" if by else one["text"],
        signs_for=tuple(_sign(sign) for sign in one["signs_for"]),
        signs_against=tuple(_sign(sign) for sign in one["signs_against"]),
    )


def _is_quiet(one: Mapping[str, Any]) -> bool:
    """Whether it says nothing that a reading decided against the photo."""
    return one["state"] in QUIET and not one["decided_by"]


def _quiet(found: Iterable[Mapping[str, Any]]) -> Iterable[tuple[str, list[str]]]:
    titles: dict[str, list[str]] = {}
    for one in found:
        if _is_quiet(one):
            titles.setdefault(one["state"].capitalize(), []).append(one["title"])
    return titles.items()


def _measured(found: Mapping[str, Any], part: str) -> Measured:
    line = found["measure"]
    row = Row(part=part, measure=line["name"], mode=line["mode"], **line["limits"])
    return measured(line, found["title"], limits_text(row))
