"""Which examples teach, calibrate and test: decided by what they have in common, once and for good."""

from __future__ import annotations

import hashlib
from typing import Literal, get_args

Split = Literal["train", "calibrate", "test"]
SPLITS: tuple[Split, ...] = get_args(Split)

SHARES: dict[Split, float] = {"train": 0.6, "calibrate": 0.2, "test": 0.2}
"""Share of the groups in each split. Never changed: an old test photo would turn up in training."""


def group_of(machine: str, capture: str) -> str:
    """The group that photos of one part share: that of the machine where it is known, else of the capture.

    Args:
        machine: Identifier of the machine, compared without regard to case and spaces; empty if unknown.
        capture: What was taken at one time of one part (a visit, a return, a folder), or the photo itself.

    Returns:
        SHA-256 in hex.

    Raises:
        ValueError: neither is given.

    Example:
        >>> group_of("OH 17", "visit 1") == group_of("oh 17 ", "visit 2")
        True
    """
    known = " ".join(machine.casefold().split())
    if not known and not capture:
        raise ValueError("a group needs a machine or a capture")
    key = f"machine:{known}" if known else f"capture:{capture}"
    return hashlib.sha256(key.encode("utf-8")).hexdigest()


def split_of(group: str) -> Split:
    """The split of a group, by the SHA-256 of its name: 0.6 train, 0.2 calibrate, 0.2 test.

    Args:
        group: Name of what must not be divided, such as ``group_of`` gives.

    Example:
        >>> split_of("a") == split_of("a")
        True
    """
    place = int.from_bytes(hashlib.sha256(group.encode("utf-8")).digest()[:8], "big") / 2**64
    if place < SHARES["train"]:
        return "train"
    return "calibrate" if place < SHARES["train"] + SHARES["calibrate"] else "test"
