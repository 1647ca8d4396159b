"""Runs the service: what ``wearvision serve`` does."""

from __future__ import annotations

import uvicorn

from wearvision_api.app import create_app
from wearvision_api.settings import Settings

GRACE_S = 30
"""How long a stop waits for what is in flight."""


def serve(settings: Settings) -> None:
    """Serves until it is told to stop, then finishes what is in flight."""
    uvicorn.run(
        create_app(settings),
        host=settings.host,
        port=settings.port,
        ssl_certfile=str(settings.tls_certificate) if settings.tls_certificate else None,
        ssl_keyfile=str(settings.tls_key) if settings.tls_key else None,
        proxy_headers=bool(settings.proxy),
        forwarded_allow_ips=settings.proxy or None,
        timeout_graceful_shutdown=GRACE_S,
        server_header=False,
        log_config=None,
    )
