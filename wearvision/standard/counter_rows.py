"""The records of the checks at the counter: what is entered, what may come out, what a check is."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal, get_args

CounterSays = Literal["good", "doubtful", "bad", "cannot tell"]
"""The part does as its like does; the reading can't tell it from its like; it does not; no verdict at all."""
Judged = Literal["hand check", "lit ratio", "dark ratio"]
"""How a check's fields become an outcome."""
ENTRY = "reading"
"""Key of the one field of a hand check."""
SAYS_AT_COUNTER: Mapping[str, CounterSays] = {
    "good": "good",
    "clean": "good",
    "replace": "bad",
    "again": "cannot tell",
    "elsewhere": "cannot tell",
    "adjust": "cannot tell",
}
"""What a hand check's saying is at the counter; a part that only needs cleaning is good."""


@dataclass(frozen=True, slots=True)
class CounterField:
    """One thing to enter.

    Attributes:
        key: Stable name.
        title: For people.
        unit: Unit that holds where none is entered; empty where no number is asked.
        words: What may be entered instead of a number, or at all where there is no unit; empty with no unit: any
            text, which is kept and not judged.
        required: Whether a verdict needs it.
    """

    key: str
    title: str
    unit: str = ""
    words: tuple[str, ...] = ()
    required: bool = True

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "key": self.key,
            "title": self.title,
            "unit": self.unit or None,
            "words": list(self.words),
            "required": self.required,
        }


@dataclass(frozen=True, slots=True)
class Outcome:
    """One possible result of a comparison.

    Attributes:
        name: Stable name, which signs of a cause refer to.
        says: What follows for the part.
        text: Plain words.
        of: ``"found"`` or ``"wiped"`` for a band of the ratio; empty where the name alone says it.
        low: Lower end of the band, belongs to it.
        high: Upper end, does not.
    """

    name: str
    says: CounterSays
    text: str
    of: str = ""
    low: float = 0.0
    high: float = math.inf


@dataclass(frozen=True, slots=True)
class CounterCheck:
    """One check at the counter.

    Attributes:
        id: Stable name; that of the hand check where it is one.
        part: Key of the part.
        title: For people.
        why: What it is good for.
        needs: Tools.
        steps: In order.
        cautions: Beside the steps.
        source: Where it comes from.
        required: A decision waits for it.
        fields: What is entered.
        judged: How.
        modes: Wear modes that a bad reading speaks for.
        clears: Those that a good reading clears.
        note: What differs at the counter; empty for nothing.
        says: Hand check's saying to what it is at the counter.
        settings: Numbers that the judgement stands on.
        outcomes: Results of a comparison.
        hand_limit: Id of the hand check whose limit is used; empty for none.
    """

    id: str
    part: str
    title: str
    why: str
    needs: tuple[str, ...]
    steps: tuple[str, ...]
    cautions: tuple[str, ...]
    source: str
    required: bool
    fields: tuple[CounterField, ...]
    judged: Judged
    modes: tuple[str, ...] = ()
    clears: tuple[str, ...] = ()
    note: str = ""
    says: Mapping[str, CounterSays] = field(default_factory=dict)
    settings: Mapping[str, float] = field(default_factory=dict)
    outcomes: tuple[Outcome, ...] = ()
    hand_limit: str = ""

    def to_dict(self) -> dict[str, Any]:
        """The check as a page or a program shows it."""
        return {
            "id": self.id,
            "part": self.part,
            "title": self.title,
            "why": self.why,
            "needs": list(self.needs),
            "steps": list(self.steps),
            "cautions": list(self.cautions),
            "note": self.note,
            "required": self.required,
            "fields": [one.to_dict() for one in self.fields],
            "modes": list(self.modes),
            "source": self.source,
        }

    @property
    def names(self) -> frozenset[str]:
        """All names that a result may go by: outcomes and sayings."""
        words = {word for one in self.fields for word in one.words} if self.judged == "hand check" else set()
        return frozenset(words | {one.name for one in self.outcomes} | set(self.says) | set(get_args(CounterSays)))

    def outcome(self, name: str) -> Outcome:
        """The outcome of that name; KeyError where there is none."""
        for one in self.outcomes:
            if one.name == name:
                return one
        raise KeyError(f"{self.id} has no outcome {name!r}")

    def band(self, of: str, ratio: float) -> Outcome:
        """The outcome whose band holds a ratio, >= 0; bands have no holes."""
        return next(one for one in self.outcomes if one.of == of and one.low <= ratio < one.high)
