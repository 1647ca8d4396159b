"""Numbers of returns with two check digits after ISO/IEC 7064, MOD 97-10: one wrong digit or two swapped are found."""

from __future__ import annotations

import re

_FORM = re.compile(r"(\d{2})-?(\d{5})-?(\d{2})")
DIGITS = 7


def check_digits(digits: str) -> str:
    """The two digits that make the whole number leave 1 when divided by 97.

    Args:
        digits: Decimal digits, at least one.

    Raises:
        ValueError: something else than digits.
    """
    if not digits.isascii() or not digits.isdigit():
        raise ValueError(f"{digits!r} is not a row of digits")
    return f"{98 - int(digits) * 100 % 97:02d}"


def with_check_digits(digits: str) -> str:
    """A number as it is printed: ``"2600042"`` becomes ``"26-00042-33"``.

    Raises:
        ValueError: not seven digits.
    """
    if len(digits) != DIGITS:
        raise ValueError(f"{digits!r} has not {DIGITS} digits")
    return f"{digits[:2]}-{digits[2:]}-{check_digits(digits)}"


def read_number(text: str) -> str | None:
    """A number as it was typed or scanned, with or without hyphens, in its printed form; None where it is none."""
    match = _FORM.fullmatch(text.strip())
    if match is None or not text.isascii():
        return None
    year, count, check = match.groups()
    if check != check_digits(year + count):  # the remainder alone would let 00 and 01 pass for 97 and 98
        return None
    return "-".join(match.groups())
