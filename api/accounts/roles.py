"""Who may do what: one table, asked by every route."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

Role = Literal["technician", "counter", "trainer", "administrator"]
ROLES: tuple[Role, ...] = ("technician", "counter", "trainer", "administrator")

_READ = {"photos:read", "grades:read", "machines:read", "inspections:read"}
_GRADE = {"photos:write", "grades:write"}
MAY: dict[Role, frozenset[str]] = {
    "technician": frozenset(_READ | _GRADE | {"machines:write", "inspections:write"}),
    "counter": frozenset(_READ | _GRADE),
    "trainer": frozenset(_READ),
    "administrator": frozenset(
        _READ | _GRADE | {"machines:write", "inspections:write", "accounts:manage", "metrics:read"}
    ),
}
"""Role to actions. What nobody may do without an account stands at the route: ``PUBLIC``."""

ACTIONS: tuple[str, ...] = tuple(sorted(MAY["administrator"]))
SEES_ALL: frozenset[Role] = frozenset({"counter", "trainer", "administrator"})
"""Others see their own records and those of a machine's inspections."""


@dataclass(frozen=True, slots=True)
class Caller:
    """Who is asking.

    Attributes:
        id: Of the account.
        name: Of the account.
        role: What it may do.
        scopes: What its token may do, at most; None: whatever the role may.
        csrf: Secret that forms of this log-in carry; empty where no cookie speaks for the caller.
    """

    id: str
    name: str
    role: Role
    scopes: frozenset[str] | None = None
    csrf: str = field(default="", repr=False)

    def may(self, action: str) -> bool:
        """Whether role and token both allow it."""
        return action in MAY[self.role] and (self.scopes is None or action in self.scopes)

    @property
    def sees_all(self) -> bool:
        """Whether records of others are shown that belong to no inspection."""
        return self.role in SEES_ALL
