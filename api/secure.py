"""Behind a proxy only what came over TLS is answered; the server believes that of the stated proxy alone."""

from __future__ import annotations

from starlette.requests import Request
from starlette.types import ASGIApp, Receive, Scope, Send

from wearvision_api.problems import Problem, respond

OPEN = frozenset({"/healthz", "/readyz"})
"""They show no record, and whoever watches a process asks it directly."""


class OnlySecure:
    """ASGI middleware that refuses plain HTTP.

    The scheme is that of the connection, or what the trusted proxy said of it in ``X-Forwarded-Proto``; the same header
    from any other peer is not looked at.

    Args:
        app: What answers.
    """

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request."""
        if scope["type"] != "http" or scope["scheme"] == "https" or scope["path"] in OPEN:
            await self.app(scope, receive, send)
            return
        problem = Problem(
            "insecure",
            "This service answers over TLS only, through its proxy, which must send X-Forwarded-Proto: https.",
        )
        await respond(Request(scope), problem)(scope, receive, send)
