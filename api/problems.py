"""Errors as problem details (RFC 9457): one shape for every answer that is no success.

Each problem has a stable ``code``; its ``type`` is ``/problems#code``, where a page explains it.
"""

from __future__ import annotations

import errno
import logging
import sqlite3
from collections.abc import Mapping
from typing import Any
from urllib.parse import quote, urlencode

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, RedirectResponse, Response
from sqlalchemy.exc import DBAPIError, InterfaceError, OperationalError
from sqlalchemy.exc import TimeoutError as OutOfConnections
from starlette.exceptions import HTTPException
from starlette.routing import Match

from wearvision.errors import InputError, PhotoError, PhotoTooLarge
from wearvision_api.store.object_store import StoreAwayError

LOG = logging.getLogger(__name__)
MEDIA_TYPE = "application/problem+json"

TITLES: dict[str, tuple[int, str]] = {
    "bad-request": (400, "The request cannot be read"),
    "not-logged-in": (401, "Log in first"),
    "not-allowed": (403, "Your role may not do this"),
    "forged": (403, "The form's token is missing or old"),
    "insecure": (403, "Only over TLS"),
    "not-found": (404, "There is no such record"),
    "method": (405, "This address does not take this method"),
    "conflict": (409, "It does not fit what is recorded"),
    "gone": (410, "The photo was erased"),
    "changed": (412, "The record has changed since you read it"),
    "too-large": (413, "The upload is too large"),
    "unsupported": (415, "This kind of content is not taken"),
    "invalid": (422, "A value is missing or wrong"),
    "unreadable-photo": (422, "The photo cannot be read"),
    "key-reused": (422, "The idempotency key was used for another request"),
    "needs-match": (428, "Say which version you change (If-Match)"),
    "too-many": (429, "Too many tries"),
    "internal": (500, "The service failed"),
    "busy": (503, "All hands are busy"),
    "not-ready": (503, "The service is not ready"),
    "read-only": (503, "Nothing can be written just now"),
    "disk-full": (507, "The disk is full"),
}
"""Code to status and title."""


_MEANWHILE = ("database is locked", "deadlock detected", "lock timeout", "could not serialize")
"""What SQLite and PostgreSQL say where steps at the same time were in each other's way; the step is taken back."""
_FULL = ("disk is full", "no space left", "could not extend file")
_READ_ONLY = ("readonly database", "read-only")
_AWAY = (errno.EIO, errno.ESTALE, errno.ETIMEDOUT, errno.EHOSTDOWN, errno.ENOTCONN, errno.ECONNREFUSED)
"""What a disk that fails and a folder on another machine say while they cannot be reached."""
SOON_S, LATER_S = 2, 30
"""When to come again: after others are through, and after somebody has mended something."""


class Problem(Exception):
    """An answer that is no success.

    Args:
        code: A key of ``TITLES``.
        detail: What was wrong and what to do, for a person.
        headers: Further headers of the answer.
        extra: Further members of the problem object.
    """

    def __init__(self, code: str, detail: str, *, headers: Mapping[str, str] | None = None, **extra: Any) -> None:
        super().__init__(detail)
        self.code, self.detail, self.headers, self.extra = code, detail, dict(headers or {}), extra
        self.status, self.title = TITLES[code]

    def body(self, instance: str) -> dict[str, Any]:
        """The problem object."""
        return {
            "type": f"/problems#{self.code}",
            "title": self.title,
            "status": self.status,
            "detail": self.detail,
            "instance": instance,
            "code": self.code,
            **self.extra,
        }


def problem_of(error: Exception) -> Problem:
    """The problem that an exception stands for; ``internal`` for what nobody foresaw."""
    if isinstance(error, Problem):
        return error
    if isinstance(error, PhotoTooLarge):
        return Problem("too-large", _of_upload(error), reason=error.code)
    if isinstance(error, PhotoError):
        return Problem("unreadable-photo", _of_upload(error), reason=error.code)
    if isinstance(error, InputError):
        return Problem("invalid", str(error), reason=error.code)
    if isinstance(error, RequestValidationError):
        faults = [{"at": ".".join(str(step) for step in row["loc"]), "message": row["msg"]} for row in error.errors()]
        where = "; ".join(f"{row['at']}: {row['message']}" for row in faults[:3])
        return Problem("invalid", f"{where}.", errors=faults)
    if isinstance(error, HTTPException) and not _disk_is_full(error.__cause__):
        code = next((code for code, (status, _) in TITLES.items() if status == error.status_code), "bad-request")
        return Problem(code, str(error.detail), headers=dict(error.headers or {}))
    if _disk_is_full(error) or _disk_is_full(error.__cause__):  # an upload's spool file fails inside its parser
        return Problem("disk-full", "Nothing was recorded. Free some space on the service's disk, then send it again.")
    if isinstance(error, StoreAwayError):
        LOG.error("%s", error)
        detail = "The photo store does not answer; nothing was recorded. Send it again."
        return Problem("not-ready", detail, headers={"Retry-After": "5"})
    if isinstance(error, OutOfConnections):
        return Problem(
            "busy",
            "All connections to the database are in use; nothing was recorded. Send it again.",
            headers=_after(SOON_S),
        )
    if isinstance(error, DBAPIError):
        return _of_database(error)
    if isinstance(error, OSError) and error.errno == errno.EROFS:
        return _read_only()
    if isinstance(error, OSError) and error.errno in _AWAY:
        LOG.error("a disk or a folder on another machine fails: %s", error)
        detail = "The photo store does not answer; nothing was recorded. Send it again later."
        return Problem("not-ready", detail, headers=_after(LATER_S))
    return Problem("internal", "The service failed; nothing was recorded. Its log says why.")


def _of_database(error: DBAPIError) -> Problem:
    """What a database says that is locked, write-protected or away; ``internal`` for what is a fault of ours."""
    text = str(error.orig).lower()
    if any(words in text for words in _MEANWHILE):
        detail = "Too many write at the same time; nothing was recorded. Send it again."
        return Problem("busy", detail, headers=_after(SOON_S))
    if any(words in text for words in _READ_ONLY):
        return _read_only()
    if _is_away(error):
        LOG.error("the database does not answer: %s", error.orig)
        detail = "The database does not answer just now. Send it again: with the same key or form it is recorded once."
        return Problem("not-ready", detail, headers=_after(SOON_S))  # it may have committed before the line broke
    return Problem("internal", "The service failed; nothing was recorded. Its log says why.")


def _is_away(error: DBAPIError) -> bool:
    """Whether the database itself fails; SQLite calls a wrong statement of ours an operational error, too."""
    if isinstance(error.orig, sqlite3.Error):
        return any(words in str(error.orig).lower() for words in ("disk i/o error", "unable to open database"))
    return error.connection_invalidated or isinstance(error, OperationalError | InterfaceError)


def _read_only() -> Problem:
    LOG.error("photos or records lie where nothing can be written")
    detail = (
        "Photos and records can be read but not written just now; nothing was recorded. Keep what you have, and send "
        "it again once whoever runs the service has mended its disk."
    )
    return Problem("read-only", detail, headers=_after(LATER_S))


def _after(seconds: int) -> dict[str, str]:
    return {"Retry-After": str(seconds)}


def _of_upload(error: PhotoError) -> str:
    """What the library says, without the name that it gives to bytes."""
    return str(error).replace("<bytes>", "The photo")


def _disk_is_full(error: BaseException | None) -> bool:
    if isinstance(error, OSError) and error.errno in (errno.ENOSPC, errno.EDQUOT):
        return True
    if isinstance(error, DBAPIError):
        text = str(error.orig).lower()
        return any(words in text for words in _FULL)
    return False


def respond(request: Request, problem: Problem) -> Response:
    """The JSON answer."""
    body = problem.body(quote(request.url.path))
    return JSONResponse(body, problem.status, headers=problem.headers, media_type=MEDIA_TYPE)


def install(app: FastAPI) -> None:
    """Answers every error in one shape; pages get the same problem as a page."""

    def answer(request: Request, error: Exception) -> Response:
        problem = problem_of(error)
        if problem.code == "method":
            problem.headers["Allow"] = ", ".join(_allowed(request))
        if problem.code == "internal":
            LOG.error("unforeseen error", exc_info=error)
        page = getattr(request.app.state, "problem_page", None)
        is_for_eyes = not request.url.path.startswith("/api/") and "text/html" in _accepts(request)
        if is_for_eyes and problem.code == "not-logged-in" and request.method == "GET":
            return RedirectResponse(f"/login?{urlencode({'next': request.url.path})}", 303)
        if page is not None and is_for_eyes:
            shown: Response = page(request, problem)
            return shown
        return respond(request, problem)

    for kind in (
        Problem,
        InputError,
        RequestValidationError,
        HTTPException,
        OSError,
        DBAPIError,
        OutOfConnections,
        Exception,
    ):
        app.add_exception_handler(kind, answer)


def _allowed(request: Request) -> list[str]:
    """Methods that the address takes (RFC 9110, 15.5.6); the router itself names those of the first route only."""
    routes = request.app.router.routes
    scopes = {method: {**request.scope, "method": method} for method in ("DELETE", "GET", "PATCH", "POST", "PUT")}
    return [name for name, scope in scopes.items() if any(one.matches(scope)[0] is Match.FULL for one in routes)]


def _accepts(request: Request) -> str:
    return request.headers.get("accept", "")


PROBLEM_SCHEMA: dict[str, Any] = {
    "type": "object",
    "required": ["type", "title", "status", "detail", "instance", "code"],
    "properties": {
        "type": {"type": "string", "format": "uri-reference"},
        "title": {"type": "string"},
        "status": {"type": "integer", "minimum": 400, "maximum": 599},
        "detail": {"type": "string"},
        "instance": {"type": "string", "format": "uri-reference"},
        "code": {"type": "string", "enum": sorted(TITLES)},
    },
}
"""Of every problem object, for the OpenAPI document."""
