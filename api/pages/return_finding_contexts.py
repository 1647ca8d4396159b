"""What the page of a return shows of findings and of the policy's proposal, out of what was weighed or kept."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from wearvision.standard.counter import checks_at_counter
from wearvision.standard.grades import GRADES, Grade
from wearvision_api.pages.return_words import OUTCOMES, cause_words

WAIVED, LACKING = "Done without: ", "Missing: "
"""How the policy's reasons of these kinds begin."""
SURE = {"clear": "clear", "likely": "likely", "open": "open"}


@dataclass(frozen=True, slots=True)
class SignLine:
    """A sign: the class of cause, what is seen, and whether it is a weak or a strong one."""

    cause: str
    text: str
    weight: str


@dataclass(frozen=True, slots=True)
class FindingView:
    """One thing found.

    Attributes:
        title: What it is about.
        kind: ``wear``, ``reading`` or ``part``.
        grade: What it says of the part, for its mark; None where it says nothing, or leaves more than one.
        state: In words, with every grade that is left possible.
        text: What was seen; empty where measure and limits say all.
        measured: Value, interval and limits in words.
        cause: Class of cause and how sure, in words; empty where no sign speaks of one.
        signs_for: Signs for a class.
        signs_against: Signs against one.
        look_at: What to rule out, so that the next part lasts.
    """

    title: str
    kind: str
    grade: Grade | None
    state: str
    text: str
    measured: str
    cause: str
    signs_for: tuple[SignLine, ...]
    signs_against: tuple[SignLine, ...]
    look_at: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ProposalView:
    """What the policy proposes: outcome in words, row, its text, whether two must sign and why, and which policy."""

    outcome: str
    row: str
    text: str
    second: str
    reasons: tuple[str, ...]
    policy: str


def finding_view(one: Mapping[str, Any]) -> FindingView:
    """A finding in words."""
    possible = tuple(one["possible_grades"])
    state = str(one["state"]).capitalize()
    if len(possible) > 1:
        state += f"; possible: {', '.join(possible)}"
    signs = one["signs_for"] or one["signs_against"]
    return FindingView(
        title=str(one["title"]).capitalize(),
        kind=str(one["kind"]),
        grade=one["grade"] if len(possible) == 1 else None,
        state=state,
        text=str(one["text"]),
        measured=_measured(one["measure"]),
        cause=_cause(str(one["cause"]), str(one["sure"])) if signs else "",
        signs_for=tuple(map(_sign, one["signs_for"])),
        signs_against=tuple(map(_sign, one["signs_against"])),
        look_at=tuple(str(cause["title"]) for cause in one["look_at"]),
    )


def proposal_view(shown: Mapping[str, Any]) -> ProposalView:
    """What the policy proposes, in words."""
    proposal = shown["proposal"]
    policy, reasons = proposal["policy"], _reasons(proposal["reasons"])
    return ProposalView(
        OUTCOMES[proposal["outcome"]],
        str(proposal["row"]),
        str(proposal["text"]),
        f"A second person must sign{', because:' if reasons else '.'}" if proposal["needs_second"] else "",
        reasons if proposal["needs_second"] else (),
        f"policy {policy['id']}, fingerprint {str(policy['sha256'])[:12]}"
        + (": an example and no advice; your own is named by the setting “policy”" if policy["example"] else ""),
    )


def _reasons(lines: Sequence[str]) -> tuple[str, ...]:
    """Why a second person must sign; what is missing stands in its own section, what was waived in one line."""
    waived = [line.removeprefix(WAIVED).rstrip(".") for line in lines if line.startswith(WAIVED)]
    others = [line for line in lines if not line.startswith((WAIVED, LACKING))]
    return (*others, *([f"{WAIVED}{'; '.join(waived)}."] if waived else []))


def overall_words(cause: str, shown: Mapping[str, Any]) -> str:
    """The likely class of cause and how sure, or why it is open, in a sentence or two."""
    overall = shown.get("overall") or {}
    if cause != "open":
        return f"Likely class of cause: {cause_words(cause).lower()} ({SURE[str(overall.get('sure', 'open'))]})."
    if overall.get("fault") is False:
        return "Nothing is found wrong with the part, so there is no cause to name."
    return f"The class of cause is open: {_why_open(overall, shown['findings'])}."


def _why_open(overall: Mapping[str, Any], found: Sequence[Mapping[str, Any]]) -> str:
    """The first thing that keeps the class of cause open, in the order in which the findings are weighed."""
    if overall.get("another_part"):
        return "the photos show another part than the claim names"
    if all(one["state"] == "not seen" for one in found):
        return "nothing is known of the part yet"
    possible = overall.get("possible_grades") or ()
    if len(possible) > 1:
        return f"the part may be {' or '.join(possible)}"
    unseen = overall.get("not_seen") or ()
    if unseen and overall.get("grade") != GRADES[-1]:
        titles = [str(one["title"]) for one in found if one["about"] in unseen]
        return f"nothing is known yet of {', '.join(titles)}"
    return "the signs speak for none more than for another"


def settling(
    part: str, found: Sequence[Mapping[str, Any]], taken: Collection[str]
) -> tuple[tuple[str, ...], tuple[tuple[str, str], ...]]:
    """Which wear modes are left open, and which checks that nobody took can settle them.

    Args:
        part: Key of the part that is claimed.
        found: Its findings, as plain values.
        taken: Ids of the checks that were read.

    Returns:
        Titles of the modes, and id and title of each check, in the order in which they are asked for.
    """
    left = {one["about"]: str(one["title"]) for one in found if one["state"] in ("may be worn", "not seen")}
    checks = [one for one in checks_at_counter(part) if one.id not in taken and left.keys() & set(one.modes)]
    able = {mode for one in checks for mode in one.modes}
    return tuple(title for key, title in left.items() if key in able), tuple((one.id, one.title) for one in checks)


def _cause(cause: str, sure: str) -> str:
    return "Cause open" if cause == "open" else f"{cause_words(cause)}, {SURE[sure]}"


def _sign(one: Mapping[str, Any]) -> SignLine:
    return SignLine(cause_words(str(one["cause"])), str(one["text"]), f"{one['weight']} sign")


def _measured(line: Mapping[str, Any] | None) -> str:
    if line is None or line.get("value") is None:
        return ""
    low, high = line.get("low"), line.get("high")
    interval = "" if low is None or high is None else f" ({low:.2f} to {high:.2f})"
    return f"Measured {line['value']:.2f}{interval}"
