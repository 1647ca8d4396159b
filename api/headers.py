"""Headers that keep a browser from doing more with an answer than it is meant for."""

from __future__ import annotations

from starlette.datastructures import MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

_ALWAYS = ("default-src 'none'", "base-uri 'none'", "frame-ancestors 'none'")
PAGE_POLICY = "; ".join(
    (
        *_ALWAYS,
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self' blob:",
        "media-src 'self' blob:",
        "font-src 'self'",
        "connect-src 'self'",
        "manifest-src 'self'",
        "worker-src 'self'",
        "form-action 'self'",
    )
)
"""Of pages and scripts: nothing inline, nothing from elsewhere; photos that a phone just took come as ``blob:``."""
FILE_POLICY = "; ".join((*_ALWAYS, "form-action 'none'"))
"""Of PDF files, which a browser's own viewer shows; a sandbox would keep it from opening them."""
DATA_POLICY = f"{FILE_POLICY}; sandbox"
"""Of all else, uploaded photos among it: whatever a browser takes it for, it runs nothing and has no origin."""
POLICIES = {
    "text/html": PAGE_POLICY,
    "text/javascript": PAGE_POLICY,
    "application/javascript": PAGE_POLICY,
    "application/pdf": FILE_POLICY,
}
"""By media type."""
HEADERS = {
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Permissions-Policy": "camera=(self), geolocation=(), microphone=(), payment=(), usb=()",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "X-Frame-Options": "DENY",
}
YEAR_S = 31_536_000


class SecurityHeaders:
    """ASGI middleware that adds them to every answer which does not set its own.

    Args:
        app: What answers.
        secure: Whether browsers reach the service over TLS.
    """

    def __init__(self, app: ASGIApp, *, secure: bool) -> None:
        self.app = app
        self.headers = HEADERS | ({"Strict-Transport-Security": f"max-age={YEAR_S}"} if secure else {})

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return

        async def marked(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                if message["status"] != 304:  # nothing comes with it: what the browser kept keeps its own policy
                    media_type = headers.get("content-type", "").partition(";")[0].strip().lower()
                    headers.setdefault("Content-Security-Policy", POLICIES.get(media_type, DATA_POLICY))
                for name, value in self.headers.items():
                    headers.setdefault(name, value)
                if not scope["path"].startswith("/static/"):
                    headers.setdefault("Cache-Control", "private, no-cache")
            await send(message)

        await self.app(scope, receive, marked)
