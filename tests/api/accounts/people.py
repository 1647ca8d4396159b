"""What the tests of accounts share: one password for all, and a logged-in browser."""

from __future__ import annotations

from dataclasses import dataclass

from fastapi.testclient import TestClient

PASSWORD = "three plain words do"
ORIGIN = "http://127.0.0.1"


@dataclass
class Browser:
    """A logged-in browser: keeps cookies and sends the form's token."""

    http: TestClient
    csrf: str
