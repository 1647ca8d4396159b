"""What came of many photos, counted."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from wearvision.bulk.job import Fact

FIRST = 5
"""Errors that are told one by one; the others are counted."""


@dataclass(slots=True)
class Tally:
    """Counts of results.

    Attributes:
        total: Results of this run.
        before: Results that were there already.
        grades: Results by first grade; None: not judged.
        errors: Photos that could not be judged at all, by code, those of earlier runs included.
        first: Name and message of the first of them.
        changes: Results by (grade before, grade now), for regraded ones.
        widened: Regraded ones whose first grade stayed while the possible grades changed.
    """

    total: int = 0
    before: int = 0
    grades: Counter[str | None] = field(default_factory=Counter)
    errors: Counter[str] = field(default_factory=Counter)
    first: list[tuple[str, str]] = field(default_factory=list)
    changes: Counter[tuple[str | None, str | None]] = field(default_factory=Counter)
    widened: int = 0

    def add(self, facts: Iterable[Fact]) -> None:
        """Counts results of this run."""
        for fact in facts:
            self.total += 1
            if fact.error is not None:
                self.fail(fact.name, fact.error, fact.message)
                continue
            self.grades[fact.grade] += 1
            if fact.before is not None:
                grade, possible = fact.before
                self.changes[grade, fact.grade] += 1
                self.widened += grade == fact.grade and possible != fact.possible

    def earlier(self, record: Mapping[str, Any]) -> None:
        """Counts a result of an earlier run."""
        self.before += 1
        error = record.get("error")
        if isinstance(error, Mapping):
            self.fail(str(record.get("photo")), str(error.get("code")), str(error.get("message")))

    def fail(self, name: str, code: str, message: str) -> None:
        """Counts an error."""
        self.errors[code] += 1
        if len(self.first) < FIRST:
            self.first.append((name, message))

    def merge(self, other: Tally) -> None:
        """Adds the counts of another."""
        self.total += other.total
        self.before += other.before
        self.widened += other.widened
        self.grades += other.grades
        self.errors += other.errors
        self.changes += other.changes
        self.first += other.first[: FIRST - len(self.first)]

    @property
    def failed(self) -> int:
        """How many photos could not be judged at all."""
        return self.errors.total()
