"""Who may do what: one table, asked by every route."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

Role = Literal["technician", "counter", "trainer", "administrator"]
ROLES: tuple[Role, ...] = ("technician", "counter", "trainer", "administrator")

OWN = "account:own"
"""One's own password and tokens. No token may do this: it would outlive its own revocation by making another."""
_READ = {"photos:read", "grades:read", "machines:read", "inspections:read", "trust:read", "practice:take"}
_GRADE = {"photos:write", "grades:write", "photos:permit"}
_DESK = {"returns:read", "returns:write", "returns:decide", "record:read", "figures:read"}
"""The returns desk: claims and evidence, decisions and signatures, the log, figures by lot."""
_TEACH = {"teaching:read", "labels:write", "teaching:write", "models:release"}
"""Teaching: examples and sets, labels, everybody's results in practice, trainings, and which model grades."""
MAY: dict[Role, frozenset[str]] = {
    "technician": frozenset(_READ | _GRADE | {"machines:write", "inspections:write", OWN}),
    "counter": frozenset(_READ | _GRADE | _DESK | {OWN}),
    "trainer": frozenset(_READ | _TEACH | {OWN}),
    "administrator": frozenset(
        _READ
        | _GRADE
        | _DESK
        | _TEACH
        | {"machines:write", "inspections:write", "accounts:manage", "metrics:read", "photos:erase", OWN}
    ),
}
"""Role to actions. What needs a log-in but no action (hand checks, where to start) asks for a caller only."""

PUBLIC: frozenset[str] = frozenset(
    {
        "GET /healthz",
        "GET /readyz",
        "GET /login",
        "POST /login",
        "GET /offline",
        "GET /queue",
        "GET /manifest.webmanifest",
        "GET /sw.js",
        "GET /problems",
        "GET /api/v1/openapi.json",
    }
)
"""Routes open to nobody in particular: they show no record, and a phone keeps some before anybody logs in."""

ACTIONS: tuple[str, ...] = tuple(sorted(MAY["administrator"]))
SEES_ALL: frozenset[Role] = frozenset({"counter", "trainer", "administrator"})
"""Others see their own records and those of a machine's inspections."""


def scopes_of(role: Role) -> tuple[str, ...]:
    """What a token of this role may be given."""
    return tuple(sorted(MAY[role] - {OWN}))


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
