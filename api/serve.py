"""Runs the service: what ``wearvision serve`` does."""

from __future__ import annotations

import socket
from collections.abc import Callable
from ipaddress import IPv6Address, ip_address
from typing import Any

import uvicorn
from fastapi import FastAPI

from wearvision.errors import SetupError
from wearvision.standard.limits import load_limits
from wearvision_api import logs
from wearvision_api.app import create_app
from wearvision_api.patience import Patient
from wearvision_api.returns.policy_table import load_policy
from wearvision_api.settings import Settings
from wearvision_api.several import serve_several
from wearvision_api.teaching.gate import load_gate

GRACE_S = 30
"""How long a stop waits for what is in flight."""
BACKLOG = 256
"""Connections that may knock at the same moment; how many are answered is ``api/overload.py``'s."""


def serve(settings: Settings, ready: Callable[[str], None]) -> None:
    """Serves until it is told to stop (SIGTERM, SIGINT), then finishes what is in flight.

    Args:
        settings: Of the service.
        ready: Is told the address once requests are answered.

    Raises:
        wearvision.errors.SetupError: the address cannot be listened on, or none of several processes could start.
        wearvision.errors.LimitsError, wearvision_api.returns.policy_table.PolicyError,
            wearvision_api.teaching.gate.GateError: a table is wrong.
    """
    load_limits(settings.limits)  # here, so that mistake is told in one line before anything opens
    load_policy(settings.policy)
    load_gate(settings.gate)
    door = listen(settings.host, settings.port)
    logs.configure()
    address = address_of(settings, door.getsockname()[1])
    with door:
        if settings.processes > 1:
            serve_several(settings, door, lambda: ready(address))
        else:
            _Server(config_of(settings, create_app(settings)), lambda: ready(address)).run(sockets=[door])


def config_of(settings: Settings, app: FastAPI | Callable[[], FastAPI], **more: Any) -> uvicorn.Config:
    """How the server is set.

    Args:
        settings: Of the service.
        app: It, or with ``factory=True`` what makes it.
        more: Further settings of the server's own.
    """
    return uvicorn.Config(
        app,
        ssl_certfile=str(settings.tls_certificate) if settings.tls_certificate else None,
        ssl_keyfile=str(settings.tls_key) if settings.tls_key else None,
        proxy_headers=bool(settings.proxy),
        forwarded_allow_ips=settings.proxy or None,
        http=Patient,
        timeout_graceful_shutdown=GRACE_S,
        server_header=False,
        access_log=False,  # it would log addresses of people and query strings; api/metrics.py logs instead
        log_config=None,
        **more,
    )


class _Server(uvicorn.Server):
    def __init__(self, config: uvicorn.Config, ready: Callable[[], None]) -> None:
        super().__init__(config)
        self._ready = ready

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """Opens house and door, then says so."""
        await super().startup(sockets)
        self._ready()


def listen(host: str, port: int) -> socket.socket:
    """A socket bound to the address; it listens once the service is ready.

    Raises:
        wearvision.errors.SetupError: it is taken, or not this machine's.
    """
    try:
        family, kind, protocol, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
        door = socket.socket(family, kind, protocol)
    except OSError as error:
        raise SetupError(f"{host} is no address of this machine: {error.strerror or error}.") from error
    try:
        door.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        door.bind(address)
        door.listen(BACKLOG)
    except OSError as error:
        door.close()
        raise SetupError(
            f"{host}, port {port}, cannot be listened on: {error.strerror or error}. Choose another --port or --host."
        ) from error
    door.set_inheritable(True)
    return door


def address_of(settings: Settings, port: int) -> str:
    """Where a browser on this machine finds the service; behind a proxy, where the proxy finds it."""
    try:
        is_v6 = isinstance(ip_address(settings.host), IPv6Address)
    except ValueError:
        is_v6 = False
    name = f"[{settings.host}]" if is_v6 else settings.host
    return f"{'https' if settings.tls_certificate else 'http'}://{name}:{port}"
