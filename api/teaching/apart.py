"""Holds the splits of a data set apart: no part that is learned from may turn up among those that are tested."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from wearvision.errors import InputError


@dataclass(frozen=True, slots=True)
class Placed:
    """A photo and where it stands.

    Attributes:
        name: Of the example, for the message.
        sha256: Of the photo.
        machine: Identifier of the machine; empty where it is not known.
        capture: What was taken at one time of one part.
        group: What must never be divided.
        split: ``train``, ``calibrate`` or ``test``.
    """

    name: str
    sha256: str
    machine: str
    capture: str
    group: str
    split: str


class NotApart(InputError):
    """Photos of one part stand in different groups or splits.

    Args:
        message: What is wrong and what to do.
        names: Of the examples.
    """

    code = "not_apart"

    def __init__(self, message: str, names: Sequence[str]) -> None:
        super().__init__(message)
        self.names = tuple(names)


def demand_apart(photos: Iterable[Placed]) -> None:
    """Refuses a set in which one part could be learned from and tested.

    A photo that stands twice, a machine or a capture in two groups, and a group in two splits are each refused: by any
    of them the same part could come into two splits, if not now, then when the next photo of it comes.

    Raises:
        NotApart: names the examples.
    """
    rows = sorted(photos, key=lambda one: one.name)
    for one in _shared(rows, lambda row: row.sha256, lambda row: row.name):
        raise NotApart(f"The same photo stands twice: {_names(one)}. Leave one of them out, then freeze again.", one)
    kinds: tuple[tuple[str, Callable[[Placed], str]], ...] = (
        ("machine", lambda row: plain(row.machine)),
        ("visit or return", lambda row: row.capture),
    )
    for kind, key in kinds:
        for one in _shared(rows, key, lambda row: row.group):
            raise NotApart(
                f"One {kind} stands in two groups, so photos of one part could be learned from and tested: "
                f"{_names(one)}. Leave those of one group out, then freeze again.",
                one,
            )
    for one in _shared(rows, lambda row: row.group, lambda row: row.split):
        raise NotApart(f"One group stands in two splits: {_names(one)}. Leave those of one split out.", one)


def plain(machine: str) -> str:
    """A machine's identifier as it is compared: without regard to case and spaces."""
    return " ".join(machine.casefold().split())


def _shared(
    rows: Sequence[Placed], key: Callable[[Placed], str], other: Callable[[Placed], str]
) -> Iterable[tuple[str, ...]]:
    """Names of the rows with one key that differ in the other; one row for each value of the other."""
    found: defaultdict[str, dict[str, str]] = defaultdict(dict)
    for row in rows:
        if key(row):
            found[key(row)].setdefault(other(row), row.name)
    for values in found.values():
        if len(values) > 1:
            yield tuple(values.values())


def _names(names: Sequence[str]) -> str:
    shown = ", ".join(names[:6])
    return f"{shown} and {len(names) - 6} more" if len(names) > 6 else shown


__all__ = ["NotApart", "Placed", "demand_apart", "plain"]
