"""After wrong passwords in a row the next try has to wait, longer each time."""

from __future__ import annotations

import threading
from collections import OrderedDict
from datetime import datetime, timedelta

FREE = 5
"""Wrong passwords in a row before there is a delay."""
LONGEST_S = 900
MOST_NAMES = 4096


def wait_s(failures: int, failed_at: datetime | None, now: datetime) -> int:
    """Whole seconds until the next try, 0 for now.

    Args:
        failures: Wrong passwords in a row, 0 and up.
        failed_at: When the last one was sent.
        now: The time.
    """
    if failures < FREE or failed_at is None:
        return 0
    delay = min(2 ** min(failures - FREE, 20), LONGEST_S)
    left = failed_at + timedelta(seconds=delay) - now
    return max(0, -(-left // timedelta(seconds=1)))


class Strangers:
    """Wrong log-ins under names that no account has, so that the delay does not tell which names are real.

    Kept in memory for the last few thousand names; a restart forgets them.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._seen: OrderedDict[str, tuple[int, datetime]] = OrderedDict()

    def wait_s(self, name: str, now: datetime) -> int:
        """Whole seconds until the next try; one that need not wait is counted."""
        with self._lock:
            failures, at = self._seen.get(name, (0, now))
            left = wait_s(failures, at, now)
            if not left:
                self._seen[name] = (failures + 1, now)
                self._seen.move_to_end(name)
                if len(self._seen) > MOST_NAMES:
                    self._seen.popitem(last=False)
            return left
