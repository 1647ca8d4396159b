"""What technicians' phones do, for locust: a photo with a key of its own, its grade, a reading; again, when told to.

Every answer goes to a file, a line of JSON each, so that what was acknowledged can be held against the database. A 503
is waited out as it says and the same request sent again with the same key; nothing else is ever sent again.
"""

from __future__ import annotations

import json
import os
import time
import uuid
from pathlib import Path
from typing import Any

import gevent
from locust import HttpUser, events, task

PHOTO = Path(os.environ["WEARVISION_LOAD_PHOTO"]).read_bytes()
OUT = Path(os.environ["WEARVISION_LOAD_OUT"]).open("a", buffering=1)  # noqa: SIM115  # open as long as the process lives
UNTIL = time.monotonic() + float(os.environ["WEARVISION_LOAD_SECONDS"])
"""A visit is begun until then, and always brought to its end."""


class Phone(HttpUser):
    """Somebody in the field: one visit after the other, without a pause."""

    @task
    def visit(self) -> None:
        """A photo, its grade, a reading."""
        if time.monotonic() > UNTIL:
            gevent.sleep(0.2)
            return
        visit = uuid.uuid4().hex
        begun = time.monotonic()
        files = {"file": ("cell.jpg", PHOTO + visit.encode(), "image/jpeg")}  # another file, the same picture
        photo = self._send("photo", "/api/v1/photos", f"{visit}-p", files=files)
        if photo is None:
            return
        asked = {"photos": [photo["id"]], "part": "flame_cell"}
        grade = self._send("grade", "/api/v1/grades", f"{visit}-g", json=asked, photo=photo["id"])
        if grade is None:
            return
        reading = {"check": "cell-lit", "value": 2400, "unit": "ohm"}
        path = f"/api/v1/grades/{grade['id']}/readings"
        if self._send("reading", path, f"{visit}-r", json=reading, grade=grade["id"]) is not None:
            _note(step="visit", seconds=time.monotonic() - begun)

    def _send(self, step: str, path: str, key: str, *, photo: str = "", grade: str = "", **body: Any) -> Any:
        while True:
            begun = time.monotonic()
            with self.client.post(
                path, headers={"Idempotency-Key": key}, name=step, catch_response=True, timeout=120, **body
            ) as answer:
                seconds, status, after = time.monotonic() - begun, answer.status_code, answer.headers.get("retry-after")
                answer.success()
            said = answer.json() if status == 201 else None
            _note(
                step=step, status=status, seconds=seconds, after=after, id=said and said["id"], photo=photo, grade=grade
            )
            if status != 503 or after is None:
                return said
            gevent.sleep(float(after))


def _note(**row: Any) -> None:
    OUT.write(json.dumps(row | {"at": time.monotonic()}) + "\n")


@events.quitting.add_listener
def _close(**_: Any) -> None:
    OUT.close()
