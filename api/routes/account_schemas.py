"""What accounts and tokens look like as JSON. No hash ever leaves."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import AfterValidator, ConfigDict, Field, StringConstraints, WithJsonSchema

from wearvision_api.accounts.passwords import LONGEST, SHORTEST
from wearvision_api.accounts.roles import scopes_of
from wearvision_api.routes.schemas import Body, Line, Moment, Page, Public, RecordId

RoleName = Literal["technician", "counter", "trainer", "administrator"]
Name = Annotated[Line, StringConstraints(max_length=80)]
# Blanks at the ends of a password count. A NUL byte ends it for some keyboards and libraries.
Password = Annotated[
    str, StringConstraints(min_length=SHORTEST, max_length=LONGEST, pattern=r"^[^\x00-\x1f]*$", strip_whitespace=False)
]
SCOPES = scopes_of("administrator")


def _of_a_role(scope: str) -> str:
    if scope not in SCOPES:
        raise ValueError(f"there is no {scope!r}; there are {', '.join(SCOPES)}")
    return scope


Scope = Annotated[str, AfterValidator(_of_a_role), WithJsonSchema({"type": "string", "enum": list(SCOPES)})]


def _example(**members: Any) -> ConfigDict:
    return ConfigDict(json_schema_extra={"examples": [members]})


class AccountCreate(Body):
    """An account for somebody."""

    model_config = Body.model_config | _example(name="van-2", role="technician", password="nine plain words do well")

    name: Name
    role: RoleName
    password: Password


class AccountUpdate(Body):
    """Changes; what is left out stays."""

    model_config = Body.model_config | _example(role="counter")

    role: RoleName | None = None
    active: bool | None = Field(None, description="False ends the account and its log-ins; its records stay.")


class PasswordUpdate(Body):
    """A new password."""

    model_config = Body.model_config | _example(password="another few plain words")

    password: Password


class AccountPublic(Public):
    """An account."""

    id: RecordId
    name: str
    role: RoleName
    active: bool
    created_at: Moment


class AccountPage(Page):
    """A page of accounts, newest first."""

    items: list[AccountPublic]


class TokenCreate(Body):
    """A token for a program."""

    model_config = Body.model_config | _example(name="office export", scopes=["inspections:read"], days=90)

    name: Name
    scopes: list[Scope] = Field(
        min_length=1, max_length=len(SCOPES), description="What it may do; no more than your role."
    )
    days: int | None = Field(90, ge=1, le=3650, description="Until it ends; null: until revoked.")


class TokenPublic(Public):
    """A token, without its secret."""

    id: RecordId
    name: str
    scopes: list[Scope]
    created_at: Moment
    ends_at: Moment | None
    used_at: Moment | None = Field(description="Within ten minutes.")


class TokenIssued(TokenPublic):
    """A fresh token."""

    token: str = Field(description="Send it as 'Authorization: Bearer …'. It is shown this once.")


class TokenPage(Page):
    """A page of tokens, newest first."""

    items: list[TokenPublic]
