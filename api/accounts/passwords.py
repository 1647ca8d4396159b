"""Passwords: which are taken, and how they are kept (Argon2id, RFC 9106, by the library's own parameters)."""

from __future__ import annotations

import threading
import unicodedata
from functools import cache

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from wearvision_api.problems import Problem

SHORTEST = 12
LONGEST = 256
FEWEST_KINDS = 5
"""Different characters; fewer is a pattern, not a password."""
HASHING = 2
"""Hashes reckoned at the same time; each takes 64 MiB, so that many log-ins at once must not take the memory."""
COMMON = (
    "password", "passwort", "letmein", "welcome", "administrator", "qwerty", "qwertz", "azerty", "iloveyou",
    "changeme", "1234567890", "0987654321", "abcdefghij", "1q2w3e4r5t", "secret", "burner", "wearvision",
)  # fmt: skip
"""Widely used passwords' stems (common knowledge, no published list), and words that lie near here."""
USUAL = PasswordHasher()


def demand_good(password: str, name: str) -> None:
    """Refuses a password that is soon guessed.

    Args:
        password: As entered.
        name: Of the account.

    Raises:
        Problem: it is too short, too long, of too few characters, common, or made of the name.
    """
    if not SHORTEST <= len(password) <= LONGEST:
        raise Problem("invalid", f"A password has {SHORTEST} to {LONGEST} characters; several plain words do well.")
    plain = _normal(password).casefold()
    if len(set(plain)) < FEWEST_KINDS:
        raise Problem("invalid", "The password repeats too few characters; several plain words do well.")
    rest = plain
    for stem in sorted((*COMMON, _normal(name).casefold()), key=len, reverse=True):
        rest = rest.replace(stem, "") if stem else rest
    if len(rest) < SHORTEST // 2:
        raise Problem("invalid", "The password is a common one, or made of the account's name; choose another.")


def _normal(password: str) -> str:
    """One spelling of the same characters, whichever keyboard made them (NIST SP 800-63B, 3.1.1.2)."""
    return unicodedata.normalize("NFKC", password)


@cache
def _hash_of_nobody(hasher: PasswordHasher) -> str:
    return hasher.hash("of no account")


class Passwords:
    """Hashes and checks passwords, few at a time.

    Args:
        hasher: Of the library; its parameters are those of new hashes.
    """

    def __init__(self, hasher: PasswordHasher = USUAL) -> None:
        self._hasher = hasher
        self._places = threading.BoundedSemaphore(HASHING)
        self._nobodys = _hash_of_nobody(hasher)

    def hash(self, password: str) -> str:
        """The hash to keep, with its salt and parameters in it."""
        with self._places:
            return self._hasher.hash(_normal(password))

    def fits(self, kept: str, password: str) -> bool:
        """Whether a password is the one kept. An empty hash takes as long as a real one and fits nothing."""
        with self._places:
            try:
                self._hasher.verify(kept or self._nobodys, _normal(password))
            except (VerificationError, InvalidHashError):
                return False
        return bool(kept)

    def is_old(self, kept: str) -> bool:
        """Whether a hash was made with other parameters than today's."""
        return self._hasher.check_needs_rehash(kept)
