"""Turns requests away, before their body is read, once as many are in flight as the service can answer in time."""

from __future__ import annotations

import asyncio

from starlette.requests import Request
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from wearvision_api.problems import Problem, respond

RETRY_AFTER_S = 2
SILENCE_S = 30.0
"""A body that stops coming for so long gives its place to others; a phone that lost its link sends it again."""
LEAST_BYTES_S = 1024
"""Bytes a second that a body must come with on the average, besides a silence that is allowed: a letter now and then
would else hold a place for hours."""
HEALTH = frozenset({"/healthz", "/readyz", "/metrics"})
"""Never turned away: whoever watches the service asks just when it is busy."""


class Overload:
    """ASGI middleware with a fixed number of places.

    Without it requests would wait in the server without end, each with its photo in memory.

    Args:
        app: What answers.
        most: Requests in flight at the same time, >= 1.
        silence_s: How long to wait for more of a body.
    """

    def __init__(self, app: ASGIApp, *, most: int, silence_s: float = SILENCE_S) -> None:
        if most < 1:
            raise ValueError(f"most must be at least 1, not {most}")
        self.app, self.most, self.silence_s = app, most, silence_s
        self.inside = 0  # one event loop: no lock

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request."""
        if scope["type"] != "http" or scope["path"] in HEALTH:
            await self.app(scope, receive, send)
            return
        if self.inside >= self.most:
            problem = Problem(
                "busy",
                f"{self.most} requests are in flight; nothing was recorded. Send it again.",
                headers={"Retry-After": str(RETRY_AFTER_S)},
            )
            await respond(Request(scope), problem)(scope, receive, send)
            return
        self.inside += 1
        try:
            await self.app(scope, self._impatient(receive), send)
        finally:
            self.inside -= 1

    def _impatient(self, receive: Receive) -> Receive:
        is_coming, come = True, 0
        clock = asyncio.get_running_loop().time
        begun = clock()

        async def next_part() -> Message:
            nonlocal is_coming, come
            if not is_coming:
                return await receive()  # waits for the end of the connection, as long as an answer takes
            left = begun + self.silence_s + come / LEAST_BYTES_S - clock()
            try:
                async with asyncio.timeout(min(self.silence_s, left)):
                    message = await receive()
            except TimeoutError:
                return {"type": "http.disconnect"}
            is_coming = bool(message.get("more_body", False))
            come += len(message.get("body", b""))
            return message

        return next_part
