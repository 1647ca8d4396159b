"""Secrets handed out once and kept as hashes only: cookies of log-ins, tokens of programs, tokens of forms."""

from __future__ import annotations

import hashlib
import hmac
import secrets

TOKEN_PREFIX = "wvk_"  # noqa: S105  # tells a leaked token from other text, and is no secret
BYTES = 32
"""256 random bits: too many to guess, so that a plain SHA-256 keeps them."""
LENGTH = 43
"""Characters of a fresh secret: 32 bytes in base 64 without padding."""


def fresh() -> str:
    """A new secret for a cookie."""
    return secrets.token_urlsafe(BYTES)


def fresh_token() -> str:
    """A new token for a program."""
    return TOKEN_PREFIX + secrets.token_urlsafe(BYTES)


def digest(secret: str) -> str:
    """What is kept of a secret: its SHA-256, hex."""
    return hashlib.sha256(secret.encode("utf-8", "surrogateescape")).hexdigest()


def form_token(cookie: str) -> str:
    """What forms of a log-in carry; nobody derives it without the cookie, and it does not give the cookie away."""
    return hmac.new(cookie.encode("utf-8", "surrogateescape"), b"form", hashlib.sha256).hexdigest()


def same(one: str, other: str) -> bool:
    """Whether two texts are equal, in constant time."""
    return hmac.compare_digest(one.encode("utf-8", "surrogateescape"), other.encode("utf-8", "surrogateescape"))
