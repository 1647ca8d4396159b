"""What is turned away before anything is read: foreign host names, foreign origins, oversized bodies.

A page elsewhere can make a browser send requests to this machine. It cannot read the answers, unless its own name was
made to point here (DNS rebinding): so the name asked for must be ours. It can send a form: so the origin must be ours.
"""

from __future__ import annotations

import re
from ipaddress import ip_address
from urllib.parse import urlsplit

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from wearvision_api.problems import Problem, respond
from wearvision_api.settings import Settings

HOST = re.compile(r"(\[[0-9a-f:.]+\]|[a-z0-9._-]+)(:[0-9]{1,5})?")
"""A Host header (RFC 9110, 7.2); names in other scripts come in their ASCII form."""
SAFE = {"GET", "HEAD", "OPTIONS"}
SMALL_BYTES = 2**20
"""Of a body that is no upload; an upload may have this much besides its photo."""


def host_is_ours(host: str, settings: Settings) -> bool:
    """Whether a request asked for a name of ours.

    Args:
        host: The Host header.
        settings: ``hosts`` names them; without it loopback takes loopback names only, and with accounts on another
            address any name will do, since cookies are bound to the name that set them.
    """
    name = _name(host)
    if not name:
        return False
    named = {one.strip().lower() for one in settings.hosts.split(",") if one.strip()}
    if name in named:
        return True
    if settings.loopback and not settings.proxy:
        return name == "localhost" or _is_loopback(name)
    return not named


def origin_is_ours(request: Request) -> bool:
    """Whether an unsafe request comes from a page of this service, or from no page at all.

    Browsers say where a request comes from (``Origin``, ``Sec-Fetch-Site``); programs say nothing. A bearer token
    needs no check: no browser adds one by itself.
    """
    if request.headers.get("authorization", "").lower().startswith("bearer "):
        return True
    site = request.headers.get("sec-fetch-site")
    if site is not None and site not in ("same-origin", "none"):
        return False
    origin = request.headers.get("origin")
    return origin is None or urlsplit(origin).netloc.lower() == request.headers.get("host", "").lower() != ""


def _name(host: str) -> str:
    found = HOST.fullmatch(host.lower())
    return found[1].strip("[]") if found else ""


def _is_loopback(name: str) -> bool:
    try:
        return ip_address(name).is_loopback
    except ValueError:
        return False


class Doors:
    """ASGI middleware that turns such requests away with a problem.

    Args:
        app: What answers the others.
        settings: Of the service.
    """

    def __init__(self, app: ASGIApp, *, settings: Settings) -> None:
        self.app, self.settings = app, settings
        self.upload_bytes = settings.max_upload_mb * 2**20 + SMALL_BYTES

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        request = Request(scope)
        problem = self._refusal(request)
        if problem is not None:
            await respond(request, problem)(scope, receive, send)
            return
        most, come = self._most(request), 0

        async def counted() -> Message:
            nonlocal come
            message = await receive()
            come += len(message.get("body", b""))
            if come > most:
                raise HTTPException(413, _too_large(most))
            return message

        await self.app(scope, counted, send)

    def _refusal(self, request: Request) -> Problem | None:
        host = request.headers.get("host", "")
        if not host_is_ours(host, self.settings):
            return Problem("bad-request", "This service does not go by that name; set it as one of its hosts.")
        if "transfer-encoding" in request.headers and "content-length" in request.headers:
            # RFC 9112, 6.1: a proxy that believes the other one would take what follows for a request of its own.
            closing = {"Connection": "close"}
            return Problem("bad-request", "The request states its length in two ways.", headers=closing)
        if request.method not in SAFE and not origin_is_ours(request):
            return Problem("forged", "The request comes from a page elsewhere; nothing was recorded.")
        stated = request.headers.get("content-length", "")
        most = self._most(request)
        if stated.isdecimal() and int(stated[:20]) > most:
            return Problem("too-large", _too_large(most))
        return None

    def _most(self, request: Request) -> int:
        is_upload = request.headers.get("content-type", "").lower().startswith("multipart/")
        return self.upload_bytes if is_upload else SMALL_BYTES


def _too_large(most: int) -> str:
    return f"The request has more than {most // 2**20} MiB; send less."
