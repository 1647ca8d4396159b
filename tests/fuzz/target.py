"""What is fuzzed: one reader of bytes that strangers send."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Target:
    """One reader.

    Attributes:
        name: Short.
        run: Takes one input; raises only what is a fault (typed errors of the program end in it).
        seeds: Makes well-formed inputs to start from.
        words: What stands in such inputs, for the fuzzer's dictionary.
        most_bytes: Longest input.
        most_mb: Memory of the process above which an input counts as a fault.
        most_s: Time for one input above which it counts as a hang.
    """

    name: str
    run: Callable[[bytes], None]
    seeds: Callable[[], Sequence[bytes]]
    words: Sequence[bytes] = ()
    most_bytes: int = 4096
    most_mb: int = 1024
    most_s: int = 10
