"""What faults came to, as rows of one table."""

from __future__ import annotations

import os
import platform
import statistics
from collections.abc import Sequence
from dataclasses import dataclass, field
from importlib.metadata import version

from .audit import Found


@dataclass
class Row:
    """One kind of fault.

    Attributes:
        fault: Its name.
        times: How often it was done.
        checked: Acknowledged records that were looked for at the last look.
        lost: Of them not there as acknowledged.
        doubled: Records there more than once.
        back_s: Seconds from each fault, or from its end where it lasts, until the service could work again.
        kills: How many of the faults were a SIGKILL.
    """

    fault: str
    times: int = 0
    checked: int = 0
    lost: int = 0
    doubled: int = 0
    back_s: list[float] = field(default_factory=list)
    kills: int = 0

    def take(self, found: Found) -> None:
        """Notes a look, and demands that it found nothing wrong."""
        self.checked = max(self.checked, found.checked)
        self.lost += len(found.lost)
        self.doubled += len(found.doubled)
        assert not found.lost, f"{self.fault}: lost {found.lost[:5]}"
        assert not found.doubled, f"{self.fault}: doubled {found.doubled[:5]}"

    def words(self) -> str:
        """As a line of the table."""
        p50 = f"{statistics.median(self.back_s):7.2f}" if self.back_s else "      -"
        most = f"{max(self.back_s):7.2f}" if self.back_s else "      -"
        numbers = f"{self.times:6d} {self.checked:8d} {self.lost:5d} {self.doubled:8d}"
        return f"{self.fault:58s} {numbers} {p50} {most}"


ROWS: list[Row] = []
"""Of this run."""
HEAD = f"{'fault':58s} {'times':>6s} {'checked':>8s} {'lost':>5s} {'doubled':>8s} {'p50 s':>7s} {'max s':>7s}"


def counted(fault: str) -> Row:
    """A new row of the table."""
    row = Row(fault)
    ROWS.append(row)
    return row


def table(rows: Sequence[Row]) -> str:
    """All rows with what they were measured on."""
    lines = [
        f"{platform.machine()}, {os.cpu_count()} cores, load {' '.join(f'{one:.1f}' for one in os.getloadavg())}, "
        f"Python {platform.python_version()}, SQLAlchemy {version('sqlalchemy')}, Linux {platform.release()}",
        HEAD,
        *(row.words() for row in rows),
        f"{'all':58s} {sum(row.times for row in rows):6d} {sum(row.checked for row in rows):8d} "
        f"{sum(row.lost for row in rows):5d} {sum(row.doubled for row in rows):8d}",
        f"SIGKILL {sum(row.kills for row in rows)} times. 'checked': acknowledged records (photos with their bytes, "
        "grades, readings, returns and their steps, labels) held to tables, hashes and record chain after each fault.",
        "'p50', 'max': from the kill, or from the end of a fault that lasts, until all processes can work.",
    ]
    return "\n".join(lines)
