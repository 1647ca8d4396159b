"""What routes ask for, as typed aliases."""

from __future__ import annotations

from collections.abc import AsyncIterator, Iterator
from typing import Annotated, Any

from fastapi import Depends, Header, Request
from sqlalchemy.orm import Session

from wearvision_api.accounts.gate import caller_of
from wearvision_api.accounts.roles import ACTIONS, Caller
from wearvision_api.house import House
from wearvision_api.problems import Problem
from wearvision_api.store.once import Once

READS = {"GET", "HEAD", "OPTIONS"}
FORMS = ("application/x-www-form-urlencoded", "multipart/form-data")


def house_of(request: Request) -> House:
    """The running service."""
    house: House = request.app.state.house
    return house


HouseDep = Annotated[House, Depends(house_of)]


def session_of(request: Request, house: HouseDep) -> Iterator[Session]:
    """One transaction a request; services commit it."""
    with house.session(writes=request.method not in READS) as session:
        yield session


SessionDep = Annotated[Session, Depends(session_of, scope="function")]


async def form_token(request: Request) -> AsyncIterator[str]:
    """What an unsafe request carries to show that a page of its own log-in sent it."""
    given = "" if request.method in READS else request.headers.get("x-csrf", "")
    is_form = request.headers.get("content-type", "").lower().startswith(FORMS)
    if given or request.method in READS or not is_form:
        yield given
        return
    try:
        field = (await request.form()).get("csrf", "")  # read before, or kept for the route
        yield field if isinstance(field, str) else ""
    finally:
        await request.close()  # files of a form that is refused, or whose route wants none


def visitor(
    request: Request, house: HouseDep, token: Annotated[str, Depends(form_token, scope="function")]
) -> Caller | None:
    """Who is asking, None for somebody who has not logged in."""
    return caller_of(request, house, token)


VisitorDep = Annotated[Caller | None, Depends(visitor)]


def caller(found: VisitorDep) -> Caller:
    """Who is asking; refuses those who have not logged in."""
    if found is None:
        raise Problem("not-logged-in", "Log in, or send a token.", headers={"WWW-Authenticate": "Bearer"})
    return found


CallerDep = Annotated[Caller, Depends(caller)]


def needs(action: str) -> Any:
    """A route's guard: the caller's role and token must allow the action; gives the caller.

    Raises:
        KeyError: there is no such action.
    """
    if action not in ACTIONS:
        raise KeyError(action)

    def guard(who: CallerDep) -> Caller:
        if not who.may(action):
            raise Problem("not-allowed", f"Your role ({who.role}) may not do this: {action}.")
        return who

    guard.action = action  # type: ignore[attr-defined]  # read by the test that walks every route
    return Depends(guard)


def once_of(
    request: Request,
    session: SessionDep,
    who: CallerDep,
    idempotency_key: Annotated[
        str,
        Header(max_length=200, description="Any text of your choice; a retry with the same one records nothing twice."),
    ] = "",
) -> Once:
    """Makes retries harmless."""
    return Once(session, who.id, idempotency_key, f"{request.method} {request.url.path}")


OnceDep = Annotated[Once, Depends(once_of)]
