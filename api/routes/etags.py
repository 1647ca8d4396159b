"""Versions of records as ETags (RFC 9110): a change never overwrites what its sender has not seen."""

from __future__ import annotations

from fastapi import Request, Response

from wearvision_api.problems import Problem


def tag(record_id: str, version: int) -> str:
    """The strong entity tag of a record's version."""
    return f'"{record_id[:8]}-{version}"'


def unchanged(request: Request, etag: str) -> bool:
    """Whether the reader has this version already (If-None-Match)."""
    given = request.headers.get("if-none-match", "")
    return given.strip() == "*" or etag in [one.strip().removeprefix("W/") for one in given.split(",")]


def not_modified(etag: str) -> Response:
    """The answer to a reader who has this version."""
    return Response(status_code=304, headers={"ETag": etag})


def demand_match(request: Request, etag: str, *, required: bool = False) -> None:
    """Refuses a change to a version that the caller has not seen.

    Args:
        request: With If-Match.
        etag: Of the record as it is.
        required: Whether a change without If-Match is refused too.

    Raises:
        Problem: ``changed`` or ``needs-match``.
    """
    given = request.headers.get("if-match", "")
    if not given:
        if required:
            raise Problem("needs-match", f"Send If-Match with the ETag that you read; it is {etag} now.")
        return
    if given.strip() != "*" and etag not in [one.strip() for one in given.split(",")]:
        raise Problem("changed", "Somebody changed the record since you read it. Read it again, then change it.")
