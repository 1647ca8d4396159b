"""Changed inputs from a fixed seed, without an instrument: what the default tests try on every machine."""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence


def mutated(seeds: Sequence[bytes], words: Sequence[bytes], count: int, most_bytes: int, seed: int) -> Iterator[bytes]:
    """Inputs near the given ones.

    Args:
        seeds: Well-formed inputs, at least one.
        words: Pieces that stand in such inputs.
        count: How many inputs.
        most_bytes: Longest input.
        seed: The same seed gives the same inputs.
    """
    chance = random.Random(seed)
    for _ in range(count):
        data = bytearray(chance.choice(seeds))
        for _ in range(chance.choice((1, 1, 2, 4, 12))):
            _change(data, seeds, words, chance)
        yield bytes(data[:most_bytes])


def _change(data: bytearray, seeds: Sequence[bytes], words: Sequence[bytes], chance: random.Random) -> None:
    at, span = chance.randint(0, len(data)), chance.choice((1, 1, 2, 4, 16, 100))
    kind = chance.randrange(7)
    if kind == 0 and data:
        data[at % len(data)] ^= 1 << chance.randrange(8)
    elif kind == 1 and data:
        data[at % len(data)] = chance.choice((0, 1, 0x7F, 0x80, 0xFF, chance.randrange(256)))
    elif kind == 2:
        del data[at : at + span]
    elif kind == 3:
        data[at:at] = data[at : at + span] * chance.choice((1, 2, 20))
    elif kind == 4 and words:
        data[at : at + chance.choice((0, span))] = chance.choice(words)
    elif kind == 5:
        other = chance.choice(seeds)
        data[at:] = other[chance.randint(0, len(other)) :]
    else:
        data[at : at + span] = bytes(chance.randrange(256) for _ in range(min(span, 8)))
