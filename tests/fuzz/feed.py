"""Bytes turned into plain values, so that a fuzzer that only knows bytes reaches past the parser of JSON or TOML."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

ODD: tuple[Any, ...] = (
    *(
        None,
        True,
        False,
        0,
        1,
        -1,
        0.5,
        1e-9,
        1e308,
        -0.0,
        math.nan,
        math.inf,
        -math.inf,
        2**31,
        2**63,
        10**400,
        -(10**400),
    ),
    *("", " ", "0", "NaN", "1e999", "9" * 5000, "\0", "\ud800", "\u202e", "a\u0301" * 50, "=1+1", "../..", "<b>", "१२"),
    [],
    {},
)
"""What readers of numbers and texts stumble over."""


class Feed:
    """Takes bytes from the front; zeros once they are used up.

    Args:
        data: Whatever the fuzzer gives.
    """

    def __init__(self, data: bytes) -> None:
        self._data, self._at = data, 0

    def byte(self) -> int:
        """The next byte, 0 to 255."""
        self._at += 1
        return self._data[self._at - 1] if self._at <= len(self._data) else 0

    def rest(self) -> bytes:
        """All that is left."""
        left, self._at = self._data[self._at :], len(self._data)
        return left

    def one_of(self, values: Sequence[Any]) -> Any:
        """One of the values."""
        return values[self.byte() % len(values)]

    def text(self) -> str:
        """A short text of the bytes that follow."""
        size = self.byte() % 24
        return bytes(self.byte() for _ in range(size)).decode("latin-1")

    def plain(self, words: Sequence[Any], depth: int = 3) -> Any:
        """A value as JSON has them.

        Args:
            words: Keys and words that the reader knows; they are taken most often.
            depth: How deep lists and objects may go.
        """
        kind = self.byte() % 16
        if kind < 6 or depth == 0:
            return self.one_of(words)
        if kind < 8:
            return self.one_of(ODD)
        if kind == 8:
            return self.text()
        if kind == 9:
            return self.byte() / 16
        if kind == 10:
            return self.byte() - 8
        if kind < 13:
            return [self.plain(words, depth - 1) for _ in range(self.byte() % 5)]
        keys = [word for word in words if isinstance(word, str)]
        return {self.one_of(keys): self.plain(words, depth - 1) for _ in range(self.byte() % 6)}

    def changed(self, value: Any, words: Sequence[Any]) -> Any:
        """A copy of a plain value in which some places are others; most stay as they are."""
        if self.byte() % 11 == 1:
            return self.plain(words, 2)
        if isinstance(value, dict):
            kept = {key: self.changed(item, words) for key, item in value.items() if self.byte() % 13 != 1}
            keys = [word for word in words if isinstance(word, str)]
            return kept | ({self.one_of(keys): self.plain(words, 2)} if self.byte() % 7 == 1 else {})
        if isinstance(value, list):
            return [self.changed(item, words) for item in value for _ in range(2 if self.byte() % 17 == 1 else 1)]
        return value
