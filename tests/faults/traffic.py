"""People who photograph, grade, measure, settle returns and label while things break; they remember what was answered.

Each step is sent with a key of its own until it is answered, as a phone with a bad link does. What a step sends is
unlike anything else that is ever sent, so that a record made twice shows in the tables.
"""

from __future__ import annotations

import random
import threading
import time
import uuid
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import httpx

from wearvision_api.store.tables import new_id

WAIT_S = 0.2
LABEL = {"part": "flame_cell", "view": "face", "grade": "replace", "modes": {"clouding": "replace"}}
LATER = (502, 503, 504, 507)
"""Answers that say: nothing is wrong with it, send it again."""


class Over(Exception):
    """The person goes home: a step is left unanswered."""


@dataclass
class Step:
    """One thing that was sent.

    Attributes:
        kind: ``photo``, ``grade``, ``reading``, ``return``, ``return photo``, ``waiver``, ``permission`` or ``label``.
        address: Behind ``/api/v1``.
        sent: As httpx takes it.
        about: What tells its record from all others.
        key: Idempotency-Key.
        answer: What was answered with 201; None: it was not.
        at: When that was, by the monotonic clock.
    """

    kind: str
    address: str
    sent: dict[str, Any]
    about: str
    key: str
    answer: dict[str, Any] | None = None
    at: float = 0.0


@dataclass
class Book:
    """All steps of all people, and the answers that no fault excuses."""

    steps: list[Step] = field(default_factory=list)
    odd: list[str] = field(default_factory=list)
    told: dict[int, int] = field(default_factory=dict)
    """How often each status was answered."""
    excused: tuple[int, ...] = ()
    """Further statuses that mean no harm in this test."""
    lock: threading.Lock = field(default_factory=threading.Lock)

    def answered(self) -> list[Step]:
        """Those that were acknowledged so far."""
        with self.lock:
            return [one for one in self.steps if one.answer is not None]

    def first_after(self, moment: float) -> float | None:
        """When the first step after a moment was acknowledged."""
        with self.lock:
            return min((one.at for one in self.steps if one.at > moment), default=None)


class Person(threading.Thread):
    """Works through visits until told to stop.

    Args:
        book: Where steps are written down.
        addresses: Of the service's processes; the next one is asked where one does not answer.
        photo: JPEG bytes that every photo begins with.
        seed: Of what is drawn by chance.
        timeout_s: How long to wait for an answer.
        token: Of an account; empty: none is asked for.
    """

    def __init__(
        self,
        book: Book,
        addresses: Sequence[str],
        photo: bytes,
        seed: int,
        *,
        timeout_s: float = 30.0,
        token: str = "",
    ) -> None:
        super().__init__(daemon=True)
        self.book, self.photo, self.chance = book, photo, random.Random(seed)
        self.doors = [door_to(one, timeout_s, token) for one in addresses]
        self.stopping = threading.Event()

    def stop(self) -> None:
        """Asks to leave after the step at hand."""
        self.stopping.set()

    def run(self) -> None:
        """Visits, one after the other."""
        try:
            while not self.stopping.is_set():
                self.visit(self.chance.random())
        except Over:
            pass
        finally:
            for door in self.doors:
                door.close()

    def visit(self, lot: float) -> None:
        """A photo with grade and reading; by lot a label of it, too, or a return."""
        photo = self.send("photo", "/photos", **self._file())
        grade = self.send("grade", "/grades", about=photo["id"], json={"photos": [photo["id"]], "part": "flame_cell"})
        if grade["part"] == "flame_cell":
            reading = {"check": "cell-lit", "value": 1000 + self.chance.randrange(500), "unit": "ohm"}
            self.send("reading", f"/grades/{grade['id']}/readings", about=grade["id"], json=reading)
        if lot < 0.3:
            permitted = {"ground": "own part"}
            made = self.send("permission", f"/grades/{grade['id']}/permission", about=grade["id"], json=permitted)
            (example,) = made["examples"]
            self.send("label", f"/examples/{example}/labels", about=example, json={"body": LABEL})
        elif lot > 0.5:
            story = uuid.UUID(int=self.chance.getrandbits(128)).hex
            made = self.send("return", "/returns", about=story, json={"part": "flame_cell", "story": story})
            place = f"/returns/{made['id']}"
            made = self.send("return photo", f"{place}/photos", **self._file(), data={"view": "face"})
            for item in [one["key"] for one in made["missing"]][:2]:
                reason = {"item": item, "reason": "Not to be had."}
                self.send("waiver", f"{place}/waivers", about=f"{made['id']} {item}", json=reason)

    def _file(self) -> dict[str, Any]:
        data = self.photo + f"{self.chance.getrandbits(100):x}".encode()
        return {"about": data[-25:].hex(), "files": {"file": ("photo.jpg", data, "image/jpeg")}}

    def send(self, kind: str, address: str, *, about: str, **sent: Any) -> dict[str, Any]:
        """Sends a step until it is answered.

        Raises:
            Over: the person goes home before that.
        """
        step = Step(kind, address, sent, about, new_id())
        with self.book.lock:
            self.book.steps.append(step)
        while True:
            answer = deliver(self.doors[0], step)
            if answer is not None:
                with self.book.lock:
                    self.book.told[answer.status_code] = self.book.told.get(answer.status_code, 0) + 1
                if answer.status_code == 201:
                    step.answer, step.at = answer.json(), time.monotonic()
                    return step.answer
                if answer.status_code not in (*LATER, *self.book.excused):
                    self.book.odd.append(f"{kind}: {answer.status_code} {answer.text[:300]}")
                elif answer.status_code == 503 and "retry-after" not in answer.headers:
                    self.book.odd.append(f"{kind}: 503 without Retry-After: {answer.text[:200]}")
            self.doors.append(self.doors.pop(0))
            if self.stopping.wait(WAIT_S):
                raise Over


def door_to(address: str, timeout_s: float, token: str = "") -> httpx.Client:
    """A client of the JSON API."""
    headers = {"Authorization": f"Bearer {token}"} if token else {}
    return httpx.Client(base_url=f"{address}/api/v1", timeout=timeout_s, headers=headers, trust_env=False)


def deliver(door: httpx.Client, step: Step) -> httpx.Response | None:
    """Sends a step once; None where the line broke."""
    try:
        return door.post(step.address, headers={"Idempotency-Key": step.key}, **step.sent)
    except httpx.TransportError:
        return None


class Crowd:
    """Several people at once, in a ``with`` block.

    Args:
        addresses: Of the service.
        photo: JPEG bytes.
        seed: Of what is drawn by chance.
        people: How many.
        timeout_s: How long each waits for an answer.
        token: Of an account.
    """

    def __init__(
        self,
        addresses: Sequence[str],
        photo: bytes,
        seed: int,
        *,
        people: int = 2,
        timeout_s: float = 30.0,
        token: str = "",
    ) -> None:
        self.book = Book()
        self.addresses, self.token = addresses, token
        self.people = [
            Person(self.book, addresses, photo, seed * 100 + number, timeout_s=timeout_s, token=token)
            for number in range(people)
        ]

    def __enter__(self) -> Crowd:
        for one in self.people:
            one.start()
        return self

    def __exit__(self, *_: object) -> None:
        for one in self.people:
            one.stop()
        for one in self.people:
            one.join(120)

    def wait_for_answers(self, count: int, seconds: float = 120.0) -> float:
        """Waits until so many further steps were acknowledged; gives the moment of the first of them."""
        begun = time.monotonic()
        while sum(one.at > begun for one in self.book.answered()) < count:
            assert not self.book.odd, self.book.odd[:3]
            assert time.monotonic() - begun < seconds, f"fewer than {count} answers in {seconds} s: {self.book.told}"
            time.sleep(0.02)
        first = self.book.first_after(begun)
        assert first is not None
        return first

    def send_again(self, most: int = 40) -> None:
        """Sends what was not answered, and what was last answered, with the same keys: as phones do later.

        Raises:
            AssertionError: an answer differs from the one given before.
        """
        with door_to(self.addresses[0], 60, self.token) as door:
            waiting = [one for one in self.book.steps if one.answer is None]
            for step in waiting + self.book.answered()[-most:]:
                answer = deliver(door, step)
                assert answer is not None, f"no answer to a {step.kind}"
                assert answer.status_code == 201, f"{step.kind}: {answer.status_code} {answer.text[:300]}"
                assert step.answer in (None, answer.json()), f"a retried {step.kind} was answered otherwise"
                step.answer, step.at = answer.json(), time.monotonic()
