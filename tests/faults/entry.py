"""An administrator of a service with accounts: log-in and token, as a person and a program get them."""

from __future__ import annotations

import time

import httpx

from wearvision_api.accounts.first import make_administrator
from wearvision_api.accounts.roles import scopes_of
from wearvision_api.accounts.secrets import form_token
from wearvision_api.settings import Settings

NAME = "anna"
PASSWORD = "yard gate 7 opens at dawn"


def administrator(settings: Settings) -> None:
    """Makes the account, as the command does."""
    make_administrator(settings, NAME, PASSWORD)


def log_in(address: str, timeout_s: float = 60.0, *, password: str = PASSWORD) -> tuple[str, float]:
    """Logs in; gives the cookie's secret, empty where that was refused, and the seconds it took."""
    begun = time.monotonic()
    form = {"name": NAME, "password": password}
    answer = httpx.post(f"{address}/login", data=form, timeout=timeout_s, trust_env=False)
    return answer.cookies.get("wearvision", "") if answer.status_code == 303 else "", time.monotonic() - begun


def token(address: str) -> str:
    """A token that may do whatever an administrator may."""
    cookie, _ = log_in(address)
    answer = httpx.post(
        f"{address}/api/v1/tokens",
        json={"name": "faults", "scopes": list(scopes_of("administrator"))},
        cookies={"wearvision": cookie},
        headers={"X-CSRF": form_token(cookie)},
        timeout=60,
        trust_env=False,
    )
    return str(answer.raise_for_status().json()["token"])
