"""What the running service does by itself: a signed head a day, and the bytes of erased photos that had to wait."""

from __future__ import annotations

import logging
import threading
from collections.abc import Iterator
from contextlib import contextmanager

from wearvision_api.house import House
from wearvision_api.record.erase import remove_bytes
from wearvision_api.record.heads import write_days
from wearvision_api.store.tables import now

LOG = logging.getLogger(__name__)
EVERY_S = 300.0
"""How long after midnight UTC a day's head may come."""


def tick(house: House) -> None:
    """Does what is due; doing it twice, or in several processes, does no harm."""
    with house.session(writes=False) as session:
        write_days(session, house.key, house.settings.data / "heads", now().date())
        remove_bytes(session, house.blobs, trainings=house.settings.data / "trainings")


@contextmanager
def daily(house: House, *, every_s: float = EVERY_S) -> Iterator[None]:
    """Ticks at once and then again and again, until the block ends."""
    stop = threading.Event()

    def run() -> None:
        while True:
            try:
                tick(house)
            except Exception:  # a full disk today must not keep tomorrow's head from being written
                LOG.exception("daily work of the record failed; it is tried again")
            if stop.wait(every_s):
                return

    worker = threading.Thread(target=run, name="record")
    worker.start()
    try:
        yield
    finally:
        stop.set()
        worker.join()
