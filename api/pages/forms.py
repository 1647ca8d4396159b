"""Reads forms by the same schemas as the JSON API, and answers them with the page to go to."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, TypeVar

from fastapi.responses import RedirectResponse
from pydantic import ValidationError
from sqlalchemy.orm import Session

from wearvision_api.accounts.roles import Caller
from wearvision_api.problems import Problem
from wearvision_api.routes.schemas import Body
from wearvision_api.store.once import Once
from wearvision_api.store.tables import Reply

Model = TypeVar("Model", bound=Body)


def read(schema: type[Model], fields: Mapping[str, Any], emptied: Mapping[str, Any] | None = None) -> Model:
    """A form's fields as the API's own body.

    Args:
        schema: Of the body.
        fields: By name; an empty one counts as not given.
        emptied: Fields that may be emptied; they are taken as they stand.

    Raises:
        Problem: a value is missing or wrong; it says which.
    """
    given = {name: value for name, value in fields.items() if value not in ("", None)} | dict(emptied or {})
    try:
        return schema.model_validate(given)
    except ValidationError as error:
        rows = [f"{'.'.join(map(str, row['loc']))}: {row['msg']}" for row in error.errors()]
        raise Problem("invalid", f"{'; '.join(rows[:3])}. Go back and put it right.") from error


def once(session: Session, who: Caller, fresh: str, target: str, body: Body, make: Callable[[], str]) -> str:
    """Acts once for each form shown, however often its button is pressed.

    Args:
        session: Open; committed.
        who: Whose form it is.
        fresh: The id that the form carries; empty: every press acts.
        target: The form's address.
        body: What the form says.
        make: Acts, and gives the id of the record.

    Returns:
        The id, of the first time for a second press.
    """
    kept = Once(session, who.id, f"form {fresh}" if fresh else "", f"POST {target}")
    return str(kept.reply(body.model_dump_json(), lambda: {"id": make()}).body["id"])


def sent_before(session: Session, who: Caller, fresh: str) -> str:
    """Id of the record that a form has made already, empty where it was not sent yet."""
    row = session.get(Reply, (who.id, f"form {fresh}"))
    return str(row.body["id"]) if row is not None else ""


def seen(href: str) -> RedirectResponse:
    """Answers a form: go there and read (303), so that reloading sends nothing twice."""
    return RedirectResponse(href, status_code=303)
